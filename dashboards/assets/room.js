/* The hand view: what must answer a touch at once. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  room: {
    /* A volume was touched: it is chosen, and the one button that records says so and takes the focus.
       Something was recorded: nothing is chosen any more. */
    after_entry: function (clicks, done, names) {
      var touched = window.dash_clientside.callback_context.triggered_id;
      var chosen = touched && touched.key && touched.type === 'volume' ? touched.key : null;
      var classes = names.map(function (name) {
        return name.key === chosen ? 'button target is-chosen' : 'button target';
      });
      if (chosen === null) { return [null, 'touch a volume', true, classes]; }
      window.setTimeout(function () {
        var given = document.getElementById('entry-given');
        if (given) { given.focus({preventScroll: true}); }
      }, 60);
      return [chosen, 'given: ' + chosen + ' mL', false, classes];
    },
    /* A reading was a typing error: it stands in the display, ready to be changed. */
    change_reading: function (clicks, pending) {
      var fields = pending && pending.kind === 'ConsoleReading';
      var box = document.getElementById('keypad-text');
      if (clicks && fields && box) { box.focus(); box.select(); }
      return window.dash_clientside.no_update;
    },
    /* A key of the keypad writes into the display. */
    type_digit: function (clicks, text) {
      var touched = window.dash_clientside.callback_context.triggered_id;
      if (!touched || !clicks.some(Boolean)) { return window.dash_clientside.no_update; }
      var now = text === undefined || text === null ? '' : String(text);
      if (touched.key === '\u232b') { return now.slice(0, -1); }
      if (touched.key === '.' && now.indexOf('.') >= 0) { return window.dash_clientside.no_update; }
      return (now + touched.key).slice(0, 10);
    }
  }
});
