/* What every panel of the run screen draws with: packed series, scales, ticks, SVG, and one glyph for each finding. */
(function () {
  "use strict";
  const run = (window.halfshaft = window.halfshaft || {});
  const SVG = "http://www.w3.org/2000/svg";

  /* A packed series (see `views.packed`) as numbers; what is none is NaN. */
  run.unpack = function ({ low, high, steps }) {
    const bytes = Uint8Array.from(atob(steps), (letter) => letter.charCodeAt(0));
    const levels = new Uint16Array(bytes.buffer), size = (high - low) / 65534;
    return Float64Array.from(levels, (level) => (level === 65535 ? NaN : low + level * size));
  };

  /* How large a box is. To ask the browser after something was drawn lays the whole page out anew, so it is kept until the
     box is resized, or another panel is shown. */
  let sizes = new WeakMap();
  run.size = function (box) {
    if (!sizes.has(box)) sizes.set(box, box.getBoundingClientRect());
    return sizes.get(box);
  };
  run.resized = (box) => { if (box) sizes.delete(box); else sizes = new WeakMap(); };

  /* An element with attributes and children; text is put in as text, never as markup. */
  function made(space, tag, attributes, children) {
    const element = space ? document.createElementNS(space, tag) : document.createElement(tag);
    for (const [name, value] of Object.entries(attributes || {})) {
      if (name === "on") for (const [event, then] of Object.entries(value)) element.addEventListener(event, then);
      else if (value !== null && value !== undefined && value !== false) element.setAttribute(name, value === true ? "" : value);
    }
    element.append(...(children || []).filter((child) => child !== null && child !== undefined));
    return element;
  }
  run.svg = (tag, attributes, ...children) => made(SVG, tag, attributes, children);
  run.html = (tag, attributes, ...children) => made(null, tag, attributes, children);

  run.scale = (from, to, low, high) => {
    const size = (high - low) / (to - from || 1);
    const scale = (value) => low + (value - from) * size;
    scale.back = (place) => from + (place - low) / (size || 1);
    return scale;
  };

  /* About `count` round numbers from `low` to `high`. */
  run.ticks = function (low, high, count) {
    if (!(high > low)) return [low];
    const raw = (high - low) / count, power = 10 ** Math.floor(Math.log10(raw));
    const step = power * [1, 2, 5, 10].find((k) => k * power >= raw);
    const found = [];
    for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k += 1) found.push(+(k * step).toPrecision(12));
    return found;
  };
  run.short = (value) => (Math.abs(value) >= 1000 ? String(Math.round(value)) : String(+value.toPrecision(4)));
  run.fixed = (value, digits) => (Number.isFinite(value) ? value.toFixed(digits).replace("-", "−") : "–");
  run.clock = function (seconds) {
    const minutes = Math.floor(seconds / 60);
    return `${minutes}:${(seconds - 60 * minutes).toFixed(2).padStart(5, "0")}`;
  };

  /* The path of a line through points; a point that is none breaks it. */
  run.line = function (x, y) {
    let path = "", down = false;
    for (let k = 0; k < y.length; k += 1) {
      if (!Number.isFinite(y[k]) || !Number.isFinite(x[k])) down = false;
      else {
        path += `${down ? "L" : "M"}${x[k].toFixed(1)} ${y[k].toFixed(1)}`;
        down = true;
      }
    }
    return path;
  };

  /* The nearest of sorted numbers. */
  run.nearest = function (sorted, value) {
    let low = 0, high = sorted.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (sorted[middle] < value) low = middle;
      else high = middle;
    }
    return Math.abs(sorted[low] - value) <= Math.abs(sorted[high] - value) ? low : high;
  };

  /* One shape for each thing that is found, on grid, map, traces and list alike. Causes of a spin: throttle a full
     diamond, differential a full square, not clear a ring. Drawn about (0, 0), 10 px wide. */
  const SHAPES = {
    throttle: "M0 -6L6 0L0 6L-6 0Z",
    differential: "M-5 -5H5V5H-5Z",
    unclear: "M5 0A5 5 0 1 1 -5 0A5 5 0 1 1 5 0Z",
    coast_understeer: "M-6 -3L0 4L6 -3",
    inside_wheel_locking: "M-5 -5H5V5H-5ZM-5 -5L5 5",
    car_lost: "M-5 -5L5 5M-5 5L5 -5",
    lock_up_snap: "M-6 4L-1 -5L1 5L6 -4",
    chatter: "M-6 0L-3 -4L0 4L3 -4L6 0",
    other: "M-6 0H6",
  };
  run.shapeOf = (found) => found.cause || (SHAPES[found.kind] ? found.kind : "other");
  run.WORDS = {
    throttle: "spin: throttle",
    differential: "spin: differential",
    unclear: "spin: cause not clear",
    coast_understeer: "off-throttle understeer",
    inside_wheel_locking: "inside rear locks under braking",
    car_lost: "car lost",
    lock_up_snap: "lock-up snap",
    chatter: "chatter",
    other: "other finding",
  };
  run.mark = (shape, attributes) => run.svg("path", { d: SHAPES[shape], class: `mark ${shape}`, ...attributes });
  run.glyph = (shape, label) =>
    run.svg("svg", { viewBox: "-8 -8 16 16", class: "glyph", ...(label ? { role: "img", "aria-label": label } : { "aria-hidden": "true" }) }, run.mark(shape));
})();
