// A mirror's mount from the knob side: which screw, and an arrow as long as the turn.

import { svg } from "./make.js";

const BODY = 46; // half of the mount's side, in the drawing's units
const KNOB = 14.5,
  SWEEP = 21,
  HEAD = 22; // degrees of the arrow's arc that its head covers
const MOST = 9.5; // a text that would have to be larger than this is left out: it is said elsewhere

/** Returns how large text has to be, in the drawing's units, to be `px` high on the screen.
 * @param {SVGElement} drawing @param {number} across @param {number} up its sides in its own units @param {number} px */
export function textSize(drawing, across, up, px) {
  const { width, height } = drawing.getBoundingClientRect();
  return px / Math.max(Math.min(width / across, height / up), 0.01);
}

/** @param {SVGElement} drawing @param {Mount} mount @param {number} [left] the share of the turn that is still to go */
export function drawMount(drawing, mount, left = 1) {
  const far = Math.max(...mount.contacts.flatMap((contact) => contact.at_mm.map(Math.abs)));
  const k = 21 / far,
    size = Math.max(textSize(drawing, 98, 98, 16.5), 5);
  drawing.setAttribute("viewBox", "-49 -49 98 98");
  const parts = [
    svg("rect", {
      x: -BODY,
      y: -BODY,
      width: 2 * BODY,
      height: 2 * BODY,
      rx: 9,
      fill: "var(--part)",
      stroke: "var(--line)",
    }),
  ];
  parts.push(svg("circle", { r: 9, fill: "none", stroke: "var(--line)", "stroke-dasharray": "2 2" }));
  for (const contact of mount.contacts) parts.push(knob(contact, contact.name === mount.screw, k, size));
  const the = mount.contacts.find((contact) => contact.name === mount.screw);
  if (the) parts.push(...sweep(the.at_mm[0] * k, -the.at_mm[1] * k, mount.turns * left));
  drawing.replaceChildren(...parts);
  drawing.setAttribute("aria-label", mountWords(mount));
}

/** @param {Mount} mount */
export const mountWords = (mount) =>
  `Mirror ${mount.mirror}, looking at its knobs: turn the screw “${mount.screw}” ${mount.turns > 0 ? "clockwise" : "anticlockwise"}.`;

/** @param {Contact} contact @param {boolean} chosen @param {number} k @param {number} size */
function knob(contact, chosen, k, size) {
  const x = contact.at_mm[0] * k,
    y = -contact.at_mm[1] * k;
  const name = svg(
    "text",
    {
      x,
      y: y + size * 0.36,
      "text-anchor": "middle",
      "font-size": chosen ? size * 1.1 : size,
      "font-weight": chosen ? 800 : 500,
      class: chosen ? "on-act" : "",
    },
    size > MOST ? "" : contact.turns ? contact.name : "fixed",
  );
  if (!contact.turns)
    return svg(
      "g",
      {},
      svg("rect", {
        x: x - 11,
        y: y - 9,
        width: 22,
        height: 18,
        fill: "var(--soot)",
        stroke: "var(--line)",
        "stroke-dasharray": "3 2",
      }),
      name,
    );
  const face = svg("circle", {
    cx: x,
    cy: y,
    r: chosen ? KNOB : 12,
    fill: chosen ? "var(--amber)" : "var(--soot)",
    stroke: chosen ? "var(--chalk)" : "var(--line)",
    "stroke-width": chosen ? 1.6 : 1,
  });
  return svg("g", { class: "knob", "data-screw": contact.name }, face, name);
}

/** Returns the arrow of a turn, from the top as far as the screw goes, 345° at most.
 * @param {number} x @param {number} y @param {number} turns */
function sweep(x, y, turns) {
  const way = Math.sign(turns) || 1,
    round = Math.min(Math.abs(turns) * 360, 345);
  const tail = Math.min(0, round - HEAD - 12); // the head of a smaller turn begins before the top: its tip shows how far
  const look = { fill: "none", stroke: "var(--chalk)" };
  const wedge = svg("path", {
    d: `M${x} ${y}L${polar(x, y, SWEEP, 0)}${arc(x, y, SWEEP, 0, way * round)}Z`,
    fill: "var(--chalk)",
    opacity: round > 270 ? 0.15 : 0.35,
  });
  const shaft = svg("path", {
    d: `M${polar(x, y, SWEEP, way * tail)}${arc(x, y, SWEEP, way * tail, way * (round - HEAD + 4))}`,
    ...look,
    "stroke-width": 4.6,
  });
  const tip = [
    polar(x, y, SWEEP + 6.5, way * (round - HEAD)),
    polar(x, y, SWEEP - 6.5, way * (round - HEAD)),
    polar(x, y, SWEEP, way * round),
  ];
  const from = svg("path", {
    d: `M${polar(x, y, KNOB - 6, 0)}L${polar(x, y, SWEEP + 6, 0)}`,
    ...look,
    "stroke-width": 1.4,
    "stroke-dasharray": "2 1.5",
  });
  return [wedge, from, shaft, svg("path", { d: `M${tip[0]}L${tip[1]}L${tip[2]}Z`, fill: "var(--chalk)" })];
}

/** @param {number} x @param {number} y @param {number} r @param {number} from @param {number} to degrees clockwise from the top */
function arc(x, y, r, from, to) {
  return `A${r} ${r} 0 ${Math.abs(to - from) > 180 ? 1 : 0} ${to > from ? 1 : 0} ${polar(x, y, r, to)}`;
}

/** @param {number} x @param {number} y @param {number} radius @param {number} degrees clockwise from the top */
function polar(x, y, radius, degrees) {
  const a = (degrees * Math.PI) / 180;
  return `${(x + radius * Math.sin(a)).toFixed(3)} ${(y - radius * Math.cos(a)).toFixed(3)}`;
}
