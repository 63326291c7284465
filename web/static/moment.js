// The moment: traces around one instant, the address bar as a link to exactly this view.

import { attach, jumpToPulses } from "./gestures.js";
import { texts } from "./page.js";
import { TraceStack } from "./stack.js";

const chart = JSON.parse(document.getElementById("sl-chart").textContent);
const root = document.getElementById("sl-charts");
const csv = document.getElementById("sl-csv");
const said = document.getElementById("sl-said");
let remember = 0;

const stack = new TraceStack(root, chart, ({ from, to }) => {
  clearTimeout(remember);
  remember = setTimeout(() => {
    const address = new URL(location.href);
    address.searchParams.set("from", from.toFixed(4));
    address.searchParams.set("to", to.toFixed(4));
    history.replaceState(null, "", address);
    for (const field of document.querySelectorAll("[data-view]")) field.value = (field.dataset.view === "from" ? from : to).toFixed(3);
    if (csv) csv.href = `${csv.pathname}?from_s=${from.toFixed(6)}&to_s=${to.toFixed(6)}`;
  }, 200);
});
attach(stack);

const wanted = new URLSearchParams(location.search);
const [from, to] = [Number.parseFloat(wanted.get("from")), Number.parseFloat(wanted.get("to"))];
if (to > from) stack.setView(from, to);
else stack.redraw();
stack.load();

const zooms = {
  earlier: () => stack.pan(-0.25),
  later: () => stack.pan(0.25),
  zoom_in: () => stack.zoom(0.5, stack.cursorAt ?? undefined),
  zoom_out: () => stack.zoom(2, stack.cursorAt ?? undefined),
  pulses: () => jumpToPulses(stack),
  stumble: () => stack.setView(chart.from_s, chart.to_s),
  instant: () => stack.setView(chart.from_s, chart.to_s),
  whole: () => stack.setView(0, chart.duration_s),
};
for (const button of document.querySelectorAll("[data-zoom]")) {
  button.addEventListener("click", zooms[button.dataset.zoom]);
}

for (const button of document.querySelectorAll("[data-span]")) {
  const { from_s: start, to_s: end } = chart.spans[Number(button.dataset.span)];
  button.addEventListener("click", () => stack.setView(start - (end - start) * 0.02, end + (end - start) * 0.02));
}

const copy = document.getElementById("sl-copy");
copy.hidden = !navigator.clipboard; // browsers offer it to secure pages only; the address bar holds the same link
copy.addEventListener("click", async () => {
  await navigator.clipboard.writeText(location.href);
  said.textContent = texts.copied;
});

document.getElementById("sl-picture").addEventListener("click", () => {
  stack.picture().toBlob((blob) => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = "moment.png";
    link.click();
    URL.revokeObjectURL(link.href);
  });
});

window.addEventListener("keydown", (event) => {
  if (event.target !== document.body || event.ctrlKey || event.metaKey || event.altKey) return;
  const rel = { n: "next", p: "prev" }[event.key];
  document.querySelector(`a[rel="${rel}"]`)?.click();
});
