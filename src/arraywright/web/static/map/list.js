// @ts-check
// The same in words: a table of the strings that are in view, for screen readers and everybody.

import { swatch } from "./looks.js";
import { element, table } from "./words.js";

const ROWS_MOST = 100;

/**
 * Strings in view, counted by category, the gravest first.
 * @param {import("./site.js").SiteLayout} site
 * @param {import("./values.js").Values} values
 * @param {[number, number, number, number]} part
 */
export function inView(site, values, part) {
  const counts = new Uint32Array(values.categories.length);
  const seen = new Uint8Array(site.strings);
  const strings = [];
  for (const box of site.boxesIn(part)) {
    const string = site.boxString[box];
    if (seen[string]) continue;
    seen[string] = 1;
    counts[values.codes[string]] += 1;
    strings.push(string);
  }
  return { strings, counts };
}

/**
 * Say in one sentence what is in view.
 * @param {ReturnType<typeof inView>} seen
 * @param {import("./values.js").Values} values
 * @param {import("./words.js").Words} words
 */
export function sentence(seen, values, words) {
  const parts = values.categories
    .map((category, code) => ({ category, count: seen.counts[code] }))
    .filter((held) => held.count > 0)
    .sort((one, other) => other.category.rank - one.category.rank)
    .slice(0, 8)
    .map((held) => `${words.category(held.category, values.unit, values.signed)}: ${words.whole.format(held.count)}`);
  return words.say("in_view", { count: seen.strings.length }) + (parts.length ? ` ${parts.join("; ")}.` : "");
}

/**
 * Show the table of what is in view.
 * @param {HTMLElement} place
 * @param {{
 *   site: import("./site.js").SiteLayout,
 *   values: import("./values.js").Values,
 *   words: import("./words.js").Words,
 *   seen: ReturnType<typeof inView>,
 *   choose: (row: number) => void,
 * }} given
 */
export function showList(place, { seen, site, values, words, choose }) {
  const rank = (/** @type {number} */ string) => values.categories[values.codes[string]].rank;
  seen.strings.sort((one, other) => rank(other) - rank(one) || one - other);
  const shown = seen.strings.slice(0, ROWS_MOST);
  const rows = shown.map((string) => {
    const category = values.categories[values.codes[string]];
    const name = site.name(string) || String(string + 1);
    const button = element("button", { type: "button", class: "quiet map-row", text: name });
    button.addEventListener("click", () => choose(string));
    const look = element("span", { class: "map-said" }, [
      swatch(category),
      words.category(category, values.unit, values.signed),
    ]);
    const figure = values.figures ? [words.figure(values.figures[string], values.unit, values.signed)] : [];
    return [button, look, words.whole.format(site.stringModules[string]), ...figure];
  });
  const heads = [words.say("string"), words.say(`colouring_${values.name}`), words.say("modules")];
  if (values.figures) heads.push(words.say("value"));
  const said = sentence(seen, values, words);
  place.replaceChildren(
    element("p", { text: said }),
    table({
      caption:
        shown.length < seen.strings.length
          ? words.say("list_first", { shown: shown.length, count: seen.strings.length })
          : words.say("list_all"),
      heads,
      rows,
      numbers: [2, 3],
    }),
  );
  return said;
}
