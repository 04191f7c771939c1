// Ground that nobody saw and where to stand to see it, and what changed since an earlier pass: lists and marks on the plan.

import { $, el, round } from "./dom.js";
import { getJson, post } from "./net.js";
import { tag } from "./marks.js";

const SPOT = "#6a1c66",
  CHANGE = "#004d40";
const LETTERS = (k) => String.fromCharCode(65 + (k % 26)).repeat(1 + Math.floor(k / 26));

function outline(c, show, rings, colour, dash) {
  c.save();
  c.beginPath();
  for (const ring of rings) {
    ring.forEach(([x, y], k) => {
      const [px, py] = show.toScreen(x, y);
      if (k) c.lineTo(px, py);
      else c.moveTo(px, py);
    });
    c.closePath();
  }
  c.strokeStyle = "#ffffff";
  c.lineWidth = 4 * show.theme.width;
  c.stroke();
  c.strokeStyle = colour;
  c.lineWidth = 2 * show.theme.width;
  c.setLineDash(dash);
  c.stroke();
  c.fillStyle = colour;
  c.globalAlpha = 0.25;
  c.fill("evenodd");
  c.restore();
}

function drawUnseen(found) {
  return (c, show) => {
    for (const spot of found.spots) outline(c, show, spot.rings_m, SPOT, [3, 3]);
    if (found.route_m.length > 1) {
      c.beginPath();
      found.route_m.forEach(([x, y], k) => {
        const [px, py] = show.toScreen(x, y);
        if (k) c.lineTo(px, py);
        else c.moveTo(px, py);
      });
      c.strokeStyle = "#ffffff";
      c.lineWidth = 6;
      c.stroke();
      c.strokeStyle = "#111111";
      c.lineWidth = 3;
      c.stroke();
    }
    for (const spot of found.spots) tag(c, `${spot.number}`, ...show.toScreen(spot.x_m, spot.y_m), show.theme);
    found.stops.forEach((stop, k) => {
      const [px, py] = show.toScreen(stop.x_m, stop.y_m);
      c.fillStyle = "#ffffff";
      c.strokeStyle = SPOT;
      c.lineWidth = 2.5;
      c.beginPath();
      c.arc(px, py, 11, 0, 2 * Math.PI);
      c.fill();
      c.stroke();
      c.fillStyle = "#111111";
      c.font = "700 13px system-ui, sans-serif";
      c.textAlign = "center";
      c.textBaseline = "middle";
      c.fillText(LETTERS(k), px, py + 1);
    });
  };
}

function drawChanges(found) {
  return (c, show) => {
    for (const area of found.areas) outline(c, show, area.rings_m, CHANGE, []);
    for (const area of found.areas) tag(c, `changed ${area.number}`, ...show.toScreen(area.x_m, area.y_m), show.theme);
  };
}

const go = (label, words, act) => el("button", { type: "button", onclick: act, "aria-label": label }, words);

function listUnseen(found, show) {
  if (!found.spots.length) return [el("p", {}, "Nothing that was not seen would join steppable ground here.")];
  const spots = found.spots.map((spot) => {
    const gain =
      spot.gain_m2 > 0 ? `would join ${round(spot.gain_m2, 2)} m\u00b2 of steppable ground` : "would join nothing new";
    const route = spot.route_m > 0 ? `, ${round(spot.route_m, 2)} m of the route` : "";
    const views = spot.viewpoints.length
      ? `Seen from ${spot.viewpoints.map((v) => `${round(v.x_m, 1)}, ${round(v.y_m, 1)} (${Math.round(v.sees * 100)} %)`).join("; ")}.`
      : "No steppable place sees it.";
    return el(
      "li",
      {},
      el("p", {}, el("strong", {}, `${spot.number}. `), `${round(spot.area_m2, 2)} m\u00b2 unseen${route}: ${gain}`),
      el("p", { class: "small" }, views),
      el(
        "div",
        { class: "buttons" },
        go(`Show blind spot ${spot.number}`, "Show", () => show(spot.x_m, spot.y_m)),
      ),
    );
  });
  const stops = found.stops.map((stop, k) =>
    el(
      "li",
      {},
      el(
        "p",
        {},
        el("strong", {}, `${LETTERS(k)}. `),
        `Stand at ${round(stop.x_m, 2)}, ${round(stop.y_m, 2)}: shows `,
        Object.entries(stop.sees)
          .map(([number, share]) => `${number} (${Math.round(share * 100)} %)`)
          .join(", "),
      ),
      el(
        "div",
        { class: "buttons" },
        go(`Show stop ${LETTERS(k)}`, "Show", () => show(stop.x_m, stop.y_m)),
      ),
    ),
  );
  return [
    el("h3", {}, "Stops for the next scan, the best first"),
    stops.length ? el("ol", { class: "decisions" }, ...stops) : el("p", {}, "No steppable place would show any of it."),
    el(
      "p",
      { class: "small" },
      `For a sensor ${round(found.sensor.height_over_ground_m, 2)} m over the ground. ${found.caution}`,
    ),
    el(
      "details",
      { open: found.spots.length < 6 },
      el("summary", {}, `${found.spots.length} blind spots, the most worthwhile first`),
      el("ol", { class: "decisions" }, ...spots),
    ),
  ];
}

function listChanges(found, show) {
  const notes = found.warnings.map((line) => el("p", { class: "wrong" }, line));
  if (!found.areas.length)
    return [
      ...notes,
      el("p", {}, `Nothing changed since ${found.earlier} (${found.earlier_made}) beyond what both leave uncertain.`),
    ];
  const rows = found.areas.map((area) => {
    const by =
      area.height_change_m === null
        ? ""
        : ` by ${round(area.height_change_m * 1000, 0)} mm \u00b1${round((area.height_change_u_m ?? 0) * 1000, 0)}`;
    const lost = area.steppable_lost_m2 > 0 ? `; ${round(area.steppable_lost_m2, 2)} m\u00b2 steppable no more` : "";
    return el(
      "li",
      {},
      el(
        "p",
        {},
        el("strong", {}, `${area.number}. ${area.change}`),
        `${by}, ${round(area.area_m2, 2)} m\u00b2${lost}`,
      ),
      el(
        "div",
        { class: "buttons" },
        go(`Show change ${area.number}`, "Show", () => show(area.x_m, area.y_m)),
      ),
    );
  });
  return [
    ...notes,
    el("p", { class: "small" }, `Against ${found.earlier} (${found.earlier_made}). ${found.caution}`),
    el("ol", { class: "decisions" }, ...rows),
  ];
}

const said = (words) => el("p", { class: "small" }, words);
const failed = (error) => el("p", { class: "wrong" }, error.message);

// Asks for findings, lists them, and hands on how to mark them on the plan. `show` brings a spot into sight.
export class Findings {
  constructor(marked, show) {
    Object.assign(this, { marked, show, found: { unseen: null, changes: null } });
  }

  clear() {
    this.found = { unseen: null, changes: null };
    $("unseen").replaceChildren();
    this.#mark();
  }

  #mark() {
    const { unseen, changes } = this.found;
    this.marked([changes && drawChanges(changes), unseen && drawUnseen(unseen)].filter(Boolean));
  }

  async unseen(route) {
    $("find-unseen").disabled = true;
    $("unseen").replaceChildren(said("Looking along every line of sight \u2026"));
    try {
      this.found.unseen = await post("api/unseen", { route_m: route });
      $("unseen").replaceChildren(...listUnseen(this.found.unseen, this.show));
      this.#mark();
    } catch (error) {
      $("unseen").replaceChildren(failed(error));
    }
    $("find-unseen").disabled = false;
  }

  async changes(hasEarlier) {
    $("changes-box").hidden = !hasEarlier;
    if (!hasEarlier) return;
    $("changes").replaceChildren(said("Comparing the two passes \u2026"));
    try {
      this.found.changes = await getJson("api/changes");
      $("changes").replaceChildren(...listChanges(this.found.changes, this.show));
      this.#mark();
    } catch (error) {
      $("changes").replaceChildren(failed(error));
    }
  }
}
