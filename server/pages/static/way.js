// While a screw turns: a bar that fills, the mark on a small card, and warnings.

import { drawCard, drawWay } from "./card.js";
import { vibrate } from "./device.js";
import { find, setText } from "./make.js";
import { drawOver } from "./over.js";
import { setAstray } from "./press.js";
import { showScreen } from "./screen.js";

const CLOCK_SET_MS = 5000; // a frame older than the last by more than this was not late: the rig's clock was set back
const NEARER_MM = 0.2; // a mark that comes nearer by this much goes the right way again; readings vary by 0.05 mm sd
const LOST = "The mark has left the card. Turn the other way.";

/** Shows that a held screw has driven the mark off the card. */
export function showLost() {
  const place = find("#way");
  place.hidden = false;
  place.className = "way far";
  find(".bar", place).hidden = true;
  setText(find("#way-words"), LOST);
  setAstray("gone");
  showScreen({ way: { kind: "gone", words: LOST, left: null, gap_mm: 0, stands: [], big: [], goes: [] } });
}

/** The warning on show and the largest distance of the mark since then; the turn and the newest frame it is for.
 * @type {{said: Way | null, worst_mm: number, asked: string, newest: number, shown: Way | null}} */
const before = { said: null, worst_mm: 0, asked: "", newest: 0, shown: null };

/** Returns what to show. A warning stays until the mark has moved on by more than single readings vary;
 * "wrong way" stays only until the mark comes nearer. Frames that arrive late are left out.
 * @param {Way | null} way @param {Follow | null | undefined} follow @param {Live | null | undefined} live @returns {Way | null} */
export function steady(way, follow, live) {
  const turn = JSON.stringify(follow ?? null),
    taken = live?.taken_ms ?? before.newest;
  if (turn === before.asked && taken < before.newest && before.newest - taken < CLOCK_SET_MS) return before.shown;
  if (turn !== before.asked || !before.said || !way?.stands.includes(before.said.kind)) before.said = null;
  Object.assign(before, { asked: turn, newest: taken });
  before.shown = way && standing(way);
  return before.shown;
}

/** Returns the way, with the warning that still stands.
 * @param {Way} way @returns {Way} */
function standing(way) {
  if (way.kind !== "go" && (!before.said || way.kind === before.said.kind)) before.said = way;
  before.worst_mm = before.said ? Math.max(before.worst_mm, way.gap_mm) : 0;
  if (!before.said) return way;
  const { kind, words, big } = before.said;
  if (mends(kind, way)) return { ...way, kind: "go", words: "Right way now.", big: way.goes };
  return { ...way, kind, words, big };
}

/** @param {string} kind @param {Way} way */
const mends = (kind, way) => kind === "back" && way.gap_mm < before.worst_mm - NEARER_MM;

/** @param {Way | null} way @param {Live | null | undefined} live @param {State} state */
export function showWay(way, live, state) {
  const place = find("#way");
  place.hidden = !way;
  setAstray(way?.kind ?? "");
  showScreen({ way });
  vibrate(way?.kind ?? "");
  if (!way || !live || !state.follow) return;
  find("#landing").hidden = true; // it is about the previous mark and would contradict this one
  place.className = `way ${way.kind}`;
  const bar = find(".bar", place);
  bar.hidden = way.left === null;
  bar.firstElementChild.style.width = `${Math.round((1 - (way.left ?? 1)) * 100)}%`;
  setText(find("#way-words"), way.words);
  drawWay(find("svg", place), state.follow, live.offset_mm);
  const { card, picture } = state;
  if (!card) return;
  const now = {
    ...card,
    trail: [...card.trail, live.offset_mm],
    mark: card.mark && { ...card.mark, offset_mm: live.offset_mm },
  };
  now.words = `${find("#live").textContent}.`;
  drawCard(find("#card"), now);
  drawOver(find("#picture svg"), picture, now);
}
