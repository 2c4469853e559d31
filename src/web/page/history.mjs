// SPDX-License-Identifier: GPL-3.0-or-later
// A battery over its life: capacity of each run, and curves of several runs laid over
// each other.

import { fill, h, sheet, rows } from "./dom.mjs";
import { get } from "./api.mjs";
import { colour, library, look, missing } from "./charts.mjs";
import { amount, dayOf, figure, outcomeWords, withUncertainty } from "./words.mjs";

const OVERLAY_MOST = 6;
const OVERLAY_POINTS = 1500;

/** Runs that say how much the battery holds, oldest first. */
function measured(runs) {
  return runs.filter((r) => r.capacity_Ah !== null && !r.lower_bound && r.outcome === "completed").reverse();
}

export class History {
  constructor(runs, trend) {
    this.runs = measured(runs);
    this.trend = trend;
    this.element = this.runs.length < 2 ? null : h("section", { class: "sheet" }, h("h2", null, "Capacity over its life"));
    if (this.element) this.draw();
  }

  async draw() {
    const box = h("div", { class: "chart", role: "img", "aria-label": this.inWords() });
    fill(this.element, h("h2", null, "Capacity over its life"), box, this.trendRows());
    const Dygraph = await library();
    if (!Dygraph) {
      box.replaceWith(missing());
      return;
    }
    if (!box.isConnected) await new Promise((resolve) => setTimeout(resolve));
    if (!box.isConnected) return;
    this.chart = new Dygraph(box, this.runs.map((r) => [new Date(r.started_utc), [r.capacity_Ah, (r.capacity_uncertainty_Ah ?? 0)]]),
      look({ labels: ["begun", "capacity, Ah"], errorBars: true, sigma: 1, drawPoints: true, pointSize: 4, colors: [colour("--line-voltage")],
        axes: { y: { axisLabelWidth: 56 } } }));
  }

  inWords() {
    return "Capacity of each run: " + this.runs.map((r) => `${dayOf(r.started_utc)} ${amount(r.capacity_Ah, "Ah")}`).join("; ");
  }

  /** What the daemon fitted, as far as it says. */
  trendRows() {
    if (!this.trend) return null;
    return rows(Object.entries(this.trend).filter(([, v]) => typeof v === "number" || (typeof v === "string" && v.length < 120))
      .map(([key, v]) => [key.replaceAll("_", " "), typeof v === "number" ? figure(v, 3) : v]));
  }

  close() {
    this.chart?.destroy();
  }
}

export class Overlay {
  constructor(runs) {
    this.runs = runs.filter((r) => r.samples > 1);
    this.chosen = new Set();
    this.curves = new Map();
    this.body = h("div", { "aria-live": "polite" });
    this.element = this.runs.length < 2 ? null : sheet("Curves laid over each other",
      h("fieldset", null, h("legend", null, `Voltage over charge, at most ${OVERLAY_MOST} runs`),
        h("div", { class: "choices" }, this.runs.slice(0, 40).map((r) => h("label", null,
          h("input", { type: "checkbox", onchange: (event) => this.choose(r, event.target) }),
          `${r.number}: ${dayOf(r.started_utc)}, ${outcomeWords[r.outcome] ?? r.outcome}`)))), this.body);
  }

  async choose(run, box) {
    if (box.checked && this.chosen.size >= OVERLAY_MOST) {
      box.checked = false;
      return;
    }
    if (box.checked) this.chosen.add(run.number);
    else this.chosen.delete(run.number);
    if (box.checked && !this.curves.has(run.number)) {
      this.curves.set(run.number, await get(`/v1/runs/${run.number}/curve?points=${OVERLAY_POINTS}`));
    }
    this.draw();
  }

  /** One row for each point of any run; dygraphs joins what belongs together. */
  data(numbers) {
    const list = [];
    numbers.forEach((number, column) => {
      const c = this.curves.get(number);
      c.charge_Ah.forEach((charge, i) => {
        const row = Array(numbers.length + 1).fill(null);
        row[0] = Math.abs(charge);
        row[column + 1] = c.voltage_V[i];
        list.push(row);
      });
    });
    return list.sort((a, b) => a[0] - b[0]);
  }

  async draw() {
    const numbers = [...this.chosen].filter((n) => this.curves.has(n));
    const Dygraph = await library();
    this.chart?.destroy();
    this.chart = null;
    if (!Dygraph) return fill(this.body, missing());
    if (numbers.length === 0) return fill(this.body);
    const box = h("div", { class: "chart", role: "img", "aria-label": `Voltage over charge of runs ${numbers.join(", ")}` });
    const key = h("p", { class: "small" });
    fill(this.body, box, key);
    const palette = ["--line-voltage", "--line-current", "--line-temperature", "--good", "--bad", "--faint"].map(colour);
    this.chart = new Dygraph(box, this.data(numbers), look({
      labels: ["charge, Ah", ...numbers.map((n) => `run ${n}`)], colors: palette, connectSeparatedPoints: true,
      axes: { y: { axisLabelWidth: 52 } },
      highlightCallback: (event, x, points) => {
        key.textContent = `at ${amount(x, "Ah")}: ` + points.map((p) => `${p.name} ${figure(p.yval, 3, "V")}`).join(" · ");
      },
    }));
    key.textContent = numbers.map((n, i) => `${["first", "second", "third", "fourth", "fifth", "sixth"][i]} line: run ${n}`).join(" · ");
  }
}
