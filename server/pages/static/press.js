// The buttons: a press counts once, and not if it was meant for the button that was there before.

import { find, html, remake } from "./make.js";

const DEAD_MS = 400; // a new button takes no press for so long: the finger was on its way to the old one
/** @type {ReturnType<typeof setTimeout>} */
let waking;
let looked = ""; // the inspection whose outcomes are offered
let asked = ""; // the restart button that was pressed once and now asks for a second press

/** @type {{state: State, link: Link} | null} */
let last = null;
let astray = ""; // how the mark goes wrong, if it does: then "I turned it" is not the button to press next

/** @param {State} state @param {Link} link */
export function showButtons(state, link) {
  last = { state, link };
  const again = astray ? state.again : null,
    primary = again ?? state.primary,
    others = again && state.primary && astray !== "aside" ? [state.primary, ...state.others] : state.others;
  const { choices } = state,
    looking = choices.length > 0 && looked === occasion(state);
  const held = document.activeElement?.id === "primary";
  const sure = primary?.action === "restart" && asked === occasion(state);
  const made = remake(find("#buttons"), looking ? choices : [primary, others, sure, Boolean(state.finish)], () => {
    if (looking)
      return [
        html("p", { class: "said-before" }, "What did you find?"),
        ...choices.map((button) => make(button, link)),
      ];
    if (sure)
      return [
        html("p", { class: "said-before" }, "Begin a new alignment? This one stays in the log."),
        make(/** @type {Button} */ (primary), link, true),
        make({ label: "No, stay here", action: "stay", body: {} }, link),
      ];
    const first = state.finish ? [html("a", { class: "button primary", href: "#finish" }, "Before you cut")] : [];
    return [...first, ...(primary ? [make(primary, link, true)] : []), ...others.map((button) => make(button, link))];
  });
  if (made) sleep();
  if (held) find("#primary")?.focus({ preventScroll: true });
}

/** Offers another large button while a screw turns and the mark goes wrong.
 * @param {string} kind of the way of the mark */
export function setAstray(kind) {
  const now = ["back", "gone", "aside"].includes(kind) ? kind : "";
  if (now === astray) return;
  astray = now;
  if (last && find("#watching").hidden) showButtons(last.state, last.link);
}

/** @param {Link} link */
export function showTake(link) {
  const attributes = { type: "button", id: "take", class: "primary", onclick: () => link.takeControl() };
  if (remake(find("#buttons"), "take", () => [html("button", attributes, "Take control here")])) sleep();
}

/** Without a connection no button can be pressed.
 * @param {boolean} lost */
export function stopButtons(lost) {
  for (const part of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll(".do, .entry, .more")))
    part.inert = lost;
}

/** @param {State} state */
const occasion = ({ choices, readings, run }) => JSON.stringify([choices, readings.length, run]);

/** @param {Button} button @param {Link} link @param {boolean} [main] */
function make(button, link, main = false) {
  if (button.link) return html("a", { class: main ? "button primary" : "button", href: button.link }, button.label);
  const look = {
    type: "button",
    id: main ? "primary" : null,
    class: main ? "primary" : null,
    "data-action": button.action,
  };
  return html(
    "button",
    { ...look, onclick: (/** @type {MouseEvent} */ event) => press(event, button, link) },
    button.label,
  );
}

// `disabled` is not used: it would take the focus away from somebody at a keyboard.
function sleep() {
  clearTimeout(waking);
  for (const button of document.querySelectorAll("#buttons button")) button.ariaDisabled = "true";
  waking = setTimeout(() => {
    for (const button of document.querySelectorAll("#buttons button:not([data-busy])")) button.ariaDisabled = null;
  }, DEAD_MS);
}

/** @param {MouseEvent} event @param {Button} button @param {Link} link */
async function press(event, button, link) {
  const pressed = /** @type {HTMLElement} */ (event.currentTarget);
  if (pressed.ariaDisabled === "true" || !link.state) return;
  if (["look", "stay", "restart"].includes(button.action) && asksFirst(button, link.state)) return redraw(link);
  const label = pressed.textContent ?? "";
  pressed.ariaDisabled = "true";
  pressed.dataset.busy = "";
  pressed.textContent = button.action === "pulse" ? "Looking…" : "One moment…";
  await link.act(button.action, button.body);
  delete pressed.dataset.busy;
  if (pressed.isConnected) pressed.textContent = label;
  sleep();
}

/** Returns whether the press only leads to a question; remembers which.
 * @param {Button} button @param {State} state */
function asksFirst(button, state) {
  if (button.action === "look") looked = occasion(state);
  if (button.action === "restart" && asked === occasion(state)) return false;
  asked = button.action === "restart" ? occasion(state) : "";
  return true;
}

/** @param {Link} link */
function redraw(link) {
  if (link.state) showButtons(link.state, link);
  find("#buttons button")?.focus();
}

// A key that is held counts as one press, the space bar included.
document.addEventListener("keydown", (event) => {
  const button = event.target instanceof Element && event.target.closest("#buttons button");
  if (button && event.repeat && ["Enter", " "].includes(event.key)) event.preventDefault();
});
