/* The run screen's one state: what is picked, seen, filtered. It stands in the address behind '#', so that a link keeps
   it and Back undoes it. Every panel obeys it and changes it by `go`; pointing is local and goes through `point`. */
(function () {
  "use strict";
  const run = (window.halfshaft = window.halfshaft || {});
  const NUMBERS = ["finding", "corner", "lap", "at", "from", "to"], LISTS = ["over", "rows"];
  const WORDS = ["pass", "kind", "cause", "along", "colour", "panel"];
  const ROWS = ["wheel_speed", "slip", "throttle", "steer"], MOST_OVER = 12, MARGIN_S = 1, REST_MS = 3000;
  const screen = (run.screen = { panels: [], state: {}, data: null, id: null, cut: null });

  function read(hash) {
    const asked = new URLSearchParams(hash.replace(/^#/, "")), state = {};
    for (const name of NUMBERS) if (asked.has(name) && Number.isFinite(+asked.get(name))) state[name] = +asked.get(name);
    for (const name of LISTS) if (asked.has(name)) state[name] = asked.get(name).split(",").filter(Boolean);
    for (const name of WORDS) if (asked.has(name)) state[name] = asked.get(name);
    return state;
  }

  function written(state) {
    const told = new URLSearchParams();
    for (const name of [...NUMBERS, ...WORDS, ...LISTS]) {
      const value = state[name];
      if (value !== undefined && value !== null) told.set(name, Array.isArray(value) ? value.join(",") : value);
    }
    return "#" + told.toString().replaceAll("%2C", ",");
  }

  /* Changes the state; `replace` leaves no step for Back. */
  run.go = function (change, replace) {
    const state = { ...screen.state, ...change };
    for (const name of Object.keys(state)) if (state[name] === null || state[name] === undefined) delete state[name];
    const address = written(state);
    if (address === written(screen.state) && !replace) return;
    history[replace ? "replaceState" : "pushState"](history.state, "", address);
    screen.state = state;
    touched();
    show();
  };

  /* A pick takes the zoom, the cursor and the laps over each other with it. */
  run.pick = (what) => run.go({ finding: null, pass: null, from: null, to: null, at: null, over: null, ...what });

  run.kept = (found, state = screen.state) =>
    (state.corner === undefined || found.corner === state.corner) &&
    (state.lap === undefined || found.lap === state.lap) &&
    (state.cause === undefined || found.cause === state.cause) &&
    (state.kind === undefined || found.kind === state.kind);
  /* By corner and cause, the worst group first: the order of the list, and of the steps through it. */
  run.filtered = () => screen.data.groups.flatMap((group) => group.members.map((k) => screen.data.findings[k])).filter((found) => run.kept(found));

  /* The finding that is picked, and the corner pass: of the finding, or the one picked itself. */
  run.pickedFinding = () => screen.data.findings[screen.state.finding];
  run.pickedPass = function () {
    const { passes } = screen.data, found = run.pickedFinding();
    if (found) {
      const inside = (p) => p.corner === found.corner && p.start_s <= found.end_s && p.end_s >= found.start_s;
      return passes.find(inside);
    }
    const [lap, corner] = (screen.state.pass || "").split(".").map(Number);
    return passes.find((p) => p.lap === lap && p.corner === corner);
  };

  /* What the traces show: a stretch of log time, laps over each other, and along what. */
  run.seen = function () {
    const { state, data } = screen, pass = run.pickedPass(), found = run.pickedFinding();
    let stretch = null, over = state.over || [];
    const around = (p) => [p.start_s - MARGIN_S, p.end_s + MARGIN_S];
    if (pass) stretch = around(pass);
    else if (found && found.placed) stretch = [found.start_s - 3, found.end_s + 3];
    else if (state.corner !== undefined) {
      const found = run.filtered().find((f) => f.lap > 0);
      const laps = data.passes.filter((p) => p.corner === state.corner && p.lap > 0 && (state.lap === undefined || p.lap === state.lap));
      const focus = laps.find((p) => found && p.lap === found.lap) || laps.find((p) => p.lap === data.fastest) || laps[0];
      if (focus) {
        stretch = around(focus);
        if (!state.over) over = laps.filter((p) => p !== focus).slice(0, MOST_OVER - 1).map((p) => String(p.lap));
      }
    } else if (state.lap !== undefined) {
      const lap = data.laps[state.lap - 1];
      if (lap) stretch = [lap.start_s, lap.end_s];
    }
    if (state.from !== undefined && state.to !== undefined) stretch = [state.from, state.to];
    else if (stretch === null && over.length && data.laps.length) {
      const lap = data.laps[(data.fastest || 1) - 1];
      stretch = [lap.start_s, lap.end_s];
    }
    if (stretch) {
      const home = data.laps.find((lap) => lap.start_s <= stretch[0] && stretch[0] <= lap.end_s);
      over = over.filter((lap) => !home || lap !== String(home.number));
    }
    const along = state.along || (over.length ? "distance" : "time");
    return { stretch, over, along, rows: state.rows || (innerWidth < 600 ? ROWS.slice(0, 1) : ROWS) };
  };

  /* A view of the run; a newer question about the same view makes the older one's answer void. */
  const asked = {};
  run.ask = async function (name, parameters, key = name) {
    const number = (asked[key] = (asked[key] || 0) + 1);
    const address = `/run/${screen.id}/view/${name}?${new URLSearchParams(parameters)}`;
    const answer = await (await fetch(address)).json();
    if (asked[key] !== number) return null;
    return answer;
  };

  /* What is pointed at: an index into the focus of the traces, null for the fixed cursor. */
  run.point = function (index) {
    const { cut, state } = screen;
    if (!cut) return;
    let k = index;
    if (k !== null && k >= cut.t.length) k = null; // of the lines before
    if (k === null) k = state.at === undefined ? null : run.nearest(cut.t, state.at);
    screen.pointed = k;
    screen.panels.forEach((panel) => panel.point && panel.point(k));
  };

  function show() {
    if (!screen.data) return;
    screen.panels.forEach((panel) => panel.show && panel.show(screen.state, screen.data));
  }

  /* The charts below the screen keep the browser busy for seconds. They are asked for when the screen is drawn and they
     come near, or when nobody has touched anything for a while, so that no pick waits for them. */
  let resting = null;
  const near = new IntersectionObserver((seen) => seen.some((one) => one.isIntersecting) && below(), { rootMargin: "400px" });
  function below() {
    clearTimeout(resting);
    near.disconnect();
    if (screen.below || !screen.root.isConnected) return; // the page may have been left meanwhile
    screen.below = true;
    window.dash_clientside.set_props("screen-drawn", { data: screen.id });
  }
  function touched() {
    if (screen.below !== false) return;
    clearTimeout(resting);
    resting = setTimeout(below, REST_MS);
  }
  run.drawn = function () {
    if (screen.below !== null) return;
    screen.below = false;
    const place = document.getElementById("repeat-place");
    if (place) near.observe(place);
    touched();
  };
  ["pointerdown", "keydown", "wheel"].forEach((event) => document.addEventListener(event, touched, { passive: true }));

  async function mount(root) {
    screen.below = null;
    screen.root = root;
    screen.id = root.dataset.run;
    [screen.panels, screen.data, screen.cut] = [[], null, null];
    const id = screen.id, data = await run.ask("overview", {});
    if (!data || id !== screen.id || !root.isConnected) return;
    const said = root.querySelector("#screen-refusal");
    if (data.refusal) {
      said.textContent = data.refusal;
      return;
    }
    said.textContent = "";
    screen.data = data;
    screen.state = read(location.hash);
    screen.panels = ["strip", "grid", "map", "traces", "lock", "list"].map((name) => run[name](root, data));
    if (!Object.keys(screen.state).length && data.findings.length) run.go({ finding: 0 }, true);
    else show();
    root.querySelectorAll(".fill").forEach((box) => sized.observe(box));
    root.dataset.ready = "yes";
  }

  /* Keys that are pressed outside of fields. */
  const step = (list, now, by) => list[((now < 0 ? (by > 0 ? -1 : 0) : now) + by + list.length) % list.length];
  run.stepFinding = function (by) {
    const list = run.filtered().map((found) => found.index);
    if (list.length) run.pick({ finding: step(list, list.indexOf(screen.state.finding), by) });
  };
  function stepPass(by, same) {
    const now = run.pickedPass(), { passes } = screen.data;
    const list = passes.filter((p) => p.lap > 0 && (!now || same !== "corner" || p.corner === now.corner));
    if (list.length) {
      const next = step(list, list.indexOf(now), by);
      run.pick({ pass: `${next.lap}.${next.corner}` });
    }
  }
  function zoom(by) {
    const { stretch } = run.seen(), { data, cut, pointed } = screen;
    const [from, to] = stretch || [data.start_s, data.end_s];
    const middle = cut && pointed !== null && pointed !== undefined ? cut.t[pointed] : (from + to) / 2;
    const ends = [middle - (middle - from) * by, middle + (to - middle) * by];
    run.go({ from: +Math.max(ends[0], data.start_s).toFixed(2), to: +Math.min(ends[1], data.end_s).toFixed(2) });
  }
  const cursor = (by) => {
    const { cut, pointed } = screen;
    if (!cut) return;
    const now = pointed ?? (by > 0 ? -1 : cut.t.length);
    const k = Math.min(Math.max(now + by, 0), cut.t.length - 1);
    run.go({ at: +cut.t[k].toFixed(3) }, true);
  };
  const panel = (name) => () => run.go({ panel: screen.state.panel === name ? null : name });
  run.KEYS = [
    ["← →", "move the cursor; with Shift ten times as far"],
    ["n p", "next and previous finding"],
    ["c x", "next and previous corner"],
    ["v b", "the same corner, next and previous lap"],
    ["+ − 0", "zoom in, out, and back to what is picked"],
    ["l m f", "lock plot, map, findings"],
    ["Esc", "nothing picked, no filter: the whole log"],
    ["?", "this help"],
  ];
  const KEYS = {
    ArrowRight: (event) => cursor(event.shiftKey ? 10 : 1),
    ArrowLeft: (event) => cursor(event.shiftKey ? -10 : -1),
    n: () => run.stepFinding(1), p: () => run.stepFinding(-1),
    c: () => stepPass(1), x: () => stepPass(-1),
    v: () => stepPass(1, "corner"), b: () => stepPass(-1, "corner"),
    "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), 0: () => run.go({ from: null, to: null }),
    l: panel("lock"), m: panel("map"), f: panel("list"),
    Escape: () => run.pick({ corner: null, lap: null, cause: null, kind: null }),
    "?": () => run.help(),
  };
  document.addEventListener("keydown", (event) => {
    if (!document.getElementById("screen") || !screen.data) return;
    if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented) return;
    if (event.target.closest("input:not([type=checkbox]), select, textarea, [role=combobox], dialog[open], .dash-dropdown")) return;
    const unfolded = event.key === "Escape" && document.querySelector("details.menu[open], details.why[open]");
    if (unfolded) {
      unfolded.open = false;
      return;
    }
    const then = KEYS[event.key];
    if (!then) return;
    event.preventDefault();
    then(event);
  });

  window.addEventListener("popstate", () => {
    if (!screen.data || !document.getElementById("screen")) return;
    screen.state = read(location.hash);
    show();
  });
  /* A panel that became larger or smaller is drawn anew. */
  let later;
  const sized = new ResizeObserver((changed) => {
    changed.forEach(({ target }) => run.resized(target));
    clearTimeout(later);
    later = setTimeout(() => document.getElementById("screen") && show(), 60);
  });
  window.addEventListener("server-back", () => {
    const root = document.getElementById("screen");
    if (!root) return;
    if (screen.data) show();
    else mount(root).catch(() => {});
  });
  /* On paper every panel is drawn at once, whatever is hidden on the screen (`paper.js` lays it out). */
  function redrawn() {
    run.resized();
    if (document.getElementById("screen")) show();
  }
  window.addEventListener("beforeprint", redrawn);
  window.addEventListener("afterprint", redrawn);
  new MutationObserver(() => {
    const root = document.getElementById("screen");
    if (root && !root.dataset.mounted) {
      root.dataset.mounted = "yes";
      mount(root).catch(() => {}); // the server is gone: `server.js` says so, and when it is back
    }
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
