// The drawings: card, mount from the knob side, bed from above, and the marks over the live picture.

import { svg } from "./make.js";

const INK = "#2b1608";
const AIM = "#0a4a86";
const WINDOW_MM = 23;

// the card, u to the right and v up, in mm; its words stand outside the paper, where no mark can be

export function drawCard(figure, card) {
  figure.hidden = !card;
  if (!card) return;
  const reach = reachOf(card);
  const k = 30 / reach; // drawing units per mm
  const parts = [...paper(reach, k), ...edgeWords(card.axes)];
  if (card.trail.length > 1) parts.push(trailLine(card.trail, k));
  for (const [u, v] of card.trail.slice(0, -1)) parts.push(ring(u, v, 0.9, k, { stroke: INK, "stroke-width": 0.35, opacity: 0.65 }));
  const last = card.trail.at(-1);
  if (card.aim) parts.push(...aimRing(card.aim, k, last));
  if (last) parts.push(...markSpot(last, card.mark, k));
  const drawing = figure.querySelector("svg");
  drawing.replaceChildren(...parts);
  drawing.setAttribute("aria-label", `Card at ${card.name}. ${card.words}`);
  figure.querySelector("figcaption").textContent = `Card at ${card.name}, head ${card.head}. ${card.words}`;
}

// The same, small, with the mark as it is seen now.
export function drawWay(drawing, follow, [u, v]) {
  const points = [follow.aim, follow.start ?? follow.aim, [u, v]];
  const reach = reachOf({ trail: points, aim: null }), k = 30 / reach;
  const parts = paper(reach, k).slice(0, -1); // without the words of the scale
  const [a, b] = [follow.start, follow.aim];
  if (a) parts.push(line(a[0] * k, -a[1] * k, b[0] * k, -b[1] * k, { stroke: AIM, "stroke-width": 0.7, "stroke-dasharray": "2 2" }));
  parts.push(ring(...b, Math.max(0.3 * k, 3), k, { stroke: AIM, "stroke-width": 1.6 }));
  parts.push(svg("circle", { cx: u * k, cy: -v * k, r: 3, fill: INK, stroke: "#fff", "stroke-width": 0.8 }));
  drawing.replaceChildren(...parts);
}

function reachOf(card) {
  const points = [...card.trail.slice(-3), ...(card.aim ? [card.aim.offset_mm] : [])];
  const far = Math.max(2, ...points.map(([u, v]) => Math.max(Math.abs(u), Math.abs(v)) + 2.5));
  return [6, 9, 14, 20, 26].find((reach) => far <= reach) ?? 26;
}

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
  return [svg("rect", { x: -30, y: -30, width: 60, height: 60, fill: "#f2e6cc" }), round, ...axes, ...ticks, scale].filter(Boolean); // the words last
}

function line(x1, y1, x2, y2, more = {}) {
  return svg("line", { x1, y1, x2, y2, stroke: "#6d5f4b", "stroke-width": 0.22, ...more });
}

function edgeWords(axes) {
  const word = (text, x, y, anchor) => svg("text", { x, y, "text-anchor": anchor, "font-size": 2.9, "font-weight": 700 }, text);
  return [
    word(`${axes.right} ▸`, 29.5, 37.6, "end"),
    word(`◂ ${axes.left}`, -29.5, 37.6, "start"),
    word(`▴ ${axes.up}`, 0, -31, "middle"),
    word(`▾ ${axes.down}`, 0, 33.2, "middle"),
  ];
}

function ring(u, v, radius, k, more) {
  return svg("circle", { cx: u * k, cy: -v * k, r: radius, fill: "none", ...more });
}

function trailLine(trail, k) {
  const points = trail.map(([u, v]) => `${u * k},${-v * k}`).join(" ");
  return svg("polyline", { points, fill: "none", stroke: INK, "stroke-width": 0.3, opacity: 0.5, "stroke-dasharray": "0.6 0.8" });
}

function aimRing(aim, k, mark) {
  const [u, v] = aim.offset_mm;
  const sigma = Array.isArray(aim.sigma_mm) ? Math.max(...aim.sigma_mm) : aim.sigma_mm;
  const r = Math.max(2 * sigma * k, 1.6);
  const look = { stroke: AIM, "stroke-width": 0.9, "stroke-dasharray": "2 1.1" };
  const x = u * k, y = -v * k;
  const cross = [line(x - 1.2, y, x + 1.2, y, { stroke: AIM, "stroke-width": 0.6 }), line(x, y - 1.2, x, y + 1.2, { stroke: AIM, "stroke-width": 0.6 })];
  return [ring(u, v, r, k, look), ...cross, aimWord(x, y, r, mark ? [x - mark[0] * k, y + mark[1] * k] : [1, 0])];
}

// On the side away from the mark, clear of the ring.
function aimWord(x, y, r, [dx, dy]) {
  const far = Math.hypot(dx, dy) || 1, cos = (dx || 1) / far, sin = dy / far;
  const anchor = cos > 0.4 ? "start" : cos < -0.4 ? "end" : "middle";
  const at = { x: x + (r + 1.2) * cos, y: y + (r + 1.8) * sin + 1 };
  return svg("text", { ...at, "text-anchor": anchor, "font-size": 2.7, "font-weight": 700, class: "ink-aim" }, "aim");
}

function markSpot([u, v], mark, k) {
  const wide = mark ? mark.width_mm[0] / 2 : 1.2;
  const r = Math.min(Math.max(wide * k, 0.9), 9);
  const x = u * k, y = -v * k;
  return [
    svg("circle", { cx: x, cy: y, r, fill: INK, opacity: 0.8, class: "moves" }),
    line(x - 1, y, x + 1, y, { stroke: "#fff", "stroke-width": 0.5 }),
    line(x, y - 1, x, y + 1, { stroke: "#fff", "stroke-width": 0.5 }),
  ];
}

// the mount, r to the right and t up, as seen from the knobs

export function drawMount(figure, mount) {
  figure.hidden = !mount;
  if (!mount) return;
  const far = Math.max(...mount.contacts.flatMap((contact) => contact.at_mm.map(Math.abs)));
  const k = 25 / far;
  const parts = [svg("rect", { x: -42, y: -42, width: 84, height: 84, rx: 9, fill: "#4a4238", stroke: "#8d8272" })];
  parts.push(svg("circle", { r: 11, fill: "none", stroke: "#8d8272", "stroke-dasharray": "2 2" }), label("mirror", 0, 1.3, 3.6));
  for (const contact of mount.contacts) parts.push(knob(contact, contact.name === mount.screw, k));
  const the = mount.contacts.find((contact) => contact.name === mount.screw);
  if (the) parts.push(...turnArrow(the.at_mm[0] * k, -the.at_mm[1] * k, mount.turns));
  const drawing = figure.querySelector("svg");
  drawing.replaceChildren(...parts);
  const way = mount.turns > 0 ? "clockwise" : "anticlockwise";
  const words = `Mirror ${mount.mirror}, looking at its knobs: turn the screw “${mount.screw}” ${way}.`;
  drawing.setAttribute("aria-label", words);
  figure.querySelector("figcaption").textContent = words;
}

function label(text, x, y, size, more = {}) {
  return svg("text", { x, y, "text-anchor": "middle", "font-size": size, ...more }, text);
}

function knob(contact, chosen, k) {
  const x = contact.at_mm[0] * k, y = -contact.at_mm[1] * k;
  const inside = y > 0 ? y - 18.5 : y + 22; // clear of the arrow
  if (!contact.turns) {
    const fixed = svg("rect", { x: x - 4, y: y - 4, width: 8, height: 8, fill: "#241f19", stroke: "#8d8272" });
    return svg("g", {}, fixed, label(`${contact.name} (fixed)`, x, y > 0 ? y - 7 : y + 10, 4));
  }
  const face = svg("circle", { cx: x, cy: y, r: 9, fill: chosen ? "#ffb627" : "#2c2620", stroke: chosen ? "#fff" : "#8d8272", "stroke-width": chosen ? 1.4 : 0.8 });
  const name = label(contact.name, x, chosen ? inside : y > 0 ? y - 12 : y + 15, chosen ? 6.5 : 4.6, { "font-weight": chosen ? 800 : 400 });
  return svg("g", { class: "knob", "data-screw": contact.name }, face, chosen ? "" : svg("line", { x1: x, y1: y - 8, x2: x, y2: y - 2, stroke: "#8d8272" }), name);
}

function turnArrow(x, y, turns) {
  const angle = Math.min(Math.abs(turns), 1) * 360, way = turns > 0 ? 1 : -1;
  const start = polar(x, y, 8.2, 0), end = polar(x, y, 8.2, way * Math.min(angle, 359));
  const wedge = svg("path", { d: `M${x} ${y}L${start}A8.2 8.2 0 ${angle > 180 ? 1 : 0} ${way > 0 ? 1 : 0} ${end}Z`, fill: "#16130f", opacity: 0.55 });
  const from = way * -115, to = way * 115;
  const arc = svg("path", { d: `M${polar(x, y, 12.2, from)}A12.2 12.2 0 1 ${way > 0 ? 1 : 0} ${polar(x, y, 12.2, to)}`, fill: "none", stroke: "#fff", "stroke-width": 2.6, "stroke-linecap": "round" });
  const tip = [polar(x, y, 15.8, to - way * 4), polar(x, y, 8.6, to - way * 4), polar(x, y, 12.2, to + way * 30)];
  return [wedge, arc, svg("path", { d: `M${tip[0]}L${tip[1]}L${tip[2]}Z`, fill: "#fff" })];
}

// degrees clockwise from the top
function polar(x, y, radius, degrees) {
  const a = (degrees * Math.PI) / 180;
  return `${(x + radius * Math.sin(a)).toFixed(3)} ${(y - radius * Math.cos(a)).toFixed(3)}`;
}

// the machine from above, the back at the top

export function drawPlan(figure, plan) {
  const { width_mm: w, depth_mm: d } = plan;
  const k = 100 / w, side = plan.corner === "back-left" ? -1 : 1;
  const height = d * k, back = -14, edge = side < 0 ? -9 : 109;
  const head = plan.wanted_mm ?? plan.head_mm ?? [w / 2, d / 2];
  const hx = head[0] * k, hy = height - head[1] * k;
  const spots = { "mirror-1": [edge, back], "mirror-2": [edge, hy], "mirror-3": [hx, hy], nozzle: [hx, hy] };
  const parts = [
    svg("rect", { x: 0, y: 0, width: 100, height, fill: "#2f2922", stroke: "#8d8272" }),
    svg("rect", { x: side < 0 ? 16 : 4, y: back - 3, width: 80, height: 6, rx: 3, fill: "#5b5145" }),
    label("tube", 50, back + 1.6, 4.5),
    svg("path", { d: `M${side < 0 ? 16 : 84} ${back}H${edge}V${hy}H${hx}`, fill: "none", stroke: "#ff9d80", "stroke-width": 0.8, "stroke-dasharray": "2 1.4" }),
    label("front: you stand here", 50, height + 6.5, 4.5),
  ];
  if (plan.head_mm && plan.wanted_mm) parts.push(ghostHead(plan.head_mm[0] * k, height - plan.head_mm[1] * k));
  parts.push(svg("rect", { x: hx - 4, y: hy - 4, width: 8, height: 8, rx: 1.5, fill: "#3a332a", stroke: "#fdf8ee", "stroke-width": 0.9 }));
  for (const [station, [x, y]] of Object.entries(spots)) if (station !== "nozzle") parts.push(svg("circle", { cx: x, cy: y, r: 2.2, fill: "#9fd4ff" }));
  if (plan.station) parts.push(...cardFlag(spots[plan.station], side, plan.station));
  const drawing = figure.querySelector("svg");
  drawing.setAttribute("viewBox", `-20 ${back - 15} 140 ${height - back + 25}`);
  drawing.replaceChildren(...parts);
  const words = plan.station ? `From above: the card at ${nameOf(plan.station)}, the head ${plan.words} (${plan.controller}).` : "The machine from above.";
  drawing.setAttribute("aria-label", words);
  figure.querySelector("figcaption").textContent = words;
}

function ghostHead(x, y) {
  return svg("rect", { x: x - 4, y: y - 4, width: 8, height: 8, rx: 1.5, fill: "none", stroke: "#8d8272", "stroke-dasharray": "1 1" });
}

function cardFlag([x, y], side, station) {
  const anchor = x > 80 ? "end" : x < 20 ? "start" : "middle";
  const tx = anchor === "middle" ? x : anchor === "end" ? Math.min(x + 6, 118) : Math.max(x - 6, -18);
  return [
    svg("circle", { cx: x, cy: y, r: 6, fill: "none", stroke: "#ffb627", "stroke-width": 1.8 }),
    svg("text", { x: tx, y: y > 25 ? y - 8.5 : y - 8, "font-size": 6, "font-weight": 800, "text-anchor": anchor, class: "amber" }, `card: ${nameOf(station)}`),
  ];
}

const nameOf = (station) => (station === "nozzle" ? "nozzle" : station.replace("-", " "));

// what was read, over the live picture

// Brings the card's window to the middle of the frame, as large as fits; without a card the picture is whole.
export function zoom(frame, lens, picture, wanted) {
  const whole = !picture || !wanted;
  const [x, y, k] = whole ? [0, 0, 1] : closeUp(picture);
  lens.style.transform = `scale(${k}) translate(${x}%, ${y}%)`;
  frame.dataset.zoom = whole ? "whole" : "close";
}

function closeUp({ homography, size_px: [cols, rows] }) {
  const edge = circle(0, 0, WINDOW_MM + 3).map(([u, v]) => through(homography, u, v));
  const xs = edge.map(([x]) => x / cols), ys = edge.map(([, y]) => y / rows);
  const [left, right, top, bottom] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const k = Math.max(1, Math.min(1 / (right - left), 1 / (bottom - top)));
  const shift = (low, high) => -100 * Math.min(Math.max((low + high) / 2 - 0.5 / k, 0), 1 - 1 / k);
  return [shift(left, right), shift(top, bottom), k];
}

export function drawOver(drawing, picture, card) {
  const fits = picture && card && picture.station === card.station;
  drawing.replaceChildren();
  if (!picture) return;
  drawing.setAttribute("viewBox", `0 0 ${picture.size_px[0]} ${picture.size_px[1]}`);
  const seen = (u, v) => through(picture.homography, u, v);
  const loop = (u, v, r, more) => svg("polygon", { points: circle(u, v, r).map(([a, b]) => seen(a, b).join(",")).join(" "), fill: "none", "vector-effect": "non-scaling-stroke", ...more });
  const parts = [loop(0, 0, WINDOW_MM, { stroke: "#9fd4ff", "stroke-width": 1.5, "stroke-dasharray": "6 5" })];
  if (fits) {
    if (card.aim) parts.push(...overAim(loop, seen, card.aim));
    if (card.trail.length > 1) parts.push(svg("polyline", { points: card.trail.map(([u, v]) => seen(u, v).join(",")).join(" "), fill: "none", stroke: "#fff", "stroke-width": 1.5, "stroke-dasharray": "3 4", "vector-effect": "non-scaling-stroke" }));
    for (const [u, v] of card.trail.slice(0, -1)) parts.push(loop(u, v, 0.6, { stroke: "#fff", "stroke-width": 1.5 }));
    if (card.mark) parts.push(loop(...card.mark.offset_mm, card.mark.width_mm[0] / 2 + 0.4, { stroke: "#ffb627", "stroke-width": 3 }), ...overCross(seen, card.mark.offset_mm, 1.2, "#ffb627"));
  }
  parts.push(...overCross(seen, [0, 0], 2.5, "#9fd4ff"));
  drawing.replaceChildren(...parts);
}

function overAim(loop, seen, aim) {
  const sigma = Array.isArray(aim.sigma_mm) ? Math.max(...aim.sigma_mm) : aim.sigma_mm;
  const [u, v] = aim.offset_mm;
  return [
    loop(u, v, Math.max(2 * sigma, 0.8), { stroke: "#000", "stroke-width": 6, opacity: 0.5 }),
    loop(u, v, Math.max(2 * sigma, 0.8), { stroke: "#5fb8ff", "stroke-width": 3.5, "stroke-dasharray": "9 5" }),
    ...overCross(seen, aim.offset_mm, 0.8, "#5fb8ff"),
  ];
}

function overCross(seen, [u, v], half, stroke) {
  const stretch = (a, b) => {
    const [x1, y1] = seen(...a), [x2, y2] = seen(...b);
    return svg("line", { x1, y1, x2, y2, stroke, "stroke-width": 2, "vector-effect": "non-scaling-stroke" });
  };
  return [stretch([u - half, v], [u + half, v]), stretch([u, v - half], [u, v + half])];
}

function circle(u, v, r) {
  return Array.from({ length: 48 }, (_, i) => [u + r * Math.cos((i * Math.PI) / 24), v + r * Math.sin((i * Math.PI) / 24)]);
}

function through(h, u, v) {
  const w = h[2][0] * u + h[2][1] * v + h[2][2];
  return [(h[0][0] * u + h[0][1] * v + h[0][2]) / w + 0.5, (h[1][0] * u + h[1][1] * v + h[1][2]) / w + 0.5];
}
