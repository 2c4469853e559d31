// SPDX-License-Identifier: GPL-3.0-or-later
// Started by token.sh.

import assert from "node:assert/strict";
import { spawnSync } from "node:child_process";
import { mkdtempSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";

const { AMPLEDGER_HOME: home, AMPLEDGER_AT: at, AMPLEDGER_NODE_MODULES: modules, AMPLEDGER_WALL: wall, AMPLEDGER_PHONE: phone } = process.env;
const require = createRequire(`${modules}/x.js`);
const { chromium } = require("playwright-core");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const base = `http://${at}`;
const browser = await chromium.launchPersistentContext(mkdtempSync(`${home}/browser-`), {
  executablePath: "/usr/bin/chromium", viewport: { width: 1280, height: 900 }, locale: "en-GB",
  args: ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync"],
});
const page = browser.pages()[0] ?? await browser.newPage();
page.setDefaultTimeout(30000);
const complaints = [];
// What is refused (401, 403) the browser tells too, and that events end when their token is withdrawn.
page.on("console", (message) => message.type() === "error" && !/status of 40[13]|INCOMPLETE_CHUNKED/.test(message.text()) && complaints.push(message.text()));
page.on("pageerror", (error) => complaints.push(`${error}`));

async function enter(token) {
  await page.getByLabel("Token", { exact: true }).fill(token);
  await page.getByRole("button", { name: "Go on" }).click();
}

async function accessible(view) {
  await page.evaluate(axe);
  const { violations } = await page.evaluate(() => window.axe.run(document, { resultTypes: ["violations"] }));
  complaints.push(...violations.map((v) => `${view}: ${v.id}: ${v.nodes.map((n) => n.html).join("; ")}`));
}

const cookie = async () => (await browser.cookies()).find((c) => c.name.startsWith("ampledger-"));
const refuse = () => page.evaluate(async () => (await fetch("/v1/batteries/launch-a/retire", {
  method: "POST", headers: { "Content-Type": "application/json" }, body: "{}" })).status);

await page.goto(base);
await page.getByRole("heading", { name: "This bench asks for a token" }).waitFor();
await accessible("the form");
assert.equal(await page.getByText("Lakeside").count(), 0, "something of the bench is shown without a token");
await enter("aaaaaaaa-aaaaaaaa-aaaaaaaa-aaaaaaaa");
await page.getByText("there is no such token").waitFor();
assert.equal(await cookie(), undefined);

await enter(` ${wall.toUpperCase()} `); // as it may come from a phone's keyboard
await page.getByText("wall (may look, not change)").waitFor();
await page.getByRole("heading", { name: "jetty" }).waitFor();
await page.locator("#bench-title", { hasText: "Lakeside" }).waitFor();
await accessible("the page");
const kept = await cookie();
assert.ok(kept.httpOnly && kept.sameSite === "Strict" && kept.expires === -1, JSON.stringify(kept));
assert.equal(await page.evaluate(() => document.cookie), "", "a script can read the token");
assert.equal(await refuse(), 403);
// Events come by the same way as all else.
assert.equal(await page.evaluate(() => new Promise((resolve) => {
  const source = new EventSource("/v1/events");
  source.addEventListener("hello", () => { source.close(); resolve("hello"); });
  source.onerror = () => resolve("error");
})), "hello");

await page.getByRole("button", { name: "Leave" }).click();
await page.getByRole("heading", { name: "This bench asks for a token" }).waitFor();
assert.equal(await cookie(), undefined);
await page.getByLabel("Stay here for 180 days").check();
await enter(phone);
await page.locator("#who", { hasText: "phone" }).waitFor();
assert.ok((await cookie()).expires > Date.now() / 1000 + 170 * 86400);
assert.equal(await refuse(), 200);
const withdrawn = spawnSync("ampledger", ["token", "withdraw", "phone"]);
assert.equal(withdrawn.status, 0, `${withdrawn.stderr}`);
await page.getByRole("heading", { name: "This bench asks for a token" }).waitFor(); // within 10 s
await browser.close();
assert.deepEqual(complaints, []);
console.log("ok   asked for, refused, kept from scripts, may look, may change, withdrawn");
