import { texts } from "./page.js";

const form = document.getElementById("sl-units-form");
form.addEventListener("submit", (event) => {
  event.preventDefault();
  for (const [name, value] of new FormData(form)) {
    document.cookie = `sl_${name}=${value}; path=/; max-age=31536000; samesite=strict`;
  }
  document.getElementById("sl-said").textContent = texts.saved;
});
