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
