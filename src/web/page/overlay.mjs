// SPDX-License-Identifier: GPL-3.0-or-later
// Discharges of several runs laid over each other.

import { fill, h, sheet } from "./dom.mjs";
import { get } from "./api.mjs";
import { colour, library, look, missing, timeMarks, whenThemeChanges } from "./charts.mjs";
import { amount, dayOf, duration, figure, outcomeWords } from "./words.mjs";

const MOST = 6;
const POINTS = 1500;
const colours = ["--line-voltage", "--line-current", "--line-temperature", "--good", "--bad", "--faint"];
const dashes = [null, [8, 3], [2, 3], [8, 3, 2, 3], [4, 4], [1, 2]];
const quantities = { voltage_V: ["Voltage", "V", 3], temperature_C: ["Temperature", "°C", 1], current_A: ["Current", "A", 3] };

/** Of a run's steps the discharge that moved the most charge; where there is none, all of it. */
function discharge(curve) {
  const moved = new Map();
  curve.step.forEach((step, i) => {
    if (i > 0 && curve.step[i - 1] === step) moved.set(step, (moved.get(step) ?? 0) + curve.charge_Ah[i] - curve.charge_Ah[i - 1]);
  });
  const [largest] = [...moved].sort((a, b) => a[1] - b[1]);
  const which = curve.step.map((_, i) => i).filter((i) => !largest || largest[1] >= 0 || curve.step[i] === largest[0]);
  const first = which[0] ?? 0;
  return which.map((i) => ({ charge: Math.abs(curve.charge_Ah[i] - curve.charge_Ah[first]), time: curve.t_s[i] - curve.t_s[first],
    voltage_V: curve.voltage_V[i], temperature_C: curve.temperature_C[i], current_A: curve.current_A[i] === null ? null : Math.abs(curve.current_A[i]) }));
}

export class Overlay {
  constructor(runs) {
    this.runs = runs.filter((r) => r.samples > 1);
    this.chosen = [];
    this.curves = new Map();
    this.over = "charge";
    this.quantity = "voltage_V";
    this.body = h("div");
    this.said = h("p", { role: "status" });
    this.element = this.runs.length < 2 ? null : sheet("Discharges laid over each other", this.choices(), this.said, this.body);
    this.unlight = whenThemeChanges(() => this.draw());
    if (this.element) this.begin();
  }

  /** The newest, to begin with. */
  async begin() {
    for (const [i, box] of this.boxes.slice(0, 3).entries()) {
      box.checked = true;
      await this.choose(this.runs[i], box);
    }
  }

  choices() {
    const select = (name, options, change) => h("label", null, `${name} `, h("select", { class: "narrow", onchange: (event) => change(event.target.value) },
      options.map(([value, text]) => h("option", { value }, text))));
    this.boxes = [];
    return [h("div", { class: "choices" },
      select("what", Object.entries(quantities).map(([key, [name]]) => [key, name]), (value) => {
        this.quantity = value;
        this.draw();
      }),
      select("over", [["charge", "charge"], ["time", "time"]], (value) => {
        this.over = value;
        this.draw();
      })),
    h("fieldset", null, h("legend", null, `Runs, at most ${MOST}`), h("div", { class: "choices" }, this.runs.slice(0, 40).map((r) => {
      const box = h("input", { type: "checkbox", onchange: (event) => this.choose(r, event.target) });
      this.boxes.push(box);
      return h("label", null, box, `${r.number}: ${dayOf(r.started_utc)}, ${outcomeWords[r.outcome] ?? r.outcome}`);
    })))];
  }

  async choose(run, box) {
    this.said.textContent = "";
    if (box.checked && this.chosen.length >= MOST) {
      box.checked = false;
      this.said.textContent = `${MOST} curves are as many as can be told apart: take one out first.`;
      return;
    }
    this.chosen = this.chosen.filter((n) => n !== run.number);
    if (box.checked) this.chosen.push(run.number);
    try {
      if (box.checked && !this.curves.has(run.number)) {
        this.curves.set(run.number, discharge(await get(`/v1/runs/${run.number}/curve?points=${POINTS}`)));
      }
    } catch (problem) {
      this.said.textContent = problem.message;
    }
    await this.draw();
  }

  /** One row for each point of any run; dygraphs joins what belongs together. */
  data(numbers) {
    const list = numbers.flatMap((number, column) => this.curves.get(number).map((point) => {
      const row = Array(numbers.length + 1).fill(null);
      row[0] = point[this.over];
      row[column + 1] = point[this.quantity];
      return row;
    }));
    return list.sort((a, b) => a[0] - b[0]);
  }

  async draw() {
    const numbers = this.chosen.filter((n) => this.curves.has(n));
    const Dygraph = await library();
    this.clear();
    if (!Dygraph) return fill(this.body, missing());
    if (numbers.length === 0) return fill(this.body);
    const [name, unit, digits] = quantities[this.quantity];
    const box = h("div", { class: "chart", role: "img", "aria-label": `${name} over ${this.over} of runs ${numbers.join(", ")}` });
    const readOff = h("p", { class: "read-off" }, "Point at a curve to read it off; drag to zoom, double-click for all.");
    fill(this.body, h("h3", null, `${name} (${unit}) over ${this.over === "time" ? "time" : "charge (Ah)"}`), box, this.key(numbers), readOff);
    await new Promise((resolve) => setTimeout(resolve)); // until the view is in its place
    if (!box.isConnected) return;
    const place = (x) => this.over === "time" ? duration(x) : `${amount(x, "Ah")}`;
    this.chart = new Dygraph(box, this.data(numbers), look({
      labels: ["place", ...numbers.map((n) => `run ${n}`)], colors: numbers.map((n, i) => colour(colours[i])), connectSeparatedPoints: true,
      series: Object.fromEntries(numbers.map((n, i) => [`run ${n}`, { strokePattern: dashes[i] }])),
      axes: { x: this.over === "time" ? { ticker: timeMarks } : { axisLabelFormatter: (x) => figure(x, x < 10 ? 2 : 1), pixelsPerLabel: 70 }, y: { axisLabelWidth: 52 } },
      highlightCallback: (event, x, points) => {
        readOff.textContent = `at ${place(x)}: ${points.map((p) => `${p.name} ${figure(p.yval, digits, unit)}`).join(" · ")}`;
      },
    }));
  }

  /** Lines are told apart by colour and by how they are broken. */
  key(numbers) {
    const swatch = (i) => {
      const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
      svg.setAttribute("class", "swatch");
      svg.setAttribute("viewBox", "0 0 36 8");
      svg.setAttribute("aria-hidden", "true");
      const line = document.createElementNS("http://www.w3.org/2000/svg", "path");
      for (const [name, value] of Object.entries({ d: "M0 4h36", stroke: colour(colours[i]), "stroke-width": "2.5", "stroke-dasharray": dashes[i]?.join(" ") ?? "none" })) {
        line.setAttribute(name, value);
      }
      svg.append(line);
      return svg;
    };
    return h("ul", { class: "key" }, numbers.map((n, i) => h("li", null, swatch(i), ` run ${n}`)));
  }

  close() {
    this.unlight();
    this.clear();
  }

  clear() {
    this.chart?.destroy();
    this.chart = null;
  }
}
