// Testing a string in the guided order, with the verdict as soon as the values are there.
// The order is that of the standard's tests of every string: earth continuity, polarity, Voc, Isc,
// insulation. Source: iec-62446-1 6, from memory.

import { cautionList, cautionsFirst } from "./cautions.js";
import { bigButton, choices, fill, h, numberIn, signal, verdictPanel } from "./ui.js";
import { judgeReadings, nominalOf, insulationLimits, stringVerdicts, TESTS } from "./verdict.js";

const CAUTIONS = ["licensed", "no_load_break", "live_in_light", "insulation_voltage", "discharge"];
const STEPS = [
  { name: "tools", fields: [] },
  { name: "continuity", caution: "isolated", fields: [["earth_continuity_ohm", "Ω", 3]] },
  { name: "polarity", caution: "live_in_light", fields: [] },
  {
    name: "light",
    fields: [
      ["irradiance_w_m2", "W/m²", 0],
      ["module_temp_c", "°C", 1],
    ],
  },
  { name: "voc", caution: "no_load_break", fields: [["voc_v", "V", 1]] },
  { name: "isc", caution: "isc_switch", fields: [["isc_a", "A", 2]] },
  {
    name: "insulation",
    caution: "insulation_voltage",
    fields: [
      ["riso_test_voltage_v", "V", 0],
      ["riso_pos_megohm", "MΩ", 2],
      ["riso_neg_megohm", "MΩ", 2],
    ],
  },
  { name: "result", fields: [] },
];
const TOOLS = ["meter", "irradiance_sensor", "thermometer", "insulation_tester"];
const LEVELS = { pass: "good", fail: "bad", not_assessable: "open" };

/** All readings this phone knows of, as rows of string readings. */
export function readingsOf(session) {
  const out = [];
  for (const entry of session.state.ofKind("string_tested")) {
    out.push({
      ...entry.body.reading,
      string: entry.subject,
      time_s: entry.time / 1000,
      uuid: entry.uuid,
      person: entry.person,
    });
  }
  return out;
}

export function verdictsNow(session) {
  const context = { ...session.context, instruments: session.pack.site.instruments };
  return stringVerdicts(judgeReadings(readingsOf(session), context, session.trueNow() / 1000));
}

export async function strings(app) {
  const first = cautionsFirst(app, "test", CAUTIONS);
  if (first) return first;
  const { session } = app;
  const { pack, state } = session;
  const verdicts = verdictsNow(session);
  const isTested = (name) => Number(state.tests.has(name) || pack.tested.has(name));
  const list = h("div", { class: "list" });
  const input = h("input", {
    type: "search",
    class: "code",
    placeholder: app.t("string_name"),
    "aria-label": app.t("string_name"),
    autocomplete: "off",
  });
  const draw = () => {
    const wanted = input.value.trim().toUpperCase();
    const order = pack.strings.string
      .map((name, number) => ({ name, number }))
      .filter(({ name }) => name.toUpperCase().includes(wanted))
      .sort((one, two) => isTested(one.name) - isTested(two.name) || one.number - two.number)
      .slice(0, 60);
    fill(
      list,
      ...order.map(({ name, number }) => {
        const held = verdicts.get(number);
        const full = (pack.inString.get(number) || []).filter((position) =>
          state.byPosition.has(pack.positions[position]),
        ).length;
        const known = held ? held.verdict : pack.tested.get(name);
        const level = known ? LEVELS[known] : "none";
        return h(
          "button",
          {
            type: "button",
            class: `row-button ${level}`,
            onclick: () => app.go(`/test/${encodeURIComponent(name)}`),
          },
          h("strong", {}, name),
          h("span", {}, app.t("modules_of", { n: full, all: pack.strings.modules[number] })),
          h("span", { class: "state" }, app.t(known ? `verdict_${known}` : "not_tested")),
        );
      }),
    );
  };
  input.addEventListener("input", draw);
  draw();
  return h("div", {}, input, list);
}

function shown(app, result, wanted) {
  const rows = TESTS.map((test) => {
    const gates = result.gates[test];
    const value = {
      polarity: app.t(result.reversed ? "reversed" : "correct"),
      voc: `${app.words.number(Math.abs(result.reading.voc_v), 1)} V`,
      isc: `${app.words.number(result.reading.isc_a, 2)} A`,
      insulation: `${app.words.number(Math.min(result.reading.riso_pos_megohm, result.reading.riso_neg_megohm), 1)} MΩ`,
      continuity: `${app.words.number(result.reading.earth_continuity_ohm, 2)} Ω`,
    }[test];
    const limit = {
      polarity: "",
      voc: `${app.words.number(result.expected.voc_v, 1)} V ± ${app.words.number(100 * wanted.tolerance_ratio, 0)} %`,
      isc: `${app.words.number(result.expected.isc_a, 2)} A ± ${app.words.number(100 * wanted.tolerance_ratio, 0)} %`,
      insulation: `≥ ${app.words.number(result.limits.least_megohm, 1)} MΩ`,
      continuity: `≤ ${app.words.number(wanted.earth_continuity_max_ohm, 1)} Ω`,
    }[test];
    const deviation =
      ["voc", "isc"].includes(test) && Number.isFinite(result.deviation[test])
        ? `${result.deviation[test] >= 0 ? "+" : ""}${app.words.number(100 * result.deviation[test], 1)} %`
        : "";
    return h(
      "div",
      { class: `result ${LEVELS[result.verdict[test]]}` },
      h(
        "span",
        { class: "mark", "aria-hidden": "true" },
        { good: "✓", bad: "✕", open: "…" }[LEVELS[result.verdict[test]]],
      ),
      h("span", { class: "name" }, app.t(`test_${test}`)),
      h("strong", {}, gates.includes("value-missing") ? "–" : value),
      h("span", { class: "limit" }, [limit, deviation].filter(Boolean).join("  ")),
      gates.length
        ? h(
            "span",
            { class: "why" },
            gates.map((gate) => app.t(`gate_${gate.replaceAll("-", "_")}`)).join("; "),
          )
        : null,
    );
  });
  return h("div", { class: "results" }, rows);
}

export async function test(app, name) {
  const first = cautionsFirst(app, "test", CAUTIONS);
  if (first) return first;
  const { session } = app;
  const { pack } = session;
  const number = pack.stringIndex.get(name);
  if (number === undefined) return h("div", {}, verdictPanel("bad", app.t("no_such_string"), name));
  const context = { ...session.context, instruments: pack.site.instruments };
  const kept = await session.store.get("tools", {});
  const draft = await session.store.get(`draft ${name}`, null);
  const reading = draft ? draft.reading : { ...kept };
  let step = draft ? draft.step : kept.meter ? 1 : 0;
  const limits = insulationLimits(nominalOf(number, session.context).voc_v);
  const box = h("div", { class: "testing" });
  const keep = () => session.store.set(`draft ${name}`, { reading, step }).catch(() => {});

  const judged = () => {
    const now = { ...reading, string: name, time_s: session.trueNow() / 1000, uuid: "now" };
    const all = [...readingsOf(session), now];
    const results = judgeReadings(all, context, session.trueNow() / 1000 + 1);
    return results[results.length - 1];
  };

  const toolsStep = () =>
    TOOLS.map((tool) => {
      const listed = [...new Set(pack.site.instruments.map((one) => one.instrument))];
      const select = h(
        "select",
        {
          class: "code",
          "aria-label": app.t(`tool_${tool}`),
          onchange: () => {
            reading[tool] = select.value || undefined;
            keep();
          },
        },
        h("option", { value: "" }, "–"),
        listed.map((one) => h("option", { value: one, selected: reading[tool] === one }, one)),
      );
      return h("label", { class: "labelled" }, h("span", {}, app.t(`tool_${tool}`)), select);
    });

  const fieldOf = ([field, unit, digits], place) => {
    const us = session.profile.units === "us" && unit === "°C";
    const shownAs = (value) => (us ? Number((value * 1.8 + 32).toFixed(2)) : value);
    const meant = (value) => (us ? Number(((value - 32) / 1.8).toFixed(4)) : value);
    const input = h("input", {
      type: "text",
      inputmode: "decimal",
      class: "number",
      id: field,
      autocomplete: "off",
      value: reading[field] === undefined ? "" : String(shownAs(reading[field])),
      "aria-label": app.t(`field_${field}`),
      "data-first": place === 0 ? "" : null,
      "data-digits": String(digits),
    });
    input.addEventListener("input", () => {
      const value = numberIn(input.value);
      const bad = input.value.trim() !== "" && Number.isNaN(value);
      input.setAttribute("aria-invalid", String(bad));
      if (Number.isNaN(value)) delete reading[field];
      else reading[field] = meant(value);
      keep();
      live();
    });
    return h(
      "label",
      { class: "labelled" },
      h("span", {}, app.t(`field_${field}`)),
      h("span", { class: "with-unit" }, input, h("span", {}, us ? "°F" : unit)),
    );
  };

  const said = h("div", { class: "told", "aria-live": "polite" });
  const live = () => {
    const test = STEPS[step].name;
    if (!TESTS.includes(test)) {
      fill(said);
      return;
    }
    const result = judged();
    const limit = result.limits;
    const expected = { voc: [result.expected.voc_v, "V", 1], isc: [result.expected.isc_a, "A", 2] }[
      test
    ];
    const lines = [];
    if (expected && Number.isFinite(expected[0]))
      lines.push(
        app.t("expected", {
          value: `${app.words.number(expected[0], expected[2])} ${expected[1]}`,
        }),
      );
    if (test === "insulation")
      lines.push(
        app.t("insulation_needs", {
          v: limit.test_voltage_v,
          r: app.words.number(limit.least_megohm, 1),
        }),
      );
    const gates = result.gates[test];
    if (gates.includes("value-missing")) {
      fill(said, ...lines.map((line) => h("p", { class: "large" }, line)));
      return;
    }
    const level = LEVELS[result.verdict[test]];
    const deviation =
      expected && Number.isFinite(result.deviation[test])
        ? `${result.deviation[test] >= 0 ? "+" : ""}${app.words.number(100 * result.deviation[test], 1)} %`
        : "";
    fill(
      said,
      verdictPanel(
        level,
        [app.t(`verdict_${result.verdict[test]}`), deviation].filter(Boolean).join("  "),
        ...lines,
        ...gates.map((gate) => app.t(`gate_${gate.replaceAll("-", "_")}`)),
      ),
    );
  };

  const save = async () => {
    const result = judged();
    const given = {};
    for (const [field, value] of Object.entries(reading))
      if (value !== undefined && value !== "") given[field] = value;
    const made = await app.enter([
      {
        kind: "string_tested",
        subject_kind: "string",
        subject: name,
        body: {
          reading: given,
          shown: {
            verdict: result.verdict,
            provisional: result.provisional,
            basis: result.nominal.basis,
            ...(Number.isFinite(result.expected.voc_v)
              ? { voc_expected_v: result.expected.voc_v, isc_expected_a: result.expected.isc_a }
              : {}),
          },
        },
      },
    ]);
    if (!made) return;
    await session.store.set(`draft ${name}`, null);
    const tools = Object.fromEntries(TOOLS.map((tool) => [tool, reading[tool]]));
    await session.store.set("tools", tools);
    const verdicts = Object.values(result.verdict);
    const level = verdicts.includes("fail")
      ? "bad"
      : verdicts.includes("not_assessable")
        ? "ask"
        : "good";
    signal(level);
    const overall = { bad: "fail", ask: "not_assessable", good: "pass" }[level];
    fill(
      box,
      verdictPanel(
        level === "ask" ? "open" : level,
        `${name}: ${app.t(`verdict_${overall}`)}`,
        app.t("kept"),
      ),
      shown(app, result, pack.site.commissioning),
      result.provisional.length
        ? verdictPanel(
            "ask",
            app.t("provisional"),
            ...result.provisional.map((why) => app.t(`provisional_${why}`)),
          )
        : null,
      h("p", { class: "small" }, app.t("no_permission")),
      h(
        "div",
        { class: "foot" },
        bigButton(app.t("next_string"), () => app.go("/strings"), "first", { id: "next-string" }),
      ),
    );
  };

  const draw = () => {
    const held = STEPS[step];
    const last = held.name === "result";
    const go = (way) => {
      step = Math.max(0, Math.min(STEPS.length - 1, step + way));
      keep();
      draw();
    };
    const children = [
      h("p", { class: "sub" }, `${name} · ${step + 1}/${STEPS.length}`),
      h("h2", { id: "step" }, app.t(`step_${held.name}`)),
    ];
    if (held.caution) children.push(cautionList(app, [held.caution]));
    if (held.name === "tools") children.push(...toolsStep());
    if (held.name === "polarity") {
      children.push(
        choices(
          [
            { value: "correct", word: app.t("correct"), level: "good" },
            { value: "reversed", word: app.t("reversed"), level: "bad" },
          ],
          reading.polarity,
          (value) => {
            reading.polarity = value;
            keep();
            live();
          },
          { label: app.t("step_polarity") },
        ),
      );
    }
    if (held.name === "insulation" && reading.riso_test_voltage_v === undefined)
      reading.riso_test_voltage_v = limits.test_voltage_v;
    children.push(...held.fields.map(fieldOf));
    if (last)
      children.push(
        shown(app, judged(), pack.site.commissioning),
        h("p", { class: "small" }, app.t("no_permission")),
      );
    children.push(said);
    children.push(
      h(
        "div",
        { class: "foot row" },
        bigButton(app.t("step_back"), () => (step === 0 ? app.go("/strings") : go(-1)), "plain"),
        last
          ? bigButton(app.t("enter_test"), save, "first", { id: "enter-test" })
          : bigButton(app.t("go_on"), () => go(1), "first", { id: "step-on" }),
      ),
    );
    fill(box, ...children);
    live();
    const focus = box.querySelector("[data-first]");
    if (focus) focus.focus({ preventScroll: true });
  };
  draw();
  return box;
}
