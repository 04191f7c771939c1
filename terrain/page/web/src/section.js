// A section: the ground along a line, to scale, with the sole resting on it.

import { FILL, PATTERN, css } from "./palette.js";
import { el, round, svg } from "./dom.js";

const TALL = 210,
  LEFT = 52,
  BOTTOM = 30,
  TOP = 14,
  RIGHT = 14;

export class Section {
  constructor(box, calls) {
    Object.assign(this, { box, calls, profile: null, line: null, at: 0, stretch: 1, answer: null });
  }

  show(line, profile) {
    Object.assign(this, { line, profile, at: profile.length_m / 2, answer: null, levels: null });
    this.box.hidden = false;
    this.#build();
    this.calls.at(this.spot());
  }

  hide() {
    this.profile = this.line = null;
    this.box.hidden = true;
    this.box.replaceChildren();
  }

  spot() {
    const [[ax, ay], [bx, by]] = this.line,
      share = this.at / this.profile.length_m;
    return { x: ax + (bx - ax) * share, y: ay + (by - ay) * share, yaw: Math.atan2(by - ay, bx - ax) };
  }

  judged(answer) {
    this.answer = answer;
    this.#draw();
  }

  #build() {
    const length = this.profile.length_m;
    this.slider = el("input", {
      type: "range",
      min: "0",
      max: String(length),
      step: "0.01",
      value: String(this.at),
      id: "cut-at",
      "aria-label": "Sole along the section, metres from A",
    });
    this.slider.addEventListener("input", () => {
      this.at = Number(this.slider.value);
      this.calls.at(this.spot());
      this.#draw();
    });
    const stretch = el(
      "select",
      { id: "cut-stretch" },
      ...[1, 2, 5, 10].map((n) => el("option", { value: n }, n === 1 ? "true to scale" : `heights \u00d7${n}`)),
    );
    stretch.value = String(this.stretch);
    stretch.addEventListener("change", () => {
      this.stretch = Number(stretch.value);
      this.#draw();
    });
    const close = el("button", { type: "button", onclick: () => this.calls.closed() }, "Close the section");
    this.drawing = el("div", { class: "profile" });
    this.words = el("p", { class: "small", id: "cut-words" });
    this.box.replaceChildren(
      el(
        "div",
        { class: "cutbar" },
        el("strong", {}, `Section A\u2013B, ${round(length, 2)} m`),
        el("label", {}, "Sole at ", this.slider),
        el("label", {}, "Heights ", stretch),
        close,
      ),
      this.drawing,
      this.words,
    );
    this.#draw();
  }

  #draw() {
    const p = this.profile;
    if (!p) return;
    const wide = Math.max(320, this.drawing.clientWidth || 700),
      room = wide - LEFT - RIGHT;
    const zs = p.surface.height_m.concat(
      this.answer && this.answer.contact.has_plane ? this.answer.contact.outline_m.map((c) => c[2]) : [],
    );
    const low = zs.length ? Math.min(...zs) : 0,
      high = zs.length ? Math.max(...zs) : 1;
    const scale = Math.min(
      room / p.length_m,
      (TALL - TOP - BOTTOM) / Math.max(0.12, (high - low) * this.stretch + 0.06),
    );
    const middle = (low + high) / 2,
      x = (s) => LEFT + s * scale,
      y = (z) => TOP + (TALL - TOP - BOTTOM) / 2 - (z - middle) * scale * this.stretch;
    const root = svg("svg", {
      viewBox: `0 0 ${wide} ${TALL}`,
      width: wide,
      height: TALL,
      role: "img",
      "aria-label": this.#spoken(low, high),
    });
    root.append(hatches());
    this.#axes(root, x, y, scale, wide);
    for (let k = 0; k < p.span.sample.length; k++) {
      const a = y(p.span.high_m[k]),
        b = y(p.span.low_m[k]);
      root.append(
        svg("rect", {
          x: x(p.span.sample[k] * p.step_m) - (scale * p.step_m) / 2,
          y: Math.max(TOP, a),
          width: Math.max(1, scale * p.step_m),
          height: Math.max(1, Math.min(b, TALL - BOTTOM) - Math.max(TOP, a)),
          class: "span",
        }),
      );
    }
    for (const run of runs(p)) {
      const up = run.map(([s, z, sd]) => `${x(s)},${y(z + sd)}`),
        down = run.map(([s, z, sd]) => `${x(s)},${y(z - sd)}`).reverse();
      root.append(svg("polygon", { points: [...up, ...down].join(" "), class: "spread" }));
      const body = [
        ...run.map(([s, z]) => `${x(s)},${y(z)}`),
        `${x(run[run.length - 1][0])},${y(run[run.length - 1][1]) + 9}`,
        `${x(run[0][0])},${y(run[0][1]) + 9}`,
      ];
      if (run.length > 1) root.append(svg("polygon", { points: body.join(" "), class: "earth" }));
      root.append(svg("polyline", { points: run.map(([s, z]) => `${x(s)},${y(z)}`).join(" "), class: "ground" }));
    }
    for (const [a, b] of gaps(p))
      root.append(
        svg("rect", {
          x: x(a),
          y: TOP,
          width: Math.max(1, (b - a) * scale),
          height: TALL - TOP - BOTTOM,
          class: "unseen-ground",
        }),
      );
    this.#sole(root, x, y);
    this.drawing.replaceChildren(root);
  }

  #axes(root, x, y, scale, wide) {
    const p = this.profile,
      floor = TALL - BOTTOM;
    root.append(
      svg("rect", { x: LEFT, y: TOP, width: Math.max(1, x(p.length_m) - LEFT), height: floor - TOP, class: "frame" }),
    );
    const steps = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50];
    const along = steps.find((s) => s * scale > 60) || 100,
      up = steps.find((s) => s * scale * this.stretch > 26) || 100;
    for (let k = 0; k * along <= p.length_m + 1e-9; k++)
      root.append(text(x(k * along), floor + 15, `${round(k * along, along < 0.1 ? 2 : along < 1 ? 1 : 0)}`, "middle"));
    root.append(
      text(LEFT + 5, TOP + 13, "A", "start"),
      text(x(p.length_m) - 5, TOP + 13, "B", "end"),
      text(x(p.length_m / 2), TALL - 2, "m along the section", "middle"),
    );
    const z0 = (floor - y(0)) / (scale * this.stretch),
      bottom = -z0,
      top = bottom + (floor - TOP) / (scale * this.stretch);
    for (let k = Math.ceil(bottom / up); k * up <= top; k++) {
      root.append(
        svg("line", { x1: LEFT - 4, x2: LEFT, y1: y(k * up), y2: y(k * up), class: "tick" }),
        text(LEFT - 7, y(k * up) + 4, round(k * up, up < 0.1 ? 2 : up < 1 ? 1 : 0), "end"),
      );
    }
    root.append(text(4, TOP + 2, "m", "start"));
  }

  // The sole as it would rest, seen from the side: its real length on the resting plane.
  #sole(root, x, y) {
    if (!this.answer) return;
    const { contact, verdict } = this.answer,
      spot = this.spot(),
      cos = Math.cos(spot.yaw),
      sin = Math.sin(spot.yaw);
    const along = contact.outline_m.map(([cx, cy, cz]) => [(cx - spot.x) * cos + (cy - spot.y) * sin, cz]);
    const heel = Math.min(...along.map((c) => c[0])),
      toe = Math.max(...along.map((c) => c[0]));
    const mean = (end) => {
      const zs = along.filter((c) => Math.abs(c[0] - end) < 0.02 && c[1] !== null).map((c) => c[1]);
      return zs.length ? zs.reduce((a, b) => a + b) / zs.length : null;
    };
    let [za, zb] = [mean(heel), mean(toe)];
    this.words.textContent =
      `${verdict.label}, pointing from A to B` +
      (contact.has_plane ? `; the sole rests at ${round(verdict.z_m, 3)} m.` : "; there is no plane it would rest on.");
    if (za === null || zb === null) return;
    const points = [
      [heel, za],
      [toe, zb],
      [toe, zb + 0.03 / this.stretch],
      [heel, za + 0.03 / this.stretch],
    ].map(([s, z]) => `${x(this.at + s)},${y(z)}`);
    root.append(
      svg("polygon", {
        points: points.join(" "),
        class: contact.has_plane ? "sole" : "sole none",
        fill: css(FILL[verdict.label]),
      }),
    );
    if (PATTERN[verdict.label])
      root.append(svg("polygon", { points: points.join(" "), fill: `url(#cut-${PATTERN[verdict.label]})` }));
    root.append(
      svg("line", { x1: x(this.at), x2: x(this.at), y1: y(za) - 34, y2: y(verdict.z_m ?? za), class: "load" }),
    );
  }

  #spoken(low, high) {
    return `Ground along the section of ${round(this.profile.length_m, 2)} metres, from ${round(low, 2)} to ${round(high, 2)} metres high`;
  }
}

const text = (x, y, words, anchor) => svg("text", { x, y, "text-anchor": anchor }, document.createTextNode(words));

function hatches() {
  const line = (d) => svg("path", { d, class: "hatch" });
  const make = (id, ...paths) =>
    svg("pattern", { id, width: 8, height: 8, patternUnits: "userSpaceOnUse" }, ...paths.map(line));
  return svg(
    "defs",
    {},
    make("cut-1", "M0 8 L8 0"),
    make("cut-2", "M0 8 L8 0", "M0 0 L8 8"),
    make("cut-3", "M3 4 L5 4"),
  );
}

// Surfaces that go on from sample to sample: lists of [s, z, sd]. A step over 4 cm ends one.
function runs(p) {
  const open = [],
    done = [];
  for (let k = 0; k < p.surface.sample.length; k++) {
    const sample = p.surface.sample[k],
      z = p.surface.height_m[k];
    const spot = [sample * p.step_m, z, p.surface.height_sd_m[k]];
    const at = open.findIndex((run) => sample - run.sample <= 2 && sample > run.sample && Math.abs(run.z - z) < 0.04);
    if (at >= 0) {
      const run = open[at];
      run.spots.push(spot);
      run.sample = sample;
      run.z = z;
    } else open.push({ sample, z, spots: [spot] });
    for (let i = open.length - 1; i >= 0; i--) if (sample - open[i].sample > 2) done.push(...open.splice(i, 1));
  }
  return done.concat(open).map((run) => run.spots);
}

// Stretches without any ground: they were not seen.
function gaps(p) {
  const seen = new Uint8Array(p.samples),
    out = [];
  for (const sample of p.surface.sample) seen[sample] = 1;
  for (let k = 0, start = -1; k <= p.samples; k++) {
    const none = k < p.samples && !seen[k];
    if (none && start < 0) start = k;
    if (!none && start >= 0) {
      if (k - start > 1) out.push([start * p.step_m, (k - 1) * p.step_m]);
      start = -1;
    }
  }
  return out;
}
