// SPDX-License-Identifier: GPL-3.0-or-later
// Figures and times as a person reads them. Unknown is a dash, never 0.

export function figure(value, digits, unit) {
  if (value === null || value === undefined) return "–";
  return value.toFixed(digits).replace("-", "\u2212") + (unit ? "\u00a0" + unit : "");
}

/** Four figures that count: 12.34 Ah, 1.234 Ah, 123.4 Ah. */
export function amount(value, unit) {
  if (value === null || value === undefined) return "–";
  const size = Math.abs(value);
  return figure(value, size >= 1000 ? 0 : size >= 100 ? 1 : size >= 10 ? 2 : 3, unit);
}

/** Two figures that count, of what is small against something else. */
export function small(value, unit) {
  if (value === null || value === undefined) return "–";
  return figure(value, value === 0 ? 0 : Math.min(6, Math.max(0, 1 - Math.floor(Math.log10(Math.abs(value))))), unit);
}

/** Sentences of the daemon write units as plain letters. */
export function units(sentence) {
  return sentence.replaceAll("degC", "°C");
}

/** The begin of a long sentence: what stands before a colon, else before a blank, else what there is room for. */
export function brief(sentence, most) {
  if (sentence.length <= most) return sentence;
  const end = [": ", " "].map((sign) => sentence.lastIndexOf(sign, most)).find((at) => at > most / 3);
  return `${sentence.slice(0, end ?? most)}…`;
}

/** With its uncertainty, rounded alike. */
export function withUncertainty(value, uncertainty, unit) {
  if (value === null || value === undefined) return "–";
  if (uncertainty === null || uncertainty === undefined) return amount(value, unit);
  const digits = uncertainty > 0 ? Math.min(6, Math.max(0, 1 - Math.floor(Math.log10(uncertainty)))) : 3;
  return `${figure(value, digits)} ± ${figure(uncertainty, digits, unit)}`;
}

/** Of a run or a result; one that could have gone on has at least that. */
function bounded(result, text) {
  return result.lower_bound && text !== "–" ? `at least ${text}` : text;
}

export function capacityOf(result) {
  return bounded(result, withUncertainty(result.capacity_Ah, result.capacity_uncertainty_Ah, "Ah"));
}

export function shareOfRated(result) {
  return bounded(result, figure(result.percent_of_rated, 1, "%"));
}

/** Current in words: the sign is for programs. */
export function flow(current, least = 0.0005) {
  if (current === null || current === undefined) return { word: "current unknown", amount: "–" };
  if (Math.abs(current) < least) return { word: "no current", amount: figure(0, 2, "A") };
  return { word: current < 0 ? "discharge" : "charge", amount: amount(Math.abs(current), "A") };
}

export function duration(seconds) {
  if (seconds === null || seconds === undefined) return "–";
  const s = Math.max(0, Math.round(seconds));
  if (s < 90) return `${s} s`;
  const minutes = Math.round(s / 60);
  if (minutes < 90) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  if (hours < 48) return `${hours} h ${minutes % 60} min`;
  return `${Math.floor(hours / 24)} d ${hours % 24} h`;
}

const clock = new Intl.DateTimeFormat(undefined, { hour: "2-digit", minute: "2-digit" });
const day = new Intl.DateTimeFormat(undefined, { weekday: "short", hour: "2-digit", minute: "2-digit" });
const date = new Intl.DateTimeFormat(undefined, { dateStyle: "medium", timeStyle: "short" });
const onlyDay = new Intl.DateTimeFormat(undefined, { dateStyle: "medium" });

/** Which zone all these times are of: "Region/Town, now GMT+1". */
export function zoneText() {
  const { timeZone } = Intl.DateTimeFormat().resolvedOptions();
  const { value } = new Intl.DateTimeFormat("en", { timeZoneName: "shortOffset" }).formatToParts().find((p) => p.type === "timeZoneName");
  return timeZone === "UTC" || timeZone === "Etc/UTC" ? "UTC" : `${timeZone}, now ${value}`;
}

/** Near times as "Thu 06:40", others in full. */
export function moment(utc, from) {
  if (!utc) return "–";
  const at = new Date(utc), base = from ? new Date(from) : new Date();
  if (at.toDateString() === base.toDateString()) return clock.format(at);
  return Math.abs(at - base) < 6 * 86400e3 ? day.format(at) : date.format(at);
}
export function whole(utc) {
  return utc ? date.format(new Date(utc)) : "–";
}
export function dayOf(utc) {
  return utc ? onlyDay.format(new Date(utc)) : "–";
}

export const stateWords = {
  starting: ["◔", "being brought up"], missing: ["✕", "instrument missing"], idle: ["○", "free"],
  running: ["●", "running"], latched: ["▲", "tripped"],
};
export const outcomeWords = {
  running: "running", completed: "completed", stopped: "stopped by a person", tripped: "tripped",
  aborted: "aborted", interrupted: "cut off",
};
export const kindWords = {
  charge: "charge", discharge: "discharge", rest: "rest", pulse: "pulses", hold: "waits for a person",
  repeat: "repeat",
};
export const chemistryWords = {
  "lfp": "lithium iron phosphate (lfp)", "li-ion": "lithium-ion (li-ion)", "lto": "lithium titanate (lto)",
  "sodium-ion": "sodium-ion", "lead-flooded": "lead-acid, flooded", "lead-agm": "lead-acid, AGM",
  "lead-gel": "lead-acid, gel", "nimh": "nickel-metal hydride (nimh)", "nicd": "nickel-cadmium (nicd)",
};

/** "ended_by" and the like: words with hyphens are read without, but for a cut-off. */
export function plain(word) {
  return word ? word.replaceAll("-", " ").replaceAll("cut off", "cut-off") : "–";
}

export function list(words) {
  return words.length < 2 ? words.join("") : `${words.slice(0, -1).join(", ")} and ${words.at(-1)}`;
}

/** "1 result", "2 results" */
export function count(n, one, several = `${one}s`) {
  return `${n} ${n === 1 ? one : several}`;
}
