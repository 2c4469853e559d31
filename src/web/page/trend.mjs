// SPDX-License-Identifier: GPL-3.0-or-later
// A battery over its life: what each comparable run gave, the law through it with its
// interval, where that meets its limit, and the same in words.

import { fill, h, note, sheet, rows, table } from "./dom.mjs";
import { colour, library, look, missing, whenThemeChanges } from "./charts.mjs";
import { amount, count, dayOf, figure, list, small, withUncertainty } from "./words.mjs";

const DAY_MS = 86400e3;
const quantities = [
  { key: "capacity", name: "Capacity", unit: "Ah", value: (p) => p.capacity_Ah, error: (p) => p.capacity_uncertainty_Ah ?? 0, colour: "--line-voltage",
    below: true },
  { key: "resistance", name: "DC resistance", unit: "mΩ", value: (p) => p.resistance_mOhm, error: () => 0, colour: "--line-current" },
];
const lawWords = { none: "no change is seen", line: "a straight line", root: "a law of the square root", exponential: "an exponential law" };

export class Trend {
  constructor(trend) {
    this.trend = trend;
    this.axis = "by_date";
    this.charts = [];
    this.body = h("div");
    this.unlight = whenThemeChanges(() => this.boxes && this.drawAll());
    this.element = sheet("Over its life", trend.points.length === 0 ? null : this.choices(), this.body, this.leftOut());
    if (trend.points.length === 0) fill(this.body, h("p", null, "No run of it can be compared with another yet: it takes a discharge to its cut-off."));
    else this.draw();
  }

  choices() {
    const choice = (value, text) => h("label", null, h("input", { type: "radio", name: "life-axis", value, checked: value === this.axis,
      onchange: () => {
        this.axis = value;
        this.draw();
      } }), text);
    return h("div", { class: "choices", role: "radiogroup", "aria-label": "Drawn over" }, choice("by_date", "over time"),
      choice("by_cycles", "over cycles"));
  }

  /** Quantities of which there is more than one point. */
  shown() {
    return quantities.filter((q) => this.trend.points.filter((p) => q.value(p) !== null).length > 1);
  }

  draw() {
    const shown = this.shown();
    this.boxes = shown.map((q) => h("div", { class: "chart", role: "img", "aria-label": this.inWords(q) }));
    fill(this.body, this.sentences(), shown.map((q, i) => h("div", { class: "chart-part" }, h("h3", null, `${q.name} (${q.unit})`), this.boxes[i], this.law(q))),
      this.pointTable());
    this.drawAll();
  }

  async drawAll() {
    const shown = this.shown(), { boxes } = this;
    const Dygraph = await library();
    this.clear();
    if (!Dygraph) {
      boxes.forEach((box, i) => i === 0 ? box.replaceWith(missing()) : box.remove());
      return;
    }
    await new Promise((resolve) => setTimeout(resolve)); // until the view is in its place
    if (boxes.every((box) => box.isConnected)) this.charts = shown.map((q, i) => this.chart(Dygraph, q, boxes[i]));
  }

  /** A place on the axis as the chart takes it. */
  place(x) {
    return this.axis === "by_cycles" ? x : new Date(this.firstMs() + x * DAY_MS);
  }

  firstMs() {
    return new Date(this.trend.points[0].utc).getTime();
  }

  placeOf(p) {
    return this.axis === "by_cycles" ? p.cycles : (new Date(p.utc).getTime() - this.firstMs()) / DAY_MS;
  }

  /** As far as the law is of use: to where it meets its limit, at most twice as far as the results go. */
  reach(q) {
    const course = this.trend[q.key][this.axis];
    const last = Math.max(...this.trend.points.map((p) => this.placeOf(p)));
    const to = course.crossing_high ?? course.crossing;
    return Math.min(Math.max(last * 1.05, to ?? last * 1.3), 2 * last) || 1;
  }

  data(q) {
    const { band } = this.trend[q.key][this.axis];
    const reach = this.reach(q);
    const at = (x, point, law) => [x, point, law];
    const points = this.trend.points.filter((p) => q.value(p) !== null).map((p) => {
      const value = q.value(p), error = q.error(p);
      return at(this.placeOf(p), [value - error, value, value + error], [null, null, null]);
    });
    const law = band ? band.x.map((x, i) => [x, i]).filter(([x]) => x <= reach)
      .map(([x, i]) => at(x, [null, null, null], [band.low[i], band.fit[i], band.high[i]])) : [];
    return [...points, ...law].sort((a, b) => a[0] - b[0]).map(([x, ...rest]) => [this.place(x), ...rest]);
  }

  chart(Dygraph, q, box) {
    const course = this.trend[q.key][this.axis];
    const data = this.data(q);
    const values = data.flatMap((row) => [...row[1], ...row[2]]).filter((v) => v !== null && Number.isFinite(v));
    if (course.limit !== null) values.push(course.limit);
    const [least, most] = [Math.min(...values), Math.max(...values)], room = (most - least || Math.abs(most) || 1) * 0.06;
    return new Dygraph(box, data, look({
      labels: ["place", q.name, "law"], customBars: true, colors: [colour(q.colour), colour("--faint")], connectSeparatedPoints: true,
      valueRange: [least - room, most + room],
      series: { [q.name]: { strokeWidth: 0, drawPoints: true, pointSize: 4, fillAlpha: 0 }, law: { strokeWidth: 1.6, strokePattern: [7, 4], drawPoints: false, pointSize: 0, highlightCircleSize: 0 } },
      axes: { x: this.axis === "by_cycles" ? { axisLabelFormatter: (x) => figure(x, this.reach(q) < 10 ? 1 : 0), pixelsPerLabel: 60 } : { pixelsPerLabel: 80 },
        y: { axisLabelWidth: 56, pixelsPerLabel: 26 } },
      underlayCallback: (canvas, area, chart) => this.underlay(canvas, area, chart, course),
      drawPointCallback: (chart, name, canvas, x, y, fill_, size) => name === q.name && this.drawPoint(chart, canvas, q, x, y, size),
      pointClickCallback: (event, point) => this.open(point, q),
    }));
  }

  /** Its uncertainty as an upright bar through it. */
  drawPoint(chart, canvas, q, x, y, size) {
    canvas.fillStyle = canvas.strokeStyle = colour(q.colour);
    canvas.beginPath();
    canvas.arc(x, y, size, 0, 2 * Math.PI);
    canvas.fill();
    const value = chart.toDataYCoord(y);
    const point = this.trend.points.find((p) => q.value(p) !== null && Math.abs(q.value(p) - value) < 1e-6 * Math.abs(value) &&
      Math.abs(chart.toDomXCoord(+this.place(this.placeOf(p))) - x) < 1);
    const error = point ? q.error(point) : 0;
    if (!error) return;
    canvas.beginPath();
    canvas.moveTo(x, chart.toDomYCoord(value - error));
    canvas.lineTo(x, chart.toDomYCoord(value + error));
    canvas.stroke();
  }

  /** The limit as a level line; on it, the stretch in which the law meets it. */
  underlay(canvas, area, chart, course) {
    if (course.limit === null) return;
    const y = chart.toDomYCoord(course.limit);
    canvas.save();
    canvas.strokeStyle = colour("--bad");
    canvas.setLineDash([4, 3]);
    canvas.beginPath();
    canvas.moveTo(area.x, y);
    canvas.lineTo(area.x + area.w, y);
    canvas.stroke();
    if (course.enough && course.crossing_low !== null && course.crossing_low !== undefined) {
      const clip = (x) => Math.min(Math.max(x, area.x), area.x + area.w);
      const from = clip(chart.toDomXCoord(+this.place(course.crossing_low)));
      const to = course.crossing_high === null ? area.x + area.w : clip(chart.toDomXCoord(+this.place(course.crossing_high)));
      canvas.setLineDash([]);
      canvas.lineWidth = 5;
      canvas.globalAlpha = 0.5;
      canvas.beginPath();
      canvas.moveTo(from, y);
      canvas.lineTo(to, y);
      canvas.stroke();
    }
    canvas.restore();
  }

  open(point, q) {
    const p = this.trend.points.find((one) => +this.place(this.placeOf(one)) === point.xval && q.value(one) !== null);
    if (p) location.hash = `#/runs/${p.run}`;
  }

  /** Where a law meets its limit, in words. */
  law(q) {
    const course = this.trend[q.key][this.axis];
    if (!course.enough) return h("p", null, `No law: ${course.why_not}.`);
    const level = `${amount(course.limit, q.unit)}, ${q.below ? `${figure(this.trend.limit_percent, 0, "%")} of ${amount(this.trend.reference_Ah, "Ah")}` : "twice the first"}`;
    const said = `${course.points} results; ${lawWords[course.law]}, around which single tests scatter by ${small(course.scatter, q.unit)}` +
      (course.outliers > 0 ? `; ${course.outliers} of them do not count, they lie far off` : "") + ".";
    return [h("p", null, said, " The dashed line is that law, the shade around it its 95 % interval."), h("p", null, h("strong", null, this.meets(q, course)), ` (${level}).`)];
  }

  meets(q, course) {
    if (course.crossing === 0) return `By this law it is ${q.below ? "below" : "above"} its limit from the first result on`;
    const verb = q.below ? "falls below its limit" : "rises above its limit";
    const by = (x, utc) => this.axis === "by_cycles" ? `${figure(x, x < 10 ? 1 : 0)} cycles` : dayOf(utc);
    const at = this.axis === "by_cycles" ? "at" : "on";
    if (course.never || course.crossing === null) {
      return course.crossing_low === null || course.crossing_low === undefined ? `By these results it never ${verb}`
        : `By these results it does not come to where it ${verb}; it could ${at} ${by(course.crossing_low, course.crossing_low_utc)} at the earliest`;
    }
    const high = course.crossing_high === null ? "never" : by(course.crossing_high, course.crossing_high_utc);
    return `It ${verb} ${this.axis === "by_cycles" ? "at about" : "around"} ${by(course.crossing, course.crossing_utc)}; with 95 % between ${by(course.crossing_low, course.crossing_low_utc)} and ${high}` +
      (course.far_beyond_data ? ". That is more than twice as far as the results go: take it for an order of magnitude" : "");
  }

  sentences() {
    const { comparable, first_below_limit: first } = this.trend;
    return [comparable && h("p", null, `Compared are: ${comparable.text}.`),
      first && note("warn", "Below its limit", [h("span", null, "first in ", h("a", { href: `#/runs/${first.run}` }, `run ${first.run}`), ` on ${dayOf(first.utc)}`)])];
  }

  pointTable() {
    return h("details", null, h("summary", null, `${count(this.trend.points.length, "result")} as figures`),
      table("Results that are compared, oldest first", [{ name: "run" }, { name: "when" }, { name: "cycles", n: true }, { name: "capacity", n: true }, { name: "of reference", n: true },
        { name: "resistance", n: true }, { name: "temperature", n: true }],
      this.trend.points.map((p) => [h("a", { href: `#/runs/${p.run}` }, `${p.run}${p.round > 1 ? `, round ${p.round}` : ""}`), dayOf(p.utc), figure(p.cycles, 1),
        withUncertainty(p.capacity_Ah, p.capacity_uncertainty_Ah, "Ah"), figure(p.percent_of_reference, 1, "%"),
        amount(p.resistance_mOhm, "mΩ"), figure(p.temperature_C, 1, "°C")]), { cards: true }));
  }

  leftOut() {
    const left = this.trend.left_out;
    if (left.length === 0) return null;
    return h("details", null, h("summary", null, `Not compared: ${left.length}`),
      rows(left.map((l) => [h("a", { href: `#/runs/${l.run}` }, `run ${l.run}${l.round > 1 ? `, round ${l.round}` : ""}`), l.why])));
  }

  inWords(q) {
    const points = this.trend.points.filter((p) => q.value(p) !== null);
    return `${q.name}: ${list(points.map((p) => `${dayOf(p.utc)} ${amount(q.value(p), q.unit)}`))}`;
  }

  close() {
    this.unlight();
    this.clear();
  }

  clear() {
    this.charts.forEach((chart) => chart.destroy());
    this.charts = [];
  }
}
