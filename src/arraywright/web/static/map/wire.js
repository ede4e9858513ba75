// @ts-check
// Typed arrays from one little-endian message; docs/map.md describes it.

/** @typedef {Uint8Array | Uint16Array | Uint32Array | Int32Array | Float32Array | Float64Array} AnyArray */
/** @typedef {{arrays: Record<string, AnyArray>, about: any}} Message */

const LITTLE = new Uint8Array(new Uint16Array([1]).buffer)[0] === 1;

/** @type {Record<string, any>} */
const KINDS = {
  u1: Uint8Array,
  u2: Uint16Array,
  u4: Uint32Array,
  i4: Int32Array,
  f4: Float32Array,
  f8: Float64Array,
};

/**
 * Unpack a message.
 * @param {ArrayBuffer} buffer
 * @returns {Message}
 */
export function unpackArrays(buffer) {
  const bytes = new Uint8Array(buffer);
  const view = new DataView(buffer);
  if (buffer.byteLength < 8 || String.fromCharCode(...bytes.subarray(0, 4)) !== "AWA1") {
    throw new Error("no message of arrays");
  }
  const end = 8 + view.getUint32(4, true);
  const about = JSON.parse(new TextDecoder().decode(bytes.subarray(8, end)));
  /** @type {Record<string, AnyArray>} */
  const arrays = {};
  for (const held of about.arrays) {
    const Kind = KINDS[held.type];
    const size = Kind.BYTES_PER_ELEMENT;
    let start = end + held.start;
    let source = buffer;
    if (!LITTLE && size > 1) {
      source = buffer.slice(start, start + held.count * size);
      new Uint8Array(source).forEach((_, place, all) => {
        if (place % size === 0) all.subarray(place, place + size).reverse();
      });
      start = 0;
    }
    arrays[held.name] = new Kind(source, start, held.count);
  }
  return { arrays, about };
}

/**
 * Fetch a message.
 * @param {string} path
 * @param {AbortSignal} [signal]
 * @returns {Promise<Message & {tag: string, asOf: string, renewing: boolean}>}
 */
export async function fetchArrays(path, signal) {
  const answer = await fetch(path, { signal, credentials: "same-origin" });
  if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
  const message = unpackArrays(await answer.arrayBuffer());
  const tag = (answer.headers.get("etag") || "").replace(/^W\//, "").replaceAll('"', "");
  return {
    ...message,
    tag: message.about.tag || tag,
    asOf: answer.headers.get("arraywright-as-of") || "",
    renewing: answer.headers.get("arraywright-renewing") === "?1",
  };
}

/**
 * Fetch JSON.
 * @param {string} path
 * @param {AbortSignal} [signal]
 * @returns {Promise<any>}
 */
export async function fetchJson(path, signal) {
  const answer = await fetch(path, { signal, credentials: "same-origin" });
  const told = await answer.json();
  if (!answer.ok) throw new Error(told?.error?.message || `${path}: ${answer.status}`);
  return told;
}
