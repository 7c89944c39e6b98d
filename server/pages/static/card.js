// The card, u to the right and v up, in mm: the marks on it, and where the next should land.

import { find, svg } from "./make.js";

const INK = "#2b1608";
const AIM = "#0a4a86";
export const WINDOW_MM = 23;

/** Its words stand outside the paper, where no mark can be.
 * @param {HTMLElement} figure @param {Card | null} card */
export function drawCard(figure, card) {
  figure.hidden = !card;
  if (!card) return;
  const reach = reachOf(card);
  const k = 30 / reach; // drawing units per mm
  const parts = [...paper(reach, k), ...edgeWords(card.axes)];
  if (card.trail.length > 1) parts.push(trailLine(card.trail, k));
  for (const [u, v] of card.trail.slice(0, -1))
    parts.push(ring(u, v, 0.9, k, { stroke: INK, "stroke-width": 0.35, opacity: 0.65 }));
  const last = card.trail.at(-1);
  if (card.aim) parts.push(...aimRing(card.aim, k, last));
  if (last) parts.push(...markSpot(last, card.mark, k));
  const drawing = find("svg", figure);
  drawing.replaceChildren(...parts);
  drawing.setAttribute("aria-label", `Card at ${card.name}. ${card.words}`);
  find("figcaption", figure).textContent = `Card at ${card.name}, head ${card.head}. ${card.words}`;
}

/** The same, small, with the mark as it is seen now.
 * @param {Element} drawing @param {Follow} follow @param {number[]} now */
export function drawWay(drawing, follow, [u, v]) {
  const points = [follow.aim, follow.start ?? follow.aim, [u, v]];
  const reach = reachOf({ trail: points, aim: null }),
    k = 30 / reach;
  const parts = paper(reach, k).slice(0, -1); // without the words of the scale
  const [a, b] = [follow.start, follow.aim];
  if (a)
    parts.push(
      line(a[0] * k, -a[1] * k, b[0] * k, -b[1] * k, { stroke: AIM, "stroke-width": 0.7, "stroke-dasharray": "2 2" }),
    );
  parts.push(ring(b[0], b[1], Math.max(0.3 * k, 3), k, { stroke: AIM, "stroke-width": 1.6 }));
  parts.push(svg("circle", { cx: u * k, cy: -v * k, r: 3, fill: INK, stroke: "#fff", "stroke-width": 0.8 }));
  drawing.replaceChildren(...parts);
}

/** @param {{trail: number[][], aim: Aim | null}} card */
function reachOf(card) {
  const points = [...card.trail.slice(-3), ...(card.aim ? [card.aim.offset_mm] : [])];
  const far = Math.max(2, ...points.map(([u, v]) => Math.max(Math.abs(u), Math.abs(v)) + 2.5));
  return [6, 9, 14, 20, 26].find((reach) => far <= reach) ?? 26;
}

/** @param {number} reach @param {number} k */
function paper(reach, k) {
  const round = WINDOW_MM < reach * 1.42 ? svg("circle", { r: WINDOW_MM * k, fill: "#fbf4e4" }) : "";
  const every = reach > 14 ? 5 : reach > 6 ? 2 : 1;
  const ticks = [];
  for (let mm = -Math.floor(reach / every) * every; mm <= reach; mm += every) {
    const half = mm % (5 * every) ? 0.7 : 1.2;
    ticks.push(line(mm * k, -half, mm * k, half), line(-half, mm * k, half, mm * k));
  }
  const axes = [line(-30, 0, 30, 0), line(0, -30, 0, 30)];
  const scale = svg("text", { x: -28.5, y: 28.6, "font-size": 2.3, class: "ink" }, `one tick = ${every} mm`);
  return [
    svg("rect", { x: -30, y: -30, width: 60, height: 60, fill: "#f2e6cc" }),
    round,
    ...axes,
    ...ticks,
    scale,
  ].filter(Boolean); // the words last
}

/** @param {number} x1 @param {number} y1 @param {number} x2 @param {number} y2 @param {Attributes} [more] */
function line(x1, y1, x2, y2, more = {}) {
  return svg("line", { x1, y1, x2, y2, stroke: "#6d5f4b", "stroke-width": 0.22, ...more });
}

/** @param {Record<string, string>} axes */
function edgeWords(axes) {
  /** @type {(text: string, x: number, y: number, anchor: string) => SVGElement} */
  const word = (text, x, y, anchor) =>
    svg("text", { x, y, "text-anchor": anchor, "font-size": 2.9, "font-weight": 700 }, text);
  return [
    word(`${axes.right} ▸`, 29.5, 37.6, "end"),
    word(`◂ ${axes.left}`, -29.5, 37.6, "start"),
    word(`▴ ${axes.up}`, 0, -31, "middle"),
    word(`▾ ${axes.down}`, 0, 33.2, "middle"),
  ];
}

/** @param {number} u @param {number} v @param {number} radius @param {number} k @param {Attributes} more */
function ring(u, v, radius, k, more) {
  return svg("circle", { cx: u * k, cy: -v * k, r: radius, fill: "none", ...more });
}

/** @param {number[][]} trail @param {number} k */
function trailLine(trail, k) {
  const points = trail.map(([u, v]) => `${u * k},${-v * k}`).join(" ");
  return svg("polyline", {
    points,
    fill: "none",
    stroke: INK,
    "stroke-width": 0.3,
    opacity: 0.5,
    "stroke-dasharray": "0.6 0.8",
  });
}

/** @param {Aim} aim @param {number} k @param {number[]} [mark] */
function aimRing(aim, k, mark) {
  const [u, v] = aim.offset_mm;
  const sigma = Array.isArray(aim.sigma_mm) ? Math.max(...aim.sigma_mm) : aim.sigma_mm;
  const r = Math.max(2 * sigma * k, 1.6);
  const look = { stroke: AIM, "stroke-width": 0.9, "stroke-dasharray": "2 1.1" };
  const x = u * k,
    y = -v * k;
  const cross = [
    line(x - 1.2, y, x + 1.2, y, { stroke: AIM, "stroke-width": 0.6 }),
    line(x, y - 1.2, x, y + 1.2, { stroke: AIM, "stroke-width": 0.6 }),
  ];
  return [ring(u, v, r, k, look), ...cross, aimWord(x, y, r, mark ? [x - mark[0] * k, y + mark[1] * k] : [1, 0])];
}

/** On the side away from the mark, clear of the ring.
 * @param {number} x @param {number} y @param {number} r @param {number[]} away */
function aimWord(x, y, r, [dx, dy]) {
  const far = Math.hypot(dx, dy) || 1,
    cos = (dx || 1) / far,
    sin = dy / far;
  const anchor = cos > 0.4 ? "start" : cos < -0.4 ? "end" : "middle";
  const at = { x: x + (r + 1.2) * cos, y: y + (r + 1.8) * sin + 1 };
  return svg("text", { ...at, "text-anchor": anchor, "font-size": 2.7, "font-weight": 700, class: "ink-aim" }, "aim");
}

/** @param {number[]} at @param {Mark | null} mark @param {number} k */
function markSpot([u, v], mark, k) {
  const wide = mark ? mark.width_mm[0] / 2 : 1.2;
  const r = Math.min(Math.max(wide * k, 0.9), 9);
  const x = u * k,
    y = -v * k;
  return [
    svg("circle", { cx: x, cy: y, r, fill: INK, opacity: 0.8, class: "moves" }),
    line(x - 1, y, x + 1, y, { stroke: "#fff", "stroke-width": 0.5 }),
    line(x, y - 1, x, y + 1, { stroke: "#fff", "stroke-width": 0.5 }),
  ];
}
