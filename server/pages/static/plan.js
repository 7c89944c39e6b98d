// The machine from above, the back at the top: where the card hangs, and where the head has to go.

import { svg } from "./make.js";
import { textSize } from "./mount.js";

const MOST = 10; // a text that would have to be larger than this is left out

/** @param {string} station */
export const nameOf = (station) => (station === "nozzle" ? "nozzle" : station.replace("-", " "));

/** @param {SVGElement} drawing @param {Plan} plan @param {boolean} [bold] few and thick lines, to be seen from afar */
export function drawPlan(drawing, plan, bold = false) {
  const { width_mm: w, depth_mm: d } = plan,
    k = 100 / w,
    height = d * k;
  const place = layout(plan, k, height);
  const top = bold ? -24 : -34,
    tall = height + 12 - top;
  drawing.setAttribute("viewBox", `-20 ${top} 140 ${tall}`);
  const size = Math.max(textSize(drawing, 140, tall, 16.5), 4.5);
  const parts = [...machine(plan, place, height, bold, size), ...heads(plan, place, k, height, bold)];
  if (plan.station) parts.push(...cardFlag(place.spots[plan.station], plan.station, size, bold));
  drawing.replaceChildren(...parts);
  drawing.setAttribute("aria-label", planWords(plan));
}

/** @param {Plan} plan */
export const planWords = (plan) =>
  plan.station
    ? `From above: the card at ${nameOf(plan.station)}, the head ${plan.words} (${plan.controller}).`
    : "The machine from above.";

/** @param {Plan} plan @param {number} k @param {number} height */
function layout(plan, k, height) {
  const edge = plan.corner === "back-left" ? -9 : 109,
    back = -14;
  const head = plan.wanted_mm ?? plan.head_mm ?? [plan.width_mm / 2, plan.depth_mm / 2];
  const x = head[0] * k,
    y = height - head[1] * k;
  /** @type {Record<string, number[]>} */
  const spots = { "mirror-1": [edge, back], "mirror-2": [edge, y], "mirror-3": [x, y], nozzle: [x, y] };
  return { edge, back, x, y, spots };
}

/** @param {Plan} plan @param {ReturnType<typeof layout>} at @param {number} height @param {boolean} bold @param {number} size */
function machine(plan, at, height, bold, size) {
  const left = plan.corner === "back-left";
  const words = (/** @type {string} */ text, /** @type {number} */ y, x = 50) =>
    svg("text", { x, y, "text-anchor": "middle", "font-size": size }, text);
  return [
    svg("rect", {
      x: 0,
      y: 0,
      width: 100,
      height,
      fill: "var(--bed)",
      stroke: "var(--line)",
      "stroke-width": bold ? 1.6 : 1,
    }),
    svg("rect", {
      x: left ? 16 : 4,
      y: at.back - 4,
      width: 80,
      height: 8,
      rx: 4,
      fill: "var(--part)",
      stroke: "var(--line)",
    }),
    size < MOST ? words("tube", at.back + size * 0.36) : "",
    svg("path", {
      d: `M${left ? 16 : 84} ${at.back}H${at.edge}V${at.y}H${at.x}`,
      fill: "none",
      stroke: "var(--bad)",
      "stroke-width": bold ? 1.8 : 0.8,
      "stroke-dasharray": "2 1.4",
    }),
    words("front: you stand here", height + size + 1.5, bold ? 62 : 50),
    ...["mirror-1", "mirror-2", "mirror-3"].map((station) =>
      svg("circle", { cx: at.spots[station][0], cy: at.spots[station][1], r: bold ? 3.4 : 2.2, fill: "var(--steel)" }),
    ),
  ].filter((part) => part instanceof Node);
}

/** Draws the head: dashed where it stands, in a ring where it has to go.
 * @param {Plan} plan @param {ReturnType<typeof layout>} at @param {number} k @param {number} height @param {boolean} bold */
function heads(plan, at, k, height, bold) {
  const box = (/** @type {number} */ x, /** @type {number} */ y, /** @type {Attributes} */ look) =>
    svg("rect", { x: x - 4.5, y: y - 4.5, width: 9, height: 9, rx: 1.5, ...look });
  const parts = [box(at.x, at.y, { fill: "var(--soot)", stroke: "var(--chalk)", "stroke-width": 1 })];
  if (!plan.wanted_mm) return parts;
  const [x, y] = plan.head_mm ? [plan.head_mm[0] * k, height - plan.head_mm[1] * k] : [NaN, NaN];
  if (Math.hypot(x - at.x, y - at.y) < 1) return parts;
  const ring = svg("circle", {
    cx: at.x,
    cy: at.y,
    r: bold ? 11 : 8,
    fill: "none",
    stroke: "var(--amber)",
    "stroke-width": bold ? 3.4 : 1.8,
  });
  return [
    ...(plan.head_mm
      ? [box(x, y, { fill: "none", stroke: "var(--line)", "stroke-width": 1.2, "stroke-dasharray": "2 2" })]
      : []),
    ...parts,
    ring,
  ];
}

/** @param {number[]} at @param {string} station @param {number} size @param {boolean} bold */
function cardFlag([x, y], station, size, bold) {
  const anchor = x > 80 ? "end" : x < 20 ? "start" : "middle";
  const tx = anchor === "middle" ? x : anchor === "end" ? Math.min(x + 8, 119) : Math.max(x - 8, -19);
  const half = bold ? 6.5 : 4.5;
  return [
    svg("rect", {
      x: x - half,
      y: y - half * 1.25,
      width: half * 2,
      height: half * 2.5,
      rx: 1,
      fill: "#f2e6cc",
      stroke: "#2b1608",
      "stroke-width": 1.4,
    }),
    svg("circle", { cx: x, cy: y, r: half * 0.6, fill: "none", stroke: "#2b1608", "stroke-width": 1.4 }),
    bold
      ? ""
      : svg(
          "text",
          {
            x: tx,
            y: y > 25 ? y - half * 2 : y - half * 1.9,
            "font-size": size * 1.15,
            "font-weight": 800,
            "text-anchor": anchor,
            class: "amber",
          },
          `card: ${nameOf(station)}`,
        ),
  ].filter((part) => part instanceof Node);
}
