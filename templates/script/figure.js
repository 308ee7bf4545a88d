// A figure that carries data-panels answers to mouse, touch and keyboard. It reads and, once zoomed, draws the rows of
// the log themselves; only the whole range is shown as it was printed.
const INK = "#1d2a35", GRID = "#d5dbdf", QUIET = "#5d6b76", ALARM = "#b0421a", PETROL = "#0b5d73";
const FEW = 80; // rows in view, up to which each is shown as a dot
const PER_UNIT = 2; // columns of a drawing unit, each with its lowest and highest row: finer than a screen shows
const DRAG = 6; // units that a pointer must be dragged by

const shapePoints = (group, x, y) => {
  const xs = [], ys = [], push = (px, py) => { xs.push(px); ys.push(py); };
  for (const shape of group.querySelectorAll("polyline, path")) {
    const text = shape.getAttribute(shape.tagName === "path" ? "d" : "points") || "";
    let pair = [];
    for (const token of text.match(/[ML]|-?\d*\.?\d+(?:e-?\d+)?/g) || []) {
      if (token === "M") push(NaN, NaN);
      if (token === "M" || token === "L") continue;
      pair.push(Number(token));
      if (pair.length === 2) { push(data(x, pair[0]), data(y, pair[1])); pair = []; }
    }
    push(NaN, NaN);
  }
  return [xs, ys];
};

class Figure {
  constructor(node) {
    this.node = node;
    this.svg = node.querySelector("svg");
    this.panels = JSON.parse(node.dataset.panels).map((each) => this.readPanel(each));
    if (!this.svg || !this.panels.length) return;
    const [first] = this.panels;
    this.x = { range: [...first.home.x], scale: first.xscale, pixels: first.px };
    this.homeScale = this.x.scale;
    this.at = null;
    this.pinned = null;
    this.chosen = null; // abscissa of what is selected
    this.shaded = null; // a band that is being marked
    this.takesBand = null; // who is given the band that is dragged over, in the place of a zoom
    this.gone = new AbortController();
    // The first pairs of axes are the panels; insets come after them and stay as they are.
    const axes = [...this.svg.querySelectorAll("g[id*='-axes_']")].slice(0, this.panels.length);
    this.originals = axes.flatMap((each) => [...each.children]).filter((g) => !/-(curve|sample|label)-/.test(g.id || ""));
    this.layer = element("g", { "aria-hidden": "true" }, this.svg);
    // What is drawn anew under the pointer must not take a click that began before.
    this.hair = element("g", { "aria-hidden": "true", "pointer-events": "none" }, this.svg);
    this.controls();
    this.listen();
  }

  readPanel(raw) {
    const panel = { ...raw, home: { x: [...raw.x], y: [...raw.y], yscale: raw.yscale } };
    panel.axis = { range: [...raw.y], scale: raw.yscale, pixels: raw.py };
    panel.lines = raw.curves.map((curve) => this.readLine(curve, panel)).filter(Boolean);
    return panel;
  }

  readLine(curve, panel) {
    const group = document.getElementById(curve.id);
    if (!group) return null;
    const full = DATA.has(curve.xs) && DATA.has(curve.ys);
    const drawn = full ? [] : shapePoints(group, { range: panel.x, scale: panel.xscale, pixels: panel.px }, panel.axis);
    const [xs, ys] = full ? [DATA.get(curve.xs), DATA.get(curve.ys)] : drawn;
    const first = group.querySelector("[clip-path]");
    return {
      ...curve, group, xs, ys, full, shown: true, xName: curve.xs, sampled: full && curve.sampled, rising: full && rising(xs),
      clip: first ? first.getAttribute("clip-path") : null, kept: [...group.children], style: first || group.firstElementChild,
    };
  }

  // Whether the log has more rows than the page could hold.
  get reduced() { return this.lines.some((line) => line.full && line.rows > line.xs.length); }

  get lines() { return this.panels.flatMap((panel) => panel.lines); }

  controls() {
    const bar = document.createElement("div");
    bar.className = "plot-bar";
    bar.setAttribute("role", "group");
    bar.setAttribute("aria-label", say("controls"));
    this.toggles = [];
    for (const panel of this.panels) {
      const names = new Map();
      for (const line of panel.lines) names.set(line.label, [...(names.get(line.label) || []), line]);
      for (const [label, lines] of names) {
        const made = button(label, "", bar, () => this.toggle(lines, made));
        made.setAttribute("aria-pressed", "true");
        made.className = "curve";
        this.toggles.push(made);
      }
    }
    button("+", say("zoom in"), bar, () => this.zoom(0.5));
    button("−", say("zoom out"), bar, () => this.zoom(2));
    button(say("whole"), "", bar, () => this.reset());
    this.pin = button(say("second cursor"), "", bar, () => this.setPin());
    this.pin.setAttribute("aria-pressed", "false");
    this.more(bar);
    if (this.lines.every((line) => line.full)) button("CSV", say("csv"), bar, () => this.save()).className = "csv";
    this.output = document.createElement("output");
    this.output.className = "plot-reading";
    this.output.setAttribute("aria-live", "polite");
    const whole = this.lines.every((line) => line.full);
    this.output.textContent = say(!whole ? "drawn" : this.reduced ? "reduced" : "hint");
    this.node.insertBefore(bar, this.node.querySelector("figcaption"));
    this.node.insertBefore(this.output, bar);
    this.svg.setAttribute("tabindex", "0");
    this.svg.setAttribute("role", "application");
    this.svg.setAttribute("aria-label", `${this.svg.querySelector("title").textContent} ${say("keys")}`);
  }

  // What a mouse does by dragging, for fingers and keys.
  more(bar) {
    const folded = document.createElement("details");
    const head = document.createElement("summary");
    head.textContent = say("axes");
    folded.append(head);
    const inside = document.createElement("div");
    folded.append(inside);
    bar.append(folded);
    button("↕ +", say("zoom in vertically"), inside, () => this.zoomLevel(0.5));
    button("↕ −", say("zoom out vertically"), inside, () => this.zoomLevel(2));
    button("←", say("pan left"), inside, () => this.pan(-0.2, 0));
    button("→", say("pan right"), inside, () => this.pan(0.2, 0));
    button("↑", say("pan up"), inside, () => this.pan(0, 0.2));
    button("↓", say("pan down"), inside, () => this.pan(0, -0.2));
    if (this.panels[0].home.x[0] > 0) button(say("frequency axis"), "", inside, () => this.switchX());
    if (this.panels.some((p) => p.home.y[0] > 0)) button(say("level axis"), "", inside, () => this.switchY());
  }

  save() {
    const name = [document.body.dataset.number, this.node.id.replace(/^fig-/, ""), this.reduced ? "reduced" : ""].filter(Boolean).join("-");
    download(`${name.replace(/[^\w.-]+/g, "_")}.csv`, csvOf(this.panels));
  }

  place(event) {
    const box = this.svg.getBoundingClientRect(), view = this.svg.viewBox.baseVal;
    return [(event.clientX - box.left) * view.width / box.width, (event.clientY - box.top) * view.height / box.height];
  }

  inPanels(x, y) {
    const [left, right] = this.x.pixels;
    return x >= left && x <= right && this.panelAt(y) !== null;
  }

  panelAt(y) { return this.panels.find((p) => y <= p.axis.pixels[0] + 6 && y >= p.axis.pixels[1] - 6) || null; }

  listen() {
    const fingers = new Map();
    let from = null;
    const stop = () => { from = null; this.cursor(this.at); };
    this.svg.addEventListener("pointermove", (event) => {
      const [x, y] = this.place(event);
      if (fingers.has(event.pointerId)) fingers.set(event.pointerId, [x, y]);
      if (fingers.size === 2) { this.pinch([...fingers.values()]); return; }
      if (from && from.pans) { this.drag(from, x, y); return; }
      if (this.inPanels(x, y) || from) this.cursor(data(this.x, within(x, this.x.pixels)));
      if (from) this.band(from, x, y);
    });
    this.svg.addEventListener("pointerdown", (event) => {
      const [x, y] = this.place(event);
      if (!this.inPanels(x, y)) return;
      if (event.pointerType === "touch") {
        fingers.set(event.pointerId, [x, y]);
        if (fingers.size === 2) this.grip([...fingers.values()]); else this.cursor(data(this.x, x));
        return;
      }
      if (event.button > 1) return;
      if (event.button === 1) event.preventDefault();
      const panel = this.panelAt(y);
      from = { x, y, panel, pans: event.shiftKey || event.button === 1, xs: ends(this.x), ys: ends(panel.axis) };
    });
    for (const end of ["pointerup", "pointercancel"]) {
      window.addEventListener(end, (event) => {
        fingers.delete(event.pointerId);
        if (!from) return;
        if (end === "pointerup" && !from.pans) this.cut(from, ...this.place(event));
        stop();
      }, { signal: this.gone.signal });
    }
    this.svg.addEventListener("dblclick", () => this.reset());
    this.svg.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    this.svg.addEventListener("keydown", (event) => this.key(event));
  }

  wheel(event) {
    if (!event.ctrlKey && document.activeElement !== this.svg) return;
    event.preventDefault();
    const [x, y] = this.place(event), panel = this.panelAt(y), factor = (event.deltaY || event.deltaX) > 0 ? 1.25 : 0.8;
    if (panel && (event.shiftKey || x < this.x.pixels[0])) this.zoomPanel(panel, factor, forward(panel.axis, data(panel.axis, y)));
    else this.zoom(factor, forward(this.x, data(this.x, Math.max(x, this.x.pixels[0]))));
  }

  key(event) {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const step = event.shiftKey ? 20 : 1;
    const acts = {
      ArrowLeft: () => this.move(-step), ArrowRight: () => this.move(step),
      ArrowUp: () => this.pan(0, 0.1), ArrowDown: () => this.pan(0, -0.1), ",": () => this.pan(-0.1, 0), ".": () => this.pan(0.1, 0),
      Home: () => this.cursor(this.x.range[0]), End: () => this.cursor(this.x.range[1]),
      PageDown: () => this.jump(1), PageUp: () => this.jump(-1), n: () => this.jump(1), p: () => this.jump(-1),
      "+": () => this.zoom(0.5), "=": () => this.zoom(0.5), "-": () => this.zoom(2),
      i: () => this.zoomLevel(0.5), o: () => this.zoomLevel(2), c: () => this.setPin(),
      0: () => this.reset(), Escape: () => this.reset(), x: () => this.switchX(), y: () => this.switchY(),
    };
    const act = acts[event.key] || (/^[1-9]$/.test(event.key) && this.toggles[event.key - 1]
      ? () => this.toggles[event.key - 1].click() : null);
    if (!act) return;
    event.preventDefault();
    act();
  }

  // Along the rows: to the next one that lies at least so many units away.
  move(units) {
    const [left, right] = this.x.pixels;
    const now = this.at === null ? (left + right) / 2 : pixel(this.x, this.at);
    const lead = this.lead(this.at === null ? data(this.x, now) : this.at);
    const wanted = data(this.x, within(now + units, [left, right]));
    if (!lead || this.at === null) { this.cursor(wanted); return; }
    let next = null;
    lead.xs.forEach((x, i) => {
      if (!Number.isFinite(lead.ys[i])) return;
      const ahead = units > 0 ? x > this.at && x >= wanted : x < this.at && x <= wanted;
      if (ahead && (next === null || (units > 0 ? x < next : x > next))) next = x;
    });
    if (next !== null) this.cursor(next);
  }

  jump(way) {
    const places = this.panels.flatMap((p) => (p.marks || []).map((m) => m.x)).sort((a, b) => a - b);
    const now = this.mark !== undefined && this.mark !== null ? this.mark : this.at === null ? -way * Infinity : this.at;
    const next = way > 0 ? places.find((v) => v > now * (1 + 1e-9)) : places.filter((v) => v < now * (1 - 1e-9)).pop();
    if (next === undefined) return;
    this.show(next);
    this.node.dispatchEvent(new CustomEvent("jumped", { bubbles: true, detail: next }));
  }

  // The row nearest to a place that a table, a clause or a mark names.
  show(at) {
    if (at < this.x.range[0] || at > this.x.range[1]) { this.x.range = [...this.panels[0].home.x]; this.draw(); }
    this.cursor(at);
    this.mark = at;
  }

  // Another figure of the same panels takes this one's place.
  close() { this.gone.abort(); }

  // What was in view before, and the places of the cursors.
  takeOver({ x, panels, at, pinned, mark, chosen, shaded, lines }) {
    if (panels.length !== this.panels.length || panels[0].home.x.some((end, k) => end !== this.panels[0].home.x[k])) return;
    Object.assign(this.x, { range: [...x.range], scale: x.scale });
    this.panels.forEach((panel, k) => {
      if (panels[k].home.y.some((end, i) => end !== panel.home.y[i])) return;
      Object.assign(panel.axis, { range: [...panels[k].axis.range], scale: panels[k].axis.scale });
      panel.fits = panels[k].fits;
    });
    Object.assign(this, { at, pinned, chosen, shaded });
    this.pin.setAttribute("aria-pressed", String(pinned !== null));
    const hidden = new Set(lines.filter((line) => !line.shown).map((line) => line.label));
    for (const made of this.toggles) if (hidden.has(made.textContent)) made.click();
    this.draw();
    this.mark = mark;
  }

  // Draws cursors and what is selected anew; the cursor stays on its mark.
  refresh() {
    const { mark } = this;
    this.cursor(this.at);
    this.mark = mark;
  }

  // The row of the log that is nearest to a place.
  rowAt(at) {
    const lead = this.lead(at);
    return lead ? lead.xs[nearest(lead, at)] : at;
  }

  drawChosen() {
    const [left, right] = this.x.pixels;
    const bands = [...(this.chosen === null ? [] : [[this.chosen, this.chosen, 2.5]]), ...(this.shaded ? [[...this.shaded, 0]] : [])];
    for (const [low, high, margin] of bands) {
      const from = Math.max(pixel(this.x, low) - margin, left), to = Math.min(pixel(this.x, high) + margin, right);
      for (const panel of to > from ? this.panels : []) {
        const [bottom, top] = panel.axis.pixels;
        element("rect", { x: from, width: to - from, y: top, height: bottom - top, fill: PETROL, "fill-opacity": 0.16 }, this.hair);
      }
    }
  }

  toggle(lines, made) {
    const on = made.getAttribute("aria-pressed") !== "true";
    made.setAttribute("aria-pressed", String(on));
    for (const line of lines) {
      line.shown = on;
      for (const part of ["curve", "sample", "label"]) {
        const group = document.getElementById(line.id.replace("-curve-", `-${part}-`));
        if (group) group.setAttribute("display", on ? "inline" : "none");
      }
    }
    this.cursor(this.at);
  }

  zoom(factor, about) {
    const range = ends(this.x), middle = this.at === null ? (range[0] + range[1]) / 2 : forward(this.x, this.at);
    this.setX(...scaled(range, factor, about === undefined ? middle : about));
  }

  setX(low, high) {
    const range = bounded(this.x, low, high, this.panels[0].home.x);
    if (range) { this.x.range = range; this.draw(); }
  }

  // About what the cursor reads there, else about the middle.
  zoomLevel(factor) {
    for (const panel of this.panels) {
      const read = this.at === null ? [] : this.readings(panel, this.at).map((each) => each.value);
      const seen = read.map((value) => forward(panel.axis, value)).find(Number.isFinite), [low, high] = ends(panel.axis);
      this.zoomPanel(panel, factor, seen === undefined ? (low + high) / 2 : seen);
    }
  }

  zoomPanel(panel, factor, centre) {
    this.setLevel(panel, ...scaled(ends(panel.axis), factor, centre));
  }

  // As far beyond the printed range as that is high: noise and overshoot may lie there.
  setLevel(panel, low, high) {
    const home = panel.home.y[0] > 0 || panel.axis.scale === "linear" ? panel.home.y : panel.axis.range;
    const [least, most] = ends(panel.axis, home), room = most - least;
    const bounds = [least - room, most + room].map((value) => backward(panel.axis, value));
    const range = bounded(panel.axis, low, high, bounds);
    if (range) { panel.axis.range = range; panel.fits = false; this.draw(); }
  }

  pan(across, up) {
    const [low, high] = ends(this.x);
    if (across) this.setX(low + across * (high - low), high + across * (high - low));
    for (const panel of up ? this.panels : []) {
      const [bottom, top] = ends(panel.axis);
      this.setLevel(panel, bottom + up * (top - bottom), top + up * (top - bottom));
    }
  }

  drag(from, x, y) {
    const moved = (axis, [low, high], by) => [low, high].map((v) => v - by / (axis.pixels[1] - axis.pixels[0]) * (high - low));
    this.setLevel(from.panel, ...moved(from.panel.axis, from.ys, y - from.y));
    this.setX(...moved(this.x, from.xs, x - from.x));
  }

  // Two fingers keep hold of the points that they were put on.
  grip([a, b]) {
    const panel = this.panelAt((a[1] + b[1]) / 2) || this.panels[0];
    this.gripped = { panel, held: [a, b].map(([x, y]) => [forward(this.x, data(this.x, x)), forward(panel.axis, data(panel.axis, y))]) };
  }

  pinch([a, b]) {
    const { panel, held } = this.gripped;
    const range = (axis, which) => {
      const slope = (held[1][which] - held[0][which]) / (b[which] - a[which]);
      return axis.pixels.map((at) => held[0][which] + (at - a[which]) * slope);
    };
    if (Math.abs(b[1] - a[1]) > 30) this.setLevel(panel, ...range(panel.axis, 1));
    if (Math.abs(b[0] - a[0]) > 30) this.setX(...range(this.x, 0));
  }

  // The rectangle that was drawn: a flat one zooms the abscissa alone, a narrow one the level.
  cut(from, x, y) {
    const to = [within(x, this.x.pixels), within(y, from.panel.axis.pixels)];
    const wide = Math.abs(to[0] - from.x) > DRAG, high = Math.abs(to[1] - from.y) > 2 * DRAG;
    const span = (axis, a, b) => [a, b].map((at) => forward(axis, data(axis, at))).sort((p, q) => p - q);
    const across = span(this.x, from.x, to[0]);
    if (this.takesBand) { if (wide) this.takesBand(...across.map((end) => this.rowAt(backward(this.x, end)))); return; }
    if (high) this.setLevel(from.panel, ...span(from.panel.axis, from.y, to[1]));
    if (wide) this.setX(...across);
  }

  reset() {
    this.x.range = [...this.panels[0].home.x];
    this.x.scale = this.homeScale;
    for (const panel of this.panels) {
      Object.assign(panel.axis, { range: [...panel.home.y], scale: panel.home.yscale });
      panel.fits = false;
    }
    this.draw();
  }

  switchX() {
    if (!(this.panels[0].home.x[0] > 0)) return;
    this.x.scale = this.x.scale === "log" ? "linear" : "log";
    this.draw();
  }

  switchY() {
    for (const panel of this.panels.filter((p) => p.home.y[0] > 0)) {
      panel.axis.scale = panel.axis.scale === "log" ? "linear" : "log";
      panel.axis.range = [...panel.home.y];
      panel.fits = panel.axis.scale === "linear";
    }
    this.draw();
  }

  // A level axis that was made linear follows what is in view until it is zoomed itself.
  fitLevels() {
    const [from, to] = this.x.range;
    for (const panel of this.panels.filter((p) => p.fits)) {
      let top = 0;
      for (const line of panel.lines.filter((each) => each.shown)) {
        for (let i = 0; i < line.xs.length; i += 1) if (line.xs[i] >= from && line.xs[i] <= to && line.ys[i] > top) top = line.ys[i];
      }
      panel.axis.range = [0, top ? 1.12 * top : panel.home.y[1]];
    }
  }

  get atHome() {
    const same = (a, b) => a[0] === b[0] && a[1] === b[1];
    return same(this.x.range, this.panels[0].home.x) && this.x.scale === this.homeScale
      && this.panels.every((p) => p.axis.scale === p.home.yscale && same(p.axis.range, p.home.y));
  }

  draw() {
    this.layer.replaceChildren();
    this.fitLevels();
    const home = this.atHome;
    for (const group of this.originals) {
      const stays = group.querySelector("text[transform*='rotate']") || this.isFrame(group);
      group.setAttribute("display", home || stays ? "inline" : "none");
    }
    for (const panel of this.panels) {
      for (const line of panel.lines) this.drawLine(panel, line, home);
      if (!home) this.drawPanel(panel, panel === this.panels[this.panels.length - 1]);
    }
    this.cursor(this.at);
  }

  isFrame(group) {
    return /-patch_\d+$/.test(group.id) && [...group.children].every((c) => (c.getAttribute("fill") || "none") === "none");
  }

  // Rows in view with one more on either side; of many in one column the first, lowest, highest and last.
  inView(line, panel) {
    const [left, right] = this.x.pixels, rows = [];
    let column = null, held = [];
    const put = () => { for (const row of held.length > 4 ? this.extremes(held) : held) rows.push(row); held = []; };
    let before = null, was = false;
    for (let i = 0; i < line.xs.length; i += 1) {
      const px = pixel(this.x, line.xs[i]), row = [px, pixel(panel.axis, line.ys[i]), i], is = px >= left && px <= right;
      const broken = line.wraps && i > 0 && Math.abs(line.ys[i] - line.ys[i - 1]) > 180;
      const crosses = before && !is && !was && (before[0] < left) !== (px < left);
      if ((is && !was && before) || crosses) { put(); if (before) rows.push(before); }
      if (broken && (is || was)) { put(); rows.push([NaN, NaN, -1]); }
      if (is || was || crosses) {
        const here = Math.floor(px * PER_UNIT);
        if (here !== column) { put(); column = here; }
        held.push(row);
        if (!is) { put(); rows.push([NaN, NaN, -1]); }
      }
      before = row;
      was = is;
    }
    put();
    return rows;
  }

  extremes(held) {
    const known = held.filter((row) => Number.isFinite(row[1]));
    if (known.length < held.length || !known.length) return held;
    const low = known.reduce((a, b) => (b[1] < a[1] ? b : a)), high = known.reduce((a, b) => (b[1] > a[1] ? b : a));
    return [...new Set([held[0], low, high, held[held.length - 1]])].sort((a, b) => a[2] - b[2]);
  }

  drawLine(panel, line, home) {
    for (const kept of line.kept) kept.setAttribute("display", home ? "inline" : "none");
    for (const old of line.zoomed || []) old.remove();
    line.zoomed = [];
    if (home) return;
    const clip = (v) => within(v, [-4000, 6000]).toFixed(2), [left, right] = this.x.pixels;
    let text = "", pen = "M", dots = "", seen = 0;
    for (const [px, py] of this.inView(line, panel)) {
      if (!Number.isFinite(px) || !Number.isFinite(py)) { pen = "M"; continue; }
      text += `${pen}${clip(px)} ${clip(py)}`;
      pen = "L";
      if (px >= left && px <= right) { seen += 1; dots += `M${clip(px)} ${clip(py)}h0`; }
    }
    const attributes = { d: text || "M0 0", fill: "none" };
    if (line.clip) attributes["clip-path"] = line.clip;
    for (const name of ["stroke", "stroke-width", "stroke-dasharray"]) {
      const value = line.style && line.style.getAttribute(name);
      if (value) attributes[name] = value;
    }
    line.zoomed.push(element("path", attributes, line.group));
    if (!line.sampled || !seen || seen > FEW) return;
    const { "stroke-dasharray": _, ...solid } = attributes;
    line.zoomed.push(element("path", { ...solid, d: dots, "stroke-width": 2.6, "stroke-linecap": "round", class: "rows" }, line.group));
  }

  drawPanel(panel, last) {
    const [left, right] = this.x.pixels, [bottom, top] = panel.axis.pixels;
    const text = (x, y, anchor, content) => {
      element("text", { x, y, "text-anchor": anchor, "font-size": 7.6, fill: INK }, this.layer).textContent = content;
    };
    for (const tick of niceTicks(this.x, 8)) {
      const at = pixel(this.x, tick);
      element("line", { x1: at, x2: at, y1: bottom, y2: top, stroke: GRID, "stroke-width": 0.5 }, this.layer);
      if (last) text(at, bottom + 9.8, "middle", number(tick));
    }
    for (const tick of niceTicks(panel.axis, 6)) {
      const at = pixel(panel.axis, tick);
      if (!(at <= bottom + 0.01 && at >= top - 0.01)) continue;
      element("line", { x1: left, x2: right, y1: at, y2: at, stroke: GRID, "stroke-width": 0.5 }, this.layer);
      text(left - 4, at + 2.8, "end", number(tick));
    }
    if (last) text((left + right) / 2, bottom + 21.4, "middle", panel.xlabel);
    for (const mark of panel.marks || []) this.drawMark(panel, mark, bottom, top);
    this.svg.insertBefore(this.layer, this.svg.querySelector("g"));
  }

  drawMark(panel, mark, bottom, top) {
    if (mark.x < this.x.range[0] || mark.x > this.x.range[1]) return;
    const x = pixel(this.x, mark.x), colour = mark.kind === "rejected" || mark.kind === "resonance" ? QUIET : ALARM;
    const y = within(pixel(panel.axis, mark.y), [top, bottom]);
    element("line", { x1: x, x2: x, y1: y, y2: top - 8, stroke: colour, "stroke-width": 0.5 }, this.layer);
    element("path", { d: `M${x - 2.2} ${y - 2}h4.4l-2.2 4z`, fill: mark.kind === "rejected" ? "none" : colour, stroke: colour }, this.layer);
    element("text", { x, y: top - 10, "text-anchor": "middle", "font-size": 7.2, fill: colour }, this.layer).textContent = mark.text;
  }

  band(from, x, y) {
    const [bottom, top] = from.panel.axis.pixels;
    const [x0, x1] = [from.x, within(x, this.x.pixels)].sort((a, b) => a - b);
    const [y0, y1] = Math.abs(y - from.y) > 2 * DRAG ? [from.y, within(y, [top, bottom])].sort((a, b) => a - b) : [top, bottom];
    element("rect", { x: x0, width: x1 - x0, y: y0, height: y1 - y0, fill: PETROL, "fill-opacity": 0.12 }, this.hair);
  }

  // The curve whose row lies nearest to a place; null where none has rows.
  lead(at) {
    const found = this.lines.filter((line) => line.shown && line.sampled && line.xs.length);
    const off = (line) => Math.abs(line.xs[nearest(line, at)] - at);
    return found.length ? found.reduce((a, b) => (off(b) < off(a) ? b : a)) : null;
  }

  readings(panel, at) {
    const seen = new Set();
    // The name of a limit says its value already.
    return panel.lines.filter((line) => line.shown && line.role !== "limit").map((line) => {
      const row = line.sampled ? nearest(line, at) : -1;
      const name = seen.has(line.label) ? "" : line.label;
      seen.add(line.label);
      return { line, panel, name, x: row < 0 ? at : line.xs[row], value: row < 0 ? between(line, at, panel) : line.ys[row] };
    }).filter((each) => Number.isFinite(each.value));
  }

  cursor(at) {
    this.hair.replaceChildren();
    this.drawChosen();
    this.mark = null;
    if (at === null) return;
    this.at = this.rowAt(at);
    this.stroke(this.at, "none");
    if (this.pinned !== null) this.stroke(this.pinned, "2 1.6");
    this.tell();
  }

  stroke(at, dashes) {
    const x = pixel(this.x, at), [left, right] = this.x.pixels;
    if (x < left - 0.01 || x > right + 0.01) return;
    for (const panel of this.panels) {
      const [bottom, top] = panel.axis.pixels;
      element("line", { x1: x, x2: x, y1: bottom, y2: top, stroke: INK, "stroke-width": 0.6, "stroke-dasharray": dashes }, this.hair);
      for (const { line, x: own, value } of this.readings(panel, at)) {
        const px = pixel(this.x, own), y = pixel(panel.axis, value);
        if (y < top || y > bottom || px < left || px > right) continue;
        element("circle", { cx: px, cy: y, r: 1.8, fill: (line.style && line.style.getAttribute("stroke")) || INK }, this.hair);
      }
    }
  }

  reading(at) {
    const unit = (panel) => (panel.yunit ? ` ${panel.yunit}` : "");
    const read = this.panels.flatMap((panel) => this.readings(panel, at)).map(({ panel, name, x, value }) => {
      const apart = Math.abs(x - at) > 1e-9 * Math.abs(at) ? ` (${number(x)} ${panel.xunit})` : "";
      return `${name ? `${name} ` : ""}${number(value)}${unit(panel)}${apart}`;
    });
    return [`${number(at)} ${this.panels[0].xunit}`, ...read].join(" · ");
  }

  // First less second cursor; the share is that of the second.
  difference() {
    const share = (a, b) => (b ? ` (${signed(100 * (a - b) / Math.abs(b), 4)} %)` : "");
    const told = [`${signed(this.at - this.pinned)} ${this.panels[0].xunit}${share(this.at, this.pinned)}`];
    for (const panel of this.panels) {
      const second = new Map(this.readings(panel, this.pinned).map((each) => [each.line, each.value]));
      for (const { line, name, value } of this.readings(panel, this.at)) {
        if (!second.has(line) || !name) continue;
        const of = second.get(line), log = panel.home.yscale === "log" ? share(value, of) : "";
        told.push(`${name} ${signed(value - of)}${panel.yunit ? ` ${panel.yunit}` : ""}${log}`);
      }
    }
    return told.join(" · ");
  }

  setPin() {
    if (this.at === null) this.cursor(data(this.x, (this.x.pixels[0] + this.x.pixels[1]) / 2));
    this.pinned = this.pinned === null ? this.at : null;
    this.pin.setAttribute("aria-pressed", String(this.pinned !== null));
    this.cursor(this.at);
  }

  tell() {
    if (this.pinned === null) { this.output.textContent = this.reading(this.at); return; }
    const lines = [`1: ${this.reading(this.at)}`, `2: ${this.reading(this.pinned)}`, `1 − 2: ${this.difference()}`];
    this.output.replaceChildren(...lines.map((line, k) => {
      const made = document.createElement("span");
      made.className = k === 2 ? "difference" : "reading";
      made.textContent = line;
      return made;
    }));
  }
}

const figures = new Map();
const showFigures = () => {
  for (const node of document.querySelectorAll("figure[data-panels]")) {
    if (node.dataset.panels !== "[]" && node.dataset.panels !== "") figures.set(node.id, new Figure(node));
  }
};
