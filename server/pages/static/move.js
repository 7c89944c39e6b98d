// A part that has to be moved: which one, which way, how far, and the shim that sets the distance.

import { svg } from "./make.js";
import { textSize } from "./mount.js";

const MOST = 12; // a text that would have to be larger than this is left out: it is said elsewhere
const VIEWS = { up: "front", down: "front", back: "above", front: "above", left: "above", right: "above" };
/** @type {Record<string, number[]>} */
const ARROWS = { up: [0, -1], down: [0, 1], back: [0, -1], front: [0, 1], left: [-1, 0], right: [1, 0] };
/** @type {Record<string, (shim: string) => string>} */
const HOW = {
  up: (shim) => `put a ${shim} shim under it`,
  down: (shim) => `take ${shim} of shim out from under it`,
};

/** Draws each direction of the move as a view of its own, side by side.
 * @param {SVGElement} drawing @param {Shift} shift @param {string} corner where mirror 1 stands */
export function drawMove(drawing, shift, corner) {
  const views = shift.lines.length || 1;
  const { width, height } = drawing.getBoundingClientRect(),
    beside = width > height * 1.4;
  const [across, up] = beside ? [124 * views, 104] : [124, 104 * views];
  drawing.setAttribute("viewBox", `0 0 ${across} ${up}`);
  const size = Math.max(textSize(drawing, across, up, 16.5), 5.5);
  const at = (/** @type {number} */ n) => (beside ? `translate(${124 * n + 62} 62)` : `translate(62 ${104 * n + 62})`);
  drawing.replaceChildren(
    ...shift.lines.map((line, n) => svg("g", { transform: at(n) }, ...view(shift.part, line, corner, size))),
  );
  drawing.setAttribute("aria-label", moveWords(shift));
}

/** @param {Shift} shift */
export function moveWords(shift) {
  const each = shift.lines.map(({ way, value, unit }) => {
    const long = `${value} ${unit}`,
      seen = VIEWS[/** @type {"up"} */ (way)] === "front" ? "Seen from the front" : "Seen from above";
    const how =
      HOW[way]?.(long) ??
      `hold a ${long} shim against it, clamp a stop behind the shim, take the shim out, and push the part against the stop`;
    return `${seen}: ${way}${["back", "front", "left", "right"].includes(way) ? " of the machine" : ""} by ${long}: ${how}.`;
  });
  return `Move ${shift.name}. ${each.join(" ")}`;
}

/** @param {string} part @param {Amount} line @param {string} corner @param {number} size */
function view(part, line, corner, size) {
  const front = VIEWS[/** @type {"up"} */ (line.way)] === "front",
    way = ARROWS[line.way] ?? [0, 0];
  const body = part.startsWith("tube") ? tube(part, front, corner) : block();
  const ghost = svg(
    "g",
    { transform: `translate(${way[0] * 9} ${way[1] * 9})`, opacity: 0.45 },
    ...body.map((node) => /** @type {Node} */ (node.cloneNode(true))),
  );
  const ground = svg("path", { d: "M-60 30H60", stroke: "var(--line)", "stroke-width": 1.4 });
  const stand =
    size > MOST
      ? ""
      : svg(
          "text",
          { y: front ? -62 + size : 41, "text-anchor": "middle", "font-size": size },
          front ? "from the front" : "you stand here",
        );
  return [
    front ? ground : "",
    ghost,
    ...body,
    ...movers(part, corner).flatMap((x) => [
      ...arrow(x, way),
      ...shim(x, line.way, size, `${line.value} ${line.unit}`),
    ]),
    stand,
  ].filter((node) => node instanceof Node);
}

/** Returns where the arrows are: at each mount that moves.
 * @param {string} part @param {string} corner */
function movers(part, corner) {
  const exit = corner === "back-left" ? -38 : 38;
  return part === "tube" ? [-38, 38] : part === "tube-exit" ? [exit] : part === "tube-far" ? [-exit] : [0];
}

/** @param {string} part @param {boolean} front @param {string} corner */
function tube(part, front, corner) {
  const moved = movers(part, corner);
  const foot = (/** @type {number} */ x) => {
    const look = {
      fill: moved.includes(x) ? "var(--amber)" : "var(--part)",
      stroke: "var(--chalk)",
      "stroke-width": 1.2,
    };
    return front
      ? svg("path", { d: `M${x - 8} 24V4A8 8 0 0 1 ${x + 8} 4V24Z`, ...look })
      : svg("rect", { x: x - 8, y: -14, width: 16, height: 28, rx: 3, ...look });
  };
  return [
    svg("rect", { x: -58, y: -6, width: 116, height: 12, rx: 6, fill: "var(--part)", stroke: "var(--line)" }),
    foot(-38),
    foot(38),
  ];
}

function block() {
  const look = { fill: "var(--amber)", stroke: "var(--chalk)", "stroke-width": 1.2 };
  return [
    svg("rect", { x: -18, y: -14, width: 36, height: 38, rx: 4, ...look }),
    svg("circle", { r: 9, cy: 2, fill: "var(--steel)", stroke: "var(--burnt)" }),
  ];
}

/** @param {number} x @param {number[]} way */
function arrow(x, [dx, dy]) {
  const turn = dx ? (dx > 0 ? 90 : -90) : dy > 0 ? 180 : 0,
    from = dx ? [dx * 24, -28] : [x, dy * 26];
  return [
    svg("path", {
      d: "M0 6V-8M-9 -5L0 -18L9 -5Z",
      transform: `translate(${dx ? from[0] + x : x} ${dx ? -28 : dy > 0 ? -32 : -24}) rotate(${turn})`,
      fill: "var(--chalk)",
      stroke: "var(--chalk)",
      "stroke-width": 5,
      "stroke-linejoin": "round",
    }),
  ];
}

/** Draws the shim: under the mount, or between it and a stop that is clamped there.
 * @param {number} x @param {string} way @param {number} size @param {string} words */
function shim(x, way, size, words) {
  const plate = { fill: "var(--steel)", stroke: "var(--steel)", "stroke-width": 1.2 };
  if (VIEWS[/** @type {"up"} */ (way)] === "above") return spacer(x, ARROWS[way], plate);
  const look = way === "down" ? { ...plate, fill: "none", "stroke-dasharray": "2 1.5" } : plate;
  const word = svg("text", { x, y: 31 + size, "text-anchor": "middle", "font-size": size, "font-weight": 800 }, words);
  return [svg("rect", { x: x - 13, y: 24.5, width: 26, height: 5, ...look }), ...(size > MOST ? [] : [word])];
}

/** @param {number} x @param {number[]} way @param {Attributes} plate */
function spacer(x, [dx, dy], plate) {
  const [across, up] = dx ? [5, 26] : [26, 5];
  const at = dx ? [dx * 22, 4] : [x, dy * 18],
    stop = [at[0] + dx * 7, at[1] + dy * 7];
  const box = (/** @type {number[]} */ [cx, cy], /** @type {Attributes} */ look) =>
    svg("rect", { x: cx - across / 2, y: cy - up / 2, width: across, height: up, ...look });
  return [box(at, plate), box(stop, { fill: "var(--part)", stroke: "var(--line)" })];
}
