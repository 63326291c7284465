// The bench page: a few big values from the recorder's word, and the last pull as soon as it is worked out.

import { ask, connection, format } from "./page.js";

const STEP_MS = 2000;
const UNKNOWN = "–";
const byId = (id) => document.getElementById(id);

function show(live) {
  const { values = {}, engine_rpm: rpm = null } = live.values;
  byId("sl-key-on").hidden = !live.key_on_still;
  for (const row of byId("sl-big").children) {
    const { channel } = row.dataset;
    const known = live.state === "live" && (channel === "engine_speed" ? rpm !== null : (values[channel]?.value ?? null) !== null);
    const text = !known ? UNKNOWN : channel === "engine_speed" ? format("rpm", rpm) : format(values[channel].unit, values[channel].value);
    if (row.lastElementChild.textContent !== text) row.lastElementChild.textContent = text;
  }
}

async function look() {
  const answer = await ask("/api/bench");
  if (!answer.ok || (await answer.json()).key === byId("sl-bench").dataset.key) return;
  const page = await ask(location.pathname, { headers: { Accept: "text/html" } });
  if (!page.ok) return;
  byId("sl-bench").replaceWith(new DOMParser().parseFromString(await page.text(), "text/html").getElementById("sl-bench"));
}

async function watch() {
  if (!document.hidden) await look().catch(() => {}); // ask() has told the page; the next round tries again
  setTimeout(watch, STEP_MS);
}

show(JSON.parse(byId("sl-live").textContent));
const source = new EventSource("/api/now/stream");
source.addEventListener("message", ({ data }) => {
  connection(true);
  show(JSON.parse(data));
});
source.addEventListener("error", () => connection(false)); // the browser itself tries again every second
setTimeout(watch, STEP_MS);
