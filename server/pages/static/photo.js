// A photo is read and shown with its marks first; it is saved once the person has said that they are right.

import { find, mmPer, setText } from "./make.js";
import { drawOver, zoom } from "./over.js";

const WIDEST = 1600; // px: more than a screen shows of it

/** Sends the photos and shows how far that is; returns what was read, or why nothing was.
 * @param {FormData} form @returns {Promise<any>} */
export function readPhoto(form) {
  return new Promise((done) => {
    const asked = new XMLHttpRequest();
    asked.open("POST", "/api/read?where=1");
    asked.responseType = "json";
    asked.upload.addEventListener("progress", ({ loaded, total }) => say(loaded, total));
    const failed = { error: { message: "No connection to Spotwright: send it again." } };
    asked.addEventListener("load", () => done(asked.response ?? failed));
    for (const kind of ["error", "abort", "timeout"]) asked.addEventListener(kind, () => done(failed));
    asked.addEventListener("loadend", () => show(false));
    show(true);
    asked.send(form);
  });
}

/** @param {boolean} shown */
function show(shown) {
  find("#photo-progress").hidden = !shown;
  find("#photo-progress progress").removeAttribute("value");
  setText(find("#photo-progress span"), "Sending the photo…");
}

/** @param {number} loaded @param {number} total */
function say(loaded, total) {
  const bar = find("#photo-progress progress");
  if (loaded < total) return bar.setAttribute("value", String(loaded / total));
  bar.removeAttribute("value");
  setText(find("#photo-progress span"), "Reading the marks: a few seconds…");
}

/** Shows the photo with the card's window, its centre and the mark on it.
 * @param {Blob} file @param {any} read @param {string | null} station where the next mark is due @param {string} units */
export async function showPhoto(file, read, station, units) {
  const place = find("#photo-seen"),
    { picture } = read;
  const [cols, rows] = picture.size_px;
  const drawn = await createImageBitmap(file, { resizeWidth: Math.min(WIDEST, cols) }).catch(() => null);
  const canvas = find("canvas", place);
  [canvas.width, canvas.height] = drawn ? [drawn.width, drawn.height] : [cols, rows];
  if (drawn) canvas.getContext("2d").drawImage(drawn, 0, 0);
  const marks = read.marks.filter((/** @type {{new: boolean | null}} */ mark) => mark.new !== false);
  find(".frame", place).style.aspectRatio = `${cols} / ${rows}`;
  drawOver(
    find("svg", place),
    picture,
    /** @type {any} */ ({ station: read.station, trail: [], aim: null, mark: marks[0] ?? null }),
  );
  zoom(find(".frame", place), find(".lens", place), picture, true);
  const right = read.station === station;
  setText(find("figcaption", place), right ? words(marks, units) : wrong(read.station, station));
  find("#photo-yes").hidden = !right || !marks.length;
  place.hidden = false;
  place.scrollIntoView({ block: "center" });
}

/** @param {{offset_mm: number[]}[]} marks @param {string} units */
function words(marks, units) {
  if (!marks.length) return "No new mark is seen. Fresh tape, one more pulse, another photo.";
  const [u, v] = marks[0].offset_mm;
  const shown = (/** @type {number} */ mm) =>
    units === "inch" ? `${(Math.abs(mm) / mmPer(units)).toFixed(3)} in` : `${Math.abs(mm).toFixed(2)} mm`;
  const at = `${shown(u)} ${u >= 0 ? "right" : "left"} and ${shown(v)} ${v >= 0 ? "above" : "below"} the centre`;
  if (marks.length > 1) return `${marks.length} marks are seen: save it, then choose the newest.`;
  return `The mark lies ${at}. Is the amber ring round it, and the blue cross on the card's centre?`;
}

/** @param {string} seen @param {string | null} wanted */
function wrong(seen, wanted) {
  const name = (/** @type {string | null} */ station) => (station ?? "another").replace("-", " ");
  return `That is the card for ${name(seen)}, and ${name(wanted)} is asked for: change the card, or choose the place below.`;
}
