// Small makers of elements; geometry goes in as attributes, so that no style is inline.

const SVG = "http://www.w3.org/2000/svg";

export function svg(name, attributes = {}, ...children) {
  const node = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  node.append(...children);
  return node;
}

export function html(name, attributes = {}, ...children) {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "onclick") node.addEventListener("click", value);
    else if (value === true) node.setAttribute(key, "");
    else if (value !== false && value !== null) node.setAttribute(key, value);
  }
  node.append(...children);
  return node;
}

export const find = (selector) => document.querySelector(selector);

export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

const made = new WeakMap();

// Makes a place's children anew only if what they are made of is new: a button made anew under a finger is not pressed.
export function remake(place, of, make) {
  const asked = JSON.stringify(of);
  if (made.get(place) === asked) return;
  made.set(place, asked);
  place.replaceChildren(...make());
}
