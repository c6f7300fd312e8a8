/* The comparison's fastest laps over each other: a few rows along the lap, the time lost in the lowest, one cursor. */
(function () {
  "use strict";
  const run = (window.halfshaft = window.halfshaft || {});
  const EDGE = { left: 48, right: 112, top: 6, bottom: 34 }, HEAD = 16, GAP = 8, ROWS = "speed,throttle,slip";
  const SIDES = ["after", "before"]; // strands as they come: the stretch asked for, then the one laid over it

  function unpacked(told) {
    const strands = told.strands.map((s) => run.unpack(s.x));
    return told.rows.map((row) => ({
      ...row,
      lines: row.lines.filter((line) => row.key !== "slip" || line.name === "inside rear").map((line) => {
        const y = run.unpack(line.y), own = line.x ? run.unpack(line.x) : strands[line.strand];
        // least and largest of each place: the middle is what can be read along the lap
        return { ...line, own, y: y.length === 2 * own.length ? own.map((_, k) => (y[2 * k] + y[2 * k + 1]) / 2) : y };
      }),
    }));
  }

  const label = (row) => (row.key === "slip" ? "inside rear slip, %" : row.key === "gained" ? "time lost to the quicker lap, s" : row.label);

  function draw(box, told, rows) {
    const { width, height } = box.getBoundingClientRect();
    if (width < 60) return;
    const right = width < 600 ? 56 : EDGE.right, x = run.scale(told.window[0], told.window[1], EDGE.left, width - right);
    const chart = run.svg("svg", { width, height, role: "img", "aria-label": "fastest laps of both sides along the lap" });
    const tall = (height - EDGE.top - EDGE.bottom - GAP * (rows.length - 1)) / rows.length;
    const readers = [];
    rows.forEach((row, n) => {
      const top = EDGE.top + n * (tall + GAP), known = row.lines.flatMap((line) => Array.from(line.y)).filter(Number.isFinite);
      const [low, high] = row.key === "throttle" ? [0, 100] : [Math.min(0, ...known), Math.max(0.1, ...known)];
      const y = run.scale(low - 0.04 * (high - low), high, top + tall, top + HEAD);
      chart.append(run.svg("text", { x: EDGE.left + 4, y: top + 12, class: "row-title" }, label(row)));
      for (const tick of run.ticks(low, high, tall > 70 ? 3 : 2)) {
        chart.append(run.svg("path", { d: `M${EDGE.left} ${y(tick)}H${width - right}`, class: tick === 0 ? "rule zero" : "rule" }),
          run.svg("text", { x: EDGE.left - 5, y: y(tick) + 4, "text-anchor": "end", class: "tick" }, run.short(tick)));
      }
      row.lines.forEach((line) => chart.append(run.svg("path", { d: run.line(line.own.map(x), line.y.map(y)), class: `lap-line ${SIDES[line.strand]}` })));
      row.lines.forEach((line) => {
        const words = run.svg("text", { x: width - right + 8, y: top + HEAD + 14 + 15 * (1 - line.strand), class: SIDES[line.strand] });
        chart.append(words);
        readers.push((at) => { words.textContent = at === null ? "" : `${SIDES[line.strand]} ${run.fixed(line.y[run.nearest(line.own, at)], row.digits)}`; });
      });
    });
    for (const tick of run.ticks(told.window[0], told.window[1], Math.max(3, width / 130))) {
      chart.append(run.svg("text", { x: x(tick), y: height - EDGE.bottom + 15, "text-anchor": "middle", class: "tick" }, run.short(tick)));
    }
    chart.append(run.svg("text", { x: (EDGE.left + width - right) / 2, y: height - 4, "text-anchor": "middle", class: "title" }, told.label));
    told.shades.forEach(([from, to, name], k) => chart.prepend(run.svg("rect", { x: x(from), y: EDGE.top, width: Math.max(1, x(to) - x(from)), height: height - EDGE.top - EDGE.bottom, class: k % 2 ? "shade odd" : "shade" }, run.svg("title", {}, `corner ${name}`))));
    const rule = run.svg("path", { class: "cursor-line", d: "" });
    chart.append(rule);
    const point = (at) => {
      rule.setAttribute("d", at === null ? "" : `M${x(at)} ${EDGE.top}V${height - EDGE.bottom}`);
      readers.forEach((read) => read(at));
    };
    chart.addEventListener("pointermove", (event) => {
      const at = x.back(event.clientX - chart.getBoundingClientRect().left);
      point(at >= told.window[0] && at <= told.window[1] ? at : null);
    });
    chart.addEventListener("pointerleave", () => point(told.window[1]));
    point(told.window[1]); // at the line: who lost how much
    box.replaceChildren(chart);
  }

  async function mount(box) {
    const { run: id, over, from, to } = box.dataset;
    const asked = new URLSearchParams({ rows: ROWS, from, to, over, along: "distance" });
    const told = await (await fetch(`/run/${id}/view/traces?${asked}`)).json();
    if (told.refusal) {
      document.getElementById("laps-refusal").textContent = told.refusal;
      box.hidden = true;
      return;
    }
    const rows = unpacked(told), key = document.getElementById("laps-key");
    key.className = "key";
    key.replaceChildren(...SIDES.map((side, k) => run.html("span", { class: "keyed" }, run.svg("svg", { viewBox: "0 0 24 10", width: 24, height: 10, "aria-hidden": "true" }, run.svg("path", { d: "M0 5H24", class: `lap-line ${side}` })), `${side}: ${told.strands[k].name}`)));
    new ResizeObserver(() => box.isConnected && draw(box, told, rows)).observe(box);
    draw(box, told, rows);
    ["beforeprint", "afterprint"].forEach((when) => window.addEventListener(when, () => box.isConnected && draw(box, told, rows)));
    box.dataset.ready = "yes";
  }

  new MutationObserver(() => {
    const box = document.getElementById("laps");
    if (!box || box.dataset.mounted) return;
    box.dataset.mounted = "yes";
    mount(box).catch(() => {});
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
