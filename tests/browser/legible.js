// What of the page's text cannot be read: {pale: contrast under WCAG 2.2's AA (1.4.3), under: texts over each other,
// small: targets under 24 x 24 px (2.5.8, sentences and the charting library's and Dash's own controls left out)}.
() => {
  const found = { pale: [], under: [], small: [], texts: 0 };
  const parse = (color) => {
    const part = color.match(/rgba?\(([^)]+)\)/);
    const values = part ? part[1].split(",").map(Number) : [0, 0, 0, 0];
    return { rgb: values.slice(0, 3), alpha: values[3] ?? 1 };
  };
  const over = (rgb, alpha, below) => rgb.map((v, k) => v * alpha + below[k] * (1 - alpha));
  // relative luminance and contrast ratio as WCAG 2.2 defines them
  const luminance = (rgb) => {
    const [r, g, b] = rgb.map((v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ratio = (one, other) => {
    const [low, high] = [luminance(one), luminance(other)].sort((a, b) => a - b);
    return (high + 0.05) / (low + 0.05);
  };
  const behind = (element) => {
    const layers = [];
    for (let e = element; e; e = e.parentElement) layers.push(parse(getComputedStyle(e).backgroundColor));
    return layers.reverse().reduce((below, { rgb, alpha }) => over(rgb, alpha, below), [255, 255, 255]);
  };
  // in a part that stays while others scroll under its own solid ground
  const fixed = (element) => {
    for (let e = element; e && e !== document.body; e = e.parentElement) {
      const style = getComputedStyle(e);
      if (style.position === "sticky") return parse(style.backgroundColor).alpha === 1;
    }
    return false;
  };
  const seen = (rect, element) => {
    let { left, top, right, bottom } = rect;
    for (let e = element; e && e !== document.body; e = e.parentElement) {
      if (e instanceof SVGElement || getComputedStyle(e).overflow === "visible") continue;
      const box = e.getBoundingClientRect();
      [left, top] = [Math.max(left, box.left), Math.max(top, box.top)];
      [right, bottom] = [Math.min(right, box.right), Math.min(bottom, box.bottom)];
    }
    return { left, top, right, bottom };
  };

  const boxes = [], walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const text = walker.currentNode.textContent.trim(), element = walker.currentNode.parentElement;
    if (!text || element.closest("script, style, textarea, .skip, footer")) continue;
    if (!element.checkVisibility({ opacityProperty: true, visibilityProperty: true })) continue;
    const range = document.createRange(), style = getComputedStyle(element), svg = element instanceof SVGElement;
    range.selectNodeContents(walker.currentNode);
    const shown = [...range.getClientRects()].map((r) => seen(r, element));
    const kept = shown.filter((r) => r.right - r.left > 1 && r.bottom - r.top > 1);
    if (!kept.length) continue;
    found.texts += 1;
    const below = behind(svg ? element.closest(".dash-graph, .fill, button, dialog") : element);
    const ink = parse(svg ? style.fill : style.color);
    const size = parseFloat(style.fontSize), large = size >= 24 || (size >= 18.66 && +style.fontWeight >= 700);
    const contrast = ratio(over(ink.rgb, ink.alpha, below), below);
    if (contrast < (large ? 3 : 4.5)) found.pale.push(`${text.slice(0, 40)}: ${contrast.toFixed(2)}`);
    kept.forEach((r) => boxes.push({ ...r, text, element, still: !fixed(element) }));
  }
  boxes.forEach((a, k) => boxes.slice(k + 1).forEach((b) => {
    if (a.element === b.element || a.element.contains(b.element) || b.element.contains(a.element)) return;
    const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
    const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    if (a.still && b.still && wide > 2 && high > 3) found.under.push(`${a.text.slice(0, 40)} | ${b.text.slice(0, 40)}`);
  }));
  for (const e of document.querySelectorAll("a, button, input, summary")) {
    const box = e.getBoundingClientRect(), own = e.closest(".modebar, .skip, .dash-dropdown, [class*=dash-]");
    if (!e.checkVisibility() || own || !box.width || (e.tagName === "A" && e.closest("p, li, .hint, .read"))) continue;
    if (e.type !== "radio" && Math.min(box.width, box.height) < 24) found.small.push(e.id || e.textContent);
  }
  return found;
}
