// SPDX-License-Identifier: GPL-3.0-or-later
// Set-up, to look at: the daemon, its bench file, drivers and ports.

import { h, note, rows, sheet, table } from "./dom.mjs";
import { get, getIfThere } from "./api.mjs";
import { stands } from "./live.mjs";

function daemonSheet(d) {
  return sheet("The daemon", d.recording === false && note("bad", "It cannot record", [d.recording_problem]),
    d.recording && d.recording_problem && note("warn", "Records wait", [d.recording_problem]),
    rows([["version", d.version], ["bench", d.bench], ["bench file", d.bench_file], ["database", d.database],
      ["socket", d.socket], ["page", d.http], ["time", d.clock_speed === 1 ? "real" : d.clock_speed ? `virtual bench, up to ${d.clock_speed} times faster` : null]]));
}

function instrumentsSheet() {
  const lines = [...stands.values()].flatMap(({ stand }) => stand.instruments.map((i) =>
    [stand.name, i.role, i.driver, i.link, i.problem ?? i.identity ?? "–"]));
  return sheet(null, table("Instruments and what they answer", [{ name: "stand" }, { name: "role" }, { name: "driver" }, { name: "link" },
    { name: "answers" }], lines, { cards: true }));
}

function benchSheet(setup) {
  const file = setup.bench_file;
  return sheet("Bench file",
    file.problem ? note("bad", "The file as it is now has a mistake; the daemon still goes by the one it read", [h("pre", null, file.problem)])
      : file.changed ? note("warn", "Changed since the daemon began", ["It goes by the text it read then; it takes the new one when it is started again."])
        : h("p", null, "As the daemon read it; no mistake."),
    h("details", null, h("summary", null, file.path), h("pre", { tabindex: "0" }, file.text)));
}

function driversSheet(setup) {
  return sheet(null, table("Drivers", [{ name: "file" }, { name: "what for" }, { name: "role" }, { name: "state" }],
    setup.drivers.map((d) => [d.name, d.title ?? "–", d.role ?? "–", d.problem ? h("span", { class: "fail" }, d.problem) : "✓ good"]), { cards: true }));
}

/** What the bench has on a port, by either of its names; null: it is not of the bench. */
function instrumentOn(port) {
  const isOn = (i) => [port.name, port.by_id].includes(i.link.replace(/^[a-z]+:/, ""));
  for (const { stand } of stands.values()) {
    const found = stand.instruments.find(isOn);
    if (found) return `${stand.name}, ${found.role}: ${found.problem ?? found.identity ?? "–"}`;
  }
  return null;
}

function portsSheet(setup) {
  if (setup.ports.length === 0) return sheet("Ports", h("p", null, setup.ports_problem ?? "No serial port is found on this computer."));
  return sheet(null, table("Serial ports found", [{ name: "port" }, { name: "adapter" }, { name: "stable name" }, { name: "what answers" }],
    setup.ports.map((p) => [p.name, [p.manufacturer, p.product ?? p.description, p.serial].filter((t) => t).join(", ") || "–", p.by_id ?? "–",
      instrumentOn(p) ?? "not of this bench: not asked"]), { cards: true }),
  h("p", { class: "small faint" }, "Asking a port who is there writes to it, so only a person does it: ", h("code", null, "ampledger ports --identify")));
}

export async function setupView() {
  const [daemon, setup] = await Promise.all([get("/v1/daemon"), getIfThere("/v1/setup")]);
  return [h("h1", null, "Set-up"), daemonSheet(daemon), instrumentsSheet(),
    setup && [benchSheet(setup), portsSheet(setup), driversSheet(setup)],
    h("p", { class: "faint small" }, "This view changes nothing. The bench file is written by hand; “ampledgerd --check” reads it.")];
}
