// Live values as the recorder writes them, ten times a second; the first ones came with the page.

import { ask, connection, format, refusal, showLocalTimes, texts, words } from "./page.js";

const CHECK_EVERY_MS = 10000;

const byId = (id) => document.getElementById(id);
const labels = JSON.parse(byId("sl-labels").textContent);

/** The rows of the page in a fixed order: [channel, label, text]. */
function rows(live) {
  const { values = {}, engine_rpm: rpm = null, levels = null } = live.values;
  const found = rpm === null ? [] : [["engine_speed", labels.engine_speed, format("rpm", rpm)]];
  if (levels) found.push(["shock_level", labels.shock_level, format("g", levels.peak_g[3])]);
  for (const [channel, { value, unit }] of Object.entries(values)) {
    if (channel === "acceleration") continue;
    const text = channel === "key_sense" ? texts[value === 1 ? "key_on" : "key_off"] : format(unit, value);
    found.push([channel, labels[channel] ?? channel, text]);
  }
  return found;
}

/** "adc 0x48" and the like in words; pulse inputs are called like their channel. */
function partName(part) {
  const [kind, ...rest] = part.split(" ");
  return labels[part] ?? [texts[`name_${kind}`] ?? kind, ...rest].join(" ");
}

/** Keep as many children as there are items; only texts change between two words of the recorder. */
function list(parent, items, make, fill) {
  while (parent.children.length > items.length) parent.lastElementChild.remove();
  items.forEach((item, n) => fill(parent.children[n] ?? parent.appendChild(make()), item));
}

function element(html) {
  const template = document.createElement("template");
  template.innerHTML = html;
  return template.content.firstElementChild;
}

const set = (node, text) => {
  if (node.textContent !== text) node.textContent = text;
};

let live = JSON.parse(byId("sl-live").textContent);
let verdict = null; // of the last start check; null until there is one

/** The recorder's word counts at once, the start check as of its last look. */
function sayReady() {
  const checked = { ok: texts.ready, look: texts.ready_look, stop: texts.not_ready }[verdict] ?? texts.ready_checking;
  set(byId("sl-ready"), live.ready ? checked : texts.not_ready);
}

function show(word) {
  live = word;
  const isLive = live.state === "live"; // what an old word says of sensors and space may no longer be so
  const said = isLive ? live.values : {};
  sayReady();
  list(byId("sl-reasons"), live.reasons, () => element("<li></li>"), set);
  byId("sl-absent").hidden = live.state !== "absent";
  byId("sl-key-on").hidden = !live.key_on_still;
  list(byId("sl-values"), isLive ? rows(live) : [], () => element("<div><dt></dt><dd></dd></div>"), (row, [, label, text]) => {
    set(row.firstElementChild, label);
    set(row.lastElementChild, text);
  });
  list(byId("sl-parts"), isLive ? (said.sensors ?? []) : [], () => element('<li class="sl-sensor"><strong></strong><span></span></li>'), (row, part) => {
    row.className = `sl-sensor sl-sensor-${part.state === "ok" ? "ok" : "fault"}`;
    set(row.firstElementChild, partName(part.part));
    set(row.lastElementChild, part.message || texts[`part_${part.state}`] || part.state);
  });
  const recording = said.recording;
  set(byId("sl-recording"), recording ? words("since", { minutes: (recording.seconds / 60).toFixed(1) }) : isLive ? texts.not_recording : "–");
  set(byId("sl-free"), said.free_mb === undefined ? "–" : `${(said.free_mb / 1000).toFixed(1)} GB`);
  set(byId("sl-clock"), said.clock_is_set === undefined ? "–" : texts[said.clock_is_set ? "clock_known" : "clock_unknown"]);
}

/** The check's own page has the lines; its heading sentence is the one above. */
async function check() {
  const answer = await ask("/check", { headers: { Accept: "text/html" } });
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const lines = page.getElementById("sl-check-lines");
  verdict = lines?.dataset.verdict ?? null;
  sayReady();
  if (!lines) {
    byId("sl-check-place").textContent = `${texts.check_failed} ${page.querySelector("h1").textContent}`;
    return;
  }
  lines.querySelector(".sl-check-says").remove();
  const fine = lines.querySelector("details");
  if (fine) fine.open = byId("sl-check-place").querySelector("details")?.open ?? false;
  byId("sl-check-place").replaceChildren(lines);
  showLocalTimes(lines);
}

let nextCheck = 0;

async function keepChecking() {
  clearTimeout(nextCheck);
  if (!document.hidden) await check().catch(() => {}); // ask() has told the page; the next round tries again
  nextCheck = setTimeout(keepChecking, CHECK_EVERY_MS);
}

byId("sl-check-again").addEventListener("click", (event) => {
  event.preventDefault();
  keepChecking();
});

show(live);
keepChecking();

const source = new EventSource("/api/now/stream");
source.addEventListener("message", ({ data }) => {
  connection(true);
  show(JSON.parse(data));
});
source.addEventListener("error", () => connection(false)); // the browser itself tries again every second

byId("sl-set-clock").addEventListener("click", async () => {
  const answer = await ask("/api/now/clock", {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ utc: new Date().toISOString() }),
  });
  const body = await answer.json();
  set(byId("sl-said"), answer.ok ? texts.clock_done : refusal(body));
});
