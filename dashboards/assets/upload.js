/* Sends a chosen or dropped file to the server as one stream, with progress, and says every refusal on the page. */
(function () {
  "use strict";
  const LIMIT = 1e9;

  function build(place) {
    const kind = place.dataset.kind;
    const name = place.dataset.name || kind; // of the field; a page may send one kind to another place
    const input = document.createElement("input");
    input.type = "file";
    input.id = "file-" + name;
    input.accept = place.dataset.endings;
    input.setAttribute("aria-label", { log: "Choose a log", car: "Choose a car file", setup: "Choose a setup file", parts: "Choose a parts file" }[kind]);
    const bar = document.createElement("progress");
    bar.max = 1;
    bar.value = 0;
    bar.hidden = true;
    bar.setAttribute("aria-label", "upload");
    const said = document.createElement("span");
    said.className = "said";
    said.setAttribute("role", "status");
    place.append(input, bar, said);
    input.addEventListener("change", () => {
      if (input.files.length) send(kind, name, input.files[0], bar, said);
      input.value = "";
    });
    const zone = place.closest("[data-drop]");
    zone.addEventListener("dragover", (event) => { event.preventDefault(); zone.classList.add("over"); });
    zone.addEventListener("dragleave", () => zone.classList.remove("over"));
    zone.addEventListener("drop", (event) => {
      event.preventDefault();
      zone.classList.remove("over");
      if (event.dataTransfer.files.length) send(kind, name, event.dataTransfer.files[0], bar, said);
    });
  }

  function size(bytes) {
    return bytes < 1e6 ? Math.max(1, Math.round(bytes / 1e3)) + " kB" : (bytes / 1e6).toFixed(1) + " MB";
  }

  function tell(said, text, refused) {
    said.textContent = text;
    said.classList.toggle("refusal", refused);
  }

  const keep = (name, data) => window.dash_clientside.set_props("uploaded-" + name, { data });

  /* From here on the file before is not meant any more, also where this one is refused. */
  function send(kind, name, file, bar, said) {
    keep(name, null);
    if (file.size > LIMIT) {
      tell(said, file.name + ": is " + (file.size / 1e9).toFixed(1) + " GB; allowed: up to 1 GB. Export a shorter section or fewer channels.", true);
      return;
    }
    const request = new XMLHttpRequest();
    request.open("POST", "/upload/" + kind);
    request.setRequestHeader("X-File-Name", encodeURIComponent(file.name));
    request.setRequestHeader("Content-Type", "application/octet-stream");
    bar.hidden = false;
    bar.value = 0;
    tell(said, "sending " + file.name, false);
    request.upload.onprogress = (event) => { if (event.lengthComputable) bar.value = event.loaded / event.total; };
    request.onerror = () => { bar.hidden = true; tell(said, file.name + ": could not be sent; the server does not answer. Choose it again when it is back.", true); window.halfshaft.lost(); };
    request.onload = () => {
      bar.hidden = true;
      let answer = {};
      try { answer = JSON.parse(request.responseText); } catch (error) { answer = { error: "The server refused the file (" + request.status + ")." }; }
      if (answer.error) { tell(said, answer.error, true); return; }
      const known = answer.name === answer.sent ? " is here" : " is here already, as " + answer.name;
      tell(said, answer.sent + known + " (" + size(file.size) + ")", false);
      keep(name, answer);
    };
    request.send(file);
  }

  new MutationObserver(() => {
    document.querySelectorAll(".picker:not([data-built])").forEach((place) => {
      place.dataset.built = "yes";
      build(place);
    });
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
