// The wire to the server: state comes in by itself, actions go out, and a cut network is said and mended.

const RETRY_MS = 1000;

export class Link {
  constructor(of, { onState, onTrouble, onLive = () => {} }) {
    this.of = of;
    this.onState = onState;
    this.onTrouble = onTrouble;
    this.onLive = onLive;
    this.version = -1;
    this.lost = false;
    this.tab = tabName();
    this.listen();
    addEventListener("online", () => this.fetchState());
    document.addEventListener("visibilitychange", () => this.wake());
  }

  listen() {
    this.source = new EventSource(`/api/events?of=${this.of}&tab=${this.tab}`);
    this.source.addEventListener("state", (event) => this.take(JSON.parse(event.data)));
    this.source.addEventListener("live", (event) => this.onLive(JSON.parse(event.data)));
    this.source.onopen = () => this.found();
    this.source.onerror = () => this.poll();
  }

  wake() {
    if (document.visibilityState !== "visible") return;
    this.fetchState();
    if (this.source.readyState === EventSource.CLOSED) this.listen();
  }

  // While the stream is down the page asks by itself; the stream comes back when it can.
  poll() {
    if (this.polling) return;
    this.polling = setInterval(async () => {
      const there = await this.fetchState();
      if (this.source.readyState === EventSource.OPEN) this.stopPolling();
      else if (there && this.source.readyState === EventSource.CLOSED) this.listen();
    }, RETRY_MS);
    this.fetchState();
  }

  stopPolling() {
    clearInterval(this.polling);
    this.polling = null;
  }

  async fetchState() {
    try {
      const answer = await fetch(`/api/state?of=${this.of}`, { cache: "no-store" });
      if (answer.status === 401) location.assign("/door");
      if (!answer.ok) throw new Error(answer.statusText);
      this.take(await answer.json());
      return true;
    } catch {
      this.lose();
      return false;
    }
  }

  // Returns the JSON of another question about this session, null where there is no answer.
  async ask(what) {
    try {
      const answer = await fetch(`/api/${what}?of=${this.of}`, { cache: "no-store" });
      return answer.ok ? await answer.json() : null;
    } catch {
      return null;
    }
  }

  take(state) {
    this.found();
    if (state.version === this.version && state.run === this.run) return;
    this.state = state;
    this.version = state.version;
    this.run = state.run;
    this.onState(state);
  }

  lose() {
    this.lost = true;
    this.onTrouble("No connection to Spotwright. It comes back by itself; nothing saved is lost.", "net");
  }

  found() {
    if (!this.lost) return;
    this.lost = false;
    this.onTrouble("", "net");
  }

  // Sends JSON, or a form with pictures; returns whether it was done.
  async act(action, body) {
    const form = body instanceof FormData;
    const headers = { "X-Spotwright-Tab": this.tab, ...(form ? {} : { "Content-Type": "application/json" }) };
    return this.post(`/api/do/${this.of}/${action}`, { method: "POST", headers, body: form ? body : JSON.stringify(body ?? {}) }, action);
  }

  takeHands() {
    return this.post(`/api/hands/${this.of}`, { method: "POST", headers: { "X-Spotwright-Tab": this.tab } });
  }

  async post(address, options, action = "") {
    let answer;
    try {
      answer = await fetch(address, options);
    } catch {
      this.lose();
      return false;
    }
    const data = await answer.json().catch(() => ({ error: { message: answer.statusText } }));
    if (!answer.ok) {
      this.onTrouble(data.error.message, "act");
      this.fetchState();
      return false;
    }
    this.onTrouble("", "act");
    this.take(data);
    if (action === "ease") this.onLive(data.rig?.live && { ...data.rig.live, way: data.way });
    return true;
  }
}

// Kept over a reload, so that a page does not lose the hands to its own ghost.
function tabName() {
  const kept = sessionStorage.getItem("tab");
  if (kept) return kept;
  const bytes = crypto.getRandomValues(new Uint8Array(8));
  const name = Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  sessionStorage.setItem("tab", name);
  return name;
}
