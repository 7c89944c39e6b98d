// The bench page: the live picture with its marks, and the screws.

import { showHolds, startHolds } from "./hold.js";
import { showTrouble, startJob } from "./job.js";
import { find, html, mmPer, remake } from "./make.js";
import { drawOver, zoom } from "./over.js";
import { startPicture } from "./picture.js";
import { faultLine, showLive, showRig } from "./rig.js";
import { hearWay } from "./sound.js";
import { showLost, showWay, steady } from "./way.js";

/** @type {State} */
let state;
let close = true;

const picture = startPicture(() => state);
const link = startJob((now) => {
  state = now;
  drawOver(find("#picture svg"), now.picture, now.card);
  zoom(find(".frame"), find(".lens"), now.picture, close);
  showScrews(now);
  showTrouble(faultLine(now), "rig");
  showHolds(now);
  showWay(steady(now.way, now.follow, now.rig?.live), now.rig?.live, now);
  showRig(now);
  if (find("#film-on")) find("#film-on").checked = now.film;
  picture.soon();
});
startHolds(link, () => state);
link.onLive = (/** @type {Live | null} */ live, held = false) => {
  showLive(live);
  if (!live && "holding" in document.body.dataset) {
    if (held) showLost(); // a message from before the hold does not show that the hold drove the mark away
    return;
  }
  const way = steady(live?.way ?? null, state.follow, live);
  showWay(way, live, state);
  if (way) hearWay(way);
};

/** @param {State} now */
function showScrews(now) {
  const make = (/** @type {{mirror: number, contacts: Contact[]}} */ mount) => {
    const rows = mount.contacts
      .filter((contact) => contact.turns)
      .map((contact) => screwRow(mount.mirror, contact.name, now));
    return html("div", {}, html("h2", {}, `Mirror ${mount.mirror}`), ...rows);
  };
  remake(find("#screws"), [now.mounts, now.mount], () => now.mounts.map(make));
}

/** @param {number} mirror @param {string} name @param {State} now */
function screwRow(mirror, name, now) {
  const asked = now.mount && now.mount.mirror === mirror && now.mount.screw === name;
  const button = (/** @type {string} */ text, /** @type {string} */ words, /** @type {number} */ way) => {
    const turn = () => link.act("turn", { mount: mirror, screw: name, turns: way * size() });
    return html("button", { type: "button", "aria-label": `Mirror ${mirror}, ${name}, ${words}`, onclick: turn }, text);
  };
  const words = html("span", {}, asked ? `${name} ◂ the one` : name);
  return html(
    "div",
    { class: asked ? "screw the" : "screw" },
    words,
    button("↺", "anticlockwise", -1),
    button("↻", "clockwise", 1),
  );
}

const size = () => Number(find("input[name=size]:checked").value);

/** @param {string} id @param {(form: FormData) => void} send */
function onForm(id, send) {
  find(id).addEventListener("submit", (/** @type {SubmitEvent} */ event) => {
    event.preventDefault();
    send(new FormData(/** @type {HTMLFormElement} */ (event.target)));
  });
}

onForm("#shift-form", (form) => {
  const way = String(form.get("way")),
    mm = Number(form.get("mm")) * mmPer(state.units) * (way[0] === "+" ? 1 : -1);
  link.act("shift", { part: form.get("part"), move_mm: ["X", "Y", "Z"].map((axis) => (axis === way[1] ? mm : 0)) });
});
onForm("#place-form", (form) => {
  const [x, y] = String(form.get("head")).split(",").map(Number);
  link.act("hang", { station: form.get("station"), head_mm: [x * state.plan.width_mm, y * state.plan.depth_mm] });
});
onForm("#restart-form", (form) => link.act("restart", Object.fromEntries(form)));
find("#zoom").addEventListener("click", (/** @type {MouseEvent} */ event) => {
  close = !close;
  /** @type {HTMLElement} */ (event.currentTarget).setAttribute("aria-pressed", String(close));
  zoom(find(".frame"), find(".lens"), state.picture, close);
});
find("#film-on")?.addEventListener("change", (/** @type {Event} */ event) =>
  link.act("film", { on: /** @type {HTMLInputElement} */ (event.target).checked }),
);
find("#fire").addEventListener("click", () => link.act("pulse", {}));
