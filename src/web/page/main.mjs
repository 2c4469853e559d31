// SPDX-License-Identifier: GPL-3.0-or-later
// The frame around the views: where one is, what is alarming, what can be stopped.

import { fill, h } from "./dom.mjs";
import { get, part, post } from "./api.mjs";
import { follow, giveWay, isLost, loadStands, missed, on, showStand, stands } from "./live.mjs";
import { library } from "./charts.mjs";
import { nowView } from "./now.mjs";
import { batteryView, batteriesView, lotView } from "./batteries.mjs";
import { runView, runsView } from "./runs.mjs";
import { startView } from "./start.mjs";
import { signIn, whoLooks } from "./session.mjs";
import { setupView } from "./setup.mjs";
import { rowsView } from "./row.mjs";
import { messagesView } from "./messages.mjs";
import { brief, units, zoneText } from "./words.mjs";

const ARMED_MS = 5000;
const STOP_WITHIN_MS = 20000;
const RECORDING_MS = 10000;
const views = [
  { path: "now", name: "Stands", show: nowView },
  { path: "start", name: "Start a run", show: startView },
  { path: "rows", name: "Rows", show: rowsView, one: rowsView },
  { path: "runs", name: "Runs", show: runsView, one: runView },
  { path: "batteries", name: "Batteries", show: batteriesView, one: batteryView },
  { path: "lots", show: batteriesView, one: lotView, under: "batteries" },
  { path: "messages", name: "Messages", show: messagesView },
  { path: "setup", name: "Set-up", show: setupView },
];

const main = document.getElementById("view");
let leave = [];
let title = "ampledger";
let filledIn = false; // somebody wrote or chose something in the view
let failed = false; // the view could not be shown

/** What a view starts that must end with it. */
function untilLeft(stop) {
  leave.push(stop);
}

async function show(focus) {
  const [path, ...rest] = location.hash.replace(/^#\//, "").split("/").map(decodeURIComponent);
  const view = views.find((v) => v.path === path) ?? views[0];
  leave.forEach((stop) => stop());
  leave = [];
  filledIn = failed = false;
  document.querySelectorAll("nav a").forEach((a) => {
    if (a.dataset.path === (view.under ?? view.path)) a.setAttribute("aria-current", "page");
    else a.removeAttribute("aria-current");
  });
  const here = h("div", null, h("p", { class: "faint" }, "One moment…"));
  fill(main, here);
  try {
    const build = rest.length > 0 && rest[0] !== "" && view.one ? view.one : view.show;
    const content = await build({ rest, untilLeft });
    if (here.isConnected) fill(main, content);
  } catch (problem) {
    if (!here.isConnected) return;
    failed = true;
    fill(main, h("div", { class: "note note-bad" }, h("p", null, problem.message)));
  }
  showZone();
  title = `${main.querySelector("h1")?.textContent ?? view.name} – ampledger`;
  showAlarms();
  if (focus) {
    main.focus();
    scrollTo(0, 0);
  }
}

/** Summer time begins and ends while the page stays open. */
function showZone() {
  const zone = document.getElementById("zone"), text = `Times are in the zone of this browser: ${zoneText()}.`;
  if (zone.textContent !== text) zone.textContent = text;
}

/** How many wait for a person: told in the title, where it is seen from another window. */
function waiting() {
  return [...stands.values()].filter(({ stand }) => stand.run?.hold || (stand.phase === "idle" && stand.next?.say)).length;
}

function alarmOf(stand) {
  if (stand.output_unconfirmed) {
    return `${stand.name}: an output is not confirmed off. Disconnect the battery by hand.`;
  }
  if (stand.trip) return `${stand.name} tripped: ${brief(units(stand.trip.sentence), 120)}`;
  return null;
}

/** What is wrong with the disk; null: what is measured gets onto it. Set-up tells more. */
let unrecorded = null;
async function lookAtRecording() {
  try {
    const daemon = await get("/v1/daemon");
    document.getElementById("bench-title").textContent = daemon.bench ?? "";
    unrecorded = !daemon.recording_problem ? null
      : daemon.recording ? "Records wait for the disk, which does not take them." : "What is measured cannot be recorded.";
    showAlarms();
  } catch (problem) {
    askAgain(problem); // else the line says that the daemon is gone
  }
}

let shownAlarms = "";
function showAlarms() {
  const alarms = [unrecorded, ...[...stands.values()].map((entry) => alarmOf(entry.stand))].filter((text) => text);
  const n = waiting();
  const ahead = [isLost() && "✕ no answer", alarms.length > 0 && `▲ ${alarms.length} alarm${alarms.length > 1 ? "s" : ""}`,
    alarms.length === 0 && n > 0 && `◔ ${n} wait${n > 1 ? "" : "s"} for you`].filter((text) => text);
  document.title = [...ahead, title].join(" – ");
  document.getElementById("icon").href = alarms.length > 0 || isLost() ? "/page/alarm.svg" : "/page/icon.svg";
  if (alarms.join("\n") === shownAlarms) return; // read out once only
  shownAlarms = alarms.join("\n");
  fill(document.getElementById("alarms"), alarms.map((text) =>
    h("p", null, "▲ ", text, " ", h("a", { href: text === unrecorded ? "#/setup" : "#/now" }, "Go there"))));
}

/** Two touches: the first arms, the second stops. The button stays the same element, so
 *  that it keeps its place and the focus. */
function stopButton(name) {
  const button = h("button", { class: "stop", type: "button" }, `Stop ${name}`);
  let timer = 0;
  const disarm = () => {
    button.classList.remove("armed");
    button.textContent = `Stop ${name}`;
  };
  button.addEventListener("click", async () => {
    if (!button.classList.contains("armed")) {
      button.classList.add("armed");
      button.textContent = `Touch again to stop ${name}`;
      timer = setTimeout(disarm, ARMED_MS);
      return;
    }
    clearTimeout(timer);
    button.disabled = true;
    button.textContent = `Stopping ${name}…`;
    showStopProblem("");
    giveWay();
    try {
      showStand(await post(`/v1/stands/${part(name)}/stop`, {}, STOP_WITHIN_MS));
    } catch (problem) {
      showStopProblem(`That ${name} stopped is not confirmed: ${problem.message} ` +
        "Stop it again, or disconnect the battery by hand.");
    }
    button.disabled = false;
    disarm();
  });
  return button;
}

/** Beside the buttons, which are always in sight; stays until the next try. */
function showStopProblem(text) {
  document.getElementById("stop-problem").textContent = text;
}

const stopButtons = new Map();
function showStops() {
  const bar = document.getElementById("stops");
  const running = [...stands.values()].map((e) => e.stand).filter((s) => s.phase === "running");
  const names = running.map((s) => s.name);
  for (const [name, button] of stopButtons) {
    if (!names.includes(name)) {
      button.remove();
      stopButtons.delete(name);
    }
  }
  for (const name of names) {
    if (!stopButtons.has(name)) {
      stopButtons.set(name, stopButton(name));
      bar.append(stopButtons.get(name));
    }
  }
}

function showLine(text) {
  document.getElementById("line").textContent = text;
  showAlarms(); // the title says too when nothing answers
}

/** Views take in by themselves what they missed; built anew they are only when they must
 *  be, and never under the hands of somebody who fills in a form. */
function afterAGap(anew) {
  if (failed || (anew && !filledIn)) show(false);
  else missed();
}

/** The daemon does not know this browser any more: it asks from the beginning. */
function askAgain(problem) {
  if (problem.status === 401) location.reload();
}

async function begin() {
  const session = await signIn(main);
  fill(document.getElementById("who"), whoLooks(session));
  fill(document.getElementById("nav"), views.filter((v) => v.name).map((v) =>
    h("li", null, h("a", { href: `#/${v.path}`, "data-path": v.path }, v.name))));
  on("stand", () => {
    showAlarms();
    showStops();
  });
  on("line", showLine);
  on("reload", afterAGap);
  main.addEventListener("input", () => { filledIn = true; });
  addEventListener("hashchange", () => show(true));
  try {
    await Promise.all([loadStands(), lookAtRecording()]);
  } catch (problem) {
    showLine(problem.message);
  }
  follow();
  await show(false);
  setInterval(() => {
    if (document.hidden) return;
    lookAtRecording();
    showZone();
  }, RECORDING_MS);
  setTimeout(library, 1000); // a curve is likely to be wanted next
}

begin();
