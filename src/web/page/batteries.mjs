// SPDX-License-Identifier: GPL-3.0-or-later
// The register of batteries, the history of one, and lots.

import { ask, field, fill, h, note, paperLink, rows, sheet, table } from "./dom.mjs";
import { get, getIfThere, part, post } from "./api.mjs";
import { Overlay } from "./overlay.mjs";
import { Trend } from "./trend.mjs";
import { runTable, verdictText } from "./runs.mjs";
import { amount, capacityOf, chemistryWords, count, dayOf, figure, list, shareOfRated, small, withUncertainty } from "./words.mjs";

function registerTable(batteries) {
  return table("Batteries", [{ name: "label" }, { name: "chemistry" }, { name: "cells", n: true },
    { name: "rated", n: true }, { name: "lot" }, { name: "registered" }, { name: "state" }],
  batteries.map((b) => [h("a", { href: `#/batteries/${part(b.label)}` }, b.label), b.chemistry, `${b.cells}`,
    amount(b.rated_Ah, "Ah"), b.lot ? h("a", { href: `#/lots/${part(b.lot)}` }, b.lot) : "–",
    dayOf(b.created_utc), b.retired_utc ? `retired ${dayOf(b.retired_utc)}` : "in service"]), { cards: true });
}

const numbers = ["cells", "rated_Ah", "rated_hours", "rated_cutoff_V", "current_max_A", "charge_current_max_A", "temperature_max_C"];

/** What a record holds, as a form; with the values of `b` where there is one. */
function recordFields(b = {}) {
  const number = (name) => h("input", { type: "number", name, min: "0", step: "any", inputmode: "decimal", value: b[name] ?? "" });
  const text = (name, more) => h("input", { name, autocomplete: "off", value: b[name] ?? "", ...more });
  return h("div", { class: "form" },
    field("Label", text("label", { required: true, maxlength: "63" }), "the one written on it"),
    field("Chemistry", h("select", { name: "chemistry", required: true },
      Object.entries(chemistryWords).map(([value, name]) => h("option", { value, selected: value === b.chemistry }, name)))),
    field("Cells in series", h("input", { type: "number", name: "cells", min: "1", max: "1000", required: true, value: b.cells ?? "" })),
    field("Rated capacity, Ah", number("rated_Ah")),
    field("…over so many hours", number("rated_hours"), "the discharge time that the rating holds for"),
    field("Rated cut-off, V", number("rated_cutoff_V"), "of the whole battery"),
    field("Greatest discharge current, A", number("current_max_A")),
    field("Greatest charge current, A", number("charge_current_max_A")),
    field("Greatest temperature, °C", number("temperature_max_C")),
    field("Lot", text("lot", { maxlength: "63" }), "batteries received or judged together"),
    field("Note", text("note")));
}

/** What was written into the form; what is empty is left out. */
function recordOf(form) {
  return Object.fromEntries([...new FormData(form)].filter(([, value]) => value !== "")
    .map(([key, value]) => [key, numbers.includes(key) ? Number(value) : value]));
}

/** send(record): resolves to the battery as it is then. */
function recordForm(summary, button, b, send) {
  const said = h("p", { role: "status" });
  const form = h("form", { onsubmit: async (event) => {
    event.preventDefault();
    try {
      const made = await send(recordOf(form));
      if (location.hash === `#/batteries/${part(made.label)}`) dispatchEvent(new Event("hashchange"));
      else location.hash = `#/batteries/${part(made.label)}`;
    } catch (problem) {
      said.textContent = problem.message;
    }
  } }, recordFields(b), h("div", { class: "buttons" }, h("button", { class: "main" }, button)), said);
  return h("details", { class: "sheet" }, h("summary", null, summary), form);
}

function addForm() {
  return recordForm("Register a battery", "Register", {}, (record) => post("/v1/batteries", record));
}

/** Only what differs is sent; what was emptied is to be forgotten. */
function correctForm(b) {
  return recordForm("Correct the record", "Correct it", b, (record) => {
    const changed = Object.fromEntries(Object.entries(record).filter(([key, value]) => value !== b[key]));
    const forget = [...numbers, "lot", "note"].filter((key) => b[key] !== null && b[key] !== undefined && !(key in record));
    return post(`/v1/batteries/${part(b.label)}/edit`, { ...changed, ...(forget.length > 0 ? { forget } : {}) });
  });
}

export async function batteriesView() {
  const [{ batteries }, lots] = await Promise.all([get("/v1/batteries"), getIfThere("/v1/lots")]);
  const add = addForm();
  add.open = batteries.length === 0;
  return [h("h1", null, "Batteries"), add,
    batteries.length === 0 ? h("p", null, "None is registered yet.") : sheet(null, registerTable(batteries)),
    lots && lots.lots.length > 0 && sheet(null, table("Lots", [{ name: "lot" }, { name: "batteries", n: true }, { name: "pass", n: true },
      { name: "fail", n: true }, { name: "undecided", n: true }, { name: "untested", n: true }],
    lots.lots.map((l) => [h("a", { href: `#/lots/${part(l.name)}` }, l.name), `${l.batteries}`,
      ...["pass", "fail", "undecided", "untested"].map((k) => `${l.counts?.[k] ?? 0}`)]), { cards: true }))];
}

function recordRows(b) {
  return rows([
    ["chemistry", chemistryWords[b.chemistry] ?? b.chemistry], ["cells in series", `${b.cells}`],
    ["rated", b.rated_Ah === null ? null : `${amount(b.rated_Ah, "Ah")}${b.rated_hours ? ` over ${figure(b.rated_hours, 1, "h")}` : ""}`],
    ["rated cut-off", b.rated_cutoff_V === null ? null : figure(b.rated_cutoff_V, 2, "V")],
    ["greatest discharge current", b.current_max_A === null ? null : figure(b.current_max_A, 1, "A")],
    ["greatest charge current", b.charge_current_max_A === null ? null : figure(b.charge_current_max_A, 1, "A")],
    ["greatest temperature", b.temperature_max_C === null ? null : figure(b.temperature_max_C, 1, "°C")],
    ["lot", b.lot ? h("a", { href: `#/lots/${part(b.lot)}` }, b.lot) : null],
    ["note", b.note], ["registered", dayOf(b.created_utc)],
    ["retired", b.retired_utc ? dayOf(b.retired_utc) : null],
  ]);
}

function retireButton(battery) {
  const said = h("p", { role: "status" });
  return [h("button", { type: "button", onclick: async () => {
    if (!await ask(`Retire ${battery.label}?`, h("p", null, "It can be tested no more. Its history stays."), "Retire it")) return;
    try {
      await post(`/v1/batteries/${part(battery.label)}/retire`);
      dispatchEvent(new Event("hashchange"));
    } catch (problem) {
      said.textContent = problem.message;
    }
  } }, "Retire…"), said];
}

function newest(runs) {
  const last = runs.find((r) => r.capacity_Ah !== null && !r.lower_bound && r.outcome === "completed");
  return last && h("p", null, "Newest: ", h("strong", null, withUncertainty(last.capacity_Ah, last.capacity_uncertainty_Ah, "Ah")),
    last.percent_of_rated === null ? "" : `, ${figure(last.percent_of_rated, 1, "%")} of rated`, " ", verdictText(last.verdict));
}

export async function batteryView({ rest, untilLeft }) {
  const label = rest[0];
  const battery = await get(`/v1/batteries/${part(label)}`);
  const trend = await getIfThere(`/v1/batteries/${part(label)}/trend`);
  const life = trend && battery.runs.length > 0 ? new Trend(trend) : null;
  const overlay = new Overlay(battery.runs);
  untilLeft(() => life?.close());
  untilLeft(() => overlay.close());
  return [h("h1", null, battery.label),
    sheet("Record", newest(battery.runs), recordRows(battery), h("div", { class: "buttons" },
      !battery.retired_utc && h("a", { class: "button", href: `#/start//${part(label)}` }, "Start a run"),
      battery.runs.length > 0 && paperLink(`/v1/batteries/${part(label)}/report`),
      !battery.retired_utc && retireButton(battery))),
    correctForm(battery),
    life?.element,
    battery.runs.length > 0 ? sheet(null, runTable("Runs, newest first", battery.runs, true)) : h("p", null, "It was not tested yet."),
    overlay.element];
}

export async function lotView({ rest }) {
  const name = rest[0];
  const lot = await getIfThere(`/v1/lots/${part(name)}`);
  const { batteries } = await get("/v1/batteries");
  const members = batteries.filter((b) => b.lot === name);
  if (!lot) {
    return [h("h1", null, `Lot ${name}`), members.length === 0 ? note("warn", "Nothing here", [`No battery is in a lot "${name}".`])
      : sheet(null, registerTable(members))];
  }
  const counts = Object.entries(lot.counts ?? {}).filter(([, n]) => n > 0).map(([word, n]) => `${n} ${word}`);
  return [h("h1", null, `Lot ${name}`),
    sheet("So far", h("p", null, counts.length > 0 ? `${count(lot.batteries.length, "battery", "batteries")}: ${list(counts)}.` : "Nothing yet."), statisticsTable(lot.statistics),
      h("div", { class: "buttons" }, paperLink(`/v1/lots/${part(name)}/report`))),
    sheet(null, table("Batteries of the lot", [{ name: "battery" }, { name: "standing" }, { name: "capacity", n: true },
      { name: "of rated", n: true }, { name: "resistance", n: true }, { name: "run" }],
    lot.batteries.map((b) => [h("a", { href: `#/batteries/${part(b.battery)}` }, b.battery),
      b.standing === "untested" ? "untested" : verdictText(b.standing),
      capacityOf(b),
      shareOfRated(b), amount(b.resistance_mOhm, "mΩ"),
      b.run ? h("a", { href: `#/runs/${b.run}` }, `${b.run}`) : "–"]), { cards: true })),
    lot.statistics?.capacity_Ah?.n > 1 && matchSheet(name)];
}

const statisticsWords = { capacity_Ah: ["capacity", "Ah"], percent_of_rated: ["capacity of rated", "%"], resistance_mOhm: ["DC resistance", "mΩ"] };

/** The lot as a whole: what one battery of it may be expected to be. */
function statisticsTable(statistics) {
  const known = Object.entries(statistics ?? {}).filter(([key, s]) => s && statisticsWords[key]);
  if (known.length === 0) return null;
  const { share, confidence } = known[0][1];
  const inShare = `${figure(100 * share, 0, "%")} of such batteries, with ${figure(100 * confidence, 0, "%")} confidence`;
  return [table("The lot as a whole", [{ name: "what" }, { name: "tested", n: true }, { name: "mean", n: true }, { name: "std. deviation", n: true }, { name: "median", n: true },
    { name: "least", n: true }, { name: "greatest", n: true }, { name: "between (tolerance)", n: true }, { name: "far off" }],
  known.map(([key, s]) => {
    const [name, unit] = statisticsWords[key];
    const a = (v) => amount(v, unit);
    return [name, `${s.n}`, a(s.mean), s.n > 1 ? small(s.deviation, unit) : "–", a(s.median), a(s.min), a(s.max),
      s.between_low === null ? "–" : `${amount(Math.max(0, s.between_low))} to ${a(s.between_high)}`, s.outliers.length > 0 ? list(s.outliers) : "none"];
  }), { cards: true }),
  known.some(([, s]) => s.between_low !== null) ? h("p", { class: "small faint" }, `Tolerance: ${inShare}, if they are distributed normally.`)
    : h("p", { class: "small faint" }, "A tolerance interval needs three tested batteries.")];
}

/** Sets for packs: what goes together, and what that is better than sorting. */
function matchSheet(name) {
  const series = h("input", { type: "number", min: "1", max: "1000", value: "4", required: true });
  const parallel = h("input", { type: "number", min: "1", max: "1000", value: "1", required: true });
  const out = h("div", { "aria-live": "polite" });
  return sheet("Sets that go together", h("form", { onsubmit: async (event) => {
    event.preventDefault();
    try {
      fill(out, matched(await post(`/v1/lots/${part(name)}/match`, { series: Number(series.value), parallel: Number(parallel.value) })));
    } catch (problem) {
      fill(out, note("warn", "No set", [problem.message]));
    }
  } }, h("div", { class: "form" }, field("In series", series), field("In parallel", parallel)),
  h("div", { class: "buttons" }, h("button", null, "Match")), out));
}

function matched(m) {
  return [h("p", null, `Capacities of the groups of a set differ by ${figure(m.matched.capacity_spread_percent, 2, "%")}, by sorting it would be ${figure(m.by_sorting.capacity_spread_percent, 2, "%")}.`),
    table("Sets", [{ name: "set" }, { name: "batteries" }, { name: "capacity", n: true }, { name: "differs by", n: true }],
      m.sets.map((set, i) => [`${i + 1}`, set.groups.map((g) => g.batteries.map((b) => b.battery).join(" ∥ ")).join(" – "), amount(set.capacity_Ah, "Ah"), figure(set.capacity_spread_percent, 2, "%")]), { cards: true }),
    m.spare.length > 0 && h("p", null, `Left over: ${list(m.spare.map((b) => b.battery))}.`)];
}
