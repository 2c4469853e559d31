// SPDX-License-Identifier: GPL-3.0-or-later
// The rows: which battery comes next at which stand. Added, put in order, taken out, and
// what is asked for confirmed.

import { ask, field, fill, h, note, sheet, table } from "./dom.mjs";
import { get, Newest, part, post } from "./api.mjs";
import { on, showStand, stands } from "./live.mjs";
import { confirmButton } from "./orders.mjs";
import { atWork, fits } from "./choice.mjs";
import { profileOptions } from "./start.mjs";
import { moment, outcomeWords } from "./words.mjs";

const stateWords = { waiting: "waits", asked: "asked for", running: "running", done: "done", dropped: "taken out" };

class Row {
  constructor(stand) {
    this.stand = stand;
    this.said = h("p", { role: "status" });
    this.body = h("div", null, h("p", { class: "faint" }, "One moment…"));
    this.element = sheet(`Row at ${stand}`, this.body, this.said);
    this.path = `/v1/stands/${part(stand)}/queue`;
    this.newest = new Newest();
    this.turn = Promise.resolve();
  }

  async load() {
    const row = await this.newest.of(get(this.path));
    if (row) this.show(row);
  }

  /** One change after the other, each shown as it was answered. */
  send(path, body) {
    const sent = this.turn.catch(() => {}).then(() => post(path, body));
    this.turn = sent.then((row) => {
      const overtaken = this.newest.forget();
      this.show(row);
      if (overtaken) this.load().catch(() => {}); // what it asked for may have been newer
      return row;
    });
    return this.turn;
  }

  async change(what, body, done) {
    this.said.textContent = "";
    try {
      await this.send(`${this.path}/${what}`, body);
      this.said.textContent = done;
    } catch (problem) {
      this.said.textContent = problem.message;
      await this.load().catch(() => {});
    }
  }

  async drop(place) {
    const why = h("input", { maxlength: "100", autocomplete: "off" });
    if (!await ask(`Take ${place.battery} out of the row?`, [h("p", null, "It can be added again at the end."),
      field("Why (may stay empty)", why)], "Take it out")) return;
    await this.change("drop", { id: place.id, ...(why.value ? { reason: why.value } : {}) }, `${place.battery} was taken out.`);
  }

  /** Moving by a button each: works by touch, by keyboard and for those who listen. */
  async move(place, to) {
    await this.change("move", { id: place.id, to }, `${place.battery} is number ${to} now.`);
    const again = this.body.querySelector(`[data-id="${place.id}"] button:not(:disabled)`);
    again?.focus();
  }

  buttons(place, count) {
    const button = (sign, text, disabled, act) => h("button", { type: "button", class: "small-button", "aria-label": text, disabled,
      onclick: act }, sign);
    return h("div", { class: "buttons-tight", "data-id": `${place.id}` },
      button("↑", `${place.battery} earlier`, place.place === 1, () => this.move(place, place.place - 1)),
      button("↓", `${place.battery} later`, place.place === count, () => this.move(place, place.place + 1)),
      button("Take out…", `Take out… ${place.battery}`, false, () => this.drop(place)));
  }

  show(row) {
    const entry = stands.get(this.stand);
    fill(this.body, entry && nextNote(entry.stand),
      row.waiting.length === 0 ? h("p", null, "Nothing waits here.")
        : table(`Waiting at ${this.stand}, in this order`, [{ name: "place" }, { name: "battery" }, { name: "profile" }, { name: "state" }, { name: "change" }],
          row.waiting.map((p) => [`${p.place}`, h("a", { href: `#/batteries/${part(p.battery)}` }, p.battery), p.profile,
            `${stateWords[p.state] ?? p.state}${p.asked_utc ? ` ${moment(p.asked_utc)}` : ""}${p.added_by ? `, added by ${p.added_by}` : ""}`,
            this.buttons(p, row.waiting.length)]), { cards: true }),
      row.before.length > 0 && h("details", null, h("summary", null, `Before: ${row.before.length}`),
        table(`No longer waiting at ${this.stand}, newest first`, [{ name: "battery" }, { name: "profile" }, { name: "what became of it" }, { name: "run" }],
          row.before.map((p) => [p.battery, p.profile, before(p), p.run ? h("a", { href: `#/runs/${p.run}` }, `${p.run}`) : "–"]), { cards: true })));
  }
}

function before(p) {
  if (p.state === "dropped") return `taken out${p.reason ? `: ${p.reason}` : ""}`;
  return `${stateWords[p.state] ?? p.state}${p.outcome && p.state === "done" ? `, ${outcomeWords[p.outcome] ?? p.outcome}` : ""}`;
}

/** What is asked for now, with the button that says it was done. */
export function nextNote(stand) {
  const { next } = stand;
  if (!next || stand.phase === "running") return null;
  const say = next.say ? next.say.replace(/, then: ampledger confirm .*$/, "")
    : next.paused ? "The run before did not end by itself: decide what comes." : null;
  return h("div", { class: `note ${say ? "note-warn" : ""}` }, h("p", null, h("strong", null, "Next: "), `${next.battery} on ${next.profile}`,
    next.waiting > 1 ? `, and ${next.waiting - 1} more` : ""),
  say && h("p", null, say),
  say && stand.phase === "idle" && h("div", { class: "buttons" },
    confirmButton(`${next.battery} is connected: begin`, stand.name, next.battery)));
}

function batteryChoice(b) {
  const at = atWork(b.label, [...stands.values()].map((e) => e.stand));
  return h("label", null, h("input", { type: "checkbox", name: "battery", value: b.label }), b.label, at && ` (at ${at})`);
}

/** One battery, several, or a lot; of those that the profile is for. */
function addForm({ batteries, profiles, lots }, rows, chosenStand) {
  const stand = h("select", null, [...rows.keys()].map((name) => h("option", { value: name }, name)));
  if (rows.has(chosenStand)) stand.value = chosenStand;
  const profile = h("select", null, profileOptions(profiles.filter((p) => !p.problem)));
  const lot = h("select", null, h("option", { value: "" }, "those ticked below"),
    lots.map((l) => h("option", { value: l.name }, `all of lot ${l.name}`)));
  const choices = h("div", { class: "choices" });
  const several = h("fieldset", null, h("legend", null, "Batteries, in the order of their labels"), choices);
  const said = h("p", { role: "status" });
  const showChoices = () => {
    const p = profiles.find((one) => one.name === profile.value);
    const fit = batteries.filter((b) => p && fits(p, b));
    fill(choices, fit.length > 0 ? fit.map(batteryChoice) : h("p", null, "No battery in service is of a kind that this profile is for."));
  };
  profile.addEventListener("change", showChoices);
  lot.addEventListener("change", () => { several.hidden = lot.value !== ""; });
  showChoices();
  return h("form", { class: "sheet", onsubmit: async (event) => {
    event.preventDefault();
    const ticked = [...choices.querySelectorAll("input:checked")].map((box) => box.value);
    if (lot.value === "" && ticked.length === 0) {
      said.textContent = "Tick at least one battery, or choose a lot.";
      return;
    }
    try {
      const to = rows.get(stand.value);
      const row = await to.send(to.path, { profile: profile.value, ...(lot.value === "" ? { batteries: ticked } : { lot: lot.value }) });
      choices.querySelectorAll("input:checked").forEach((box) => { box.checked = false; });
      said.textContent = `${row.waiting.length} wait at ${to.stand} now.`;
    } catch (problem) {
      said.textContent = problem.message;
    }
  } }, h("h2", null, "Add to a row"), h("div", { class: "form" }, field("Stand", stand), field("Profile", profile), field("Which", lot)),
  several, h("div", { class: "buttons" }, h("button", { class: "main" }, "Add to the row")), said);
}

export async function rowsView({ rest, untilLeft }) {
  const [{ batteries }, { profiles }, { lots }] = await Promise.all([get("/v1/batteries"), get("/v1/profiles"), get("/v1/lots")]);
  const rows = new Map([...stands.keys()].map((name) => [name, new Row(name)]));
  await Promise.all([...rows.values()].map((row) => row.load()));
  const known = new Map([...stands].map(([name, { stand }]) => [name, JSON.stringify([stand.next, stand.phase])]));
  untilLeft(on("stand", (stand) => {
    const now = JSON.stringify([stand.next, stand.phase]);
    if (known.get(stand.name) === now || document.querySelector("dialog")) return;
    known.set(stand.name, now);
    rows.get(stand.name)?.load().catch(() => {});
  }));
  const inService = batteries.filter((b) => !b.retired_utc);
  return [h("h1", null, "Rows of batteries"),
    h("p", null, "A stand takes one battery after the other. It asks for each; nothing begins before a person has connected it and said so."),
    inService.length === 0 ? note("warn", "No battery", ["None is registered, or all are retired."])
      : addForm({ batteries: inService, profiles, lots }, rows, rest[0]),
    [...rows.values()].sort((a, b) => (b.stand === rest[0]) - (a.stand === rest[0])).map((row) => row.element)];
}
