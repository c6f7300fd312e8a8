/* The answer at the top: spins by cause, the worst corner, preload and slopes as bars; and the list of findings. */
(function () {
  "use strict";
  const run = (window.halfshaft = window.halfshaft || {});
  const CAUSES = ["differential", "throttle", "unclear"], MOST_LISTED = 120;
  const NAMES = { differential: "differential", throttle: "throttle", unclear: "not clear" };

  function causes(data) {
    const spins = data.findings.filter((f) => f.cause);
    const count = Object.fromEntries(CAUSES.map((c) => [c, spins.filter((f) => f.cause === c).length]));
    const bar = run.html("div", { class: "odds", "aria-hidden": "true" }, ...CAUSES.filter((c) => count[c]).map((c) => run.html("i", { class: c, style: `flex-grow:${count[c]}` })));
    const buttons = CAUSES.filter((cause) => count[cause]).map((cause) => {
      const then = () => run.pick({ cause: run.screen.state.cause === cause ? null : cause, kind: null });
      return run.html("button", { type: "button", class: "chip", "data-cause": cause, on: { click: then } }, run.glyph(cause), ` ${NAMES[cause]} `, run.html("b", {}, count[cause]));
    });
    const understeer = data.findings.filter((f) => f.kind === "coast_understeer").length;
    const then = () => run.pick({ kind: run.screen.state.kind ? null : "coast_understeer", cause: null });
    if (understeer) buttons.push(run.html("button", { type: "button", class: "chip", "data-kind": "coast_understeer", on: { click: then } }, run.glyph("coast_understeer"), " off-throttle understeer ", run.html("b", {}, understeer)));
    const title = run.html("h2", {}, run.html("b", { class: "big" }, String(spins.length)), spins.length === 1 ? " inside rear spin" : " inside rear spins");
    return run.html("section", { class: "causes", "aria-label": "spins by cause" }, run.html("div", { class: "headline" }, title, spins.length ? bar : null), run.html("div", { class: "chips" }, ...buttons));
  }

  function worst(data) {
    const count = new Map();
    data.findings.forEach((f) => { if (f.corner !== null && f.cause) count.set(f.corner, [...(count.get(f.corner) || []), f]); });
    const [corner, found] = [...count].sort((a, b) => b[1].length - a[1].length)[0] || []; // of equals the one with the worst finding
    if (corner === undefined) return run.html("section", { class: "worst" }, run.html("h2", {}, "No corner stands out"));
    const laps = new Set(found.map((f) => f.lap).filter(Boolean)).size;
    const most = CAUSES.map((c) => [found.filter((f) => f.cause === c).length, c]).sort((a, b) => b[0] - a[0])[0];
    const then = () => run.pick({ corner, finding: null });
    return run.html("section", { class: "worst" }, run.html("h2", {}, "worst ", run.html("button", { type: "button", class: "link", on: { click: then } }, run.html("b", { class: "big" }, `corner ${corner}`))),
      run.html("p", {}, run.glyph(most[1]), ` spun in ${laps} of ${data.laps.length} laps; ${NAMES[most[1]]} ${most[0]} of ${found.length}`));
  }

  /* Preload and slopes, a row each for what is measured, anchored and predicted: a bar with a mark at the value and its
     figures beside it. The three bars of a parameter have one axis, so that they can be held against each other. */
  const ROLES = [["measured", "measured"], ["anchored", "anchored"], ["predicted", "parts"]];

  function parameter(told, roles, number) {
    const known = roles.flatMap(([role]) => told[role] || []).filter((v) => v !== null);
    const top = 1.05 * Math.max(...known, 0.1), digits = top > 20 ? 0 : 1;
    const place = (value) => `${(100 * Math.min(Math.max(value, 0), top)) / top}%`;
    const words = ([value, lower, upper]) => {
      if (value === null) return lower === null ? "not measured" : `at least ${lower.toFixed(digits)}`;
      return value.toFixed(digits) + (lower !== null && upper !== null ? ` (${lower.toFixed(digits)} to ${upper.toFixed(digits)})` : "");
    };
    const bar = (role, [value, lower, upper]) => run.html("div", { class: "interval", "aria-hidden": "true" },
      lower === null ? null : run.html("i", { class: `span ${role}${upper === null ? " open" : ""}`, style: `left:${place(lower)};right:calc(100% - ${place(upper ?? top)})` }),
      value === null ? null : run.html("i", { class: `tick-mark ${role}`, style: `left:${place(value)}` }));
    return run.html("div", { class: "parameter", style: `--number:${number}`, title: told.reason || null },
      run.html("span", { class: "label" }, told.label),
      ...roles.flatMap(([role, name], k) => {
        const at = `--row:${k}`, values = told[role];
        const cell = (look, ...what) => run.html("span", { class: look, style: at }, ...what);
        return [cell(`role ${role}-word`, name), cell("bar-cell", values ? bar(role, values) : null), cell(`figures ${role}-word`, values ? words(values) : "–")];
      }));
  }

  function parameters(told) {
    const roles = ROLES.filter(([role]) => told.some((one) => one[role]));
    return run.html("section", { class: "parameters", "aria-label": "measured and predicted, with 95 % intervals" }, ...told.map((one, k) => parameter(one, roles, k)));
  }

  run.strip = function (root, data) {
    const box = root.querySelector("#strip");
    const [driver, tuner] = data.answer;
    const why = data.compared ? run.html("a", { href: `/setup?run=${root.dataset.run}`, "aria-label": "Why: on the setup page" }, "Why") : null;
    const answer = run.html("section", { class: "answer-box" }, run.html("p", { class: "answer" }, run.html("strong", {}, driver), tuner ? ` ${tuner} ` : null, why));
    box.replaceChildren(answer, causes(data), worst(data), parameters(data.parameters));
    const filters = root.querySelector("#filters");
    return {
      show(state) {
        if (root.dataset.panel !== (state.panel || "map")) {
          root.dataset.panel = state.panel || "map";
          run.resized();
        }
        root.querySelectorAll("[data-panel-tab]").forEach((tab) => tab.setAttribute("aria-pressed", tab.dataset.panelTab === (state.panel || "map")));
        box.querySelectorAll(".chip").forEach((chip) => chip.setAttribute("aria-pressed", (chip.dataset.cause || chip.dataset.kind) === (state.cause || state.kind)));
        const told = [["corner", "corner "], ["lap", "lap "], ["cause", ""], ["kind", ""]].filter(([name]) => state[name] !== undefined);
        filters.replaceChildren(...told.map(([name, words]) => run.html("button", { type: "button", class: "chip", "aria-label": `remove filter: ${words}${run.WORDS[state[name]] || state[name]}`, on: { click: () => run.go({ [name]: null }) } }, `only ${words}${NAMES[state[name]] || run.WORDS[state[name]] || state[name]} `, run.html("span", { "aria-hidden": "true" }, "✕"))));
      },
    };
  };

  /* What to do about a group of findings, the page that tries it as a link. */
  run.advised = function (root, group) {
    const [before, ...after] = group.advice.split("What if");
    return after.length ? [before, run.html("a", { href: `/run/${root.dataset.run}/what-if` }, "What if"), after.join("What if")] : [before];
  };

  run.list = function (root, data) {
    const box = root.querySelector("#findings");
    root.querySelectorAll("[data-panel-tab]").forEach((tab) => tab.addEventListener("click", () => run.go({ panel: tab.dataset.panelTab })));
    let drawn = null;

    function row(found) {
      const shape = run.shapeOf(found), chance = found.chance === null ? "" : `, differential ${Math.round(100 * found.chance)} %`;
      return run.html("button", { type: "button", class: "finding", "data-index": found.index, "aria-label": `${run.WORDS[shape]}, ${found.where}`, on: { click: () => run.pick({ finding: found.index }) } },
        run.glyph(shape), run.html("span", { class: "where" }, found.when + chance),
        run.html("span", { class: `badge ${found.severity}` }, found.badge));
    }

    /* Groups with the findings that are shown of each. */
    function grouped(shown) {
      return data.groups.map((group) => ({ ...group, shown: shown.filter((found) => group.members.includes(found.index)) })).filter((group) => group.shown.length)
        .map((group) => run.html("section", { class: "group" },
          run.html("h3", {}, group.heading), group.advice ? run.html("p", { class: "hint" }, ...run.advised(root, group)) : null, ...group.shown.map(row)));
    }

    return {
      show(state) {
        const kept = run.filtered(), shown = kept.slice(0, MOST_LISTED), key = shown.map((f) => f.index).join();
        const picked = run.pickedFinding();
        if (picked && kept.includes(picked) && !shown.includes(picked)) shown.push(picked);
        if (drawn !== key) {
          const note = !kept.length ? (data.findings.length ? "Nothing found with these filters." : "Nothing found in this log.") : kept.length > shown.length ? `and ${kept.length - shown.length} more: choose a corner or a lap.` : "";
          box.replaceChildren(...grouped(shown), ...(note ? [run.html("p", { class: "hint" }, note)] : []));
          drawn = key;
        }
        root.querySelector("#count").textContent = kept.length === data.findings.length ? String(kept.length) : `${kept.length} of ${data.findings.length}`;
        box.querySelectorAll(".finding").forEach((button) => {
          const chosen = +button.dataset.index === state.finding;
          button.setAttribute("aria-pressed", chosen);
          if (!chosen) return;
          const top = button.offsetTop - box.offsetTop;
          if (top < box.scrollTop || top + button.offsetHeight > box.scrollTop + box.clientHeight) box.scrollTop = top - box.clientHeight / 3;
        });
      },
    };
  };
})();
