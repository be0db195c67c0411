// Making elements, and the signs that stand for verdicts: a shape for each, never colour alone.

const SVG = "http://www.w3.org/2000/svg";

/** Make an element: el("p", {class: "small"}, "text", child). A listener goes in as onclick: function. */
export function el(name, attributes = {}, ...children) {
  return filled(document.createElement(name), attributes, children);
}

/** The same for SVG. */
export function svg(name, attributes = {}, ...children) {
  return filled(document.createElementNS(SVG, name), attributes, children);
}

function filled(element, attributes, children) {
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else element.setAttribute(key, value === true ? "" : value);
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return element;
}

/** Keep a figure, its uncertainty and its unit on one line. */
export function unbroken(text) {
  return text.replaceAll(" ± ", "\u00a0±\u00a0").replace(/(\d) (mm|in)\b/g, "$1\u00a0$2");
}

/** Make an element of an SVG that the server drew. */
export function drawn(text) {
  return document.importNode(new DOMParser().parseFromString(text, "image/svg+xml").documentElement, true);
}

const SIGNS = {
  "in tolerance": { name: "in", word: "in" },
  "out of tolerance": { name: "out", word: "out" },
  "too close to call": { name: "close", word: "close" },
  "not measured": { name: "unseen", word: "not seen" },
};

const SHAPES = {
  in: "M0-9A9 9 0 1 1 0 9A9 9 0 1 1 0-9Z",
  out: "M-8.5-8.5H8.5V8.5H-8.5Z",
  close: "M0-10.5L11 8.5H-11Z",
  unseen: "M0-11L11 0L0 11L-11 0Z",
};

export function sign(verdict) {
  return SIGNS[verdict] ?? SIGNS["not measured"];
}

/** The path of a verdict's shape, about the origin, some 20 units wide. */
export function shape(verdict, scale = 1) {
  return svg("path", { d: SHAPES[sign(verdict).name], transform: scale === 1 ? null : `scale(${scale})` });
}

/** The shape as a small picture beside its word. */
export function icon(verdict) {
  return svg("svg", { class: `sign is-${sign(verdict).name}`, viewBox: "-12 -12 24 24", "aria-hidden": "true" }, shape(verdict));
}
