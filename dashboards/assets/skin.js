/* The slider over the case says aloud what it stands at. It is drawn after its page, so it is waited for. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  skin: {
    say_step: function (words) {
      var tries = 0;
      function say() {
        var thumb = document.querySelector('#skin-step [role="slider"]');
        if (thumb) {
          thumb.setAttribute('aria-label', 'part of the case on the map');
          thumb.setAttribute('aria-valuetext', words || '');
        } else if (tries++ < 80) {
          window.setTimeout(say, 250);
        }
      }
      window.setTimeout(say, 60);
      return window.dash_clientside.no_update;
    }
  }
});
