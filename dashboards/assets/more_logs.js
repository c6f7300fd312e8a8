/* The form that gives a run another log: opened by the run's button, closed when the log is taken. */
(function () {
  "use strict";
  const form = () => document.getElementById("more");

  const unsaid = () => window.dash_clientside.set_props("more-refusal", { children: "" });

  function open({ run, name }) {
    window.dash_clientside.set_props("adding-to", { data: run });
    window.dash_clientside.set_props("uploaded-more", { data: null });
    document.getElementById("adding-name").textContent = name;
    unsaid();
    form().querySelector(".said").textContent = "";
    form().showModal();
  }

  // what was said is about the file before
  document.addEventListener("change", ({ target }) => { if (target.id === "file-more") unsaid(); });
  document.addEventListener("click", ({ target }) => {
    const asked = target.closest("[data-add-log]");
    if (asked) open(JSON.parse(asked.dataset.addLog));
    if (target.closest("#more-cancel")) form().close();
  });

  window.dash_clientside = Object.assign(window.dash_clientside || {}, {
    more_logs: {
      /* -> what makes the list of runs be asked for anew */
      close(added) {
        if (!added) return window.dash_clientside.no_update;
        form().close();
        return `${added.run} with another log ${added.press}`;
      },
    },
  });
})();
