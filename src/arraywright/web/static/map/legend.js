// @ts-check
// The legend: colour, pattern, sign, words and how many.

import { swatch } from "./looks.js";
import { element } from "./words.js";

const ALWAYS = /^(stage|verdict)_/;

/**
 * Show the legend of a colouring.
 * @param {HTMLElement} place
 * @param {import("./values.js").Values} values
 * @param {import("./words.js").Words} words
 */
export function showLegend(place, values, words) {
  const modules = values.name === "class";
  const rows = values.categories
    .filter((held) => held.strings > 0 || held.modules > 0 || ALWAYS.test(held.key))
    .map((held) =>
      element("tr", {}, [
        element("td", { class: "map-look" }, [swatch(held)]),
        element("th", { scope: "row", text: words.category(held, values.unit, values.signed) }),
        element("td", { class: "number", text: words.whole.format(held.strings) }),
        ...(modules
          ? [element("td", { class: "number", text: words.whole.format(held.modules) })]
          : []),
      ]),
    );
  const heads = [
    element("td", { class: "map-look" }),
    element("td", {}),
    element("th", { scope: "col", class: "number", text: words.say("strings") }),
    ...(modules
      ? [element("th", { scope: "col", class: "number", text: words.say("modules") })]
      : []),
  ];
  const shown = element("table", { class: "map-legend" }, [
    element("caption", { text: words.say(`colouring_${values.name}`) }),
    element("thead", {}, [element("tr", {}, heads)]),
    element("tbody", {}, rows),
  ]);
  place.replaceChildren(shown);
}
