// Entries of the record as docs/record.md lays them down: canonical bytes, hash, UUID, signature.
// Nothing here touches the page, the network or the store.

export const FIRST_PREVIOUS_HASH = new Uint8Array(32);
export const DEVICE_INTRODUCED = "device_introduced";
export const MAX_BODY_BYTES = 1048576;
export const MAX_TEXT_CHARS = 500;

const ENTRY_TAG = "arraywright-entry-1";
const encoder = new TextEncoder();
const decoder = new TextDecoder("utf-8", { fatal: true });
const CONTROL = /[\u0000-\u001f\u007f-\u009f]/;
const UUID = /^[0-9a-f]{8}-[0-9a-f]{4}-8[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/;

/** An error that carries a key of the message catalogue. */
export class FieldError extends Error {
  constructor(code, message) {
    super(message || code);
    this.code = code;
  }
}

export function hex(bytes) {
  let text = "";
  for (const byte of bytes) text += byte.toString(16).padStart(2, "0");
  return text;
}

export function unhex(text) {
  const bytes = new Uint8Array(text.length / 2);
  for (let place = 0; place < bytes.length; place += 1) {
    bytes[place] = Number.parseInt(text.slice(2 * place, 2 * place + 2), 16);
  }
  return bytes;
}

export function base64(bytes) {
  let text = "";
  for (let start = 0; start < bytes.length; start += 0x8000) {
    text += String.fromCharCode(...bytes.subarray(start, start + 0x8000));
  }
  return btoa(text);
}

export function unbase64(text) {
  return Uint8Array.from(atob(text), (character) => character.charCodeAt(0));
}

/** Join parts (text or bytes) as netstrings: length, colon, bytes, comma. */
export function netstrings(parts) {
  const pieces = [];
  let size = 0;
  for (const part of parts) {
    const raw = typeof part === "string" ? encoder.encode(part) : part;
    const head = encoder.encode(`${raw.length}:`);
    pieces.push(head, raw, encoder.encode(","));
    size += head.length + raw.length + 1;
  }
  const joined = new Uint8Array(size);
  let place = 0;
  for (const piece of pieces) {
    joined.set(piece, place);
    place += piece.length;
  }
  return joined;
}

export async function sha256(bytes) {
  return new Uint8Array(await crypto.subtle.digest("SHA-256", bytes));
}

function sortedCopy(value) {
  if (Array.isArray(value)) return value.map(sortedCopy);
  if (value && typeof value === "object") {
    const sorted = {};
    for (const key of Object.keys(value).sort()) {
      if (value[key] !== undefined) sorted[key] = sortedCopy(value[key]);
    }
    return sorted;
  }
  if (typeof value === "number" && !Number.isFinite(value)) {
    throw new FieldError("number_not_finite");
  }
  return value;
}

/** Compact JSON in UTF-8 with sorted keys. */
export function jsonBody(fields) {
  return encoder.encode(JSON.stringify(sortedCopy(fields)));
}

export function bodyOf(entry) {
  return JSON.parse(decoder.decode(entry.body));
}

/** A moment as the record writes it; the clocks of phones give milliseconds. */
export function formatTime(milliseconds) {
  return `${new Date(milliseconds).toISOString().slice(0, 23)}000Z`;
}

export function timeOf(text) {
  return Date.parse(`${text.slice(0, 23)}Z`);
}

export async function entryHash(entry) {
  return sha256(
    netstrings([
      ENTRY_TAG,
      entry.device,
      String(entry.sequence),
      entry.person,
      entry.device_time,
      entry.kind,
      entry.subject_kind,
      entry.subject,
      entry.supersedes || "",
      entry.previous_hash,
      entry.body,
    ]),
  );
}

export function entryUuid(hash) {
  const digits = hex(hash.subarray(0, 16));
  const variant = "89ab"[Number.parseInt(digits[16], 16) & 3];
  return (
    `${digits.slice(0, 8)}-${digits.slice(8, 12)}-8${digits.slice(13, 16)}-` +
    `${variant}${digits.slice(17, 20)}-${digits.slice(20)}`
  );
}

function textWeakness(name, text) {
  if (typeof text !== "string") return `${name} is no text`;
  const length = [...text].length;
  if (length < 1 || length > MAX_TEXT_CHARS) return `${name} has ${length} characters`;
  if (CONTROL.test(text) || (text.isWellFormed && !text.isWellFormed()))
    return `${name} holds a control character`;
  if (text !== text.trim()) return `${name} begins or ends with a space`;
  return "";
}

/** Say what is wrong with what is to be entered; empty when nothing is. */
export function weakness(entry) {
  for (const name of ["person", "kind", "subject_kind", "subject"]) {
    const found = textWeakness(name, entry[name]);
    if (found) return found;
  }
  if (entry.supersedes && !UUID.test(entry.supersedes)) return "supersedes is no UUID";
  if (entry.body.length > MAX_BODY_BYTES) return "the body is too long";
  return "";
}

/** Tell whether this browser can sign; empty when it can, else a key of the catalogue. */
export async function signingTrouble() {
  if (!globalThis.isSecureContext || !globalThis.crypto || !crypto.subtle) return "needs_https";
  try {
    await crypto.subtle.generateKey({ name: "Ed25519" }, false, ["sign", "verify"]);
  } catch {
    return "needs_ed25519";
  }
  return "";
}

/** Make the key of this device; the private part cannot be read out again. */
export async function newDeviceKey() {
  const pair = await crypto.subtle.generateKey({ name: "Ed25519" }, false, ["sign", "verify"]);
  const raw = new Uint8Array(await crypto.subtle.exportKey("raw", pair.publicKey));
  return { device: hex(raw), privateKey: pair.privateKey, publicKey: pair.publicKey };
}

/** Make the entry that follows a tip: numbered, chained, hashed, signed. */
export async function signedEntry(fresh, { key, tip, person, now }) {
  const entry = {
    uuid: "",
    device: key.device,
    sequence: tip.sequence + 1,
    person,
    device_time: formatTime(now),
    kind: fresh.kind,
    subject_kind: fresh.subject_kind,
    subject: fresh.subject,
    supersedes: fresh.supersedes || null,
    body: fresh.body instanceof Uint8Array ? fresh.body : jsonBody(fresh.body),
    previous_hash: tip.hash,
    entry_hash: FIRST_PREVIOUS_HASH,
    signature: FIRST_PREVIOUS_HASH,
  };
  const wrong = weakness(entry);
  if (wrong) throw new FieldError("entry_not_possible", wrong);
  entry.entry_hash = await entryHash(entry);
  entry.uuid = entryUuid(entry.entry_hash);
  entry.signature = new Uint8Array(
    await crypto.subtle.sign({ name: "Ed25519" }, key.privateKey, entry.entry_hash),
  );
  return entry;
}

/** Verify one entry by itself: hash, UUID and signature. */
export async function verifies(entry) {
  const hash = await entryHash(entry);
  if (hex(hash) !== hex(entry.entry_hash) || entryUuid(hash) !== entry.uuid) return false;
  try {
    const key = await crypto.subtle.importKey(
      "raw",
      unhex(entry.device),
      { name: "Ed25519" },
      false,
      ["verify"],
    );
    return await crypto.subtle.verify({ name: "Ed25519" }, key, entry.signature, hash);
  } catch {
    return false;
  }
}

/** An entry as the exchange file and the protocol write it. */
export function entryAsJson(entry) {
  return {
    uuid: entry.uuid,
    device: entry.device,
    sequence: entry.sequence,
    person: entry.person,
    device_time: entry.device_time,
    kind: entry.kind,
    subject_kind: entry.subject_kind,
    subject: entry.subject,
    supersedes: entry.supersedes,
    body: base64(entry.body),
    previous_hash: hex(entry.previous_hash),
    entry_hash: hex(entry.entry_hash),
    signature: hex(entry.signature),
  };
}

export function entryFromJson(fields) {
  return {
    uuid: String(fields.uuid),
    device: String(fields.device),
    sequence: Number(fields.sequence),
    person: String(fields.person),
    device_time: String(fields.device_time),
    kind: String(fields.kind),
    subject_kind: String(fields.subject_kind),
    subject: String(fields.subject),
    supersedes: fields.supersedes || null,
    body: unbase64(fields.body),
    previous_hash: unhex(fields.previous_hash),
    entry_hash: unhex(fields.entry_hash),
    signature: unhex(fields.signature),
  };
}
