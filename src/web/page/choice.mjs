// SPDX-License-Identifier: GPL-3.0-or-later
// Which batteries and profiles are offered, and which of them first; no page is needed for it.

export function fits(profile, battery) {
  return !profile.problem && battery &&
    (profile.chemistries.length === 0 || profile.chemistries.includes(battery.chemistry));
}

/** The stand that has the battery under test; null: it is free. */
export function atWork(label, stands) {
  return stands.find((s) => s.phase === "running" && s.run?.battery === label)?.name ?? null;
}

/** The free battery tested last at the stand, else the first that is free; null where none is.
 *  runs: newest first. */
export function likelyBattery(batteries, runs, stands, stand) {
  const free = batteries.map((b) => b.label).filter((label) => atWork(label, stands) === null);
  return runs.find((r) => r.stand === stand && free.includes(r.battery))?.battery ?? free[0] ?? null;
}

/** Those that fit: first the ones made for its chemistry, then the ones for any. */
export function fittingFirst(profiles, battery) {
  const isForAny = (p) => p.chemistries.length === 0;
  return profiles.filter((p) => fits(p, battery)).sort((a, b) => isForAny(a) - isForAny(b));
}
