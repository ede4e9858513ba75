// @ts-check
// What is known of a chosen string: verdict, modules, readings, curves, story.

import { svg } from "./looks.js";
import { element, table } from "./words.js";

/**
 * @param {string} title
 * @param {Node[]} inside
 * @param {boolean} [open]
 */
function folded(title, inside, open = false) {
  return element("details", open ? { open: "" } : {}, [
    element("summary", { text: title }),
    ...inside,
  ]);
}

/**
 * @param {any} told what the server tells of the string
 * @param {import("./words.js").Words} words
 */
function verdictPart(told, words) {
  const held = told.verdict;
  if (!held) return [element("p", { class: "faint", text: words.say("not_judged") })];
  const word = words.say(`verdict_${held.verdict}`);
  const parts = [
    element("p", {}, [element("span", { class: `mark ${held.verdict}`, text: word })]),
  ];
  const rows = [
    ["Voc", held.voc_v, held.voc_expected_v, held.voc_deviation_ratio, "V", 1],
    ["Isc", held.isc_a, held.isc_expected_a, held.isc_deviation_ratio, "A", 2],
  ].map(([name, read, expected, off, unit, digits]) => [
    `${name} [${unit}]`,
    words.number(read, digits),
    words.number(expected, digits),
    words.percent(off),
  ]);
  parts.push(
    table({
      caption: words.say("read_and_expected"),
      heads: ["", words.say("read"), words.say("expected"), words.say("deviation")],
      rows,
      numbers: [1, 2, 3],
    }),
  );
  for (const reason of held.reasons || []) parts.push(element("p", { text: reason }));
  if (held.cause && held.verdict !== "pass") {
    parts.push(element("p", {}, [element("strong", { text: held.cause })]));
  }
  if (held.check_next && held.verdict !== "pass") {
    parts.push(element("p", { text: held.check_next }));
  }
  if (held.caution) parts.push(element("p", { class: "caution", text: held.caution }));
  return parts;
}

/**
 * A curve as a plot with axes.
 * @param {any} curve
 * @param {import("./words.js").Words} words
 */
function plot(curve, words) {
  const [wide, high, left, low] = [420, 260, 46, 40];
  const most = (/** @type {number[]} */ held) => Math.max(...held, 1e-9) * 1.06;
  const mostV = most(curve.voltage_v);
  const mostA = most(curve.current_a);
  const x = (/** @type {number} */ value) => left + ((wide - left - 10) * value) / mostV;
  const y = (/** @type {number} */ value) => high - low - ((high - low - 10) * value) / mostA;
  const parts = [];
  for (const [count, greatest, across] of /** @type {[number, number, boolean][]} */ ([
    [5, mostV, true],
    [4, mostA, false],
  ])) {
    const step = niceStep(greatest / count);
    for (let value = 0; value <= greatest; value += step) {
      const at = across ? x(value) : y(value);
      parts.push(
        svg("line", {
          class: "grid",
          x1: across ? at : left,
          x2: across ? at : wide - 10,
          y1: across ? 10 : at,
          y2: across ? high - low : at,
        }),
      );
      const text = svg("text", {
        x: across ? at : left - 6,
        y: across ? high - low + 16 : at + 4,
        "text-anchor": across ? "middle" : "end",
      });
      text.textContent = words.whole.format(value);
      parts.push(text);
    }
  }
  const points = curve.voltage_v
    .map((/** @type {number} */ volts, /** @type {number} */ at) => `${x(volts)},${y(curve.current_a[at])}`)
    .join(" ");
  parts.push(svg("polyline", { class: "line", points }));
  for (const [label, at, anchor] of /** @type {[string, [number, number], string][]} */ ([
    [words.say("voltage"), [wide / 2, high - 6], "middle"],
    [words.say("current"), [4, 12], "start"],
  ])) {
    const text = svg("text", { x: at[0], y: at[1], "text-anchor": anchor });
    text.textContent = label;
    parts.push(text);
  }
  const title = words.say("curve_title", {
    moment: curve.measured_at,
    light: words.number(curve.irradiance_w_m2, 0),
    warmth: words.number(curve.module_temp_c, 1),
  });
  return element("figure", { class: "map-curve" }, [
    svg("svg", { class: "plot", viewBox: `0 0 ${wide} ${high}`, role: "img", "aria-label": title }, parts),
    element("figcaption", { text: title }),
  ]);
}

/** @param {number} rough */
function niceStep(rough) {
  const power = 10 ** Math.floor(Math.log10(rough));
  const digit = [1, 2, 5, 10].find((held) => held * power >= rough) || 10;
  return digit * power;
}

/**
 * @param {any} told
 * @param {import("./words.js").Words} words
 * @param {number} chosen place of the chosen module, 0 for none
 */
function modulesPart(told, words, chosen) {
  const rows = told.modules.map((/** @type {any} */ held) => [
    held.place === chosen ? element("strong", { text: `▸ ${held.place}` }) : String(held.place),
    held.serial
      ? element("span", { class: "serial", text: held.serial })
      : element("span", { class: "faint", text: words.say("no_module") }),
    held.class || "–",
    held.pallet || "–",
    words.say(held.built ? "is_built" : held.serial ? "is_planned" : "is_open"),
    held.position,
  ]);
  return table({
    caption: words.say("modules_of", { string: told.string }),
    heads: ["place", "serial", "class", "pallet", "state", "position"].map((key) => words.say(key)),
    rows,
    numbers: [0],
  });
}

/**
 * @param {any} told
 * @param {import("./words.js").Words} words
 */
function readingsPart(told, words) {
  const rows = told.readings.map((/** @type {any} */ held) => [
    held.measured_at,
    words.number(held.voc_v, 1),
    words.number(held.isc_a, 2),
    words.number(held.irradiance_w_m2, 0),
    words.number(held.module_temp_c, 1),
    words.number(held.riso_pos_megohm, 1),
    words.number(held.riso_neg_megohm, 1),
    held.person || "–",
  ]);
  return table({
    caption: words.say("readings_of", { string: told.string }),
    heads: [
      words.say("when"),
      "Voc [V]",
      "Isc [A]",
      "G [W/m²]",
      "T [°C]",
      "R+ [MΩ]",
      "R− [MΩ]",
      words.say("who"),
    ],
    rows,
    numbers: [1, 2, 3, 4, 5, 6],
  });
}

/**
 * @param {any} told
 * @param {import("./words.js").Words} words
 */
function storyPart(told, words) {
  return element(
    "ol",
    { class: "map-story" },
    told.story.map((/** @type {any} */ event) =>
      element("li", {}, [
        element("span", { class: "faint", text: event.moment || words.say("no_moment") }),
        element("p", { text: event.what }),
        ...event.recorded.map((/** @type {string} */ sentence) =>
          element("p", { class: "faint", lang: "en", text: sentence }),
        ),
        element("p", {
          class: "faint",
          text: [event.who, event.source].filter(Boolean).join(" · "),
        }),
      ]),
    ),
  );
}

/**
 * Show what is told of a string.
 * @param {HTMLElement} place
 * @param {any} told
 * @param {import("./words.js").Words} words
 * @param {number} chosen place of the chosen module, 0 for none
 */
export function showDetails(place, told, words, chosen) {
  const facts = [
    ["module_type", told.module_type],
    ["inverter", told.inverter],
    ["input", told.mppt_input],
    ["drop_point", told.drop_point],
  ].flatMap(([key, value]) => [
    element("dt", { text: words.say(key) }),
    element("dd", { text: value }),
  ]);
  place.replaceChildren(
    element("h2", { id: "map-chosen-title", tabindex: "-1", text: words.say("string_named", { string: told.string }) }),
    ...verdictPart(told, words),
    element("dl", { class: "map-facts" }, facts),
    folded(words.say("modules_count", { count: told.modules.length }), [modulesPart(told, words, chosen)], chosen > 0),
    folded(
      words.say("readings_count", { count: told.readings.length }),
      told.readings.length ? [readingsPart(told, words)] : [element("p", { text: words.say("no_readings") })],
    ),
    folded(
      words.say("curves_count", { count: told.curves.length }),
      told.curves.length
        ? told.curves.map((/** @type {any} */ curve) => plot(curve, words))
        : [element("p", { text: words.say("no_curves") })],
      told.curves.length > 0,
    ),
    folded(words.say("story_count", { count: told.story.length }), [storyPart(told, words)], true),
  );
}
