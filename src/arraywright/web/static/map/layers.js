// @ts-check
// Rectangles on the graphics unit, in groups of ground so that only what is near is drawn.

import { twgl } from "./library.js";

const GROUPS_A_SIDE = 24;
const FIGURES = 6;
/** So many modules out of view are drawn rather than a further call made. */
const RUN_GAP = 60;

/** One list of corners for all layers: two triangles for each rectangle. */
export class Corners {
  /** @param {WebGL2RenderingContext} gl */
  constructor(gl) {
    this.gl = gl;
    this.buffer = gl.createBuffer();
    this.count = 0;
  }

  /**
   * Make the list long enough; called while no vertex array is bound.
   * @param {number} count rectangles
   */
  reach(count) {
    if (count <= this.count) return;
    this.count = Math.max(count, 2 * this.count, 4096);
    const list = new Uint32Array(6 * this.count);
    for (let row = 0, at = 0, corner = 0; row < this.count; row += 1, at += 6, corner += 4) {
      list[at] = corner;
      list[at + 1] = corner + 1;
      list[at + 2] = corner + 2;
      list[at + 3] = corner + 2;
      list[at + 4] = corner + 1;
      list[at + 5] = corner + 3;
    }
    const { gl } = this;
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, this.buffer);
    gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, list, gl.STATIC_DRAW);
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, null);
  }
}

/** Rectangles with one code each. */
export class Layer {
  /**
   * @param {WebGL2RenderingContext} gl
   * @param {any} program
   * @param {Corners} corners
   * @param {Float32Array} ground centre and half sides, six figures each
   */
  constructor(gl, program, corners, ground) {
    this.gl = gl;
    this.count = ground.length / FIGURES;
    /** @type {Uint8Array | null} */
    this.codes = null;
    const spread = new Float32Array(4 * ground.length);
    for (let row = 0; row < this.count; row += 1) {
      const from = row * FIGURES;
      for (let corner = 0; corner < 4; corner += 1) {
        const to = (4 * row + corner) * FIGURES;
        for (let figure = 0; figure < FIGURES; figure += 1) {
          spread[to + figure] = ground[from + figure];
        }
      }
    }
    const stride = 4 * FIGURES;
    this.buffers = twgl.createBufferInfoFromArrays(gl, {
      centre: { numComponents: 2, data: spread, stride },
      code: {
        numComponents: 1,
        data: new Uint8Array(4 * this.count),
        normalize: false,
        drawType: gl.DYNAMIC_DRAW,
      },
    });
    this.buffers.attribs.sides = { ...this.buffers.attribs.centre, numComponents: 4, offset: 8 };
    corners.reach(this.count);
    this.buffers.indices = corners.buffer;
    this.vao = twgl.createVertexArrayInfo(gl, program, this.buffers);
  }

  /** @param {Uint8Array} codes one for each rectangle */
  colour(codes) {
    if (this.codes === codes) return;
    const spread = new Uint8Array(4 * codes.length);
    for (let row = 0; row < codes.length; row += 1) spread.fill(codes[row], 4 * row, 4 * row + 4);
    twgl.setAttribInfoBufferFromArray(this.gl, this.buffers.attribs.code, spread);
    this.codes = codes;
  }

  /**
   * Draw rectangles from one to before another.
   * @param {number} first
   * @param {number} end
   */
  draw(first, end) {
    if (end <= first) return;
    const { gl } = this;
    gl.bindVertexArray(this.vao.vertexArrayObject);
    gl.drawElements(gl.TRIANGLES, 6 * (end - first), gl.UNSIGNED_INT, 24 * first);
    gl.bindVertexArray(null);
  }

  drop() {
    const { gl } = this;
    gl.deleteBuffer(this.buffers.attribs.centre.buffer);
    gl.deleteBuffer(this.buffers.attribs.code.buffer);
    gl.deleteVertexArray(this.vao.vertexArrayObject);
  }
}

/**
 * Runs of strings of a tile that a part of the site may touch, as runs of their modules: first and
 * end, one after the other. Runs that are close are drawn as one.
 * @param {import("./site.js").Tile} tile
 * @param {[number, number, number, number]} part
 * @returns {number[]}
 */
export function runsOfTile(tile, part) {
  const { edges, first } = tile;
  /** @type {number[]} */
  const out = [];
  for (let place = 0, at = 0; place < tile.strings.length; place += 1, at += 4) {
    const outside =
      edges[at] > part[2] ||
      edges[at + 2] < part[0] ||
      edges[at + 1] > part[3] ||
      edges[at + 3] < part[1];
    if (outside) continue;
    if (out.length && first[place] - out[out.length - 1] <= RUN_GAP) {
      out[out.length - 1] = first[place + 1];
    } else {
      out.push(first[place], first[place + 1]);
    }
  }
  return out;
}

/** The ground of strings, in the order of groups of ground. */
export class Groups {
  /**
   * @param {Float32Array} ground
   * @param {[number, number, number, number]} bounds
   */
  constructor(ground, bounds) {
    const count = ground.length / FIGURES;
    this.left = bounds[0];
    this.low = bounds[1];
    this.wide = Math.max(bounds[2] - bounds[0], 1) / GROUPS_A_SIDE;
    this.high = Math.max(bounds[3] - bounds[1], 1) / GROUPS_A_SIDE;
    const group = new Uint32Array(count);
    this.first = new Uint32Array(GROUPS_A_SIDE * GROUPS_A_SIDE + 1);
    this.reachX = 0;
    this.reachY = 0;
    for (let row = 0, at = 0; row < count; row += 1, at += FIGURES) {
      const column = this.#side(ground[at] - this.left, this.wide);
      const line = this.#side(ground[at + 1] - this.low, this.high);
      group[row] = line * GROUPS_A_SIDE + column;
      this.first[group[row] + 1] += 1;
      const right = Math.abs(ground[at + 2]) + Math.abs(ground[at + 4]);
      const up = Math.abs(ground[at + 3]) + Math.abs(ground[at + 5]);
      this.reachX = Math.max(this.reachX, right);
      this.reachY = Math.max(this.reachY, up);
    }
    for (let at = 1; at < this.first.length; at += 1) this.first[at] += this.first[at - 1];
    const next = this.first.slice();
    this.order = new Uint32Array(count);
    for (let row = 0; row < count; row += 1) {
      this.order[next[group[row]]] = row;
      next[group[row]] += 1;
    }
    this.ground = new Float32Array(ground.length);
    this.order.forEach((row, place) => {
      this.ground.set(ground.subarray(row * FIGURES, (row + 1) * FIGURES), place * FIGURES);
    });
  }

  /**
   * @param {number} away
   * @param {number} size
   */
  #side(away, size) {
    return Math.min(Math.max(Math.floor(away / size), 0), GROUPS_A_SIDE - 1);
  }

  /**
   * Runs of rectangles that a part of the site may touch: first and end, one after the other.
   * @param {[number, number, number, number]} part
   * @returns {number[]}
   */
  runs(part) {
    const left = this.#side(part[0] - this.reachX - this.left, this.wide);
    const right = this.#side(part[2] + this.reachX - this.left, this.wide);
    const low = this.#side(part[1] - this.reachY - this.low, this.high);
    const top = this.#side(part[3] + this.reachY - this.low, this.high);
    /** @type {number[]} */
    const out = [];
    for (let line = low; line <= top; line += 1) {
      const first = this.first[line * GROUPS_A_SIDE + left];
      const end = this.first[line * GROUPS_A_SIDE + right + 1];
      if (end <= first) continue;
      if (out.length && out[out.length - 1] === first) out[out.length - 1] = end;
      else out.push(first, end);
    }
    return out;
  }
}
