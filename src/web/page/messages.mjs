// SPDX-License-Identifier: GPL-3.0-or-later
// Who was told what by the bench file's events, and what did not arrive.

import { fill, h, note, sheet, table, timeOf } from "./dom.mjs";
import { get, Newest } from "./api.mjs";
import { on } from "./live.mjs";
import { count, units, whole } from "./words.mjs";

const LOOK_MS = 5000;
const kindWords = { start: "run begun", hold: "waits for a person", end: "run ended", trip: "trip", alarm: "alarm" };

function outcome(m) {
  return m.ok ? h("span", { class: "pass" }, "✓ sent") : h("span", null, h("span", { class: "fail" }, "✕ not sent"), m.text ? `: ${m.text}` : "");
}

function inShort(m) {
  return [`${kindWords[m.kind] ?? m.kind}${m.stand ? ` at ${m.stand}` : ""}`, m.text].filter((t) => t).join(": ");
}

function content({ told, messages, dropped }) {
  if (told === "nobody") {
    return sheet(null, h("p", null, "Nobody is told anything: the bench file has no “events”. With them, a command or an address hears of trips, alarms, ends and what waits for a person."));
  }
  const failed = messages.filter((m) => !m.ok);
  return [
    dropped > 0 && note("bad", "Given up", [`${count(dropped, "message")}, because too many waited`]),
    failed.length > 0 && note("bad", `${failed.length} of ${messages.length} did not arrive`, [...new Set(failed.map(inShort))].slice(0, 3)),
    sheet(null, messages.length === 0 ? h("p", null, "None was sent since the daemon began.")
      : table("Messages since the daemon began, newest first", [{ name: "when", keep: true }, { name: "about", keep: true }, { name: "stand", keep: true }, { name: "what" }, { name: "sent by" }, { name: "tries", n: true }, { name: "outcome" }],
        messages.map((m) => [timeOf(m.at, whole(m.at)), kindWords[m.kind] ?? m.kind, m.stand ?? "–", m.said ? units(m.said) : "–", m.by === "post" ? "POST" : "command", `${m.tries}`, outcome(m)]), { cards: true }))];
}

export async function messagesView({ untilLeft }) {
  const body = h("div");
  const newest = new Newest();
  let shown = "";
  const load = async () => {
    const answer = await newest.of(get("/v1/messages"));
    if (!answer || JSON.stringify(answer) === shown) return;
    shown = JSON.stringify(answer);
    fill(body, content(answer));
  };
  await load();
  const again = () => document.hidden || load().catch(() => {});
  const timer = setInterval(again, LOOK_MS); // a message is tried for minutes
  untilLeft(() => clearInterval(timer));
  untilLeft(on("happening", again));
  return [h("h1", null, "Messages"), body];
}
