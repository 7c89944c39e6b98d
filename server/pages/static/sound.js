// For a person who looks at the mirror: a voice reads the step, a tone rises towards the aim. Both are off at first.

import { find } from "./make.js";

const LOW_HZ = 220,
  HIGH_HZ = 1320;
/** @type {AudioContext | null} */
let audio = null;
let last = { text: "", version: -1 };

/** @param {string} name */
const wants = (name) => find(`#sound input[name=${name}]`).checked;

export function startSound() {
  const inputs = /** @type {NodeListOf<HTMLInputElement>} */ (
    document.querySelectorAll("#sound input[type=checkbox], #offers input")
  );
  for (const input of inputs) {
    input.checked = localStorage.getItem(`sound-${input.name}`) === "on";
    input.addEventListener("change", () => choose(input, inputs));
  }
  find("#repeat").addEventListener("click", () => speak(last.text));
}

/** The same choice is in two places of the page.
 * @param {HTMLInputElement} input @param {NodeListOf<HTMLInputElement>} all */
function choose(input, all) {
  const { name, checked } = input;
  for (const other of all) if (other.name === name) other.checked = checked;
  localStorage.setItem(`sound-${name}`, checked ? "on" : "off");
  if (checked && name === "voice") speak(last.text || "Voice on.");
  else if (checked) beep(0.5);
  else if (name === "voice") globalThis.speechSynthesis?.cancel();
}

/** @param {State} state */
export function hear(state) {
  const first = last.version < 0;
  const text = [state.landing?.words, ...state.say].filter(Boolean).join(" ");
  const changed = text !== last.text;
  last = { text, version: state.version };
  if (first || !changed) return;
  if (wants("tone") && state.landing) beep(1 - state.landing.left, state.landing.kind === "there");
  if (wants("voice")) speak(text);
}

let wayKind = "";

/** While a screw turns: a tone for each frame, higher near the aim; each warning is spoken once, at once.
 * @param {Way} way */
export function hearWay(way) {
  if (wants("tone") && way.left !== null) beep(1 - way.left, way.kind === "stop" && wayKind !== "stop");
  if (way.kind !== wayKind && way.words && wants("voice")) speak(way.words);
  wayKind = way.kind;
}

/** @param {string} text */
function speak(text) {
  if (!("speechSynthesis" in globalThis) || !text) return;
  speechSynthesis.cancel();
  speechSynthesis.speak(new SpeechSynthesisUtterance(inWords(text)));
}

/** 3/16 is read as "3 sixteenths", mm as millimetres.
 * @param {string} text */
function inWords(text) {
  /** @type {Record<string, string>} */
  const parts = { 2: "half", 4: "quarter", 8: "eighth", 16: "sixteenth", 32: "thirty-second", 64: "sixty-fourth" };
  return text
    .replace(/(\d+)\/(\d+)/g, (whole, over, under) =>
      parts[under] ? `${over} ${parts[under]}${over === "1" ? "" : "s"} of a` : whole,
    )
    .replace(/\bmm\b/g, "millimetres");
}

/** Plays how near the mark is (0 … 1) as pitch, and a second note when it arrives.
 * @param {number} nearness @param {boolean} [arrived] */
function beep(nearness, arrived = false) {
  audio ??= new AudioContext();
  const at = audio.currentTime;
  note(audio, LOW_HZ * (HIGH_HZ / LOW_HZ) ** nearness, at);
  if (arrived) note(audio, HIGH_HZ * 1.25, at + 0.2);
}

/** @param {AudioContext} audio @param {number} hz @param {number} at */
function note(audio, hz, at) {
  const tone = audio.createOscillator(),
    loud = audio.createGain();
  tone.frequency.value = hz;
  loud.gain.setValueAtTime(0.25, at);
  loud.gain.exponentialRampToValueAtTime(0.001, at + 0.35);
  tone.connect(loud).connect(audio.destination);
  tone.start(at);
  tone.stop(at + 0.36);
}
