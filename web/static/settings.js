import { texts } from "./page.js";

const form = document.getElementById("sl-units-form");
const here = document.getElementById("sl-units-here");
const keep = (name, value, seconds) => (document.cookie = `sl_${name}=${value}; path=/; max-age=${seconds}; samesite=strict`);

here.hidden = false; // what this device alone keeps takes a script
here.addEventListener("click", () => {
  for (const [name, value] of new FormData(form)) keep(name, value, 31536000);
  document.getElementById("sl-said").textContent = texts.saved;
});
form.addEventListener("submit", () => { // what is for every device is for this one, too
  for (const name of new FormData(form).keys()) keep(name, "", 0);
});
