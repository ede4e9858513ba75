// The tasks that are a list of questions: what they ask, in which order, and what is entered.

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
      {
        name: "modules_counted",
        type: "number",
        least: 0,
        most: 200,
        needed: () => true,
        expect: palletCount,
      },
      {
        name: "condition",
        type: "choice",
        options: CONDITIONS,
        good: ["sound"],
        needed: () => true,
      },
      {
        name: "photos",
        type: "photos",
        needed: (given) => given.condition && given.condition !== "sound",
      },
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
      {
        name: "first_checks",
        type: "checks",
        options: ["strap_side", "level_ground", "propped", "class_agrees", "no_glass_broken"],
        all: true,
        needed: () => true,
      },
      {
        name: "condition",
        type: "choice",
        options: ["sound", "damaged"],
        good: ["sound"],
        needed: () => true,
      },
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
      {
        name: "way",
        type: "choice",
        options: ["wrench_value", "witnessed_sample"],
        needed: () => true,
      },
      { name: "tool", type: "line", needed: () => true },
      {
        name: "torque_nm",
        type: "number",
        unit: "N·m",
        us: ["lbf·ft", 1.3558179483],
        least: 0,
        most: 500,
        needed: () => true,
        range: torqueRange,
      },
      { name: "bolts_checked", type: "number", least: 1, most: 10000, needed: () => true },
      {
        name: "bolts_below",
        type: "number",
        least: 0,
        most: 10000,
        needed: (given) => given.way === "witnessed_sample",
        when: (given) => given.way === "witnessed_sample",
      },
      { name: "note", type: "text" },
    ],
  },
  connect: {
    pack: true,
    kind: "string_connected",
    subject: "string",
    cautions: ["no_load_break", "live_in_light", "licensed"],
    fields: [
      {
        name: "connecting_checks",
        type: "checks",
        options: [
          "same_make",
          "latched",
          "dry_clean",
          "leads_tied",
          "polarity_marked",
          "ends_capped",
        ],
        all: true,
        needed: () => true,
      },
      {
        name: "bonding",
        type: "choice",
        options: ["bonded_all", "bonded_part", "bonded_not"],
        good: ["bonded_all"],
        needed: () => true,
      },
      { name: "photos", type: "photos" },
      {
        name: "note",
        type: "text",
        needed: (given) => given.bonding && given.bonding !== "bonded_all",
      },
    ],
  },
  defect: {
    pack: true,
    kind: "defect_reported",
    subject: "any",
    cautions: ["broken_glass"],
    fields: [
      {
        name: "severity",
        type: "choice",
        options: ["danger", "repair", "watch"],
        bad: ["danger"],
        needed: () => true,
      },
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
      {
        name: "incident_kind",
        type: "choice",
        options: ["dropped", "storm", "fire", "person_hurt", "theft", "other"],
        bad: ["fire", "person_hurt"],
        needed: () => true,
      },
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
      {
        name: "method",
        type: "choice",
        options: ["dry_brush", "water_brush", "machine"],
        needed: () => true,
      },
      {
        name: "agent",
        type: "choice",
        options: ["no_agent", "mild_agent"],
        needed: (given) => given.method !== "dry_brush",
        when: (given) => given.method && given.method !== "dry_brush",
      },
      {
        name: "pressure_bar",
        type: "number",
        unit: "bar",
        us: ["psi", 0.0689475729],
        least: 0,
        most: 200,
        needed: (given) => given.method === "machine",
        when: (given) => given.method === "machine",
        range: pressureRange,
      },
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
      {
        name: "topics",
        type: "checks",
        options: [
          "live_in_light",
          "two_people",
          "wind_and_steps",
          "height",
          "lift_limit",
          "heat",
          "no_load_break",
        ],
        needed: () => true,
      },
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
