// Keeps an open event page up to date: asks for its revision again and again and swaps the content when it changed.

import { ask, showLocalTimes } from "./page.js";

const STEP_MS = 1000;
const WHILE_RECORDING_MS = 400; // somebody is waiting for the run that has just ended
const main = document.getElementById("sl-main");
const place = () => document.getElementById("sl-event");

/** Fields of the device's own time, which only a script can turn into the clock's; without one they stay hidden. */
function offerTimes() {
  for (const each of main.querySelectorAll(".sl-scripted")) each.hidden = false;
  for (const field of main.querySelectorAll("[data-utc]")) {
    field.form.addEventListener("formdata", ({ formData }) => {
      if (field.value) formData.set(field.dataset.utc, new Date(field.value).toISOString());
    });
  }
}

async function look() {
  const { event, revision } = place().dataset;
  const answer = await ask(`/api/events/${encodeURIComponent(event)}/revision`);
  if (answer.status === 404) return location.reload();
  if (!answer.ok || (await answer.json()).revision === revision) return;
  const page = await ask(location.pathname, { headers: { Accept: "text/html" } });
  if (!page.ok) return;
  const fresh = new DOMParser().parseFromString(await page.text(), "text/html");
  main.replaceChildren(...fresh.getElementById("sl-main").childNodes);
  showLocalTimes(main);
  offerTimes();
}

async function watch() {
  if (!document.hidden) await look().catch(() => {}); // ask() has told the page; the next round tries again
  setTimeout(watch, "recording" in place().dataset ? WHILE_RECORDING_MS : STEP_MS);
}

offerTimes();
setTimeout(watch, STEP_MS);
