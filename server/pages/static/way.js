// While a screw turns: the bar that empties, the mark on a small card, the words that must not wait.

import { drawCard, drawOver, drawWay } from "./draw.js";
import { showBig } from "./job.js";
import { find, setText } from "./make.js";

export function showWay(way, live, state) {
  const place = find("#way");
  place.hidden = !way;
  if (!way) return;
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
