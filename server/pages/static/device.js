// What the device itself can give: a screen that stays on, a shake at a stop, sound that is offered once.

import { find } from "./make.js";

const SHAKES = { stop: [400], far: [150, 100, 150], back: [150, 100, 150, 100, 150], aside: [150, 100, 150, 100, 150] };
/** @type {WakeLockSentinel | null} */
let awake = null;
let shaken = "";

/** Keeps the screen on where the browser can (it gives that only over HTTPS or on the machine itself). */
async function stayAwake() {
  if (awake || document.visibilityState !== "visible" || !("wakeLock" in navigator)) return;
  awake = await navigator.wakeLock.request("screen").catch(() => null);
  awake?.addEventListener("release", () => (awake = null));
}

for (const event of ["pointerdown", "keydown"]) addEventListener(event, stayAwake);
document.addEventListener("visibilitychange", stayAwake);

/** Shakes once when what must not wait is said; a browser allows it only after a first touch.
 * @param {string} kind */
export function shake(kind) {
  const pattern = SHAKES[/** @type {"stop"} */ (kind)];
  if (kind !== shaken && pattern && navigator.userActivation?.hasBeenActive) navigator.vibrate?.(pattern);
  shaken = kind;
}

/** Sound is offered before the first pulse of an alignment; the same two ticks stand below for later.
 * @param {State} state */
export function showOffers(state) {
  const offers = find("#offers");
  offers.hidden = !(state.fires && !state.cautions_acknowledged);
  find("#awake").hidden = "wakeLock" in navigator;
}

/** Says to whoever looks from elsewhere, by the window's title, how it stands.
 * @param {State} state */
export function markNow(state) {
  document.title = `${state.act.what} · ${state.act.where} · Spotwright`;
}
