// The plan: a sheet seen from above. Two canvases, one for the layer's pixels, one for lines over it.

import { NONE, PATTERN_PERIOD, lookup, patterns } from "./palette.js";
import { Tiles, zoomFor } from "./tiles.js";
import { drawArea, drawContact, drawDraft, drawLine, drawSole } from "./marks.js";

// Drawn by the processor: a laptop without a graphics card would emulate one, which takes seconds for many lines.
const SOFTWARE = { willReadFrequently: true };
const FRAME = 30,
  CLICK_PX = 6,
  HANDLE_M = 0.09;

export class Plan {
  // state: what the page shows; calls: what to do when a person does something.
  constructor(base, over, state, calls) {
    Object.assign(this, { base, over, state, calls });
    this.view = { x: 0, y: 0, scale: 50 };
    this.tiles = new Tiles(
      () => this.draw(),
      (error) => calls.trouble(error),
    );
    this.pointers = new Map();
    this.asked = false;
    this.moving = this.linesMs = 0;
    this.#listen();
    new ResizeObserver(() => this.draw()).observe(over);
  }

  get theme() {
    const style = getComputedStyle(document.documentElement);
    const pick = (name) => style.getPropertyValue(name).trim();
    return {
      ink: pick("--ink"),
      paper: pick("--paper"),
      accent: pick("--accent"),
      width: Number(pick("--stroke")) || 1,
    };
  }

  fit(extent) {
    const [x0, y0, x1, y1] = extent;
    const w = this.over.clientWidth - 2 * FRAME,
      h = this.over.clientHeight - 2 * FRAME;
    this.view = { x: (x0 + x1) / 2, y: (y0 + y1) / 2, scale: 0.96 * Math.min(w / (x1 - x0), h / (y1 - y0)) };
    this.draw();
  }

  zoom(factor, at) {
    const w = this.over.clientWidth,
      h = this.over.clientHeight;
    const [px, py] = at || [w / 2, h / 2];
    const before = this.toMap(px, py);
    this.view.scale = Math.min(Math.max(this.view.scale * factor, 0.5), 6000);
    const after = this.toMap(px, py);
    this.view.x += before[0] - after[0];
    this.view.y += before[1] - after[1];
    this.draw();
  }

  centre(x, y, scale) {
    Object.assign(this.view, { x, y }, scale ? { scale } : {});
    this.draw();
  }

  toMap(px, py) {
    const { x, y, scale } = this.view;
    return [x + (px - this.over.clientWidth / 2) / scale, y - (py - this.over.clientHeight / 2) / scale];
  }

  toScreen(mx, my) {
    const { x, y, scale } = this.view;
    return [(mx - x) * scale + this.over.clientWidth / 2, (y - my) * scale + this.over.clientHeight / 2];
  }

  // ------------------------------------------------------------------ drawing

  draw() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      if (!this.over.hidden) this.#paint();
    });
  }

  #paint() {
    const w = this.over.clientWidth,
      h = this.over.clientHeight;
    if (!w || !h || !this.state.site) return;
    const began = performance.now();
    if (this.base.width !== w || this.base.height !== h) {
      this.base.width = w;
      this.base.height = h;
    }
    const ratio = Math.min(window.devicePixelRatio || 1, 2);
    if (this.over.width !== Math.round(w * ratio) || this.over.height !== Math.round(h * ratio)) {
      this.over.width = Math.round(w * ratio);
      this.over.height = Math.round(h * ratio);
    }
    const theme = this.theme;
    this.#paintLayer(w, h, theme);
    const c = this.over.getContext("2d", SOFTWARE);
    c.setTransform(ratio, 0, 0, ratio, 0, 0);
    c.clearRect(0, 0, w, h);
    const show = { toScreen: (x, y) => this.toScreen(x, y), scale: this.view.scale, theme, width: w, height: h };
    for (const rule of this.state.decisions.in_force) drawArea(c, show, rule, rule.number === this.state.marked);
    for (const mark of this.state.marks || []) mark(c, show);
    if (this.state.line) drawLine(c, show, this.state.line, this.state.lineAt);
    if (this.state.draft.length) drawDraft(c, show, this.state.draft, this.state.tool);
    if (this.state.answer) drawContact(c, show, this.state.answer);
    drawSole(c, show, this.state.foot, this.state.sole, this.state.answer, this.handle());
    this.#paintFrame(c, w, h, theme);
    this.lastPaintMs = performance.now() - began;
  }

  #paintLayer(w, h, theme) {
    const { site, layer, scales, revision } = this.state;
    const context = this.base.getContext("2d", SOFTWARE);
    if (!this.image || this.image.width !== w || this.image.height !== h) {
      this.image = context.createImageData(w, h);
      this.pixels = new Uint32Array(this.image.data.buffer);
    }
    const scale = scales.get(layer.key) || { low: 0, high: 1 };
    const look = `${layer.key} ${scale.low} ${scale.high} ${theme.width}`;
    if (this.look !== look) {
      this.look = look;
      this.lookup = lookup(layer, scale);
      this.patterns = patterns(theme.width);
    }
    // The pattern moves with the map, so that it does not swim while one pans.
    const ox = Math.round(this.view.x * this.view.scale),
      oy = Math.round(-this.view.y * this.view.scale);
    this.#fillUnknown(w, h, ox, oy);
    const shown = this.state.level === null ? site.levels : site.levels.filter((l) => l.level === this.state.level);
    if (scales.has(layer.key)) for (const level of shown) this.#paintLevel(level, w, h, ox, oy, layer.key, revision);
    // Where outlines take long they wait until the sheet comes to rest.
    if (layer.key === "label" && this.state.patches && !(this.moving && this.linesMs > 20)) {
      const began = performance.now();
      this.#paintPatches(w, h, theme);
      this.linesMs = performance.now() - began;
    }
    context.putImageData(this.image, 0, 0);
  }

  #fillUnknown(w, h, ox, oy) {
    const P = PATTERN_PERIOD,
      table = this.patterns[3],
      white = this.lookup.colour[NONE],
      ink = 0xff999999;
    for (let y = 0; y < h; y++) {
      const row = ((((y + oy) % P) + P) % P) * P;
      let u = ((ox % P) + P) % P,
        at = y * w;
      for (let x = 0; x < w; x++) {
        this.pixels[at++] = table[row + u] ? ink : white;
        if (++u === P) u = 0;
      }
    }
  }

  #paintLevel(level, w, h, ox, oy, key, revision) {
    const { scale } = this.view,
      cell = level.cell_m,
      [x0, y0] = level.extent_m;
    const [zoom, most] = zoomFor(cell * scale, level);
    const size = cell * 2 ** zoom,
      nx = Math.ceil(level.cells[0] / 2 ** zoom),
      ny = Math.ceil(level.cells[1] / 2 ** zoom);
    const column = new Int32Array(w);
    for (let x = 0; x < w; x++) column[x] = Math.floor((this.view.x + (x + 0.5 - w / 2) / scale - x0) / size);
    let first = 0,
      last = w - 1;
    while (first < w && column[first] < 0) first++;
    while (last >= 0 && column[last] >= nx) last--;
    if (first > last) return;
    const P = PATTERN_PERIOD,
      { colour, ink } = this.lookup,
      tables = this.patterns,
      dark = 0xff333333;
    const found = new Map();
    const tile = (tx, ty) => {
      const name = tx * 65536 + ty;
      if (!found.has(name)) found.set(name, this.tiles.find(revision, level.level, key, zoom, tx, ty, most));
      return found.get(name);
    };
    for (let y = 0; y < h; y++) {
      const row = Math.floor((this.view.y - (y + 0.5 - h / 2) / scale - y0) / size);
      if (row < 0 || row >= ny) continue;
      const v = ((((y + oy) % P) + P) % P) * P;
      let tx = -1,
        got = null,
        u = (((first + ox) % P) + P) % P,
        at = y * w + first;
      for (let x = first; x <= last; x++, at++) {
        const c = column[x];
        if (c >> 8 !== tx) {
          tx = c >> 8;
          got = tile(tx, row >> 8);
        }
        if (got) {
          const code = got[0][(((row >> got[1]) & 255) << 8) | ((c >> got[1]) & 255)];
          if (code !== NONE) {
            const p = ink[code];
            this.pixels[at] = p && tables[p][v + u] ? dark : colour[code];
          }
        }
        if (++u === P) u = 0;
      }
    }
  }

  // Outlines of patches as plain pixels: thousands of them cost less than a layer does.
  #paintPatches(w, h, theme) {
    const { scale, x, y } = this.view,
      least = 8 / scale;
    const left = x - w / 2 / scale,
      right = x + w / 2 / scale,
      low = y - h / 2 / scale,
      high = y + h / 2 / scale;
    const k = scale / 1000,
      dx = w / 2 - x * scale,
      dy = h / 2 + y * scale;
    for (const patch of this.state.patches) {
      const [bx0, by0, bx1, by1] = patch.box;
      if (this.state.level !== null && patch.level !== this.state.level) continue;
      if (bx1 < left || bx0 > right || by1 < low || by0 > high) continue;
      if (bx1 - bx0 < least && by1 - by0 < least) continue;
      for (const ring of patch.rings) {
        const n = ring.length;
        for (let i = 0; i < n; i += 2) {
          const j = i + 2 < n ? i + 2 : 0;
          this.#line(ring[i] * k + dx, dy - ring[i + 1] * k, ring[j] * k + dx, dy - ring[j + 1] * k, w, h, theme.width);
        }
      }
    }
  }

  #line(x0, y0, x1, y1, w, h, width) {
    if ((x0 < 0 && x1 < 0) || (y0 < 0 && y1 < 0) || (x0 > w && x1 > w) || (y0 > h && y1 > h)) return;
    let from = 0,
      to = 1;
    const dx = x1 - x0,
      dy = y1 - y0;
    for (const [p, q] of [
      [-dx, x0],
      [dx, w - x0],
      [-dy, y0],
      [dy, h - y0],
    ]) {
      if (p < 0) from = Math.max(from, q / p);
      else if (p > 0) to = Math.min(to, q / p);
    }
    const steps = Math.ceil(Math.max(Math.abs(dx), Math.abs(dy)) * (to - from));
    for (let s = 0; s <= steps; s++) {
      const t = from + (to - from) * (steps ? s / steps : 0),
        px = (x0 + dx * t) | 0,
        py = (y0 + dy * t) | 0;
      for (let a = 0; a < width; a++)
        for (let b = 0; b < width; b++) if (px + a < w && py + b < h) this.pixels[(py + b) * w + px + a] = 0xff2c2c2c;
    }
  }

  #paintFrame(c, w, h, theme) {
    const { scale } = this.view;
    c.fillStyle = theme.paper;
    for (const box of [
      [0, 0, w, FRAME],
      [0, h - FRAME, w, FRAME],
      [0, 0, FRAME, h],
      [w - FRAME, 0, FRAME, h],
    ])
      c.fillRect(...box);
    c.strokeStyle = c.fillStyle = theme.ink;
    c.lineWidth = theme.width;
    c.strokeRect(FRAME, FRAME, w - 2 * FRAME, h - 2 * FRAME);
    const step =
      [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500].find((s) => s * scale > 80) || 1000;
    const digits = step < 0.1 ? 2 : step < 1 ? 1 : 0;
    c.font = `${11 + theme.width}px system-ui, sans-serif`;
    c.textAlign = "center";
    c.textBaseline = "middle";
    const [x0, y1] = this.toMap(FRAME, FRAME),
      [x1, y0] = this.toMap(w - FRAME, h - FRAME);
    const xs = [],
      ys = [];
    for (let k = Math.ceil(x0 / step); k * step <= x1; k++) xs.push(k * step);
    for (let k = Math.ceil(y0 / step); k * step <= y1; k++) ys.push(k * step);
    for (const x of xs) {
      const [px] = this.toScreen(x, 0);
      for (const [a, b] of [
        [FRAME, FRAME - 5],
        [h - FRAME, h - FRAME + 5],
      ]) {
        c.beginPath();
        c.moveTo(px, a);
        c.lineTo(px, b);
        c.stroke();
      }
      if (px > 60 && px < w - 78) c.fillText(x.toFixed(digits), px, h - FRAME / 2 + 2);
    }
    for (const y of ys) {
      const [, py] = this.toScreen(0, y);
      for (const [a, b] of [
        [FRAME, FRAME - 5],
        [w - FRAME, w - FRAME + 5],
      ]) {
        c.beginPath();
        c.moveTo(a, py);
        c.lineTo(b, py);
        c.stroke();
      }
      if (py > 78 && py < h - 50) {
        c.save();
        c.translate(FRAME / 2 - 2, py);
        c.rotate(-Math.PI / 2);
        c.fillText(y.toFixed(digits), 0, 0);
        c.restore();
      }
    }
    c.fillText("x, m", w - FRAME - 16, h - FRAME / 2 + 2);
    c.save();
    c.translate(FRAME / 2 - 2, FRAME + 16);
    c.rotate(-Math.PI / 2);
    c.fillText("y, m", 0, 0);
    c.restore();
    this.#paintScaleBar(c, w, step);
  }

  #paintScaleBar(c, w, step) {
    const long = step * this.view.scale,
      words = step >= 1 ? `${step} m` : `${Math.round(step * 100)} cm`;
    const left = w - FRAME - long - 4;
    for (let k = 0; k < 4; k++) {
      c.fillStyle = k % 2 ? this.theme.paper : this.theme.ink;
      c.fillRect(left + (k * long) / 4, 9, long / 4, 7);
      c.strokeRect(left + (k * long) / 4, 9, long / 4, 7);
    }
    c.fillStyle = this.theme.ink;
    c.textAlign = "right";
    c.fillText(words, left - 6, 13);
  }

  // ------------------------------------------------------------------ what a person does

  handle() {
    const { foot, sole } = this.state;
    const toe = Math.max(...foot.outline_m.map((corner) => corner[0]));
    const reach = Math.max(toe + HANDLE_M, toe + 26 / this.view.scale);
    return [sole.x + Math.cos(sole.yaw) * reach, sole.y + Math.sin(sole.yaw) * reach];
  }

  #what(px, py) {
    const [hx, hy] = this.toScreen(...this.handle());
    if (Math.hypot(px - hx, py - hy) < 20) return "turn";
    const { sole, foot } = this.state,
      [mx, my] = this.toMap(px, py);
    const dx = mx - sole.x,
      dy = my - sole.y,
      cos = Math.cos(sole.yaw),
      sin = Math.sin(sole.yaw);
    const lx = cos * dx + sin * dy,
      ly = -sin * dx + cos * dy,
      slack = 10 / this.view.scale;
    const xs = foot.outline_m.map((corner) => corner[0]),
      ys = foot.outline_m.map((corner) => corner[1]);
    const inside =
      lx > Math.min(...xs) - slack &&
      lx < Math.max(...xs) + slack &&
      ly > Math.min(...ys) - slack &&
      ly < Math.max(...ys) + slack;
    return inside ? "sole" : "sheet";
  }

  #listen() {
    const o = this.over;
    o.addEventListener("pointerdown", (event) => this.#down(event));
    o.addEventListener("pointermove", (event) => this.#move(event));
    for (const name of ["pointerup", "pointercancel"]) o.addEventListener(name, (event) => this.#up(event));
    o.addEventListener(
      "wheel",
      (event) => {
        event.preventDefault();
        this.#moves();
        this.zoom(Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0016)), this.#at(event));
      },
      { passive: false },
    );
    o.addEventListener("dblclick", (event) => {
      event.preventDefault();
      this.calls.closed();
    });
  }

  #moves() {
    clearTimeout(this.moving);
    this.moving = setTimeout(() => {
      this.moving = 0;
      this.draw();
    }, 160);
  }

  #at(event) {
    const box = this.over.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  #down(event) {
    if (event.button) return;
    this.over.focus({ preventScroll: true });
    this.over.setPointerCapture(event.pointerId);
    const at = this.#at(event);
    this.pointers.set(event.pointerId, at);
    if (this.pointers.size > 1) {
      this.grab = null;
      return;
    }
    const what = this.state.tool === "look" ? this.#what(...at) : "sheet";
    const [mx, my] = this.toMap(...at),
      { sole } = this.state;
    this.grab = { what, at, last: at, moved: false, dx: sole.x - mx, dy: sole.y - my };
  }

  #move(event) {
    const at = this.#at(event);
    if (!this.pointers.has(event.pointerId)) {
      const what = this.state.tool === "look" ? this.#what(...at) : "draw";
      this.over.style.cursor = { sole: "move", turn: "grab", sheet: "default", draw: "crosshair" }[what];
      return;
    }
    const before = new Map(this.pointers);
    this.pointers.set(event.pointerId, at);
    if (this.pointers.size === 2) {
      this.#pinch(before);
      return;
    }
    const grab = this.grab;
    if (!grab) return;
    if (Math.hypot(at[0] - grab.at[0], at[1] - grab.at[1]) > CLICK_PX) grab.moved = true;
    if (!grab.moved) return;
    this.#moves();
    const [mx, my] = this.toMap(...at);
    if (grab.what === "sole") this.calls.soleTo(mx + grab.dx, my + grab.dy, null);
    else if (grab.what === "turn")
      this.calls.soleTo(null, null, Math.atan2(my - this.state.sole.y, mx - this.state.sole.x));
    else {
      this.view.x -= (at[0] - grab.last[0]) / this.view.scale;
      this.view.y += (at[1] - grab.last[1]) / this.view.scale;
      this.draw();
    }
    grab.last = at;
  }

  #pinch(before) {
    const [a0, b0] = [...before.values()],
      [a1, b1] = [...this.pointers.values()];
    const mid = (a, b) => [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2],
      gap = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);
    this.#moves();
    const m0 = mid(a0, b0),
      m1 = mid(a1, b1);
    this.view.x -= (m1[0] - m0[0]) / this.view.scale;
    this.view.y += (m1[1] - m0[1]) / this.view.scale;
    if (gap(a0, b0) > 1) this.zoom(gap(a1, b1) / gap(a0, b0), m1);
  }

  #up(event) {
    this.pointers.delete(event.pointerId);
    const grab = this.grab;
    this.grab = null;
    if (!grab || grab.moved || event.type === "pointercancel") return;
    const [mx, my] = this.toMap(...grab.at);
    if (this.state.tool === "look") {
      if (grab.what === "sheet") this.calls.soleTo(mx, my, null);
    } else this.calls.corner(mx, my);
  }
}

// Outlines of patches with the box of each, in metres.
export function patchRings(columns) {
  return columns.rings_mm.map((rings, k) => {
    let x0 = Infinity,
      y0 = Infinity,
      x1 = -Infinity,
      y1 = -Infinity;
    for (const ring of rings)
      for (let i = 0; i < ring.length; i += 2) {
        x0 = Math.min(x0, ring[i]);
        x1 = Math.max(x1, ring[i]);
        y0 = Math.min(y0, ring[i + 1]);
        y1 = Math.max(y1, ring[i + 1]);
      }
    return { rings, level: columns.level[k], box: [x0 / 1000, y0 / 1000, x1 / 1000, y1 / 1000] };
  });
}
