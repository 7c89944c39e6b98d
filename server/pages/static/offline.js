// Offline: the mark comes from a photo, a tap on the drawn card, or two numbers.

import { showTrouble, startJob } from "./job.js";
import { find, html, remake, setText, svg } from "./make.js";

const LIMIT_BYTES = 40_000_000;
let state = null;
let elsewhere = null;

const link = startJob((now) => {
  if (state && state.version !== now.version) elsewhere = null;
  state = now;
  find("#entry").hidden = !(now.do === "mark" && now.cautions_acknowledged);
  setText(find("#laser"), now.laser);
  showScrews(now.mounts);
});

const place = () => elsewhere ?? { station: state.plan.station, head_mm: state.plan.wanted_mm };

function showScrews(mounts) {
  const make = (mount) =>
    mount.contacts.filter((contact) => contact.turns).map((contact) => html("option", { value: `${mount.mirror} ${contact.name}` }, `mirror ${mount.mirror}, ${contact.name}`));
  remake(find("#turn-form select[name=screw]"), mounts, () => mounts.flatMap(make));
}

// the drawn card that takes a tap

function drawTap() {
  const form = find("#typed-form");
  const u = form.elements.u.valueAsNumber, v = form.elements.v.valueAsNumber;
  const lines = [];
  for (let mm = -20; mm <= 20; mm += 5) {
    lines.push(svg("line", { x1: mm, y1: -20, x2: mm, y2: 20, class: mm ? "grid" : "axis" }), svg("line", { x1: -20, y1: mm, x2: 20, y2: mm, class: mm ? "grid" : "axis" }));
  }
  const words = [svg("text", { x: 23, y: -1, "text-anchor": "end", class: "ink" }, "right"), svg("text", { x: 0.8, y: -20.6, class: "ink" }, "up")];
  const spot = Number.isFinite(u) && Number.isFinite(v) ? [svg("circle", { cx: u, cy: -v, r: 1.6, class: "spot" })] : [];
  find("#tap").replaceChildren(svg("rect", { x: -24, y: -24, width: 48, height: 48, fill: "#f2e6cc" }), svg("circle", { r: 23, fill: "#fbf4e4" }), ...lines, ...words, ...spot);
}

find("#tap").addEventListener("pointerdown", (event) => {
  const drawing = find("#tap");
  const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(drawing.getScreenCTM().inverse());
  const form = find("#typed-form"), within = (value) => Math.max(-20, Math.min(20, value)).toFixed(1);
  form.elements.u.value = within(at.x);
  form.elements.v.value = within(-at.y);
  drawTap();
});
find("#typed-form").addEventListener("input", drawTap);
drawTap();

// sending

async function sendForm(form, send) {
  const button = form.querySelector("button[type=submit]");
  button.disabled = true;
  const done = await send(new FormData(form));
  button.disabled = false;
  if (done) {
    form.reset();
    drawTap();
    find("#say").scrollIntoView({ block: "start" });
  } else find("#trouble").scrollIntoView({ block: "center" });
}

function onForm(id, send) {
  find(id).addEventListener("submit", (event) => {
    event.preventDefault();
    sendForm(event.target, send);
  });
}

onForm("#photo-form", (form) => {
  const large = [...form.values()].find((file) => file.size > LIMIT_BYTES);
  if (large) return showTrouble(`${large.name} is larger than 40 MB.`) ?? false;
  const at = place();
  form.set("station", at.station);
  form.set("head_mm", at.head_mm.join(","));
  return link.act("photo", form);
});
onForm("#typed-form", (form) =>
  link.act("typed", { ...place(), offset_mm: [Number(form.get("u")), Number(form.get("v"))], sigma_mm: Number(form.get("sigma")) }),
);
onForm("#turn-form", (form) => {
  const [mount, ...name] = form.get("screw").split(" ");
  const [over, under = "1"] = form.get("turns").split("/");
  return link.act("turn", { mount: Number(mount), screw: name.join(" "), turns: (Number(form.get("way")) * Number(over)) / Number(under) });
});
onForm("#place-form", (form) => {
  const [x, y] = form.get("head").split(",").map(Number);
  elsewhere = { station: form.get("station"), head_mm: [x * state.plan.width_mm, y * state.plan.depth_mm] };
  showTrouble(`The next mark is taken to be at ${elsewhere.station.replace("-", " ")}, head where you chose.`);
  return false;
});
onForm("#restart-form", () => link.act("restart", {}));
find("#missing").addEventListener("click", () => link.act("no-mark", place()));
