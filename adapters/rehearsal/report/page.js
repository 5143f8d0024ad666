// Draws each scenario's picture when it comes into view, and finds scenarios by words. Without this
// script everything that is text still stands in the page.
"use strict";
(function () {
  const root = document.documentElement;
  const pictures = JSON.parse(document.getElementById("pictures").textContent);
  const plots = [...document.querySelectorAll(".plot")];
  const FONT = "system-ui, sans-serif";
  const LABEL_PX = 16, BAR_PX = 14, PAD_PX = 6, TITLE_PX = 26, ROWS = 3;
  const MARGIN_PX = { top: 20, bottom: 44 };
  // On a sheet of paper panels are lower, so that a picture fits on it.
  const PRINT_PX = { width: 680, panel: 60 }, SCREEN_PANEL_PX = 88;
  const SYMBOLS = {
    raised: "triangle-up", returned: "triangle-up", acknowledged: "circle", reminded: "diamond",
    escalated: "star", cleared: "square",
  };
  const LIMITS = {
    when: ["bad", "dash"], clears: ["good", "dot"], needs: ["dim", "dashdot"], escalate: ["high", "longdash"],
  };

  // -- colours and sizes ------------------------------------------------------------------------

  const colour = (name) => getComputedStyle(root).getPropertyValue(`--${name}`).trim();
  const shade = (name, share) => {
    const [red, green, blue] = [1, 3, 5].map((at) => parseInt(colour(name).slice(at, at + 2), 16));
    return `rgba(${red}, ${green}, ${blue}, ${share})`;
  };
  const brush = document.createElement("canvas").getContext("2d");
  const widthOf = (words, size) => {
    brush.font = `${size}px ${FONT}`;
    return brush.measureText(words).width + 6;
  };
  const plain = (words) => words.replaceAll("&", "&amp;").replaceAll("<", "&lt;");

  // Labels from left to right, each in the first row in which it covers no other. One that finds no
  // room is left out: the table beside the picture has it.
  function inRows(labels, most) {
    const ends = [];
    const placed = labels.map((label) => {
      const start = Math.max(0, Math.min(label.at, most - label.width));
      let row = ends.findIndex((end) => end <= start);
      if (row < 0 && ends.length < ROWS) row = ends.length;
      if (row >= 0) ends[row] = start + label.width + 4;
      return { ...label, start, row };
    });
    return { placed, rows: ends.length };
  }

  // -- the picture ------------------------------------------------------------------------------

  function figureOf(picture, width, panelPx) {
    const { ends, lanes, quiet, panels } = picture;
    const names = lanes.map((lane) => widthOf(lane.rule, 12));
    const limits = panels.flatMap((panel) => panel.limits);
    for (const limit of limits) limit.label = labelOf(limit, 0.28 * width);
    const labels = limits.map((limit) => widthOf(limit.label, 11));
    const left = Math.min(0.26 * width, Math.max(52, ...names.map((name) => name + 10)));
    const right = Math.max(24, ...labels.map((label) => label + 10));
    const span = width - left - right;
    const toPx = (at) => (at / ends) * span;
    const toTime = (px) => (px / span) * ends;
    const rows = lanes.map((lane) => laneRows(lane, toPx, span));
    const lanesPx = rows.reduce((sum, row) => sum + row.height, 0);
    const inner = lanesPx + panels.length * (TITLE_PX + panelPx);
    const data = [], shapes = [], annotations = [];
    const layout = {
      width, height: inner + MARGIN_PX.top + MARGIN_PX.bottom,
      margin: { l: left, r: right, t: MARGIN_PX.top, b: MARGIN_PX.bottom, pad: 0 },
      font: { family: FONT, size: 12, color: colour("ink") },
      paper_bgcolor: colour("paper"), plot_bgcolor: colour("paper"),
      showlegend: false, hovermode: "closest", dragmode: false, shapes, annotations,
      hoverlabel: { bgcolor: colour("card"), bordercolor: colour("line"), font: { color: colour("ink") } },
      xaxis: {
        range: [0, ends], title: { text: "time, s", standoff: 6 }, fixedrange: true, zeroline: false,
        gridcolor: colour("grid"), linecolor: colour("line"), showline: true, nticks: 10,
        anchor: panels.length ? `y${panels.length + 1}` : "y",
      },
    };
    for (const [begins, until, words] of quiet) {
      shapes.push(band(begins, until, "quiet", 0.1));
      annotations.push(note(words, begins, { yref: "paper", y: 1, yanchor: "bottom", xanchor: "left" }));
    }
    for (const lane of lanes) {
      for (const [begins, until, what] of lane.due) {
        if (what === "raised") shapes.push(band(begins, until, "due", 0.13));
      }
      for (const [at, kind, priority] of lane.marks) {
        if (kind === "raised" || kind === "returned") shapes.push(upright(at, priority));
      }
    }
    if (lanes.length) drawLanes({ lanes, rows, lanesPx, inner, layout, data, toTime });
    panels.forEach((panel, number) => {
      const top = 1 - (lanesPx + number * (TITLE_PX + panelPx) + TITLE_PX) / inner;
      drawPanel({ panel, axis: number + 2, top, bottom: top - panelPx / inner, panelPx, ends, toPx, layout, data });
    });
    return { data, layout };
  }

  // With the name of its rule where there is room for it; the table beneath has it always.
  function labelOf(limit, most) {
    const whole = limit.rule ? `${limit.words}: ${limit.rule}` : limit.words;
    return widthOf(whole, 11) + 10 > most ? limit.words : whole;
  }

  const band = (x0, x1, name, share) => ({
    type: "rect", layer: "below", xref: "x", yref: "paper", x0, x1, y0: 0, y1: 1, line: { width: 0 },
    fillcolor: shade(name, share),
  });
  const upright = (at, priority) => ({
    type: "line", layer: "below", xref: "x", yref: "paper", x0: at, x1: at, y0: 0, y1: 1,
    line: { color: colour(priority), width: 1, dash: "dot" },
  });
  const note = (words, x, more) => ({
    text: plain(words), x, xref: "x", showarrow: false, borderpad: 0, font: { size: 11, color: colour("dim") },
    ...more,
  });

  // A lane: rows of what is expected, rows of words for what came, and the bar of what stood.
  function laneRows(lane, toPx, span) {
    const due = inRows(lane.due.map(([begins, until, what, words]) => {
      const label = `expected ${words}`;
      return { begins, until, what, label, at: toPx(begins), width: widthOf(label, 11) };
    }), span);
    const told = lane.marks.filter(([, kind]) => kind !== "reminded");
    const marks = inRows(told.map(([at, kind, priority, label]) => (
      { kind, priority, label, at: toPx(at) + 4, width: widthOf(label, 11) }
    )), span);
    const height = 2 * PAD_PX + (due.rows + marks.rows) * LABEL_PX + BAR_PX;
    return { due, marks, height };
  }

  function drawLanes({ lanes, rows, lanesPx, inner, layout, data, toTime }) {
    const { shapes, annotations } = layout;
    layout.yaxis = {
      domain: [1 - lanesPx / inner, 1], range: [lanesPx, 0], fixedrange: true, visible: false,
    };
    let top = 0;
    lanes.forEach((lane, number) => {
      const { due, marks, height } = rows[number];
      const row = (at) => top + PAD_PX + at * LABEL_PX;
      const bar = row(due.rows + marks.rows) + BAR_PX / 2;
      if (number) {
        shapes.push({
          type: "line", xref: "paper", yref: "y", x0: 0, x1: 1, y0: top, y1: top, layer: "below",
          line: { color: colour("grid"), width: 1 },
        });
      }
      annotations.push({
        text: plain(lane.rule), xref: "paper", x: 0, xanchor: "right", xshift: -8, yref: "y", y: bar,
        yanchor: "middle", showarrow: false, font: { size: 12, color: colour("ink") },
      });
      for (const one of due.placed) {
        const at = row(Math.max(0, one.row));
        shapes.push({
          type: "rect", xref: "x", yref: "y", x0: one.begins, x1: one.until, y0: at + 1, y1: at + LABEL_PX - 1,
          layer: "between", fillcolor: shade("due", 0.25), line: { color: colour("due"), width: 1 },
        });
        if (one.row >= 0) {
          annotations.push(note(one.label, toTime(one.start), {
            yref: "y", y: at + LABEL_PX / 2, xanchor: "left", font: { size: 11, color: colour("ink") },
          }));
        }
      }
      for (const one of marks.placed) {
        if (one.row < 0) continue;
        annotations.push(note(one.label, toTime(one.start), {
          yref: "y", y: row(due.rows + one.row) + LABEL_PX / 2, xanchor: "left",
          font: { size: 11, color: colour(one.kind === "cleared" ? "ink" : one.priority) },
        }));
      }
      for (const [begins, until, priority, explained] of lane.bars) {
        const half = explained ? 2 : 5;
        shapes.push({
          type: "rect", xref: "x", yref: "y", x0: begins, x1: until, y0: bar - half, y1: bar + half,
          fillcolor: shade(priority, explained ? 0.45 : 0.8), line: { width: 0 }, layer: "between",
        });
      }
      data.push({
        type: "scatter", mode: "markers", x: lane.marks.map(([at]) => at), y: lane.marks.map(() => bar),
        text: lane.marks.map(([, , , label]) => plain(`${lane.rule}: ${label}`)), cliponaxis: false,
        hovertemplate: "%{text}<extra></extra>",
        marker: {
          symbol: lane.marks.map(([, kind]) => SYMBOLS[kind]), size: 10,
          color: lane.marks.map(([, kind, priority]) => colour(kind === "cleared" ? "paper" : priority)),
          line: { width: 1.5, color: lane.marks.map(([, , priority]) => colour(priority)) },
        },
      });
      top += height;
    });
  }

  function drawPanel({ panel, axis, top, bottom, panelPx, ends, toPx, layout, data }) {
    const yaxis = `y${axis}`;
    const [low, high] = panel.reach;
    layout[`yaxis${axis}`] = {
      domain: [Math.max(0, bottom), top], range: [low, high], fixedrange: true, zeroline: false, nticks: 4,
      gridcolor: colour("grid"), linecolor: colour("line"), showline: true, anchor: "x",
    };
    const { width, margin } = layout;
    const title = panel.title + (panel.unit ? `, ${panel.unit}` : "");
    // A long one begins further to the left.
    const over = Math.max(0, 1.12 * widthOf(title, 12) + margin.l - width);
    layout.annotations.push({
      text: `<b>${plain(panel.title)}</b>${panel.unit ? `, ${plain(panel.unit)}` : ""}`, xref: "paper", x: 0,
      xanchor: "left", yref: "paper", y: top, yanchor: "bottom", yshift: 2, xshift: -Math.min(over, margin.l - 4), showarrow: false,
      font: { size: 12, color: colour("ink") },
    });
    data.push({
      type: "scatter", mode: panel.x.length < 3 ? "lines+markers" : "lines", x: panel.x, y: panel.y,
      yaxis, line: { color: colour("data"), width: 2, shape: "hv" }, marker: { size: 5 },
      hovertemplate: `%{x} s: %{y} ${plain(panel.unit)}<extra></extra>`,
    });
    markUnknown(panel, yaxis, ends, toPx, layout);
    const limits = panel.limits.map((limit) => ({ limit, value: limit.runs[limit.runs.length - 1][2] }));
    for (const { limit } of limits) {
      const [name, dash] = LIMITS[limit.purpose];
      for (const [x0, x1, value] of limit.runs) {
        layout.shapes.push({
          type: "line", xref: "x", yref: yaxis, x0, x1, y0: value, y1: value, layer: "below",
          line: { color: colour(name), width: 1.4, dash },
        });
      }
    }
    for (const { limit, value, yshift } of apart(limits, low, high, panelPx)) {
      layout.annotations.push({
        text: plain(limit.label), xref: "paper", x: 1, xanchor: "left", xshift: 6, yref: yaxis, y: value,
        yshift, showarrow: false, font: { size: 11, color: colour(LIMITS[limit.purpose][0]) },
      });
    }
  }

  // Labels of limits that lie close to each other are moved apart.
  function apart(limits, low, high, panelPx) {
    const toPx = (value) => ((high - value) / (high - low)) * panelPx;
    const sorted = [...limits].sort((one, other) => other.value - one.value);
    let least = 4;
    const placed = sorted.map((one) => {
      const at = Math.max(toPx(one.value), least);
      least = at + 13;
      return { ...one, at };
    });
    let most = panelPx - 2;
    for (const one of placed.reverse()) {
      one.at = Math.min(one.at, most);
      most = one.at - 13;
      one.yshift = toPx(one.value) - one.at;
    }
    return placed;
  }

  function markUnknown(panel, yaxis, ends, toPx, layout) {
    panel.x.forEach((begins, at) => {
      const until = at + 1 < panel.x.length ? panel.x[at + 1] : ends;
      if (panel.y[at] !== null || until <= begins) return;
      layout.shapes.push({
        type: "rect", layer: "below", xref: "x", yref: `${yaxis} domain`, x0: begins, x1: until, y0: 0, y1: 1,
        line: { width: 0 }, fillcolor: shade("quiet", 0.16),
      });
      if (toPx(until - begins) < 64) return;
      layout.annotations.push(note("not known", (begins + until) / 2, {
        yref: `${yaxis} domain`, y: 0.5, xanchor: "center",
      }));
    });
  }

  // -- when to draw -----------------------------------------------------------------------------

  const opened = (element) => {
    for (let at = element.closest("details"); at; at = at.parentElement.closest("details")) {
      if (!at.open) return false;
    }
    return true;
  };

  function draw(plot) {
    const [width, panelPx] = root.dataset.print
      ? [PRINT_PX.width, PRINT_PX.panel] : [plot.clientWidth, SCREEN_PANEL_PX];
    const { data, layout } = figureOf(pictures[plot.dataset.plot], width, panelPx);
    const drawn = Plotly.react(plot, data, layout, { displayModeBar: false, doubleClick: false });
    plot.dataset.drawn = "yes";
    return drawn;
  }

  function drawAgain() {
    for (const plot of plots) {
      if (!plot.dataset.drawn) continue;
      if (opened(plot)) draw(plot);
      else { Plotly.purge(plot); delete plot.dataset.drawn; }
    }
  }

  function drawWhenSeen() {
    root.classList.add("drawing");
    const watch = new IntersectionObserver((entries) => {
      for (const { isIntersecting, target } of entries) {
        if (isIntersecting && opened(target) && !target.dataset.drawn) draw(target);
      }
    }, { rootMargin: "400px" });
    for (const plot of plots) watch.observe(plot);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawAgain);
    let waiting = 0, width = root.clientWidth;
    window.addEventListener("resize", () => {
      clearTimeout(waiting);
      waiting = setTimeout(() => {
        if (width !== root.clientWidth) { width = root.clientWidth; drawAgain(); }
      }, 150);
    });
    window.addEventListener("beforeprint", () => {
      root.dataset.print = "yes";
      for (const plot of plots) if (opened(plot)) draw(plot);
    });
    window.addEventListener("afterprint", () => { delete root.dataset.print; drawAgain(); });
  }

  // -- finding and opening ----------------------------------------------------------------------

  function prepareTools() {
    const tools = document.querySelector(".tools");
    if (!tools) return;
    const files = [...document.querySelectorAll("details.file")];
    const open = files.map((file) => file.open);
    const listed = files.flatMap((file) => [...file.querySelectorAll(":scope > .scenario, :scope > .above")]
      .map((element) => ({ file, element, words: element.textContent.toLowerCase() })));
    const found = document.getElementById("found");
    const find = document.getElementById("find");
    tools.hidden = false;
    find.addEventListener("input", () => {
      const wanted = find.value.trim().toLowerCase();
      const matching = new Set();
      let count = 0;
      for (const { file, element, words } of listed) {
        element.hidden = !words.includes(wanted);
        if (element.hidden) continue;
        matching.add(file);
        count += 1;
      }
      files.forEach((file, number) => {
        file.hidden = !matching.has(file);
        file.open = wanted ? matching.has(file) : open[number];
      });
      found.textContent = wanted ? `${count} of ${listed.length} scenarios` : "";
    });
    document.getElementById("open").addEventListener("click", () => {
      for (const file of files) if (!file.hidden) file.open = true;
      for (const { element } of listed) if (!element.hidden && "open" in element) element.open = true;
    });
    document.getElementById("close").addEventListener("click", () => {
      for (const { element } of listed) if ("open" in element) element.open = false;
      files.forEach((file, number) => { file.open = find.value.trim() ? !file.hidden : open[number]; });
    });
  }

  prepareTools();
  if (typeof Plotly !== "undefined") drawWhenSeen();
})();
