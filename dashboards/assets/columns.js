/* Picks columns for channels: a list of the log's columns with a small picture of each, which writes the channel map. */
(function () {
  "use strict";
  const run = (window.halfshaft = window.halfshaft || {});
  const FIRST = ["time", "wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr", "throttle", "steer", "lat_g", "long_g", "yaw_rate", "brake", "gps_speed"];
  const W = 150, H = 26;
  const area = () => document.getElementById("map-text");
  const block = (name) => new RegExp(`(^#[^\\n]*\\n)?^\\[channels\\.${name}\\]\\n(?:(?!\\[|#)[^\\n]*\\n?)*`, "m");
  const quoted = (text) => JSON.stringify(text);

  /* Dash's field is React's: only a change that comes as an event is kept. */
  function write(text) {
    Object.getOwnPropertyDescriptor(HTMLTextAreaElement.prototype, "value").set.call(area(), text);
    area().dispatchEvent(new Event("input", { bubbles: true }));
  }

  function entry(name) {
    const found = (area().value.match(block(name)) || [""])[0];
    const of = (key) => { const line = found.match(new RegExp(`^${key} *= *"((?:[^"\\\\]|\\\\.)*)"`, "m")); return line ? JSON.parse(`"${line[1]}"`) : ""; };
    return { column: of("column"), unit: of("unit"), turned: /^sign *= *-1/m.test(found) };
  }

  function put(name, { column, unit, turned }) {
    const lines = column ? `[channels.${name}]\ncolumn = ${quoted(column)}\n${unit ? `unit = ${quoted(unit)}\n` : ""}${turned ? "sign = -1\n" : ""}\n` : "";
    const text = area().value, pattern = block(name);
    write(pattern.test(text) ? text.replace(pattern, () => lines) : `${text.replace(/\n*$/, "\n\n")}${lines}`);
  }

  async function picture(box, id, column) {
    box.replaceChildren();
    if (!column) return;
    const told = await (await fetch(`/run/${id}&preview=${encodeURIComponent(column)}`)).json();
    if (told.refusal || told.lowest === null) {
      box.textContent = told.refusal || "no numbers";
      return;
    }
    const values = run.unpack(told.values), x = run.scale(0, values.length - 1, 1, W - 1), y = run.scale(told.lowest, told.highest, H - 2, 2);
    box.replaceChildren(
      run.svg("svg", { width: W, height: H, role: "img", "aria-label": `column ${column}` }, run.svg("path", { d: run.line(Array.from(values, (_, k) => x(k)), Array.from(values, y)), class: "line plain" })),
      run.html("span", { class: "hint" }, `${run.short(told.lowest)} to ${run.short(told.highest)}`));
  }

  function line(id, channel, columns) {
    const now = entry(channel.name), box = run.html("td", { class: "preview" });
    const option = (value, words, chosen) => run.html("option", { value, selected: value === chosen }, words);
    const pick = run.html("select", { "aria-label": `column of ${channel.label}` }, option("", "none", now.column), ...columns.map((c) => option(c.name, c.unit ? `${c.name} [${c.unit}]` : c.name, now.column)));
    const unit = run.html("select", { "aria-label": `unit of ${channel.label}` }, option("", "?", now.unit), ...channel.units.map((u) => option(u, u, now.unit)));
    const turn = run.html("input", { type: "checkbox", "aria-label": `turn ${channel.label} over`, checked: now.turned });
    const changed = () => put(channel.name, { column: pick.value, unit: unit.value, turned: turn.checked });
    pick.addEventListener("change", () => {
      const said = columns.find((c) => c.name === pick.value);
      if (said && channel.units.includes(said.unit)) unit.value = said.unit;
      changed();
      picture(box, id, pick.value).catch(() => {});
    });
    [unit, turn].forEach((one) => one.addEventListener("change", changed));
    picture(box, id, now.column).catch(() => {});
    return run.html("tr", {}, run.html("th", { scope: "row", class: "words" }, channel.label), run.html("td", { class: "words" }, pick), run.html("td", { class: "words" }, unit), run.html("td", {}, turn), box);
  }

  async function mount(root) {
    const id = `${root.dataset.run}/columns?log=${root.dataset.log}`, told = await (await fetch(`/run/${id}`)).json();
    if (told.refusal) return; // the page says it already
    const shown = told.channels.filter((c) => FIRST.includes(c.name) || entry(c.name).column);
    const heads = ["channel", "column", "unit", "turned over", "what it looks like"].map((words) => run.html("th", { scope: "col", class: "words" }, words));
    root.replaceChildren(run.html("table", {}, run.html("thead", {}, run.html("tr", {}, ...heads)), run.html("tbody", {}, ...shown.map((c) => line(id, c, told.columns)))));
    root.dataset.ready = "yes";
  }

  new MutationObserver(() => {
    const root = document.getElementById("columns");
    const shown = root && `${root.dataset.run}, log ${root.dataset.log}`;
    if (root && root.dataset.mounted !== shown && area()) {
      root.dataset.mounted = shown;
      mount(root).catch(() => {});
    }
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
