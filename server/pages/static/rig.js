// The hardware: its faults, the mark in the newest frame, rigs elsewhere.

import { find, html, setText } from "./make.js";

/** @param {number} value @param {string} more @param {string} less */
const side = (value, more, less) => `${Math.abs(value).toFixed(1)} mm ${value >= 0 ? more : less}`;

/** @param {State} state */
export function faultLine(state) {
  return state.rig?.faults.find((fault) => fault.urgent)?.line ?? "";
}

/** @param {State} state */
export function showRig(state) {
  const rig = state.rig ?? { faults: [], rigs: [], live: null, lid_closed: null };
  showLive(rig.live);
  const lines = rig.faults.slice(faultLine(state) ? 1 : 0).map((fault) => html("li", {}, fault.line));
  if (rig.lid_closed !== null)
    lines.push(html("li", {}, rig.lid_closed ? "Lid contact: closed." : "Lid contact: open."));
  find("#rig-lines").replaceChildren(...lines);
  find("#rigs").replaceChildren(...rig.rigs.map(showElsewhere));
  find("#rig").hidden = !lines.length && !rig.rigs.length;
}

/** @param {Elsewhere} rig */
function showElsewhere(rig) {
  const mark = rig.offset_mm
    ? `mark ${side(rig.offset_mm[0], "right", "left")}, ${side(rig.offset_mm[1], "up", "down")}`
    : "no mark yet";
  const card = rig.station ? `card of ${rig.station.replace("-", " ")}, ${mark}` : "no card in view";
  const words = `${rig.name}: ${rig.silent ? "no contact; it keeps its readings" : rig.fault || card}`;
  const picture = rig.has_picture
    ? [html("img", { src: `/api/rig/picture/${rig.name}?n=${rig.seen}`, alt: `What ${rig.name} sees`, width: "160" })]
    : [];
  return html("li", {}, ...picture, words);
}

/** Called for every frame, so it changes only this text.
 * @param {Live | null} live */
export function showLive(live) {
  const line = find("#live");
  line.hidden = !live;
  if (!live) return;
  const [u, v] = live.offset_mm;
  setText(line, `Now: ${side(u, "right", "left")}, ${side(v, "up", "down")}`);
  line.dataset.taken = live.taken_ms;
}
