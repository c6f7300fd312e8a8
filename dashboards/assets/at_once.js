/* What the pages decide in the browser. Dash drops the answer of a callback that is asked for again before it has come:
   a click that waits for the server can be eaten by a resize, a tick or a redraw. So a click is kept in a store at once,
   and what the server draws depends on such stores alone: whichever answer is the last, it is the right one. */
(function () {
  "use strict";
  let count = 0; // so that the same press twice is two changes
  const nothing = () => window.dash_clientside.no_update;

  /* What fired and has a value, as [{id, value}]; buttons that are drawn anew fire without one. */
  function fired() {
    return window.dash_clientside.callback_context.triggered
      .filter((one) => one.value)
      .map((one) => {
        const name = one.prop_id.slice(0, one.prop_id.lastIndexOf("."));
        return { id: name.startsWith("{") ? JSON.parse(name) : name, value: one.value };
      });
  }

  window.dash_clientside = Object.assign(window.dash_clientside || {}, {
    at_once: {
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
