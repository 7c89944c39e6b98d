// While a screw turns: the bar that fills, the mark on a small card, the words that must not wait.

import { drawCard, drawWay } from "./card.js";
import { shake } from "./device.js";
import { find, setText } from "./make.js";
import { drawOver } from "./over.js";
import { leadBy } from "./press.js";
import { showScreen } from "./screen.js";

const CLOCK_SET_MS = 5000; // an older look than this is no late answer: the rig's clock was set back
const NEARER_MM = 0.2; // a mark that comes nearer by so much goes the right way again; it trembles by 0.05 mm sd
const LOST = "The mark has left the card. Turn the other way.";

/** A held screw has driven the mark off the card. */
export function showLost() {
  const place = find("#way");
  place.hidden = false;
  place.className = "way far";
  find(".bar", place).hidden = true;
  setText(find("#way-words"), LOST);
  leadBy("gone");
  showScreen({ way: { kind: "gone", words: LOST, left: null, gap_mm: 0, stands: [], big: [], goes: [] } });
}

/** What was said last that is more than "go on", how far the mark was at worst since; of which turn and look.
 * @type {{said: Way | null, worst_mm: number, asked: string, newest: number, shown: Way | null}} */
const before = { said: null, worst_mm: 0, asked: "", newest: 0, shown: null };

/** What was said of a mark that is there stands until it has clearly left again, not until a reading trembles
 * or an answer arrives that a later one has overtaken; "wrong way" goes the moment the mark comes nearer.
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

/** Returns the way with what still stands said of it.
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
  leadBy(way?.kind ?? "");
  showScreen({ way });
  shake(way?.kind ?? "");
  if (!way || !live || !state.follow) return;
  find("#landing").hidden = true; // of the mark before: "there" beside "wrong way" is one word too many
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
