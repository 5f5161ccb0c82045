// Making and changing elements. Whatever came from outside goes in as text, never as markup.

const SVG = "http://www.w3.org/2000/svg";

export const byId = (id) => document.getElementById(id);

export function html(tag, attributes = {}, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

export function svg(tag, attributes = {}, ...children) {
  return filled(document.createElementNS(SVG, tag), attributes, children);
}

/** Set attributes; null takes one away. */
export function set(element, attributes) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null) element.removeAttribute(name);
    else element.setAttribute(name, value);
  }
}

/** Change the text only if it is another: an unchanged element is not laid out again. */
export function text(element, words) {
  if (element.textContent !== words) element.textContent = words;
}

/**
 * The size of an element, kept up to date by the browser: asking for it in the midst of changes
 * would have the page laid out once more each time.
 */
export class Box {
  constructor(element) {
    ({ width: this.width, height: this.height } = element.getBoundingClientRect());
    new ResizeObserver(([{ contentRect }]) => {
      ({ width: this.width, height: this.height } = contentRect);
    }).observe(element);
  }
}

function filled(element, attributes, children) {
  set(element, attributes);
  element.append(...children);
  return element;
}
