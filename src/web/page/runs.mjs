// SPDX-License-Identifier: GPL-3.0-or-later
// What was recorded: all runs, and one of them.

import { fill, h, note, paperLink, rows, sheet, table, timeOf } from "./dom.mjs";
import { get, Newest, part } from "./api.mjs";
import { Curve } from "./curve.mjs";
import { on } from "./live.mjs";
import { planSheet } from "./plan.mjs";
import { chance, enoughText, enoughWord, verdictReason } from "./verdict.mjs";
import { amount, capacityOf, duration, figure, kindWords, outcomeWords, plain, shareOfRated, units, whole, withUncertainty } from "./words.mjs";

export function verdictText(verdict) {
  return verdict ? h("span", { class: verdict }, { pass: "✓ pass", fail: "✕ fail", undecided: "? undecided" }[verdict] ?? verdict) : "–";
}

/** No verdict is told of a run that was cut short: how it ended stands beside it. */
function verdictOfRun(run) {
  if (run.outcome === "completed") return verdictText(run.verdict);
  const word = enoughWord(run);
  return word ? h("span", { title: `it was cut short; what it had delivered is ${word === "enough" ? "enough for" : "short of"} what is wanted` }, word) : "–";
}

/** ofOne: all of one battery, whose name need not stand in each line. */
export function runTable(caption, runs, ofOne = false) {
  return table(caption, [{ name: "run" }, ...(ofOne ? [] : [{ name: "battery", keep: true }]), { name: "begun", keep: true }, { name: "profile" }, { name: "how it ended", keep: true },
    { name: "capacity", n: true }, { name: "of rated", n: true }, { name: "verdict", keep: true }],
  runs.map((r) => [h("a", { href: `#/runs/${r.number}` }, `${r.number}`),
    ...(ofOne ? [] : [h("a", { href: `#/batteries/${part(r.battery)}` }, r.battery)]), timeOf(r.started_utc, whole(r.started_utc)), r.profile,
    r.outcome === "stopped" ? "stopped" : outcomeWords[r.outcome] ?? r.outcome,
    capacityOf(r),
    shareOfRated(r), verdictOfRun(r)]), { cards: true });
}

export async function runsView() {
  const { runs } = await get("/v1/runs?limit=200");
  return [h("h1", null, "Runs"), runs.length === 0 ? h("p", null, "Nothing was run yet.")
    : sheet(null, runTable(runs.length === 200 ? "The newest 200 runs" : "All runs, newest first", runs))];
}

function judgement(result) {
  return h("p", null, h("strong", null, verdictText(result.verdict)), result.acceptance_Ah
    ? ` against ${amount(result.acceptance_Ah, "Ah")}` : result.verdict ? "" : " (nothing was asked of it)");
}

/** How it ended comes first. */
function cutShort({ outcome, result }) {
  const enough = enoughText(result);
  const more = enough ? `; what it had delivered is ${enough}` : result.acceptance_Ah ? `, before ${amount(result.acceptance_Ah, "Ah")} could be told` : "";
  return h("p", null, h("strong", null, outcomeWords[outcome] ?? outcome), more);
}

function verdictSheet(run) {
  const result = run.result;
  if (!result) return sheet("Result", h("p", null, "Nothing can be said yet."));
  const budget = result.uncertainty?.components?.length > 0 ? result.uncertainty : null;
  if (run.outcome === "running") return sheet("So far", figuresOf(result, false), note("", "Notes", result.notes?.map(units)));
  const reason = verdictReason(result);
  return sheet("Result", run.outcome === "completed" ? judgement(result) : cutShort(run),
    reason && h("p", null, reason), figuresOf(result, true, run.outcome === "completed"), note("", "Notes", result.notes?.map(units)),
    budget && h("details", null, h("summary", null, "Where the uncertainty comes from"), budgetTable(budget)));
}

function known(value) {
  return value !== null && value !== undefined;
}

/** Of what was cut short no verdict is told, so neither is its rule, nor the chance of it. */
function figuresOf(result, hasEnded, isWhole = false) {
  return rows([
    ["capacity delivered", result.capacity_Ah === null ? null
      : `${capacityOf(result)} (k = 2)`],
    ["of rated", result.percent_of_rated === null ? null : shareOfRated(result)],
    ["energy", result.energy_Wh === null ? null : withUncertainty(result.energy_Wh, result.energy_uncertainty_Wh, "Wh")],
    ["mean voltage", result.mean_voltage_V === null ? null : figure(result.mean_voltage_V, 3, "V")],
    ["took", result.duration_s === null ? null : duration(result.duration_s)],
    ["ended by", hasEnded && result.end_reason ? plain(result.end_reason) : null],
    ["decision rule", isWhole && result.decision_rule ? plain(result.decision_rule) : null],
    ["chance that it has it", known(chance(result, isWhole)) ? figure(chance(result, isWhole), 1, "%") : null],
    ["corrected capacity", result.correction?.applied ? `${withUncertainty(result.correction.capacity_Ah, result.correction.capacity_uncertainty_Ah, "Ah")} at ${figure(result.correction.reference_C, 0, "°C")} by ${result.correction.rule}${result.correction.verified ? "" : " (unverified)"}` : null],
    ["DC resistance", !known(result.resistance_mOhm) ? null
      : withUncertainty(result.resistance_mOhm, result.resistance_uncertainty_mOhm, "mΩ")],
    ["charged, discharged", result.charged_Ah || result.discharged_Ah
      ? `${amount(result.charged_Ah, "Ah")}, ${amount(result.discharged_Ah, "Ah")}` : null],
    ["greatest temperature", !known(result.temperature_max_C) ? null : figure(result.temperature_max_C, 1, "°C")],
  ]);
}

function budgetTable(budget) {
  return table("Standard uncertainties of the capacity", [{ name: "from" }, { name: "how" }, { name: "Ah", n: true }],
    budget.components.map((c) => [plain(c.name), c.how, c.standard_Ah === null ? "not known" : figure(c.standard_Ah, 4)]));
}

function stepsTable(run) {
  const results = new Map((run.result?.steps ?? []).map((s) => [s.step, s]));
  const several = run.steps.some((s) => s.round > 1);
  return table("Steps as carried out", [{ name: "no." }, { name: "step" }, ...(several ? [{ name: "round", n: true }] : []), { name: "took", n: true },
    { name: "ended by" }, { name: "charge", n: true }, { name: "energy", n: true }, { name: "resistance", n: true }, { name: "warmest", n: true }],
  run.steps.map((s) => {
    const r = results.get(s.step) ?? {};
    return [`${s.step + 1}`, s.name && s.name !== s.kind ? `${s.name} (${kindWords[s.kind] ?? s.kind})` : kindWords[s.kind] ?? s.kind,
      ...(several ? [`${s.round}`] : []),
      s.end_s === null ? "going on" : duration(s.end_s - s.start_s), plain(s.ended_by),
      amount(r.capacity_Ah, "Ah"), amount(r.energy_Wh, "Wh"), amount(r.resistance_mOhm, "mΩ"), figure(r.temperature_max_C, 1, "°C")];
  }), { cards: true });
}

function details(run) {
  return [
    h("p", null, h("a", { href: `#/batteries/${part(run.battery)}` }, run.battery), ` ${run.imported ? `from ${run.imported.file}` : `at ${run.stand}`}, ${run.profile}, `,
      "begun ", timeOf(run.started_utc, whole(run.started_utc)), ", ", h("strong", null, outcomeWords[run.outcome] ?? run.outcome),
      run.ended_utc ? [" ", timeOf(run.ended_utc, whole(run.ended_utc))] : ""),
    run.trip && note("bad", "Tripped", [units(run.trip.sentence)]),
    h("div", { class: "buttons buttons-above" }, paperLink(`/v1/runs/${run.number}/report`),
      h("a", { class: "button", href: `/v1/runs/${run.number}/samples`, download: `run-${run.number}.csv` }, "All samples as CSV")),
    verdictSheet(run),
  ];
}

function after(run) {
  return [
    sheet(null, stepsTable(run)),
    run.events.length > 0 && sheet(null, table("Events", [{ name: "after" }, { name: "kind" }, { name: "what happened" }],
      run.events.map((e) => [timeOf(e.at, e.t_s === null ? whole(e.at) : duration(e.t_s)), plain(e.kind), units(e.text)]))),
    sheet("How it was measured", rows([
      ["voltage", run.voltage_source], ["lead resistance", run.lead_resistance_ohm ? figure(run.lead_resistance_ohm * 1000, 1, "mΩ") : null],
      ["samples", `${run.samples}`], ["software", run.software_version],
      ...run.instruments.map((i) => [i.role, `${i.identity ?? "–"} by ${i.driver}`]),
    ])),
    run.plan && run.plan.steps && h("details", { class: "sheet" }, h("summary", null, "The plan as agreed"), planSheet(run.plan)),
  ];
}

export async function runView({ rest, untilLeft }) {
  const curve = new Curve(rest[0]);
  const drawn = curve.load().catch((problem) => fill(curve.body, note("bad", "No curve", [problem.message])));
  untilLeft(() => curve.close());
  let run = await get(`/v1/runs/${part(rest[0])}`);
  const above = h("div", null, details(run)), below = h("div", null, after(run));
  curve.measured(run.lead_resistance_ohm);
  curve.mark(run.events);
  const newest = new Newest();
  const again = async () => {
    const answer = await newest.of(get(`/v1/runs/${run.number}`));
    if (!answer) return;
    run = answer;
    fill(above, details(run));
    fill(below, after(run));
    curve.mark(run.events);
  };
  // Its end is seen before it is on record, so it is asked for until it is.
  let wanted = 0, over = false;
  const soon = async (ended) => {
    over = over || ended;
    await again().catch(() => {});
    clearTimeout(wanted);
    if (over && run.outcome === "running") wanted = setTimeout(soon, 700, true);
  };
  untilLeft(on("happening", (kind, data) => {
    if (kind === "missed" || (data.run ?? data.number) === run.number) soon(kind === "run-ended");
  }));
  untilLeft(on("stand", (stand) => {
    const ended = stand.run?.number === run.number && stand.phase !== "running" && run.outcome === "running";
    if (ended && !over) soon(true);
  }));
  untilLeft(() => clearTimeout(wanted));
  if (run.outcome === "running") untilLeft(curve.grow());
  drawn.then(() => setTimeout(() => curve.draw())); // when the view is in its place, and its events are known
  return [h("h1", null, `Run ${run.number}`), above, curve.element, below];
}
