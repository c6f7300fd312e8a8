/* Draws the corner table of the run page: as page components, each cell of a table costs the browser milliseconds.
   All text is put in as text, never as markup. */
(function () {
  "use strict";

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

  function drawTable(box, { headings, rows, words }) {
    const look = (k) => (k < words ? "words" : "");
    const head = made("tr"), body = made("tbody"), table = made("table"), thead = made("thead");
    headings.forEach((heading, k) => {
      const cell = made("th", look(k), heading);
      cell.scope = "col";
      head.append(cell);
    });
    rows.forEach(({ cells, moment, label }) => {
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
    lists: { corners: draw("corner-table", drawTable) },
  });
})();
