// The curves and the lanes of advisories, by Plotly where it is there.

import { say } from "./common.js";
import { limitName, nameOf } from "./course.js";
import { shownValue, unitWords } from "./units.js";
import { zone } from "./when.js";

const CONFIG = { displayModeBar: false, responsive: true, showTips: false, doubleClick: false };
const SYMBOLS = { high: "triangle-up", medium: "diamond", low: "circle" };
const TICKS = [{ dtickrange: [null, 59999], value: "%H:%M:%S" }, { dtickrange: [60000, null], value: "%H:%M" }];
const CURVE_PX = 150;
const LANE_PX = 36;
const PRINTED_PX = 680;

export const canDraw = () => typeof Plotly !== "undefined";

const colour = (name) =>
  getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

// Plotly draws times as if all were UTC: so they are moved by how far the time zone here is from it.
const local = (ms, data) => new Date(ms - new Date(data.to_ms).getTimezoneOffset() * 60000)
  .toISOString().slice(0, -1);

function layout(data, height, rest) {
  const [ink, soft, line] = [colour("ink"), colour("soft"), colour("line")];
  const axis = { gridcolor: line, linecolor: line, zeroline: false, fixedrange: true };
  const printing = "print" in document.documentElement.dataset;
  return {
    height, ...(printing ? { width: PRINTED_PX } : { autosize: true }),
    margin: { l: 48, r: 110, t: 8, b: 24 },
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    font: { family: "system-ui, sans-serif", size: 13, color: ink },
    showlegend: false, dragmode: false, hovermode: "closest",
    hoverlabel: { bgcolor: colour("card"), bordercolor: soft, font: { color: ink } },
    ...rest,
    xaxis: { ...axis, type: "date", range: [local(data.from_ms, data), local(data.to_ms, data)],
      tickformatstops: TICKS, nticks: 8, tickfont: { color: soft } },
    yaxis: { ...axis, nticks: 5, tickfont: { color: soft }, ...rest.yaxis },
  };
}

export function drawCurve(element, curve, limits, data) {
  const unit = unitWords(curve.unit);
  const alone = (at) => (curve.points[at - 1]?.[1] ?? null) === null
    && (curve.points[at + 1]?.[1] ?? null) === null;
  const trace = {
    x: curve.points.map(([ms]) => local(ms, data)),
    y: curve.points.map(([, value]) => value === null ? null : shownValue(curve.unit, value)),
    mode: "lines+markers", line: { color: colour("ink"), width: 1.6 },
    // A value between two gaps is no line, but it was there.
    marker: { color: colour("ink"), size: curve.points.map((_, at) => alone(at) ? 5 : 0) },
    hovertemplate: `%{y:.4~g} ${unit}, %{x|%H:%M:%S}<extra>${nameOf(curve)}</extra>`,
  };
  Plotly.react(element, [trace], layout(data, CURVE_PX, {
    shapes: [...raised(data), ...limits.map((one) => limitLine(one, curve, data))],
    annotations: limits.filter((one) => one.to_ms >= data.to_ms)
      .map((one) => limitLabel(one, curve)),
    yaxis: { range: range(curve, limits) },
  }), CONFIG);
}

function range(curve, limits) {
  const values = [...curve.points.map(([, value]) => value).filter((value) => value !== null),
    ...limits.map((one) => one.value)].map((value) => shownValue(curve.unit, value));
  const [low, high] = [Math.min(...values), Math.max(...values)];
  const room = Math.max(0.08 * (high - low), 0.02 * Math.abs(high), 0.1);
  return [low - room, high + room];
}

const limitLine = (limit, curve, data) => ({
  type: "line", x0: local(limit.from_ms, data), x1: local(limit.to_ms, data),
  y0: shownValue(curve.unit, limit.value), y1: shownValue(curve.unit, limit.value),
  line: { color: colour("soft"), width: 1.5, dash: "dash" },
});

const limitLabel = (limit, curve) => ({
  xref: "paper", x: 1, xanchor: "left", xshift: 4, showarrow: false, align: "left",
  y: shownValue(curve.unit, limit.value), font: { size: 12, color: colour("soft") },
  text: `${limitName(limit)} ${+shownValue(curve.unit, limit.value).toFixed(1)}`,
});

// In each curve: when something was raised that nothing else explained.
const raised = (data) => data.advisories.filter((one) => !one.explained)
  .flatMap((one) => one.spans.filter(([from]) => from > data.from_ms).map(([from]) => ({
    type: "line", yref: "paper", y0: 0, y1: 1, layer: "below",
    x0: local(from, data), x1: local(from, data),
    line: { color: colour(one.priority), width: 1.5, dash: "dot" },
  })));

export function drawLanes(element, lanes, data) {
  const traces = lanes.flatMap((lane, at) => lane.advisories.flatMap((one) =>
    one.spans.map(([from, to]) => bar(one, at, [from, to ?? data.to_ms], data))));
  Plotly.react(element, traces, layout(data, LANE_PX * lanes.length + 40, {
    annotations: lanes.map((lane, at) => ({
      xref: "paper", x: 0, xanchor: "left", y: at - 0.32, showarrow: false,
      text: `${say(`priority_${lane.priority}`)}. ${lane.title}`,
      font: { size: 13, color: colour(lane.priority) },
    })),
    yaxis: { range: [lanes.length - 0.5, -0.7], showticklabels: false, showgrid: false },
  }), CONFIG);
}

const bar = (one, lane, [from, to], data) => ({
  x: [local(Math.max(from, data.from_ms), data), local(to, data)], y: [lane + 0.15, lane + 0.15],
  mode: "lines+markers", opacity: one.explained ? 0.55 : 1,
  line: { color: colour(one.priority), width: one.explained ? 3 : 8 },
  marker: { color: colour(one.priority), symbol: SYMBOLS[one.priority],
    size: [from > data.from_ms ? 13 : 0, 0] },
  hovertemplate: `${say(`priority_${one.priority}`)}. %{text}<extra></extra>`,
  text: [one.says, one.says],
});

export const zoneWords = (data) => say("time_axis", { zone: zone(data.to_ms) });
