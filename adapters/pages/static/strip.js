// A strip of one signal that runs from right to left, a moment late so that it runs smoothly.

import { put, say } from "./common.js";
import { numberWords, shownValue, unitWords } from "./units.js";

const SHOWN_MS = 12000;
const LATE_MS = 2200;
const FRAME_MS = 66;
const DRIFT_MS = 1500;
const DESCRIBED_MS = 5000;
const ROOM = 1.08;
const GAP_MS = 500;

// Round numbers from 0 on, three or four of them.
function ticks(high) {
  const step = [1, 2, 5, 10, 20, 50, 100].find((one) => high / one < 4) ?? high;
  return [...Array(Math.floor(high / step) + 1).keys()].map((number) => number * step);
}

export class Strip {
  constructor(canvas) {
    this.canvas = canvas;
    this.heading = canvas.previousElementSibling;
    this.unit = canvas.dataset.unit;
    this.samples = [];
    this.offset = null;
    [this.low, this.high] = canvas.dataset.range.split(" ").map(Number);
  }

  // The device's clock says how samples lie to each other; when they came says where that is here.
  add(wave) {
    const step = 1000 / wave.rate_hz;
    const offset = performance.now() - (wave.at_ms + wave.samples.length * step);
    if (this.offset === null || Math.abs(offset - this.offset) > DRIFT_MS) this.offset = offset;
    wave.samples.forEach((value, number) => {
      this.samples.push([wave.at_ms + number * step + this.offset, value]);
    });
    const oldest = performance.now() - SHOWN_MS - 2 * LATE_MS;
    while (this.samples.length && this.samples[0][0] < oldest) this.samples.shift();
  }

  run() {
    // To ask how large and of what colour it is makes the browser lay out the page: not each time.
    new ResizeObserver(() => this.measure()).observe(this.canvas);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.measure());
    this.measure();
    setInterval(() => requestAnimationFrame(() => this.draw()), FRAME_MS);
    setInterval(() => this.describe(), DESCRIBED_MS);
  }

  measure() {
    const { canvas } = this;
    this.scale = window.devicePixelRatio;
    canvas.width = canvas.clientWidth * this.scale;
    canvas.height = canvas.clientHeight * this.scale;
    const style = getComputedStyle(canvas);
    [this.line, this.soft, this.ink] = ["--line", "--soft", "--ink"]
      .map((name) => style.getPropertyValue(name));
  }

  draw() {
    const { canvas, scale } = this;
    const { width, height } = canvas;
    const pen = canvas.getContext("2d");
    const ends = performance.now() - LATE_MS;
    const begins = ends - SHOWN_MS;
    const [low, high] = this.bounds();
    const x = (at) => ((at - begins) / SHOWN_MS) * width;
    const y = (value) => height - ((value - low) / (high - low)) * height;
    pen.clearRect(0, 0, width, height);
    pen.strokeStyle = this.line;
    pen.fillStyle = this.soft;
    pen.lineWidth = scale;
    pen.font = `${12 * scale}px system-ui, sans-serif`;
    const shown = shownValue(this.unit, 1);
    for (const tick of ticks(high * shown)) {
      const at = y(tick / shown);
      pen.beginPath();
      pen.moveTo(0, at);
      pen.lineTo(width, at);
      pen.stroke();
      pen.fillText(String(tick), 4 * scale, at - 3 * scale);
    }
    this.shade(pen, begins, ends, x, height);
    pen.strokeStyle = this.ink;
    pen.lineWidth = 2 * scale;
    pen.beginPath();
    let last = null;
    for (const [at, value] of this.samples) {
      if (at > ends) break;
      if (value === null || last === null || at - last > GAP_MS) {
        if (value !== null) pen.moveTo(x(at), y(value));
      } else {
        pen.lineTo(x(at), y(value));
      }
      last = value === null ? null : at;
    }
    pen.stroke();
  }

  // Where nothing came: before this page was opened, or since the signal was lost.
  shade(pen, begins, ends, x, height) {
    pen.fillStyle = this.line;
    let last = begins;
    const until = (at) => {
      if (at - last > GAP_MS) pen.fillRect(x(last), 0, x(at) - x(last), height);
      last = at;
    };
    for (const [at, value] of this.samples) {
      if (at > ends) break;
      if (value !== null && at > begins) until(at);
    }
    until(ends);
  }

  bounds() {
    const values = this.samples.map(([, value]) => value).filter((value) => value !== null);
    // Some room above: what touches the edge looks cut off.
    return [Math.min(this.low, ...values), Math.max(this.high, ROOM * Math.max(...values))];
  }

  // For who cannot see it.
  describe() {
    const from = performance.now() - SHOWN_MS;
    const values = this.samples.filter(([at, value]) => at > from && value !== null)
      .map(([, value]) => value);
    const what = say(`strip_${this.canvas.dataset.channel}`, { unit: unitWords(this.unit) });
    put(this.heading, what);
    const words = (value) => numberWords(this.unit, value, 0);
    const text = values.length
      ? say("strip", { what, low: words(Math.min(...values)), high: words(Math.max(...values)) })
      : say("strip_none", { what });
    this.canvas.setAttribute("aria-label", text);
  }
}
