// The verdict in plain words, with numbers, limits and uncertainty.

import { MEANING, swatch } from "./palette.js";
import { el, round, when } from "./dom.js";

const Q = [
  // name, title, headline where it is not comfortable, factor, digits, unit, more is better
  ["slope_deg", "slope", "Too steep", 1, 1, "\u00b0", false],
  ["roughness_mm", "roughness", "Too rough", 1, 1, " mm", false],
  ["support", "carried", "Too little of the sole is carried", 100, 0, " %", true],
  ["rocking_m", "load to border", "The foot could tip: load to the border of what carries", 1000, 0, " mm", true],
  ["edge_m", "to an edge", "Too close to an edge", 1000, 0, " mm", true],
  ["beside_m", "to what stands up", "Too close to something that stands up", 1000, 0, " mm", true],
  ["observed", "seen", "Too little of it was seen", 100, 0, " %", true],
];
const REASON = {
  slope_deg: "slope",
  roughness_mm: "roughness",
  support: "support",
  rocking_m: "rocking",
  edge_m: "edge",
  beside_m: "beside",
  observed: "unobserved",
};
const OF_REASON = Object.fromEntries(Q.map((q) => [REASON[q[0]], q]));
export const TITLE = {
  slope_deg: "slope",
  roughness_mm: "roughness",
  support: "share of the sole that is carried",
  rocking_m: "load to the border of what carries",
  edge_m: "distance to an edge",
  beside_m: "distance to what stands up",
  headroom_m: "headroom",
};
export const SHORT = {
  slope_deg: "slope",
  roughness_mm: "roughness",
  support: "support",
  rocking_m: "rocking",
  edge_m: "edge",
  beside_m: "beside",
  headroom_m: "headroom",
};

// Edges and what stands up are looked for so far from the sole; at that distance there is none as near.
const SEARCHED_M = 0.1;

// Whether worse values of a quantity are larger or smaller ones.
export const worse = (name) => (name === "slope_deg" || name === "roughness_mm" ? "up to" : "down to");

export function shown(name, value) {
  if (name === "headroom_m") return `${round(value, 2)} m`;
  const q = Q.find((one) => one[0] === name);
  return `${round(value * q[3], q[4])}${q[5]}`;
}

// A standard deviation that would round to nothing gets one digit more, or is shown as a bound: little is not none.
function spreadOf(sd, factor, digits) {
  const plain = round(sd * factor, digits);
  if (Number(plain) !== 0 || sd === 0) return plain;
  return sd * factor >= 0.05 * 10 ** -digits ? round(sd * factor, digits + 1) : `<${round(10 ** -digits, digits)}`;
}

// Nor is ground that is nearly flat rough by nothing.
function valueOf(value, factor, digits) {
  const plain = round(value * factor, digits);
  return Number(plain) === 0 && value > 0 ? `<${round(10 ** -digits, digits)}` : plain;
}

export function headline(verdict, reason) {
  if (reason === "no-ground") return "No ground was found here to stand on";
  if (reason === "headroom") {
    const free = verdict.headroom_m === null ? "something is in the way" : `${round(verdict.headroom_m, 2)} m free`;
    return `Something in the way above: ${free}, ${round(verdict.headroom_needed_m, 2)} m needed`;
  }
  if (reason === "kept-out")
    return verdict.overrule ? `Kept out by ${verdict.overrule.name}: ${verdict.overrule.reason}` : "Kept out";
  const [name, , words, factor, digits, unit, more] = OF_REASON[reason];
  const value = verdict[name],
    limit = verdict.limits[name],
    sd = verdict.sd[name];
  if (value === null)
    return reason === "rocking"
      ? "The foot would tip: no ground on one side of the load"
      : `${words}: it could not be measured`;
  const show = (v) => `${round(v * factor, digits)}${unit}`;
  const spread = sd === null ? "" : ` \u00b1${spreadOf(sd, factor, digits)}${unit}`;
  const comfort = `${more ? "at least" : "up to"} ${show(limit.comfort)} is comfortable`;
  const fine = more ? value >= limit.comfort : value <= limit.comfort,
    past = more ? value < limit.limit : value > limit.limit;
  if (fine)
    return `${capital(TITLE[name] || OF_REASON[reason][1])}: ${show(value)}${spread}, not surely comfortable; ${comfort}`;
  const end = past ? `, the limit is ${show(limit.limit)}` : "";
  if (name === "edge_m" && value < 0) return `The sole reaches ${show(-value)} over an edge,${spread}${end}`;
  if (name === "beside_m" && value < 0)
    return `Something stands up ${show(-value)} inside the sole's outline,${spread}${end}`;
  if (name === "rocking_m" && value < 0)
    return `The foot would tip: the load stands ${show(-value)} outside what carries,${spread}`;
  return `${words}: ${show(value)}${spread}; ${comfort}${end}`;
}

const capital = (text) => text[0].toUpperCase() + text.slice(1);

function isPast(verdict, name, more) {
  const value = verdict[name],
    limit = verdict.limits[name].limit;
  return value !== null && (more ? value < limit : value > limit);
}

export function spoken(verdict) {
  const why = verdict.reasons.map((reason) => headline(verdict, reason)).join(". ");
  return `${capital(verdict.label)}. ${why || MEANING[verdict.label]}.`;
}

export function verdictView(answer, calls) {
  const { verdict, cell, patch } = answer;
  const view = [
    el(
      "div",
      { class: `badge ${verdict.label}` },
      swatch(verdict.label, 56, 56),
      el(
        "div",
        {},
        el("strong", { id: "label-word" }, capital(verdict.label)),
        el(
          "span",
          {},
          verdict.overrule && verdict.label === "steppable" ? "accepted by a person" : MEANING[verdict.label],
        ),
      ),
    ),
  ];
  if (verdict.overrule) view.push(decided(verdict.overrule));
  if (verdict.reasons.length) {
    view.push(
      el(
        "ul",
        { class: "why" },
        ...verdict.reasons.map((reason) =>
          el(
            "li",
            { class: isOut(verdict, reason) ? "past" : "between" },
            el("span", { class: "mark", "aria-hidden": "true" }, isOut(verdict, reason) ? "\u2715" : "\u223c"),
            headline(verdict, reason),
          ),
        ),
      ),
    );
  } else if (verdict.label === "steppable") {
    view.push(el("p", { class: "small" }, "Every quantity is comfortable, its uncertainty included."));
  }
  view.push(numbers(verdict), spot(verdict, cell, patch));
  if (cell && cell.best_yaw_deg !== null) calls.best(cell.best_yaw_deg);
  else calls.best(null);
  return view;
}

function isOut(verdict, reason) {
  if (["no-ground", "headroom", "kept-out"].includes(reason)) return true;
  const q = OF_REASON[reason];
  return verdict[q[0]] === null || isPast(verdict, q[0], q[6]);
}

function decided(rule) {
  const past = Object.entries(rule.past_limits || {})
    .map(([name, value]) => `${TITLE[name]} ${worse(name)} ${shown(name, value)}`)
    .join(", ");
  const others = (rule.past_limits_by || []).map((by) => by.name).join(", ");
  return el(
    "p",
    { class: "decided" },
    el("strong", {}, rule.kind === "keep-out" ? "Kept out" : "Accepted"),
    ` by ${rule.name}, ${when(rule.time)} (decision ${rule.number}): ${rule.reason}. `,
    past ? `Past the limit too: ${past}, confirmed by ${others}. ` : "",
    "Measured: ",
    el("strong", {}, rule.measured_label),
    ".",
  );
}

function numbers(verdict) {
  const rows = Q.map(([name, title, , factor, digits, unit, more]) => {
    const value = verdict[name],
      sd = verdict.sd[name],
      limit = verdict.limits[name];
    const show = (v) => (v === null ? "\u2013" : round(v * factor, digits) + unit);
    const far = (name === "edge_m" || name === "beside_m") && value !== null && value >= SEARCHED_M - 1e-6;
    const number = value === null ? "\u2013" : far ? `\u2265 ${round(value * factor, digits)}` : valueOf(value, factor, digits);
    const measured = value === null ? number : number + unit;
    const bound = value !== null && /^[<\u2265]/.test(number);
    const past = isPast(verdict, name, more),
      open = verdict.reasons.includes(REASON[name]);
    const [mark, state] =
      past || (open && value === null)
        ? ["\u2715", "past the limit"]
        : open
          ? ["\u223c", "you decide"]
          : value === null
            ? ["\u2013", "no value"]
            : ["\u2713", "comfortable"];
    return el(
      "tr",
      { class: past ? "past" : open ? "between" : "" },
      el("th", { scope: "row" }, title),
      el(
        "td",
        {},
        measured,
        el("span", { class: "sd" }, sd === null || value === null || bound ? "" : ` \u00b1${spreadOf(sd, factor, digits)}`),
      ),
      el("td", {}, `${more ? "\u2265" : "\u2264"} ${show(limit.comfort)}`),
      el("td", {}, `${more ? "<" : ">"} ${show(limit.limit)}`),
      el("td", { class: "state" }, el("span", { "aria-hidden": "true" }, mark), el("span", { class: "unseen" }, state)),
    );
  });
  rows.push(
    el(
      "tr",
      { class: verdict.reasons.includes("headroom") ? "past" : "" },
      el("th", { scope: "row" }, "headroom"),
      el("td", {}, head(verdict)),
      el("td", {}, `\u2265 ${round(verdict.headroom_needed_m, 2)} m`),
      el("td", {}, ""),
      el("td", { class: "state" }, ...headroomState(verdict)),
    ),
  );
  return el(
    "div",
    { class: "scroll", tabindex: "0", role: "group", "aria-label": "Numbers" },
    el(
      "table",
      { class: "numbers" },
      el("caption", { class: "unseen" }, "Quantities of this footing with their limits"),
      el(
        "thead",
        {},
        el(
          "tr",
          {},
          ...["quantity", "measured", "comfort", "out", ""].map((word) =>
            word ? el("th", { scope: "col" }, word) : el("td", {}),
          ),
        ),
      ),
      el("tbody", {}, ...rows),
    ),
    el(
      "p",
      { class: "small" },
      `\u00b1 is one standard deviation. A quantity is comfortable only if ${round(verdict.sd_factor, 2)} of them on the worse side still are.`,
    ),
  );
}

function headroomState(verdict) {
  const [mark, words] = verdict.reasons.includes("headroom")
    ? ["\u2715", "past the limit"]
    : head(verdict) === "\u2013"
      ? ["\u2013", "no value"]
      : ["\u2713", "comfortable"];
  return [el("span", { "aria-hidden": "true" }, mark), el("span", { class: "unseen" }, words)];
}

const head = (verdict) =>
  verdict.headroom_free ? "free" : verdict.headroom_m === null ? "\u2013" : `${round(verdict.headroom_m, 2)} m`;

function spot(verdict, cell, patch) {
  const lines = [];
  if (cell) {
    const best =
      cell.best_yaw_deg === null
        ? ""
        : `, ${cell.directions ? "best" : "least bad"} at ${round(cell.best_yaw_deg, 0)}\u00b0`;
    lines.push(
      `As measured, ${cell.directions || "none"} of 16 directions ${cell.directions > 1 ? "are" : "is"} steppable here${best}. Height known to \u00b1${round(cell.height_sd_mm, 1)} mm, ${cell.points} returns in the cell.`,
    );
  }
  if (verdict.z_m !== null)
    lines.push(
      `Resting height at the load ${round(verdict.z_m, 3)} m${verdict.level === null ? "" : `, level ${verdict.level}`}.`,
    );
  if (patch)
    lines.push(
      `On patch ${patch.patch_id} (${patch.label}): ${round(patch.area_m2, 2)} m\u00b2, slope ${round(patch.slope_deg, 1)}\u00b0 \u00b1${spreadOf(patch.slope_sd_deg, 1, 1)}, roughness ${round(patch.roughness_mm, 1)} mm, ${patch.points} returns.`,
    );
  return el("div", { class: "spot" }, ...lines.map((line) => el("p", { class: "small" }, line)));
}
