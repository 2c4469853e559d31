// SPDX-License-Identifier: GPL-3.0-or-later
// What happens, as it happens: follows /v1/events, keeps the stands as they are now, and
// says so when the daemon is gone or was started anew.

import { get } from "./api.mjs";

const SILENCE_MS = 40000; // the daemon gives a sign of life every 15 s
const AGAIN_MS = 2000;
const WAY_GIVEN_MS = 1000; // in it an order has a connection of its own

export const stands = new Map(); // name -> {stand, seen: when it came}
const listeners = { stand: new Set(), happening: new Set(), reload: new Set(), line: new Set() };
let source = null;
let lost = false;
let silence = 0;
let gap = false; // something may have happened that was not told

/** kind: "stand" (stand), "happening" (kind, data; kind "missed": ask anew, some were not
 *  told), "reload" (was the daemon started anew), "line" (text). Returns how to stop. */
export function on(kind, listener) {
  listeners[kind].add(listener);
  return () => listeners[kind].delete(listener);
}

function tell(kind, ...what) {
  for (const listener of [...listeners[kind]]) listener(...what);
}

/** Answers and events may overtake each other: what is older than what is shown is not shown. */
function keep(stand) {
  if (stand.look < (stands.get(stand.name)?.stand.look ?? 0)) return;
  stands.set(stand.name, { stand, seen: Date.now() });
  tell("stand", stand);
}

/** An answer that shows a stand is as good as an event. */
export { keep as showStand };

export async function loadStands() {
  const answer = await get("/v1/stands");
  const names = answer.stands.map((stand) => stand.name);
  for (const name of [...stands.keys()]) {
    if (!names.includes(name)) stands.delete(name); // of another bench file
  }
  answer.stands.forEach(keep);
}

function heard() {
  clearTimeout(silence);
  silence = setTimeout(lose, SILENCE_MS, true);
}

/** `closed`: the browser does not try again by itself. */
function lose(closed) {
  if (!lost) {
    lost = true;
    tell("line", "The daemon does not answer. What is shown is old; trying again all the time.");
  }
  clearTimeout(silence);
  if (closed) {
    source.close();
    setTimeout(follow, AGAIN_MS);
  }
}

let asked = 0, startedAnew = false;

/** After a greeting: is what is shown true again? Asked for until it is. */
async function found(anew) {
  startedAnew = startedAnew || anew;
  if (!lost && !startedAnew && !gap) return; // after its greeting the daemon shows all stands by itself
  const mine = ++asked;
  try {
    await loadStands();
  } catch {
    setTimeout(() => mine === asked && found(false), AGAIN_MS);
    return;
  }
  if (mine !== asked) return;
  const [wasLost, wasAnew] = [lost, startedAnew];
  lost = gap = startedAnew = false;
  if (wasAnew || wasLost) {
    tell("line", `${wasAnew ? "The daemon was started anew." : "The daemon answers again."} The stands are shown as they are now.`);
    setTimeout(() => lost || tell("line", ""), 8000);
  }
  if (wasAnew || wasLost) tell("reload", wasAnew);
  else missed();
}

/** What was not told is asked for by whoever shows it. */
export function missed() {
  tell("happening", "missed", {});
}

/** Is the daemon out of reach, so that what is shown is old? */
export function isLost() {
  return lost;
}

let boot = null; // tells one start of the daemon from the next

function greeted(message, anew) {
  const now = message.lastEventId.split("-")[0];
  anew = anew || (boot !== null && boot !== now);
  if (boot !== now) stands.forEach((entry) => { entry.stand.look = 0; }); // counted anew
  boot = now;
  found(anew);
}

let returning = 0;

/** A browser keeps six connections to one daemon over all its windows, and each window
 *  that follows holds one: an order that must go out is given this one, for a moment. */
export function giveWay() {
  clearTimeout(silence);
  clearTimeout(returning);
  gap = true;
  source?.close();
  returning = setTimeout(follow, WAY_GIVEN_MS);
}

export function follow() {
  source?.close();
  source = new EventSource("/v1/events");
  const event = (kind, react) => source.addEventListener(kind, (message) => {
    heard();
    react(message);
  });
  event("hello", (message) => greeted(message, false));
  event("reload", (message) => greeted(message, true));
  event("stand", (message) => keep(JSON.parse(message.data)));
  event("beat", () => {});
  for (const kind of ["run-begun", "run-ended", "event"]) {
    event(kind, (message) => tell("happening", kind, JSON.parse(message.data)));
  }
  source.onerror = () => lose(source.readyState === EventSource.CLOSED);
  heard();
}

/** Seconds since a stand's reading was taken, counted on while nothing comes. */
export function ageOf(entry) {
  const age = entry.stand.reading.age_s;
  return age === null ? null : age + (Date.now() - entry.seen) / 1000;
}
