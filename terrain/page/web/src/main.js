// The page: what it shows, and what a person does with it.

import "./style.css";
import { $, el, notice, round } from "./dom.js";
import { getJson, latest, post } from "./net.js";
import { legendItems } from "./legend.js";
import { Plan, patchRings } from "./plan.js";
import { Section } from "./section.js";
import { Decisions, announce } from "./decisions.js";
import { spoken, verdictView } from "./verdict.js";
import { Findings } from "./findings.js";

const DEG = 180 / Math.PI,
  LISTEN_MS = 1500;

const state = {
  site: null,
  foot: null,
  layer: null,
  level: null,
  scales: new Map(),
  revision: "",
  decisions: { in_force: [], lapsed: [], records: [] },
  patches: null,
  sole: { x: 0, y: 0, yaw: 0 },
  answer: null,
  tool: "look",
  draft: [],
  line: null,
  lineAt: null,
  marked: null,
  marks: [],
  extent: null,
  heights: null,
  view: "plan",
};

const trouble = (error) =>
  notice(
    error.message === "Failed to fetch"
      ? "The page's service does not answer. Is 'terrain page' still running?"
      : error.message,
  );
const plan = new Plan($("base"), $("over"), state, {
  trouble,
  soleTo,
  corner,
  closed: () => {
    if (state.draft.length) finish();
  },
});
const section = new Section($("cut"), {
  at: sectionAt,
  closed: () => {
    section.hide();
    state.line = state.lineAt = null;
    plan.draw();
  },
});
const decisions = new Decisions(state, {
  decided: (record) => {
    own.add(record.number);
    refreshDecisions().catch(trouble);
  },
  closed: () => {
    state.draft = [];
    setTool("look");
  },
  show: (rule) => {
    showArea(rule);
  },
});
const findings = new Findings((marks) => {
  state.marks = marks;
  plan.draw();
}, showSpot);
const own = new Set();
let solid = null;

// ------------------------------------------------------------------ the sole

const judge = latest(async () => {
  const { x, y, yaw } = state.sole;
  const answer = await post("api/judge", { x_m: x, y_m: y, yaw_deg: yaw * DEG, level: state.level });
  state.answer = answer;
  showAnswer();
});

let speaking = 0;
function showAnswer() {
  $("verdict").replaceChildren(
    ...verdictView(state.answer, {
      best: (yaw) => {
        $("best").hidden = yaw === null;
        $("best").dataset.yaw = yaw ?? "";
      },
    }),
  );
  clearTimeout(speaking);
  const words = spoken(state.answer.verdict);
  speaking = setTimeout(() => {
    $("spoken").textContent = words;
  }, 350);
  plan.draw();
  if (solid) solid.sole();
}

function soleTo(x, y, yaw) {
  if (x !== null) state.sole.x = x;
  if (y !== null) state.sole.y = y;
  if (yaw !== null) state.sole.yaw = Math.atan2(Math.sin(yaw), Math.cos(yaw));
  // What carried it before does not count where it is now.
  if (state.answer) state.answer = null;
  for (const [id, value] of [
    ["in-x", round(state.sole.x, 3)],
    ["in-y", round(state.sole.y, 3)],
    ["in-yaw", round(state.sole.yaw * DEG, 1)],
  ])
    if (document.activeElement !== $(id)) $(id).value = value;
  plan.draw();
  judge().catch(trouble);
  remember();
}

let remembering = 0;
function remember() {
  clearTimeout(remembering);
  remembering = setTimeout(() => {
    const { x, y, yaw } = state.sole;
    const words = new URLSearchParams({
      x: round(x, 3),
      y: round(y, 3),
      yaw: round(yaw * DEG, 1),
      show: state.layer.key,
      level: state.level ?? "all",
    });
    history.replaceState(null, "", `#${words}`);
  }, 200);
}

// ------------------------------------------------------------------ layers and levels

async function setLayer(key) {
  const layer = state.site.layers.find((one) => one.key === key) || state.site.layers[0];
  state.layer = layer;
  $("layer").value = layer.key;
  if (!state.scales.has(layer.key)) {
    // Until the scale is there nothing is drawn: the layer before must not pass for this one.
    $("legend").replaceChildren(el("span", { class: "key" }, `Reading: ${layer.title} \u2026`));
    plan.draw();
    const scale = layer.key === "label" ? { low: 0, high: 1 } : await getJson(`api/scale/${layer.key}`);
    state.scales.set(layer.key, scale);
    if (state.layer !== layer) return;
  }
  $("legend").replaceChildren(...legendItems(layer, state.scales.get(layer.key)));
  plan.draw();
  if (solid && state.view === "solid") await solid.refresh();
  remember();
}

async function setLevel(level) {
  state.level = level;
  $("level").value = level === null ? "" : String(level);
  plan.draw();
  if (solid && state.view === "solid") await solid.refresh();
  judge().catch(trouble);
  remember();
}

// ------------------------------------------------------------------ drawing lines and areas

const HINTS = {
  look: "Click the plan to put the sole there; drag it, or its round handle to turn it. Drag the sheet to move it.",
  section: "Set the two ends of the section: click the plan, or move the sole and press Enter.",
  "keep-out": "Set the corners of the area to keep out: click the plan, or move the sole and press Enter.",
  route: "Set the corners of the route: click the plan, or move the sole and press Enter. Then use it.",
  accept: "Set the corners of the area to accept: click the plan, or move the sole and press Enter.",
};

function setTool(tool) {
  if (tool !== "look" && state.view === "solid") setView("plan");
  state.tool = tool;
  state.draft = [];
  for (const button of document.querySelectorAll("[data-tool]"))
    button.setAttribute("aria-pressed", String(button.dataset.tool === tool));
  $("hint").textContent = HINTS[tool];
  $("drawbar").hidden = tool === "look";
  $("draw-square").hidden = tool === "section" || tool === "route";
  $("draw-done").hidden = tool === "section";
  $("draw-done").textContent = tool === "route" ? "Use this route" : "Close the area";
  draftChanged();
}

function draftChanged() {
  const n = state.draft.length;
  $("drawcount").textContent = state.tool === "section" ? `${n} of 2 ends` : `${n} corner${n === 1 ? "" : "s"}`;
  $("draw-back").disabled = n === 0;
  $("draw-done").disabled = n < (state.tool === "route" ? 2 : 3);
  plan.draw();
}

function corner(x, y) {
  const first = state.draft[0];
  if (first && state.tool !== "section" && state.tool !== "route" && state.draft.length > 2) {
    const [ax, ay] = plan.toScreen(...first),
      [bx, by] = plan.toScreen(x, y);
    if (Math.hypot(ax - bx, ay - by) < 12) {
      finish();
      return;
    }
  }
  const last = state.draft[state.draft.length - 1];
  if (last && Math.hypot(last[0] - x, last[1] - y) < 1e-3) return;
  state.draft.push([x, y]);
  draftChanged();
  if (state.tool === "section" && state.draft.length === 2) finish();
}

async function finish() {
  const drawn = state.draft.slice(),
    tool = state.tool;
  if (tool === "section") {
    setTool("look");
    try {
      const profile = await post("api/section", { start_m: drawn[0], end_m: drawn[1] });
      state.line = drawn;
      section.show(drawn, profile);
    } catch (error) {
      trouble(error);
    }
    return;
  }
  if (tool === "route") {
    if (drawn.length < 2) {
      notice("A route needs at least two corners.");
      return;
    }
    setTool("look");
    await findings.unseen(drawn);
    return;
  }
  if (drawn.length < 3) {
    notice("An area needs at least three corners.");
    return;
  }
  $("drawbar").hidden = true;
  await decisions.ask(
    tool,
    drawn.map(([x, y]) => [Number(round(x, 4)), Number(round(y, 4))]),
  );
}

function square() {
  const half = 0.3,
    { x, y, yaw } = state.sole,
    cos = Math.cos(yaw),
    sin = Math.sin(yaw);
  state.draft = [
    [-half, -half],
    [half, -half],
    [half, half],
    [-half, half],
  ].map(([a, b]) => [x + cos * a - sin * b, y + sin * a + cos * b]);
  draftChanged();
}

const sectionJudge = latest(async (spot) => {
  section.judged(await post("api/judge", { x_m: spot.x, y_m: spot.y, yaw_deg: spot.yaw * DEG, level: state.level }));
});

function sectionAt(spot) {
  state.lineAt = [spot.x, spot.y];
  plan.draw();
  sectionJudge(spot).catch(trouble);
}

// ------------------------------------------------------------------ decisions of all browsers

async function refreshDecisions() {
  const now = await getJson("api/overrules");
  if (now.revision === state.revision) return;
  const known = state.decisions.records.length,
    replaced = state.revision.slice(0, 12) !== now.revision.slice(0, 12);
  if (replaced) await openAnew(now.revision);
  state.decisions = now;
  state.revision = now.revision;
  if (!replaced) for (const record of now.records.slice(known)) announce(record, own.has(record.number));
  decisions.list();
  state.patches = patchRings(await getJson("api/patches"));
  plan.draw();
  judge().catch(trouble);
  if (solid && state.view === "solid") solid.refresh().catch(trouble);
}

// The map was replaced while the page was open: nothing that was read of the old one counts.
async function openAnew(revision) {
  notice("The map was replaced; this is the new one.");
  state.revision = revision;
  state.scales.clear();
  plan.tiles.kept.clear();
  findings.clear();
  await openSite();
  if (!state.site.levels.some((one) => one.level === state.level)) state.level = null;
  $("level").value = state.level === null ? "" : String(state.level);
  await setLayer(state.layer.key);
  findings.changes(state.site.has_earlier);
}

function showArea(rule) {
  state.marked = rule.number;
  const xs = rule.area_m.map((p) => p[0]),
    ys = rule.area_m.map((p) => p[1]);
  const wide = Math.max(Math.max(...xs) - Math.min(...xs), Math.max(...ys) - Math.min(...ys), 0.6);
  setView("plan");
  plan.fit([
    ...[Math.min(...xs), Math.min(...ys)].map((v) => v - wide * 0.6),
    ...[Math.max(...xs), Math.max(...ys)].map((v) => v + wide * 0.6),
  ]);
}

// ------------------------------------------------------------------ what was not seen, what changed

function showSpot(x, y) {
  setView("plan");
  plan.centre(x, y, Math.max(plan.view.scale, 260));
}

// ------------------------------------------------------------------ plan and 3D

async function setView(view) {
  state.view = view;
  $("view-plan").setAttribute("aria-pressed", String(view === "plan"));
  $("view-solid").setAttribute("aria-pressed", String(view === "solid"));
  $("base").hidden = $("over").hidden = view !== "plan";
  $("solid").hidden = view !== "solid";
  if (view === "plan") {
    $("hint").textContent = HINTS[state.tool];
    plan.draw();
    return;
  }
  $("hint").textContent =
    "Drag to turn the view, with the right button or two fingers to move it; click the ground to put the sole there.";
  try {
    if (!solid) {
      const { Solid } = await import("./solid.js");
      solid = new Solid($("solid"), state, { soleTo });
    }
    await solid.refresh();
    $("solid").dataset.ready = "yes";
  } catch (error) {
    solid = null;
    $("solid").replaceChildren(
      el(
        "p",
        { class: "wrong" },
        `The 3D view cannot be drawn on this browser (${error.message}). The plan and the sections show the same ground.`,
      ),
    );
  }
}

function setTheme(theme) {
  document.documentElement.dataset.theme = theme;
  try {
    localStorage.setItem("terrain-sheet", theme);
  } catch {
    /* private windows may refuse */
  }
  $("theme").value = theme;
  plan.look = null;
  plan.draw();
  if (solid) solid.draw();
}

// ------------------------------------------------------------------ starting

async function openSite() {
  const site = await getJson("api/site");
  state.site = site;
  state.foot = site.foot;
  $("survey").textContent = site.survey;
  document.title = `${site.survey}: where a foot can stand`;
  $("made").textContent = `judged for the foot "${site.foot.name}"; map made ${String(site.created).slice(0, 10)}`;
  const boxes = site.levels.map((level) => level.extent_m);
  state.extent = boxes.length
    ? [
        Math.min(...boxes.map((b) => b[0])),
        Math.min(...boxes.map((b) => b[1])),
        Math.max(...boxes.map((b) => b[2])),
        Math.max(...boxes.map((b) => b[3])),
      ]
    : [-5, -5, 5, 5];
  const zs = site.levels.flatMap((level) => level.height_m).filter((z) => z !== null);
  state.heights = zs.length ? [Math.min(...zs), Math.max(...zs)] : [0, 1];
  $("layer").replaceChildren(...site.layers.map((layer) => el("option", { value: layer.key }, layer.title)));
  const high = (level) =>
    level.height_m[0] === null ? "" : `, ${round(level.height_m[0], 1)} to ${round(level.height_m[1], 1)} m`;
  $("level").replaceChildren(
    el("option", { value: "" }, "all, seen from above"),
    ...site.levels.map((level) => el("option", { value: level.level }, `level ${level.level}${high(level)}`)),
  );
  $("cautions").replaceChildren(
    ...site.warnings.map((line) => el("li", { class: "wrong" }, line)),
    ...site.cautions.map((line) => el("li", {}, line)),
  );
  if (!site.levels.length) notice("No ground was found in this survey: there is nothing to stand on.");
}

function listen() {
  $("layer").addEventListener("change", () => setLayer($("layer").value).catch(trouble));
  $("level").addEventListener("change", () =>
    setLevel($("level").value === "" ? null : Number($("level").value)).catch(trouble),
  );
  $("theme").addEventListener("change", () => setTheme($("theme").value));
  $("view-plan").addEventListener("click", () => setView("plan"));
  $("view-solid").addEventListener("click", () => setView("solid"));
  for (const button of document.querySelectorAll("[data-tool]"))
    button.addEventListener("click", () => {
      decisions.drop();
      setTool(button.dataset.tool);
    });
  $("zoom-in").addEventListener("click", () => (state.view === "plan" ? plan : solid)?.zoom(1.5));
  $("zoom-out").addEventListener("click", () => (state.view === "plan" ? plan : solid)?.zoom(1 / 1.5));
  $("fit").addEventListener("click", () => (state.view === "plan" ? plan.fit(state.extent) : solid?.home()));
  $("to-sole").addEventListener("click", toSole);
  $("find-unseen").addEventListener("click", () => findings.unseen([]));
  $("draw-corner").addEventListener("click", () => corner(state.sole.x, state.sole.y));
  $("draw-square").addEventListener("click", square);
  $("draw-back").addEventListener("click", () => {
    state.draft.pop();
    draftChanged();
  });
  $("draw-done").addEventListener("click", () => finish());
  $("draw-cancel").addEventListener("click", () => setTool("look"));
  $("go").addEventListener("submit", (event) => {
    event.preventDefault();
    go();
  });
  $("best").addEventListener("click", () => soleTo(null, null, Number($("best").dataset.yaw) / DEG));
  for (const button of document.querySelectorAll("[data-nudge]"))
    button.addEventListener("click", () => {
      const [dx, dy] = button.dataset.nudge.split(",").map(Number);
      soleTo(state.sole.x + dx / 100, state.sole.y + dy / 100, null);
    });
  for (const button of document.querySelectorAll("[data-turn]"))
    button.addEventListener("click", () => soleTo(null, null, state.sole.yaw + Number(button.dataset.turn) / DEG));
  $("over").addEventListener("keydown", onKey);
}

function go() {
  const values = ["in-x", "in-y", "in-yaw"].map((id) => Number($(id).value.trim().replace(",", ".")));
  const typed = ["in-x", "in-y", "in-yaw"].map((id) => $(id).value.trim());
  const bad = ["x", "y", "turn"].map((name, k) => [name, k]).filter(([, k]) => !Number.isFinite(values[k]) || !typed[k]);
  if (bad.length) {
    notice(`${bad.map(([name, k]) => `${name} is "${typed[k]}"`).join(", ")}: expected a number`);
    return;
  }
  notice("");
  soleTo(values[0], values[1], values[2] / DEG);
  if (state.view === "plan") plan.centre(values[0], values[1], null);
}

function toSole() {
  if (state.view === "solid") {
    solid?.toSole();
    return;
  }
  // All of the sole and its handle fit, whichever way it points.
  const reach = Math.max(...state.foot.outline_m.map(([x, y]) => Math.hypot(x, y)));
  const half = Math.min($("over").clientWidth, $("over").clientHeight) / 2;
  const fits = Math.max(200, Math.min(900, (half - 110) / reach));
  plan.centre(state.sole.x, state.sole.y, Math.max(plan.view.scale, fits));
}

function onKey(event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const step = event.shiftKey ? 0.1 : 0.01,
    turn = (event.shiftKey ? 1 : 5) / DEG,
    { x, y, yaw } = state.sole;
  const does = {
    ArrowLeft: () => soleTo(x - step, y, null),
    ArrowRight: () => soleTo(x + step, y, null),
    ArrowUp: () => soleTo(x, y + step, null),
    ArrowDown: () => soleTo(x, y - step, null),
    q: () => soleTo(null, null, yaw + turn),
    e: () => soleTo(null, null, yaw - turn),
    "+": () => plan.zoom(1.25),
    "=": () => plan.zoom(1.25),
    "-": () => plan.zoom(0.8),
    c: toSole,
    Enter: () => {
      if (state.tool !== "look") corner(x, y);
    },
    Backspace: () => {
      state.draft.pop();
      draftChanged();
    },
    f: () => {
      if (state.draft.length) finish();
    },
    Escape: () => {
      if (state.tool !== "look") setTool("look");
    },
  }[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  if (!does) return;
  event.preventDefault();
  does();
  if (event.key.startsWith("Arrow")) keepInSight();
}

function keepInSight() {
  const [px, py] = plan.toScreen(state.sole.x, state.sole.y),
    w = $("over").clientWidth,
    h = $("over").clientHeight;
  if (px < 60 || py < 60 || px > w - 60 || py > h - 60) plan.centre(state.sole.x, state.sole.y, null);
}

async function start() {
  let theme = "paper";
  try {
    theme = localStorage.getItem("terrain-sheet") || theme;
  } catch {
    /* private windows may refuse */
  }
  setTheme(theme);
  listen();
  await openSite();
  const given = new URLSearchParams(location.hash.slice(1)),
    number = (name, otherwise) =>
      given.has(name) && Number.isFinite(Number(given.get(name))) ? Number(given.get(name)) : otherwise;
  const [x0, y0, x1, y1] = state.extent;
  Object.assign(state.sole, {
    x: number("x", (x0 + x1) / 2),
    y: number("y", (y0 + y1) / 2),
    yaw: number("yaw", 0) / DEG,
  });
  state.revision = state.site.revision;
  plan.fit(state.extent);
  const level = state.site.levels.find((one) => String(one.level) === given.get("level"));
  state.level = level ? level.level : null;
  $("level").value = level ? String(level.level) : "";
  await setLayer(given.get("show") || "label");
  plan.fit(state.extent); // again: the legend has taken its room by now
  if (given.has("x")) toSole();
  soleTo(state.sole.x, state.sole.y, null);
  setTool("look");
  state.decisions = await getJson("api/overrules");
  state.revision = state.decisions.revision;
  decisions.list();
  state.patches = patchRings(await getJson("api/patches"));
  plan.draw();
  document.body.dataset.ready = "yes";
  findings.changes(state.site.has_earlier);
  const listenOn = async () => {
    if (!document.hidden) await refreshDecisions().catch(trouble);
    setTimeout(listenOn, LISTEN_MS);
  };
  setTimeout(listenOn, LISTEN_MS);
}

window.terrainPage = { state, plan };
start().catch(trouble);
