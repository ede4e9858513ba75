// @ts-check
// Colours, patterns and signs: the same on the ground, in the legend and in the table.

export const PATTERNS = [
  "plain",
  "rising",
  "falling",
  "level",
  "upright",
  "dots",
  "cross",
  "hollow",
];
export const SIGNS = ["", "triangle", "cross", "diamond", "up", "down"];

const SVG = "http://www.w3.org/2000/svg";
let patternCount = 0;

/**
 * A colour of the style sheet as red, green and blue from 0 to 255.
 * @param {string} name
 * @returns {[number, number, number]}
 */
export function colourOf(name) {
  const held = getComputedStyle(document.documentElement).getPropertyValue(`--map-${name}`);
  const digits = /^#([0-9a-f]{6})$/i.exec(held.trim());
  const number = digits ? Number.parseInt(digits[1], 16) : 0x808080;
  return [(number >> 16) & 255, (number >> 8) & 255, number & 255];
}

/**
 * @param {string} name
 * @param {Record<string, string | number>} attributes
 * @param {Element[]} [inside]
 */
export function svg(name, attributes, inside = []) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, String(value));
  made.append(...inside);
  return made;
}

/** @type {Record<string, string>} */
const STROKES = {
  rising: "M-1 7 7 -1M-1 1 1 -1M5 7 7 5",
  falling: "M-1 -1 7 7M5 -1 7 1M-1 5 1 7",
  level: "M0 3H6",
  upright: "M3 0V6",
  cross: "M-1 7 7 -1M-1 1 1 -1M5 7 7 5M-1 -1 7 7M5 -1 7 1M-1 5 1 7",
};

/** @type {Record<string, string>} */
const SIGN_PATHS = {
  triangle: "M0 -6 6 5H-6Z",
  cross: "M-6 -3.5-3.5 -6 0 -2.5 3.5 -6 6 -3.5 2.5 0 6 3.5 3.5 6 0 2.5-3.5 6-6 3.5-2.5 0Z",
  diamond: "M0 -6.5 6 0 0 6.5-6 0Z",
  up: "M0 -6.5 6 1H2V6H-2V1H-6Z",
  down: "M0 6.5 6 -1H2V-6H-2V-1H-6Z",
};

/**
 * A swatch with the colour, pattern and sign of a line of the legend.
 * @param {import("./values.js").Category} category
 */
export function swatch(category) {
  const fill = `var(--map-${category.colour})`;
  const parts = [];
  const hollow = category.pattern === "hollow";
  parts.push(
    svg("rect", {
      class: hollow ? "map-hollow" : "map-filled",
      x: 1,
      y: 1,
      width: 34,
      height: 20,
      fill,
      stroke: hollow ? fill : "none",
    }),
  );
  if (category.pattern === "dots" || STROKES[category.pattern]) {
    patternCount += 1;
    const id = `map-pattern-${patternCount}`;
    const drawn =
      category.pattern === "dots"
        ? svg("circle", { cx: 3, cy: 3, r: 1.4, fill: "var(--map-paper)" })
        : svg("path", {
            class: "map-stroke",
            d: STROKES[category.pattern],
            stroke: "var(--map-paper)",
          });
    parts.push(
      svg("defs", {}, [
        svg("pattern", { id, width: 6, height: 6, patternUnits: "userSpaceOnUse" }, [drawn]),
      ]),
      svg("rect", { x: 1, y: 1, width: 34, height: 20, fill: `url(#${id})` }),
    );
  }
  if (category.sign) {
    parts.push(
      svg("path", {
        d: SIGN_PATHS[category.sign],
        transform: "translate(18 11)",
        fill,
        class: "map-sign",
      }),
    );
  }
  return svg("svg", { class: "map-swatch", viewBox: "0 0 36 22", "aria-hidden": "true" }, parts);
}
