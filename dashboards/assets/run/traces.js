/* The traces: one row a quantity, one cursor line through all rows, lines named at their right end with their value. */
(function () {
  "use strict";
  const run = (window.halfshaft = window.halfshaft || {});
  const LEFT = 46, TOP = 18, MARKS = 16, GAP = 6, LEAST_ROW = 32, HEAD = 12, NARROW_S = 40, TICKS_PX = 17;
  // how tall a row stands beside the others: where rear wheels part is looked at, what pedals do is glanced at
  const WEIGHTS = { wheel_speed: 1.7, slip: 1.5, throttle: 0.8, gained: 1.2 };
  const ROLES = { "inside rear": "inside", "outside rear": "outside", "front left": "front", "front right": "front" };
  const DASHES = ["", "7 3", "2 3", "9 3 2 3", "12 4"];

  run.traces = function (root, data) {
    const box = root.querySelector("#traces"), said = root.querySelector("#traces-refusal"), legend = root.querySelector("#traces-key");
    let told = null, wanted = null, drawn = null, strands = [], rows = [], x = null, width = 0, height = 0, rule = null, drag = null, busy = null;
    const right = () => (width < 600 ? 64 : 128);
    const below = () => (width < 600 ? 34 : 20); // the axis' name stands under its figures, or where there is room beside them

    function unpacked(answer) {
      told = answer;
      strands = answer.strands.map((s, k) => ({ ...s, x: run.unpack(s.x), ...(k ? {} : { t: run.unpack(s.t), place: run.unpack(s.place) }) }));
      rows = answer.rows.map((row) => ({
        ...row,
        lines: row.lines.map((line) => {
          const y = run.unpack(line.y), own = line.x ? run.unpack(line.x) : strands[line.strand].x;
          const paired = y.length === 2 * own.length;
          return { ...line, y, own, paired, x: paired ? apart(own) : own };
        }),
      }));
      const lock = { x: run.unpack(answer.lock.x), y: run.unpack(answer.lock.y) };
      const [from, to] = answer.window_s;
      run.screen.cut = { ...strands[0], lock, narrow: to - from < NARROW_S, window_s: answer.window_s };
    }

    /* Two points a bin, a quarter of it before and after its middle. */
    const apart = (own) => Float64Array.from({ length: 2 * own.length }, (_, k) => {
      const bin = k >> 1, wide = bin + 1 < own.length ? own[bin + 1] - own[bin] : own[bin] - own[bin - 1] || 0;
      return own[bin] + (k % 2 ? 0.25 : -0.25) * wide;
    });

    const value = (line, moment) => {
      const k = run.nearest(line.own, moment);
      return line.paired ? (line.y[2 * k] + line.y[2 * k + 1]) / 2 : line.y[k];
    };

    function ends(row) {
      let [low, high] = [Infinity, -Infinity];
      for (const { y } of row.lines) for (const v of y) if (Number.isFinite(v)) [low, high] = [Math.min(low, v), Math.max(high, v)];
      if (row.limit) high = Math.max(high, Math.min(row.limit[1], high * 1.6));
      if (!Number.isFinite(low)) return [0, 1];
      if (row.key === "throttle") [low, high] = [0, 100];
      if (low > 0 && low < 0.35 * high) low = 0;
      const more = 0.05 * (high - low || 1);
      return [low - more, high + more];
    }

    function look(line) {
      const role = ROLES[line.name] || "plain", over = strands.length > 1;
      const dash = over && line.strand > 0 && strands.length <= DASHES.length ? DASHES[line.strand] : null;
      return { class: `line ${role}${over ? (line.strand ? " under" : " focus") : ""}`, "stroke-dasharray": dash };
    }

    function drawRow(chart, row, top, tall) {
      const y = run.scale(...ends(row), top + tall, top + HEAD);
      row.yscale = y;
      chart.append(run.svg("path", { d: `M${LEFT} ${top + tall}H${width - right()}`, class: "rule" }));
      for (const tick of row.key === "throttle" ? [0, 100] : run.ticks(y.back(top + tall), y.back(top + HEAD), Math.max(1.2, (tall - HEAD) / TICKS_PX))) {
        if (y(tick) < top + HEAD - 1 || y(tick) > top + tall - 1) continue;
        chart.append(run.svg("path", { d: `M${LEFT} ${y(tick)}H${width - right()}`, class: "rule" }),
          run.svg("text", { x: LEFT - 5, y: y(tick) + 4, "text-anchor": "end", class: "tick" }, run.short(tick)));
      }
      if (row.limit && y(row.limit[1]) > top + HEAD && y(row.limit[1]) < top + tall) {
        chart.append(run.svg("path", { d: `M${LEFT} ${y(row.limit[1])}H${width - right()}`, class: "limit" }, run.svg("title", {}, row.limit[0])));
      }
      // the focus last, and over its front wheels the driven ones
      const front = (line) => (ROLES[line.name] === "front" ? 1 : 0);
      const lines = [...row.lines].sort((a, b) => b.strand - a.strand || front(b) - front(a));
      for (const line of lines) {
        chart.append(run.svg("path", { d: run.line(Array.from(line.x, x), Array.from(line.y, y)), ...look(line), "data-line": line.name, "data-strand": line.strand, "data-points": line.y.length, "clip-path": "url(#seen)" }));
      }
      chart.append(run.svg("text", { x: LEFT + 4, y: top + 9, class: "row-title" }, row.label));
      named(chart, row, top, tall);
    }

    /* A name that fits beside its value: of a long one the end, which says the lap. */
    const shortened = (name) => (name.length > 14 ? `…${name.slice(-12)}` : name);

    /* Names and values at the right end, moved apart where they would lie on each other. */
    function named(chart, row, top, tall) {
      const gained = row.key === "gained";
      const shown = row.lines.filter((line) => (gained ? strands.length <= 7 : line.strand === 0));
      const most = Math.max(1, Math.floor(tall / 13));
      const places = shown.slice(0, most).map((line) => {
        const last = Array.from(line.y).findLast(Number.isFinite);
        return { line, at: row.yscale(last ?? 0), name: shortened(gained ? strands[line.strand].name : line.name) };
      }).sort((a, b) => a.at - b.at);
      const low = top + 10, high = top + tall - 1;
      places.forEach((place, k) => { place.at = Math.max(place.at + 4, k ? places[k - 1].at + 13 : low); });
      for (let k = places.length - 1; k >= 0; k -= 1) places[k].at = Math.min(places[k].at, k + 1 < places.length ? places[k + 1].at - 13 : high);
      for (const place of places) {
        const role = ROLES[place.line.name] || "plain", short = width < 600 ? place.name.replace(" rear", "").replace("front ", "f. ") : place.name;
        const words = run.svg("text", { x: width - right() + 6, y: place.at, class: `name ${role}` }, shown.length > 1 || gained ? short : "");
        const number = run.svg("text", { x: width - 2, y: place.at, "text-anchor": "end", class: `value ${role}` }, "");
        chart.append(words, number);
        place.line.told = { words, number, digits: row.digits };
        if (width < 600) place.line.told.hide = words;
      }
    }

    function drawShades(chart, bottom) {
      let free = [-Infinity, -Infinity];
      told.shades.forEach(([from, to, name], k) => {
        const [a, b] = [Math.max(x(from), LEFT), Math.min(x(to), width - right())];
        if (b <= a) return;
        chart.append(run.svg("rect", { x: a, y: TOP, width: b - a, height: bottom - TOP, class: k % 2 ? "shade odd" : "shade" }));
        const half = 3.1 * name.length + 2, middle = (a + b) / 2;
        if (middle - half < free[0] || middle - half < LEFT - 10 || middle + half > width) return;
        free = [middle + half, 0];
        chart.append(run.svg("text", { x: middle, y: TOP - 6, "text-anchor": "middle", class: "tick" }, name));
      });
    }

    /* Findings along the upper edge, with the same marks as everywhere, and where they begin and end. */
    function drawFindings(chart, bottom) {
      const { t } = strands[0], [from, to] = told.window_s;
      const onAxis = (moment) => x(strands[0].x[run.nearest(t, moment)]);
      const seen = data.findings.filter((f) => f.placed && f.end_s > from && f.start_s < to);
      if (seen.length > 120) return;
      for (const found of seen) {
        const [a, b] = [onAxis(found.start_s), onAxis(found.end_s)], chosen = found.index === run.screen.state.finding;
        chart.append(run.svg("rect", { x: a, y: TOP, width: Math.max(b - a, 1.5), height: bottom - TOP, class: chosen ? "found chosen" : "found", "data-finding": found.index }));
        chart.append(run.svg("g", { class: "spot", transform: `translate(${(a + b) / 2} ${TOP + 8})`, on: { click: (event) => { event.stopPropagation(); run.pick({ finding: found.index }); } } },
          run.svg("circle", { r: 9, class: "reach" }), run.mark(run.shapeOf(found)), run.svg("title", {}, `${found.name}, ${found.where}`)));
      }
    }

    function draw() {
      const here = run.size(box);
      width = here.width;
      if (!told || width < 40) return;
      const inner = Math.max(here.height - TOP - MARKS - below(), rows.length * (LEAST_ROW + GAP));
      const weights = rows.map((row) => WEIGHTS[row.key] || 1), all = weights.reduce((a, b) => a + b, 0);
      const free = inner - rows.length * (LEAST_ROW + GAP), tall = weights.map((one) => LEAST_ROW + (free * one) / all);
      height = inner + TOP + MARKS + below();
      const bottom = TOP + MARKS + inner - GAP;
      x = run.scale(...told.window, LEFT, width - right());
      const chart = run.svg("svg", { width, height, viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": `traces: ${rows.map((r) => r.label).join("; ")}` });
      chart.append(run.svg("defs", {}, run.svg("clipPath", { id: "seen" }, run.svg("rect", { x: LEFT, y: TOP, width: width - right() - LEFT, height: bottom - TOP }))));
      drawShades(chart, bottom);
      let top = TOP + MARKS;
      rows.forEach((row, k) => {
        drawRow(chart, row, top, tall[k]);
        top += tall[k] + GAP;
      });
      drawFindings(chart, bottom);
      for (const tick of run.ticks(...told.window, Math.max(3, width / 130))) {
        if (x(tick) < LEFT - 1 || x(tick) > width - right() - (width < 600 ? -1 : 14)) continue;
        chart.append(run.svg("path", { d: `M${x(tick)} ${bottom}v4`, class: "rule" }), run.svg("text", { x: x(tick), y: bottom + 16, "text-anchor": "middle", class: "tick" }, run.short(tick)));
      }
      const beside = width >= 600;
      chart.append(run.svg("text", { x: beside ? width - 2 : (LEFT + width - right()) / 2, y: bottom + (beside ? 16 : 30), "text-anchor": beside ? "end" : "middle", class: "title" }, told.label));
      rule = run.svg("path", { class: "cursor-line", visibility: "hidden" });
      const chosen = run.svg("rect", { y: TOP, height: bottom - TOP, class: "dragged", visibility: "hidden" });
      chart.append(rule, chosen);
      drag = { chosen, from: drag?.of === told ? drag.from : null, of: told }; // a redraw of the same lines keeps it
      rule.dataset.d = `V${bottom}`;
      box.replaceChildren(chart);
      box.dataset.window = told.window_s.map((v) => v.toFixed(2)).join();
      legend.replaceChildren(...laps());
    }

    function laps() {
      if (strands.length < 2) return [];
      return strands.map((s, k) => run.html("span", { class: "keyed" },
        run.svg("svg", { width: 26, height: 10, "aria-hidden": "true" }, run.svg("path", { d: "M1 5H25", class: `line plain ${k ? "under" : "focus"}`, "stroke-dasharray": k && strands.length <= DASHES.length ? DASHES[k] : null })),
        s.lap === data.fastest && !s.name.includes(",") ? `${s.name}, fastest` : s.name));
    }

    const placeOf = (event) => {
      const here = box.getBoundingClientRect();
      return Math.min(Math.max(event.clientX - here.left, LEFT), width - right());
    };
    const indexAt = (px) => run.nearest(strands[0].x, x.back(px));
    box.addEventListener("pointermove", (event) => {
      if (!x || !strands.length) return;
      const px = placeOf(event);
      if (drag.from !== null && Math.abs(px - drag.from) > 4) {
        drag.chosen.setAttribute("visibility", "visible");
        drag.chosen.setAttribute("x", Math.min(px, drag.from));
        drag.chosen.setAttribute("width", Math.abs(px - drag.from));
      }
      run.point(indexAt(px));
    });
    box.addEventListener("pointerleave", () => { if (drag) run.point(null); });
    box.addEventListener("pointerdown", (event) => { if (drag && event.button === 0 && event.pointerType !== "touch") drag.from = placeOf(event); });
    window.addEventListener("pointerup", (event) => {
      if (!drag || drag.from === null || !box.isConnected) return;
      const [a, b] = [drag.from, placeOf(event)].sort((one, other) => one - other);
      drag.from = null;
      drag.chosen.setAttribute("visibility", "hidden");
      const { t } = strands[0];
      if (b - a > 6) run.go({ from: +t[indexAt(a)].toFixed(3), to: +t[indexAt(b)].toFixed(3) });
      else if (box.contains(event.target)) run.go({ at: +t[indexAt(a)].toFixed(3) }, true);
    });
    box.addEventListener("dblclick", () => {
      const { state } = run.screen;
      run.go(state.from !== undefined ? { from: null, to: null } : { from: data.start_s, to: data.end_s });
    });
    root.querySelector("#whole").addEventListener("click", () => run.go({ from: data.start_s, to: data.end_s, over: [] }));
    root.querySelector("#previous").addEventListener("click", () => run.stepFinding(-1));
    root.querySelector("#next").addEventListener("click", () => run.stepFinding(1));
    menus(root, data);

    return {
      async show() {
        const { stretch, over, along, rows: keys } = run.seen();
        const asked = { rows: keys.join(), along, over: over.join() };
        if (stretch) [asked.from, asked.to] = stretch.map((v) => v.toFixed(3));
        checked(root, { over, along, keys });
        sentence(root, data);
        const name = JSON.stringify(asked);
        if (name === wanted && name !== drawn) return; // asked for: it comes
        if (name !== wanted) {
          wanted = name;
          clearTimeout(busy);
          busy = setTimeout(() => box.classList.add("working"), 400);
          let answer;
          try {
            answer = await run.ask("traces", asked);
          } catch {
            if (wanted === name) wanted = null; // asked again when the server is back
            return;
          }
          if (!answer) return; // something else was asked for since
          clearTimeout(busy);
          box.classList.remove("working");
          drawn = name;
          said.textContent = answer.refusal || "";
          run.drawn();
          if (answer.refusal) return;
          unpacked(answer);
          run.screen.panels.forEach((panel) => panel.cut && panel.cut());
        }
        draw();
        run.point(null);
      },
      point(k) {
        if (!rule || !x) return;
        rule.setAttribute("visibility", k === null ? "hidden" : "visible");
        const moment = k === null ? null : strands[0].x[k];
        if (moment !== null) rule.setAttribute("d", `M${x(moment).toFixed(1)} ${TOP}${rule.dataset.d}`);
        for (const row of rows) for (const line of row.lines) {
          if (!line.told) continue;
          line.told.number.textContent = moment === null ? "" : run.fixed(value(line, moment), line.told.digits);
          if (line.told.hide) line.told.hide.setAttribute("visibility", moment === null ? "visible" : "hidden");
        }
      },
    };
  };

  /* Channels, laps and axis to choose. */
  function menus(root, data) {
    const box = (name, value, words) => run.html("label", {}, run.html("input", { type: "checkbox", value, name }), words);
    const listOf = (name) => [...root.querySelectorAll(`input[name=${name}]:checked`)].map((one) => one.value);
    const fill = (id, ...children) => root.querySelector(id).replaceChildren(...children);
    fill("#rows-menu", ...Object.entries(data.rows).map(([key, label]) => box("rows", key, label)));
    const others = JSON.parse(root.dataset.others || "[]");
    fill("#over-menu", ...data.laps.map((lap) => box("over", String(lap.number), `lap ${lap.number}, ${run.clock(lap.time_s)}`)),
      ...others.map(({ id, name }) => box("over", `${id}.0`, `fastest of ${name}`)));
    root.querySelector("#rows-menu").addEventListener("change", () => run.go({ rows: listOf("rows") }));
    root.querySelector("#over-menu").addEventListener("change", () => run.go({ over: listOf("over") }));
    root.querySelector("#along").addEventListener("change", (event) => run.go({ along: event.target.value }));
    root.querySelector("#colour").addEventListener("change", (event) => run.go({ colour: event.target.value }));
  }

  function checked(root, { over, along, keys }) {
    root.querySelectorAll("input[name=rows]").forEach((one) => { one.checked = keys.includes(one.value); });
    root.querySelectorAll("input[name=over]").forEach((one) => { one.checked = over.includes(one.value); });
    root.querySelector("#along").value = along;
  }

  /* What is picked, in a sentence, and what to do about it. */
  function sentence(root, data) {
    const { state } = run.screen, found = run.pickedFinding(), pass = run.pickedPass(), what = root.querySelector("#what");
    let words = "The whole log. Click a corner, a lap or a cell to see it.";
    if (run.seen().over.length) words = "Overlaid laps, matched by place in the lap.";
    if (found) words = found.sentence;
    else if (pass) words = `Corner ${pass.corner}, lap ${pass.lap}: nothing to report.`;
    else if (state.corner !== undefined || state.lap !== undefined) words = counted(state, data);
    const group = found && data.groups.find((one) => one.advice && one.members.includes(found.index));
    const advice = group ? [" ", run.html("span", { class: "to-do" }, run.html("strong", {}, "What to do: "), ...run.advised(root, group))] : [];
    what.replaceChildren(...(found ? [run.glyph(run.shapeOf(found), run.WORDS[run.shapeOf(found)]), " "] : []), words, ...advice);
  }

  function counted(state, data) {
    const kept = run.filtered(), spins = kept.filter((f) => f.cause), each = ["differential", "throttle", "unclear"];
    const where = [state.corner !== undefined ? `Corner ${state.corner}` : "", state.lap !== undefined ? `lap ${state.lap}` : "every lap"].filter(Boolean).join(", ");
    if (!kept.length) return `${where}: nothing found.`;
    const laps = new Set(spins.map((f) => f.lap).filter(Boolean)).size, of = data.laps.length;
    const causes = each.map((cause) => [spins.filter((f) => f.cause === cause).length, cause === "unclear" ? "not clear" : cause]).filter(([n]) => n);
    const told = causes.map(([n, cause]) => `${cause} ${n}`).join(", ");
    const spun = spins.length ? `${spins.length} ${spins.length === 1 ? "spin" : "spins"}${state.lap === undefined ? ` in ${laps} of ${of} laps` : ""} (${told})` : "no spin";
    const rest = kept.length - spins.length;
    return `${where}: ${spun}${rest ? `; ${rest} other ${rest === 1 ? "finding" : "findings"}` : ""}.`;
  }
})();
