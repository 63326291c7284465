// Asks for an export, shows how far it is, and downloads it once it is there.

import { ask, texts } from "./page.js";

const STEP_MS = 300;
const form = document.getElementById("sl-files");
const share = document.getElementById("sl-share");
const said = document.getElementById("sl-said");

async function make() {
  const wanted = { form: new FormData(form).get("form") };
  let answer = await ask(`/api/events/${encodeURIComponent(form.dataset.event)}/exports`, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(wanted),
  });
  for (;;) {
    const body = await answer.json();
    if (!answer.ok) throw new Error(`${body.error.what} ${body.error.todo}`);
    if (body.failed !== null) throw new Error(texts.export_failed + body.failed);
    share.value = body.share;
    if (body.href !== null) return body.href;
    await new Promise((resume) => setTimeout(resume, STEP_MS));
    answer = await ask(`/api/exports/${body.export_id}`);
  }
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const button = form.querySelector("button");
  button.disabled = true;
  share.hidden = false;
  said.textContent = "";
  try {
    const href = await make();
    said.textContent = texts.export_ready;
    location.assign(href);
  } catch (error) {
    said.textContent = error.message;
  }
  share.hidden = true;
  button.disabled = false;
});
