// What bench and offline page share: the sentence, the number, the button, the chain, the lists.

import { drawCard, drawMount, drawPlan } from "./draw.js";
import { Link } from "./link.js";
import { find, html, remake, setText } from "./make.js";
import { showScale, startScale } from "./scale.js";
import { hear, startSound } from "./sound.js";

const KNOTS = { done: "✓", due: "●", stale: "!", seen: "·", waiting: "" };
let looked = ""; // the choices of the inspection that the person has been at
const troubles = { net: "", act: "", rig: "" };

export function startJob(onState = () => {}) {
  const of = document.body.dataset.of;
  const first = JSON.parse(document.body.dataset.state);
  const link = new Link(of, {
    onState: (state) => show(state, link, onState),
    onTrouble: showTrouble,
  });
  startSound();
  startScale(showTrouble);
  for (const choice of document.querySelectorAll("#units, #hand")) choice.addEventListener("change", () => remember(choice));
  find("#why").addEventListener("toggle", () => showWhy(link));
  link.take(first);
  return link;
}

// The reason is worked out only for who asks, and again when the step has changed meanwhile.
async function showWhy(link) {
  const words = find("#why-words"), version = link.version;
  if (!find("#why").open || words.dataset.version === String(version)) return;
  words.dataset.version = version;
  setText(words, "One moment…");
  const told = await link.ask("why");
  if (link.version === version) setText(words, told?.why ?? "It cannot be said just now.");
}

// This device alone: the page comes back as it was, in other units or towards the other hand.
async function remember(choice) {
  const headers = { "Content-Type": "application/json" };
  const body = JSON.stringify({ [choice.id]: choice.value });
  const answer = await fetch("/api/device", { method: "POST", headers, body }).catch(() => null);
  if (answer?.ok) location.reload();
}

export function showTrouble(message, kind = "act") {
  troubles[kind] = message;
  const line = find("#trouble");
  const text = troubles.net || troubles.act || troubles.rig;
  line.hidden = !text;
  setText(line, text);
}

function show(state, link, onState) {
  document.body.dataset.now = state.now;
  setText(find("#say"), state.say[0]);
  setText(find("#rest"), state.say[1]);
  showBig((state.way ?? state).big);
  find("#cautions-first").hidden = !(state.fires && !state.cautions_acknowledged);
  find("#beside").hidden = !((state.fires || state.follow) && state.cautions_acknowledged);
  find("#tube").hidden = !state.near_tube;
  setText(find("#said"), state.said);
  showLanding(state.landing);
  drawMount(find("#mount"), state.mount);
  drawCard(find("#card"), state.card);
  drawPlan(find("#plan"), state.plan);
  const watching = Boolean(state.holder) && state.holder !== link.tab;
  find("#watching").hidden = !watching;
  if (watching) showTake(link);
  else showButtons(state, link);
  showChain(state.chain);
  showVerdict(state.verdict, state.do);
  showReadings(state, link);
  showScale(state);
  showWhy(link);
  onState(state, link);
  hear(state);
}

function showLanding(landing) {
  const place = find("#landing");
  place.hidden = !landing;
  if (!landing) return;
  place.className = `landing ${landing.kind}`;
  place.querySelector(".bar div").style.width = `${Math.round(landing.left * 100)}%`;
  setText(place.querySelector("p"), landing.words);
}

export function showBig(big) {
  const lines = big.map(({ value, unit, label, kind }) =>
    html("p", { class: kind }, html("span", { class: "value" }, value), html("span", { class: "unit" }, unit), html("span", { class: "label" }, label)),
  );
  find("#big").replaceChildren(...lines);
}

function showButtons(state, link) {
  const make = (button, main) =>
    html("button", { type: "button", id: main ? "primary" : null, class: main ? "primary" : null, "data-action": button.action, onclick: (event) => press(event, button, link) }, button.label);
  const { primary, others, choices } = state, looking = choices.length > 0 && looked === occasion(state);
  const held = document.activeElement?.id === "primary";
  remake(find("#buttons"), looking ? choices : [primary, others], () => {
    if (looking) return [html("p", { class: "said-before" }, "What did you find?"), ...choices.map((button) => make(button, false))];
    return [...(primary ? [make(primary, true)] : []), ...others.map((button) => make(button, false))];
  });
  if (held) find("#primary")?.focus({ preventScroll: true });
}

const occasion = ({ choices, readings }) => JSON.stringify([choices, readings.length]);

function showTake(link) {
  const attributes = { type: "button", id: "take", class: "primary", onclick: () => link.takeHands() };
  remake(find("#buttons"), "take", () => [html("button", attributes, "Take the hands here")]);
}

async function press(event, button, link) {
  if (button.action === "look") {
    looked = occasion(link.state);
    showButtons(link.state, link);
    find("#buttons button")?.focus();
    return;
  }
  const pressed = event.currentTarget;
  if (pressed.ariaDisabled === "true") return;
  pressed.ariaDisabled = "true"; // not disabled: that would take the focus from who works by keys
  const label = pressed.textContent;
  pressed.textContent = button.action === "pulse" ? "Looking…" : "One moment…";
  await link.act(button.action, button.body);
  if (pressed.isConnected) {
    pressed.ariaDisabled = null;
    pressed.textContent = label;
  }
}

function showChain(chain) {
  const knots = chain.map(({ name, state, note }) => {
    const said = html("span", { class: "hush" }, `: ${note}`);
    return html("li", { class: state, title: note, "aria-current": state === "due" ? "step" : null }, html("span", { class: "knot", "aria-hidden": "true" }, KNOTS[state]), name, said);
  });
  find("#chain").replaceChildren(...knots);
}

function showVerdict(verdict, doing) {
  const place = find("#verdict");
  place.hidden = !verdict;
  if (!verdict) return;
  const rows = verdict.rows.map(({ name, value, limit, good, known }) =>
    html("tr", {}, html("th", { scope: "row" }, name), html("td", { class: known ? (good ? "yes" : "no") : "open" }, value), html("td", {}, limit)),
  );
  const head = verdict.aligned ? "Good enough to cut" : "Not good enough to cut yet";
  const table = html("table", {}, html("thead", {}, html("tr", {}, ...["What", "Found", "Allowed"].map((text) => html("th", { scope: "col" }, text)))), html("tbody", {}, ...rows));
  const power = verdict.power === null ? [] : [html("p", {}, `${verdict.power} % of the beam arrives at the worst place${verdict.worst ? ` (${verdict.worst})` : ""}.`)];
  const reasons = verdict.reasons.map((reason) => html("li", {}, reason));
  place.replaceChildren(html("h2", { class: verdict.aligned ? "yes" : "no" }, head), html("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Verdict in numbers" }, table), ...power, html("ul", {}, ...reasons));
}

function showReadings(state, link) {
  setText(find("#count"), String(state.readings.filter((row) => !row.withdrawn).length));
  const make = (row) => {
    const more = [];
    if (row.has_picture) more.push(" ", html("a", { href: `/log/picture/${row.id}` }, "picture"));
    if (row.withdrawn) more.push(" (withdrawn)");
    else if (state.source !== "practice" || !["turn", "shift"].includes(row.kind))
      more.push(html("button", { type: "button", onclick: () => link.act("withdraw", { event: row.id }), "aria-label": `Withdraw: ${row.words}` }, "Withdraw"));
    return html("li", { class: row.withdrawn ? "withdrawn" : null }, row.words, ...more);
  };
  remake(find("#readings"), [state.source, state.readings], () => state.readings.map(make));
}
