/* The season: one interval a run on an axis of dates or of distance, changes of setup, and what the parts predict. */
(function () {
  "use strict";
  const run = (window.halfshaft = window.halfshaft || {});
  const EDGE = { left: 46, right: 24, top: 36, bottom: 40 }, DAY_S = 86400, LEAST_GAP = 26;

  /* Round dates between two moments: days, weeks, months or years apart. */
  function dates(from, to, count) {
    const step = [1, 2, 7, 14, 30.44, 61, 91, 182, 365.25].map((days) => days * DAY_S).find((s) => (to - from) / s <= count) || 730 * DAY_S;
    const found = [];
    for (let moment = Math.ceil(from / step) * step; moment <= to; moment += step) found.push(moment);
    return found;
  }
  const day = (moment, withYear) => new Date(1000 * moment).toLocaleDateString("en-GB", { day: "numeric", month: "short", ...(withYear ? { year: "2-digit" } : {}) });

  /* Places along the axis; runs of one day are set apart so far that each can be seen and clicked. */
  function places(points, along, x) {
    let before = -Infinity;
    return points.map((p) => (before = Math.max(x(p[along]), before + LEAST_GAP)));
  }

  function draw(root) {
    const { points } = JSON.parse(root.dataset.season), box = root.querySelector("#season-chart");
    const along = root.querySelector("#season-along").value, { width, height } = box.getBoundingClientRect();
    if (width < 60) return;
    const known = points.flatMap((p) => [...p.preload, ...(p.parts || [])]).filter((v) => v !== null);
    const top = 1.1 * Math.max(50, ...known), values = points.map((p) => p[along]);
    const low = along === "km" ? 0 : Math.min(...values), high = Math.max(...values);
    const room = (high - low || (along === "km" ? 1 : DAY_S)) * 0.04, pad = along === "km" ? 0 : room;
    const spare = Math.min(points.length * LEAST_GAP, (width - EDGE.left - EDGE.right) / 3);
    const x = run.scale(low - pad, high + room, EDGE.left, width - EDGE.right - spare * 0.4);
    const y = run.scale(0, top, height - EDGE.bottom, EDGE.top), at = places(points, along, x);
    const wide = at.length ? at[at.length - 1] + EDGE.right : 0;
    const chart = run.svg("svg", { width: Math.max(width, wide), height, role: "group", "aria-label": "preload of every run with its 95 % interval" });
    const end = Math.max(width, wide) - EDGE.right;
    for (const tick of run.ticks(0, top, Math.max(3, height / 60))) {
      chart.append(run.svg("path", { d: `M${EDGE.left} ${y(tick)}H${end}`, class: "rule" }),
        run.svg("text", { x: EDGE.left - 6, y: y(tick) + 4, "text-anchor": "end", class: "tick" }, run.short(tick)));
    }
    const years = new Set(points.map((p) => new Date(1000 * p.date_s).getFullYear())).size > 1;
    const ticks = along === "km" ? run.ticks(low, high + room, Math.max(3, width / 130)) : dates(low - pad, high + room, Math.max(3, width / 110));
    for (const tick of ticks) {
      chart.append(run.svg("path", { d: `M${x(tick)} ${height - EDGE.bottom}v5`, class: "rule zero" }),
        run.svg("text", { x: x(tick), y: height - EDGE.bottom + 19, "text-anchor": "middle", class: "tick" }, along === "km" ? run.short(tick) : day(tick, years)));
    }
    chart.append(run.svg("path", { d: `M${EDGE.left} ${y(0)}H${end}`, class: "rule zero" }));
    if (along === "km") chart.append(run.svg("text", { x: end, y: height - 6, "text-anchor": "end", class: "title" }, "distance driven, km"));

    /* setups: a line where another one was fitted, its name above, what it predicts along its runs */
    points.forEach((p, k) => {
      if (k && !p.changed) return;
      const next = points.findIndex((other, n) => n > k && other.changed), to = next < 0 ? end : (at[next - 1] + at[next]) / 2;
      const from = k ? (at[k - 1] + at[k]) / 2 : EDGE.left;
      if (k) chart.append(run.svg("path", { d: `M${from} ${EDGE.top - 22}V${height - EDGE.bottom}`, class: "setup-change" }));
      const room = Math.floor((to - from - 10) / 7);
      if (room > 3) chart.append(run.svg("text", { x: from + 6, y: EDGE.top - 10, class: "setup-name" }, p.setup.length > room ? `${p.setup.slice(0, room - 1)}…` : p.setup, run.svg("title", {}, p.setup)));
      if (p.parts) {
        const [value, lower, upper] = p.parts.map((v) => y(Math.max(v, 0)));
        chart.append(run.svg("path", { d: `M${from + 4} ${lower}H${to - 4}M${from + 4} ${upper}H${to - 4}`, class: "predicted edge" }),
          run.svg("path", { d: `M${from + 4} ${value}H${to - 4}`, class: "predicted thin" }),
          run.svg("path", { d: `M${from + 14} ${value}m0 -5l5 5l-5 5l-5 -5z`, class: "predicted-mark" }));
      }
    });

    points.forEach((p, k) => {
      const [value, lower, upper] = p.preload, mark = run.svg("g", { class: "season-run" });
      if (lower !== null && upper !== null) mark.append(run.svg("path", { d: `M${at[k]} ${y(Math.max(lower, 0))}V${y(Math.max(upper, 0))}`, class: "season-span" }));
      else if (lower !== null) mark.append(run.svg("path", { d: `M${at[k]} ${y(lower)}v-22m-4 5l4 -5l4 5`, class: "bound" }));
      else mark.append(run.svg("text", { x: at[k], y: y(0) - 8, "text-anchor": "middle", class: "tick" }, "–"));
      if (value !== null) mark.append(run.svg("path", { d: `M${at[k] - 7} ${y(value)}h14`, class: "season-value" }));
      const words = `${p.name}, ${day(p.date_s, true)}, ${p.setup}: preload ${p.words} N.m${p.reason ? `; ${p.reason}` : ""}`;
      mark.append(run.svg("rect", { x: at[k] - 11, y: EDGE.top, width: 22, height: height - EDGE.bottom - EDGE.top, class: "reach" }), run.svg("title", {}, words));
      chart.append(p.run ? run.svg("a", { href: `/run/${p.run}`, "aria-label": words }, mark) : mark);
    });
    box.replaceChildren(chart);
    key(root, points);
  }

  function key(root, points) {
    const item = (shape, words) => run.html("span", { class: "keyed" }, run.svg("svg", { viewBox: "0 0 20 16", width: 20, height: 16, "aria-hidden": "true" }, shape), words);
    root.querySelector("#season-key").replaceChildren(
      item(run.svg("g", {}, run.svg("path", { d: "M10 1V15", class: "season-span" }), run.svg("path", { d: "M4 8h12", class: "season-value" })), "measured, 95 %"),
      ...(points.some((p) => p.parts) ? [item(run.svg("g", {}, run.svg("path", { d: "M0 8H20", class: "predicted thin" }), run.svg("path", { d: "M10 3l5 5l-5 5l-5 -5z", class: "predicted-mark" })), "parts predict")] : []),
      ...(points.some((p) => p.changed) ? [item(run.svg("path", { d: "M10 0V16", class: "setup-change" }), "another setup")] : []));
  }

  new MutationObserver(() => {
    const root = document.getElementById("season");
    if (!root || root.dataset.mounted) return;
    root.dataset.mounted = "yes";
    draw(root);
    root.querySelector("#season-along").addEventListener("change", () => draw(root));
    new ResizeObserver(() => root.isConnected && draw(root)).observe(root.querySelector("#season-chart"));
    root.dataset.ready = "yes";
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
