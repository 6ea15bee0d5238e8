/* Goes to the part of the page that the address names once it is drawn. */
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  month: {
    go_to_part: function (hash) {
      if (!hash || hash.length < 2) { return window.dash_clientside.no_update; }
      const name = decodeURIComponent(hash.slice(1));
      let tries = 0;
      const look = function () {
        const part = document.getElementById(name);
        if (part) { part.scrollIntoView({ block: part.dataset.block || "start" }); return; }
        tries += 1;
        if (tries < 40) { window.setTimeout(look, 50); }
      };
      window.setTimeout(look, 80);
      return window.dash_clientside.no_update;
    }
  }
});
