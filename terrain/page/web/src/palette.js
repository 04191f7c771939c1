// Colours and patterns. Labels have the colours of the "light" scheme in P. Tol, "Colour Schemes", SRON technical note
// SRON/EPS/TN/09-002, made to stay distinct for colour-blind readers, and a pattern each, so that grey reads too.
// Numbers are drawn in cividis (Nunez, Anderton, Renslow, PLoS ONE 13(7), 2018) and viridis, as tables of 17 steps.

export const LABELS = ["unobserved", "steppable", "marginal", "unsteppable"];
export const MEANING = {
  steppable: "meets the configured limits",
  marginal: "between comfort and limit: you decide",
  unsteppable: "past a limit",
  unobserved: "not seen, never steppable",
};
export const FILL = { steppable: 0x99ddff, marginal: 0xeedd88, unsteppable: 0xee8866, unobserved: 0xffffff };
export const PATTERN = { steppable: 0, marginal: 1, unsteppable: 2, unobserved: 3 };
export const NONE = 255,
  INFINITE = 254,
  STEPS = 250;
const PERIOD = 90; // the least common multiple of the patterns' periods

const CIVIDIS =
  "00224e002e6a1a386f32436d434e6c535a6d61656f6f70737d7c788c88789b9476aba072bcae6ccdbb63dec958f0d846fee838";
const VIRIDIS =
  "44015448186a472d7b4240863b528b33638d2c728e26828e21918c1fa08828ae803fbc735ec96284d44baddc30d8e219fde725";

function table(hex) {
  const out = [];
  for (let i = 0; i < hex.length; i += 6) out.push(parseInt(hex.slice(i, i + 6), 16));
  return out;
}

const RAMPS = { up: table(VIRIDIS), down: table(CIVIDIS).reverse() };

export function rampColour(ramp, share) {
  const steps = RAMPS[ramp];
  const at = Math.min(Math.max(share, 0), 1) * (steps.length - 1);
  const low = Math.min(Math.floor(at), steps.length - 2),
    part = at - low;
  let colour = 0;
  for (const shift of [16, 8, 0]) {
    const a = (steps[low] >> shift) & 255,
      b = (steps[low + 1] >> shift) & 255;
    colour |= Math.round(a + (b - a) * part) << shift;
  }
  return colour;
}

// Patterns as tables of one period: 1 where there is ink. 1 strokes, 2 crosses, 3 dots.
export function patterns(width) {
  const make = (test) => {
    const out = new Uint8Array(PERIOD * PERIOD);
    for (let v = 0; v < PERIOD; v++) for (let u = 0; u < PERIOD; u++) out[v * PERIOD + u] = test(u, v) ? 1 : 0;
    return out;
  };
  const stroke = (d) => ((d % 10) + 10) % 10 < width;
  return [
    null,
    make((u, v) => stroke(u + v)),
    make((u, v) => stroke(u + v) || stroke(u - v)),
    make((u, v) => v % 9 < 1 + width && (u + 9 * (Math.floor(v / 9) % 2)) % 18 < 1 + width),
  ];
}
export const PATTERN_PERIOD = PERIOD;

const abgr = (rgb) => (255 << 24) | ((rgb & 255) << 16) | (rgb & 0xff00) | (rgb >> 16);

// Colour and pattern of each byte of a layer, for the pixels of a canvas.
export function lookup(layer, scale) {
  const colour = new Uint32Array(256),
    ink = new Uint8Array(256);
  colour.fill(abgr(FILL.unobserved));
  ink.fill(PATTERN.unobserved);
  if (layer.key === "label") {
    LABELS.forEach((word, code) => {
      colour[code] = abgr(FILL[word]);
      ink[code] = PATTERN[word];
    });
    return { colour, ink };
  }
  for (let code = 0; code <= STEPS; code++) {
    colour[code] = abgr(rampColour(layer.ramp, code / STEPS));
    ink[code] = 0;
    const value = scale.low + ((scale.high - scale.low) * code) / STEPS;
    const [first, last] = [layer.marks[0], layer.marks[layer.marks.length - 1]];
    if (layer.marks.length === 2) ink[code] = value > last.value ? 2 : value > first.value ? 1 : 0;
    if (layer.key === "headroom") ink[code] = value < first.value ? 2 : 0;
  }
  colour[INFINITE] = abgr(rampColour(layer.ramp, 1));
  ink[INFINITE] = 0;
  return { colour, ink };
}

export const css = (rgb) => "#" + rgb.toString(16).padStart(6, "0");

// A swatch for legends and verdicts: the label's colour and pattern.
export function swatch(word, width = 44, height = 28, inkWidth = 1) {
  const canvas = document.createElement("canvas");
  canvas.width = width;
  canvas.height = height;
  canvas.className = "swatch";
  canvas.setAttribute("aria-hidden", "true");
  const context = canvas.getContext("2d");
  const image = context.createImageData(width, height);
  const pixels = new Uint32Array(image.data.buffer);
  const table = patterns(inkWidth)[PATTERN[word]];
  for (let y = 0; y < height; y++)
    for (let x = 0; x < width; x++) {
      const inked = table && table[(y % PERIOD) * PERIOD + (x % PERIOD)];
      pixels[y * width + x] = abgr(inked ? 0x333333 : FILL[word]);
    }
  context.putImageData(image, 0, 0);
  return canvas;
}
