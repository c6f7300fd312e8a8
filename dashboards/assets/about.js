/* What a person says of a run: a small form that is filled from its line in the list and sent as JSON. */
(function () {
  "use strict";
  const FIELDS = ["title", "driver", "tyres", "weather", "notes"];
  let run = null;
  const field = (name) => document.getElementById("about-" + name);
  // Dash's fields are React's: only a change that comes as an event is kept
  function put(element, text) {
    const kind = element instanceof HTMLTextAreaElement ? HTMLTextAreaElement : HTMLInputElement;
    Object.getOwnPropertyDescriptor(kind.prototype, "value").set.call(element, text);
    element.dispatchEvent(new Event("input", { bubbles: true }));
  }

  function dateField() {
    const place = document.querySelector("[data-date]");
    if (place && !place.childElementCount) {
      const input = document.createElement("input");
      input.type = "datetime-local";
      input.id = place.dataset.date;
      place.append(input);
    }
  }

  function open(told) {
    run = told.run;
    dateField();
    FIELDS.forEach((name) => put(field(name), told[name]));
    field("date").value = told.date;
    document.getElementById("about-refusal").textContent = "";
    document.getElementById("about").showModal();
  }

  async function save() {
    const said = Object.fromEntries(FIELDS.map((name) => [name, field(name).value]));
    const moment = new Date(field("date").value).getTime() / 1000;
    const body = JSON.stringify({ ...said, date_s: Number.isFinite(moment) ? moment : null });
    const answer = await fetch(`/run/${run}/about`, { method: "POST", headers: { "Content-Type": "application/json" }, body });
    const told = await answer.json();
    document.getElementById("about-refusal").textContent = told.error || "";
    if (told.error) return;
    document.getElementById("about").close();
    window.dash_clientside.set_props("changed", { data: `${run} ${Date.now()}` });
  }

  document.addEventListener("click", ({ target }) => {
    const asked = target.closest("[data-about]");
    if (asked) open(JSON.parse(asked.dataset.about));
    if (target.closest("#about-save")) save().catch(() => {});
    if (target.closest("#about-cancel")) document.getElementById("about").close();
  });
})();
