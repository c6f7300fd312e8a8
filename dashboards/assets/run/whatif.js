/* The what-if page: sliders move the dashed curve at once; when they rest, the laps are replayed with it. */
(function () {
  "use strict";
  const run = (window.halfshaft = window.halfshaft || {});
  const RESTS_MS = 250;

  function curveOf(values, x) {
    const torque = Math.abs(x), side = x >= 0 ? "drive" : "coast";
    return values.preload_Nm + (values[`${side}_slope`] / 100) * Math.max(0, torque - values[`${side}_hold_Nm`]);
  }

  async function mount(root) {
    const starts = JSON.parse(root.dataset.starts), names = [];
    const box = root.querySelector("#trial-lock");
    let lock = null, timer = null, number = 0;
    root.querySelectorAll("[data-slider]").forEach((place) => {
      const { slider, end, step } = place.dataset;
      place.replaceChildren(run.html("input", { type: "range", id: `try-${slider}`, min: 0, max: end, step }));
      names.push(slider);
    });
    const field = (name) => root.querySelector(`#try-${name}`);
    const values = () => Object.fromEntries(names.map((name) => [name, +field(name).value]));

    function begin(from) {
      names.forEach((name) => { field(name).value = from ? from[name] : 0; });
      changed();
    }

    function draw() {
      names.forEach((name) => { root.querySelector(`#told-${name}`).textContent = field(name).value; });
      if (!lock || run.size(box).width < 40) return;
      const axes = run.lockAxes(box, lock), { chart, x, y } = axes;
      run.drawMeasured(axes, lock);
      if (lock.predicted) chart.append(run.svg("path", { d: run.line(lock.predicted.x.map(x), lock.predicted.y.map(y)), class: "predicted" }));
      const tried = values(), [low, high, top] = lock.range;
      const at = [low, -tried.coast_hold_Nm, 0, tried.drive_hold_Nm, high].filter((v) => v >= low && v <= high);
      chart.append(run.svg("path", { d: run.line(at.map(x), at.map((v) => y(Math.min(curveOf(tried, v), 1.2 * top)))), class: "trial" }));
      chart.append(run.svg("text", { x: x(high * 0.98), y: Math.max(y(curveOf(tried, high)) - 8, 14), "text-anchor": "end", class: "trial-name" }, "tried"));
      box.replaceChildren(chart);
      const keyed = (look, words) => run.html("span", { class: "keyed" }, run.svg("svg", { width: 26, height: 12, "aria-hidden": "true" }, run.svg("path", { d: "M1 6H25", class: look })), words);
      root.querySelector("#trial-key").replaceChildren(keyed("trial", "tried"), keyed("measured", "measured"), keyed("draw", "equally likely"), ...(lock.predicted ? [keyed("predicted", "parts predict")] : []));
    }

    async function replay() {
      const mine = (number += 1), panel = root.querySelector("#trial-corners");
      panel.classList.add("working");
      let answer;
      try {
        answer = await (await fetch(`/run/${root.dataset.run}/view/trial?${new URLSearchParams(values())}`)).json();
      } catch {
        return;
      } finally {
        if (mine === number) panel.classList.remove("working");
      }
      if (mine !== number || !root.isConnected) return;
      root.querySelector("#trial-refusal").textContent = answer.refusal || "";
      if (answer.refusal) return;
      const [now, then] = answer.spin_s, [was, would] = answer.moment_Nm;
      const moment = was === null ? "" : ` Off-throttle moment against the turn: ${was} N.m now, ${would} N.m with it.`;
      root.querySelector("#trial-answer").textContent = `Spin in the whole log: ${now.toFixed(1)} s now, ${then.toFixed(1)} s with this curve.${moment}`;
      panel.replaceChildren(bars(answer.corners));
    }

    function bars(corners) {
      const top = Math.max(0.5, ...corners.flatMap((c) => c.seconds));
      const width = (seconds) => `width:${((100 * seconds) / top).toFixed(1)}%`;
      const rows = corners.map((c) => {
        const [now, then] = c.seconds;
        const words = `corner ${c.corner}: ${now.toFixed(1)} s in ${c.spins[0]} of ${c.passes} passes now, ${then.toFixed(1)} s in ${c.spins[1]} with this curve`;
        return run.html("tr", { "aria-label": words, "data-corner": c.corner, class: now || then ? null : "nothing" },
          run.html("th", { scope: "row" }, String(c.corner)),
          run.html("td", { class: "bars" }, run.html("i", { class: "now", style: width(now) }), run.html("i", { class: "then", style: width(then) })),
          run.html("td", {}, now.toFixed(1)), run.html("td", { class: "tried" }, then.toFixed(1)),
          run.html("td", {}, `${c.spins[0]} of ${c.passes}`), run.html("td", { class: "tried" }, `${c.spins[1]} of ${c.passes}`));
      });
      return run.html("table", { class: "trial-table" },
        run.html("thead", {}, run.html("tr", {}, ...["corner", "spin", "s now", "s tried", ...["now", "tried"].map((which) => `passes over ${root.dataset.least} s ${which}`)].map((words) => run.html("th", { scope: "col" }, words)))),
        run.html("tbody", {}, ...rows));
    }

    function changed() {
      draw();
      clearTimeout(timer);
      timer = setTimeout(replay, RESTS_MS);
      history.replaceState(history.state, "", "#" + new URLSearchParams(values()));
    }

    root.querySelectorAll("input[type=range]").forEach((one) => one.addEventListener("input", changed));
    root.querySelectorAll("[data-begin]").forEach((button) => button.addEventListener("click", () => begin(starts[button.dataset.begin])));
    const asked = new URLSearchParams(location.hash.slice(1));
    const kept = names.every((name) => asked.has(name)) ? Object.fromEntries(names.map((name) => [name, asked.get(name)])) : null;
    begin(kept || starts.measured || starts.parts);
    lock = await (await fetch(`/run/${root.dataset.run}/view/lock`)).json();
    new ResizeObserver(() => { run.resized(box); draw(); }).observe(box);
    window.addEventListener("server-back", () => root.isConnected && replay());
    draw();
    root.dataset.ready = "yes";
  }

  new MutationObserver(() => {
    const root = document.getElementById("whatif");
    if (root && !root.dataset.mounted) {
      root.dataset.mounted = "yes";
      mount(root).catch(() => {});
    }
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
