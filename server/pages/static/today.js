// Begins a check, and opens the page that reads its pulses.

import { find, setText } from "./make.js";

const { symptom: what = "", steps = "{}" } = document.body.dataset;
/** The step of each session when this page was made: a check does not begin if the step has changed since.
 * @type {Record<string, string>} */
const shown = JSON.parse(steps);
/** @type {Record<string, string>} */
const pages = { bench: "/", offline: "/offline" };
const keys = Object.fromEntries(
  Object.keys(pages).map((of) => [of, crypto.getRandomValues(new Uint32Array(4)).join("-")]),
);

/** @param {string} of */
async function begin(of) {
  const headers = { "Content-Type": "application/json", "X-Spotwright-Tab": sessionStorage.getItem("tab") ?? "" };
  const body = JSON.stringify({ what, step: shown[of], key: keys[of] });
  const answer = await fetch(`/api/do/${of}/check`, { method: "POST", headers, body }).catch(() => null);
  if (answer?.ok) return location.assign(pages[of]);
  const refusal = await answer?.json().catch(() => null);
  const late = answer?.status === 409 && refusal?.state;
  if (late) shown[of] = refusal.state.step;
  keys[of] = crypto.getRandomValues(new Uint32Array(4)).join("-");
  const line = find("#trouble");
  line.hidden = false;
  const words = late
    ? "Something was done there meanwhile. Press again to begin the check all the same."
    : refusal?.error.message;
  setText(line, words ?? "No connection to Spotwright: press again.");
}

for (const button of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("[data-of]")))
  button.addEventListener("click", () => begin(button.dataset.of ?? "bench"));
