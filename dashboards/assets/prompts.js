/* What the room's screens do with the mark of what they show: the lines ahead, and one tone per prompt. */
(function () {
  var rung = {case: null, known: {}};
  var tone = null;
  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    prompts: {
      /* The lines below the lanes, from the mark. */
      ahead: function (shown) {
        return shown && shown.ahead !== undefined ? shown.ahead : window.dash_clientside.no_update;
      },
      /* One short tone for each prompt that was not open before; none for those found on opening the page. */
      ring: function (shown) {
        var silent = window.dash_clientside.no_update;
        if (!shown || !shown.open) { return silent; }
        var names = shown.open.map(function (pair) { return pair[0]; });
        var is_first = rung.case !== shown.case;
        if (is_first) { rung = {case: shown.case, known: {}}; }
        var is_new = names.some(function (name) { return !rung.known[name]; });
        names.forEach(function (name) { rung.known[name] = true; });
        if (is_first || !is_new || !shown.sound) { return silent; }
        if (tone === null) { tone = new Audio('/assets/tone.wav'); }
        tone.currentTime = 0;
        tone.play().then(function () {
          window.dash_clientside.set_props('room-sound', {children: ''});
        }).catch(function () {
          window.dash_clientside.set_props('room-sound', {
            children: 'This browser plays no sound until the page is touched once.'
          });
        });
        return silent;
      }
    }
  });
})();
