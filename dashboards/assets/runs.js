/* The list of runs: one line a run with what came out, drawn from data. As page components a line costs the browser some
   50 ms, and a team has hundreds of them. All text is put in as text, never as markup. */
(function () {
  "use strict";
  const run = (window.halfshaft = window.halfshaft || {});
  const CAUSES = ["differential", "throttle", "unclear"], NAMES = { differential: "differential", throttle: "throttle", unclear: "not clear" };
  const MARKS = { waiting: "…", running: "▸", done: "✓", failed: "✕", cancelled: "–" };
  const told = (store, data) => window.dash_clientside.set_props(store, { data });
  let sides = {}, presses = 0; // what is marked before and after a change

  /* A press is kept in a store at once, so that a list that is drawn anew cannot eat it. */
  const asks = (store, one) => () => told(store, { run: one.id, at: ++presses });
  const button = (words, label, then, look = "plain") => run.html("button", { type: "button", class: look, "aria-label": label, on: { click: then } }, words);

  function mark(one, side) {
    const then = () => {
      const { [one.id]: was, ...others } = sides;
      sides = was === side ? others : { ...others, [one.id]: side };
      shown();
      told("sides", sides);
    };
    return run.html("button", { type: "button", class: "quiet mark", "data-run": one.id, "data-side": side, "aria-label": `${one.name}: ${side} the change`, on: { click: then } }, side);
  }
  function shown() {
    document.querySelectorAll(".run-line .mark").forEach((one) => one.setAttribute("aria-pressed", sides[one.dataset.run] === one.dataset.side));
  }

  function breakable(name) {
    return name.split(/(?<=_)/).flatMap((piece, k) => (k ? [run.html("wbr"), piece] : [piece]));
  }

  function spins(one) {
    if (!one.spins) return run.html("div", { class: "spins" });
    const all = CAUSES.reduce((sum, cause) => sum + (one.spins[cause] || 0), 0), there = CAUSES.filter((cause) => one.spins[cause]);
    return run.html("div", { class: "spins" }, run.html("b", {}, String(all)), run.html("span", { class: "unit" }, all === 1 ? " spin" : " spins"),
      ...there.map((cause) => run.html("span", { class: "cause" }, run.glyph(cause), NAMES[cause] + (there.length > 1 ? ` ${one.spins[cause]}` : ""))));
  }

  /* The measured preload with its 95 % interval, on one axis for all runs. */
  function preload(one, top) {
    const found = one.preload;
    if (!found) return run.html("div", { class: "preload" });
    const place = (value) => `${(100 * Math.min(Math.max(value, 0), top)) / top}%`, whole = (value) => String(Math.round(value));
    const words = found.value !== null ? `${whole(found.value)}${found.lower === null ? "" : ` (${whole(found.lower)} to ${whole(found.upper)})`}` : found.lower !== null ? `at least ${whole(found.lower)}` : "not measured";
    const bar = run.html("div", { class: "interval", "aria-hidden": "true" },
      found.lower === null ? null : run.html("i", { class: `span measured${found.upper === null ? " open" : ""}`, style: `left:${place(found.lower)};right:calc(100% - ${place(found.upper ?? top)})` }),
      found.value === null ? null : run.html("i", { class: "tick-mark measured", style: `left:${place(found.value)}` }));
    return run.html("div", { class: "preload", title: found.reason || null }, bar, run.html("span", {}, words));
  }

  function working(one) {
    const known = one.share > 0 ? { value: one.share, max: 1 } : {};
    return run.html("div", { class: "progress" }, run.html("progress", { ...known, "aria-label": "progress" }), run.html("span", { class: "hint" }, one.step || "waiting"),
      run.html("span", { class: "hint", "data-since": Math.round(one.started) }), button("Cancel", `cancel ${one.name}`, asks("to-cancel", one), "quiet"));
  }

  function line(one, top) {
    const done = one.state === "done", over = !["waiting", "running"].includes(one.state);
    const title = done ? run.html("a", { href: `/run/${one.id}`, class: "name", "aria-label": `Open ${one.name}` }, ...breakable(one.name)) : run.html("strong", { class: "name" }, ...breakable(one.name));
    const what = run.html("div", { class: "what" }, title, one.files ? run.html("span", { class: "hint" }, ` ${one.files}`) : null,
      one.said || one.notes ? run.html("div", {}, one.said, one.notes ? run.html("em", {}, (one.said ? "; " : "") + one.notes) : null) : null,
      run.html("div", { class: "hint" }, one.made),
      over ? null : working(one), one.message ? run.html("p", { class: one.state === "failed" ? "refusal" : "hint" }, one.message) : null);
    const acts = run.html("div", { class: "acts" },
      done || one.state === "failed" ? run.html("a", { href: `/run/${one.id}/log` }, "Log check") : null,
      over && !done ? button("Analyse again", `analyse ${one.name} again`, asks("to-repeat", one)) : null,
      over ? run.html("button", { type: "button", class: "plain", "data-add-log": JSON.stringify({ run: one.id, name: one.name }), "aria-label": `add a log to ${one.name}` }, "Add a log") : null,
      over ? run.html("button", { type: "button", class: "plain", "data-about": one.about, "aria-label": `notes on ${one.name}` }, "Notes") : null,
      over ? button("Remove", `remove ${one.name}`, asks("to-remove", one)) : null);
    return run.html("div", { class: "run-line" },
      run.html("div", { class: "marks" }, ...(done ? [mark(one, "before"), mark(one, "after")] : [])), what,
      run.html("div", { class: "driven" }, one.driven, run.html("span", { class: `state ${one.state}`, title: one.asked }, `${MARKS[one.state]} ${one.words}`)),
      spins(one), preload(one, top), acts);
  }

  /* Lines that say what they said stay as they are: what has the keyboard's focus keeps it. */
  function draw(data) {
    const box = document.getElementById("run-list");
    if (!box || !data) return window.dash_clientside.no_update;
    const known = data.runs.flatMap((one) => (one.preload ? [one.preload.value, one.preload.lower, one.preload.upper] : [])).filter((v) => v !== null);
    const top = 1.05 * Math.max(20, ...known), kept = new Map([...box.querySelectorAll(".run-line")].map((one) => [one.dataset.key, one]));
    const lines = data.runs.map((one) => {
      const key = JSON.stringify([one, top]), there = kept.get(key) || line(one, top);
      there.dataset.key = key;
      return there;
    });
    const undo = data.leaving.map((one) => run.html("div", { class: "undo" }, run.html("span", {}, `${one.name} is removed; for good in a minute, with its comparisons.`), button("Undo", `keep ${one.name}`, asks("to-keep", one), "quiet")));
    undo.forEach((one) => one.querySelector("button").removeAttribute("aria-label"));
    const heads = lines.length ? [run.html("div", { class: "run-heads", "aria-hidden": "true" }, ...["", "run", "driven", "inside rear spins", "preload, N.m, 95 % interval", ""].map((words) => run.html("span", {}, words)))] : [];
    const held = document.activeElement;
    box.replaceChildren(...undo, ...(data.note ? [run.html("p", { class: "hint" }, data.note)] : []), ...heads, ...lines, ...(data.more ? [run.html("p", { class: "hint" }, data.more)] : []));
    if (held && box.contains(held)) held.focus();
    shown();
    return window.dash_clientside.no_update;
  }

  /* A link of the list is the app's own: no page is loaded anew. */
  document.addEventListener("click", (event) => {
    const link = event.target.closest("#run-list a");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
    event.preventDefault();
    window.dash_clientside.set_props("address", { pathname: link.getAttribute("href"), search: "", hash: "" });
    window.scrollTo(0, 0);
  });

  window.dash_clientside = Object.assign(window.dash_clientside || {}, {
    runs: {
      draw,
      /* -> the way to the comparison of what is marked, if there is one */
      marked(chosen) {
        sides = chosen || {};
        const of = (side) => Object.keys(sides).filter((one) => sides[one] === side), [before, after] = [of("before"), of("after")];
        const both = before.length > 0 && after.length > 0;
        return [`/compare?before=${before}&after=${after}`, `Compare ${before.length} before with ${after.length} after`, !both, both];
      },
    },
  });
})();
