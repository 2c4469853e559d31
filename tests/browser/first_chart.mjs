// SPDX-License-Identifier: GPL-3.0-or-later
// first_chart.mjs NODE_MODULES ADDRESS RUN: opens a run in headless Chromium and prints the
// seconds to its first curve: from a touch in the page, and from asking for the page.
// Started by tests/figures/page.py.
import { createRequire } from "node:module";

const [modules, address, run] = process.argv.slice(2);
const { chromium } = createRequire(`${modules}/x.js`)("playwright-core");
const browser = await chromium.launch({ executablePath: "/usr/bin/chromium", args: ["--headless", "--no-sandbox", "--disable-gpu"] });
const page = await browser.newPage();
async function seconds(act) {
  const began = performance.now();
  await act();
  await page.waitForSelector(".chart canvas");
  return ((performance.now() - began) / 1000).toFixed(3);
}
await page.goto(`${address}/#/runs`);
const link = page.getByRole("link", { name: run, exact: true }).first();
await link.waitFor();
console.log(await seconds(() => link.click()));
await page.goto("about:blank");
console.log(await seconds(() => page.goto(`${address}/#/runs/${run}`)));
await browser.close();
