// The live picture: fetched only while it is in view, only if it is new, and seldom while nothing happens.

import { find, setText } from "./make.js";

/** @type {Record<string, number>} */
const PAUSE_MS = { practice: 500, camera: 110 };
const IDLE_MS = 2000; // the longest pause between two questions while nothing changes
const ERROR_MS = 1500;
const WIDE_PX = 720; // twice the picture's width on a telephone

/** Fetches one picture after the other, so that none queue up on a slow network.
 * @param {() => State} current */
export function startPicture(current) {
  const feed = new Feed(current);
  new IntersectionObserver(([seen]) => feed.inView(seen.isIntersecting), { rootMargin: "200px" }).observe(
    find(".frame"),
  );
  return feed;
}

class Feed {
  /** @param {() => State} current */
  constructor(current) {
    this.current = current;
    /** @type {ReturnType<typeof setTimeout> | undefined} */
    this.timer = undefined;
    this.busy = false;
    this.seen = false;
    this.tag = "";
    this.still = 0;
  }

  /** @param {boolean} seen */
  inView(seen) {
    this.seen = seen;
    if (seen) this.soon();
  }

  /** Something has happened: the next picture is worth having. */
  soon() {
    this.still = 0;
    if (!this.busy) this.fetch();
  }

  async fetch() {
    clearTimeout(this.timer);
    if (document.visibilityState === "hidden" || (!this.seen && this.tag)) return this.later(1000);
    this.busy = true;
    const pause = await this.ask().catch(() => this.missing());
    this.busy = false;
    this.later(pause);
  }

  // Names the picture that is here: if there is no newer one, the answer is only a few bytes.
  async ask() {
    const headers = this.tag ? { "If-None-Match": this.tag } : undefined;
    const answer = await fetch(`/api/frame.jpg?w=${WIDE_PX}`, {
      cache: "no-store",
      headers,
      signal: AbortSignal.timeout(5000),
    });
    if (answer.status === 304) return Math.min(IDLE_MS, this.pause() * 2 ** this.still++);
    if (!answer.ok) return this.missing();
    this.tag = answer.headers.get("ETag") ?? "";
    this.still = 0;
    await this.show(await answer.blob());
    return this.pause();
  }

  pause() {
    return PAUSE_MS[this.current()?.source] ?? 500;
  }

  /** @param {Blob} blob */
  async show(blob) {
    const picture = await createImageBitmap(blob),
      canvas = find("#frame");
    if (canvas.width !== picture.width) Object.assign(canvas, { width: picture.width, height: picture.height });
    canvas.getContext("2d").drawImage(picture, 0, 0);
    picture.close();
    canvas.setAttribute("aria-label", this.words());
    setText(find("#picture-words"), this.words());
  }

  words() {
    const seen = this.current()?.picture;
    return seen
      ? `Live picture: card of ${seen.station.replace("-", " ")} found.`
      : "Live picture: no card found in it yet.";
  }

  missing() {
    setText(find("#picture-words"), "No picture from the camera just now.");
    return ERROR_MS;
  }

  /** @param {number} ms */
  later(ms) {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.fetch(), ms);
  }
}
