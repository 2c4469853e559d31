// SPDX-License-Identifier: GPL-3.0-or-later
// What happens, as it happens: follows /v1/events, keeps the stands as they are now, and
// says so when the daemon is gone or was started anew.

import { get } from "./api.mjs";

const SILENCE_MS = 40000; // the daemon gives a sign of life every 15 s
const AGAIN_MS = 2000;

export const stands = new Map(); // name -> {stand, seen: when it came}
const listeners = { stand: new Set(), happening: new Set(), reload: new Set(), line: new Set() };
let source = null;
let lost = false;
let silence = 0;

/** kind: "stand" (stand), "happening" (kind, data), "reload" (), "line" (text). Returns how to stop. */
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

async function found(anew) {
  if (!lost && !anew) return; // after its greeting the daemon shows all stands by itself
  try {
    await loadStands();
  } catch {
    return; // the next event will tell
  }
  const was = lost;
  lost = false;
  tell("line", anew ? "The daemon was started anew. All that is shown is up to date."
    : was ? "The daemon answers again. All that is shown is up to date." : "");
  setTimeout(() => lost || tell("line", ""), 8000);
  tell("reload");
}

let boot = null; // tells one start of the daemon from the next

function greeted(message, anew) {
  const now = message.lastEventId.split("-")[0];
  anew = anew || (boot !== null && boot !== now);
  if (boot !== now) stands.forEach((entry) => { entry.stand.look = 0; }); // counted anew
  boot = now;
  found(anew);
}

/** A browser keeps six connections to one daemon over all its windows, and each window
 *  that follows holds one: an order that must go out gives this one up meanwhile. */
export function pause() {
  clearTimeout(silence);
  source?.close();
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
