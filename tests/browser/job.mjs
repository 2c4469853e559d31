// SPDX-License-Identifier: GPL-3.0-or-later
// Started by job.sh, which carries out what is asked for by ask().

import assert from "node:assert/strict";
import { spawnSync } from "node:child_process";
import { mkdirSync, mkdtempSync, readFileSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { createInterface } from "node:readline";

const { AMPLEDGER_HOME: home, AMPLEDGER_PORT: port, AMPLEDGER_NODE_MODULES: modules, AMPLEDGER_PICTURES: pictures } = process.env;
const require = createRequire(`${modules}/x.js`);
const { chromium } = require("playwright-core");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const base = `http://127.0.0.1:${port}`;

const answers = createInterface({ input: process.stdin })[Symbol.asyncIterator]();
async function ask(what) {
  console.log(what);
  await answers.next();
}

let began = Date.now();
function done(what) {
  console.log(`ok   ${((Date.now() - began) / 1000).toFixed(1)} s  ${what}`);
  began = Date.now();
}

const browser = await chromium.launchPersistentContext(mkdtempSync(`${home}/browser-`), {
  executablePath: "/usr/bin/chromium", viewport: { width: 1280, height: 900 }, locale: "en-GB",
  args: ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync"],
});
const page = browser.pages()[0] ?? await browser.newPage();
page.setDefaultTimeout(30000);
// To try changes of the page without building: its files straight from that folder.
if (process.env.AMPLEDGER_PAGE_FROM) {
  await page.route("**/page/*", (route) => {
    const name = new URL(route.request().url()).pathname.slice("/page/".length);
    route.fulfill({ path: `${process.env.AMPLEDGER_PAGE_FROM}/${name}`,
      contentType: name.endsWith("css") ? "text/css" : name.endsWith("svg") ? "image/svg+xml" : "text/javascript" });
  });
}
const complaints = [], faults = [];
// What is not there (404) hides its part; the browser says so all the same.
page.on("console", (message) => message.type() === "error" && !/status of 404/.test(message.text()) && complaints.push(message.text()));
page.on("pageerror", (error) => complaints.push(`${error}`));
page.on("request", (request) => {
  if (!request.url().startsWith(base)) complaints.push(`a request left for ${request.url()}`);
});

async function sound(view) {
  await page.evaluate(axe);
  for (const [width, height, colorScheme] of [[360, 740, "light"], [1280, 900, "dark"], [1280, 900, "light"]]) {
    await page.setViewportSize({ width, height });
    await page.emulateMedia({ colorScheme });
    const { violations } = await page.evaluate(() => window.axe.run(document, { resultTypes: ["violations"] }));
    faults.push(...violations.map((v) => `${view}, ${width} px, ${colorScheme}: ${v.id}: ${v.nodes.map((n) => `${n.html} ${n.failureSummary}`).join("; ")}`));
  }
  const html = await page.evaluate(() => `<!DOCTYPE html>\n${document.documentElement.outerHTML}`);
  const file = `${home}/view.html`;
  writeFileSync(file, html);
  const tidy = spawnSync("tidy", ["-q", "-e", "-utf8", "--drop-empty-elements", "no", "--show-info", "no", file], { encoding: "utf8" });
  // This tidy is older than three attributes: of WAI-ARIA 1.1 and of the HTML standard.
  faults.push(...tidy.stderr.split("\n").filter((line) => line && !/proprietary attribute "(aria-current|inputmode|inert)"/.test(line))
    .map((line) => `${view}: ${line}`));
}

async function picture(name) {
  if (!pictures) return;
  mkdirSync(pictures, { recursive: true });
  for (const [width, height] of [[360, 740], [1280, 900]]) {
    for (const colorScheme of ["light", "dark"]) {
      await page.setViewportSize({ width, height });
      await page.emulateMedia({ colorScheme });
      await page.waitForTimeout(300);
      await page.screenshot({ path: `${pictures}/${name}-${width}-${colorScheme}.png`, fullPage: true });
    }
  }
  await page.setViewportSize({ width: 360, height: 740 });
  const overflow = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  if (overflow > 0) faults.push(`${name} is ${overflow} px too wide on a phone`);
  await page.setViewportSize({ width: 1280, height: 900 });
  await page.emulateMedia({ colorScheme: "light" });
}

async function go(hash) {
  await page.goto(`${base}/${hash}`);
}

async function start(stand, battery, profile) {
  await go("#/start");
  await page.getByLabel("Stand").selectOption(stand);
  await page.getByLabel("Battery").selectOption(battery);
  await page.getByLabel("Profile").selectOption(profile);
  await page.getByRole("button", { name: "Show the plan" }).click();
  await page.getByRole("heading", { name: "The plan" }).waitFor();
}

async function register(label, chemistry, cells, rated) {
  await go("#/batteries");
  await page.getByRole("heading", { name: "Batteries", level: 1 }).waitFor();
  if (!await page.locator("details form").isVisible()) await page.getByText("Register a battery").click();
  await page.getByLabel("Label").fill(label);
  await page.getByLabel("Chemistry").selectOption(chemistry);
  await page.getByLabel("Cells in series").fill(cells);
  await page.getByLabel("Rated capacity").fill(rated);
  await page.getByLabel("Lot", { exact: true }).fill("spring");
  await page.getByRole("button", { name: "Register" }).click();
  await page.getByRole("heading", { name: label, level: 1 }).waitFor();
}

function card(stand) {
  return page.getByRole("region", { name: `Stand ${stand}` });
}

/** The first answer of that address comes late, as it was when it was asked for. */
async function delayFirst(address, ms) {
  let first = true;
  await page.route(address, async (route) => {
    if (!first) return route.continue();
    first = false;
    const response = await route.fetch();
    setTimeout(() => route.fulfill({ response }).catch(() => {}), ms);
  });
}

/** Whatever withholds a verdict is said as what it is. */
async function saysWhyUndecided() {
  const { brief, count, shareOfRated, zoneText } = await import(`${process.env.AMPLEDGER_SOURCE}/src/web/page/words.mjs`);
  assert.equal(brief("too hot: 46 °C", 30), "too hot: 46 °C");
  assert.equal(brief("no reading: the link is silent", 14), "no reading…");
  assert.equal(brief("no reading from the thermometer", 14), "no reading…");
  assert.equal(brief("thermometer-of-the-slipway", 14), "thermometer-of…", "neither a colon nor a blank");
  assert.equal(brief("a thermometer-of-the-slipway", 14), "a thermometer-…", "none within reach");
  assert.equal(count(1, "result"), "1 result");
  assert.match(shareOfRated({ percent_of_rated: 7.21, lower_bound: true }), /^at least 7.2\s%$/);
  assert.match(shareOfRated({ percent_of_rated: 7.21 }), /^7.2\s%$/);
  assert.equal(shareOfRated({ percent_of_rated: null, lower_bound: true }), "–");
  assert.equal(count(2, "battery", "batteries"), "2 batteries");
  assert.match(zoneText(), /^UTC$|, now (GMT|UTC)/);
  const { chance, enoughText, enoughWord, verdictReason } = await import(`${process.env.AMPLEDGER_SOURCE}/src/web/page/verdict.mjs`);
  const result = { verdict: "undecided", acceptance_Ah: 95, capacity_Ah: 94.9, capacity_uncertainty_Ah: 0.5, decision_rule: "guard-band", end_reason: "cut-off crossed" };
  const correction = { rule: "linear", decides: true, applied: true, verified: true, capacity_Ah: 95.2, capacity_uncertainty_Ah: 0.6 };
  for (const [change, expected] of [
    [{}, /^The 95.00\sAh wanted lie within the uncertainty of 94.90\sAh\.$/],
    [{ correction }, /^The 95.00\sAh wanted lie within the uncertainty of 95.20\sAh\.$/],
    [{ correction: { ...correction, applied: false, because: "no temperature was read" } }, /\(linear\) cannot be relied on here: no temperature was read\.$/],
    [{ correction: { ...correction, verified: false } }, /it rests on figures from memory\.$/],
    [{ correction: { ...correction, decides: false, applied: false } }, /lie within the uncertainty/],
    [{ capacity_uncertainty_Ah: null }, /^How uncertain 94.90\sAh is, is not known\.$/],
    [{ lower_bound: true, end_reason: "cut-off not reached" }, /^The record ends before the cut-off, short of 95.00\sAh/],
    [{ lower_bound: true, capacity_Ah: 1.2 }, /^It fell below its cut-off too early to say, with 1.200\sAh of 95.00\sAh/],
    [{ faulty: true }, /^The record is of a test that failed\.$/],
    [{ verdict: "pass", capacity_Ah: 96 }, /^96.00\sAh is at least 95.00\sAh, even less its whole uncertainty\.$/],
    [{ verdict: "fail", capacity_Ah: 90, decision_rule: "simple" }, /^90.00\sAh is below 95.00\sAh, by the number alone\.$/],
  ]) assert.match(verdictReason({ ...result, ...change }), expected);
  assert.equal(verdictReason({ ...result, acceptance_Ah: null }), null);
  assert.match(verdictReason({ ...result, enough: true }), /completed/);
  assert.match(enoughText({ ...result, enough: true }), /^enough for the 95.00\sAh wanted$/);
  assert.match(enoughText({ ...result, enough: false }), /^short of the 95.00\sAh wanted$/);
  assert.match(enoughText({ ...result, enough: true, correction }), /^enough for the 95.00\sAh wanted \(corrected capacity: 95.20\sAh\)$/);
  assert.match(enoughText({ ...result, enough: false, correction: { ...correction, decides: false } }), /wanted$/);
  assert.equal(enoughText({ ...result, enough: null }), null);
  assert.equal(chance({ conformance_probability: 0.25 }, true), 25);
  assert.equal(chance({ conformance_probability: 0.25 }, false), null, "no chance is told of a run that was cut short");
  assert.equal(chance({ conformance_probability: 0.25, lower_bound: true }, true), null);
  assert.equal(chance({ conformance_probability: null }, true), null);
  assert.deepEqual([true, false, null, undefined].map((enough) => enoughWord({ enough })), ["enough", "short", null, null]);
  await namesTheLimitAhead();
  await offersWhatIsFree();
  await drawsThereAndBack();
  done("each reason of a verdict is said");
}

/** In a discharge the voltage leaves the upper limit behind it, however near that still is. */
async function namesTheLimitAhead() {
  const { nearestLimit } = await import(`${process.env.AMPLEDGER_SOURCE}/src/web/page/limits.mjs`);
  const limits = { voltage_min_V: 10, voltage_max_V: 14.6, current_max_A: 10.5, temperature_max_C: 55, temperature_min_C: -10 };
  const reading = { battery_voltage_V: 14.4, current_A: -10, temperature_C: 20 };
  const nearest = (step_kind, changed = {}) => nearestLimit({ reading: { ...reading, ...changed }, run: { limits, step_kind } });
  assert.match(nearest("discharge"), /^voltage below 10.00\sV, 4.40\sV away$/);
  assert.match(nearest("discharge", { temperature_C: 54 }), /^temperature above 55.0\s°C, 1.0\s°C away$/);
  assert.match(nearest("charge"), /^voltage above 14.60\sV, 0.20\sV away$/);
  assert.match(nearest("charge", { battery_voltage_V: 10.1, temperature_C: null }), /^voltage above/);
  assert.match(nearest("pulse"), /^voltage above/); // may go either way
}

/** First what was there last and is free, and what was made for its kind. */
async function offersWhatIsFree() {
  const { atWork, fittingFirst, likelyBattery } = await import(`${process.env.AMPLEDGER_SOURCE}/src/web/page/choice.mjs`);
  const batteries = ["a", "b", "c"].map((label) => ({ label, chemistry: "lfp" }));
  const runs = [{ battery: "a", stand: "desk" }, { battery: "a", stand: "jetty" }, { battery: "b", stand: "desk" }, { battery: "c", stand: "jetty" }];
  const desk = { name: "desk", phase: "running", run: { battery: "a" } }, jetty = { name: "jetty", phase: "idle", run: { battery: "b" } };
  assert.equal(atWork("a", [desk, jetty]), "desk");
  assert.equal(atWork("b", [desk, jetty]), null); // its run is over
  assert.equal(likelyBattery(batteries, runs, [desk, jetty], "jetty"), "c");
  assert.equal(likelyBattery(batteries, runs, [jetty], "jetty"), "a");
  assert.equal(likelyBattery(batteries, [], [desk], "jetty"), "b");
  assert.equal(likelyBattery(batteries.slice(0, 1), runs, [desk], "jetty"), null);
  const profiles = [{ name: "any", chemistries: [] }, { name: "lead", chemistries: ["lead-agm"] }, { name: "lfp", chemistries: ["lfp"] }, { name: "bad", chemistries: ["lfp"], problem: "x" }];
  assert.deepEqual(fittingFirst(profiles, batteries[0]).map((p) => p.name), ["lfp", "any"]);
}

/** A run that discharges and recharges is drawn there and back, not to and fro. */
async function drawsThereAndBack() {
  const { spanned, stretches } = await import(`${process.env.AMPLEDGER_SOURCE}/src/web/page/charts.mjs`);
  assert.deepEqual(stretches([]), []);
  assert.deepEqual(stretches([0, 0, 0]), [[0, 2]]);
  assert.deepEqual(stretches([0, -1, -2, -3]), [[0, 3]]);
  assert.deepEqual(stretches([0, -50, -100, -99.9, -100, -60, -10]), [[0, 4], [4, 6]], "noise is no turn");
  assert.deepEqual(stretches([0, 0, -50, -100, -50, 0, 20, 0]), [[0, 3], [3, 5], [5, 6], [6, 7]], "through the begin, too");
  assert.equal(spanned([20, 26], 5), null);
  assert.equal(spanned([null], 5), null);
  assert.deepEqual(spanned([21.4, null, 21.6], 5), [19, 24], "noise is no news");
}

/** While a question is open, what runs can be stopped, and no key held down answers it. */
async function stopsBesideAQuestion() {
  const dialog = page.getByRole("dialog"), stop = page.getByRole("button", { name: /stop(ping)? boathouse/i });
  const question = card("jetty").getByRole("button", { name: "Read why, and clear…" });
  assert.equal(await page.evaluate(() => document.activeElement.textContent), "Not now");
  await page.keyboard.press("Escape");
  await dialog.waitFor({ state: "detached" });
  await question.press("Enter");
  await page.keyboard.down("Enter");
  await page.keyboard.down("Enter"); // as a key held down
  assert.ok(await dialog.isVisible(), "a key held down answers nothing");
  await page.keyboard.up("Enter");
  if (!await dialog.isVisible()) await question.click();
  // What happens is followed again long before a slow stop is answered.
  let followed = false;
  const seen = (request) => { followed ||= request.url().endsWith("/v1/events"); };
  page.on("request", seen);
  await page.route("**/boathouse/stop", async (route) => {
    for (let i = 0; i < 80 && !followed; i++) await new Promise((resolve) => setTimeout(resolve, 100));
    await route.continue();
  });
  await stop.click();
  await stop.click();
  await stop.waitFor({ state: "detached" });
  assert.ok(followed, "the page is not blind while it stops");
  page.off("request", seen);
  await page.unroute("**/boathouse/stop");
  assert.ok(await dialog.isVisible(), "the question stays open");
  done("stopped another stand beside a question");
}

async function seesTheTrend() {
  await go("#/batteries/lamp-d");
  await page.getByText(/falls below its limit around/).waitFor();
  await page.locator(".chart canvas").nth(2).waitFor();
  assert.match(await page.locator(".chart").first().getAttribute("aria-label"), /^Capacity: .*\sAh and /, "the points are told in words too");
  await page.getByLabel("over cycles").check();
  await page.getByText(/at about [\d.]+ cycles; with 95 % between/).waitFor();
  await page.getByText("8 results as figures").click();
  await page.getByText("Discharges laid over each other").waitFor();
  await sound("a battery's life");
  await picture("battery");
  await page.getByText("8 results as figures").click();
  await page.getByRole("table", { name: "Results that are compared" }).waitFor({ state: "hidden" });
  done("the trend seen");

  await page.getByRole("table", { name: "Runs, newest first" }).getByRole("link").first().click();
  await page.locator(".chart canvas").first().waitFor();
  const slider = page.getByLabel("Read off along the curve");
  await slider.focus();
  for (let i = 0; i < 5; i++) await slider.press("ArrowRight");
  assert.match(await slider.getAttribute("aria-valuetext"), /^at .*\sV · discharge .*\sA/, "read off by keyboard");
  await Promise.all([page.waitForResponse(/curve\?points=\d+&from=/), page.getByRole("button", { name: "Nearer" }).press("Enter")]);
  await Promise.all([page.waitForResponse(/curve\?points=\d+&from=/), page.getByRole("button", { name: "Later" }).press("Enter")]);
  await page.getByRole("button", { name: "Show all" }).press("Enter");
  await page.getByLabel("over charge").check();
  await page.locator(".chart canvas").first().waitFor();
  await picture("run-over-charge");
  await page.getByLabel("over time").check();
  await page.getByText(/(is at least|is below|wanted lie within) .*\sAh/).waitFor();
  await sound("a run that was judged");
  await picture("run-judged");
  const report = await page.getByRole("link", { name: "Report to print or send" }).getAttribute("href");
  await page.goto(`${base}${report}`);
  await page.getByRole("heading").first().waitFor();
  await sound("a report");
  await picture("report");
  done("zoomed and read off by keyboard, the report read");

  await go("#/lots/lamps");
  await page.getByRole("table", { name: "The lot as a whole" }).waitFor();
  await page.getByLabel("In series").fill("3");
  await page.getByRole("button", { name: "Match" }).click();
  await page.getByRole("table", { name: "Sets" }).waitFor();
  await sound("a lot");
  await picture("lot");
  done("the lot judged");
}

async function arrangesARow() {
  await go("#/rows/lamp-desk");
  await page.getByLabel("Profile").selectOption("lamps");
  await page.getByLabel("Which").selectOption("lamps");
  await page.getByRole("button", { name: "Add to the row" }).click();
  await page.getByText("3 wait at lamp-desk now.").waitFor();
  const row = page.getByRole("table", { name: "Waiting at lamp-desk" });
  const order = async (...wanted) => {
    await page.waitForFunction((text) => [...document.querySelectorAll('[aria-label^="Waiting at lamp-desk"] tbody tr td:nth-child(2)')]
      .map((cell) => cell.textContent).join() === text, wanted.join());
  };
  await order("lamp-d", "lamp-e", "lamp-f");
  await row.getByRole("button", { name: "lamp-f earlier" }).click();
  await order("lamp-d", "lamp-f", "lamp-e");
  await row.getByRole("button", { name: "lamp-d later" }).click();
  await order("lamp-f", "lamp-d", "lamp-e");
  await row.getByRole("button", { name: "Take out… lamp-e" }).click();
  await page.getByLabel("Why").fill("its case is cracked");
  await sound("taking one out of a row");
  await picture("take-out");
  await page.getByRole("button", { name: "Take it out" }).click();
  await order("lamp-f", "lamp-d");
  await page.getByText("connect lamp-f at lamp-desk").waitFor();
  await sound("a row");
  await picture("row");
  await page.getByRole("button", { name: "lamp-f is connected: begin" }).click();
  const doubt = page.getByRole("dialog").getByRole("button", { name: "It is right: begin" });
  await Promise.race([doubt.waitFor(), page.getByRole("button", { name: "Stop lamp-desk" }).waitFor()]);
  if (await doubt.isVisible()) await doubt.click();
  await page.getByRole("button", { name: "Stop lamp-desk" }).waitFor();
  const begun = page.getByRole("dialog", { name: "lamp-f has begun" });
  await begun.getByText("must be fully charged and rested").waitFor(); // nobody saw its plan
  await order("lamp-d");
  await page.getByRole("button", { name: "Stop lamp-desk" }).click();
  await page.getByRole("button", { name: "Touch again to stop lamp-desk" }).click();
  await page.getByRole("button", { name: /stop(ping)? lamp-desk/i }).waitFor({ state: "detached" });
  await sound("what the plan of one in a row warns of");
  await picture("row-begun");
  await begun.getByRole("button", { name: "I read it" }).click();
  await begun.waitFor({ state: "detached" });
  await page.getByText("so the row stands still").waitFor();
  done("a row arranged and begun");
}

async function seesMessages() {
  await go("#/messages");
  await page.getByRole("table", { name: /^Messages/ }).getByText("✓ sent").first().waitFor();
  await page.getByText("✕ not sent").first().waitFor();
  await sound("messages");
  await picture("messages");
  done("messages seen");
}

async function job() {
  await saysWhyUndecided();
  await go("");
  await card("jetty").getByText("free").waitFor();
  await sound("stands at rest");
  done("stands at rest");

  await register("launch-a", "lfp", "4", "125");
  await register("tender-b", "li-ion", "7", "20");
  await page.getByText("Correct the record").click();
  await page.getByLabel("Note").fill("the winch pulls it over the slip");
  await page.getByLabel("Lot", { exact: true }).fill("");
  await page.getByRole("button", { name: "Correct it" }).click();
  await page.getByRole("definition").filter({ hasText: "the winch pulls" }).waitFor();
  assert.equal(await page.evaluate(async () => (await (await fetch("/v1/batteries/tender-b")).json()).lot), null, "an emptied field is forgotten");
  await page.getByText("Correct the record").click();
  await sound("a battery");
  await page.getByRole("button", { name: "Retire…" }).click();
  await page.getByRole("dialog").getByText("Its history stays").waitFor();
  await sound("retiring a battery");
  await page.getByRole("button", { name: "Not now" }).click();
  await page.getByRole("dialog").waitFor({ state: "detached" });
  await go("#/batteries");
  await page.getByRole("table", { name: "Batteries" }).waitFor();
  await sound("batteries");
  await picture("batteries");
  done("batteries registered");

  // A plan that comes when another battery is chosen is not shown, and starts nothing.
  await go("#/start");
  await delayFirst("**/v1/plans", 1200);
  await page.getByLabel("Battery").selectOption("launch-a");
  await page.getByRole("button", { name: "Show the plan" }).click();
  await page.getByText("Working out the plan").waitFor();
  await Promise.all([page.waitForResponse("**/v1/plans"), page.getByLabel("Battery").selectOption("tender-b")]);
  await page.waitForTimeout(200);
  assert.equal(await page.getByRole("button", { name: /^Start on/ }).count(), 0, "no button for what is not chosen");
  await page.unroute("**/v1/plans");

  await start("jetty", "launch-a", "evening");
  await page.getByText("Beyond these everything goes off").waitFor();
  await sound("a plan");
  await picture("plan");
  await page.getByRole("button", { name: "Start on jetty" }).click();
  await card("jetty").getByText("running").first().waitFor();
  await card("jetty").getByText("discharge").first().waitFor();
  await card("jetty").locator("progress").waitFor();
  await card("jetty").getByText(/Ah of about 125.0\sAh, [\d.]+\s% of the rated 125.0\sAh/).waitFor();
  await sound("a stand at work");
  await picture("stands");
  done("planned and started");

  await card("jetty").getByRole("link", { name: /as a curve/ }).click();
  await page.locator(".chart canvas").first().waitFor();
  const last = () => page.evaluate(async () => (await (await fetch("/v1/runs/last/curve?points=16")).json()).t_s.at(-1));
  const before = await last();
  const shownBefore = await page.locator(".chart").first().getAttribute("aria-label");
  await page.waitForTimeout(4000);
  assert.ok(await last() > before, "the curve grows");
  assert.ok(shownBefore, "the curve is told in words too");
  await page.locator(".chart").first().hover();
  await page.getByText(/since the begin/).waitFor();
  await sound("a run at work");
  await picture("run");
  done("the curve grows");

  await delayFirst(/\/v1\/runs\/\d+$/, 2500);
  const late = page.waitForResponse(/\/v1\/runs\/\d+$/);
  await page.getByRole("button", { name: "Stop jetty" }).click();
  assert.equal(await page.evaluate(async () => (await (await fetch("/v1/stands/jetty")).json()).phase), "running", "one touch does not stop");
  await page.getByRole("button", { name: "Touch again to stop jetty" }).click();
  await page.getByRole("strong").filter({ hasText: "stopped by a person" }).first().waitFor();
  await late;
  await page.waitForTimeout(2000);
  assert.ok(await page.getByRole("strong").filter({ hasText: "stopped by a person" }).first().isVisible(), "an older answer does not come over a newer one");
  await page.unroute(/\/v1\/runs\/\d+$/);
  await sound("a run that ended");
  done("stopped by two touches");

  await start("jetty", "launch-a", "evening");
  await page.getByRole("button", { name: "Start on jetty" }).click();
  await card("jetty").locator("progress").waitFor();
  await ask("control heat launch-a 62");
  await page.getByRole("alert").getByText("jetty tripped").waitFor();
  await page.evaluate(() => fetch("/v1/stands/boathouse/start", { method: "POST", headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ profile: "by-hand", battery: "tender-b" }) }));
  await page.getByRole("button", { name: "Stop boathouse" }).waitFor();
  assert.match(await page.title(), /^▲ 1 alarm/);
  await sound("a trip");
  await picture("trip");
  await ask("control heat launch-a 22");
  await card("jetty").getByRole("button", { name: "Read why, and clear…" }).click();
  await page.getByRole("dialog").getByText("Look at the battery first").waitFor();
  await sound("clearing a trip");
  await picture("clear");
  await stopsBesideAQuestion();
  await page.getByRole("button", { name: "I looked: clear it" }).click();
  await card("jetty").getByText("free").waitFor();
  assert.equal(await page.locator("#alarms").textContent(), "");
  done("tripped, read and cleared");

  await start("boathouse", "tender-b", "by-hand");
  await page.getByRole("button", { name: "Start on boathouse" }).click();
  const hold = card("boathouse").getByRole("button", { name: "Done: go on" });
  await card("boathouse").getByText("fit the fuse, then confirm").waitFor();
  await sound("a hold");
  await picture("hold");
  await hold.click();
  await card("boathouse").getByText("completed").waitFor();
  done("hold answered");

  await seesTheTrend();
  await arrangesARow();
  await seesMessages();

  await page.evaluate(() => { document.getElementById("zone").textContent = "as it was last winter"; });
  await go("#/setup");
  await page.getByRole("heading", { name: "Bench file" }).waitFor();
  await page.locator("#zone").filter({ hasText: /^Times are in the zone of this browser: .*(UTC|, now (GMT|UTC).*)\.$/ }).waitFor();
  await sound("set-up");
  await picture("setup");
  await go("#/runs");
  await page.getByRole("table").waitFor();
  await sound("runs");
  const heights = await page.locator("tbody tr").evaluateAll((lines) => lines.map((line) => line.getBoundingClientRect().height));
  assert.ok(heights.length > 0, "there are runs");
  assert.ok(Math.max(...heights) < 2 * 24, `a run takes one line at 1280 px: ${heights}`);
  await picture("runs");
  await go("#/batteries/launch-a");
  await page.getByRole("heading", { name: "Discharges laid over each other" }).waitFor();
  await sound("a battery without a trend");
  await go("#/lots/spring");
  await page.getByRole("table").first().waitFor();
  await sound("a lot that was not tested");
  done("all other views");

  await go("");
  await card("jetty").getByText("free").waitFor();
  await go("#/batteries");
  await page.getByText("Register a battery").click();
  await page.getByLabel("Label").fill("half a na");
  await page.waitForTimeout(1000); // until it has heard which start of the daemon this is
  await ask("stop-daemon");
  await page.getByText("The daemon does not answer").waitFor();
  assert.match(await page.title(), /^✕ no answer/);
  complaints.length = 0; // the browser says so too
  let refused = 0; // what is asked for first after the greeting fails
  await page.route("**/v1/stands", (route) => refused++ === 0 ? route.abort() : route.continue());
  await ask("start-daemon");
  await page.getByText(/The daemon was started anew/).waitFor();
  assert.ok(refused > 1, "the stands are asked for until they are there");
  assert.equal(await page.getByLabel("Label").inputValue(), "half a na", "a half-filled form stays");
  assert.doesNotMatch(await page.title(), /no answer/);
  await go("#/now");
  await card("jetty").getByText("free").waitFor();
  complaints.splice(0, complaints.length, ...complaints.filter((c) => !/ERR_CONNECTION_REFUSED|ERR_FAILED|ERR_INCOMPLETE|ERR_EMPTY|ERR_CONNECTION_RESET/.test(c)));
  done("the daemon gone, and back");
  assert.deepEqual(complaints, [], "the browser complains");
  assert.deepEqual(faults, [], "faults of the views");
}

let status = 0;
try {
  await job();
} catch (error) {
  status = 1;
  console.log(`FAILED ${error.stack}`.replaceAll("\n", "\n  "));
  console.log(`  the browser: ${JSON.stringify(complaints)}\n  views: ${JSON.stringify(faults, null, 1)}`);
  await page.screenshot({ path: "/tmp/ampledger-browser-failed.png", fullPage: true }).catch(() => {});
}
await browser.close();
process.exit(status);
