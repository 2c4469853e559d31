// SPDX-License-Identifier: GPL-3.0-or-later
// Why a verdict is what it is, in one sentence; no page is needed for it.

import { amount, figure, units } from "./words.mjs";

/** The corrected capacity where that is what is judged, else as measured. */
function judged(result) {
  const { correction } = result;
  return correction?.decides && correction.applied && correction.verified ? correction : result;
}

/** In the order in which they withhold the verdict. */
function whyUndecided(result, has, asked) {
  const { correction } = result;
  if (result.faulty) return "The record is of a test that failed.";
  if (correction?.decides && !(correction.applied && correction.verified)) {
    return `The correction asked for (${correction.rule}) cannot be relied on here: ${correction.applied
      ? "it rests on figures from memory" : units(correction.because ?? "it could not be applied")}.`;
  }
  const { capacity_Ah: capacity, capacity_uncertainty_Ah: uncertainty } = judged(result);
  if (uncertainty === null || uncertainty === undefined) return `How uncertain ${has} is, is not known.`;
  if (result.lower_bound && capacity < result.acceptance_Ah) {
    return result.end_reason === "cut-off crossed"
      ? `It fell below its cut-off too early to say, with ${has} of ${asked}: see the notes.`
      : `The record ends before the cut-off, short of ${asked}: there may be more in it than ${has}.`;
  }
  return `The ${asked} wanted lie within the uncertainty of ${has}.`;
}

/** What there is to say of a run that was cut short, of which no verdict is told; null: nothing. */
export function enoughText(result) {
  if (typeof result.enough !== "boolean") return null;
  const decides = judged(result);
  return `${result.enough ? "enough for" : "short of"} the ${amount(result.acceptance_Ah, "Ah")} wanted${
    decides === result ? "" : ` (corrected capacity: ${amount(decides.capacity_Ah, "Ah")})`}`;
}

/** The same in a word, for a list. */
export function enoughWord(result) {
  return { true: "enough", false: "short" }[result.enough] ?? null;
}

/** In percent, that what is wanted is there; null where no verdict is told, and of a bound, which says nothing of it. */
export function chance(result, isWhole) {
  const { conformance_probability: probability, lower_bound: bound } = result;
  return !isWhole || bound || probability === null || probability === undefined ? null : 100 * probability;
}

/** null where nothing was judged. */
export function verdictReason(result) {
  if (!result.verdict || !result.acceptance_Ah) return null;
  if (enoughText(result)) return "A verdict is told only of a run that was completed.";
  const has = amount(judged(result).capacity_Ah, "Ah"), asked = amount(result.acceptance_Ah, "Ah");
  const guard = { "guard-band": "its whole uncertainty", "guard-share": `${figure(result.guard_share_percent, 0, "%")} of its uncertainty` }[result.decision_rule];
  if (result.verdict === "pass") return `${has} is at least ${asked}, ${guard ? `even less ${guard}` : "by the number alone"}.`;
  if (result.verdict === "fail") return `${has} is below ${asked}, ${guard ? `even with ${guard} added` : "by the number alone"}.`;
  return whyUndecided(result, has, asked);
}
