// A virtual screw, which turns while it is held: with a finger, the mouse or the space bar.

import { find } from "./make.js";

/** @type {{body: Hold} | null} */
let held = null;
let ended = Promise.resolve(); // resolves when the last hold has been let go

/** @param {Link} link @param {() => State} current */
export function startHolds(link, current) {
  const place = find("#holds");
  if (!place) return;
  const hold = (/** @type {HTMLElement} */ button, /** @type {Event} */ event) => {
    const asked = current()?.mount;
    if (!asked || held) return;
    event.preventDefault();
    button.focus({ preventScroll: true });
    grip(link, { mount: asked.mirror, screw: asked.screw, way: Number(button.dataset.way) }, button);
  };
  for (const button of place.querySelectorAll("button")) {
    button.addEventListener("pointerdown", (/** @type {PointerEvent} */ event) => hold(button, event));
    button.addEventListener(
      "keydown",
      (/** @type {KeyboardEvent} */ event) =>
        [" ", "Enter"].includes(event.key) && !event.repeat && hold(button, event),
    );
    button.addEventListener("contextmenu", (/** @type {Event} */ event) => event.preventDefault());
    button.addEventListener("blur", letGo);
  }
  find("#scene svg").addEventListener("pointerdown", (/** @type {PointerEvent} */ event) => {
    const screw = /** @type {HTMLElement | null} */ (/** @type {Element} */ (event.target).closest("[data-screw]"))
        ?.dataset.screw,
      asked = current()?.mount;
    if (!screw || !asked || held || !showable(current())) return;
    event.preventDefault();
    grip(link, { mount: asked.mirror, screw, way: Math.sign(asked.turns) }, null);
  });
  for (const end of ["pointerup", "pointercancel", "keyup", "pagehide"]) addEventListener(end, letGo);
  document.addEventListener("visibilitychange", letGo);
}

/** @param {State} state */
const showable = (state) => state.source === "practice" && state.now === "turn" && state.cautions_acknowledged;

/** @param {State} state */
export function showHolds(state) {
  const place = find("#holds");
  if (!place) return;
  place.hidden = !showable(state) || !find("#watching").hidden;
  if (place.hidden) return letGo();
  for (const button of place.querySelectorAll("button")) {
    const asked = Number(button.dataset.way) === Math.sign(state.mount?.turns ?? 1);
    button.className = asked ? "asked" : "";
    button.setAttribute(
      "aria-label",
      `Hold to turn ${state.mount?.screw} ${button.dataset.way > 0 ? "clockwise" : "anticlockwise"}${asked ? ", as asked" : ""}`,
    );
  }
}

/** @param {Link} link @param {Hold} body @param {HTMLElement | null} button */
function grip(link, body, button) {
  const mine = (held = { body });
  ended = ended.then(() => turn(link, mine, button));
}

/** Asks for the next small turn when the last is done: over a slow network the screw turns slowly, never by itself.
 * @param {Link} link @param {{body: Hold}} mine @param {HTMLElement | null} button */
async function turn(link, mine, button) {
  const { body } = mine;
  button?.setAttribute("aria-pressed", "true");
  document.body.dataset.holding = "";
  while (held === mine && (await link.act("ease", { ...body })));
  if (held === mine) held = null;
  button?.removeAttribute("aria-pressed");
  await link.act("ease", { ...body, way: 0 });
  delete document.body.dataset.holding;
}

function letGo() {
  held = null;
}
