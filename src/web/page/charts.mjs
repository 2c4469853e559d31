// SPDX-License-Identifier: GPL-3.0-or-later
// Curves: Debian's dygraphs, loaded from this daemon when a chart is wanted first. Where
// it is not installed the view says so and goes without.

import { h } from "./dom.mjs";

let loading = null;

/** The library, or null where it is not installed. */
export function library() {
  loading ??= new Promise((resolve) => {
    const style = h("link", { rel: "stylesheet", href: "/charts/dygraph.min.css" });
    const script = h("script", { src: "/charts/dygraph.min.js" });
    script.onload = () => resolve(window.Dygraph ?? null);
    script.onerror = () => resolve(null);
    document.head.append(style, script);
  });
  return loading;
}

export function missing() {
  return h("div", { class: "note note-warn" }, h("p", null, h("strong", null, "No curves. "),
    "They need Debian's package libjs-dygraphs on the computer that runs the daemon: apt install libjs-dygraphs. All figures are there without it."));
}

export function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

/** The ends of an axis that shows at least so much, or null where the values span more:
 *  noise is not drawn as if it were news. */
export function spanned(values, least) {
  const known = values.filter((v) => v !== null);
  const [low, high] = known.reduce(([a, b], v) => [Math.min(a, v), Math.max(b, v)], [Infinity, -Infinity]);
  if (known.length === 0 || high - low >= least) return null;
  return [(low + high - least) / 2, (low + high + least) / 2];
}

const STEPS_S = [1, 2, 5, 10, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 432000, 864000];

export function elapsedText(seconds) {
  if (Math.abs(seconds) < 120) return `${Math.round(seconds * 10) / 10} s`;
  return Math.abs(seconds) < 7200 ? `${Math.round(seconds / 6) / 10} min` : `${Math.round(seconds / 36) / 100} h`;
}

/** Marks of an axis of elapsed time: where a clock has them, not where decimals do. */
export function timeMarks(from, to, pixels) {
  const room = (to - from) / Math.max(1, Math.floor(pixels / 75));
  const step = STEPS_S.find((s) => s >= room) ?? 864000 * Math.ceil(room / 864000);
  const fine = room < 1 ? 10 ** Math.ceil(Math.log10(room)) : step;
  const marks = [];
  for (let v = Math.ceil(from / fine) * fine; v <= to; v += fine) marks.push({ v, label: elapsedText(v) });
  return marks;
}

const TURN = 0.01; // of all charge moved: what turns back by less is noise

/** Over charge the curve turns back where a charge follows a discharge: the stretches in
 *  one direction, as [first, last] indices. */
export function stretches(charge) {
  const size = charge.map(Math.abs);
  const least = TURN * size.reduce((most, q) => Math.max(most, q), 0);
  const list = [];
  let first = 0, far = 0, way = 0;
  size.forEach((q, i) => {
    if (way === 0 && Math.abs(q - size[first]) > least) way = Math.sign(q - size[first]);
    if (way * (q - size[far]) >= 0) far = i;
    else if (way !== 0 && Math.abs(q - size[far]) > least) {
      list.push([first, far]);
      [first, far, way] = [far, i, -way];
    }
  });
  if (size.length > 0) list.push([first, size.length - 1]);
  return list;
}

/** Charts take their colours when they are drawn. Returns how to stop. */
export function whenThemeChanges(draw) {
  const dark = matchMedia("(prefers-color-scheme: dark)");
  dark.addEventListener("change", draw);
  return () => dark.removeEventListener("change", draw);
}

/** Options that all charts share. */
export function look(extra) {
  return {
    axisLineColor: colour("--rule-strong"), gridLineColor: colour("--rule"), gridLineWidth: 1,
    highlightCircleSize: 4, strokeWidth: 1.6, legend: "never", animatedZooms: false,
    ...extra,
  };
}
