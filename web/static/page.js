// What every page needs: words, units, the device's own time, and saying so when the logger is out of reach.

const json = (id) => JSON.parse(document.getElementById(id).textContent);

export const texts = json("sl-texts");
export const units = json("sl-units");

export function words(key, values = {}) {
  return texts[key].replace(/\{(\w+)\}/g, (_, name) => values[name]);
}

const two = (number) => String(number).padStart(2, "0");
const dateOf = (at) => `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`;
const minuteOf = (at) => `${two(at.getHours())}:${two(at.getMinutes())}`;
const secondOf = (at) => `${minuteOf(at)}:${two(at.getSeconds())}`;

/** Times as everywhere on the pages and in the reports, whatever the browser's language: 24 hours, the year first. */
export const TIME_FORMS = {
  datetime: (at) => `${dateOf(at)} ${minuteOf(at)}`,
  "datetime-seconds": (at) => `${dateOf(at)} ${secondOf(at)}`,
  date: dateOf,
  time: minuteOf,
  seconds: secondOf,
};

const ZONE = Intl.DateTimeFormat().resolvedOptions().timeZone;
document.cookie = `sl_zone=${ZONE}; path=/; max-age=31536000; samesite=strict`; // for what the logger writes itself

export function showLocalTimes(root = document) {
  for (const element of root.querySelectorAll(".sl-time")) {
    element.textContent = TIME_FORMS[element.dataset.show](new Date(element.dateTime));
  }
  for (const element of root.querySelectorAll(".sl-zone")) element.textContent = ZONE;
}

/** SI value to the unit this device chose: [value, symbol, digits]. */
export function shown(unit, value) {
  switch (unit) {
    case "kPa":
      if (units.pressure === "bar") return [value / 100, "bar", 2];
      if (units.pressure === "psi") return [value / 6.894757, "psi", 1];
      return [value, "kPa", 0];
    case "degC":
      return units.temperature === "degF" ? [value * 1.8 + 32, "°F", 0] : [value, "°C", 0];
    case "rpm":
      return [value, texts.rpm, 0];
    case "V":
    case "g":
      return [value, unit, 2];
    case "%":
      return [value, "%", 0];
    default:
      return [value, "", 2];
  }
}

export function format(unit, value) {
  if (value === null || value === undefined || Number.isNaN(value)) return texts.no_value;
  const [number, symbol, digits] = shown(unit, value);
  return `${number.toFixed(digits)} ${symbol}`.trim();
}

export function connection(isThere) {
  document.getElementById("sl-lost").hidden = isThere;
}

/** What an answer that is not the one asked for says, and what to do. */
export function refusal({ error }) {
  return `${error.what} ${error.todo}`;
}

/** fetch that tells the page whether the logger answered at all; an answer that is an error is still an answer. */
export async function ask(url, options = {}) {
  try {
    const answer = await fetch(url, options);
    connection(true);
    return answer;
  } catch (error) {
    if (error.name !== "AbortError") connection(false);
    throw error;
  }
}

/** A coil left fed overheats: while somebody reads with the key on and the engine still, every page says so. */
async function watchKey() {
  if (!document.hidden) {
    const answer = await ask("/api/now").catch(() => null); // ask() has told the page; the next round tries again
    if (answer?.ok) document.getElementById("sl-key-on").hidden = !(await answer.json()).key_on_still;
  }
  setTimeout(watchKey, 5000);
}

/** From a page that refuses what was written, the way back to it. */
const back = document.getElementById("sl-back");
if (back && history.length > 1) {
  back.hidden = false;
  back.addEventListener("click", () => history.back());
}

window.addEventListener("offline", () => connection(false));
showLocalTimes();
if (!document.body.matches(".sl-reader, .sl-nobody")) watchKey(); // only the owner may see the car as it is
