// SPDX-License-Identifier: GPL-3.0-or-later
// What every stand is doing now.

import { ask, h, note, renew, rows } from "./dom.mjs";
import { part, post } from "./api.mjs";
import { ageOf, on, showStand, stands } from "./live.mjs";
import { orderButton } from "./orders.mjs";
import { nextNote } from "./row.mjs";
import { limitsOf, nearestLimit } from "./limits.mjs";
import { amount, duration, figure, flow, kindWords, moment, outcomeWords, stateWords, units } from "./words.mjs";

const OLD_S = 5; // a reading older than this is said to be old
const OFF_A = 0.02; // what an instrument may read while it is off, at least

/** A step without current. */
function isIdle(run) {
  return ["rest", "hold"].includes(run.step_kind);
}

function figures(stand) {
  const { reading } = stand;
  const isDriven = stand.phase === "running" && !isIdle(stand.run);
  // At rest what an instrument reads while it is off is no current.
  const current = flow(reading.current_A, isDriven ? undefined : OFF_A);
  return h("dl", { class: "figures" },
    h("dt", null, "voltage"), h("dd", null, figure(reading.voltage_V, 3, "V")),
    h("dt", null, current.word), h("dd", null, current.amount),
    h("dt", null, "temperature"), h("dd", null, figure(reading.temperature_C, 1, "°C")));
}

/** Where the leads are known, what the battery itself has: limits and ends are judged by it. */
function atBattery({ voltage_V: read, battery_voltage_V: own }) {
  return own === null || Math.abs(own - read) < 0.0005 ? null : figure(own, 3, "V");
}

function limitRows(stand) {
  return rows(limitsOf(stand).map((l) => [`trips at ${l.name}`, l.text]));
}

/** What the step moved so far, against what the plan expects and what the battery is rated. */
function progressOf(run) {
  const moved = run.step_kind === "charge" ? run.charged_Ah : run.discharged_Ah;
  const expected = run.expected_Ah || null, rated = run.rated_Ah || null;
  if (moved === null || isIdle(run) || (expected === null && moved === 0)) return null;
  const text = [`${amount(moved, "Ah")}${expected ? ` of about ${amount(expected, "Ah")}` : ""}`,
    rated && `${figure(100 * moved / rated, 1, "%")} of the rated ${amount(rated, "Ah")}`].filter((t) => t).join(", ");
  return [expected && h("progress", { max: "1", value: Math.min(1, moved / expected), "aria-label": text }),
    h("p", { class: "small" }, text)];
}

function stepText(run) {
  const round = run.rounds > 1 ? `, round ${run.round} of at most ${run.rounds}` : "";
  const name = run.step_name && run.step_name !== run.step_kind ? `${run.step_name} (${kindWords[run.step_kind] ?? run.step_kind})`
    : kindWords[run.step_kind] ?? run.step_kind;
  return `${run.step + 1} of ${run.step_count}: ${name}${round}`;
}

function holdPart(stand) {
  const { hold } = stand.run;
  if (!hold) return null;
  return h("div", { class: "note note-warn" }, h("p", null, h("strong", null, "Waits for you: "), hold.say),
    hold.since_utc && h("p", { class: "small" }, `since ${moment(hold.since_utc)}`),
    h("div", { class: "buttons" }, orderButton("Done: go on", `/v1/stands/${part(stand.name)}/confirm`,
      { class: "main", body: { battery: stand.run.battery } })));
}

function runningPart(stand) {
  const { run } = stand;
  const now = new Date(new Date(run.started_utc).getTime() + run.elapsed_s * 1000);
  return [
    h("p", null, h("a", { href: `#/batteries/${part(run.battery)}` }, run.battery), " on ", run.profile),
    holdPart(stand), figures(stand), progressOf(run),
    rows([
      ["step", stepText(run)],
      ["voltage at the battery", atBattery(stand.reading)],
      ["ends at", run.until_voltage_V === null ? null : figure(run.until_voltage_V, 2, "V")],
      ["time left", run.left_s === null || run.hold ? null : duration(run.left_s)],
      ["over at about", run.expected_end_utc && !run.hold ? moment(run.expected_end_utc, now) : null],
      ["running for", duration(run.elapsed_s)],
      ["nearest limit", nearestLimit(stand)],
    ]),
    h("details", null, h("summary", null, "All limits, and how far away"), limitRows(stand)),
    h("p", null, h("a", { href: `#/runs/${run.number}` }, `Run ${run.number} as a curve`)),
  ];
}

async function clearTrip(name, said) {
  const { stand } = stands.get(name);
  const { trip } = stand;
  if (!trip) return;
  const yes = await ask(`Clear the trip of ${stand.name}?`, [
    h("p", null, h("strong", null, units(trip.sentence))),
    rows([["when", moment(trip.at)]]),
    h("p", null, "Look at the battery first: is it cool, whole, properly connected? Clearing switches nothing on; it allows the next start."),
  ], "I looked: clear it");
  if (!yes) return;
  try {
    showStand(await post(`/v1/stands/${part(stand.name)}/clear`));
  } catch (problem) {
    said.textContent = problem.message;
  }
}

function trippedPart(stand) {
  const said = h("p", { role: "status" });
  return h("div", { class: "note note-bad" }, h("p", null, h("strong", null, "Tripped. "), units(stand.trip.sentence)),
    h("p", { class: "small" }, `at ${moment(stand.trip.at)}; outputs are switched off and stay off`),
    h("div", { class: "buttons" },
      h("button", { type: "button", onclick: () => clearTrip(stand.name, said) }, "Read why, and clear…")), said);
}

function missingPart(stand) {
  return [note("warn", "Not ready", [stand.problem ?? "still being brought up"]),
    rows(stand.instruments.map((i) => [`${i.role} on ${i.link}`, i.problem ?? i.identity ?? "answers"]))];
}

function idlePart(stand) {
  const { run } = stand;
  return [figures(stand),
    run && h("p", null, h("a", { href: `#/runs/${run.number}` }, `Last: run ${run.number}`),
      ` on ${run.battery}, ${outcomeWords[run.outcome] ?? run.outcome}`),
    nextNote(stand),
    h("p", { class: "buttons" }, stand.phase === "idle" && h("a", { class: "button", href: `#/start/${part(stand.name)}` }, "Start a run here"),
      h("a", { class: "button", href: `#/rows/${part(stand.name)}` }, "Arrange its row"))];
}

function content(entry) {
  const { stand } = entry;
  const age = ageOf(entry);
  const [sign, word] = stateWords[stand.phase] ?? ["", stand.phase];
  const old = stand.phase === "running" && age !== null && age > OLD_S;
  return [
    h("div", { class: "sheet-head" }, h("h2", null, stand.name),
      h("span", { class: `state state-${stand.phase}` }, `${sign} ${word}`)),
    stand.output_unconfirmed && note("bad", "An output is not confirmed off", ["Disconnect the battery by hand."]),
    stand.trip && trippedPart(stand),
    old && note("warn", "Old reading", [`the newest one is ${duration(age)} old`]),
    stand.phase === "running" ? runningPart(stand)
      : stand.phase === "idle" || stand.phase === "latched" ? idlePart(stand) : missingPart(stand),
  ];
}

function refresh(card, entry) {
  renew(card, content(entry));
  card.classList.toggle("is-alarm", Boolean(entry.stand.trip) || entry.stand.output_unconfirmed);
}

export function nowView({ untilLeft }) {
  const cards = new Map();
  const grid = h("div", { class: "sheets" });
  const update = (name) => {
    if (!cards.has(name)) {
      cards.set(name, h("section", { class: "sheet", "aria-label": `Stand ${name}` }));
      grid.append(cards.get(name));
    }
    refresh(cards.get(name), stands.get(name));
  };
  [...stands.keys()].forEach(update);
  untilLeft(on("stand", (stand) => update(stand.name)));
  const timer = setInterval(() => {
    for (const [name, entry] of stands) {
      if (entry.stand.phase === "running" && ageOf(entry) > OLD_S) update(name);
    }
  }, 1000);
  untilLeft(() => clearInterval(timer));
  return [h("h1", null, "Stands"),
    stands.size === 0 && h("p", null, "There are no stands yet: the bench file names them."), grid];
}
