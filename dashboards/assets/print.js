/* A report that takes seconds to print is fetched with a sign of it on its link; a refusal is said on the page. Without
   this script the link opens the same address by itself. */
(function () {
  "use strict";

  function save(blob, name) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  }

  async function printed(link) {
    const said = document.getElementById("report-refusal");
    said.textContent = "";
    link.setAttribute("aria-busy", "true");
    try {
      const answer = await fetch(link.href);
      if (!answer.ok) throw new Error(await answer.text());
      const named = /filename="([^"]+)"/.exec(answer.headers.get("Content-Disposition") || "");
      save(await answer.blob(), named ? named[1] : "report.pdf");
    } catch (error) {
      said.textContent = error instanceof TypeError ? "The server does not answer; start it again." : error.message;
    }
    link.removeAttribute("aria-busy");
  }

  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[data-prints]");
    if (!link) return;
    event.preventDefault();
    if (!link.hasAttribute("aria-busy")) printed(link);
  });
})();
