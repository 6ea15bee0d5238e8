/* The few things only the browser can do. Each function is named from a callback. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  shell: {
    /* The browser's title says what is shown. */
    set_title: function (title) {
      if (title) { document.title = title; }
      return window.dash_clientside.no_update;
    },
    /* Another page begins at its top, unless its address names a part of it. */
    to_top: function (_path) {
      if (!window.location.hash) { window.scrollTo(0, 0); }
      return window.dash_clientside.no_update;
    },
    /* What was found for another patient than the form names now is hidden at once. */
    hide_others: function (values, found_for, names) {
      if (!found_for) { return false; }
      var at = names.findIndex(function (name) { return name.key === 'id'; });
      return at >= 0 && (values[at] || '').trim() !== (found_for[0] || '');
    }
  }
});

/* On paper a figure takes the width of the sheet, and its own again afterwards. */
(function () {
  var SHEET_PX = 690;
  function each(change) {
    if (!window.Plotly) { return; }
    document.querySelectorAll('.js-plotly-plot').forEach(function (plot) {
      if (!plot.closest('.page figure')) { change(plot); }  // those keep their height: month.js
    });
  }
  window.addEventListener('beforeprint', function () {
    each(function (plot) { window.Plotly.relayout(plot, {width: SHEET_PX, height: 430, autosize: false}); });
  });
  window.addEventListener('afterprint', function () {
    each(function (plot) { window.Plotly.relayout(plot, {width: null, height: null, autosize: true}); });
  });
})();
