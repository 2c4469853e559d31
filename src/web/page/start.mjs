// SPDX-License-Identifier: GPL-3.0-or-later
// Starting: choose, read the plan, confirm.

import { field, fill, h, note } from "./dom.mjs";
import { get, Newest, part, post } from "./api.mjs";
import { atWork, fittingFirst, likelyBattery } from "./choice.mjs";
import { planSheet } from "./plan.mjs";
import { stands } from "./live.mjs";
import { amount, chemistryWords, count, stateWords } from "./words.mjs";

function options(list, value, text) {
  return list.map((item) => h("option", { value: value(item) }, text(item)));
}

export function profileOptions(profiles) {
  return options(profiles, (p) => p.name, (p) => p.title ?? p.name);
}

export async function startView({ rest }) {
  const [{ batteries }, { profiles }, { runs }] = await Promise.all([get("/v1/batteries"), get("/v1/profiles"), get("/v1/runs?limit=200")]);
  const inService = batteries.filter((b) => !b.retired_utc);
  if (inService.length === 0) {
    return [h("h1", null, "Start a run"), h("p", null, "No battery is registered yet: ",
      h("a", { href: "#/batteries" }, "register one"), ".")];
  }
  const all = [...stands.values()].map((e) => e.stand);
  const stand = h("select", { name: "stand" }, options(all, (s) => s.name,
    (s) => `${s.name}, ${stateWords[s.phase]?.[1] ?? s.phase}`));
  const battery = h("select", { name: "battery" }, inService.map((b) => {
    const at = atWork(b.label, all);
    return h("option", { value: b.label, disabled: at !== null },
      `${b.label}, ${b.cells} × ${b.chemistry}${b.rated_Ah ? `, ${amount(b.rated_Ah, "Ah")}` : ""}${at ? ` (at ${at})` : ""}`);
  }));
  const profile = h("select", { name: "profile" });
  const about = h("p", { class: "hint", id: "about-profile" });
  const outcome = h("div", { "aria-live": "polite" });
  if (rest[0] && stands.has(rest[0])) stand.value = rest[0];
  battery.value = rest[1] || likelyBattery(inService, runs, all, stand.value) || "";

  const chosen = () => inService.find((b) => b.label === battery.value);
  const showProfiles = () => {
    const before = profile.value;
    const usable = fittingFirst(profiles, chosen());
    fill(profile, profileOptions(usable));
    if (usable.some((p) => p.name === before)) profile.value = before;
    showAbout();
  };
  const newest = new Newest();
  const forget = () => { // the plan of what is no longer chosen, also one on its way
    newest.forget();
    fill(outcome);
  };
  const showAbout = () => {
    const p = profiles.find((one) => one.name === profile.value);
    about.textContent = p ? `${p.name}: ${p.about ?? count(p.steps, "step")}`
      : `No profile is for ${chemistryWords[chosen()?.chemistry] ?? "this battery"}.`;
    forget();
  };
  let isChosen = Boolean(rest[1]); // by the person: then it stays
  battery.addEventListener("change", () => {
    isChosen = true;
    showProfiles();
  });
  profile.addEventListener("change", showAbout);
  stand.addEventListener("change", () => {
    if (!isChosen) {
      battery.value = likelyBattery(inService, runs, all, stand.value) ?? "";
      showProfiles();
    }
    forget();
  });

  const broken = profiles.filter((p) => p.problem);
  const form = h("form", { class: "sheet", onsubmit: (event) => {
    event.preventDefault();
    showPlan({ stand: stand.value, battery: battery.value, profile: profile.value }, outcome, newest);
  } }, h("div", { class: "form" }, field("Stand", stand), field("Battery", battery), field("Profile", profile)), about,
  h("div", { class: "buttons" }, h("button", { class: "main" }, "Show the plan")),
  broken.length > 0 && h("details", null, h("summary", null, `${broken.length} profile files have a mistake`),
    note("warn", "Not usable", broken.map((p) => p.problem))));
  showProfiles();
  return [h("h1", null, "Start a run"), form, outcome];
}

async function showPlan(wanted, outcome, newest) {
  fill(outcome, h("p", null, "Working out the plan…"));
  let plan;
  try {
    plan = await newest.of(post("/v1/plans", wanted));
  } catch (problem) {
    fill(outcome, note("bad", "No plan", [problem.message]));
    return;
  }
  if (!plan) return;
  const said = h("p", { role: "status" });
  const begin = h("button", { class: "main", type: "button", disabled: plan.problems.length > 0,
    onclick: () => start(wanted, begin, said) }, `Start on ${wanted.stand}`);
  const heading = h("h2", { tabindex: "-1" }, `The plan: ${wanted.battery} on ${wanted.stand}`);
  fill(outcome, h("section", { class: "sheet" }, heading, planSheet(plan),
    h("p", null, "Is the battery connected, with its fuse, on a place that does not burn?"),
    h("div", { class: "buttons" }, begin), said));
  heading.focus();
}

async function start(wanted, button, said) {
  button.disabled = true;
  said.textContent = "Starting…";
  try {
    await post(`/v1/stands/${part(wanted.stand)}/start`, { profile: wanted.profile, battery: wanted.battery });
    location.hash = "#/now";
  } catch (problem) {
    said.textContent = problem.message;
    button.disabled = false;
  }
}
