// Draws the picture, and the waves finer as the stretch of time shown gets shorter: of each column
// of pixels the lowest and the highest sample, and every sample once there are few enough.
"use strict";
(function () {
  const read = (id) => JSON.parse(document.getElementById(id).textContent);
  const picture = document.getElementById("picture");
  const figure = read("figure");
  const waves = Object.fromEntries(Object.entries(read("waves")).map(([name, wave]) => {
    const bytes = Uint8Array.from(atob(wave.data), (letter) => letter.charCodeAt(0));
    const view = new DataView(bytes.buffer);
    const samples = new Int16Array(bytes.length / 2);
    for (let at = 0; at < samples.length; at++) samples[at] = view.getInt16(2 * at, true);
    return [name, { step: wave.step, runs: wave.runs, samples }];
  }));
  const LOST = -32768, SHADES_UP_TO = 150;
  const [first, last] = figure.layout.xaxis.range;
  const axes = Object.keys(figure.layout).filter((name) => /^xaxis\d*$/.test(name));
  let shown = [first, last];

  // Traces that are cut to what is shown: waves, and the breaths upon them.
  const cut = [];
  figure.data.forEach((trace, index) => {
    if (trace.meta && trace.meta.wave) cut.push({ index, wave: waves[trace.meta.wave] });
    if (trace.meta && trace.meta.breath) {
      const { x, y, text } = trace;
      cut.push({ index, points: { x, y, text, size: trace.meta.breath } });
    }
  });

  function waveBetween(wave, from, to, columns) {
    const x = [], y = [];
    let offset = 0;
    let visible = 0;
    for (const [start, step, count] of wave.runs) {
      visible += Math.max(0, (Math.min(to, start + count * step) - Math.max(from, start)) / step);
    }
    const size = visible > 4 * columns ? Math.ceil(visible / columns) : 1;
    const put = (at, value) => {
      x.push(at);
      y.push(value === LOST ? null : value * wave.step);
    };
    for (const [start, step, count] of wave.runs) {
      const begin = Math.max(0, Math.floor((from - start) / step) - size);
      const end = Math.min(count, Math.ceil((to - start) / step) + size);
      if (end > begin && x.length) put(x[x.length - 1], LOST);
      for (let at = begin; at < end; at += size) {
        let low = at, high = at;
        for (let next = at; next < Math.min(at + size, end); next++) {
          const value = wave.samples[offset + next];
          if (value === LOST) continue;
          if (value < wave.samples[offset + low] || wave.samples[offset + low] === LOST) low = next;
          if (value > wave.samples[offset + high] || wave.samples[offset + high] === LOST) high = next;
        }
        for (const one of low === high ? [low] : [Math.min(low, high), Math.max(low, high)]) {
          put(start + one * step, wave.samples[offset + one]);
        }
      }
      offset += count;
    }
    return { x, y };
  }

  function pointsBetween(points, from, to) {
    const kept = { x: [], y: [], text: points.text ? [] : undefined };
    const spread = (to - from) * 0.02;
    for (let at = 0; at < points.x.length; at += points.size) {
      const ends = points.x[at + (points.size > 1 ? 2 : 0)];
      if (ends < from - spread || points.x[at] > to + spread) continue;
      for (let next = at; next < at + points.size; next++) {
        kept.x.push(points.x[next]);
        kept.y.push(points.y[next]);
        if (kept.text) kept.text.push(points.text[next]);
      }
    }
    return kept;
  }

  // `react`, not `restyle`: that one would guess the kind of the time axes anew.
  function draw() {
    const [from, to] = shown;
    const columns = Math.max(300, picture.clientWidth - 200);
    const data = picture.data.slice();
    let breaths = 0;
    for (const part of cut) {
      const now = part.wave
        ? waveBetween(part.wave, from, to, columns)
        : pointsBetween(part.points, from, to);
      if (part.points && part.points.size === 1) breaths += now.x.length;
      data[part.index] = Object.assign({}, data[part.index], now);
    }
    // Hundreds of breaths in one picture would only hide the wave; the key facts show them.
    const visible = breaths > SHADES_UP_TO ? "legendonly" : true;
    for (const part of cut) if (part.points) data[part.index].visible = visible;
    return Plotly.react(picture, data, picture.layout);
  }

  function show(from, to) {
    const span = Math.min(Math.max(to - from, 200), last - first);
    const start = Math.min(Math.max(from, first), last - span);
    const ranges = Object.fromEntries(axes.map((name) => [`${name}.range`, [start, start + span]]));
    return Plotly.relayout(picture, ranges);
  }

  function fromAddress() {
    const match = /^#([\d.]+)-([\d.]+)$/.exec(location.hash);
    return match ? [first + 1000 * match[1], first + 1000 * match[2]] : null;
  }

  const asMs = (end) => (typeof end === "number" ? end : Date.parse(end.replace(" ", "T") + "Z"));

  Plotly.newPlot(picture, figure.data, figure.layout, {
    responsive: true, displaylogo: false,
    modeBarButtons: [["toImage", "zoom2d", "pan2d", "resetScale2d"]],
    toImageButtonOptions: { format: "svg", filename: document.title },
  }).then(() => {
    picture.on("plotly_relayout", () => {
      const now = picture.layout.xaxis.range.map(asMs);
      if (now[0] === shown[0] && now[1] === shown[1]) return;
      shown = now;
      draw();
    });
    picture.on("plotly_doubleclick", () => { show(first, last); return false; });
    document.querySelectorAll("nav button").forEach((button) => button.addEventListener("click", () => {
      const [from, to] = shown;
      const { span, move } = button.dataset;
      if (move) show(from + move * (to - from), to + move * (to - from));
      else if (span === "whole") show(first, last);
      else show((from + to) / 2 - 500 * span, (from + to) / 2 + 500 * span);
    }));
    window.addEventListener("hashchange", () => {
      const stretch = fromAddress();
      if (stretch) show(...stretch).then(() => picture.scrollIntoView({ block: "nearest" }));
    });
    return draw();
  }).then(() => {
    const stretch = fromAddress();
    return stretch ? show(...stretch) : null;
  }).then(() => { document.body.dataset.drawn = "yes"; });
})();
