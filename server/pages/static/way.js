// While a screw turns: the bar that empties, the mark on a small card, the words that must not wait.

import { drawCard, drawOver, drawWay } from "./draw.js";
import { showBig } from "./job.js";
import { find, setText } from "./make.js";

const CLOCK_SET_MS = 5000; // an older look than this is no late answer: the rig's clock was set back
const LOST = "The mark has left the card. Turn back.";

// A held screw has driven the mark off the card.
export function showLost() {
  const place = find("#way");
  place.hidden = false;
  place.className = "way far";
  place.querySelector(".bar").hidden = true;
  setText(find("#way-words"), LOST);
  showBig([{ value: "Back", unit: "", label: "", kind: "shout" }]);
}

let said = null, asked = "", newest = 0, shown = null; // said last that is more than "go on", of which turn and look

// What was said of a mark that is there stands until it has clearly left again, not until a reading trembles
// or an answer arrives that a later one has overtaken.
export function steady(way, follow, live) {
  const turn = JSON.stringify(follow ?? null), taken = live?.taken_ms ?? newest;
  if (turn === asked && taken < newest && newest - taken < CLOCK_SET_MS) return shown;
  if (turn !== asked || !way?.stands.includes(said?.kind)) said = null;
  asked = turn;
  newest = taken;
  if (way && way.kind !== "go" && (!said || way.kind === said.kind)) said = way;
  return (shown = said ? { ...way, kind: said.kind, words: said.words, big: said.big } : way);
}

export function showWay(way, live, state) {
  const place = find("#way");
  place.hidden = !way;
  if (!way) return;
  find("#landing").hidden = true; // of the mark before: "there" beside "wrong way" is one word too many
  place.className = `way ${way.kind}`;
  const bar = place.querySelector(".bar");
  bar.hidden = way.left === null;
  bar.firstElementChild.style.width = `${Math.round((way.left ?? 0) * 100)}%`;
  setText(find("#way-words"), way.words);
  drawWay(place.querySelector("svg"), state.follow, live.offset_mm);
  showBig(way.big);
  const { card, picture } = state;
  const now = { ...card, trail: [...card.trail, live.offset_mm], mark: card.mark && { ...card.mark, offset_mm: live.offset_mm } };
  now.words = `${find("#live").textContent}.`;
  drawCard(find("#card"), now);
  drawOver(find("#picture svg"), picture, now);
}
