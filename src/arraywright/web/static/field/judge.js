// The judgement at the scan: may this module go into this position, and what is wrong with it.

/** Reasons, the gravest first. The good ones are told, too. */
export const REASONS = [
  "foreign",
  "unknown",
  "recalled",
  "refused",
  "held",
  "apart",
  "placed_elsewhere",
  "wrong_type",
  "wrong_class",
  "other_block",
  "position_taken",
  "placed_here",
  "class_open",
  "waived_class",
  "not_as_planned",
  "good",
];
const BAD = new Set(REASONS.slice(0, REASONS.indexOf("position_taken")));
const ASK = new Set(["position_taken", "placed_here", "class_open"]);

function status(serial, pallet, { pack, state }) {
  const found = [];
  if (serial in pack.status.recalled || state.recalled.has(serial)) {
    found.push({
      code: "recalled",
      detail: pack.status.recalled[serial] || state.recalled.get(serial),
    });
  }
  const verdict = pack.status.pallets[pallet];
  if (verdict === "refuse") found.push({ code: "refused", detail: pallet });
  if (verdict === "hold") found.push({ code: "held", detail: pallet });
  if (serial in pack.status.apart || state.apart.has(serial)) {
    found.push({ code: "apart", detail: pack.status.apart[serial] || state.apart.get(serial) });
  }
  return found;
}

/** The class a string is built of: as planned, else that of most modules placed in it. */
export function classOfString(string, { pack, state }) {
  const planned = pack.strings.class[string];
  if (planned >= 0) return planned;
  const counts = new Map();
  for (const position of pack.inString.get(string) || []) {
    const module = pack.moduleIndex(state.serialAt(pack.positions[position]));
    if (module < 0 || pack.classOf[module] < 0) continue;
    counts.set(pack.classOf[module], (counts.get(pack.classOf[module]) || 0) + 1);
  }
  let best = -1;
  for (const [number, count] of counts) {
    if (best < 0 || count > counts.get(best) || (count === counts.get(best) && number < best)) {
      best = number;
    }
  }
  return best;
}

function fit(module, position, { pack, state }) {
  const string = pack.stringOf[position];
  const number = pack.classOf[module];
  const wanted = classOfString(string, { pack, state });
  const typeWanted = pack.typeOfString(string).key;
  const [type] = number >= 0 ? pack.site.classes[number] : [null];
  const is = pack.classShort(number);
  if (type !== typeWanted) return [{ code: "wrong_type", is: type || "?", wanted: typeWanted }];
  if (wanted < 0) return [{ code: "class_open", detail: is }];
  if (number === wanted) return [];
  const also = pack.strings.also[string];
  if (also.includes(number) && also.includes(wanted)) return [{ code: "waived_class", detail: is }];
  return [{ code: "wrong_class", is, wanted: pack.classShort(wanted) }];
}

/**
 * Judge a serial for a position.
 *
 * @returns level (good, ask, bad), code and detail of the worst reason, what it is and what is
 *   wanted where the class is wrong, and all reasons
 */
export function judge(serial, position, context) {
  const { pack, state } = context;
  const found = [];
  const module = pack.moduleIndex(serial);
  const here = pack.positions[position];
  if (module < 0) {
    if (pack.inOthers(serial)) found.push({ code: "other_block", detail: serial });
    else if (pack.fitsPattern(serial)) found.push({ code: "unknown", detail: serial });
    else found.push({ code: "foreign", detail: serial });
    found.push(...status(serial, "", context));
  } else {
    found.push(...status(serial, pack.palletOf[module], context));
    found.push(...fit(module, position, context));
    const fits = !found.some((one) => one.code === "wrong_class" || one.code === "wrong_type");
    if (fits && pack.planned[position] && pack.planned[position] !== serial) {
      found.push({ code: "not_as_planned", detail: pack.planned[position] });
    }
  }
  const places = state.where(serial);
  const far = places.filter((one) => one.position !== here);
  if (far.length) found.push({ code: "placed_elsewhere", detail: far[0].position });
  if (places.length > far.length) found.push({ code: "placed_here", detail: here });
  const other = state.at(here).find((one) => one.serial !== serial);
  if (other) found.push({ code: "position_taken", detail: other.serial });
  found.sort((one, two) => REASONS.indexOf(one.code) - REASONS.indexOf(two.code));
  const worst = found[0] || { code: "good", detail: "" };
  const level = BAD.has(worst.code) ? "bad" : ASK.has(worst.code) ? "ask" : "good";
  const { code, detail = "", is = "", wanted = "" } = worst;
  return { level, code, detail, is, wanted, reasons: found };
}

/** The next free position in building order, after one, turning round once; -1 when all is full. */
export function nextFree(from, { pack, state, within = null, skipped = new Set() }) {
  const total = pack.positions.length;
  for (let step = 1; step <= total; step += 1) {
    const place = (from + step) % total;
    if (within !== null && !within(place)) continue;
    if (skipped.has(pack.positions[place])) continue;
    if (!state.byPosition.has(pack.positions[place])) return place;
  }
  return -1;
}
