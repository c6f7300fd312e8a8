/* Draws the long lists of the run page: as page components, each cell of a table costs the browser milliseconds.
   All text is put in as text, never as markup. */
(function () {
  "use strict";

  function made(tag, look, text) {
    const element = document.createElement(tag);
    if (look) element.className = look;
    if (text !== undefined) element.textContent = text;
    return element;
  }

  function findingButton(row) {
    const button = made("button", "finding"), words = made("div");
    words.append(made("strong", "", row.kind), made("div", "where", row.where));
    button.append(words, made("span", "badge " + row.severity, row.badge));
    button.type = "button";
    button.dataset.pick = JSON.stringify({ finding: row.index });
    return button;
  }

  /* Only what changed: a button that is replaced loses the keyboard's focus. */
  function drawFindings(box, { rows, chosen, sentence, note }) {
    const key = rows.map((row) => row.index).join() + note;
    if (box.dataset.drawn !== key) {
      box.replaceChildren(...rows.map(findingButton), ...(note ? [made("p", "hint", note)] : []));
      box.dataset.drawn = key;
    }
    rows.forEach((row, k) => {
      const button = box.children[k], words = button.firstChild;
      button.setAttribute("aria-pressed", row.index === chosen);
      while (words.children.length > 2) words.lastChild.remove();
      if (row.index !== chosen) return;
      words.append(made("div", "", sentence));
      const above = button.offsetTop - box.offsetTop;
      const hidden = above < box.scrollTop || above + button.offsetHeight > box.scrollTop + box.clientHeight;
      if (hidden) box.scrollTop = above - box.clientHeight / 3;
    });
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
        button.dataset.pick = JSON.stringify({ moment });
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
    lists: { findings: draw("findings", drawFindings), corners: draw("corner-table", drawTable) },
  });

  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-pick]");
    if (!button) return;
    const pick = window.dash_clientside.at_once.asked(JSON.parse(button.dataset.pick));
    window.dash_clientside.set_props("pick", { data: pick });
  });
})();
