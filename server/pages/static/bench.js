// The bench: live picture with the marks over it, and hands on the screws.

import { drawOver, zoom } from "./draw.js";
import { showHolds, startHolds } from "./hold.js";
import { showTrouble, startJob } from "./job.js";
import { find, html, remake, setText } from "./make.js";
import { faultLine, showLive, showRig } from "./rig.js";
import { hearWay } from "./sound.js";
import { showLost, showWay, steady } from "./way.js";

const PAUSE_MS = { practice: 500, camera: 110 };
let state = null;
let close = true;

// One picture at a time: the next is asked for when the last is there, so a slow network never queues.
const nextFrame = {
  timer: null,
  busy: false,
  soon() {
    if (this.busy) return;
    clearTimeout(this.timer);
    this.fetch();
  },
  fetch() {
    if (document.visibilityState === "hidden") return this.later(1000);
    this.busy = true;
    const image = new Image();
    image.onload = () => this.arrived(image);
    image.onerror = () => this.missing();
    image.src = `/api/frame.jpg?n=${Date.now()}`;
  },
  arrived(image) {
    this.busy = false;
    image.id = "frame";
    image.alt = pictureWords();
    find("#frame").replaceWith(image);
    setText(find("#picture-words"), pictureWords());
    this.later(PAUSE_MS[state?.source] ?? 500);
  },
  missing() {
    this.busy = false;
    setText(find("#picture-words"), "No picture from the camera just now.");
    this.later(1500);
  },
  later(ms) {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.fetch(), ms);
  },
};

const link = startJob((now) => {
  state = now;
  drawOver(find("#picture svg"), now.picture, now.card);
  zoom(find(".frame"), find(".lens"), now.picture, close);
  showScrews(now);
  showTrouble(faultLine(now), "rig");
  showHolds(now);
  showWay(steady(now.way, now.follow, now.rig?.live), now.rig?.live, now);
  showRig(now);
  nextFrame.soon();
});
startHolds(link, () => state);
link.onLive = (live) => {
  showLive(live);
  if (!live && "holding" in document.body.dataset) return showLost();
  const way = steady(live?.way ?? null, state?.follow, live);
  showWay(way, live, state);
  if (way) hearWay(way);
};

function pictureWords() {
  const seen = state?.picture;
  if (!seen) return "Live picture: no card found in it yet.";
  return `Live picture: card of ${seen.station.replace("-", " ")} found.`;
}

function showScrews(now) {
  const make = (mount) => {
    const rows = mount.contacts.filter((contact) => contact.turns).map((contact) => screwRow(mount.mirror, contact.name, now));
    return html("div", {}, html("h2", {}, `Mirror ${mount.mirror}`), ...rows);
  };
  remake(find("#screws"), [now.mounts, now.mount], () => now.mounts.map(make));
}

function screwRow(mirror, name, now) {
  const asked = now.mount && now.mount.mirror === mirror && now.mount.screw === name;
  const turn = (way) => () => link.act("turn", { mount: mirror, screw: name, turns: way * size() });
  const button = (text, words, way) => html("button", { type: "button", "aria-label": `Mirror ${mirror}, ${name}, ${words}`, onclick: turn(way) }, text);
  return html("div", { class: asked ? "screw the" : "screw" }, html("span", {}, asked ? `${name} ◂ the one` : name), button("↺", "anticlockwise", -1), button("↻", "clockwise", 1));
}

const size = () => Number(find("input[name=size]:checked").value);

function onForm(id, send) {
  find(id).addEventListener("submit", (event) => {
    event.preventDefault();
    send(new FormData(event.target));
  });
}

onForm("#shift-form", (form) => {
  const way = form.get("way"), mm = Number(form.get("mm")) * (way[0] === "+" ? 1 : -1);
  link.act("shift", { part: form.get("part"), move_mm: ["X", "Y", "Z"].map((axis) => (axis === way[1] ? mm : 0)) });
});
onForm("#place-form", (form) => {
  const [x, y] = form.get("head").split(",").map(Number);
  link.act("hang", { station: form.get("station"), head_mm: [x * state.plan.width_mm, y * state.plan.depth_mm] });
});
onForm("#restart-form", (form) => link.act("restart", Object.fromEntries(form)));
find("#zoom").addEventListener("click", (event) => {
  close = !close;
  event.currentTarget.setAttribute("aria-pressed", String(close));
  zoom(find(".frame"), find(".lens"), state.picture, close);
});
find("#fire").addEventListener("click", () => link.act("pulse", {}));
