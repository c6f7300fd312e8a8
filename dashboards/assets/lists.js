/* Draws the corner table of the run page and the setup form's lock plot, and marks wrong fields. As page components each
   cell of a table costs the browser milliseconds. All text is put in as text, never as markup. */
(function () {
  "use strict";
  const kept = {}; // lock plots by run

  function made(tag, look, text) {
    const element = document.createElement(tag);
    if (look) element.className = look;
    if (text !== undefined) element.textContent = text;
    return element;
  }

  /* The pass at a moment is picked on the screen above. */
  function show(moment) {
    const { pick, screen } = window.halfshaft;
    const pass = screen.data.passes.find((p) => p.start_s <= moment && moment <= p.end_s);
    if (pass) pick({ pass: `${pass.lap}.${pass.corner}` });
    window.scrollTo(0, 0);
  }

  /* What a cell is sorted by: its first number, else its words; what is none comes last. */
  function weight(text) {
    const number = parseFloat(text.replace("\u2212", "-"));
    return text === "\u2013" || text === "" ? null : Number.isFinite(number) ? number : text;
  }
  function sorted(rows, { column, down }) {
    if (column === null) return rows;
    const compared = (one, other) => {
      const [a, b] = [weight(one.cells[column]), weight(other.cells[column])];
      if (a === null || b === null) return (a === null) - (b === null);
      return (a < b ? -1 : a > b ? 1 : 0) * (down ? -1 : 1);
    };
    return [...rows].sort(compared);
  }

  /* A table whose headings sort it: once upwards, twice downwards, a third time as it came. */
  function drawTable(box, { headings, rows, words }, order = { column: null, down: false }) {
    const look = (k) => (k < words ? "words" : "");
    const head = made("tr"), body = made("tbody"), table = made("table"), thead = made("thead");
    headings.forEach((heading, k) => {
      const cell = made("th", look(k)), here = order.column === k;
      cell.scope = "col";
      if (heading) {
        const button = made("button", "sort", heading);
        button.type = "button";
        cell.setAttribute("aria-sort", here ? (order.down ? "descending" : "ascending") : "none");
        button.addEventListener("click", () => {
          drawTable(box, { headings, rows, words }, here && order.down ? undefined : { column: k, down: here });
          box.querySelectorAll("th")[k].querySelector("button").focus();
        });
        cell.append(button);
      }
      head.append(cell);
    });
    sorted(rows, order).forEach(({ cells, moment, label }) => {
      const line = made("tr");
      cells.forEach((cell, k) => line.append(made("td", look(k), cell)));
      const last = made("td");
      if (moment !== null) {
        const button = made("button", "quiet", "show");
        button.type = "button";
        button.addEventListener("click", () => show(moment));
        button.setAttribute("aria-label", label);
        last.append(button);
      }
      line.append(last);
      body.append(line);
    });
    thead.append(head);
    table.append(thead, body);
    box.replaceChildren(table);
  }

  const draw = (id, how) => (data) => {
    const box = document.getElementById(id);
    if (box && data) how(box, data);
    return window.dash_clientside.no_update;
  };

  window.dash_clientside = Object.assign(window.dash_clientside || {}, {
    /* The fields of a form that a refusal names in quotes are marked; the first one is said to be described by it. */
    fields: {
      /* The lock plot of the typed setup over that of a run, or alone. */
      async draw(told) {
        const box = document.getElementById("predicted"), { halfshaft: run } = window;
        const bare = { points: [], draws: [], slipping: null, predicted: null };
        let lock = { ...bare, range: told.range };
        if (told.run) lock = kept[told.run] = kept[told.run] || (await (await fetch(`/run/${told.run}/view/lock`)).json());
        run.resized(box);
        const axes = run.lockAxes(box, lock);
        if (lock.slipping) run.drawSamples(axes, lock);
        run.drawMeasured(axes, lock);
        run.drawPredicted(axes, told.predicted);
        axes.chart.setAttribute("data-top", told.predicted ? Math.max(...told.predicted.y) : "");
        if (!told.predicted) axes.chart.append(run.svg("text", { x: axes.width / 2, y: 24, "text-anchor": "middle", class: "said-in-chart" }, "No predicted curve: a spool has none, or figures are missing."));
        box.replaceChildren(axes.chart);
        return window.dash_clientside.no_update;
      },
      mark(refusal) {
        const says = document.querySelector(".fields")?.id.replace("-form", "-refusal"); // of the page's own kind
        const named = [...String(refusal || "").matchAll(/'([a-z_A-Z]+)'/g)].map((found) => found[1]);
        document.querySelectorAll(".fields label").forEach((label) => {
          const id = label.htmlFor.startsWith("{") ? JSON.parse(label.htmlFor) : {};
          const wrong = named.includes(id.key);
          label.parentElement.classList.toggle("wrong", wrong);
          const field = document.getElementById(label.htmlFor);
          if (!field) return;
          field.toggleAttribute("aria-invalid", wrong);
          if (wrong) field.setAttribute("aria-describedby", says);
          else field.removeAttribute("aria-describedby");
        });
        return window.dash_clientside.no_update;
      },
    },
    lists: { corners: draw("corner-table", drawTable) },
  });
})();
