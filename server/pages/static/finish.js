// After the last turn: what is left to do, one line each, to be ticked. The ticks are kept on this device.

import { find, html, remake, setText } from "./make.js";

/** @param {State} state */
export function showFinish(state) {
  const place = find("#finish");
  place.hidden = !state.finish;
  if (!state.finish) return;
  const { told, steps } = state.finish,
    name = `finish-${state.run}-${state.alignment}`;
  setText(find("#finish-told"), told);
  remake(find("#finish-steps"), [steps, name], () => steps.map((step, n) => tick(step, n, name)));
  count();
}

/** @param {FinishStep} step @param {number} n @param {string} name */
function tick({ words, link }, n, name) {
  const box = /** @type {HTMLInputElement} */ (html("input", { type: "checkbox", checked: kept(name).includes(n) }));
  box.addEventListener("change", () => {
    const others = kept(name).filter((known) => known !== n);
    localStorage.setItem(name, JSON.stringify(box.checked ? [...others, n] : others));
    count();
  });
  const more = link ? [html("a", { href: link }, "open")] : [];
  return html("li", {}, html("label", { class: "tick" }, box, html("span", {}, words)), ...more);
}

/** @param {string} name @returns {number[]} */
const kept = (name) => JSON.parse(localStorage.getItem(name) ?? "[]");

function count() {
  const boxes = [...document.querySelectorAll("#finish-steps input")];
  const left = boxes.filter((box) => !(/** @type {HTMLInputElement} */ (box).checked)).length;
  setText(find("#finish-left"), left ? `${left} of ${boxes.length} still to do` : "All done. Good cutting.");
}
