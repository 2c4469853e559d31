// SPDX-License-Identifier: GPL-3.0-or-later
// A plan as a person reads it: before a start, and with the run afterwards.

import { h, note, rows, table } from "./dom.mjs";
import { amount, duration, figure, flow, kindWords, units } from "./words.mjs";

function drives(step) {
  if (step.kind === "rest") return "nothing";
  if (step.current_A !== null && step.current_A !== undefined) {
    const current = flow(step.current_A);
    const voltage = step.charge_voltage_V ? `, at most ${figure(step.charge_voltage_V, 2, "V")}` : "";
    return `${current.amount}${voltage}`;
  }
  if (step.power_W) return amount(step.power_W, "W");
  if (step.resistance_ohm) return amount(step.resistance_ohm, "Ω");
  if (step.segments?.length) return step.segments.map((s) => `${flow(s.current_A).amount} for ${duration(s.for_s)}`).join(", ");
  return step.say ?? "";
}

function ends(step) {
  const at = [];
  const add = (value, text) => value !== null && value !== undefined && at.push(text);
  add(step.until_voltage_V, `${figure(step.until_voltage_V, 2, "V")}`);
  add(step.until_current_A, `${amount(Math.abs(step.until_current_A ?? 0), "A")}`);
  add(step.until_drop_V, `a drop of ${figure(step.until_drop_V, 3, "V")}`);
  add(step.until_warming_C_per_min, `warming by ${figure(step.until_warming_C_per_min, 1, "°C/min")}`);
  add(step.until_settled_V_per_h, `settled within ${figure((step.until_settled_V_per_h ?? 0) * 1000, 1, "mV/h")}`);
  add(step.at_most_s, `${duration(step.at_most_s)}${step.at_most_s_is_fault ? " (else a fault)" : ""}`);
  add(step.at_most_Ah, `${amount(step.at_most_Ah, "Ah")}${step.at_most_Ah_is_fault ? " (else a fault)" : ""}`);
  return at.join(", or ");
}

function stepLine(step, number) {
  if (step.kind === "repeat") {
    const r = step.repeat ?? {};
    return [`${number}`, "repeat", `from step ${(r.back_to_step ?? 0) + 1}, at most ${r.times} times`, "", "", "", ""];
  }
  const kind = kindWords[step.kind] ?? step.kind;
  return [`${number}`, step.name && step.name !== step.kind ? `${step.name} (${kind})` : kind, drives(step), ends(step),
    duration(step.expected_s), step.expected_Ah ? amount(step.expected_Ah, "Ah") : "–", step.heat_W ? figure(step.heat_W, 0, "W") : "–"];
}

function limitValue({ value, unit }) {
  if (unit === "s" && value >= 90) return duration(value);
  return figure(value, Math.abs(value) < 10 ? 2 : 1, units(unit ?? ""));
}

export function planSheet(plan) {
  const accepted = plan.acceptance;
  const heat = Math.max(0, ...plan.steps.map((s) => s.heat_W ?? 0));
  return [
    note("bad", "It cannot start like this", plan.problems),
    note("warn", "Think of this", plan.warnings),
    note("warn", "This kind of battery", plan.cautions),
    rows([
      ["takes about", duration(plan.expected_s)],
      ["at the longest", duration(plan.longest_s)],
      ["takes out about", plan.expected_Ah ? `${amount(plan.expected_Ah, "Ah")}, ${amount(plan.expected_Wh, "Wh")}` : null],
      ["puts in about", plan.expected_charged_Ah ? `${amount(plan.expected_charged_Ah, "Ah")}, ${amount(plan.expected_charged_Wh, "Wh")}` : null],
      ["heat in the room", heat > 0 ? `up to ${figure(heat, 0, "W")}` : null],
      ["begins with", plan.starts_full ? "a battery that a person has filled and rested" : null],
      ["passes with", accepted ? `${amount(accepted.capacity_Ah, "Ah")} in ${accepted.step_name ?? "the judged step"}` : null],
      ["voltage is read", plan.stand ? `${plan.stand.voltage_source}` : null],
    ]),
    table("Steps", [{ name: "no." }, { name: "step" }, { name: "drives" }, { name: "ends at" },
      { name: "about", n: true }, { name: "charge", n: true }, { name: "heat", n: true }],
    plan.steps.map((step, i) => stepLine(step, i + 1)), { cards: true }),
    h("details", { open: matchMedia("(min-width: 45rem)").matches },
      h("summary", null, `Limits, ${plan.limits.length} of them, and whose they are`),
      table("Beyond these everything goes off", [{ name: "limit" }, { name: "value", n: true }, { name: "whose it is" }],
        plan.limits.map((l) => [l.name.replaceAll("_", " "), limitValue(l), units(l.source)]), { cards: true })),
  ];
}
