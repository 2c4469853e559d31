// SPDX-License-Identifier: GPL-3.0-or-later
// One run as curves: voltage, current and temperature over time or over charge, with
// zoom and read-off. A zoom asks for that stretch again, with all its detail.

import { fill, h } from "./dom.mjs";
import { get, part } from "./api.mjs";
import { colour, library, look, missing, spanned, stretches, timeMarks, whenThemeChanges } from "./charts.mjs";
import { amount, duration, figure, flow } from "./words.mjs";

const POINTS = Math.min(4000, Math.max(1000, 2 * innerWidth)); // two for each dot of the screen's width
const GROWS_MS = 3000;
const MOST_STRETCHES = 30;
const parts = [
  { key: "voltage_V", name: "Voltage", unit: "V", digits: 3, colour: "--line-voltage" },
  { key: "current_A", name: "Current, into the battery positive", unit: "A", digits: 3, colour: "--line-current", low: true },
  { key: "temperature_C", name: "Temperature", unit: "°C", digits: 1, colour: "--line-temperature", low: true, least: 5 },
];

function button(sign, name, act) {
  return h("button", { type: "button", class: "small-button", "aria-label": name, title: name, onclick: act }, sign);
}

export class Curve {
  constructor(run) {
    this.run = run;
    this.over = "time";
    this.charts = [];
    this.unlight = whenThemeChanges(() => this.all && this.draw());
    this.busy = false;
    this.read = "";
    this.readOff = h("p", { class: "read-off", "aria-live": "off" }, "Point at a curve to read it off; drag to zoom, double-click for all. By keyboard: the slider and the buttons.");
    this.slider = h("input", { type: "range", min: "0", max: "0", value: "0", "aria-label": "Read off along the curve", oninput: () => this.slid() });
    this.body = h("div", null, h("p", null, "Fetching the curve…"));
    this.element = h("section", { class: "sheet" }, h("h2", null, "Curve"), this.choices(), this.readOff, this.slider, this.body);
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
      h("div", { class: "buttons-tight", role: "group", "aria-label": "Part shown" },
        button("+", "Nearer", () => this.shift(0.5, 0)), button("−", "Farther", () => this.shift(2, 0)),
        button("◂", "Earlier", () => this.shift(1, -0.5)), button("▸", "Later", () => this.shift(1, 0.5)),
        h("button", { type: "button", class: "small-button", onclick: () => this.zoomOut() }, "Show all")));
  }

  /** First and last place of the whole run, on the axis as drawn. */
  ends() {
    const { t_s: times, charge_Ah: charges } = this.all;
    if (this.over === "time") return [times[0], times.at(-1)];
    return charges.map(Math.abs).reduce(([least, most], q) => [Math.min(least, q), Math.max(most, q)], [Infinity, 0]);
  }

  /** Nearer about what is read off, else about the middle; farther; or along. */
  shift(factor, along) {
    if (this.charts.length === 0) return;
    const [from, to] = this.charts[0].xAxisRange(), [start, end] = this.ends();
    const width = Math.min((to - from) * factor, end - start);
    const row = this.charts[0].getSelection(), read = row < 0 ? NaN : this.charts[0].getValue(row, 0);
    const middle = (factor < 1 && read > from && read < to ? read : (from + to) / 2) + along * width;
    const low = Math.min(Math.max(middle - width / 2, start), end - width);
    this.zoomIn(low, low + width);
  }

  /** The slider goes over the points drawn: by arrow keys from one to the next. */
  slid() {
    const row = Number(this.slider.value);
    if (this.charts.length === 0 || row >= this.charts[0].numRows()) return;
    this.charts.forEach((chart) => chart.setSelection(row));
    this.pointed(this.charts[0].getValue(row, 0), row, this.charts[0].graphDiv);
    this.slider.setAttribute("aria-valuetext", this.readOff.textContent);
  }

  async load() {
    [this.Dygraph, this.all] = await Promise.all([library(), this.fetch()]);
    if (!this.Dygraph) fill(this.body, missing());
  }

  fetch(more = "") {
    return get(`/v1/runs/${part(this.run)}/curve?points=${POINTS}${more}`);
  }

  /** While the run goes on. */
  grow() {
    const timer = setInterval(async () => {
      if (this.all && this.all.outcome !== "running") clearInterval(timer);
      if (!this.all || this.zoomed || document.hidden || this.asking) return;
      this.asking = true;
      try {
        this.all = await this.fetch();
        if (!this.zoomed) this.draw(true);
      } catch { /* the frame says that the daemon is gone */ }
      this.asking = false;
    }, GROWS_MS);
    return () => clearInterval(timer);
  }

  /** The curve is as it was read: where leads are corrected for, that is to be said. */
  measured(lead_ohm) {
    this.read = lead_ohm > 0 ? ` as read, not corrected for leads of ${figure(lead_ohm * 1000, 1, "mΩ")}` : "";
  }

  /** Events are marked by upright lines; listed in words elsewhere. */
  mark(events) {
    this.events = events.filter((e) => e.t_s !== null);
    this.charts.forEach((chart) => chart.updateOptions({}));
  }

  /** Where an event is on the axis as drawn. */
  placeOf(event) {
    if (this.over === "time") return event.t_s;
    const i = this.all.t_s.findIndex((t) => t >= event.t_s);
    return Math.abs(this.all.charge_Ah[i < 0 ? this.all.t_s.length - 1 : i]);
  }

  /** The points in the order of the axis, and which stretch each is of. */
  sort() {
    const c = this.zoomed ?? this.all, last = c.t_s.length - 1;
    const all = this.over === "charge" ? stretches(c.charge_Ah) : [[0, last]];
    this.left = Math.max(0, all.length - MOST_STRETCHES);
    this.parts = all.slice(this.left).map(([from, to]) => ({ from, to, back: Math.abs(c.charge_Ah[to] ?? 0) < Math.abs(c.charge_Ah[from] ?? 0) }));
    this.order = this.parts.flatMap(({ from, to }, part) => Array.from({ length: to - from + 1 }, (_, k) => ({ i: from + k, part })));
    if (this.over === "charge") {
      const at = c.charge_Ah.map(Math.abs);
      this.order.sort((a, b) => at[a.i] - at[b.i] || a.i - b.i);
    }
  }

  data(quantity) {
    const c = this.zoomed ?? this.all;
    return this.order.map(({ i, part }) => {
      const row = Array(this.parts.length + 1).fill(null);
      row[0] = this.over === "time" ? c.t_s[i] : Math.abs(c.charge_Ah[i]);
      row[part + 1] = c[quantity.key][i];
      return row;
    });
  }

  /** The ends of its upright axis; null: as the values are. */
  range(quantity) {
    return quantity.least ? spanned((this.zoomed ?? this.all)[quantity.key], quantity.least) : null;
  }

  draw(keep) {
    if (!this.Dygraph || !this.all) return;
    const before = this.parts?.length;
    this.sort();
    const shown = parts.filter((p) => (this.zoomed ?? this.all).t_s.length > 0 && this.all[p.key].some((v) => v !== null));
    if (shown.length === 0) {
      fill(this.body, h("p", null, "There is no sample yet."));
      return;
    }
    if (keep && this.charts.length === shown.length && this.parts.length === before) {
      this.busy = true;
      this.charts.forEach((chart, i) => chart.updateOptions({ file: this.data(shown[i]), valueRange: this.range(shown[i]) }));
      this.slider.max = `${this.order.length - 1}`;
      this.busy = false;
      return;
    }
    this.charts.forEach((chart) => chart.destroy());
    this.slider.max = `${this.order.length - 1}`;
    const boxes = shown.map((p) => h("div", { class: `chart ${p.low ? "chart-low" : ""}`, role: "img",
      "aria-label": this.inWords(p) }));
    const told = this.parts.some((p) => p.back) && h("p", { class: "small faint" }, "Broken line: on the way back, towards the charge at the begin.",
      this.left > 0 && ` Of ${this.left + this.parts.length} stretches the last ${this.parts.length} are drawn.`);
    fill(this.body, this.over === "charge" && told, shown.map((p, i) => h("div", { class: "chart-part" }, h("h3", null, `${p.name}${p.key === "voltage_V" ? this.read : ""} (${p.unit})`), boxes[i])));
    this.charts = shown.map((p, i) => this.chart(p, boxes[i], i === shown.length - 1));
  }

  inWords(p) {
    const values = this.all[p.key].filter((v) => v !== null);
    return `${p.name}: from ${figure(values[0], p.digits, p.unit)} to ${figure(values.at(-1), p.digits, p.unit)}, ` +
      `least ${figure(Math.min(...values), p.digits)}, greatest ${figure(Math.max(...values), p.digits)}`;
  }

  chart(p, box, last) {
    const names = this.parts.map((part, k) => k === 0 ? p.name : `${p.name}, stretch ${k + 1}`);
    return new this.Dygraph(box, this.data(p), look({
      labels: [this.over === "time" ? "time" : "charge", ...names], colors: names.map(() => colour(p.colour)),
      connectSeparatedPoints: names.length > 1,
      series: Object.fromEntries(this.parts.map((part, k) => [names[k], { strokePattern: this.over === "charge" && part.back ? [7, 4] : null }])),
      valueRange: this.range(p), xlabel: "", axes: {
        x: this.over === "time" ? { ticker: timeMarks } : { axisLabelFormatter: (x) => `${figure(x, x < 10 ? 2 : 1)} Ah`, pixelsPerLabel: 80 },
        y: { axisLabelWidth: 52, pixelsPerLabel: 26 },
      },
      underlayCallback: (canvas, area, chart) => {
        canvas.save();
        canvas.strokeStyle = colour("--bad");
        canvas.setLineDash([3, 3]);
        for (const event of this.events ?? []) {
          const x = chart.toDomXCoord(this.placeOf(event));
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
      zoomCallback: (from, to) => this.zoomedByHand(from, to),
    }));
  }

  pointed(x, row, box) {
    const c = this.zoomed ?? this.all, i = this.order[row]?.i;
    if (i === undefined) return;
    this.charts.forEach((chart) => chart.graphDiv !== box && chart.setSelection(row));
    this.slider.value = `${row}`;
    const current = flow(c.current_A[i]);
    const event = (this.events ?? []).find((e) => this.over === "time" && Math.abs(e.t_s - x) < (c.t_s.at(-1) - c.t_s[0]) / 200);
    this.readOff.textContent = [`at ${duration(c.t_s[i])}: ${figure(c.voltage_V[i], 3, "V")}`,
      `${current.word} ${current.amount}`, c.temperature_C[i] === null ? "" : figure(c.temperature_C[i], 1, "°C"),
      `${amount(Math.abs(c.charge_Ah[i]), "Ah")} since the ${this.zoomed ? "left edge" : "begin"}`, event ? event.text : ""]
      .filter((text) => text).join(" · ");
  }

  /** A double click asks for all that is loaded, which is everything only without a zoom. */
  zoomedByHand(from, to) {
    const all = this.zoomed && from <= this.zoomed.t_s[0] && to >= this.zoomed.t_s.at(-1);
    if (all) this.zoomOut();
    else this.zoomIn(from, to);
  }

  async zoomIn(from, to) {
    if (this.busy) return;
    const [start, end] = this.ends();
    if (from <= start && to >= end) {
      this.zoomOut();
      return;
    }
    if (this.over === "time") {
      const number = this.zooms = (this.zooms ?? 0) + 1;
      try {
        const stretch = await this.fetch(`&from=${from}&to=${to}`);
        if (number !== this.zooms || this.over !== "time") return; // another was asked for since
        this.zoomed = stretch;
      } catch (problem) {
        this.readOff.textContent = problem.message;
        return;
      }
    }
    this.busy = true;
    if (this.over === "time") this.draw();
    this.charts.forEach((chart) => chart.updateOptions({ dateWindow: [from, to] }));
    this.busy = false;
  }

  close() {
    this.unlight();
    this.charts.forEach((chart) => chart.destroy());
    this.charts = [];
  }

  zoomOut() {
    this.zooms = (this.zooms ?? 0) + 1;
    this.zoomed = null;
    if (this.all) this.draw();
  }
}
