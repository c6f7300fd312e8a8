/* Corner by lap: what was found in each pass and how slow it was; the way to every pass, corner and lap. */
(function () {
  "use strict";
  const run = (window.halfshaft = window.halfshaft || {});

  function inWords(pass, found) {
    const words = `corner ${pass.corner}, lap ${pass.lap}, slowest ${pass.slowest_km_h ?? "unknown"} km/h`;
    return [words, ...found.map((one) => run.WORDS[run.shapeOf(one)])].join(", ");
  }

  const isSpin = (one) => one.cause !== null;
  function total(found, name) {
    const spins = found.filter(isSpin).length, rest = found.length - spins;
    const title = `${name}: ${spins} spins${rest ? `, ${rest} other findings` : ""}`;
    return run.html("td", { class: "total", title }, spins || rest ? `${spins}${rest ? "+" + rest : ""}` : "·");
  }

  run.grid = function (root, data) {
    const box = root.querySelector("#grid");
    const corners = data.corners.map((c) => c.number);
    const place = new Map(data.passes.map((p) => [`${p.lap}.${p.corner}`, p]));
    const cells = new Map(), heads = new Map(), rows = new Map();
    let drawn = null;

    function cell(lap, corner) {
      const pass = place.get(`${lap}.${corner}`);
      if (!pass) return run.html("td", { class: "none" });
      const found = data.findings.filter((f) => f.lap === lap && f.corner === corner);
      const kept = found.filter((f) => run.kept(f, { kind: run.screen.state.kind, cause: run.screen.state.cause }));
      const shapes = [...new Set(kept.map(run.shapeOf))].slice(0, 2);
      const then = () => {
        const first = kept[0];
        run.pick(first ? { finding: first.index } : { pass: `${lap}.${corner}` });
      };
      const button = run.html(
        "button", { type: "button", class: `cell ${kept.some(isSpin) ? run.shapeOf(kept.find(isSpin)) : ""}`, tabindex: "-1", "aria-label": inWords(pass, kept), "data-cell": `${lap}.${corner}`, on: { click: then } },
        ...shapes.map((shape) => run.glyph(shape)),
        run.html("span", { class: "slow" }, pass.slowest_km_h ?? "–"),
      );
      cells.set(`${lap}.${corner}`, button);
      return run.html("td", {}, button);
    }

    function head(words, label, change, pressed, extra) {
      const then = () => run.pick(pressed() ? { finding: null, ...change.off } : change.on);
      const button = run.html("button", { type: "button", class: "head", "aria-label": label, on: { click: then } }, words, extra);
      heads.set(button, pressed);
      return button;
    }

    function lapRow(lap) {
      const found = data.findings.filter((f) => f.lap === lap.number);
      const fastest = lap.number === data.fastest;
      const label = `lap ${lap.number}, ${run.clock(lap.time_s)}${fastest ? ", the fastest" : ""}`;
      const button = head(
        `${lap.number}`, label, { on: { lap: lap.number }, off: { lap: null } }, () => run.screen.state.lap === lap.number,
        run.html("span", { class: fastest ? "time fastest" : "time" }, run.clock(lap.time_s)),
      );
      const row = run.html("tr", {}, run.html("th", { scope: "row" }, button), ...corners.map((c) => cell(lap.number, c)), total(found, `lap ${lap.number}`));
      rows.set(lap.number, row);
      return row;
    }

    function draw() {
      [cells, heads, rows].forEach((kept) => kept.clear());
      const top = corners.map((c) => {
        const direction = data.corners.find((one) => one.number === c).direction;
        const label = `corner ${c}, ${direction}, every lap`;
        return run.html("th", { scope: "col" }, head(String(c), label, { on: { corner: c }, off: { corner: null } }, () => run.screen.state.corner === c,
          run.html("span", { class: "turn" }, direction === "left" ? "L" : "R")));
      });
      const sums = corners.map((c) => total(data.findings.filter((f) => f.corner === c), `corner ${c}`));
      const table = run.html(
        "table", { class: "grid", style: `--rows: ${data.laps.length + 2}` },
        run.html("thead", {}, run.html("tr", {}, run.html("th", { scope: "col", class: "corner" }, "lap \\ corner"), ...top, run.html("th", { scope: "col", class: "total" }, "sum"))),
        run.html("tbody", {}, ...data.laps.map(lapRow)),
        run.html("tfoot", {}, run.html("tr", {}, run.html("th", { scope: "row" }, "sum"), ...sums, total(data.findings.filter((f) => f.corner !== null || f.lap !== null), "all laps"))),
      );
      const held = document.activeElement && box.contains(document.activeElement) ? document.activeElement.getAttribute("aria-label") : null;
      box.replaceChildren(table);
      if (held) [...box.querySelectorAll("button")].find((b) => b.getAttribute("aria-label") === held)?.focus();
    }

    /* Arrow keys go from cell to cell: only one of them is in the page's tab order. */
    box.addEventListener("keydown", (event) => {
      const by = { ArrowRight: [0, 1], ArrowLeft: [0, -1], ArrowDown: [1, 0], ArrowUp: [-1, 0] }[event.key];
      const now = event.target.closest("[data-cell]");
      if (!by || !now) return;
      event.preventDefault();
      event.stopPropagation();
      const [lap, corner] = now.dataset.cell.split(".").map(Number);
      for (let k = 1; k <= Math.max(corners.length, data.laps.length); k += 1) {
        const next = cells.get(`${lap + k * by[0]}.${corners[corners.indexOf(corner) + k * by[1]]}`);
        if (next) {
          cells.forEach((one) => one.setAttribute("tabindex", "-1"));
          next.setAttribute("tabindex", "0");
          next.focus();
          return;
        }
      }
    });

    return {
      show(state) {
        const key = `${state.kind}.${state.cause}`;
        if (drawn !== key) {
          draw();
          drawn = key;
        }
        const pass = run.pickedPass(), picked = pass && `${pass.lap}.${pass.corner}`;
        heads.forEach((pressed, button) => button.setAttribute("aria-pressed", pressed()));
        cells.forEach((button, name) => {
          const [lap, corner] = name.split(".").map(Number);
          const out = (state.lap !== undefined && lap !== state.lap) || (state.corner !== undefined && corner !== state.corner);
          button.setAttribute("aria-pressed", name === picked);
          button.setAttribute("tabindex", name === picked ? "0" : "-1");
          button.classList.toggle("out", out);
        });
        if (!cells.has(picked)) {
          cells.values().next().value?.setAttribute("tabindex", "0");
          [...heads.keys()].find((button) => button.getAttribute("aria-pressed") === "true")?.scrollIntoView?.({ block: "nearest", inline: "nearest" });
        } else cells.get(picked).scrollIntoView?.({ block: "nearest", inline: "nearest" });
      },
      point(k) {
        const { cut } = run.screen;
        const moment = k === null ? null : cut.t[k];
        const at = moment === null ? undefined : data.passes.find((p) => p.start_s <= moment && moment <= p.end_s);
        cells.forEach((button, name) => button.classList.toggle("at", Boolean(at) && name === `${at.lap}.${at.corner}`));
      },
    };
  };
})();
