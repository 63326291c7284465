// Fills a pair's first field with the value that the recorder shows at this moment.

import { ask, shown, texts } from "./page.js";

const form = document.querySelector(".sl-pairs");
const said = document.getElementById("sl-said");

for (const button of document.querySelectorAll("[data-take]")) {
  button.addEventListener("click", async () => {
    const live = await (await ask("/api/now")).json();
    const found = live.state === "live" ? live.values.values?.[form.dataset.channel] : null;
    if (!found || found.value === null) {
      said.textContent = texts.no_live;
      return;
    }
    said.textContent = "";
    document.getElementById(button.dataset.take).value = String(Number(shown(found.unit, found.value)[0].toPrecision(6)));
  });
}
