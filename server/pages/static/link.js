// The connection to the server: it brings the state, sends each press once, and shows and restores a lost link.

const RETRY_MS = 1000;
const SILENT_MS = 3000; // if nothing has come for so long, there is no connection
const LATE_MS = 3000; // a press not answered by then is sent once more with the same key, and the page says so
const GIVE_UP_MS = 2500;
/** Actions that take longer anyway: a photo has to be sent and read.
 * @type {Set<string>} */
const SLOW = new Set(["photo"]);

/** @typedef {{onState: (state: State) => void, onTrouble: (message: string, kind: string) => void, onLost: (lost: boolean) => void}} Handlers */

export class Link {
  /** @param {string} of @param {Handlers} handlers */
  constructor(of, handlers) {
    this.of = of;
    this.handlers = handlers;
    /** Gets what the camera sees; `held`: whether that is the answer to a hold.
     * @type {(live: Live | null, held?: boolean) => void} */
    this.onLive = () => {};
    this.version = -1;
    this.run = "";
    this.lost = false;
    /** @type {State | null} */
    this.state = null;
    /** @type {ReturnType<typeof setInterval> | null} */
    this.polling = null;
    this.tab = tabName();
    this.heard = performance.now();
    this.listen();
    setInterval(() => this.listenClosely(), 500);
    addEventListener("online", () => this.fetchState());
    document.addEventListener("visibilitychange", () => this.wake());
  }

  listen() {
    this.source?.close();
    this.source = new EventSource(`/api/events?of=${this.of}&tab=${this.tab}`);
    this.source.addEventListener("state", (event) => this.take(JSON.parse(event.data)));
    this.source.addEventListener("live", (event) => {
      this.news();
      this.onLive(JSON.parse(event.data));
    });
    this.source.addEventListener("beat", () => this.news());
    this.source.onopen = () => this.news();
    this.source.onerror = () => this.poll();
    this.listening = performance.now();
  }

  wake() {
    if (document.visibilityState !== "visible") return;
    this.heard = performance.now();
    this.fetchState();
    if (this.source?.readyState === EventSource.CLOSED) this.listen();
  }

  // A link may freeze without an error, so what counts is when something last arrived.
  listenClosely() {
    if (document.visibilityState !== "visible" || performance.now() - this.heard < SILENT_MS) return;
    this.lose();
  }

  // While the stream is down or silent, the page asks for the state, and opens the stream again when it can.
  poll() {
    if (this.polling) return;
    this.polling = setInterval(async () => {
      const there = await this.fetchState();
      if (there && this.source?.readyState === EventSource.OPEN && this.beating) return this.stopPolling();
      const waits =
        this.source?.readyState === EventSource.CONNECTING && performance.now() - (this.listening ?? 0) < 3 * RETRY_MS;
      if (there && !waits) this.listen();
    }, RETRY_MS);
    this.beating = false;
    this.fetchState();
  }

  stopPolling() {
    if (this.polling) clearInterval(this.polling);
    this.polling = null;
  }

  async fetchState() {
    try {
      const answer = await fetch(`/api/state?of=${this.of}`, {
        cache: "no-store",
        signal: AbortSignal.timeout(GIVE_UP_MS),
      });
      if (answer.status === 401) location.assign("/door");
      if (!answer.ok) throw new Error(answer.statusText);
      this.take(await answer.json(), false);
      return true;
    } catch {
      this.lose();
      return false;
    }
  }

  /** Returns the JSON at another address of this session, null if there is no answer.
   * @param {string} what */
  async ask(what) {
    try {
      const answer = await fetch(`/api/${what}?of=${this.of}`, { cache: "no-store" });
      return answer.ok ? await answer.json() : null;
    } catch {
      return null;
    }
  }

  /** @param {State} state @param {boolean} [streamed] */
  take(state, streamed = true) {
    this.news(streamed);
    if (state.version === this.version && state.run === this.run) return;
    this.state = state;
    this.version = state.version;
    this.run = state.run;
    this.handlers.onState(state);
  }

  news(streamed = true) {
    this.heard = performance.now();
    if (streamed) this.beating = true;
    if (!this.lost || streamed) return; // only the answer to a request shows that a press would arrive
    this.lost = false;
    this.handlers.onTrouble("", "net");
    this.handlers.onLost(false);
  }

  lose() {
    if (this.lost) return;
    this.lost = true;
    this.poll();
    this.handlers.onTrouble("No connection to Spotwright. It comes back by itself; nothing saved is lost.", "net");
    this.handlers.onLost(true);
  }

  /** Sends a press, as JSON or as a form with pictures, with its step and its own key; returns whether it was done.
   * @param {string} action @param {Record<string, unknown> | FormData} [body] */
  async act(action, body = {}) {
    const named = { step: this.state?.step ?? "", key: randomName() };
    const headers = { "X-Spotwright-Tab": this.tab };
    if (body instanceof FormData) {
      for (const [name, value] of Object.entries(named)) body.set(name, String(value));
      return this.post(`/api/do/${this.of}/${action}`, { method: "POST", headers, body }, action);
    }
    const options = {
      method: "POST",
      headers: { ...headers, "Content-Type": "application/json" },
      body: JSON.stringify({ ...body, ...named }),
    };
    return this.post(`/api/do/${this.of}/${action}`, options, action);
  }

  takeControl() {
    return this.post(`/api/control/${this.of}`, { method: "POST", headers: { "X-Spotwright-Tab": this.tab } });
  }

  /** @param {string} address @param {RequestInit} options @param {string} [action] if it is a press, which has a key */
  async post(address, options, action = "") {
    const answer = await this.send(address, options, action !== "" && !SLOW.has(action));
    if (!answer) {
      this.handlers.onTrouble("", "act");
      this.lose();
      return false;
    }
    const data = await answer.json().catch(() => ({ error: { message: answer.statusText } }));
    if (!answer.ok) {
      this.handlers.onTrouble(data.error.message, "act");
      if (data.state) this.take(data.state, false);
      else this.fetchState();
      return false;
    }
    this.handlers.onTrouble("", "act");
    this.take(data, false);
    if (action === "ease") this.onLive(data.rig?.live && { ...data.rig.live, way: data.way }, true);
    return true;
  }

  /** Returns the answer, null if there is none. With `again` a request that gets no answer is sent once more.
   * @param {string} address @param {RequestInit} options @param {boolean} again */
  async send(address, options, again) {
    const first = fetch(address, options).catch(() => null);
    if (!again) return first;
    const late = await Promise.race([first.then((answer) => answer && { answer }), pause(LATE_MS)]);
    if (late) return late.answer;
    this.handlers.onTrouble("No answer yet: sent again. It counts once.", "act");
    const second = fetch(address, { ...options, signal: AbortSignal.timeout(20_000) }).catch(() => null);
    return Promise.any([first.then(need), second.then(need)]).catch(() => null);
  }
}

/** @param {Response | null} answer */
const need = (answer) => answer ?? Promise.reject(new Error("no answer"));
/** @param {number} ms @returns {Promise<null>} */
const pause = (ms) => new Promise((resolve) => setTimeout(() => resolve(null), ms));

/** Kept over a reload: a page that had control keeps it. */
function tabName() {
  const kept = sessionStorage.getItem("tab");
  if (kept) return kept;
  const name = randomName();
  sessionStorage.setItem("tab", name);
  return name;
}

function randomName() {
  const bytes = crypto.getRandomValues(new Uint8Array(8));
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}
