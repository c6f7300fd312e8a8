/* What the pages decide in the browser. Dash drops the answer of a callback that is asked for again before it has come:
   a click that waits for the server can be eaten by a resize, a tick or a redraw. So a click is kept in a store at once,
   and what the server draws depends on such stores alone: whichever answer is the last, it is the right one. */
(function () {
  "use strict";
  let count = 0; // of what was asked on the run page; the newer one counts
  const nothing = () => window.dash_clientside.no_update;
  const asked = (what) => ({ at: ++count, ...what });

  /* What fired and has a value, as [{id, value}]; buttons that are drawn anew fire without one. */
  function fired() {
    return window.dash_clientside.callback_context.triggered
      .filter((one) => one.value)
      .map((one) => {
        const name = one.prop_id.slice(0, one.prop_id.lastIndexOf("."));
        return { id: name.startsWith("{") ? JSON.parse(name) : name, value: one.value };
      });
  }

  /* The finding `by` places on in the list [[finding, start in s], ...], from what is picked now. */
  function step(listed, now, by) {
    let place = listed.findIndex(([finding]) => finding === now.finding);
    if (now.moment !== undefined) {
      const far = listed.map(([, start]) => Math.abs(start - now.moment));
      place = far.indexOf(Math.min(...far));
    }
    return { finding: listed[place < 0 ? 0 : (place + by + listed.length) % listed.length][0] };
  }

  /* The pick that a click on a chart or on next and previous asks for, or null: {finding} or {moment}, a log time in s. */
  function picked({ id, value }, listed, now) {
    if (id === "next" || id === "previous") return listed.length ? step(listed, now, id === "next" ? 1 : -1) : null;
    const told = value.points[0].customdata; // map: [log time, lap, ...], with the finding last on its marks
    if (!told) return null;
    if (id === "lock") return { moment: told[2] };
    return told.length > 3 ? { finding: told[3] } : { moment: told[0] };
  }

  /* What a drag or double click on the traces asks for: [from, to] on the axis, null for all, undefined: not about x. */
  function range(change) {
    for (const [key, value] of Object.entries(change || {})) {
      if (/^xaxis\d*\.autorange$/.test(key)) return null;
      if (/^xaxis\d*\.range$/.test(key)) return value.map(Number);
      if (/^xaxis\d*\.range\[0\]$/.test(key)) return [Number(value), Number(change[key.replace("[0]", "[1]")])];
    }
    return undefined;
  }

  window.dash_clientside = Object.assign(window.dash_clientside || {}, {
    at_once: {
      range,
      asked,

      /* -> the pick, and no click data, so that the same point can be clicked again */
      pick(_map, _lock, _previous, _next, listed, now) {
        const last = fired().pop();
        const pick = last ? picked(last, listed || [], now || {}) : null;
        return pick ? [asked(pick), null, null] : [nothing(), nothing(), nothing()];
      },

      /* -> the zoom with the axis it was made on, and no relayout data, so that the same range can be asked again */
      zoom(change, _whole, figure) {
        if (fired().some(({ id }) => id === "whole")) return [asked({ range: null }), null];
        const wanted = range(change);
        if (wanted === undefined) return [nothing(), nothing()];
        return [asked({ range: wanted, ...(figure.layout.meta || {}) }), null];
      },

      /* -> what the traces show: the pick or the zoom, whichever was asked for last */
      window(pick, zoom) {
        return zoom && !(pick && pick.at > zoom.at) ? zoom : pick;
      },

      /* What was picked further down or up comes into view; where nothing is, the page stays at its answer. */
      into_view(pick) {
        if (!pick) return nothing();
        const panel = document.getElementById("traces-panel");
        const top = panel.getBoundingClientRect().top;
        if (top > 0.6 * window.innerHeight || top < -120) panel.scrollIntoView({ block: "start" });
        return nothing();
      },

      /* Where the traces are broader than the screen, the chosen finding comes into its middle. */
      sideways(figure) {
        const box = document.querySelector("#traces-panel .broad");
        const { shapes = [], xaxis = {}, margin = {} } = (figure || {}).layout || {};
        const framed = shapes.filter((shape) => (shape.line || {}).dash === "dot");
        const chosen = framed.find((shape) => !shape.fillcolor.endsWith(",0)"));
        if (!box || !chosen || !xaxis.range || box.scrollWidth <= box.clientWidth) return nothing();
        const [from, to] = xaxis.range, { l = 80, r = 80 } = margin;
        const share = ((chosen.x0 + chosen.x1) / 2 - from) / (to - from);
        box.scrollLeft = l + share * (box.scrollWidth - l - r) - box.clientWidth / 2;
        return nothing();
      },

      /* -> {n, at} when the clock may ask the server: not while an answer is awaited, which the new question would
         drop, nor when all is over; after ten seconds an answer is no more awaited */
      tick(n, answered, last) {
        const awaited = last && last.n !== (answered || {}).n && Date.now() - last.at < 10000;
        return awaited || (answered || {}).over ? nothing() : { n, at: Date.now() };
      },

      /* -> {run: "before" or "after"}, with the marks that were pressed put on, moved or taken off; of two presses that
         come before Dash has looked there is one call */
      side(_clicks, sides) {
        const pressed = fired();
        if (!pressed.length) return nothing();
        return pressed.reduce((marks, { id: { run, side } }) => {
          const { [run]: was, ...others } = marks;
          return was === side ? others : { ...others, [run]: side };
        }, sides || {});
      },

      /* The marks are shown on the buttons, also on those drawn anew; -> the way to the comparison, if there is one */
      marked(sides) {
        const of = (side) => Object.keys(sides || {}).filter((run) => sides[run] === side);
        setTimeout(() => document.querySelectorAll("button.mark").forEach((button) => {
          const { run, side } = JSON.parse(button.id);
          button.setAttribute("aria-pressed", (sides || {})[run] === side);
        }), 0);
        const [before, after] = [of("before"), of("after")];
        const both = before.length > 0 && after.length > 0;
        const words = `Compare ${before.length} before with ${after.length} after`;
        return [`/compare?before=${before}&after=${after}`, words, !both, both];
      },

      /* -> the run whose button was pressed */
      run_of() {
        const last = fired().pop();
        return last ? { run: last.id.run, at: ++count } : nothing();
      },
    },
  });
})();
