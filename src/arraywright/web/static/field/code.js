// What a scanner, a keyboard or a label gives, brought to serials and pallet numbers.

const SYMBOLOGY = /^\][A-Za-z][0-9A-Za-z]/;
const GROUP = "\u001d";
const FIXED = { "00": 18, "01": 14, "02": 14, 11: 6, 13: 6, 15: 6, 17: 6, 20: 2 };

/** One spelling: no space, letters raised; as the server brings serials to one spelling. */
export function normalSerial(text) {
  return text.replace(/\s+/gu, "").toUpperCase();
}

/** One spelling of pallet numbers, the marks of an SSCC taken off. Source: gs1-gen-specs 3.3.1 */
export function normalPallet(text) {
  let held = normalSerial(text);
  if (held.startsWith("]C1")) held = held.slice(3);
  if (held.startsWith("(00)")) held = held.slice(4);
  return /^00[0-9]{18}$/.test(held) ? held.slice(2) : held;
}

/** Check digit of an SSCC: weights 3, 1, 3 ... from the right. Source: gs1-gen-specs 7.9.1 */
export function ssccFits(text) {
  const number = normalPallet(text);
  if (!/^[0-9]{18}$/.test(number)) return false;
  let sum = 0;
  for (let place = 0; place < 17; place += 1) {
    sum += Number(number[16 - place]) * (place % 2 === 0 ? 3 : 1);
  }
  return (10 - (sum % 10)) % 10 === Number(number[17]);
}

export function looksLikeSscc(text) {
  const raw = normalSerial(text);
  return /^(\]C1)?(\(00\)|00[0-9]{18}$)/.test(raw) || /^[0-9]{18}$/.test(normalPallet(text));
}

/** Read a GS1 element string; null when it is none. Keys are application identifiers. */
function elements(text) {
  const found = {};
  const bracketed = [...text.matchAll(/\(([0-9]{2,4})\)([^(]+)/g)];
  if (bracketed.length && text.startsWith("(")) {
    for (const [, key, value] of bracketed) found[key] = value;
    return found;
  }
  let rest = text;
  while (rest) {
    const key = rest.slice(0, 2);
    if (FIXED[key]) {
      const value = rest.slice(2, 2 + FIXED[key]);
      if (value.length < FIXED[key] || !/^[0-9]+$/.test(value)) return null;
      found[key] = value;
      rest = rest.slice(2 + FIXED[key]);
      if (rest.startsWith(GROUP)) rest = rest.slice(1);
    } else if (key === "10" || key === "21") {
      const end = rest.indexOf(GROUP);
      found[key] = end < 0 ? rest.slice(2) : rest.slice(2, end);
      rest = end < 0 ? "" : rest.slice(end + 1);
    } else return null;
  }
  return found;
}

/** Everything a code could mean, the likeliest first: itself, the serial of GS1 data or a link. */
export function candidates(text) {
  const bare = text.replace(SYMBOLOGY, "").trim();
  const out = [bare];
  const parts = elements(bare);
  if (parts && parts["21"]) out.unshift(parts["21"]);
  if (parts && parts["00"]) out.push(parts["00"]);
  const link = /^https?:\/\/\S*\/21\/([^/?#\s]+)/i.exec(bare);
  if (link) {
    try {
      out.unshift(decodeURIComponent(link[1]));
    } catch {
      out.unshift(link[1]);
    }
  }
  for (const piece of bare.split(/[\s;,|]+/)) if (piece.length > 5) out.push(piece);
  return [...new Set(out.map(normalSerial))].filter(Boolean);
}

/**
 * A serial out of a code: one the pack knows before one that only looks like one.
 *
 * @returns {{serial: string, known: boolean, fits: boolean}}
 */
export function serialIn(text, pack) {
  const all = candidates(text);
  for (const one of all)
    if (pack.moduleIndex(one) >= 0) return { serial: one, known: true, fits: true };
  for (const one of all) if (pack.inOthers(one)) return { serial: one, known: true, fits: true };
  for (const one of all)
    if (pack.fitsPattern(one)) return { serial: one, known: false, fits: true };
  return { serial: all[0] || "", known: false, fits: false };
}

/**
 * Whether what the camera read may be taken: the pack knows it, or the same was read twice running.
 *
 * A damaged label can give a wrong text that passes the code's own check; it is hardly ever another
 * serial of the list, and hardly ever the same wrong text twice.
 */
export class ReadGate {
  constructor() {
    this.last = "";
  }

  /** @returns the text to take, or an empty one */
  take(text, knows) {
    if (knows(text)) {
      this.last = "";
      return text;
    }
    const again = text === this.last;
    this.last = again ? "" : text;
    return again ? text : "";
  }
}

/** Serials that end like this, at most a few; for damaged labels. */
export function byEnding(ending, pack, most = 5) {
  const wanted = normalSerial(ending);
  const found = [];
  if (wanted.length < 3) return found;
  for (const serial of pack.serials) {
    if (serial.endsWith(wanted)) {
      found.push(serial);
      if (found.length >= most) break;
    }
  }
  return found;
}

/** Serials one slip of a finger away: one character wrong, two exchanged, one more or less. */
export function nearSerials(typed, pack, most = 3) {
  const wanted = normalSerial(typed);
  const found = [];
  for (const serial of pack.serials) {
    if (oneSlip(wanted, serial)) {
      found.push(serial);
      if (found.length >= most) break;
    }
  }
  return found;
}

function oneSlip(one, other) {
  const gap = one.length - other.length;
  if (gap < -1 || gap > 1 || one === other) return false;
  let place = 0;
  const least = Math.min(one.length, other.length);
  while (place < least && one[place] === other[place]) place += 1;
  if (gap === 1) return one.slice(place + 1) === other.slice(place);
  if (gap === -1) return one.slice(place) === other.slice(place + 1);
  if (one.slice(place + 1) === other.slice(place + 1)) return true;
  return (
    one[place] === other[place + 1] &&
    one[place + 1] === other[place] &&
    one.slice(place + 2) === other.slice(place + 2)
  );
}
