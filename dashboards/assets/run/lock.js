/* Torque moved across against input torque: samples, the measured curve and others as likely, what the parts predict. */
(function () {
  "use strict";
  const run = (window.halfshaft = window.halfshaft || {});
  const EDGE = { left: 52, right: 58, top: 14, bottom: 40 };

  run.lockAxes = function (box, { range }) {
    const { width, height } = run.size(box);
    const [low, high, top] = range;
    const x = run.scale(1.05 * Math.min(low, 0), 1.02 * high, EDGE.left, width - EDGE.right);
    const y = run.scale(0, top, height - EDGE.bottom, EDGE.top);
    const chart = run.svg("svg", { width, height, viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": "lock plot: torque moved across against input torque" });
    for (const tick of run.ticks(x.back(EDGE.left), x.back(width - EDGE.right), Math.max(3, width / 110))) {
      chart.append(run.svg("path", { d: `M${x(tick)} ${EDGE.top}V${height - EDGE.bottom}`, class: tick === 0 ? "rule zero" : "rule" }),
        run.svg("text", { x: x(tick), y: height - EDGE.bottom + 15, "text-anchor": "middle", class: "tick" }, run.short(tick)));
    }
    for (const tick of run.ticks(0, top, Math.max(3, height / 70))) {
      chart.append(run.svg("path", { d: `M${EDGE.left} ${y(tick)}H${width - EDGE.right}`, class: "rule" }),
        run.svg("text", { x: EDGE.left - 6, y: y(tick) + 4, "text-anchor": "end", class: "tick" }, run.short(tick)));
    }
    chart.append(
      run.svg("text", { x: (EDGE.left + width - EDGE.right) / 2, y: height - 6, "text-anchor": "middle", class: "title" }, "coast ← input torque, N.m → drive"),
      run.svg("text", { x: 12, y: (EDGE.top + height - EDGE.bottom) / 2, "text-anchor": "middle", class: "title", transform: `rotate(-90 12 ${(EDGE.top + height - EDGE.bottom) / 2})` }, "torque moved across, N.m"),
    );
    return { chart, x, y, width, height };
  };

  /* Dots as one path: a thousand elements would be slow. */
  const dots = (x, y, sx, sy, top) => {
    let path = "";
    x.forEach((v, k) => { if (y[k] <= top) path += `M${sx(v).toFixed(1)} ${sy(y[k]).toFixed(1)}h0`; });
    return path;
  };
  const triangles = (x, y, sx, sy, top) => {
    let path = "";
    x.forEach((v, k) => { if (y[k] <= top) path += `M${(sx(v) - 2.5).toFixed(1)} ${(sy(y[k]) + 2).toFixed(1)}l2.5 -4.5l2.5 4.5z`; });
    return path;
  };

  const crosses = (x, y, sx, sy, top) => {
    let path = "";
    x.forEach((v, k) => { if (y[k] <= top) path += `M${(sx(v) - 2).toFixed(1)} ${sy(y[k]).toFixed(1)}h4m-2 -2v4`; });
    return path;
  };

  /* -> [x, y, log time] of slipping and of locked samples of this log. */
  run.drawSamples = function ({ chart, x, y }, told) {
    for (const other of told.elsewhere || []) {
      chart.append(run.svg("path", { d: crosses(run.unpack(other.x), run.unpack(other.y), x, y, told.range[2]), class: "elsewhere" }));
    }
    const samples = ["slipping", "locked"].map((kind) => ["x", "y", "t"].map((name) => run.unpack(told[kind][name])));
    chart.append(
      run.svg("path", { d: triangles(samples[1][0], samples[1][1], x, y, told.range[2]), class: "locked" }),
      run.svg("path", { d: dots(samples[0][0], samples[0][1], x, y, told.range[2]), class: "slipping" }),
    );
    return samples;
  };

  /* Runs of points that were measured: no line crosses a stretch where nothing slipped. */
  function stretches(points) {
    const found = [];
    points.forEach((point, k) => {
      if (point[4] !== "measured") return;
      if (found.length && found[found.length - 1].at(-1) === k - 1) found[found.length - 1].push(k);
      else found.push([k]);
    });
    return found;
  }

  run.drawMeasured = function ({ chart, x, y, width }, { points, draws, range }) {
    for (const stretch of stretches(points)) {
      const at = stretch.map((k) => x(points[k][0]));
      draws.forEach((draw) => chart.append(run.svg("path", { d: run.line(at, stretch.map((k) => y(draw[k]))), class: "draw" })));
    }
    for (const stretch of stretches(points)) {
      const at = stretch.map((k) => x(points[k][0])), lock = stretch.map((k) => y(points[k][1]));
      if (stretch.length > 1) chart.append(run.svg("path", { d: run.line(at, lock), class: "measured" }));
      else chart.append(run.svg("circle", { cx: at[0], cy: lock[0], r: 3.5, class: "measured-dot" }));
    }
    for (const [torque, , lower, , kind] of points) {
      if (kind === "bound" && lower !== null && lower <= range[2]) chart.append(run.svg("path", { d: `M${x(torque)} ${y(lower)}m-4 6l4 -6l4 6m-4 -6v11`, class: "bound" }));
    }
    const measured = points.filter((p) => p[4] === "measured" && p[2] !== null && p[3] !== null);
    if (!measured.length) return;
    const [, , lower, upper] = measured[measured.length >> 1], right = width - EDGE.right + 16;
    const half = (upper - lower) / 2, middle = Math.min((lower + upper) / 2, range[2] - half);
    const [a, b] = [y(Math.min(middle + half, range[2])), y(Math.max(middle - half, 0))];
    chart.append(
      run.svg("path", { d: `M${right - 5} ${a}h10m-5 0V${b}m-5 0h10`, class: "shared" }),
      run.svg("text", { x: right + 9, y: (a + b) / 2 + 4, class: "tick" }, `±${Math.round(half)}`),
      run.svg("title", {}, `Shared error: ± ${Math.round(half)} N.m moves samples and curve together`),
    );
  };

  /* The anchored curve: a thin line over the stretches that were measured, named at its end. */
  run.drawAnchored = function ({ chart, x, y }, { anchored, range }) {
    if (!anchored) return;
    let end = null;
    for (const stretch of stretches(anchored)) {
      chart.append(run.svg("path", { d: run.line(stretch.map((k) => x(anchored[k][0])), stretch.map((k) => y(anchored[k][1]))), class: "anchored" }));
      end = anchored[stretch.at(-1)];
    }
    if (end) chart.append(run.svg("text", { x: x(end[0]) - 4, y: Math.min(y(Math.min(end[1], range[2])) + 18, y(0) - 4), "text-anchor": "end", class: "anchored-name" }, "anchored"));
  };

  run.drawPredicted = function ({ chart, x, y }, predicted, look = "predicted") {
    if (!predicted) return;
    const at = predicted.x.map(x);
    chart.append(
      run.svg("path", { d: run.line(at, predicted.lower.map(y)), class: `${look} edge` }),
      run.svg("path", { d: run.line(at, predicted.upper.map(y)), class: `${look} edge` }),
      run.svg("path", { d: run.line(at, predicted.y.map(y)), class: look }),
    );
  };

  run.lock = function (root, data) {
    const box = root.querySelector("#lock");
    let told = null, asking = false, axes = null, spot = null;
    let samples = [];

    function draw() {
      const { width } = run.size(box);
      if (!told || width < 40) return;
      root.querySelector("#lock-key").replaceChildren(...key());
      axes = run.lockAxes(box, told);
      const { chart, x, y } = axes, top = told.range[2];
      samples = run.drawSamples(axes, told);
      run.drawMeasured(axes, told);
      run.drawAnchored(axes, told);
      run.drawPredicted(axes, told.predicted);
      const { cut } = run.screen;
      if (cut && cut.narrow) {
        const keep = (k) => cut.lock.x[k] >= x.back(EDGE.left) && cut.lock.y[k] <= top;
        chart.append(run.svg("path", { d: run.line(Array.from(cut.lock.x, x), Array.from(cut.lock.y, (v, k) => (keep(k) ? y(v) : NaN))), class: "pass" }));
      }
      chart.append((spot = run.svg("circle", { r: 6, class: "cursor", visibility: "hidden" })));
      chart.addEventListener("click", (event) => {
        const near = nearest(event);
        if (near === null) return;
        const pass = data.passes.find((p) => p.start_s <= near && near <= p.end_s);
        run.pick(pass ? { pass: `${pass.lap}.${pass.corner}`, at: +near.toFixed(2) } : { from: near - 3, to: near + 3, at: near });
      });
      chart.addEventListener("mousemove", (event) => {
        const here = box.getBoundingClientRect(), [px, py] = [event.clientX - here.left, event.clientY - here.top];
        if (!run.screen.cut || !run.screen.cut.narrow) return;
        let best = 18, found = null;
        run.screen.cut.lock.x.forEach((v, k) => {
          const far = Math.hypot(x(v) - px, y(run.screen.cut.lock.y[k]) - py);
          if (far < best) [best, found] = [far, k];
        });
        if (found !== null) run.point(found);
      });
      chart.addEventListener("mouseleave", () => run.point(null));
      box.replaceChildren(chart);
      run.point(run.screen.pointed ?? null);
    }

    function key() {
      const line = (look, words) => run.html("span", { class: "keyed" }, run.svg("svg", { width: 26, height: 12, "aria-hidden": "true" }, run.svg("path", { d: "M1 6H25", class: look })), words);
      const sign = (d, look, words) => run.html("span", { class: "keyed" }, run.svg("svg", { width: 14, height: 14, viewBox: "-7 -7 14 14", "aria-hidden": "true" }, run.svg("path", { d, class: look })), words);
      const pass = run.pickedPass();
      return [
        line("measured", "measured"), line("draw", "equally likely"),
        told.anchored ? line("anchored", "anchored") : null,
        told.predicted ? line("predicted", "parts predict") : null,
        told.points.some((p) => p[4] === "bound") ? sign("M-4 6l4 -6l4 6m-4 -6v8", "bound", "at least") : null,
        sign("M0 0h0", "slipping", "slipping"), (told.elsewhere || []).length ? sign("M-3 0h6m-3 -3v6", "elsewhere", "slipping, other logs") : null, sign("M-2.5 2l2.5 -4.5l2.5 4.5z", "locked", "locked"),
        pass && run.screen.cut && run.screen.cut.narrow ? line("pass", `corner ${pass.corner}, lap ${pass.lap}`) : null,
      ].filter(Boolean);
    }

    /* The log time (s) of the sample nearest to a click. */
    function nearest(event) {
      const here = box.getBoundingClientRect(), [px, py] = [event.clientX - here.left, event.clientY - here.top];
      let best = 14, found = null;
      for (const [sx, sy, st] of samples) {
        sx.forEach((v, k) => {
          const far = Math.hypot(axes.x(v) - px, axes.y(sy[k]) - py);
          if (far < best) [best, found] = [far, st[k]];
        });
      }
      return found;
    }

    return {
      async show() {
        draw();
        if (told || asking) return;
        asking = true;
        try {
          const answer = await run.ask("lock", {});
          if (answer && !answer.refusal) told = answer;
        } finally {
          asking = false;
        }
        draw();
      },
      cut: draw,
      point(k) {
        if (!spot || !axes) return;
        const { cut } = run.screen;
        const [vx, vy] = k === null ? [NaN, NaN] : [cut.lock.x[k], cut.lock.y[k]];
        const seen = Number.isFinite(vx) && Number.isFinite(vy);
        spot.setAttribute("visibility", seen ? "visible" : "hidden");
        if (!seen) return;
        spot.setAttribute("cx", axes.x(vx));
        spot.setAttribute("cy", axes.y(Math.min(vy, told.range[2])));
      },
    };
  };
})();
