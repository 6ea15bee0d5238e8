/* The slider over the case says aloud what it stands at. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  skin: {
    say_step: function (words) {
      window.setTimeout(function () {
        var thumb = document.querySelector('#skin-step [role="slider"]');
        if (thumb) {
          thumb.setAttribute('aria-label', 'part of the case on the map');
          thumb.setAttribute('aria-valuetext', words || '');
        }
      }, 300);
      return window.dash_clientside.no_update;
    }
  }
});
