// The signs: one for each step and each warning, drawn within ±50, without letters.

import { svg } from "./make.js";

const line = {
  fill: "none",
  stroke: "currentColor",
  "stroke-width": 11,
  "stroke-linecap": "round",
  "stroke-linejoin": "round",
};
/** @param {string} d @param {Attributes} [more] */
const path = (d, more = {}) => svg("path", { d, ...line, ...more });
/** @param {string} d @param {Attributes} [more] */
const solid = (d, more = {}) => svg("path", { d, fill: "currentColor", ...more });

/** A ring of three quarters with a head, clockwise or not.
 * @param {number} way */
function round(way) {
  const ring = [path("M-14 -30A33 33 0 1 1 -33 0"), solid("M-8 -52L-8 -10L-42 -31Z")]; // anticlockwise
  return way < 0 ? ring : [svg("g", { transform: "scale(-1 1)" }, ...ring)];
}

const glass = () => [svg("circle", { cx: -9, cy: -9, r: 27, ...line }), path("M12 12L40 40", { "stroke-width": 15 })];
const danger = () => [
  path("M0 -40L44 36H-44Z", { "stroke-width": 10 }),
  path("M0 -14V10", { "stroke-width": 11 }),
  svg("circle", { cy: 25, r: 6, fill: "currentColor" }),
];
const burst = () =>
  Array.from({ length: 8 }, (_, n) => path("M0 -24V-42", { transform: `rotate(${n * 45})`, "stroke-width": 10 }));

/** @type {Record<string, (way: number) => SVGElement[]>} */
const SIGNS = {
  read: danger,
  hang: () => [
    path("M-32 -16H32V42H-32Z", { "stroke-width": 9 }),
    svg("circle", { cy: 13, r: 13, ...line, "stroke-width": 7 }),
    path("M-20 -18L0 -44L20 -18", { "stroke-width": 7 }),
  ],
  walk: () => [
    path("M-42 -12H-20V12H-42Z", { "stroke-width": 7, "stroke-dasharray": "9 11" }),
    path("M-8 0H20"),
    solid("M14 -26L46 0L14 26Z"),
  ],
  pulse: () => [...burst(), svg("circle", { r: 14, fill: "currentColor" })],
  look: glass,
  inspect: glass,
  turn: round,
  shift: () => [path("M-40 26H40V42H-40Z", { "stroke-width": 8 }), path("M0 12V-18"), solid("M-26 -12L0 -46L26 -12Z")],
  done: () => [path("M-36 2L-10 30L38 -30", { "stroke-width": 16 })],
  nearly: () => [
    path("M-40 -8Q-20 -34 0 -12T40 -16", { "stroke-width": 12 }),
    path("M-40 24Q-20 -2 0 20T40 16", { "stroke-width": 12 }),
  ],
  fault: danger,
  stop: () => [solid("M-20 -48H20L48 -20V20L20 48H-20L-48 20V-20ZM-22 -8V8H22V-8Z", { "fill-rule": "evenodd" })],
  back: () => [path("M30 40V-4A24 24 0 0 0 -18 -4V14", { "stroke-width": 14 }), solid("M-46 8H10L-18 46Z")],
  wrong: () => [
    svg("circle", { r: 38, ...line, "stroke-width": 8 }),
    path("M-38 38L38 -38", { "stroke-width": 15 }),
    path("M-38 -38L38 38", { "stroke-width": 15 }),
  ],
  lost: () => [
    path("M-12 -16H-26A16 16 0 0 0 -26 16H-12"),
    path("M12 -16H26A16 16 0 0 1 26 16H12"),
    path("M-6 34L6 -34", { "stroke-width": 7 }),
  ],
  up: () => [path("M0 44V-10"), solid("M-30 -6L0 -46L30 -6Z")],
};

/** Returns the parts of a sign; ``way`` is the sense of a turn.
 * @param {string} name @param {number} [way] */
export const sign = (name, way = 1) => (SIGNS[name] ?? glass)(way);

/** Returns a sign as a drawing of its own.
 * @param {string} name @param {number} [way] */
export const signOf = (name, way = 1) =>
  svg("svg", { viewBox: "-54 -54 108 108", "aria-hidden": "true", class: "sign" }, ...sign(name, way));
