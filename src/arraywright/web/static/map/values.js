// @ts-check
// What every string is in one colouring, kept up to date by differences.

import { fetchArrays } from "./wire.js";

/**
 * @typedef {object} Category
 * @property {string} key
 * @property {string} name
 * @property {number | null} low
 * @property {number | null} high
 * @property {string} colour
 * @property {string} pattern
 * @property {string} sign
 * @property {number} rank
 * @property {number} strings
 * @property {number} modules
 */

export class Values {
  /** @param {Awaited<ReturnType<typeof fetchArrays>>} message */
  constructor(message) {
    this.name = /** @type {string} */ (message.about.colouring);
    this.unit = /** @type {string} */ (message.about.unit);
    this.codes = new Uint8Array(message.arrays.code);
    this.figures = message.arrays.value ? new Float32Array(message.arrays.value) : null;
    /** @type {Category[]} */
    this.categories = message.about.categories;
    this.tag = message.tag;
    this.asOf = message.asOf;
    this.renewing = message.renewing;
  }

  /** Whether the values are deviations, told with their sign. */
  get signed() {
    return this.name === "voc" || this.name === "isc";
  }

  /** @param {string} name */
  static async load(name) {
    return new Values(await fetchArrays(`/api/v1/map/values/${name}`));
  }

  /**
   * Ask for what changed; resolves to whether something did.
   * @returns {Promise<boolean>}
   */
  async refresh() {
    const since = encodeURIComponent(this.tag);
    const message = await fetchArrays(`/api/v1/map/values/${this.name}?since=${since}`);
    this.asOf = message.asOf;
    this.renewing = message.renewing;
    if (message.tag === this.tag) return false;
    const { arrays, about } = message;
    if (about.since === this.tag) {
      arrays.string.forEach((string, place) => {
        this.codes[string] = arrays.code[place];
        if (this.figures && arrays.value) this.figures[string] = arrays.value[place];
      });
    } else {
      this.codes = new Uint8Array(arrays.code);
      this.figures = arrays.value ? new Float32Array(arrays.value) : null;
    }
    this.categories = about.categories;
    this.tag = message.tag;
    return true;
  }
}
