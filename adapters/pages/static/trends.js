// The last hours of one place: read once, then only what is new; in words, and as curves.

import { ageWords, fit, put, remember, say, whoWords } from "./common.js";
import { nameOf, told } from "./course.js";
import { canDraw, drawCurve, drawLanes, zoneWords } from "./plots.js";
import { unitWords } from "./units.js";
import { runClock, timeWords, zonedWords } from "./when.js";

const EVERY_MS = 10000;
const OLD_S = 30;
// So many points of a curve are kept; then all is read anew, thinned.
const MOST = 2400;
const { ward, place, hours, to } = document.body.dataset;
const find = (id) => document.getElementById(id);
const keyOf = (curve) => `${curve.vital} ${curve.by}`;
const RANK = { high: 0, medium: 1, low: 2 };
let data = null;
let readAt = 0;

async function read() {
  const query = new URLSearchParams({ hours });
  if (to) query.set("to", to);
  if (data && data.curves.every((one) => one.points.length < MOST)) query.set("after", data.to_ms);
  const response = await fetch(`place/${ward}/${place}/trends.json?${query}`);
  const found = await response.json();
  if (!response.ok) throw new Error(found.problem);
  if (query.has("after")) join(found);
  data = found;
  readAt = performance.now();
  draw();
}

// What came before stays; what is drawn of the newest breaths is read once more.
function join(found) {
  const before = new Map(data.curves.map((one) => [keyOf(one), one.points]));
  for (const curve of found.curves) {
    const old = (before.get(keyOf(curve)) ?? [])
      .filter(([ms]) => ms > found.from_ms && ms <= found.read_from_ms);
    const [last, first] = [old.at(-1), curve.points[0]];
    if (last && first && first[0] - last[0] > curve.gap_ms) old.push([last[0] + 1, null]);
    curve.points = [...old, ...curve.points];
  }
}

// Of each value the first who tells it.
function shown() {
  const found = new Map();
  for (const curve of data.curves) {
    if (!found.has(curve.vital) && curve.points.some(([, value]) => value !== null)) {
      found.set(curve.vital, curve);
    }
  }
  return [...found.values()];
}

const limitsOf = (curve) => data.limits.filter((one) => one.vital === curve.vital);

function draw() {
  const curves = shown();
  const rows = curves.map((curve) => told(curve, limitsOf(curve), data));
  put(find("who"), `${whoWords(data.patient ?? { species: null })}. `);
  put(find("whose"), say("trends_limits_by", { rules: data.rules, since: timeWords(data.from_ms) }));
  drawSummary(curves, rows);
  drawAdvised();
  drawCurves(curves, rows);
  tellAge();
}

function drawSummary(curves, rows) {
  find("summary").replaceChildren(...rows.map((row) => {
    const line = document.createElement("tr");
    for (const key of ["name", "now", "lowest", "highest", "course", "limits"]) {
      const cell = document.createElement(key === "name" ? "th" : "td");
      if (key === "name") cell.scope = "row";
      if (key === "now") cell.className = "now";
      cell.textContent = row[key];
      line.append(cell);
    }
    return line;
  }));
  const gaps = rows.filter((row) => row.gaps).map((row) =>
    say(row.gaps === 1 ? "value_gap_one" : "value_gap_many", { what: row.name, n: row.gaps }));
  const known = new Set(curves.map((one) => one.vital));
  const never = new Set(data.curves.filter((one) => !known.has(one.vital)).map(nameOf));
  put(find("gaps"), [
    gaps.length ? say("value_gaps", { what: gaps.join(", ") }) : "",
    never.size ? say("value_never", { what: [...never].join(", ") }) : "",
  ].filter(Boolean).join(" "));
}

// -- advisories ----------------------------------------------------------------------------------

// One lane a rule: the most urgent first.
function lanesOf() {
  const lanes = new Map();
  for (const one of data.advisories) {
    if (!lanes.has(one.rule)) lanes.set(one.rule, { ...one, advisories: [] });
    lanes.get(one.rule).advisories.push(one);
  }
  return [...lanes.values()].sort((one, other) =>
    one.explained - other.explained || RANK[one.priority] - RANK[other.priority]);
}

function drawAdvised() {
  const lanes = lanesOf();
  find("none-advised").hidden = lanes.length > 0;
  find("lanes").hidden = lanes.length === 0 || !canDraw();
  const words = lanes.map(laneWords);
  find("advised").replaceChildren(...words.map((text, at) => {
    const item = document.createElement("li");
    item.dataset.need = lanes[at].priority;
    item.textContent = text;
    return item;
  }));
  find("lanes").setAttribute("aria-label", `${say("link_past")}: ${words.join(" ")}`);
  if (lanes.length && canDraw()) drawLanes(find("lanes"), lanes, data);
}

function laneWords(lane) {
  const spans = lane.advisories.flatMap((one) => one.spans).sort((one, other) => one[0] - other[0]);
  const [from, ends] = spans.at(-1);
  const parts = [ends === null ? say("span_open", { from: timeWords(from) })
    : say("span_over", { from: timeWords(from), to: timeWords(ends),
      age: ageWords((ends - from) / 1000) })];
  if (spans.length > 1) parts.push(say("span_more", { n: spans.length - 1 }));
  if (lane.explained) parts.push(say("span_explained"));
  if (lane.acknowledged_by) parts.push(say("seen_by", { by: lane.acknowledged_by }));
  return say("span", { priority: say(`priority_${lane.priority}`), says: lane.says,
    spans: parts.join("; ") });
}

// -- curves --------------------------------------------------------------------------------------

function drawCurves(curves, rows) {
  if (!canDraw()) return;
  const box = find("curves");
  fit(box, curves.length, () => find("curve").content.firstElementChild.cloneNode(true));
  curves.forEach((curve, at) => {
    const [caption, plot] = box.children[at].children;
    put(caption, `${rows[at].name}, ${unitWords(curve.unit)}. ${zoneWords(data)}`);
    plot.setAttribute("aria-label", say("curve_alt", { ...rows[at], what: rows[at].name }));
    drawCurve(plot, curve, limitsOf(curve), data);
  });
}

// -- how old it is -------------------------------------------------------------------------------

function tellAge(lost = null) {
  if (!data) return;
  const at = zonedWords(data.to_ms);
  const seconds = data.age_s + (performance.now() - readAt) / 1000;
  const text = lost ? say("trends_lost", { at, why: lost })
    : to ? say("trends_then", { at })
      : seconds > OLD_S ? say("trends_old", { at, age: ageWords(seconds) })
        : say("trends_kept", { at });
  const old = lost !== null || (!to && seconds > OLD_S);
  find("kept").classList.toggle("problem", old);
  put(find("now"), say(old || to ? "value_then" : "value_now"));
  put(find("kept"), text);
}

function next() {
  read().catch((error) => {
    if (data) tellAge(error.message);
    else put(find("kept"), error.message);
  }).finally(() => {
    if (!to) setTimeout(next, EVERY_MS);
  });
}

const redraw = () => data && draw();
remember(["co2"], redraw);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
addEventListener("beforeprint", () => {
  document.documentElement.dataset.print = "";
  redraw();
});
addEventListener("afterprint", () => {
  delete document.documentElement.dataset.print;
  redraw();
});
runClock();
next();
