// Helpers that make elements. Geometry is set as attributes: the page allows no inline styles.

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

/** Returns the first element that matches; every page has all elements that its scripts look for.
 * @param {string} selector @param {ParentNode} [within] @returns {any} */
export function find(selector, within = document) {
  return within.querySelector(selector);
}

/** Returns a typed number, with a decimal point or comma; NaN for anything else.
 * @param {string} typed */
export const number = (typed) =>
  /\d/.test(typed) ? Number(typed.trim().replace(",", ".").replace("−", "-")) : Number.NaN;

/** Returns how many millimetres one unit has.
 * @param {string | undefined} units */
export const mmPer = (units) => (units === "inch" ? 25.4 : 1);

/** @param {Element} node @param {string} text */
export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** @type {WeakMap<Element, string>} */
const made = new WeakMap();

/** Makes an element's children again, only if `of` has changed: a button replaced under a finger misses the press.
 * Returns whether it did.
 * @param {Element} place @param {unknown} of @param {() => (Node | string)[]} make */
export function remake(place, of, make) {
  const asked = JSON.stringify(of);
  if (made.get(place) === asked) return false;
  made.set(place, asked);
  place.replaceChildren(...make());
  return true;
}
