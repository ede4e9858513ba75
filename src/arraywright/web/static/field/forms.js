// The tasks that are a list of questions: what they ask, in which order, and what is entered.

import { cautionsFirst } from "./cautions.js";
import { looksLikeSscc, normalPallet, serialIn, ssccFits } from "./code.js";
import { photoField } from "./photos.js";
import { scanBox } from "./scan.js";
import { bigButton, choices, fill, h, numberIn, signal, verdictPanel } from "./ui.js";

const CONDITIONS = ["sound", "damaged", "leaning", "wet", "opened"];

/**
 * Fields: number (unit, least, most), choice (options), checks (many of options; `all` when every one
 * is needed), text, photos. `when` says from the answers whether it is asked, `needed` whether an
 * answer is.
 */
export const FORMS = {
  receive: {
    pack: true,
    kind: "pallet_received",
    subject: "pallet",
    cautions: ["lift_limit", "count_before_signing", "stack_limit"],
    fields: [
      { name: "modules_counted", type: "number", least: 0, most: 200, needed: () => true, expect: palletCount },
      { name: "condition", type: "choice", options: CONDITIONS, good: ["sound"], needed: () => true },
      { name: "photos", type: "photos", needed: (given) => given.condition && given.condition !== "sound" },
      { name: "stands", type: "text" },
      { name: "note", type: "text" },
    ],
  },
  open_pallet: {
    pack: true,
    kind: "pallet_opened",
    subject: "pallet",
    cautions: ["tipping", "loose_limit", "two_people"],
    fields: [
      { name: "first_checks", type: "checks", options: ["strap_side", "level_ground", "propped", "class_agrees", "no_glass_broken"], all: true, needed: () => true },
      { name: "condition", type: "choice", options: ["sound", "damaged"], good: ["sound"], needed: () => true },
      { name: "photos", type: "photos", needed: (given) => given.condition === "damaged" },
      { name: "note", type: "text" },
    ],
  },
  inspect: {
    pack: true,
    kind: "module_inspected",
    subject: "module",
    cautions: ["live_in_light", "broken_glass", "two_people"],
    fields: [
      { name: "defects", type: "defects" },
      { name: "photos", type: "photos", needed: (given) => (given.defects || []).length > 0 },
      { name: "note", type: "text" },
    ],
  },
  torque: {
    pack: true,
    kind: "torque_checked",
    subject: "structure",
    cautions: ["wind_and_steps", "height"],
    fields: [
      { name: "way", type: "choice", options: ["wrench_value", "witnessed_sample"], needed: () => true },
      { name: "tool", type: "line", needed: () => true },
      { name: "torque_nm", type: "number", unit: "N·m", us: ["lbf·ft", 1.3558179483], least: 0, most: 500, needed: () => true, range: torqueRange },
      { name: "bolts_checked", type: "number", least: 1, most: 10000, needed: () => true },
      { name: "bolts_below", type: "number", least: 0, most: 10000, needed: (given) => given.way === "witnessed_sample", when: (given) => given.way === "witnessed_sample" },
      { name: "note", type: "text" },
    ],
  },
  connect: {
    pack: true,
    kind: "string_connected",
    subject: "string",
    cautions: ["no_load_break", "live_in_light", "licensed"],
    fields: [
      { name: "connecting_checks", type: "checks", options: ["same_make", "latched", "dry_clean", "leads_tied", "polarity_marked", "ends_capped"], all: true, needed: () => true },
      { name: "bonding", type: "choice", options: ["bonded_all", "bonded_part", "bonded_not"], good: ["bonded_all"], needed: () => true },
      { name: "photos", type: "photos" },
      { name: "note", type: "text", needed: (given) => given.bonding && given.bonding !== "bonded_all" },
    ],
  },
  defect: {
    pack: true,
    kind: "defect_reported",
    subject: "any",
    cautions: ["broken_glass"],
    fields: [
      { name: "severity", type: "choice", options: ["danger", "repair", "watch"], bad: ["danger"], needed: () => true },
      { name: "what", type: "text", needed: () => true },
      { name: "photos", type: "photos", needed: () => true },
    ],
  },
  incident: {
    pack: true,
    kind: "incident_reported",
    subject: "any",
    cautions: ["people_first"],
    fields: [
      { name: "incident_kind", type: "choice", options: ["dropped", "storm", "fire", "person_hurt", "theft", "other"], bad: ["fire", "person_hurt"], needed: () => true },
      { name: "what", type: "text", needed: () => true },
      { name: "serials", type: "serials" },
      { name: "photos", type: "photos" },
    ],
  },
  clean: {
    pack: true,
    kind: "cleaning_done",
    subject: "structure",
    cautions: ["no_hot_glass", "broken_glass", "wind_and_steps"],
    fields: [
      { name: "method", type: "choice", options: ["dry_brush", "water_brush", "machine"], needed: () => true },
      { name: "agent", type: "choice", options: ["no_agent", "mild_agent"], needed: (given) => given.method !== "dry_brush", when: (given) => given.method && given.method !== "dry_brush" },
      { name: "pressure_bar", type: "number", unit: "bar", us: ["psi", 0.0689475729], least: 0, most: 200, needed: (given) => given.method === "machine", when: (given) => given.method === "machine", range: pressureRange },
      { name: "time_of_day", type: "advice" },
      { name: "note", type: "text" },
    ],
  },
  talk: {
    pack: false,
    kind: "talk_held",
    subject: "day",
    cautions: [],
    fields: [
      { name: "topics", type: "checks", options: ["live_in_light", "two_people", "wind_and_steps", "height", "lift_limit", "heat", "no_load_break"], needed: () => true },
      { name: "present", type: "text", needed: () => true },
      { name: "note", type: "text" },
    ],
  },
};

function palletCount(app, subject) {
  const { pack } = app.session;
  const number = pack.palletIndex.get(subject);
  return number === undefined ? null : pack.pallets.modules[number];
}

/** The clamp torque of the module types on a structure: from and to [N·m]; null when unknown. */
function torqueRange(app, subject) {
  const { pack } = app.session;
  const structure = pack.structures.indexOf(subject);
  if (structure < 0) return null;
  let [least, most] = [-Infinity, Infinity];
  pack.stringOf.forEach((string, position) => {
    if (pack.structureOf[position] !== structure) return;
    const type = pack.typeOfString(string);
    least = Math.max(least, type.torque_min_nm);
    most = Math.min(most, type.torque_max_nm);
  });
  return Number.isFinite(least) ? [least, most] : null;
}

/** Water pressure at the glass: 35 bar at most, common practice; the maker's instructions decide. */
function pressureRange() {
  return [0, 35];
}

export async function form(app, name, asked = "") {
  const held = FORMS[name];
  const first = cautionsFirst(app, name, held.cautions);
  if (first) return first;
  const box = h("div", { class: "form" });
  const subject = { value: asked, how: asked ? "chosen" : "", level: "good", detail: "" };
  if (held.subject === "day") {
    subject.value = new Date(app.session.trueNow()).toISOString().slice(0, 10);
  }
  const draw = () => {
    if (!subject.value) fill(box, ...askSubject(app, held, (found) => { Object.assign(subject, found); draw(); }));
    else fill(box, ...questions(app, name, held, subject, () => { subject.value = held.subject === "day" ? subject.value : ""; app.show(); }));
  };
  draw();
  return box;
}

function askSubject(app, held, found) {
  const { pack } = app.session;
  const told = h("div", { class: "told", "aria-live": "polite" });
  const parts = [h("p", { class: "large" }, app.t(`which_${held.subject}`))];
  if (held.subject === "structure" || held.subject === "string") {
    const names = held.subject === "structure" ? pack.structures : pack.strings.string;
    const list = h("div", { class: "list" });
    const input = h("input", { type: "search", class: "code", autocomplete: "off", placeholder: app.t(`which_${held.subject}`), "aria-label": app.t(`which_${held.subject}`) });
    const done = new Set(app.session.state.ofKind(held.kind).map((entry) => entry.subject));
    const draw = () => {
      const wanted = input.value.trim().toUpperCase();
      const shown = names.filter((one) => one.toUpperCase().includes(wanted)).sort((one, two) => done.has(one) - done.has(two)).slice(0, 40);
      fill(list, 
        ...shown.map((one) =>
          h("button", { type: "button", class: `row-button ${done.has(one) ? "good" : "none"}`, onclick: () => found({ value: one, how: "chosen" }) }, h("strong", {}, one), h("span", { class: "state" }, done.has(one) ? app.t("done") : "")),
        ),
      );
    };
    input.addEventListener("input", draw);
    draw();
    return [...parts, input, list];
  }
  const taken = (text, how) => {
    if (held.subject === "pallet") {
      const pallet = normalPallet(text);
      if (pack.palletIndex.has(pallet)) {
        signal("good");
        found({ value: pallet, how, level: "good", detail: "" });
        return;
      }
      if (looksLikeSscc(text) && !ssccFits(text)) {
        signal("bad");
        fill(told, verdictPanel("bad", app.t("check_digit_wrong"), pallet));
        return;
      }
      signal("ask");
      fill(told, 
        verdictPanel("ask", app.t("pallet_unknown"), pallet),
        bigButton(app.t("go_on_anyway"), () => found({ value: pallet, how, level: "ask", detail: "pallet_unknown" }), "plain", { id: "go-on-anyway" }),
      );
      return;
    }
    const { serial, known } = serialIn(text, pack);
    if (known || held.subject === "any") {
      signal("good");
      found({ value: serial, how, level: "good", detail: "" });
      return;
    }
    signal("bad");
    fill(told, 
      verdictPanel("bad", app.t("judge_unknown"), serial),
      bigButton(app.t("go_on_anyway"), () => found({ value: serial, how, level: "bad", detail: "unknown" }), "plain", { id: "go-on-anyway" }),
    );
  };
  const box = scanBox(app, {
    onCode: taken,
    label: app.t(`which_${held.subject}`),
    serials: held.subject !== "pallet",
    knows: (text) => (held.subject === "pallet" ? pack.palletIndex.has(normalPallet(text)) : pack.moduleIndex(serialIn(text, pack).serial) >= 0),
  });
  parts.push(told, box.element);
  if (held.subject === "any") {
    parts.push(
      bigButton(app.t("whole_site"), () => found({ value: pack.site.name, how: "chosen" }), "plain", { id: "whole-site" }),
    );
  }
  return parts;
}

function subjectKind(app, held, value) {
  if (held.subject !== "any") return held.subject;
  const { pack } = app.session;
  if (value === pack.site.name) return "site";
  if (pack.moduleIndex(value) >= 0) return "module";
  if (pack.palletIndex.has(value)) return "pallet";
  if (pack.stringIndex.has(value)) return "string";
  return "place";
}

function questions(app, name, held, subject, again) {
  const given = {};
  const photos = new Map();
  const wrong = h("div", { class: "told", "aria-live": "assertive" });
  const list = h("div", { class: "questions" });
  const parts = new Map();
  const look = () => {
    for (const field of held.fields) {
      const element = parts.get(field.name);
      if (element) element.hidden = Boolean(field.when && !field.when(given));
    }
  };
  for (const field of held.fields) {
    const element = question(app, field, { given, subject, photos, look });
    parts.set(field.name, element);
    list.append(element);
  }
  look();
  const save = async () => {
    const missing = held.fields.filter((field) => {
      if (field.when && !field.when(given)) return false;
      if (!field.needed || !field.needed(given)) return false;
      if (field.type === "photos") return !photos.get(field.name).count();
      const value = given[field.name];
      if (field.all) return !value || value.length < field.options.length;
      return value === undefined || value === "" || (Array.isArray(value) && !value.length);
    });
    if (missing.length) {
      signal("ask");
      fill(wrong, verdictPanel("ask", app.t("still_missing"), missing.map((field) => app.t(`ask_${field.name}`)).join(", ")));
      wrong.scrollIntoView({ block: "nearest" });
      return;
    }
    const body = { read_by: subject.how };
    for (const field of held.fields) {
      if (field.when && !field.when(given)) continue;
      if (field.type !== "photos" && given[field.name] !== undefined && given[field.name] !== "") body[field.name] = given[field.name];
    }
    if (subject.detail) Object.assign(body, { open_point: true, judgement: subject.detail });
    if (name === "inspect") body.result = inspectionResult(app, given.defects || []);
    const files = [...photos.values()].flatMap((one) => one.files());
    const named = [...photos.values()].flatMap((one) => one.named());
    if (named.length) body.files = named;
    const range = held.fields.find((field) => field.range && body[field.name] !== undefined);
    const limits = range ? range.range(app, subject.value) : null;
    const outside = limits && (body[range.name] < limits[0] || body[range.name] > limits[1]);
    if (outside) Object.assign(body, { open_point: true, outside: range.name, range: limits });
    const counted = held.fields.find((field) => field.expect && body[field.name] !== undefined);
    const listed = counted ? counted.expect(app, subject.value) : null;
    const differs = listed !== null && body[counted.name] !== listed;
    if (differs) Object.assign(body, { open_point: true, modules_listed: listed });
    const bad = held.fields.some((field) => field.good && body[field.name] !== undefined && !field.good.includes(body[field.name]));
    if (bad) body.open_point = true;
    const made = await app.enter(
      [{ kind: held.kind, subject_kind: subjectKind(app, held, subject.value), subject: subject.value, body }],
      files,
    );
    if (!made) return;
    const level = outside || body.result === "apart" ? "bad" : body.open_point || body.result === "ask" ? "ask" : "good";
    signal(level);
    fill(list.parentElement, 
      verdictPanel(
        level,
        outside
          ? app.t("outside_range", { from: limits[0], to: limits[1] })
          : body.result
            ? app.t(`result_${body.result}`)
            : app.t(body.open_point ? "kept_open_point" : "kept"),
        subject.value,
        differs ? app.t("count_differs", { n: listed }) : "",
        outside || body.result ? app.t("kept") : "",
      ),
      h("div", { class: "foot" }, bigButton(app.t("next_one"), again, "first", { id: "next-one" }), bigButton(app.t("home"), () => app.go("/"), "plain")),
    );
  };
  return [
    h("p", { class: "large", id: "subject" }, subject.value),
    subject.detail ? verdictPanel(subject.level, app.t(subject.detail === "unknown" ? "judge_unknown" : subject.detail)) : null,
    list,
    wrong,
    h("div", { class: "foot" }, bigButton(app.t("keep"), save, "first", { id: "keep" })),
  ].filter(Boolean);
}

/** What follows from the defects of a module: apart, to be asked about, or sound. */
function inspectionResult(app, defects) {
  const classes = new Map(app.session.pack.site.items.map(([key, , kind]) => [key, kind]));
  const found = defects.map((key) => classes.get(key));
  if (found.includes("critical")) return "apart";
  return found.includes("major") ? "ask" : "sound";
}

function question(app, field, { given, subject, photos, look }) {
  const set = (value) => {
    if (value === undefined || (typeof value === "number" && Number.isNaN(value))) delete given[field.name];
    else given[field.name] = value;
    look();
  };
  const label = app.t(`ask_${field.name}`);
  if (field.type === "choice") {
    return group(
      label,
      choices(
        field.options.map((value) => ({
          value,
          word: app.t(`option_${value}`),
          level: (field.bad || []).includes(value) ? "bad" : (field.good || []).includes(value) ? "good" : "",
        })),
        undefined,
        set,
        { label },
      ),
    );
  }
  if (field.type === "checks") {
    return group(
      label,
      choices(field.options.map((value) => ({ value, word: app.t(app.words.has(`option_${value}`) ? `option_${value}` : `caution_${value}`) })), [], set, { many: true, label }),
    );
  }
  if (field.type === "defects") {
    const parts = new Map();
    for (const [key, part, kind] of app.session.pack.site.items) {
      if (!parts.has(part)) parts.set(part, []);
      parts.get(part).push({ value: key, word: app.t(`defect_${key.replaceAll("-", "_")}`), level: kind === "critical" ? "bad" : "" });
    }
    const chosen = new Map();
    return group(
      label,
      [...parts].map(([part, options]) =>
        h(
          "details",
          {},
          h("summary", {}, app.t(`part_${part.replaceAll(" ", "_")}`)),
          choices(options, [], (values) => { chosen.set(part, values); set([...chosen.values()].flat()); }, { many: true, label: part }),
        ),
      ),
    );
  }
  if (field.type === "photos") {
    const made = photoField(app, label);
    photos.set(field.name, made);
    return h("div", { class: "question" }, made.element);
  }
  if (field.type === "serials") return group(label, serialsField(app, set));
  if (field.type === "advice") return advice(app, set);
  if (field.type === "number") return numberField(app, field, { label, set, subject });
  if (field.type === "line") {
    const line = h("input", { type: "text", maxLength: 60, class: "code", autocomplete: "off", "aria-label": label, id: field.name, oninput: () => set(line.value.trim() || undefined) });
    return group(label, line);
  }
  const input = h("textarea", { rows: 2, maxLength: 2000, class: "text", "aria-label": label, oninput: () => set(input.value.trim() || undefined) });
  return group(label, input);
}

function group(label, ...content) {
  return h("div", { class: "question" }, h("p", { class: "label" }, label), content);
}

function numberField(app, field, { label, set, subject }) {
  const us = app.session.profile && app.session.profile.units === "us" && field.us;
  const factor = us ? field.us[1] : 1;
  const told = h("p", { class: "told", "aria-live": "polite" });
  const input = h("input", { type: "text", inputmode: "decimal", class: "number", autocomplete: "off", "aria-label": label, id: field.name });
  const limits = field.range ? field.range(app, subject.value) : null;
  input.addEventListener("input", () => {
    const value = numberIn(input.value) * factor;
    const possible = value >= field.least && value <= field.most;
    input.setAttribute("aria-invalid", String(input.value.trim() !== "" && !possible));
    set(possible ? Number(value.toPrecision(12)) : undefined);
    told.textContent = "";
    if (!possible) return;
    if (limits && (value < limits[0] || value > limits[1])) told.textContent = app.t("outside_range", { from: app.words.number(limits[0] / factor, 0), to: app.words.number(limits[1] / factor, 0) });
    const wanted = field.expect ? field.expect(app, subject.value) : null;
    if (wanted !== null && value !== wanted) told.textContent = app.t("count_differs", { n: wanted });
  });
  const hint = limits ? app.t("range", { from: app.words.number(limits[0] / factor, 0), to: app.words.number(limits[1] / factor, 0) }) : "";
  return group(label, h("span", { class: "with-unit" }, input, h("span", {}, us ? field.us[0] : field.unit || "")), hint ? h("p", { class: "small" }, hint) : null, told);
}

function serialsField(app, set) {
  const { pack } = app.session;
  const held = [];
  const list = h("ul", {});
  const box = scanBox(app, {
    onCode: (text) => {
      const { serial, known } = serialIn(text, pack);
      if (!serial || held.includes(serial)) return;
      held.push(serial);
      signal(known ? "good" : "ask");
      set([...held]);
      fill(list, ...held.map((one) => h("li", {}, one)));
    },
    knows: (text) => pack.moduleIndex(serialIn(text, pack).serial) >= 0,
  });
  return [box.element, list];
}

/** Advice on the time of day: glass that is hot and water that is cold do not go together. */
function advice(app, set) {
  const zone = app.session.pack.site.time_zone;
  const hour = Number(new Date(app.session.trueNow()).toLocaleString("en-GB", { timeZone: zone, hour: "2-digit", hour12: false }));
  const hot = hour >= 9 && hour < 18;
  set(hot ? "sunny_hours" : "cool_hours");
  return h("div", { class: "question" }, verdictPanel(hot ? "ask" : "good", app.t(hot ? "clean_hot" : "clean_cool")));
}
