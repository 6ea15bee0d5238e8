/* The few things only the browser can do. Each function is named from a callback. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  shell: {
    /* The browser's title says what is shown. */
    set_title: function (title) {
      if (title) { document.title = title; }
      return window.dash_clientside.no_update;
    }
  }
});

/* On paper a figure takes the width of the sheet, and its own again afterwards. */
(function () {
  var SHEET_PX = 690;
  function each(change) {
    if (!window.Plotly) { return; }
    document.querySelectorAll('.js-plotly-plot').forEach(change);
  }
  window.addEventListener('beforeprint', function () {
    each(function (plot) { window.Plotly.relayout(plot, {width: SHEET_PX, height: 430, autosize: false}); });
  });
  window.addEventListener('afterprint', function () {
    each(function (plot) { window.Plotly.relayout(plot, {width: null, height: null, autosize: true}); });
  });
})();
