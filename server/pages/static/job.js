// What the bench and the offline page share: the step, its sentence, the buttons, and below them drawings and lists.

import "./asks.js";
import { drawCard } from "./card.js";
import { showOffers, showTitle } from "./device.js";
import { showFinish } from "./finish.js";
import { Link } from "./link.js";
import { showChain, showReadings, showUndo, showVerdict } from "./lists.js";
import { find, setText } from "./make.js";
import { drawPlan, planWords } from "./plan.js";
import { showButtons, showTake, stopButtons } from "./press.js";
import { showScale, startScale } from "./scale.js";
import { showScreen } from "./screen.js";
import { hear, startSound } from "./sound.js";

/** @type {Record<string, string>} */
const troubles = { net: "", act: "", rig: "" };

/** @param {(state: State, link: Link) => void} [onState] */
export function startJob(onState = () => {}) {
  const of = document.body.dataset.of ?? "bench";
  const first = JSON.parse(document.body.dataset.state ?? "{}");
  const link = new Link(of, {
    onState: (state) => show(state, link, onState),
    onTrouble: showTrouble,
    onLost: showLost,
  });
  startSound();
  startScale(showTrouble);
  for (const choice of /** @type {NodeListOf<HTMLSelectElement>} */ (
    document.querySelectorAll("#units, #hand, #theme")
  ))
    choice.addEventListener("change", () => remember(choice));
  find("#why").addEventListener("toggle", () => showWhy(link));
  link.take(first);
  return link;
}

/** Asks for the reason only while it is open, and again when the step has changed.
 * @param {Link} link */
async function showWhy(link) {
  const words = find("#why-words"),
    version = link.version;
  if (!find("#why").open || words.dataset.version === String(version)) return;
  words.dataset.version = version;
  setText(words, "One moment…");
  const answer = await link.ask("why");
  if (link.version === version) setText(words, answer?.why ?? "No reason can be given just now.");
}

/** Keeps a setting of this device (units, hand, brightness) and loads the page again.
 * @param {HTMLSelectElement} choice */
async function remember(choice) {
  const headers = { "Content-Type": "application/json" };
  const body = JSON.stringify({ [choice.id]: choice.value });
  const answer = await fetch("/api/device", { method: "POST", headers, body }).catch(() => null);
  if (answer?.ok) location.reload();
}

/** @param {string} message @param {string} [kind] */
export function showTrouble(message, kind = "act") {
  troubles[kind] = message;
  const line = find("#trouble");
  const text = troubles.net || troubles.act || troubles.rig;
  line.hidden = !text;
  setText(line, text);
}

/** @param {boolean} lost */
function showLost(lost) {
  document.body.classList.toggle("lost", lost);
  stopButtons(lost);
  showScreen({ lost });
}

/** @param {State} state @param {Link} link @param {(state: State, link: Link) => void} onState */
function show(state, link, onState) {
  document.body.dataset.now = state.now;
  document.body.dataset.step = `${state.step}`; // which step is on the screen
  setText(find("#say"), state.say[0]);
  setText(find("#rest"), state.say[1]);
  showCautions(state);
  setText(find("#said"), state.said);
  setText(find("#old"), state.old);
  find("#old").hidden = !state.old;
  showLanding(state.landing);
  const watching = Boolean(state.holder) && state.holder !== link.tab;
  find("#watching").hidden = !watching;
  if (watching) showTake(link);
  else showButtons(state, link);
  showScreen({ state });
  drawCard(find("#card"), state.card);
  drawPlan(find("#plan svg"), state.plan);
  setText(find("#plan figcaption"), planWords(state.plan));
  showChain(state.chain);
  showVerdict(state.verdict);
  showFinish(state);
  find("#today").hidden = !state.finish && state.readings.length > 0;
  showReadings(state, link);
  showUndo(state, link);
  showScale(state);
  showWhy(link);
  showOffers(state);
  onState(state, link);
  hear(state);
  showTitle(state);
}

/** Shows beside the button the caution for what comes next: firing, reaching in, or the tube.
 * @param {State} state */
function showCautions(state) {
  const known = state.cautions_acknowledged,
    kind = state.act.kind;
  find("#cautions-first").hidden = !(state.fires && !known);
  const film = Boolean(state.follow) && state.source === "camera";
  find("#beside").hidden = !((kind === "pulse" || state.follow) && known) || film;
  find("#film").hidden = !film || !known;
  const reached =
    ["hang", "walk", "wrong", "inspect"].includes(kind) ||
    (kind === "turn" && !state.follow) ||
    (kind === "shift" && !state.near_tube);
  find("#reach").hidden = !reached || !known;
  find("#tube").hidden = !state.near_tube;
}

/** @param {Landing | null} landing */
function showLanding(landing) {
  const place = find("#landing");
  place.hidden = !landing;
  if (!landing) return;
  place.className = `landing ${landing.kind}`;
  find(".bar div", place).style.width = `${Math.round((1 - landing.left) * 100)}%`;
  setText(find("p", place), landing.words);
}
