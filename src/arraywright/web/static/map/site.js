// @ts-check
// The site's layout in the browser: ground of strings, tiles of modules, what lies where.

import { fetchArrays, fetchJson } from "./wire.js";

const API = "/api/v1/map";
const TILES_KEPT = 72;

/**
 * @typedef {object} Tile
 * @property {number} number
 * @property {Uint32Array} strings rows of its strings
 * @property {Uint32Array} first first module of each string within the tile, and the count
 * @property {Float32Array} edges least x and y, greatest x and y of each string [m]
 * @property {Float32Array} ground centre and half sides of each module, six figures each [m]
 * @property {Uint8Array | null} codes what each module is, in the colouring `colouring`
 * @property {string} colouring the colouring and its tag
 * @property {number} used when it was last drawn
 */

export class SiteLayout {
  /** @param {import("./wire.js").Message} message */
  constructor(message) {
    const { arrays, about } = message;
    /** @type {[number, number, number, number]} */
    this.bounds = about.bounds;
    this.origin = about.origin;
    this.strings = about.strings;
    this.modules = about.modules;
    this.tiles = about.tiles;
    this.boxString = /** @type {Uint32Array} */ (arrays.string);
    this.stringModules = /** @type {Uint16Array} */ (arrays.modules);
    this.tileBounds = /** @type {Float32Array} */ (arrays.tile_bounds);
    this.moduleShapes = /** @type {Float32Array} */ (arrays.module_shapes);
    this.ground = laidOut(arrays.x, arrays.y, arrays.shapes, arrays.shape);
    this.moduleShort = shortestSide(this.moduleShapes);
    /** @type {string[] | null} */
    this.names = null;
    /** @type {Map<number, Tile>} */
    this.loaded = new Map();
    /** @type {Set<number>} */
    this.asked = new Set();
    /** @type {Uint32Array | null} */
    this.firstBox = null;
    /** @type {Map<number, [number, number]>} */
    this.places = new Map();
  }

  static async load() {
    return new SiteLayout(await fetchArrays(`${API}/boxes`));
  }

  async loadNames() {
    this.names = await fetchJson(`${API}/names`);
    return this.names;
  }

  /** @param {number} row */
  name(row) {
    return this.names ? this.names[row] : "";
  }

  /** @param {string} name */
  rowOf(name) {
    return this.names ? this.names.indexOf(name) : -1;
  }

  /**
   * Tiles that a part of the site touches.
   * @param {[number, number, number, number]} part
   */
  tilesIn(part) {
    const found = [];
    const held = this.tileBounds;
    for (let tile = 0; tile < this.tiles; tile += 1) {
      const at = 4 * tile;
      if (
        held[at] <= part[2] &&
        held[at + 2] >= part[0] &&
        held[at + 1] <= part[3] &&
        held[at + 3] >= part[1]
      ) {
        found.push(tile);
      }
    }
    return found;
  }

  /**
   * Load a tile's modules and what they are; resolves to null when it is there or on its way already.
   * @param {number} number
   * @param {string} colouring
   * @param {string} tag changes when what modules are must be asked anew
   */
  async loadTile(number, colouring, tag) {
    const held = this.loaded.get(number);
    const key = `${colouring} ${tag}`;
    if (this.asked.has(number) || (held && held.colouring === key)) return null;
    this.asked.add(number);
    try {
      const [codes, message] = await Promise.all([
        fetchArrays(`${API}/values/${colouring}/tiles/${number}`),
        held ? null : fetchArrays(`${API}/tiles/${number}`),
      ]);
      const tile = held || this.#tile(number, /** @type {any} */ (message).arrays);
      tile.codes = /** @type {Uint8Array} */ (codes.arrays.code);
      tile.colouring = key;
      tile.used = performance.now();
      this.loaded.set(number, tile);
      return tile;
    } finally {
      this.asked.delete(number);
    }
  }

  /**
   * @param {number} number
   * @param {Record<string, any>} arrays
   * @returns {Tile}
   */
  #tile(number, arrays) {
    const first = new Uint32Array(arrays.count.length + 1);
    arrays.count.forEach((/** @type {number} */ count, /** @type {number} */ place) => {
      first[place + 1] = first[place] + count;
      this.places.set(arrays.string[place], [number, place]);
    });
    const ground = laidOut(arrays.x, arrays.y, this.moduleShapes, arrays.shape);
    return {
      number,
      strings: arrays.string,
      first,
      edges: edgesOf(first, ground),
      ground,
      codes: null,
      colouring: "",
      used: 0,
    };
  }

  /**
   * Give up tiles that were not drawn for longest; gives those given up.
   * @returns {Tile[]}
   */
  dropOld() {
    /** @type {Tile[]} */
    const out = [];
    if (this.loaded.size <= TILES_KEPT) return out;
    const oldest = [...this.loaded.values()].sort((one, other) => one.used - other.used);
    for (const tile of oldest.slice(0, this.loaded.size - TILES_KEPT)) {
      this.loaded.delete(tile.number);
      for (const string of tile.strings) this.places.delete(string);
      out.push(tile);
    }
    return out;
  }

  /**
   * The box at a place on the ground, -1 for none.
   * @param {number} x
   * @param {number} y
   * @param {number} reach how far beside it still counts [m]
   */
  boxAt(x, y, reach) {
    let best = -1;
    let least = Infinity;
    const held = this.ground;
    for (let at = 0, box = 0; at < held.length; at += 6, box += 1) {
      const away = distanceTo(held, at, x, y);
      if (away < least && away <= reach) {
        best = box;
        least = away;
      }
    }
    return best;
  }

  /**
   * The module of a string at a place: its place in the string from 0, -1 for none.
   * @param {number} string
   * @param {number} x
   * @param {number} y
   */
  moduleAt(string, x, y) {
    const [number, place] = this.places.get(string) || [-1, 0];
    const tile = this.loaded.get(number);
    if (!tile) return -1;
    for (let row = tile.first[place]; row < tile.first[place + 1]; row += 1) {
      if (distanceTo(tile.ground, 6 * row, x, y) <= 0) return row - tile.first[place];
    }
    return -1;
  }

  /**
   * Boxes of a string.
   * @param {number} string
   */
  boxesOf(string) {
    if (!this.firstBox) {
      const first = new Uint32Array(this.strings + 1);
      for (const held of this.boxString) first[held + 1] += 1;
      for (let row = 0; row < this.strings; row += 1) first[row + 1] += first[row];
      const next = first.slice();
      const order = new Uint32Array(this.boxString.length);
      this.boxString.forEach((held, box) => {
        order[next[held]] = box;
        next[held] += 1;
      });
      this.firstBox = first;
      this.boxOrder = order;
    }
    return /** @type {Uint32Array} */ (this.boxOrder).subarray(
      this.firstBox[string],
      this.firstBox[string + 1],
    );
  }

  /**
   * Bounds of strings [m].
   * @param {number[]} strings
   * @returns {[number, number, number, number]}
   */
  boundsOf(strings) {
    /** @type {[number, number, number, number]} */
    const out = [Infinity, Infinity, -Infinity, -Infinity];
    for (const string of strings) {
      for (const box of this.boxesOf(string)) {
        const at = 6 * box;
        const held = this.ground;
        const right = Math.abs(held[at + 2]) + Math.abs(held[at + 4]);
        const up = Math.abs(held[at + 3]) + Math.abs(held[at + 5]);
        out[0] = Math.min(out[0], held[at] - right);
        out[1] = Math.min(out[1], held[at + 1] - up);
        out[2] = Math.max(out[2], held[at] + right);
        out[3] = Math.max(out[3], held[at + 1] + up);
      }
    }
    return out;
  }

  /**
   * Boxes that touch a part of the site.
   * @param {[number, number, number, number]} part
   */
  boxesIn(part) {
    const found = [];
    const held = this.ground;
    for (let at = 0, box = 0; at < held.length; at += 6, box += 1) {
      const right = Math.abs(held[at + 2]) + Math.abs(held[at + 4]);
      const up = Math.abs(held[at + 3]) + Math.abs(held[at + 5]);
      if (
        held[at] - right <= part[2] &&
        held[at] + right >= part[0] &&
        held[at + 1] - up <= part[3] &&
        held[at + 1] + up >= part[1]
      ) {
        found.push(box);
      }
    }
    return found;
  }
}

/**
 * Centre and half sides of each box, six figures each.
 * @param {any} x
 * @param {any} y
 * @param {any} shapes
 * @param {any} shape
 */
function laidOut(x, y, shapes, shape) {
  const out = new Float32Array(6 * x.length);
  for (let row = 0, at = 0; row < x.length; row += 1, at += 6) {
    const from = 4 * shape[row];
    out[at] = x[row];
    out[at + 1] = y[row];
    out[at + 2] = shapes[from];
    out[at + 3] = shapes[from + 1];
    out[at + 4] = shapes[from + 2];
    out[at + 5] = shapes[from + 3];
  }
  return out;
}

/**
 * Edges of each string of a tile.
 * @param {Uint32Array} first
 * @param {Float32Array} ground
 */
function edgesOf(first, ground) {
  const out = new Float32Array(4 * (first.length - 1));
  for (let place = 0; place < first.length - 1; place += 1) {
    let [left, low, right, top] = [Infinity, Infinity, -Infinity, -Infinity];
    for (let at = 6 * first[place]; at < 6 * first[place + 1]; at += 6) {
      const wide = Math.abs(ground[at + 2]) + Math.abs(ground[at + 4]);
      const high = Math.abs(ground[at + 3]) + Math.abs(ground[at + 5]);
      left = Math.min(left, ground[at] - wide);
      right = Math.max(right, ground[at] + wide);
      low = Math.min(low, ground[at + 1] - high);
      top = Math.max(top, ground[at + 1] + high);
    }
    out.set([left, low, right, top], 4 * place);
  }
  return out;
}

/** @param {Float32Array} shapes */
function shortestSide(shapes) {
  let least = Infinity;
  for (let at = 0; at < shapes.length; at += 2) {
    const side = 2 * Math.hypot(shapes[at], shapes[at + 1]);
    if (side > 0.05) least = Math.min(least, side);
  }
  return Number.isFinite(least) ? least : 1;
}

/**
 * How far a place is outside a turned rectangle, 0 inside [m].
 * @param {Float32Array} held
 * @param {number} at
 * @param {number} x
 * @param {number} y
 */
function distanceTo(held, at, x, y) {
  const right = x - held[at];
  const up = y - held[at + 1];
  const along = Math.hypot(held[at + 2], held[at + 3]) || 1e-9;
  const facing = Math.hypot(held[at + 4], held[at + 5]) || 1e-9;
  const u = Math.abs(right * held[at + 2] + up * held[at + 3]) / along - along;
  const v = Math.abs(right * held[at + 4] + up * held[at + 5]) / facing - facing;
  return Math.hypot(Math.max(u, 0), Math.max(v, 0));
}
