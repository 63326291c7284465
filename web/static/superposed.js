// All stumbles on one zero: a line for each, coloured by run, over them the median and the middle half; a tap picks the
// nearest.

import { ask, shown, words } from "./page.js";

const LEFT_PX = 52;
const RIGHT_PX = 16;
const page = JSON.parse(document.getElementById("sl-superposed")?.textContent ?? "null");
const root = document.getElementById("sl-charts");
const picked = document.getElementById("sl-picked");
const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const plots = [];
let chosen = -1;

function decode(buffer) {
  const headerLength = new DataView(buffer).getUint32(4, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 8, headerLength)));
  let offset = 8 + headerLength;
  const matrices = header.channels.map(() => {
    const rows = [];
    for (let n = 0; n < header.rows; n++, offset += 4 * header.lag_s.length) rows.push(new Float32Array(buffer, offset, header.lag_s.length));
    return rows;
  });
  return { lags: header.lag_s, matrices };
}

/** The value below which that share of the rows lie, by straight lines between them; null where none is known. */
export function quantile(rows, column, share) {
  const known = rows.map((row) => row[column]).filter((value) => !Number.isNaN(value)).sort((a, b) => a - b);
  if (!known.length) return null;
  const place = share * (known.length - 1);
  const below = Math.floor(place);
  return known[below] + (place - below) * (known[Math.min(below + 1, known.length - 1)] - known[below]);
}

/** The range that holds all but the wildest one in two hundred values at either end. */
function range(columns) {
  const values = columns.flat().filter((value) => value !== null).sort((a, b) => a - b);
  if (!values.length) return [0, 1];
  const low = values[Math.floor(values.length * 0.005)];
  const high = values[Math.ceil(values.length * 0.995) - 1];
  const margin = Math.max((high - low) * 0.08, 0.05);
  return [low - margin, high + margin];
}

function draw(panel, lags, rows) {
  const target = root.querySelector(`[data-panel="${panel.key}"] .sl-plot`);
  const si = (value) => (Number.isNaN(value) ? null : shown(panel.unit, value)[0]);
  const columns = rows.map((row) => Array.from(row, si));
  const over = (share) => lags.map((_, column) => {
    const value = quantile(rows, column, share);
    return value === null ? null : si(value);
  });
  const fixed = range(columns);
  const line = (row) => css(`--sl-run-${page.rows[row].run % 6}`);
  const plot = new uPlot({
    width: root.clientWidth,
    height: target.clientHeight,
    padding: [6, RIGHT_PX, 6, 0],
    cursor: { show: false },
    legend: { show: false },
    scales: { x: { time: false, range: () => [lags[0], lags.at(-1)] }, y: { range: () => fixed } },
    axes: [
      { size: 0, grid: { stroke: css("--sl-grid"), width: 1 }, ticks: { show: false }, values: () => [], space: 70 },
      { size: LEFT_PX, stroke: css("--sl-soft"), font: "12px system-ui, sans-serif", grid: { stroke: css("--sl-grid"), width: 1 }, ticks: { show: false }, space: 24, values: (_, splits) => splits.map((value) => `${+value.toFixed(2)}`) },
    ],
    series: [
      {},
      ...rows.map((_, row) => ({
        stroke: () => (chosen === row ? css("--sl-ink") : line(row)), alpha: 0.75, width: 1.2, pxAlign: 0, points: { show: false },
      })),
      ...[0.25, 0.75].map(() => ({ stroke: css("--sl-ink"), width: 1.5, dash: [6, 4], pxAlign: 0, points: { show: false } })),
      { stroke: css("--sl-ink"), width: 3, pxAlign: 0, points: { show: false } },
    ],
    hooks: {
      drawClear: [({ ctx, bbox, valToPos }) => {
        ctx.save();
        ctx.strokeStyle = css("--sl-stumble");
        ctx.lineWidth = 2 * devicePixelRatio;
        ctx.beginPath();
        ctx.moveTo(valToPos(0, "x", true), bbox.top);
        ctx.lineTo(valToPos(0, "x", true), bbox.top + bbox.height);
        ctx.stroke();
        ctx.restore();
      }],
    },
  }, [lags, ...columns, over(0.25), over(0.75), over(0.5)], target);
  plots.push({ plot, columns, target });
}

function drawAxis(lags) {
  const target = root.querySelector(".sl-axis");
  const plot = new uPlot({
    width: root.clientWidth, height: target.clientHeight, padding: [0, RIGHT_PX, 0, LEFT_PX], cursor: { show: false }, legend: { show: false },
    scales: { x: { time: false, range: () => [lags[0], lags.at(-1)] }, y: { range: () => [0, 1] } },
    axes: [
      { size: 30, stroke: css("--sl-soft"), font: "12px system-ui, sans-serif", space: 70, grid: { show: false }, values: (_, splits) => splits.map((at) => `${+at.toFixed(2)} s`) },
      { show: false },
    ],
    series: [{}, { stroke: "transparent", points: { show: false } }],
  }, [[lags[0], lags.at(-1)], [0, 0]], target);
  plots.push({ plot, columns: [], target });
}

function choose(row) {
  chosen = row;
  for (const { plot, columns } of plots) {
    columns.forEach((_, n) => {
      plot.series[n + 1].width = n === row ? 3.5 : 1.2;
      plot.series[n + 1].alpha = n === row ? 1 : 0.75;
    });
    plot.redraw(false);
  }
  picked.hidden = row < 0;
  if (row < 0) return;
  const { number, recording, onset_s: onset, href } = page.rows[row];
  picked.href = href;
  picked.textContent = words("open_stumble", { n: number, recording, at: onset.toFixed(1) });
}

function nearest(event, { plot, columns, target }) {
  const box = target.getBoundingClientRect();
  const lag = plot.posToVal(event.clientX - box.left - LEFT_PX, "x");
  const value = plot.posToVal(event.clientY - box.top - 6, "y");
  const column = plot.valToIdx(lag);
  const gaps = columns.map((row) => (row[column] === null ? Infinity : Math.abs(row[column] - value)));
  return gaps.indexOf(Math.min(...gaps));
}

if (page) {
  const answer = await ask(`/api/events/${encodeURIComponent(page.event_id)}/superposed/values${location.search}`);
  const { lags, matrices } = decode(await answer.arrayBuffer());
  page.panels.forEach((panel, n) => draw(panel, lags, matrices[n]));
  drawAxis(lags);
  for (const each of plots) each.target.addEventListener("click", (event) => each.columns.length && choose(nearest(event, each)));
  for (const link of document.querySelectorAll("[data-row]")) {
    link.addEventListener("focus", () => choose(Number(link.dataset.row)));
    link.addEventListener("pointerenter", () => choose(Number(link.dataset.row)));
  }
  new ResizeObserver(() => {
    for (const { plot } of plots) if (plot.width !== root.clientWidth) plot.setSize({ width: root.clientWidth, height: plot.height });
  }).observe(root);
  root.dataset.loaded = "yes";
}
