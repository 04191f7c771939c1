// What the colours and patterns of a layer stand for.

import { el, round } from "./dom.js";
import { MEANING, css, rampColour, swatch } from "./palette.js";

// Return the legend of a layer, whose scale has the ends low and high.
export function legendItems(layer, { low, high }) {
  const items = [];
  if (layer.key === "label") {
    for (const word of ["steppable", "marginal", "unsteppable", "unobserved"])
      items.push(el("span", { class: "key" }, swatch(word), el("span", {}, el("b", {}, word), ` ${MEANING[word]}`)));
    items.push(
      el("span", { class: "key small" }, "Drawn for the best of 16 directions: put the sole where you mean it."),
    );
  } else {
    const bar = el("canvas", {
      width: 220,
      height: 18,
      class: "ramp",
      role: "img",
      "aria-label": `${layer.title} from ${round(low, 2)} to ${round(high, 2)} ${layer.unit}`,
    });
    const c = bar.getContext("2d");
    for (let k = 0; k < 220; k++) {
      c.fillStyle = css(rampColour(layer.ramp, k / 219));
      c.fillRect(k, 0, 1, 18);
    }
    for (const mark of layer.marks) {
      const at = (220 * (mark.value - low)) / (high - low);
      c.fillStyle = "#fff";
      c.fillRect(at - 2, 0, 4, 18);
      c.fillStyle = "#000";
      c.fillRect(at - 1, 0, 2, 18);
    }
    const digits = high - low > 20 ? 0 : high - low > 2 ? 1 : 2;
    items.push(
      el("span", { class: "key" }, el("b", {}, `${layer.title}, ${layer.unit}`)),
      el("span", { class: "key" }, round(low, digits), bar, `${round(high, digits)} and more`),
    );
    for (const mark of layer.marks) items.push(el("span", { class: "key" }, `${mark.word} ${mark.value}`));
    if (layer.marks.length === 2)
      items.push(el("span", { class: "key small" }, "strokes: past comfort; crosses: past the limit"));
    if (layer.key === "headroom") items.push(el("span", { class: "key small" }, "crosses: less than needed"));
    if (layer.note) items.push(el("span", { class: "key small" }, layer.note));
    items.push(el("span", { class: "key" }, swatch("unobserved"), "not seen, or no value"));
  }
  return items;
}
