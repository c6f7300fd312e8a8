/* The path from above, coloured by a quantity on a scale that is the same in every run; findings stand off the path. */
(function () {
  "use strict";
  const run = (window.halfshaft = window.halfshaft || {});
  const LEVELS = 9, OFF_PX = 13, APART_PX = 16, CLEAR_PX = 9, PAD_PX = 34, BESIDE_PX = 44, EDGE_PX = 9; // beside: a mark and its number

  run.map = function (root, data) {
    const box = root.querySelector("#map"), legend = root.querySelector("#map-scale");
    let circuit = null, key = null, spot = null, places = null;

    function fitted(width, height) {
      const [x, y] = [run.unpack(circuit.x), run.unpack(circuit.y)];
      const ends = (values) => values.reduce(([a, b], v) => (Number.isFinite(v) ? [Math.min(a, v), Math.max(b, v)] : [a, b]), [Infinity, -Infinity]);
      const [[x0, x1], [y0, y1]] = [ends(x), ends(y)];
      const size = Math.min((width - 2 * BESIDE_PX) / (x1 - x0 || 1), (height - 2 * PAD_PX) / (y1 - y0 || 1));
      return Array.from(x, (v, k) => [width / 2 + size * (v - (x0 + x1) / 2), height / 2 - size * (y[k] - (y0 + y1) / 2)]);
    }

    /* The way off the path at a place, to the side with more room. */
    function away(k) {
      const n = places.length, [a, b] = [places[Math.max(k - 3, 0)], places[Math.min(k + 3, n - 1)]];
      const [dx, dy] = [b[0] - a[0], b[1] - a[1]], long = Math.hypot(dx, dy) || 1;
      const side = [dy / long, -dx / long], here = places[k];
      const room = (way) => Math.min(...places.filter((_, j) => Math.abs(j - k) > 12).map(([x, y]) => Math.hypot(here[0] + 26 * way[0] - x, here[1] + 26 * way[1] - y)));
      const other = [-side[0], -side[1]];
      return room(side) >= room(other) ? side : other;
    }

    const placeOf = (moment) => {
      const lap = data.laps.find((one) => one.start_s <= moment && moment <= one.end_s);
      if (!lap) return null;
      const clock = lap.clock_s, k = Math.max(clock.findIndex((t) => t >= moment), 1);
      return (k - 1 + (moment - clock[k - 1]) / (clock[k] - clock[k - 1] || 1)) / (clock.length - 1);
    };
    const momentOf = (lap, share) => {
      const at = share * (lap.clock_s.length - 1), k = Math.min(Math.floor(at), lap.clock_s.length - 2);
      return lap.clock_s[k] + (at - k) * (lap.clock_s[k + 1] - lap.clock_s[k]);
    };
    const index = (share) => Math.min(Math.max(Math.round(share * (places.length - 1)), 0), places.length - 1);

    /* Findings of one corner in one stack off the path, those of one shape as one mark with their number. */
    function stacks() {
      const found = new Map();
      for (const one of run.filtered()) {
        const share = one.placed ? placeOf(one.start_s) : null;
        if (share === null) continue;
        const name = one.corner === null ? `at ${Math.round(share * 60)}` : `corner ${one.corner}`;
        if (!found.has(name)) found.set(name, []);
        found.get(name).push({ one, share });
      }
      return found;
    }

    function drawMarks(chart) {
      const picked = run.screen.state.finding;
      const taken = [];
      for (const members of stacks().values()) {
        const shares = members.map((m) => m.share).sort((a, b) => a - b);
        const k = index(shares[shares.length >> 1]), way = away(k);
        const groups = new Map();
        members.forEach(({ one }) => groups.set(run.shapeOf(one), [...(groups.get(run.shapeOf(one)) || []), one]));
        const each = [...groups].map(([shape, found]) => ({ shape, found }));
        each.forEach(({ shape, found }, j) => {
          // the first off the path, the others above or below it, so that their numbers stay apart
          const wanted = [places[k][0] + OFF_PX * way[0], places[k][1] + OFF_PX * way[1] + APART_PX * j * (way[1] < 0 ? -1 : 1)];
          const [x, y] = inside(wanted) && nearestOf(places, wanted) >= CLEAR_PX && nearestOf(taken, wanted) >= APART_PX - 1 ? wanted : roomiest(k, taken);
          const right = Math.sign(x - places[k][0]) || 1;
          taken.push([x, y]);
          if (found.length > 1) taken.push([x + 20 * right, y]);
          const words = found.length > 1 ? `${found.length} findings, ${found[0].where.split(",")[0]}, ${run.WORDS[shape]}` : `${found[0].name}, ${found[0].where}`;
          const then = () => run.pick(found.length > 1 && found[0].corner !== null ? { corner: found[0].corner } : { finding: found[0].index });
          const chosen = found.some((one) => one.index === picked);
          const mark = run.svg("g", { class: chosen ? "spot chosen" : "spot", transform: `translate(${x.toFixed(1)} ${y.toFixed(1)})`, role: "button", tabindex: "-1", "aria-label": words, "data-findings": found.map((one) => one.index).join(), on: { click: then } },
            run.svg("circle", { r: 10, class: "reach" }), run.mark(shape), run.svg("title", {}, words));
          if (found.length > 1) mark.append(run.svg("text", { x: (chosen ? 13 : 9) * right, y: 4, class: "count", "text-anchor": right < 0 ? "end" : "start" }, `×${found.length}`));
          chart.append(mark);
        });
      }
      return taken;
    }

    /* Whether a mark there is seen whole. */
    function inside([x, y]) {
      const { width, height } = run.size(box);
      return Math.min(x, width - x, y, height - y) > EDGE_PX;
    }

    /* How far the nearest of a list is; asked some ten thousand times a drawing, so a plain loop over squares. */
    function nearestOf(list, [x, y]) {
      let least = Infinity;
      for (let k = 0; k < list.length; k += 1) {
        const dx = list[k][0] - x, dy = list[k][1] - y, far = dx * dx + dy * dy;
        if (far < least) least = far;
      }
      return Math.sqrt(least);
    }

    /* Where a number or a mark has most room beside a place: off the path, the marks and the other numbers. */
    function roomiest(k, taken) {
      const [x, y] = places[k];
      let best = null, most = -Infinity;
      for (const off of [13, 18, 24, 32]) {
        for (let turn = 0; turn < 16; turn += 1) {
          const at = [x + off * Math.cos((turn * Math.PI) / 8), y + off * Math.sin((turn * Math.PI) / 8)];
          const far = (list, enough) => Math.min(nearestOf(list, at) / enough, 1);
          const room = inside(at) ? Math.min(far(places, 11), far(taken, 19)) - off / 500 : -1;
          if (room > most) [best, most] = [at, room];
        }
      }
      return best;
    }

    function drawNumbers(chart, taken) {
      for (const { number } of data.corners) {
        const pass = data.passes.find((p) => p.corner === number && p.lap > 0);
        const share = pass && placeOf(pass.apex_s);
        if (share === null || share === undefined) continue;
        const [x, y] = roomiest(index(share), taken);
        taken.push([x, y]);
        const chosen = run.screen.state.corner === number;
        chart.append(run.svg("text", { x: x.toFixed(1), y: (y + 4).toFixed(1), class: chosen ? "corner chosen" : "corner", "text-anchor": "middle" }, String(number)));
      }
    }

    function draw() {
      const { width, height } = run.size(box);
      if (!circuit || width < 40) return;
      places = fitted(width, height);
      const values = run.unpack(circuit.values);
      const chart = run.svg("svg", { width, height, viewBox: `0 0 ${width} ${height}`, role: "group", "aria-label": "the circuit from above, with findings" });
      const [x, y] = [places.map((p) => p[0]), places.map((p) => p[1])];
      chart.append(run.svg("path", { d: run.line(x, y), class: "path" }));
      const paths = Array.from({ length: LEVELS }, () => "");
      for (let k = 0; k + 1 < places.length; k += 1) {
        if (!Number.isFinite(values[k])) continue;
        const level = Math.min(Math.floor((Math.max(values[k], 0) / circuit.top) * LEVELS), LEVELS - 1);
        paths[level] += `M${x[k].toFixed(1)} ${y[k].toFixed(1)}L${x[k + 1].toFixed(1)} ${y[k + 1].toFixed(1)}`;
      }
      paths.forEach((d, level) => d && chart.append(run.svg("path", { d, class: `level l${level}` })));
      const pass = run.pickedPass();
      if (pass && pass.lap > 0) {
        const [a, b] = [index(placeOf(pass.start_s) ?? 0), index(placeOf(pass.end_s) ?? 0)];
        if (b > a) chart.append(run.svg("path", { d: run.line(x.slice(a, b), y.slice(a, b)), class: "picked" }));
      }
      drawNumbers(chart, drawMarks(chart));
      chart.append((spot = run.svg("circle", { r: 6, class: "cursor", visibility: "hidden" })));
      chart.addEventListener("mousemove", (event) => {
        const share = under(event);
        if (share !== null && run.screen.cut) run.point(nearestCut(share));
      });
      chart.addEventListener("mouseleave", () => run.point(null));
      chart.addEventListener("click", (event) => {
        const share = event.target.closest(".spot") ? null : under(event);
        if (share === null || !data.laps.length) return;
        const pass = run.pickedPass(), focus = (pass && pass.lap) || run.screen.state.lap || data.fastest || 1;
        go(momentOf(data.laps[focus - 1] || data.laps[0], share));
      });
      box.replaceChildren(chart);
      legend.replaceChildren(
        run.html("span", { class: "paper-only" }, circuit.label.split(",")[0]), run.html("span", {}, "0"), ...Array.from({ length: LEVELS }, (_, k) => run.html("i", { class: `l${k}` })),
        run.html("span", {}, `${circuit.top}${circuit.label.includes(",") ? " " + circuit.label.split(", ").pop() : ""}`),
      );
      run.point(null);
    }

    /* A place that is clicked: the corner pass there, else the moment. */
    function go(moment) {
      const pass = data.passes.find((p) => p.start_s <= moment && moment <= p.end_s && p.lap > 0);
      if (!pass) run.pick({ from: +(moment - 3).toFixed(2), to: +(moment + 3).toFixed(2), at: +moment.toFixed(2) });
      else {
        const found = run.filtered().find((f) => f.lap === pass.lap && f.corner === pass.corner);
        run.pick(found ? { finding: found.index } : { pass: `${pass.lap}.${pass.corner}` });
      }
    }

    function under(event) {
      const here = box.getBoundingClientRect(), [px, py] = [event.clientX - here.left, event.clientY - here.top];
      let best = 24, share = null;
      places.forEach(([x, y], k) => {
        const far = Math.hypot(x - px, y - py);
        if (far < best) [best, share] = [far, k / (places.length - 1)];
      });
      return share;
    }

    function nearestCut(share) {
      const { place } = run.screen.cut;
      let best = 0.01, found = null;
      place.forEach((at, k) => {
        if (Math.abs(at - share) < best) [best, found] = [Math.abs(at - share), k];
      });
      return found;
    }

    return {
      async show(state) {
        const wanted = [state.colour || "slip", state.lap ?? ""].join();
        const pick = document.getElementById("colour");
        if (pick) pick.value = state.colour || "slip";
        draw();
        if (wanted === key) return; // there, or asked for
        key = wanted;
        let answer;
        try {
          answer = await run.ask("circuit", { colour: state.colour || "slip", laps: state.lap ?? "" });
        } catch (error) {
          key = null; // the server is gone: asked again when it is back
          throw error;
        }
        if (!answer || answer.refusal) return;
        circuit = answer;
        draw();
      },
      point(k) {
        if (!spot || !places) return;
        const share = k === null ? NaN : run.screen.cut.place[k];
        spot.setAttribute("visibility", Number.isFinite(share) ? "visible" : "hidden");
        if (!Number.isFinite(share)) return;
        const [x, y] = places[index(share)];
        spot.setAttribute("cx", x);
        spot.setAttribute("cy", y);
      },
    };
  };
})();
