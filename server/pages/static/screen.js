// The step in letters that can be read from two metres, with a sign or drawing, on a colour of its own.

import { find, html, setText } from "./make.js";
import { drawMount, mountWords } from "./mount.js";
import { drawMove, moveWords } from "./move.js";
import { drawPlan, planWords } from "./plan.js";
import { sign, signOf } from "./signs.js";

const LEAST = 0.45; // letters narrower than this cannot be read
/** The warnings: a sign in place of the drawing, two words, and the colour of the whole screen.
 * @type {Record<string, Act>} */
const SHOUTS = {
  stop: { kind: "stop", tone: "stop", what: "Stop", where: "there", amount: [] },
  far: { kind: "back", tone: "back", what: "Too", where: "far", amount: [] },
  back: { kind: "back", tone: "back", what: "Wrong", where: "way", amount: [] },
  aside: { kind: "wrong", tone: "wrong", what: "Wrong", where: "screw?", amount: [] },
  gone: { kind: "back", tone: "back", what: "Mark", where: "gone", amount: [] },
  lost: { kind: "lost", tone: "lost", what: "No", where: "link", amount: [] },
};
const TONES = { done: "done", fault: "fault", wrong: "wrong" };
const SIGNED = new Set(["read", "look", "inspect", "done", "nearly", "fault", "stop", "back", "wrong", "lost"]);

/** @type {{state: State | null, way: Way | null, lost: boolean, drawn: string}} */
const shown = { state: null, way: null, lost: false, drawn: "" };

/** Draws the most urgent of these: no connection, the way of the mark while a screw turns, the step.
 * @param {{state?: State, way?: Way | null, lost?: boolean}} news */
export function showScreen(news) {
  Object.assign(shown, news);
  if (shown.state) draw(shown.state);
}

/** @param {State} state */
function draw(state) {
  const act = actNow(state),
    drawn = JSON.stringify([act, state.mount, state.plan, shown.way?.left, roomNow()]);
  if (drawn === shown.drawn) return;
  shown.drawn = drawn;
  Object.assign(document.body.dataset, { act: act.kind, tone: act.tone });
  find("#band-sign").replaceChildren(...sign(act.kind, state.mount?.turns));
  setLine(find("#what"), act.what);
  setLine(find("#where"), act.where);
  find("#big").replaceChildren(...act.amount.map(amountLine));
  fitAll();
  drawScene(state, act);
}

function roomNow() {
  const { width, height } = find("#scene").getBoundingClientRect();
  return [innerWidth, innerHeight, width, height];
}

/** @param {State} state @returns {Act} */
function actNow(state) {
  if (shown.lost) return SHOUTS.lost;
  const { way } = shown,
    { act } = state;
  if (!way) return { ...act, tone: TONES[/** @type {"done"} */ (act.kind)] ?? "you" };
  if (way.kind === "go")
    return { ...act, tone: "go", amount: act.amount.map((line) => ({ ...line, value: way.big[0].value })) };
  const shout = SHOUTS[way.kind],
    [first] = act.amount;
  const gap = way.big.find(({ unit }) => unit === "mm" || unit === "in") ?? { value: "", unit: "" };
  const sense = way.kind === "stop" || way.kind === "aside" ? "" : turned(state, way.kind);
  return { ...shout, amount: first ? [{ way: sense, value: gap.value, unit: gap.unit }] : [] };
}

/** Returns which way to turn: as asked after a wrong way, the other way after too far.
 * @param {State} state @param {string} kind */
function turned(state, kind) {
  const asked = (state.mount?.turns ?? 1) > 0;
  return asked === (kind === "back") ? "clockwise" : "anticlockwise";
}

// the words

/** @param {HTMLElement} place @param {string} text */
function setLine(place, text) {
  place.hidden = !text;
  place.replaceChildren(html("span", { class: "fit" }, text));
}

/** @param {Amount} line */
function amountLine({ way, value, unit }) {
  const sense = { clockwise: 1, anticlockwise: -1 }[way];
  const parts = sense ? [signOf("turn", sense), value] : [[way, value].filter(Boolean).join(" ")];
  return html(
    "p",
    { class: "huge" },
    html("span", { class: "fit" }, ...parts, unit ? html("span", { class: "unit" }, unit) : ""),
  );
}

/** Makes each line fit by narrower letters of the same height: the height makes them readable from afar. */
export function fitAll() {
  for (const line of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll(".huge .fit"))) fit(line);
}

/** @param {HTMLElement} line */
function fit(line) {
  const room = /** @type {HTMLElement} */ (line.parentElement).clientWidth;
  const narrow = room / Math.max(line.offsetWidth, 1);
  if (narrow < 0.64 && innerHeight > innerWidth * 1.5 && split(line)) return;
  line.style.transform = narrow < 1 ? `scaleX(${Math.max(narrow, LEAST).toFixed(3)})` : "";
}

/** Breaks a line of two words in two, where the screen is tall enough for both.
 * @param {HTMLElement} line */
function split(line) {
  const [first, ...rest] = (line.firstChild?.textContent ?? "").split(" ");
  if (!rest.length || line.childElementCount || /\d/.test(first + rest)) return false;
  const lines = [first, rest.join(" ")].map((text) => html("span", { class: "fit" }, text));
  line.replaceWith(...lines);
  lines.forEach(fit);
  return true;
}

// the drawing

/** @param {State} state @param {Act} act */
function drawScene(state, act) {
  const drawing = find("#scene svg"),
    words = find("#scene figcaption");
  let said = "";
  if (SIGNED.has(act.kind)) drawSign(drawing, act, state.mount?.turns ?? 1);
  else if (act.kind === "turn" && state.mount) {
    drawMount(drawing, state.mount, shown.way?.left ?? 1);
    said = mountWords(state.mount);
  } else if (act.kind === "shift" && state.shift) {
    const shift = { ...state.shift, lines: state.act.amount };
    drawMove(drawing, shift, state.plan.corner);
    said = moveWords(shift);
  } else {
    drawPlan(drawing, state.plan, true);
    said = planWords(state.plan);
  }
  setText(words, said);
}

/** @param {Element} drawing @param {Act} act @param {number} way */
function drawSign(drawing, { kind, what, where }, way) {
  drawing.setAttribute("viewBox", "-54 -54 108 108");
  drawing.setAttribute("aria-label", `${what} ${where}`.trim());
  drawing.replaceChildren(...sign(kind, way));
}

// The room for the words of the drawing changes with the size of what is beside it.
addEventListener("resize", () => shown.state && draw(shown.state));
new ResizeObserver(() => shown.state && draw(shown.state)).observe(find("#scene"));
