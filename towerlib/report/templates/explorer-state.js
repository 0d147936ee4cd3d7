"use strict";
// Tables of the page, and the state of a tower at the end of a month.

const known = JSON.parse(document.getElementById("contents").textContent);
const STEP = 6; // month, kind, value, low, high, day of one change
const state = { layer: 0, month: known.months.length - 1, chosen: null };
const el = (id) => document.getElementById(id);
const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();

/** The last change of a tower up to a month, or null. */
function standing(layer, tower, month) {
  const row = layer.changes[tower];
  if (!row) return null;
  let found = -1;
  for (let place = 0; place < row.length && row[place] <= month; place += STEP) found = place;
  if (found < 0) return null;
  const [, kind, value, low, high, day] = row.slice(found, found + STEP);
  return { kind, value, low, high, day };
}

/** Three figures of a number, never with an exponent. */
function plain(number) {
  const size = Math.abs(number);
  const text = size >= 100 ? number.toFixed(0) : size < 1e-6 ? "0" : String(Number(number.toPrecision(3)));
  return text.replace("-", "−");
}

/** A value with its unit and, where asked for, its interval, and its class. */
function words(layer, found, withInterval = true) {
  const look = layer.looks[found ? found.kind : 0];
  if (!found || found.value === null || !hasNumbers(layer)) return look.label;
  const unit = layer.unit ? " " + layer.unit : "";
  let interval = "";
  if (!withInterval) interval = "";
  else if (found.low !== null && found.high !== null) interval = ` (${plain(found.low)}–${plain(found.high)})`;
  else if (found.low !== null) interval = ` (> ${plain(found.low)})`;
  return `${look.bounded ? "> " : ""}${plain(found.value)}${unit}${interval}, ${look.label}`;
}

/** Whether the values of a layer are measures; else their place in the rows is all they say. */
function hasNumbers(layer) {
  return layer.unit !== "";
}

/** Height of a value in the profile; null where it has none. */
function height(layer, value) {
  if (value === null || (layer.log && value <= 0)) return null;
  return layer.log ? Math.log10(value) : value;
}

/** Heights of the axis: its ends, the rows with their texts, and the row of towers without a value. */
function axisOf(layer) {
  const rows = layer.rows.map(([value, text]) => [height(layer, value), text]);
  const values = rows.map(([at]) => at);
  for (const row of layer.changes)
    for (let place = 0; place < row.length; place += STEP)
      for (const part of [2, 3, 4]) {
        const at = height(layer, row[place + part]);
        if (at !== null) values.push(at);
      }
  const low = values.reduce((a, b) => Math.min(a, b), Infinity);
  const high = values.reduce((a, b) => Math.max(a, b), -Infinity);
  const reach = Math.max(high - low, 0.5);
  const floor = low - (hasNumbers(layer) ? 0.14 * reach : 1);
  return { rows, floor, start: floor - (hasNumbers(layer) ? 0.08 * reach : 0.5), end: high + 0.1 * reach };
}

/** Towers of a span. */
const spanEnds = (span) => [known.spans.from[span], known.spans.to[span]];
const spanName = (span) => spanEnds(span).map((tower) => (tower === null ? "?" : known.towers.name[tower])).join(" – ");
const isolated = (name) => "\u2068" + name + "\u2069"; // a name in another direction leaves the words around it in place

const axes = new Map();
/** The axis of a layer, worked out once. */
function axis(layer) {
  if (!axes.has(layer)) axes.set(layer, axisOf(layer));
  return axes.get(layer);
}
