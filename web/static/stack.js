// Traces stacked on one time axis: one view, one cursor, one request for all panels of a zoom step.

import { TIME_FORMS, ask, format, refusal, shown, texts, words } from "./page.js";
import { decode, indexBefore } from "./window.js";

const LEFT_PX = 52;
const RIGHT_PX = 16;
const NARROWEST_S = 0.02;
const LEAST_SPAN = { V: 2, kPa: 60, g: 2, degC: 10, "": 4, rpm: 1000 };
const PULSE_SPACING_PX = 3;

const LINE = uPlot.paths.linear();
const STEPS = uPlot.paths.stepped({ align: -1 });

/** Colours are asked for at every redraw; a style is worked out once, until the device changes between light and dark. */
const colours = new Map();
const dark = matchMedia("(prefers-color-scheme: dark)");
dark.addEventListener("change", () => colours.clear());

function remembered(key, find) {
  if (!colours.has(key)) colours.set(key, find());
  return colours.get(key);
}

const css = (name) => remembered(name, () => getComputedStyle(document.documentElement).getPropertyValue(name).trim());

function lineColour(channel) {
  return remembered(channel, () => getComputedStyle(document.querySelector(`.sl-line-${channel}`)).getPropertyValue("--sl-of").trim());
}

export class TraceStack {
  /** root: the element with the figures. chart: the page's Chart. onView: told of every change of the view. */
  constructor(root, chart, onView = () => {}) {
    this.root = root;
    this.chart = chart;
    this.onView = onView;
    this.cursorAt = null;
    this.held = null;
    this.request = null;
    this.view = { from: chart.from_s, to: chart.to_s };
    this.cursor = root.querySelector(".sl-cursor");
    this.span = root.querySelector("#sl-span");
    this.cursorWords = root.querySelector("#sl-cursor-at");
    this.clock = chart.zero_utc && Date.parse(chart.zero_utc);
    this.build();
    new ResizeObserver(() => this.resize()).observe(root);
    dark.addEventListener("change", () => this.rebuild());
  }

  get width() {
    return Math.max(this.root.clientWidth, 200);
  }

  get plotWidth() {
    return this.width - LEFT_PX - RIGHT_PX;
  }

  build() {
    this.plots = this.chart.panels.map((panel) => {
      const figure = this.root.querySelector(`[data-panel="${panel.key}"]`);
      const target = figure.querySelector(".sl-plot");
      const plot = new uPlot(this.options(panel, target.clientHeight), this.empty(panel), target);
      return { panel, plot, figure };
    });
    const axis = this.root.querySelector(".sl-axis");
    this.axis = new uPlot(this.axisOptions(axis.clientHeight), [[0, 1], [0, 0]], axis);
  }

  rebuild() {
    for (const { plot } of this.plots) plot.destroy();
    this.axis.destroy();
    this.build();
    this.fill();
  }

  resize() {
    if (this.axis.width === this.width) return;
    for (const { plot } of this.plots) plot.setSize({ width: this.width, height: plot.height });
    this.axis.setSize({ width: this.width, height: this.axis.height });
    this.showCursor(this.cursorAt);
    this.load();
  }

  empty(panel) {
    return [[this.view.from, this.view.to], ...panel.channels.map(() => [null, null])];
  }

  options(panel, height) {
    const grid = { stroke: css("--sl-grid"), width: 1 };
    const isPulses = panel.key === "pulses";
    return {
      width: this.width,
      height,
      padding: [6, RIGHT_PX, 6, 0],
      cursor: { show: false },
      legend: { show: false },
      scales: { x: { time: false, range: () => [this.view.from, this.view.to] }, y: { range: (plot, low, high) => this.range(panel, low, high) } },
      axes: [
        {
          size: 0, grid, ticks: { show: false }, values: () => [], space: 70,
          splits: (plot, index, low, high, increment) => this.splits(low, high, increment), incrs: this.increments(),
        },
        {
          size: LEFT_PX, grid: isPulses ? { show: false } : grid, ticks: { show: false }, stroke: css("--sl-soft"),
          space: 20, gap: 4, font: "12px system-ui, sans-serif",
          values: (plot, splits) => (isPulses ? [] : splits.map((v) => this.tickText(panel.unit, v, splits))),
        },
      ],
      series: [{}, ...panel.channels.map((channel) => ({
        stroke: lineColour(channel), width: 1.6, points: { show: (plot, s, from, to) => this.sparse(plot, from, to), size: 6 },
        spanGaps: false, pxAlign: 0, paths: this.paths(channel),
      }))],
      hooks: {
        drawClear: [(plot) => this.drawBands(plot, panel), (plot) => this.drawGround(plot)],
        draw: [(plot) => (isPulses ? this.drawPulses(plot, panel) : null)],
      },
    };
  }

  /** Speed is known for each interval between pulses as a whole: drawn as steps, so that a lost pulse is one low step. */
  paths(channel) {
    if (channel !== "engine_speed") return LINE;
    return (...args) => (this.held?.series.get(channel)?.thinned ? LINE : STEPS)(...args);
  }

  axisOptions(height) {
    return {
      width: this.width, height, padding: [0, RIGHT_PX, 0, LEFT_PX], cursor: { show: false }, legend: { show: false },
      scales: { x: { time: false, range: () => [this.view.from, this.view.to] }, y: { range: () => [0, 1] } },
      axes: [
        {
          size: 30, stroke: css("--sl-soft"), font: "12px system-ui, sans-serif", space: 70, ticks: { stroke: css("--sl-line"), width: 1 }, grid: { show: false },
          splits: (plot, index, low, high, increment) => this.splits(low, high, increment), incrs: this.increments(),
          values: (plot, splits) => splits.map((v) => this.timeText(v, splits)),
        },
        { show: false },
      ],
      series: [{}, { stroke: "transparent", points: { show: false } }],
    };
  }

  /** Round steps counted from the zero of the page, or of the clock, not from the recording's start. */
  splits(low, high, increment) {
    let zero = this.chart.zero_s;
    if (this.clock && increment >= 1) {
      const local = this.clock / 1000 - new Date(this.clock).getTimezoneOffset() * 60;
      zero -= local % increment;
    }
    const found = [];
    for (let n = Math.ceil((low - zero) / increment); zero + n * increment <= high; n++) found.push(zero + n * increment);
    return found;
  }

  /** Steps of the time axis in seconds: decimal below a second, as on a clock above. */
  increments() {
    const decimal = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5];
    return [...decimal, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 86400];
  }

  timeText(at, splits) {
    const step = splits.length > 1 ? splits[1] - splits[0] : 1;
    const seconds = at - this.chart.zero_s;
    if (this.clock && step >= 1) return TIME_FORMS[step >= 60 ? "time" : "seconds"](new Date(this.clock + seconds * 1000));
    if (step < 0.1) return `${Math.round(seconds * 1000)} ms`;
    if (step >= 60) return `${(seconds / 60).toFixed(0)} min`;
    return `${seconds.toFixed(step < 1 ? 1 : 0)} s`;
  }

  tickText(unit, value, splits) {
    const step = splits.length > 1 ? Math.abs(splits[1] - splits[0]) : 1;
    return value.toFixed(step >= 1 ? 0 : step >= 0.1 ? 1 : 2);
  }

  range(panel, low, high) {
    if (panel.key === "pulses") return [0, 1];
    if (panel.unit === "%") return [-5, 105];
    if (low === null || high === null || low === undefined) return [0, 1];
    if (panel.unit === "rpm") {
      const top = this.chart.redline_rpm ? this.chart.redline_rpm * 1.15 : Infinity;
      return [0, Math.min(Math.max(high * 1.08, 1000), top)];
    }
    const scale = Math.abs(shown(panel.unit, 1)[0] - shown(panel.unit, 0)[0]);
    const least = (LEAST_SPAN[panel.unit] ?? 1) * scale;
    const span = Math.max(high - low, least);
    const middle = (low + high) / 2;
    const bottom = middle - span * 0.58;
    return [low >= 0 && panel.unit !== "degC" ? Math.max(bottom, -span * 0.05) : bottom, middle + span * 0.58];
  }

  /** Single samples become dots once there is room for them. */
  sparse(plot, from, to) {
    return to - from < this.plotWidth / 8;
  }

  drawGround(plot) {
    const { ctx, bbox } = plot;
    const place = (at) => plot.valToPos(at, "x", true);
    const within = (x) => Math.min(Math.max(x, bbox.left), bbox.left + bbox.width);
    const line = (at, colour, width, dash = []) => {
      const x = place(at);
      if (at === null || x < bbox.left || x > bbox.left + bbox.width) return;
      ctx.strokeStyle = colour;
      ctx.lineWidth = width * devicePixelRatio;
      ctx.setLineDash(dash.map((length) => length * devicePixelRatio));
      ctx.beginPath();
      ctx.moveTo(x, bbox.top);
      ctx.lineTo(x, bbox.top + bbox.height);
      ctx.stroke();
    };
    ctx.save();
    const { onset_s: onset, engine_onset_s: engine, end_s: end } = this.chart;
    if (onset !== null) {
      const left = within(place(onset));
      ctx.fillStyle = css("--sl-stumble-ground");
      ctx.fillRect(left, bbox.top, within(place(end)) - left, bbox.height);
      line(onset, css("--sl-stumble"), 2);
      line(engine, css("--sl-stumble"), 1.5, [4, 4]);
    }
    if (this.chart.spans.length) {
      ctx.fillStyle = css("--sl-raised");
      for (const { from_s: start, to_s: stop } of this.chart.spans) {
        const left = within(place(start));
        ctx.fillRect(left, bbox.top, Math.max(within(place(stop)) - left, 1), bbox.height);
      }
    }
    for (const at of this.chart.stumbles_s) if (at !== onset) line(at, css("--sl-stumble"), 1.5);
    for (const at of this.chart.marks_s) line(at, css("--sl-mark"), 1.5, [2, 3]);
    ctx.restore();
  }

  /** Where each channel usually lies while the engine runs well. */
  drawBands(plot, panel) {
    const { ctx, bbox } = plot;
    ctx.save();
    ctx.globalAlpha = 0.14;
    for (const channel of panel.channels) {
      const band = this.chart.bands[channel];
      if (!band) continue;
      const [top, bottom] = [band[1], band[0]].map((value) => plot.valToPos(shown(panel.unit, value)[0], "y", true));
      const [from, to] = [Math.max(top, bbox.top), Math.min(bottom, bbox.top + bbox.height)];
      ctx.fillStyle = lineColour(channel);
      if (to > from) ctx.fillRect(bbox.left, from, bbox.width, to - from);
    }
    ctx.restore();
  }

  drawPulses(plot, panel) {
    if (!this.held) return;
    const { ctx, bbox } = plot;
    ctx.save();
    const rows = panel.channels.length;
    panel.channels.forEach((channel, row) => {
      const found = this.held.series.get(channel);
      const top = bbox.top + (bbox.height * row) / rows;
      const first = found ? indexBefore(found.time, this.view.from) + 1 : 0;
      const last = found ? indexBefore(found.time, this.view.to) : -1;
      ctx.fillStyle = ctx.strokeStyle = lineColour(channel);
      if (found && (found.hidden || last - first > this.plotWidth / PULSE_SPACING_PX)) {
        ctx.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
        ctx.textAlign = "left";
        ctx.textBaseline = "alphabetic";
        ctx.fillText(texts.pulses_far, bbox.left + 8 * devicePixelRatio, top + bbox.height / rows / 2 + 4 * devicePixelRatio);
        return;
      }
      ctx.lineWidth = 1.5 * devicePixelRatio;
      ctx.beginPath();
      for (let n = first; n <= last; n++) {
        const x = plot.valToPos(found.time[n], "x", true);
        ctx.moveTo(x, top + 2);
        ctx.lineTo(x, top + bbox.height / rows - 2);
      }
      ctx.stroke();
    });
    ctx.restore();
  }

  /** Change the view at once with what is there, then fetch what is missing. */
  setView(from, to) {
    const widest = this.chart.duration_s;
    const span = Math.min(Math.max(to - from, NARROWEST_S), widest);
    const middle = (from + to) / 2;
    const left = Math.min(Math.max(middle - span / 2, 0), widest - span);
    this.view = { from: left, to: left + span };
    this.redraw();
    this.load();
    this.onView(this.view);
  }

  zoom(factor, around = (this.view.from + this.view.to) / 2) {
    this.setView(around - (around - this.view.from) * factor, around + (this.view.to - around) * factor);
  }

  pan(share) {
    const by = (this.view.to - this.view.from) * share;
    const stop = Math.min(Math.max(by, -this.view.from), this.chart.duration_s - this.view.to);
    this.setView(this.view.from + stop, this.view.to + stop);
  }

  redraw() {
    for (const { plot } of this.plots) plot.setScale("x", { min: this.view.from, max: this.view.to });
    this.axis.setScale("x", { min: this.view.from, max: this.view.to });
    this.span.textContent = this.spanText();
    this.showCursor(this.cursorAt);
  }

  spanText() {
    const zero = this.chart.zero_s;
    const span = this.view.to - this.view.from;
    const text = span < 2 ? `${(span * 1000).toFixed(0)} ms` : span < 120 ? `${span.toFixed(1)} s` : `${(span / 60).toFixed(1)} min`;
    return words(this.chart.onset_s === null ? "span_bare" : "span", { span: text, from: (this.view.from - zero).toFixed(3), to: (this.view.to - zero).toFixed(3) });
  }

  load() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.fetch(), this.held ? 60 : 0);
  }

  async fetch() {
    const { from, to } = this.view;
    // Beside the view, for the next step; not beyond what the server reads sample by sample (LONGEST_READ_S there).
    const margin = Math.max(Math.min((to - from) / 2, (100 - (to - from)) / 2), (to - from) / 50);
    const points = Math.min(Math.max(Math.ceil(this.plotWidth * 3), 2000), 8000);
    const channels = this.chart.panels.flatMap((panel) => panel.channels).join(",");
    const query = new URLSearchParams({
      from_s: Math.max(from - margin, 0), to_s: Math.min(to + margin, this.chart.duration_s), points, channels,
    });
    this.request?.abort();
    this.request = new AbortController();
    try {
      const answer = await ask(`${this.chart.window_href}?${query}`, { signal: this.request.signal });
      if (!answer.ok) throw new Error(refusal(await answer.json()));
      this.held = decode(await answer.arrayBuffer());
      this.fill();
      this.root.dataset.loaded = `${from.toFixed(6)} ${to.toFixed(6)}`;
    } catch (error) {
      if (error.name === "AbortError") return;
      this.span.textContent = error instanceof TypeError ? texts.failed : `${texts.failed} ${error.message}`;
      this.timer = setTimeout(() => this.fetch(), 2000);
    }
  }

  fill() {
    if (!this.held) return;
    for (const { panel, plot } of this.plots) plot.setData(this.columns(panel), true);
    this.redraw();
  }

  /** The panel's series on one common time column; null is a gap, undefined "not sampled here". */
  columns(panel) {
    const tables = panel.channels.map((channel) => this.held.series.get(channel)).filter((found) => found?.value);
    if (panel.key === "pulses" || tables.length === 0) return this.empty(panel);
    const [scale, offset] = [shown(panel.unit, 1)[0] - shown(panel.unit, 0)[0], shown(panel.unit, 0)[0]];
    const column = (value) => Array.from(value, (v) => (Number.isNaN(v) ? null : v * scale + offset));
    const ready = tables.map(({ time, value }) => [time.length ? Array.from(time) : [this.view.from], time.length ? column(value) : [null]]);
    return ready.length === 1 ? ready[0] : uPlot.join(ready, ready.map(() => [1]));
  }

  timeAt(clientX) {
    const x = clientX - this.root.getBoundingClientRect().left - LEFT_PX;
    return this.view.from + (x / this.plotWidth) * (this.view.to - this.view.from);
  }

  xAt(at) {
    return LEFT_PX + ((at - this.view.from) / (this.view.to - this.view.from)) * this.plotWidth;
  }

  showCursor(at) {
    this.cursorAt = at;
    const isIn = at !== null && at >= this.view.from && at <= this.view.to;
    this.cursor.hidden = !isIn;
    if (isIn) this.cursor.style.transform = `translateX(${this.xAt(at)}px)`;
    this.cursorWords.textContent = !isIn ? "" : words(this.chart.onset_s === null ? "cursor_bare" : "cursor_at", { s: (at - this.chart.zero_s).toFixed(3) });
    for (const { panel, figure } of this.plots) {
      for (const channel of panel.channels) {
        const output = figure.querySelector(`[data-value="${channel}"]`);
        const found = this.held?.series.get(channel);
        if (!isIn || !found?.value) output.textContent = "";
        else output.textContent = format(panel.unit, found.value[indexBefore(found.time, at)]);
      }
    }
  }

  /** All panels as one picture. */
  picture() {
    const ratio = devicePixelRatio;
    const caption = 22 * ratio;
    const canvases = [...this.plots.map(({ plot, panel }) => [plot.ctx.canvas, panel.labels]), [this.axis.ctx.canvas, []]];
    const all = document.createElement("canvas");
    all.width = canvases[0][0].width;
    all.height = canvases.reduce((sum, [canvas, labels]) => sum + canvas.height + (labels.length ? caption : 0), caption * 2);
    const ctx = all.getContext("2d");
    ctx.fillStyle = css("--sl-paper");
    ctx.fillRect(0, 0, all.width, all.height);
    ctx.font = `${14 * ratio}px system-ui, sans-serif`;
    ctx.fillStyle = css("--sl-ink");
    ctx.fillText(document.title, LEFT_PX * ratio, caption);
    let y = caption * 1.5;
    canvases.forEach(([canvas, labels], index) => {
      let x = LEFT_PX * ratio;
      labels.forEach((label, n) => {
        ctx.fillStyle = lineColour(this.plots[index].panel.channels[n]);
        ctx.fillText(label, x, y + caption * 0.75);
        x += ctx.measureText(label).width + 16 * ratio;
      });
      y += labels.length ? caption : 0;
      ctx.drawImage(canvas, 0, y);
      y += canvas.height;
    });
    return all;
  }
}
