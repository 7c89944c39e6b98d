// What the device can do: keep its screen on, vibrate at a warning, offer sound, show the step in its title.

import { find } from "./make.js";

const PATTERNS = {
  stop: [400],
  far: [150, 100, 150],
  back: [150, 100, 150, 100, 150],
  aside: [150, 100, 150, 100, 150],
};
/** @type {WakeLockSentinel | null} */
let awake = null;
let vibrated = "";

/** Keeps the screen on if the browser lets it: only over HTTPS, or on the machine that serves the page. */
async function stayAwake() {
  if (awake || document.visibilityState !== "visible" || !("wakeLock" in navigator)) return;
  awake = await navigator.wakeLock.request("screen").catch(() => null);
  awake?.addEventListener("release", () => (awake = null));
}

for (const event of ["pointerdown", "keydown"]) addEventListener(event, stayAwake);
document.addEventListener("visibilitychange", stayAwake);

/** Vibrates once for each warning; a browser allows it only after a first touch.
 * @param {string} kind */
export function vibrate(kind) {
  const pattern = PATTERNS[/** @type {"stop"} */ (kind)];
  if (kind !== vibrated && pattern && navigator.userActivation?.hasBeenActive) navigator.vibrate?.(pattern);
  vibrated = kind;
}

/** Offers sound before the first pulse of an alignment; the same two choices are further down for later.
 * @param {State} state */
export function showOffers(state) {
  const offers = find("#offers");
  offers.hidden = !(state.fires && !state.cautions_acknowledged);
  find("#awake").hidden = "wakeLock" in navigator;
}

/** Shows the step in the window's title, for a person who looks at another window.
 * @param {State} state */
export function showTitle(state) {
  document.title = `${state.act.what} · ${state.act.where} · Spotwright`;
}
