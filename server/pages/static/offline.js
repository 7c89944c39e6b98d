// Offline: the mark comes from a photo, a tap on the drawn card, or two numbers.

import { showTrouble, startJob } from "./job.js";
import { find, html, mmPer, number, remake, setText, svg } from "./make.js";
import { readPhoto, showPhoto } from "./photo.js";

/** @typedef {{station: string | null, head_mm: number[] | null}} Place */

const LIMIT_BYTES = 40_000_000;
/** @type {State} */
let state;
/** @type {Place | null} */
let elsewhere = null;

const link = startJob((now) => {
  if (state && state.version !== now.version) elsewhere = null;
  state = now;
  const due = now.do === "mark" && now.cautions_acknowledged;
  find("#entry").hidden = !due;
  find("#to-entry").hidden = !due;
  setText(find("#laser"), now.laser);
  showScrews(now.mounts);
});

/** @returns {Place} */
const place = () => elsewhere ?? { station: state.plan.station, head_mm: state.plan.wanted_mm };

/** @param {State["mounts"]} mounts */
function showScrews(mounts) {
  const make = (/** @type {State["mounts"][0]} */ mount) =>
    mount.contacts
      .filter((contact) => contact.turns)
      .map((contact) =>
        html("option", { value: `${mount.mirror} ${contact.name}` }, `mirror ${mount.mirror}, ${contact.name}`),
      );
  remake(find("#turn-form select[name=screw]"), mounts, () => mounts.flatMap(make));
}

// the drawn card that takes a tap

function drawTap() {
  const form = find("#typed-form"),
    u = number(form.elements.u.value) * unit(),
    v = number(form.elements.v.value) * unit();
  const lines = [];
  for (let mm = -20; mm <= 20; mm += 5) {
    lines.push(
      svg("line", { x1: mm, y1: -20, x2: mm, y2: 20, class: mm ? "grid" : "axis" }),
      svg("line", { x1: -20, y1: mm, x2: 20, y2: mm, class: mm ? "grid" : "axis" }),
    );
  }
  const words = [
    svg("text", { x: 23, y: -1, "text-anchor": "end", class: "ink" }, "right"),
    svg("text", { x: 0.8, y: -20.6, class: "ink" }, "up"),
  ];
  const spot =
    Number.isFinite(u) && Number.isFinite(v) ? [svg("circle", { cx: u, cy: -v, r: 1.6, class: "spot" })] : [];
  find("#tap").replaceChildren(
    svg("rect", { x: -24, y: -24, width: 48, height: 48, fill: "#f2e6cc" }),
    svg("circle", { r: 23, fill: "#fbf4e4" }),
    ...lines,
    ...words,
    ...spot,
  );
}

/** How many millimetres one unit of the typed lengths has. */
const unit = () => mmPer(state?.units);

// On a click, not on a touch: scrolling over the drawing must not move the mark.
find("#tap").addEventListener("click", (/** @type {MouseEvent} */ event) => {
  const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(find("#tap").getScreenCTM().inverse());
  const form = find("#typed-form"),
    within = (/** @type {number} */ value) =>
      (Math.max(-20, Math.min(20, value)) / unit()).toFixed(unit() === 1 ? 1 : 3);
  form.elements.u.value = within(at.x);
  form.elements.v.value = within(-at.y);
  drawTap();
});
find("#typed-form").addEventListener("input", drawTap);
drawTap();

// sending

/** @param {HTMLFormElement} form @param {(data: FormData) => Promise<boolean | null> | boolean} send */
async function sendForm(form, send) {
  const button = find("button[type=submit]", form),
    label = button.textContent;
  button.disabled = true;
  setText(button, "One moment…");
  const done = await send(new FormData(form));
  setText(button, label);
  button.disabled = false;
  if (done) {
    form.reset();
    drawTap();
    scrollTo({ top: 0 });
  } else if (done !== null) find("#trouble").scrollIntoView({ block: "center" });
}

/** @param {string} id @param {(data: FormData) => Promise<boolean | null> | boolean} send */
function onForm(id, send) {
  find(id).addEventListener("submit", (/** @type {SubmitEvent} */ event) => {
    event.preventDefault();
    sendForm(/** @type {HTMLFormElement} */ (event.target), send);
  });
}

/** @param {string} words */
function refuse(words) {
  showTrouble(words);
  return false;
}

/** @type {FormData | null} */
let read = null; // the photos that wait for a yes or no

/** @param {boolean} [done] */
function hidePhoto(done = false) {
  read = null;
  find("#photo-seen").hidden = true;
  if (done) find("#photo-form").reset();
}

onForm("#photo-form", async (form) => {
  hidePhoto();
  const large = [...form.values()].find((file) => file instanceof File && file.size > LIMIT_BYTES);
  if (large) return refuse(`${/** @type {File} */ (large).name} is larger than 40 MB.`);
  const reading = await readPhoto(form);
  if (reading.error) return refuse(reading.error.message);
  showTrouble("");
  read = form;
  await showPhoto(/** @type {File} */ (form.get("after")), reading, place().station, state.units);
  return null; // the form keeps its photos until that answer
});
find("#photo-yes").addEventListener("click", async () => {
  const form = read,
    at = place();
  if (!form) return;
  form.set("station", at.station ?? "");
  form.set("head_mm", (at.head_mm ?? []).join(","));
  setText(find("#photo-yes"), "One moment…");
  const done = await link.act("photo", form);
  setText(find("#photo-yes"), "Yes: save this reading");
  hidePhoto(done);
  if (done) scrollTo({ top: 0 });
  else find("#trouble").scrollIntoView({ block: "center" });
});
find("#photo-no").addEventListener("click", () => {
  hidePhoto(true);
  find("input[name=after]").focus();
});
onForm("#typed-form", (form) => {
  const offset = ["u", "v"].map((name) => number(String(form.get(name))) * unit());
  const most = unit() === 1 ? "a number of millimetres from −20 to 20" : "a number of inches from −0.78 to 0.78";
  if (!offset.every((mm) => Math.abs(mm) <= 20)) return refuse(`An offset is ${most}.`);
  return link.act("typed", { ...place(), offset_mm: offset, sigma_mm: Number(form.get("sigma")) });
});
onForm("#turn-form", (form) => {
  const [mount, ...name] = String(form.get("screw")).split(" ");
  const [over, under = "1"] = String(form.get("turns")).split("/");
  return link.act("turn", {
    mount: Number(mount),
    screw: name.join(" "),
    turns: (Number(form.get("way")) * Number(over)) / Number(under),
  });
});
onForm("#place-form", (form) => {
  const [x, y] = String(form.get("head")).split(",").map(Number);
  elsewhere = { station: String(form.get("station")), head_mm: [x * state.plan.width_mm, y * state.plan.depth_mm] };
  return refuse(`The next mark is taken to be at ${elsewhere.station?.replace("-", " ")}, head where you chose.`);
});
onForm("#restart-form", () => link.act("restart", {}));
find("#missing").addEventListener("click", () => link.act("no-mark", { ...place() }));
