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

/* Paper has its own width: before printing the pages of wide tables, it is laid on its side, figures
   are redrawn to it and their numbers opened. */
(function () {
  const PAPER_PX = 1000;
  const WIDE = ".page.month, .page.operators, .page.settings, .page.machines";
  const opened = [];
  const lying = document.createElement("style");
  lying.textContent = "@page { size: A4 landscape; margin: 12mm; }";
  const plots = function () { return Array.from(document.querySelectorAll(".page figure .js-plotly-plot")); };
  window.addEventListener("beforeprint", function () {
    if (document.querySelector(WIDE)) { document.head.appendChild(lying); }
    document.querySelectorAll(".page figure details:not([open])").forEach(function (part) {
      part.open = true;
      opened.push(part);
    });
    plots().forEach(function (plot) {  // without a height a figure would grow over what follows it
      if (window.Plotly) { window.Plotly.relayout(plot, { width: PAPER_PX, height: plot.clientHeight, autosize: false }); }
    });
  });
  window.addEventListener("afterprint", function () {
    lying.remove();
    opened.splice(0).forEach(function (part) { part.open = false; });
    plots().forEach(function (plot) {
      if (window.Plotly) { window.Plotly.relayout(plot, { width: null, height: null, autosize: true }); }
    });
  });
}());
