// Areas that people keep out or accept: the form, the second confirmation, the list with undo.

import { post } from "./net.js";
import { $, el, notice, round, when } from "./dom.js";
import { SHORT, TITLE, shown, worse } from "./verdict.js";

const field = (label, input, note) =>
  el("label", { class: "field" }, el("span", {}, label), input, note ? el("span", { class: "small" }, note) : null);

function signed(why = true) {
  const name = el("input", { name: "name", required: true, maxlength: "80", autocomplete: "name" });
  const reason = el("textarea", { name: "reason", required: why, maxlength: "500", rows: "2" });
  return {
    name,
    reason,
    fields: [
      field(why ? "Why" : "Why (if you like)", reason),
      field("Your name", name, "It stays beside the decision."),
    ],
  };
}

function count(preview) {
  const { labels, placements } = preview;
  if (!placements) return "The area is too small for a trial footing inside.";
  const parts = ["steppable", "marginal", "unsteppable", "unobserved"]
    .filter((word) => labels[word])
    .map((word) => `${labels[word]} ${word}`);
  return `Tried on a grid: ${placements} footings in 4 directions, measured as ${parts.join(", ")}.`;
}

export class Decisions {
  constructor(state, calls) {
    Object.assign(this, { state, calls });
  }

  // Ask for reason and name for an area that was drawn.
  async ask(kind, area) {
    const level = kind === "accept" ? await this.#levelAt(area) : this.state.level;
    const keep = kind === "keep-out";
    const { name, reason, fields } = signed();
    const info = el("p", { class: "small" }, "Trying footings in the area \u2026");
    const which = el(
      "select",
      { name: "level" },
      ...(keep ? [el("option", { value: "" }, "every level")] : []),
      ...this.state.site.levels.map((l) => el("option", { value: l.level }, `level ${l.level}`)),
    );
    which.value = level === null ? "" : String(level);
    const error = el("p", { class: "wrong", role: "alert" });
    const form = el(
      "form",
      {},
      el("h3", { id: "form-title", tabindex: "-1" }, keep ? "Keep this area out" : "Accept this area"),
      el(
        "p",
        { class: "small" },
        keep
          ? "Every footing that touches the area will be unsteppable."
          : "Footings that lie in it as a whole and are marginal will be steppable. What is past a limit stays as it is, and what was not seen always does.",
      ),
      info,
      ...fields,
      field("Counts for", which),
      error,
      el(
        "div",
        { class: "buttons" },
        el("button", { type: "submit", class: "main" }, keep ? "Keep it out" : "Accept it"),
        el("button", { type: "button", onclick: () => this.close() }, "Cancel"),
      ),
    );
    let preview = null;
    const look = async () => {
      try {
        preview = await post("api/overrules/preview", {
          area_m: area,
          level: which.value === "" ? null : Number(which.value),
        });
        info.textContent = count(preview);
      } catch (problem) {
        info.textContent = problem.message;
      }
    };
    let looking = null;
    which.addEventListener("change", () => {
      looking = look();
    });
    this.#onSubmit(form, async () => {
      try {
        const record = await post("api/overrules", {
          map_id: this.state.site.map_id,
          kind,
          area_m: area,
          level: which.value === "" ? null : Number(which.value),
          name: name.value,
          reason: reason.value,
        });
        this.state.draft = [];
        this.calls.decided(record);
        await looking;
        if (!form.isConnected) return; // the person went on to something else
        if (!keep && preview && preview.past_limits.length) this.#askPast(record, preview, name.value);
        else this.close();
      } catch (problem) {
        error.textContent = problem.message;
      }
    });
    this.#open(form);
    looking = look();
    await looking;
  }

  // An acceptance counts for one level: the one shown, or the topmost in the middle of the area.
  async #levelAt(area) {
    if (this.state.level !== null) return this.state.level;
    const mean = (axis) => area.reduce((sum, corner) => sum + corner[axis], 0) / area.length;
    try {
      const { verdict } = await post("api/judge", { x_m: mean(0), y_m: mean(1), yaw_deg: 0 });
      if (this.state.site.levels.some((one) => one.level === verdict.level)) return verdict.level;
    } catch {
      /* the form says it where the level matters */
    }
    return this.state.site.levels[0]?.level ?? 0;
  }

  // The second confirmation: every limit by its name, typed.
  #askPast(record, preview, who) {
    const error = el("p", { class: "wrong", role: "alert" }),
      { name, reason, fields } = signed();
    name.value = who;
    const limits = this.state.site.limits,
      foot = this.state.foot;
    const rows = preview.past_limits.map((past) => {
      const word = SHORT[past.quantity],
        limit =
          past.quantity === "headroom_m"
            ? `${round(foot.clear_height_m, 2)} m needed`
            : `limit ${shown(past.quantity, limits[past.quantity].limit)}`;
      const typed = el("input", {
        autocomplete: "off",
        spellcheck: "false",
        size: "12",
        "aria-label": `Type ${word} to accept ${TITLE[past.quantity]} past its limit`,
      });
      return {
        past,
        word,
        typed,
        row: el(
          "li",
          {},
          el("strong", {}, TITLE[past.quantity]),
          `: ${limit}, here as bad as ${shown(past.quantity, past.worst)} (${past.placements} footings).`,
          el("label", { class: "typed" }, `To accept it type "${word}" `, typed),
        ),
      };
    });
    const form = el(
      "form",
      {},
      el("h3", { id: "form-title", tabindex: "-1" }, `Decision ${record.number} is made. Go past a limit too?`),
      el(
        "p",
        {},
        "Some footings in the area are past a limit and stay unsteppable. You can accept them as well, each limit by its name. A foot there may slip, tip or get caught; leave this empty if in doubt.",
      ),
      el("ul", { class: "limits" }, ...rows.map((one) => one.row)),
      ...fields,
      error,
      el(
        "div",
        { class: "buttons" },
        el("button", { type: "button", class: "main", onclick: () => this.close() }, "Leave them unsteppable"),
        el("button", { type: "submit" }, "Accept past the limits named"),
      ),
    );
    this.#onSubmit(form, async () => {
      const chosen = rows.filter((one) => one.typed.value.trim() !== "");
      const wrong = chosen.find((one) => one.typed.value.trim().toLowerCase() !== one.word);
      if (!chosen.length || wrong) {
        error.textContent = wrong
          ? `Got "${wrong.typed.value}", expected "${wrong.word}" to accept that limit.`
          : "Name at least one limit, or leave them unsteppable.";
        return;
      }
      const past = Object.fromEntries(chosen.map((one) => [one.past.quantity, one.past.worst]));
      try {
        const more = await post(`api/overrules/${record.number}/past-limit`, {
          map_id: this.state.site.map_id,
          past_limits: past,
          confirmed: Object.keys(past),
          name: name.value,
          reason: reason.value,
        });
        if (form.isConnected) this.close();
        this.calls.decided(more);
      } catch (problem) {
        error.textContent = problem.message;
      }
    });
    this.#open(form);
  }

  #askUndo(rule) {
    const error = el("p", { class: "wrong", role: "alert" }),
      { name, reason, fields } = signed(false);
    const form = el(
      "form",
      {},
      el("h3", { id: "form-title", tabindex: "-1" }, `Undo decision ${rule.number}`),
      el("p", { class: "small" }, "The decision stays on record; it only stops to count."),
      ...fields,
      error,
      el(
        "div",
        { class: "buttons" },
        el("button", { type: "submit", class: "main" }, "Undo it"),
        el("button", { type: "button", onclick: () => this.close() }, "Cancel"),
      ),
    );
    this.#onSubmit(form, async () => {
      try {
        const record = await post(`api/overrules/${rule.number}/undo`, { name: name.value, reason: reason.value });
        if (form.isConnected) this.close();
        this.calls.decided(record);
      } catch (problem) {
        error.textContent = problem.message;
      }
    });
    this.#open(form);
  }

  // A second press while the first is on its way must not decide twice.
  #onSubmit(form, work) {
    let busy = false;
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (busy) return;
      busy = true;
      await work();
      busy = false;
    });
  }

  #open(form) {
    const box = $("form");
    box.hidden = false;
    box.replaceChildren(form);
    form.addEventListener("keydown", (event) => {
      if (event.key === "Escape") {
        event.stopPropagation();
        this.close();
      }
    });
    box.scrollIntoView({ block: "nearest" });
    form.querySelector("h3").focus();
  }

  close() {
    this.drop();
    this.calls.closed();
  }

  // Take the form away without changing what the plan is doing.
  drop() {
    $("form").hidden = true;
    $("form").replaceChildren();
  }

  list() {
    const { in_force: rules, lapsed, records } = this.state.decisions;
    const items = rules.map((rule) => this.#item(rule));
    for (const rule of lapsed)
      items.push(
        el(
          "li",
          { class: "lapsed" },
          el(
            "p",
            {},
            el("strong", {}, `${rule.number}. Lapsed: `),
            `accepted by ${rule.name} on an earlier map, ${when(rule.time)}: ${rule.reason}. The ground was measured anew; accept it again if it still holds.`,
          ),
        ),
      );
    const undone = records.filter((r) => r.kind === "undo");
    for (const undo of undone) {
      const of = records.find((r) => r.number === undo.of);
      items.push(
        el(
          "li",
          { class: "undone" },
          el(
            "p",
            {},
            `${undo.of}. ${words(of.kind)} by ${of.name}, undone by ${undo.name}, ${when(undo.time)}${undo.reason ? `: ${undo.reason}` : ""}.`,
          ),
        ),
      );
    }
    if (!items.length) items.push(el("li", { class: "none" }, "Nobody has decided anything on this map yet."));
    $("decisions").replaceChildren(...items);
  }

  // Second confirmations of an acceptance that nobody undid.
  #furthered(rule) {
    const { records } = this.state.decisions,
      undone = new Set(records.filter((r) => r.kind === "undo").map((r) => r.of));
    return records.filter((r) => r.kind === "accept-past-limit" && r.of === rule.number && !undone.has(r.number));
  }

  #item(rule) {
    const earlier =
      rule.kind === "keep-out" &&
      this.state.decisions.records.find((r) => r.number === rule.number)?.map_id !== this.state.site.map_id;
    const past = Object.entries(rule.past_limits)
      .map(([name, value]) => `${TITLE[name]} ${worse(name)} ${shown(name, value)}`)
      .join(", ");
    const buttons = el(
      "div",
      { class: "buttons" },
      el(
        "button",
        { type: "button", onclick: () => this.calls.show(rule), "aria-label": `Show decision ${rule.number}` },
        "Show",
      ),
      el(
        "button",
        { type: "button", onclick: () => this.#askUndo(rule), "aria-label": `Undo decision ${rule.number}` },
        "Undo",
      ),
      ...this.#furthered(rule).map((more) =>
        el(
          "button",
          {
            type: "button",
            onclick: () => this.#askUndo(more),
            "aria-label": `Undo decision ${more.number}, past a limit`,
          },
          `Undo past limits (${more.number})`,
        ),
      ),
    );
    return el(
      "li",
      { class: rule.kind },
      el(
        "p",
        {},
        el("strong", {}, `${rule.number}. ${words(rule.kind)}`),
        ` by ${rule.name}, ${when(rule.time)}${rule.level === null ? ", every level" : `, level ${rule.level}`}${earlier ? ", made on an earlier map" : ""}`,
      ),
      el("p", { class: "reason" }, rule.reason),
      past ? el("p", { class: "wrong" }, `Past limits: ${past}`) : null,
      buttons,
    );
  }
}

const words = (kind) =>
  ({ "keep-out": "Kept out", accept: "Accepted", "accept-past-limit": "Accepted past a limit" })[kind];

export function announce(record, own) {
  if (!own)
    notice(
      `${record.name} made decision ${record.number}: ${record.kind === "undo" ? `undid decision ${record.of}` : words(record.kind).toLowerCase()}.`,
    );
}
