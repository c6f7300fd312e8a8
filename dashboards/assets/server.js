/* When the server does not answer, the page says so and tries again by itself; when it is back, it tells the panels. Also
   what every page has: help on keys, printing, ticking clocks of work under way. */
(function () {
  "use strict";
  const AGAIN_MS = 2000;
  const plain = window.fetch.bind(window);
  let gone = false;

  const sign = (words) => {
    const box = document.getElementById("server-gone");
    if (!box) return;
    box.textContent = words;
    box.hidden = !words;
  };

  async function again() {
    try {
      await plain("/alive");
    } catch {
      setTimeout(again, AGAIN_MS);
      return;
    }
    gone = false;
    sign("");
    window.dispatchEvent(new Event("server-back"));
  }

  function lost() {
    if (gone) return;
    gone = true;
    sign("The server does not answer. What you see stays; trying again every 2 seconds. If it was ended, start it again.");
    setTimeout(again, AGAIN_MS);
  }

  window.fetch = async function (...given) {
    try {
      return await plain(...given);
    } catch (error) {
      if (!(error instanceof DOMException && error.name === "AbortError")) lost();
      throw error;
    }
  };
  window.halfshaft = Object.assign(window.halfshaft || {}, { lost });

  /* How long a step has been going on, next to its bar. */
  setInterval(() => {
    document.querySelectorAll("[data-since]").forEach((place) => {
      const seconds = Math.max(0, Math.round(Date.now() / 1000 - Number(place.dataset.since)));
      place.textContent = seconds < 5 ? "" : seconds < 100 ? `for ${seconds} s` : `for ${Math.round(seconds / 60)} min`;
    });
  }, 1000);

  window.halfshaft.help = function () {
    const { html, glyph, KEYS, WORDS } = window.halfshaft, list = document.getElementById("keys-list");
    if (!list.childElementCount) {
      const keys = KEYS.flatMap(([key, words]) => [html("dt", {}, ...key.split(" ").flatMap((one) => [html("kbd", {}, one), " "])), html("dd", {}, words)]);
      const marks = Object.entries(WORDS).flatMap(([shape, words]) => [html("dt", {}, glyph(shape)), html("dd", {}, words)]);
      list.append(html("dl", {}, ...keys), html("dl", {}, ...marks));
    }
    document.getElementById("keys").showModal();
  };

  document.addEventListener("click", ({ target }) => {
    if (target.closest("#print")) window.print();
    if (target.closest("#close-keys")) document.getElementById("keys").close();
    if (target.closest("#show-keys")) window.halfshaft.help();
    document.querySelectorAll("details.menu[open], details.why[open]").forEach((open) => { if (!open.contains(target)) open.open = false; });
  });
})();
