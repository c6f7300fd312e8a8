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

      /* -> the run whose button was pressed */
      run_of() {
        const last = fired().pop();
        return last ? { run: last.id.run, at: ++count } : nothing();
      },
    },
  });
})();
