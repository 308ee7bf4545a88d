"use strict";
// Makes every figure that carries data-panels answer to mouse, touch and keyboard. Without this script the page is a
// plain report. The curves are read back from the drawing itself, so screen and paper show the same points.
(() => {
  const SVG = "http://www.w3.org/2000/svg";
  const WORDS = JSON.parse(document.body.dataset.words || "{}");
  const say = (key) => WORDS[key] || key;
  const language = document.documentElement.lang || "en";
  const number = (value) => Number.isFinite(value)
    ? new Intl.NumberFormat(language, { maximumSignificantDigits: 5, useGrouping: false }).format(value).replace("-", "−") : "–";

  const element = (name, attributes, parent) => {
    const made = document.createElementNS(SVG, name);
    for (const key of Object.keys(attributes)) made.setAttribute(key, attributes[key]);
    if (parent) parent.append(made);
    return made;
  };
  const button = (text, title, parent, act) => {
    const made = document.createElement("button");
    made.type = "button";
    made.textContent = text;
    if (title) { made.title = title; made.setAttribute("aria-label", title); }
    made.addEventListener("click", act);
    parent.append(made);
    return made;
  };

  // An axis: data range and scale on one side, pixels of the drawing on the other.
  const forward = (axis, value) => (axis.scale === "log" ? Math.log(value) : value);
  const share = (axis, value) => (forward(axis, value) - forward(axis, axis.range[0]))
    / (forward(axis, axis.range[1]) - forward(axis, axis.range[0]));
  const pixel = (axis, value) => axis.pixels[0] + share(axis, value) * (axis.pixels[1] - axis.pixels[0]);
  const data = (axis, at) => {
    const part = (at - axis.pixels[0]) / (axis.pixels[1] - axis.pixels[0]);
    const low = forward(axis, axis.range[0]), high = forward(axis, axis.range[1]);
    const value = low + part * (high - low);
    return axis.scale === "log" ? Math.exp(value) : value;
  };
  const niceTicks = (axis, most) => {
    const [low, high] = axis.range;
    if (axis.scale === "log" && high / low > 4) {
      for (const mantissas of [[1, 2, 5], [1, 3], [1]]) {
        const ticks = [];
        for (let d = Math.floor(Math.log10(low)); d <= Math.ceil(Math.log10(high)); d += 1) {
          for (const m of mantissas) { const t = m * 10 ** d; if (t >= low * 0.9999 && t <= high * 1.0001) ticks.push(t); }
        }
        if (ticks.length <= most && ticks.length > 1) return ticks;
      }
    }
    const rough = (high - low) / (most - 1), power = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 2.5, 5, 10].map((m) => m * power).find((s) => s >= rough);
    const ticks = [];
    for (let t = Math.ceil(low / step) * step; t <= high + step * 1e-9; t += step) ticks.push(Math.abs(t) < step * 1e-9 ? 0 : t);
    return ticks;
  };

  const pointsOf = (group, x, y) => {
    const points = [];
    for (const shape of group.querySelectorAll("polyline, path")) {
      const text = shape.getAttribute(shape.tagName === "path" ? "d" : "points") || "";
      const tokens = text.match(/[ML]|-?\d*\.?\d+(?:e-?\d+)?/g) || [];
      let pair = [];
      for (const token of tokens) {
        if (token === "M" && points.length) { points.push([NaN, NaN]); continue; }
        if (token === "M" || token === "L") continue;
        pair.push(Number(token));
        if (pair.length === 2) { points.push([data(x, pair[0]), data(y, pair[1])]); pair = []; }
      }
      points.push([NaN, NaN]);
    }
    return points;
  };
  const valueAt = (points, at, scaleX, scaleY) => {
    // The first stretch that holds the abscissa, straight on the axes as drawn.
    for (let i = 1; i < points.length; i += 1) {
      const [x0, y0] = points[i - 1], [x1, y1] = points[i];
      if (!(Math.min(x0, x1) <= at && at <= Math.max(x0, x1))) continue;
      if (x0 === x1) return y1;
      const lx = (v) => (scaleX === "log" ? Math.log(v) : v), ly = (v) => (scaleY === "log" ? Math.log(v) : v);
      const part = (lx(at) - lx(x0)) / (lx(x1) - lx(x0)), value = ly(y0) + part * (ly(y1) - ly(y0));
      return scaleY === "log" ? Math.exp(value) : value;
    }
    return NaN;
  };

  class Figure {
    constructor(node) {
      this.node = node;
      this.svg = node.querySelector("svg");
      this.panels = JSON.parse(node.dataset.panels).map((each) => this.readPanel(each));
      if (!this.svg || !this.panels.length) return;
      this.x = { range: [...this.panels[0].home.x], scale: this.panels[0].xscale, pixels: this.panels[0].px };
      this.homeScale = this.x.scale;
      this.at = null;
      this.originals = [...this.svg.querySelectorAll("g[id*='-axes_'] > g")].filter((g) => !/-(curve|sample|label)-/.test(g.id)
        && !this.panels.some((p) => p.frames.includes(g)));
      this.layer = element("g", { "aria-hidden": "true" }, this.svg);
      this.hair = element("g", { "aria-hidden": "true" }, this.svg);
      this.controls();
      this.listen();
    }

    readPanel(raw) {
      const panel = { ...raw, home: { x: [...raw.x], y: [...raw.y], yscale: raw.yscale }, frames: [] };
      panel.axis = { range: [...raw.y], scale: raw.yscale, pixels: raw.py };
      const x = { range: raw.x, scale: raw.xscale, pixels: raw.px };
      panel.lines = raw.curves.map((curve) => {
        const group = document.getElementById(curve.id);
        return group ? { ...curve, group, points: pointsOf(group, x, panel.axis), shown: true } : null;
      }).filter(Boolean);
      for (const line of panel.lines) {
        const first = line.group.querySelector("[clip-path]");
        line.clip = first ? first.getAttribute("clip-path") : null;
        line.kept = [...line.group.children];
        line.style = first || line.group.firstElementChild;
      }
      return panel;
    }

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
          this.toggles.push(made);
        }
      }
      button("+", say("zoom in"), bar, () => this.zoom(0.5));
      button("−", say("zoom out"), bar, () => this.zoom(2));
      button(say("whole"), "", bar, () => this.reset());
      this.scaleButtons = [];
      if (this.panels[0].home.x[0] > 0) this.scaleButtons.push(button(say("frequency axis"), "", bar, () => this.switchX()));
      if (this.panels.some((p) => p.home.y[0] > 0)) this.scaleButtons.push(button(say("level axis"), "", bar, () => this.switchY()));
      this.output = document.createElement("output");
      this.output.className = "plot-reading";
      this.output.setAttribute("aria-live", "polite");
      this.output.textContent = say("hint");
      this.node.insertBefore(bar, this.node.querySelector("figcaption"));
      this.node.insertBefore(this.output, bar);
      this.svg.setAttribute("tabindex", "0");
      this.svg.setAttribute("role", "application");
      this.svg.setAttribute("aria-label", `${this.svg.querySelector("title").textContent} ${say("keys")}`);
    }

    place(event) {
      const box = this.svg.getBoundingClientRect(), view = this.svg.viewBox.baseVal;
      return [(event.clientX - box.left) * view.width / box.width, (event.clientY - box.top) * view.height / box.height];
    }

    listen() {
      let from = null;
      this.svg.addEventListener("pointermove", (event) => {
        const [x] = this.place(event), [left, right] = this.x.pixels;
        if (x >= left && x <= right) this.cursor(data(this.x, x));
        if (from !== null) this.band(from, Math.min(Math.max(x, left), right));
      });
      this.svg.addEventListener("pointerdown", (event) => {
        const [x] = this.place(event), [left, right] = this.x.pixels;
        if (event.button === 0 && x >= left && x <= right && event.pointerType !== "touch") from = x;
      });
      window.addEventListener("pointerup", (event) => {
        if (from === null) return;
        const [x] = this.place(event), [left, right] = this.x.pixels, to = Math.min(Math.max(x, left), right);
        const span = [data(this.x, Math.min(from, to)), data(this.x, Math.max(from, to))];
        if (Math.abs(to - from) > 6) { this.x.range = span; this.draw(); }
        from = null;
        this.cursor(this.at);
      });
      this.svg.addEventListener("dblclick", () => this.reset());
      this.svg.addEventListener("wheel", (event) => {
        if (!event.ctrlKey && document.activeElement !== this.svg) return;
        event.preventDefault();
        this.zoom(event.deltaY > 0 ? 1.25 : 0.8);
      }, { passive: false });
      this.svg.addEventListener("keydown", (event) => this.key(event));
    }

    key(event) {
      if (event.altKey || event.ctrlKey || event.metaKey) return;
      const step = event.shiftKey ? 20 : 2;
      const acts = {
        ArrowLeft: () => this.move(-step), ArrowRight: () => this.move(step),
        Home: () => this.cursor(this.x.range[0]), End: () => this.cursor(this.x.range[1]),
        PageDown: () => this.jump(1), PageUp: () => this.jump(-1), n: () => this.jump(1), p: () => this.jump(-1),
        "+": () => this.zoom(0.5), "=": () => this.zoom(0.5), "-": () => this.zoom(2),
        0: () => this.reset(), Escape: () => this.reset(), x: () => this.switchX(), y: () => this.switchY(),
      };
      const act = acts[event.key] || (/^[1-9]$/.test(event.key) && this.toggles[event.key - 1]
        ? () => this.toggles[event.key - 1].click() : null);
      if (!act) return;
      event.preventDefault();
      act();
    }

    move(pixels) {
      const [left, right] = this.x.pixels;
      const now = this.at === null ? (left + right) / 2 : pixel(this.x, this.at);
      this.cursor(data(this.x, Math.min(Math.max(now + pixels, left), right)));
    }

    jump(way) {
      const places = this.panels.flatMap((p) => (p.marks || []).map((m) => m.x)).sort((a, b) => a - b);
      const now = this.at === null ? (way > 0 ? -Infinity : Infinity) : this.at;
      const next = way > 0 ? places.find((v) => v > now * (1 + 1e-9)) : places.filter((v) => v < now * (1 - 1e-9)).pop();
      if (next !== undefined) this.show(next);
    }

    show(at) {
      if (at < this.x.range[0] || at > this.x.range[1]) { this.x.range = [...this.panels[0].home.x]; this.draw(); }
      this.cursor(at);
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
      if (this.at !== null) this.cursor(this.at);
    }

    zoom(factor) {
      const [low, high] = this.x.range.map((v) => forward(this.x, v));
      const centre = this.at === null ? (low + high) / 2 : forward(this.x, this.at);
      const back = (v) => (this.x.scale === "log" ? Math.exp(v) : v);
      const home = this.panels[0].home.x;
      const next = [Math.max(back(centre + (low - centre) * factor), home[0]), Math.min(back(centre + (high - centre) * factor), home[1])];
      if (!(next[1] - next[0] > 1e-6 * (home[1] - home[0]))) return;
      this.x.range = next;
      this.draw();
    }

    reset() {
      this.x.range = [...this.panels[0].home.x];
      this.x.scale = this.homeScale;
      for (const panel of this.panels) Object.assign(panel.axis, { range: [...panel.home.y], scale: panel.home.yscale });
      this.draw();
    }

    switchX() { this.x.scale = this.x.scale === "log" ? "linear" : "log"; this.draw(); }

    switchY() {
      for (const panel of this.panels.filter((p) => p.home.y[0] > 0)) {
        panel.axis.scale = panel.axis.scale === "log" ? "linear" : "log";
        panel.axis.range = [...panel.home.y];
      }
      this.draw();
    }

    // A linear level axis follows what is in view; a logarithmic one keeps the range of the printed figure.
    fitLevels() {
      const [from, to] = this.x.range;
      for (const panel of this.panels.filter((p) => p.home.y[0] > 0 && p.axis.scale === "linear")) {
        const seen = panel.lines.filter((line) => line.shown).flatMap((line) => line.points)
          .filter(([x, y]) => x >= from && x <= to && Number.isFinite(y)).map(([, y]) => y);
        panel.axis.range = [0, seen.length ? 1.12 * Math.max(...seen) : panel.home.y[1]];
      }
    }

    get atHome() {
      const same = (a, b) => a[0] === b[0] && a[1] === b[1];
      return same(this.x.range, this.panels[0].home.x) && this.x.scale === this.homeScale
        && this.panels.every((p) => p.axis.scale === p.home.yscale);
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
      if (this.at !== null) this.cursor(this.at);
    }

    isFrame(group) {
      return /-patch_\d+$/.test(group.id) && [...group.children].every((c) => (c.getAttribute("fill") || "none") === "none");
    }

    drawLine(panel, line, home) {
      for (const kept of line.kept) kept.setAttribute("display", home ? "inline" : "none");
      if (line.zoomed) line.zoomed.remove();
      line.zoomed = null;
      if (home) return;
      let text = "", pen = "M";
      const clip = (v) => Math.min(Math.max(v, -4000), 6000).toFixed(2);
      for (const [x, y] of line.points) {
        const px = pixel(this.x, x), py = pixel(panel.axis, y);
        if (!Number.isFinite(px) || !Number.isFinite(py)) { pen = "M"; continue; }
        text += `${pen}${clip(px)} ${clip(py)}`;
        pen = "L";
      }
      const attributes = { d: text || "M0 0", fill: "none" };
      if (line.clip) attributes["clip-path"] = line.clip;
      for (const name of ["stroke", "stroke-width", "stroke-dasharray"]) {
        const value = line.style && line.style.getAttribute(name);
        if (value) attributes[name] = value;
      }
      line.zoomed = element("path", attributes, line.group);
    }

    drawPanel(panel, last) {
      const [left, right] = this.x.pixels, [bottom, top] = panel.axis.pixels;
      const text = (x, y, anchor, content) => {
        element("text", { x, y, "text-anchor": anchor, "font-size": 7.6, fill: "#1d2a35" }, this.layer).textContent = content;
      };
      for (const tick of niceTicks(this.x, 9)) {
        const at = pixel(this.x, tick);
        element("line", { x1: at, x2: at, y1: bottom, y2: top, stroke: "#d5dbdf", "stroke-width": 0.5 }, this.layer);
        if (last) text(at, bottom + 9.8, "middle", number(tick));
      }
      for (const tick of niceTicks(panel.axis, 6)) {
        const at = pixel(panel.axis, tick);
        element("line", { x1: left, x2: right, y1: at, y2: at, stroke: "#d5dbdf", "stroke-width": 0.5 }, this.layer);
        text(left - 4, at + 2.8, "end", number(tick));
      }
      if (last) text((left + right) / 2, bottom + 21.4, "middle", panel.xlabel);
      for (const mark of panel.marks || []) this.drawMark(panel, mark, top);
      this.svg.insertBefore(this.layer, this.svg.querySelector("g"));
    }

    drawMark(panel, mark, top) {
      if (mark.x < this.x.range[0] || mark.x > this.x.range[1]) return;
      const x = pixel(this.x, mark.x), colour = mark.kind === "rejected" || mark.kind === "resonance" ? "#5d6b76" : "#b0421a";
      const y = Math.max(pixel(panel.axis, mark.y), top);
      element("line", { x1: x, x2: x, y1: y, y2: top - 8, stroke: colour, "stroke-width": 0.5 }, this.layer);
      element("path", { d: `M${x - 2.2} ${y - 2}h4.4l-2.2 4z`, fill: mark.kind === "rejected" ? "none" : colour, stroke: colour }, this.layer);
      element("text", { x, y: top - 10, "text-anchor": "middle", "font-size": 7.2, fill: colour }, this.layer).textContent = mark.text;
    }

    band(from, to) {
      const tops = this.panels.map((p) => p.axis.pixels[1]), bottoms = this.panels.map((p) => p.axis.pixels[0]);
      element("rect", {
        x: Math.min(from, to), width: Math.abs(to - from), y: Math.min(...tops), height: Math.max(...bottoms) - Math.min(...tops),
        fill: "#0b5d73", "fill-opacity": 0.12,
      }, this.hair);
    }

    cursor(at) {
      this.hair.replaceChildren();
      if (at === null) return;
      this.at = Math.min(Math.max(at, this.x.range[0]), this.x.range[1]);
      const x = pixel(this.x, this.at), read = [`${number(this.at)} ${this.panels[0].xunit}`];
      for (const panel of this.panels) {
        const [bottom, top] = panel.axis.pixels;
        element("line", { x1: x, x2: x, y1: bottom, y2: top, stroke: "#1d2a35", "stroke-width": 0.6 }, this.hair);
        const seen = new Set();
        for (const line of panel.lines.filter((each) => each.shown)) {
          const value = valueAt(line.points, this.at, this.homeScale, panel.home.yscale);
          if (!Number.isFinite(value)) continue;
          const y = pixel(panel.axis, value);
          if (y >= top && y <= bottom) element("circle", { cx: x, cy: y, r: 1.8, fill: line.style.getAttribute("stroke") || "#1d2a35" }, this.hair);
          const name = seen.has(line.label) ? "" : `${line.label} `;
          seen.add(line.label);
          read.push(`${name}${number(value)}${panel.yunit ? ` ${panel.yunit}` : ""}`);
        }
      }
      this.output.textContent = read.join(" · ");
    }
  }

  const figures = new Map();
  for (const node of document.querySelectorAll("figure[data-panels]")) {
    if (node.dataset.panels !== "[]" && node.dataset.panels !== "") figures.set(node.id, new Figure(node));
  }
  // A row of a resonance table moves the cursor of its figure.
  for (const row of document.querySelectorAll("tr[data-figure][data-x]")) {
    const figure = figures.get(row.dataset.figure);
    if (!figure || !figure.output) continue;
    row.classList.add("leads");
    row.addEventListener("click", (event) => {
      const link = event.target.closest("a");
      if (link && link.getAttribute("href") !== `#${row.dataset.figure}`) return;
      event.preventDefault();
      figure.show(Number(row.dataset.x));
      figure.node.scrollIntoView({ block: "nearest" });
      if (link) figure.svg.focus({ preventScroll: true });
    });
  }

  // Tables with one row of heads are sorted by a click on a head; rows that continue another stay behind it.
  const value = (text) => {
    const plain = text.replace(/[\u202f\u00a0]/g, "").replace("−", "-").replace(",", ".");
    if (/^\d{4}-\d\d/.test(plain)) return NaN; // a date sorts as a text
    const found = plain.match(/^[^\d-]{0,3}(-?\d+(?:\.\d+)?)/);
    return found ? Number(found[1]) : NaN;
  };
  const sortable = (table) => {
    const rows = table.tHead ? table.tHead.rows : [];
    return rows.length === 1 && table.tBodies.length === 1 && table.tBodies[0].rows.length > 2
      && ![...table.tBodies[0].rows].some((row) => [...row.cells].some((cell) => cell.rowSpan > 1));
  };
  const sort = (table, column, rising) => {
    const groups = [];
    for (const row of table.tBodies[0].rows) {
      if (row.classList.contains("continued") && groups.length) groups[groups.length - 1].push(row); else groups.push([row]);
    }
    const text = (group) => (group[0].cells[column] ? group[0].cells[column].textContent.trim() : "");
    const numeric = groups.every((group) => text(group) === "" || text(group) === "–" || Number.isFinite(value(text(group))));
    const compare = (a, b) => (numeric
      ? (Number.isFinite(value(text(a))) ? value(text(a)) : Infinity) - (Number.isFinite(value(text(b))) ? value(text(b)) : Infinity)
      : text(a).localeCompare(text(b), language, { numeric: true }));
    groups.sort((a, b) => (rising ? compare(a, b) : compare(b, a)) || 0);
    for (const group of groups) table.tBodies[0].append(...group);
  };
  for (const table of document.querySelectorAll("table.wide")) {
    if (!sortable(table)) continue;
    [...table.tHead.rows[0].cells].forEach((head, column) => {
      const label = head.textContent.trim();
      head.textContent = "";
      const made = button(label, `${say("sort by")} ${label}`, head, () => {
        const rising = head.getAttribute("aria-sort") !== "ascending";
        for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
        head.setAttribute("aria-sort", rising ? "ascending" : "descending");
        sort(table, column, rising);
      });
      made.className = "sorts";
    });
  }

  // What is wider than the screen and holds nothing to focus is pushed sideways by the keyboard, too.
  const reach = () => {
    for (const node of document.querySelectorAll(".wide, .plot")) {
      if (node.scrollWidth > node.clientWidth) node.tabIndex = 0; else node.removeAttribute("tabindex");
    }
  };
  reach();
  window.addEventListener("resize", reach);
  document.documentElement.classList.add("scripted");
  window.ready = 1;
})();
