// What the check bars of the printed cards measure: kept where the log is, the same for every device.

import { find, mmPer, number, setText } from "./make.js";

/** @type {string | null} */
let shown = null;

/** @param {(message: string) => void} onTrouble */
export function startScale(onTrouble) {
  find("#scale-form")?.addEventListener("submit", (/** @type {SubmitEvent} */ event) => {
    event.preventDefault();
    send(/** @type {any} */ (event.target).elements, onTrouble);
  });
}

/** One length alone counts for both bars, as it does on the command line.
 * @param {{across: HTMLInputElement, up: HTMLInputElement}} bars @param {(message: string) => void} onTrouble */
async function send({ across, up }, onTrouble) {
  const given = [across.value || up.value, up.value || across.value];
  const body = JSON.stringify({ bars_mm: given[0] ? given.map((typed) => number(typed) * unit()) : null });
  const options = { method: "POST", headers: { "Content-Type": "application/json" }, body };
  const answer = await fetch("/api/card-scale", options).catch(() => null);
  const content = await answer?.json().catch(() => null);
  if (answer?.ok) {
    onTrouble("");
    showScale(content);
  } else {
    onTrouble(content?.error.message ?? "Not kept: no connection.");
    find("#trouble").scrollIntoView({ block: "center" });
  }
}

/** How many millimetres one unit of the typed lengths has. */
const unit = () => mmPer(find("#scale-form").dataset.units);

/** Fills the fields only with new values, so that nothing is lost while somebody types.
 * @param {{bars_mm: number[] | null}} state */
export function showScale({ bars_mm }) {
  const form = find("#scale-form"),
    now = JSON.stringify(bars_mm);
  if (!form || shown === now) return;
  shown = now;
  const name = unit() === 1 ? "mm" : "in",
    [across, up] = bars_mm?.map((mm) => String(+(mm / unit()).toFixed(4))) ?? ["", ""];
  [form.elements.across.value, form.elements.up.value] = [across, up];
  const words = bars_mm
    ? `Every picture is corrected: ${across} ${name} across, ${up} ${name} up.`
    : "The print is assumed to be true to scale.";
  setText(find("#scale-words"), words);
}
