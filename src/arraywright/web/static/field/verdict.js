// The standard's verdict on string tests, as the server gives it on the same readings. What the
// phone cannot be sure of makes a verdict provisional, and it says why. Source: iec-62446-1 6.

import { cellTemperature, iscRatio, stringIsc, vocRatio } from "./diode.js";
import {
  IRRADIANCE_MAX_W_M2,
  irradianceChanges,
  levels,
  markBesideUnsure,
  MIN_NEIGHBOURS,
} from "./neighbours.js";
import { has, whole } from "./readings.js";
import { sunGates } from "./sky.js";

export const TESTS = ["polarity", "voc", "isc", "insulation", "continuity"];
export const PASS = "pass";
export const FAIL = "fail";
export const OPEN = "not_assessable";

const VOC_IRRADIANCE_MIN_W_M2 = 200;
const VOC_CHANGE_FACTOR = 4;
const TEMP_MIN_C = -50;
const TEMP_MAX_C = 110;
const VOLTAGE_MAX_V = 3000;
const TEST_VOLTAGE_ROUNDING = 0.99;
const SYSTEM_VOLTAGE_FACTOR = 1.25;

const READING = ["string-unknown", "time-missing", "time-future", "time-too-early"];
const METER = ["meter-unknown", "meter-lapsed"];
const LIGHT = [
  "irradiance-missing",
  "irradiance-impossible",
  "irradiance-above-sky",
  "sun-down",
  "sun-behind",
  "plane-unknown",
  "sensor-unknown",
  "sensor-lapsed",
  "temperature-missing",
  "temperature-impossible",
  "thermometer-unknown",
  "thermometer-lapsed",
];
const STOPS = {
  polarity: new Set([...READING, ...METER]),
  voc: new Set([...READING, ...METER, ...LIGHT]),
  isc: new Set([...READING, ...METER, ...LIGHT]),
  insulation: new Set([...READING, "tester-unknown", "tester-lapsed"]),
  continuity: new Set([...READING, "earth_meter-unknown", "earth_meter-lapsed"]),
};

/** Least insulation resistance [Mohm] and test voltage [V]; the table as on the server, from
 * memory. Source: iec-62446-1 table of insulation resistance, memory */
export function insulationLimits(vocStc) {
  const system = SYSTEM_VOLTAGE_FACTOR * vocStc;
  if (system < 120) return { test_voltage_v: 250, least_megohm: 0.5 };
  if (system <= 500) return { test_voltage_v: 500, least_megohm: 1 };
  return { test_voltage_v: system <= 1000 ? 1000 : 1500, least_megohm: 1 };
}

/**
 * What a string gives at STC, from the modules in it as far as they are known.
 *
 * A string that is built completely of known modules is taken by these; one that nothing is placed
 * in by its plan; any other by its class. That is the server's order.
 */
export function nominalOf(string, { pack, state }) {
  const positions = pack.inString.get(string) || [];
  const type = pack.typeOfString(string);
  const placed = positions.map((position) => state.serialAt(pack.positions[position]));
  const there = placed.filter(Boolean).length;
  if (there === 0) {
    const plan = pack.strings.by_plan;
    const voc = plan.voc_v[string];
    return {
      voc_v: voc,
      isc_a: plan.isc_a[string],
      flash: plan.flash[string] === 1,
      basis: "plan",
    };
  }
  const modules = placed.map((serial) => pack.moduleIndex(serial));
  const complete =
    there === pack.strings.modules[string] &&
    there === positions.length &&
    modules.every(
      (module) => module >= 0 && pack.voc[module] !== null && pack.isc[module] !== null,
    );
  if (!complete) {
    const held = pack.strings.by_class;
    return {
      voc_v: held.voc_v[string],
      isc_a: held.isc_a[string],
      flash: false,
      basis: there < positions.length ? "partly" : "class",
    };
  }
  return {
    voc_v: modules.reduce((sum, module) => sum + pack.voc[module], 0),
    isc_a: stringIsc(
      type,
      modules.map((module) => pack.isc[module]),
    ),
    flash: true,
    basis: "placed",
  };
}

function dayIn(zone) {
  const format = new Intl.DateTimeFormat("en-CA", {
    timeZone: zone,
    year: "numeric",
    month: "2-digit",
    day: "2-digit",
  });
  return (seconds) => format.format(new Date(1000 * seconds));
}

function instrumentGates(name, label, day, instruments) {
  const listed = name ? instruments.filter((one) => one.instrument === name) : [];
  if (!listed.length) return [`${label}-unknown`];
  const covered = listed.some(
    (one) => day <= one.calibration_due_on && (!one.calibrated_on || one.calibrated_on <= day),
  );
  return covered ? [] : [`${label}-lapsed`];
}

function specialGates(reading, { change, limits, reversed, wanted }) {
  const light = reading.irradiance_w_m2;
  const { voc_v: voc, isc_a: isc, earth_continuity_ohm: earth } = reading;
  const { riso_pos_megohm: pos, riso_neg_megohm: neg, riso_test_voltage_v: at } = reading;
  const lower = has(pos) ? (has(neg) ? Math.min(pos, neg) : pos) : neg;
  const fails = lower < limits.least_megohm;
  const word = (reading.polarity || "").toLowerCase();
  const gates = { polarity: [], voc: [], isc: [], insulation: [], continuity: [] };
  const put = (test, gate, holds) => {
    if (holds) gates[test].push(gate);
  };
  put("polarity", "value-missing", !reading.polarity && !(Math.abs(voc) > 0));
  put(
    "polarity",
    "value-impossible",
    Boolean(reading.polarity) && !["correct", "reversed"].includes(word) && !reversed,
  );
  const vocLeast = Math.min(VOC_IRRADIANCE_MIN_W_M2, wanted.irradiance_min_w_m2);
  put("voc", "value-missing", !has(voc));
  put("voc", "value-impossible", Math.abs(voc) > VOLTAGE_MAX_V);
  put("voc", "irradiance-low", light < vocLeast);
  put("voc", "irradiance-moving", change > VOC_CHANGE_FACTOR * wanted.irradiance_change_ratio);
  put("isc", "value-missing", !has(isc));
  put("isc", "value-impossible", isc < 0 && !reversed);
  put("isc", "irradiance-low", light < wanted.irradiance_min_w_m2);
  put("isc", "irradiance-moving", change > wanted.irradiance_change_ratio);
  put("insulation", "value-missing", !has(pos) && !has(neg));
  put("insulation", "value-impossible", lower < 0);
  put("insulation", "one-pole-only", has(pos) !== has(neg) && !fails);
  put("insulation", "test-voltage-missing", !has(at) && !fails);
  put(
    "insulation",
    "test-voltage-low",
    at < TEST_VOLTAGE_ROUNDING * limits.test_voltage_v && !fails,
  );
  put("continuity", "value-missing", !has(earth));
  put("continuity", "value-impossible", earth < 0);
  return gates;
}

function commonGates(reading, { string, context, nowS, day, planes }) {
  const { site } = context.pack;
  const time = reading.time_s;
  const light = reading.irradiance_w_m2;
  const measured = has(reading.module_temp_c) ? reading.module_temp_c : reading.air_temp_c;
  const gates = [];
  if (string < 0) gates.push("string-unknown");
  if (!has(time)) gates.push("time-missing");
  if (time > nowS) gates.push("time-future");
  if (site.earliest && time < Date.parse(site.earliest) / 1000) gates.push("time-too-early");
  if (!has(light)) gates.push("irradiance-missing");
  if (light < 0 || light > IRRADIANCE_MAX_W_M2) gates.push("irradiance-impossible");
  if (!has(measured)) gates.push("temperature-missing");
  if (measured < TEMP_MIN_C || measured > TEMP_MAX_C) gates.push("temperature-impossible");
  const look = (name, label) => {
    gates.push(...instrumentGates(name, label, day, context.instruments));
  };
  look(reading.meter, "meter");
  look(reading.irradiance_sensor, "sensor");
  look(reading.thermometer, "thermometer");
  look(reading.insulation_tester, "tester");
  look(reading.insulation_tester || reading.meter, "earth_meter");
  let unsure = false;
  if (string >= 0 && has(time)) {
    const sun = sunGates(1000 * time, light, planes, site);
    gates.push(...sun.gates);
    unsure = sun.unsure;
  }
  return { gates, unsure };
}

/**
 * Judge readings together, as the server judges a session.
 *
 * @param given objects with the columns of string readings, `string` by name, `time_s`, `uuid`
 * @param context pack, state, instruments (rows)
 * @param nowS the present moment since 1970 UTC [s]
 * @returns one result per reading: expected values, deviations, verdict per test, what stops it,
 *   and whether it is provisional
 */
export function judgeReadings(given, context, nowS) {
  const { pack } = context;
  const readings = given.map(whole);
  const wanted = pack.site.commissioning;
  const changes = irradianceChanges(readings);
  const localDay = dayIn(pack.site.time_zone);
  const nominals = new Map();
  const results = readings.map((reading, row) => {
    const found = pack.stringIndex.get(reading.string);
    const string = found === undefined ? -1 : found;
    if (string >= 0 && !nominals.has(string)) nominals.set(string, nominalOf(string, context));
    const nominal = nominals.get(string) || null;
    const limits = nominal ? insulationLimits(nominal.voc_v) : {};
    const reversed = (reading.polarity || "").toLowerCase() === "reversed" || reading.voc_v < 0;
    const planes =
      string < 0 ? [] : pack.strings.plane[string].map((plane) => pack.strings.planes[plane]);
    const day = has(reading.time_s) ? localDay(reading.time_s) : "";
    const common = commonGates(reading, { string, context, nowS, day, planes });
    const own = specialGates(reading, { change: changes[row], limits, reversed, wanted });
    const gates = {};
    for (const test of TESTS) {
      const stops = common.gates.filter((gate) => {
        if (test === "polarity" && reversed && METER.includes(gate)) return false;
        return STOPS[test].has(gate);
      });
      gates[test] = [...stops, ...own[test]];
    }
    const cell = cellTemperature(reading);
    const impossible = ["irradiance-impossible", "temperature-impossible"];
    const able =
      nominal !== null &&
      !gates.voc.some((gate) => impossible.includes(gate)) &&
      reading.irradiance_w_m2 > 0 &&
      Number.isFinite(cell);
    const type = string < 0 ? null : pack.typeOfString(string);
    const light = reading.irradiance_w_m2;
    const expected = able
      ? {
          voc_v: nominal.voc_v * vocRatio(type.template, light, cell),
          isc_a: nominal.isc_a * iscRatio(type, light, cell),
        }
      : { voc_v: NaN, isc_a: NaN };
    const isc = reversed ? Math.abs(reading.isc_a) : reading.isc_a;
    const over = (value, by) => (by > 0 && has(value) ? value / by - 1 : NaN);
    return {
      reading,
      string,
      nominal,
      limits,
      reversed,
      gates,
      expected,
      cell_temp_c: cell,
      unsure: common.unsure,
      deviation: {
        voc: over(Math.abs(reading.voc_v), expected.voc_v),
        isc: over(isc, expected.isc_a),
      },
      like: { voc: NaN, isc: NaN },
      neighbours: { voc: 0, isc: 0 },
      group: JSON.stringify([
        type ? type.key : "",
        nominal ? nominal.flash : false,
        reading.meter || "",
        reading.irradiance_sensor || "",
        reading.thermometer || "",
        has(reading.module_temp_c),
      ]),
    };
  });
  for (const test of ["voc", "isc"]) {
    const rows = results
      .filter((one) => !one.gates[test].length && has(one.deviation[test]))
      .map((one) => ({
        one,
        value: one.deviation[test],
        time: one.reading.time_s,
        string: one.string,
        group: one.group,
      }));
    levels(rows, 60 * wanted.neighbour_window_min);
    for (const row of rows) {
      row.one.like[test] = row.value - row.level;
      row.one.neighbours[test] = row.neighbours;
    }
    markBesideUnsure(results, test, 60 * wanted.neighbour_window_min);
    for (const one of results) if (one.gates[test].length) one.deviation[test] = NaN;
  }
  for (const one of results) settle(one, wanted);
  return results;
}

function held(value, bad) {
  if (!has(value)) return OPEN;
  return bad ? FAIL : PASS;
}

function settle(one, wanted) {
  const { reading } = one;
  const verdict = {};
  for (const test of ["voc", "isc"]) {
    const deviation = one.deviation[test];
    const like = has(one.like[test]) ? one.like[test] : 0;
    verdict[test] = held(
      deviation,
      Math.abs(deviation) > wanted.tolerance_ratio || Math.abs(like) > wanted.tolerance_ratio,
    );
  }
  const { riso_pos_megohm: pos, riso_neg_megohm: neg } = reading;
  const lower = has(pos) ? (has(neg) ? Math.min(pos, neg) : pos) : neg;
  verdict.polarity = one.reversed ? FAIL : PASS;
  verdict.insulation = held(lower, lower < one.limits.least_megohm);
  const earth = reading.earth_continuity_ohm;
  verdict.continuity = held(earth, earth > wanted.earth_continuity_max_ohm);
  for (const test of TESTS) if (one.gates[test].length) verdict[test] = OPEN;
  one.verdict = verdict;
  one.provisional = provisionalFor(one);
}

/** Why the server could still come to another verdict on this reading; empty when it cannot on what
 * the phone knows. */
function provisionalFor(one) {
  const why = [];
  if (one.unsure || one.besideUnsure) why.push("sun_near_limit");
  if (one.nominal && one.nominal.basis === "plan") why.push("by_plan");
  if (one.nominal && ["class", "partly"].includes(one.nominal.basis)) why.push("by_class");
  const few = ["voc", "isc"].some(
    (test) => one.verdict[test] === PASS && one.neighbours[test] < MIN_NEIGHBOURS,
  );
  if (few) why.push("few_neighbours");
  return why;
}

/** The newest valid reading of each test of each string, and the verdict over all of them. */
export function stringVerdicts(results) {
  const out = new Map();
  const order = results
    .map((one, row) => ({ one, row }))
    .filter(({ one }) => one.string >= 0)
    .sort((a, b) => a.one.reading.time_s - b.one.reading.time_s || a.row - b.row);
  for (const { one } of order) {
    if (!out.has(one.string)) out.set(one.string, { tests: {}, provisional: new Set() });
    const kept = out.get(one.string);
    for (const test of TESTS) {
      if (one.gates[test].length) continue;
      kept.tests[test] = { verdict: one.verdict[test], result: one };
    }
  }
  for (const kept of out.values()) {
    const given = TESTS.map((test) => (kept.tests[test] ? kept.tests[test].verdict : OPEN));
    kept.verdict = given.includes(FAIL) ? FAIL : given.includes(OPEN) ? OPEN : PASS;
    for (const test of TESTS) {
      if (kept.tests[test])
        for (const why of kept.tests[test].result.provisional) kept.provisional.add(why);
    }
  }
  return out;
}
