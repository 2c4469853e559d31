// SPDX-License-Identifier: GPL-3.0-or-later
// One run as curves: voltage, current and temperature over time or over charge, with
// zoom and read-off. A zoom asks for that stretch again, with all its detail.

import { fill, h } from "./dom.mjs";
import { get } from "./api.mjs";
import { colour, library, look, missing } from "./charts.mjs";
import { amount, duration, figure, flow } from "./words.mjs";

const POINTS = 4000;
const GROWS_MS = 3000;
const parts = [
  { key: "voltage_V", name: "Voltage", unit: "V", digits: 3, colour: "--line-voltage" },
  { key: "current_A", name: "Current, into the battery positive", unit: "A", digits: 3, colour: "--line-current", low: true },
  { key: "temperature_C", name: "Temperature", unit: "°C", digits: 1, colour: "--line-temperature", low: true },
];

function elapsedText(seconds) {
  if (Math.abs(seconds) < 120) return `${Math.round(seconds * 10) / 10} s`;
  return seconds < 7200 ? `${Math.round(seconds / 6) / 10} min` : `${Math.round(seconds / 36) / 100} h`;
}

export class Curve {
  constructor(run) {
    this.run = run;
    this.over = "time";
    this.charts = [];
    this.busy = false;
    this.readOff = h("p", { class: "read-off", "aria-live": "off" }, "Point at a curve to read it off; drag to zoom, double-click for all.");
    this.body = h("div", null, h("p", null, "Fetching the curve…"));
    this.element = h("section", { class: "sheet" }, h("h2", null, "Curve"), this.choices(), this.readOff, this.body);
  }

  choices() {
    const choice = (value, text) => h("label", null,
      h("input", { type: "radio", name: "over", value, checked: value === this.over, onchange: () => {
        this.over = value;
        this.zoomed = null;
        this.draw();
      } }), text);
    return h("div", { class: "choices", role: "radiogroup", "aria-label": "Drawn over" },
      choice("time", "over time"), choice("charge", "over charge (Ah)"),
      h("button", { type: "button", onclick: () => this.zoomOut() }, "Show all"));
  }

  async load() {
    this.Dygraph = await library();
    if (!this.Dygraph) {
      fill(this.body, missing());
      return;
    }
    this.all = await get(`/v1/runs/${this.run}/curve?points=${POINTS}`);
    this.draw();
  }

  /** While the run goes on. */
  grow() {
    const timer = setInterval(async () => {
      if (this.all && this.all.outcome !== "running") clearInterval(timer);
      if (!this.all || this.zoomed || document.hidden || this.asking) return;
      this.asking = true;
      try {
        this.all = await get(`/v1/runs/${this.run}/curve?points=${POINTS}`);
        this.draw(true);
      } catch { /* the frame says that the daemon is gone */ }
      this.asking = false;
    }, GROWS_MS);
    return () => clearInterval(timer);
  }

  /** Events are marked by upright lines; listed in words elsewhere. */
  mark(events) {
    this.events = events.filter((e) => e.t_s !== null);
  }

  data(part) {
    const c = this.zoomed ?? this.all;
    const x = this.over === "time" ? c.t_s : c.charge_Ah.map(Math.abs);
    const list = x.map((value, i) => [value, c[part.key][i]]);
    // dygraphs wants x to grow; charge turns where a charge follows a discharge.
    return this.over === "time" ? list : list.map((row, i) => [row[0], row[1], i]).sort((a, b) => a[0] - b[0] || a[2] - b[2]).map((r) => r.slice(0, 2));
  }

  draw(keep) {
    const shown = parts.filter((p) => (this.zoomed ?? this.all).t_s.length > 0 && this.all[p.key].some((v) => v !== null));
    if (shown.length === 0) {
      fill(this.body, h("p", null, "There is no sample yet."));
      return;
    }
    if (keep && this.charts.length === shown.length) {
      this.busy = true;
      this.charts.forEach((chart, i) => chart.updateOptions({ file: this.data(shown[i]) }));
      this.busy = false;
      return;
    }
    this.charts.forEach((chart) => chart.destroy());
    const boxes = shown.map((p) => h("div", { class: `chart ${p.low ? "chart-low" : ""}`, role: "img",
      "aria-label": this.inWords(p) }));
    fill(this.body, shown.map((p, i) => h("div", { class: "chart-part" }, h("h3", null, `${p.name} (${p.unit})`), boxes[i])));
    this.charts = shown.map((p, i) => this.chart(p, boxes[i], i === shown.length - 1));
  }

  inWords(p) {
    const values = this.all[p.key].filter((v) => v !== null);
    return `${p.name}: from ${figure(values[0], p.digits, p.unit)} to ${figure(values.at(-1), p.digits, p.unit)}, ` +
      `least ${figure(Math.min(...values), p.digits)}, greatest ${figure(Math.max(...values), p.digits)}`;
  }

  chart(p, box, last) {
    const events = this.over === "time" ? this.events ?? [] : [];
    return new this.Dygraph(box, this.data(p), look({
      labels: [this.over === "time" ? "time" : "charge", p.name], colors: [colour(p.colour)],
      xlabel: "", axes: {
        x: { axisLabelFormatter: (x) => this.over === "time" ? elapsedText(x) : `${figure(x, x < 10 ? 2 : 1)} Ah`, pixelsPerLabel: 80 },
        y: { axisLabelWidth: 52, pixelsPerLabel: 26 },
      },
      underlayCallback: (canvas, area, chart) => {
        canvas.save();
        canvas.strokeStyle = colour("--bad");
        canvas.setLineDash([3, 3]);
        for (const event of events) {
          const x = chart.toDomXCoord(event.t_s);
          if (x < area.x || x > area.x + area.w) continue;
          canvas.beginPath();
          canvas.moveTo(x, area.y);
          canvas.lineTo(x, area.y + area.h);
          canvas.stroke();
        }
        canvas.restore();
      },
      highlightCallback: (event, x, points, row) => this.pointed(x, row, box),
      unhighlightCallback: () => this.charts.forEach((c) => c.clearSelection()),
      zoomCallback: (from, to) => this.zoomIn(from, to),
    }));
  }

  pointed(x, row, box) {
    const c = this.zoomed ?? this.all;
    if (this.over === "time") {
      this.charts.forEach((chart) => chart.graphDiv !== box && chart.setSelection(row));
      const current = flow(c.current_A[row]);
      const event = (this.events ?? []).find((e) => Math.abs(e.t_s - x) < (c.t_s.at(-1) - c.t_s[0]) / 200);
      this.readOff.textContent = [`at ${duration(c.t_s[row])}: ${figure(c.voltage_V[row], 3, "V")}`,
        `${current.word} ${current.amount}`, c.temperature_C[row] === null ? "" : figure(c.temperature_C[row], 1, "°C"),
        `${amount(Math.abs(c.charge_Ah[row]), "Ah")} since the ${this.zoomed ? "left edge" : "begin"}`, event ? event.text : ""]
        .filter((text) => text).join(" · ");
    } else {
      const value = this.charts.find((chart) => chart.graphDiv === box)?.getValue(row, 1);
      this.readOff.textContent = `at ${amount(x, "Ah")}: ${value === undefined ? "–" : figure(value, 3)}`;
    }
  }

  async zoomIn(from, to) {
    if (this.busy) return;
    if (this.over === "charge") {
      this.busy = true;
      this.charts.forEach((chart) => chart.updateOptions({ dateWindow: [from, to] }));
      this.busy = false;
      return;
    }
    const shown = this.zoomed ?? this.all;
    if (from <= shown.t_s[0] && to >= shown.t_s.at(-1)) { // a double click
      this.zoomOut();
      return;
    }
    this.zoomed = await get(`/v1/runs/${this.run}/curve?points=${POINTS}&from=${from}&to=${to}`);
    this.busy = true;
    this.draw();
    this.charts.forEach((chart) => chart.updateOptions({ dateWindow: [from, to] }));
    this.busy = false;
  }

  zoomOut() {
    this.zoomed = null;
    if (this.all) this.draw();
  }
}
