/* Before printing every page is laid out for the width of a sheet of A4 between its margins, and charts are drawn for it;
   afterwards as before. Panels that draw themselves do so when they hear of the same event, after this. */
(function () {
  "use strict";
  const LEAST = 220, SHARE = 0.7; // charts are lower on paper, so that pages fill

  function charts(on) {
    document.querySelectorAll(".js-plotly-plot").forEach((plot) => {
      if (!window.Plotly || !plot._fullLayout) return;
      const height = (plot.onScreen = on ? plot._fullLayout.height : plot.onScreen);
      const box = plot.closest(".dash-graph"), now = on ? Math.max(LEAST, Math.round(SHARE * height)) : height;
      window.Plotly.relayout(plot, on ? { width: box.clientWidth, height: now } : { width: null, height, autosize: true });
    });
  }
  function paper(on) {
    document.body.classList.toggle("paper", on);
    charts(on);
  }
  // capturing: before the panels' own listeners
  window.addEventListener("beforeprint", () => paper(true), true);
  window.addEventListener("afterprint", () => paper(false), true);
})();
