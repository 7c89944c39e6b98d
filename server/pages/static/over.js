// Draws what was read over the picture.

import { WINDOW_MM } from "./card.js";
import { svg } from "./make.js";

/** @typedef {(u: number, v: number) => number[]} Seen from the card's millimetres to the picture's pixels */
/** @typedef {(u: number, v: number, r: number, more: Attributes) => SVGElement} Loop */

/** Shows the card's window in the middle of the frame, as large as fits; without a card, the whole picture.
 * @param {HTMLElement} frame @param {HTMLElement} lens @param {Picture | null} picture @param {boolean} wanted */
export function zoom(frame, lens, picture, wanted) {
  const whole = !picture || !wanted;
  const [x, y, k] = whole ? [0, 0, 1] : closeUp(picture);
  lens.style.transform = `scale(${k}) translate(${x}%, ${y}%)`;
  frame.dataset.zoom = whole ? "whole" : "close";
}

/** @param {Picture} picture */
function closeUp({ homography, size_px: [cols, rows] }) {
  const edge = circle(0, 0, WINDOW_MM + 3).map(([u, v]) => through(homography, u, v));
  const xs = edge.map(([x]) => x / cols),
    ys = edge.map(([, y]) => y / rows);
  const [left, right, top, bottom] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const k = Math.max(1, Math.min(1 / (right - left), 1 / (bottom - top)));
  /** @type {(low: number, high: number) => number} */
  const shift = (low, high) => -100 * Math.min(Math.max((low + high) / 2 - 0.5 / k, 0), 1 - 1 / k);
  return [shift(left, right), shift(top, bottom), k];
}

/** @param {Element} drawing @param {Picture | null} picture @param {Card | null} card */
export function drawOver(drawing, picture, card) {
  const shown = picture && card && picture.station === card.station ? card : null;
  drawing.replaceChildren();
  if (!picture) return;
  drawing.setAttribute("viewBox", `0 0 ${picture.size_px[0]} ${picture.size_px[1]}`);
  /** @type {Seen} */
  const seen = (u, v) => through(picture.homography, u, v);
  /** @type {Loop} */
  const loop = (u, v, r, more) =>
    svg("polygon", {
      points: circle(u, v, r)
        .map(([a, b]) => seen(a, b).join(","))
        .join(" "),
      fill: "none",
      "vector-effect": "non-scaling-stroke",
      ...more,
    });
  const parts = [loop(0, 0, WINDOW_MM, { stroke: "#9fd4ff", "stroke-width": 1.5, "stroke-dasharray": "6 5" })];
  if (shown) {
    if (shown.aim) parts.push(...overAim(loop, seen, shown.aim));
    if (shown.trail.length > 1)
      parts.push(
        svg("polyline", {
          points: shown.trail.map(([u, v]) => seen(u, v).join(",")).join(" "),
          fill: "none",
          stroke: "#fff",
          "stroke-width": 1.5,
          "stroke-dasharray": "3 4",
          "vector-effect": "non-scaling-stroke",
        }),
      );
    for (const [u, v] of shown.trail.slice(0, -1)) parts.push(loop(u, v, 0.6, { stroke: "#fff", "stroke-width": 1.5 }));
    if (shown.mark)
      parts.push(
        loop(shown.mark.offset_mm[0], shown.mark.offset_mm[1], shown.mark.width_mm[0] / 2 + 0.4, {
          stroke: "#ffb627",
          "stroke-width": 3,
        }),
        ...overCross(seen, shown.mark.offset_mm, 1.2, "#ffb627"),
      );
  }
  parts.push(...overCross(seen, [0, 0], 2.5, "#9fd4ff"));
  drawing.replaceChildren(...parts);
}

/** @param {Loop} loop @param {Seen} seen @param {Aim} aim */
function overAim(loop, seen, aim) {
  const sigma = Array.isArray(aim.sigma_mm) ? Math.max(...aim.sigma_mm) : aim.sigma_mm;
  const [u, v] = aim.offset_mm;
  return [
    loop(u, v, Math.max(2 * sigma, 0.8), { stroke: "#000", "stroke-width": 6, opacity: 0.5 }),
    loop(u, v, Math.max(2 * sigma, 0.8), { stroke: "#5fb8ff", "stroke-width": 3.5, "stroke-dasharray": "9 5" }),
    ...overCross(seen, aim.offset_mm, 0.8, "#5fb8ff"),
  ];
}

/** @param {Seen} seen @param {number[]} at @param {number} half @param {string} stroke */
function overCross(seen, [u, v], half, stroke) {
  /** @type {(a: number[], b: number[]) => SVGElement} */
  const stretch = (a, b) => {
    const [x1, y1] = seen(a[0], a[1]),
      [x2, y2] = seen(b[0], b[1]);
    return svg("line", { x1, y1, x2, y2, stroke, "stroke-width": 2, "vector-effect": "non-scaling-stroke" });
  };
  return [stretch([u - half, v], [u + half, v]), stretch([u, v - half], [u, v + half])];
}

/** @param {number} u @param {number} v @param {number} r */
function circle(u, v, r) {
  return Array.from({ length: 48 }, (_, i) => [
    u + r * Math.cos((i * Math.PI) / 24),
    v + r * Math.sin((i * Math.PI) / 24),
  ]);
}

/** @param {number[][]} h @param {number} u @param {number} v */
function through(h, u, v) {
  const w = h[2][0] * u + h[2][1] * v + h[2][2];
  return [(h[0][0] * u + h[0][1] * v + h[0][2]) / w + 0.5, (h[1][0] * u + h[1][1] * v + h[1][2]) / w + 0.5];
}
