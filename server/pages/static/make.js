// Small makers of elements; geometry goes in as attributes, so that no style is inline.

const SVG = "http://www.w3.org/2000/svg";

/** @param {string} name @param {Attributes} [attributes] @param {...(Node | string)} children @returns {SVGElement} */
export function svg(name, attributes = {}, ...children) {
  const node = /** @type {SVGElement} */ (document.createElementNS(SVG, name));
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, String(value));
  node.append(...children);
  return node;
}

/** @param {string} name @param {Attributes} [attributes] @param {...(Node | string)} children @returns {HTMLElement} */
export function html(name, attributes = {}, ...children) {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (typeof value === "function") node.addEventListener("click", /** @type {EventListener} */ (value));
    else if (value === true) node.setAttribute(key, "");
    else if (value !== false && value !== null) node.setAttribute(key, String(value));
  }
  node.append(...children);
  return node;
}

/** The one element that is there; a page without it is a mistake of ours.
 * @param {string} selector @param {ParentNode} [within] @returns {any} */
export function find(selector, within = document) {
  return within.querySelector(selector);
}

/** What somebody typed as a number: a comma is a decimal point too; what is no number is NaN.
 * @param {string} typed */
export const number = (typed) =>
  /\d/.test(typed) ? Number(typed.trim().replace(",", ".").replace("−", "-")) : Number.NaN;

/** Millimetres in one of what lengths are typed in.
 * @param {string | undefined} units */
export const mmPer = (units) => (units === "inch" ? 25.4 : 1);

/** @param {Element} node @param {string} text */
export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** @type {WeakMap<Element, string>} */
const made = new WeakMap();

/** Makes a place's children anew only if what they are made of is new: a button made anew under a finger is not pressed.
 * Returns whether it did.
 * @param {Element} place @param {unknown} of @param {() => (Node | string)[]} make */
export function remake(place, of, make) {
  const asked = JSON.stringify(of);
  if (made.get(place) === asked) return false;
  made.set(place, asked);
  place.replaceChildren(...make());
  return true;
}
