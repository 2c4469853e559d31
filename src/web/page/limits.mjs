// SPDX-License-Identifier: GPL-3.0-or-later
// How far a stand's readings are from where they trip; no page is needed for it.

import { figure } from "./words.mjs";

/** All limits that a reading can come to: what it reads, where it trips, how far that is. */
export function limitsOf(stand) {
  const { limits } = stand.run;
  const r = stand.reading;
  const current = r.current_A === null ? null : Math.abs(r.current_A);
  return [
    ["voltage below", r.battery_voltage_V, limits.voltage_min_V, -1, 2, "V"], ["voltage above", r.battery_voltage_V, limits.voltage_max_V, 1, 2, "V"],
    ["current above", current, limits.current_max_A, 1, 2, "A"],
    ["temperature above", r.temperature_C, limits.temperature_max_C, 1, 1, "°C"], ["temperature below", r.temperature_C, limits.temperature_min_C, -1, 1, "°C"],
  ].filter(([, value, limit]) => value !== null && limit !== null && limit !== undefined)
    .map(([name, value, limit, sign, digits, unit]) => ({ name, share: sign * (limit - value) / Math.max(Math.abs(limit), 1),
      text: `${figure(limit, digits, unit)}, ${figure(sign * (limit - value), digits, unit)} away` }));
}

/** What a step moves its battery towards, and what warms it. Current is held by the instrument, and
 *  the voltage leaves the limit behind it: a step does not come to them by its own work. */
const onTheWay = {
  charge: ["voltage above", "temperature above", "temperature below"],
  discharge: ["voltage below", "temperature above", "temperature below"],
};

/** The one that the step is nearest to, of those it can come to; undefined where none is known. */
export function nearestLimit(stand) {
  const met = onTheWay[stand.run.step_kind];
  const [nearest] = limitsOf(stand).filter(({ name }) => !met || met.includes(name)).sort((a, b) => a.share - b.share);
  return nearest && `${nearest.name} ${nearest.text}`;
}
