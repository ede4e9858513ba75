// @ts-check
// Draws the ground of strings and modules with the graphics unit, square by square.

import { Corners, Groups, Layer, runsOfTile } from "./layers.js";
import { twgl } from "./library.js";
import { PATTERNS, SIGNS, colourOf } from "./looks.js";
import { SQUARE_PX, Sheet } from "./pictures.js";
import { BOX_FRAGMENT, BOX_VERTEX, SIGN_FRAGMENT, SIGN_VERTEX } from "./shaders.js";

const SIGN_PX = 7;
const SIGN_LEAST_PX = 2.5;
/** Half of the gap between modules that is closed while it is narrower than a pixel [m]. */
const JOINT_M = 0.015;
/** Modules are drawn one by one from this many pixels of their shorter side on. */
export const MODULE_PX = 1.5;
/** After this long no further square is begun in a frame. */
const BUDGET_MS = 8;
/** Squares around the view that are drawn while nothing else is to do. */
const RING = 1;
/** Squares around the view that are kept. */
const KEPT_RING = 3;

/** @typedef {[number, number, number, number]} Part */

export class Painter {
  /**
   * @param {HTMLElement} host element whose children the squares become
   * @param {import("./site.js").SiteLayout} site
   * @param {() => void} lost called when the graphics unit has lost everything it was given
   */
  constructor(host, site, lost) {
    if (typeof OffscreenCanvas === "undefined") throw new Error("no WebGL 2");
    this.canvas = new OffscreenCanvas(SQUARE_PX, SQUARE_PX);
    this.canvas.addEventListener("webglcontextlost", lost, { once: true });
    const held = this.canvas.getContext("webgl2", { alpha: false, antialias: true, depth: true });
    if (!held) throw new Error("no WebGL 2");
    const gl = /** @type {WebGL2RenderingContext} */ (held);
    this.gl = gl;
    this.host = host;
    this.site = site;
    this.boxes = twgl.createProgramInfo(gl, [BOX_VERTEX, BOX_FRAGMENT]);
    this.signs = twgl.createProgramInfo(gl, [SIGN_VERTEX, SIGN_FRAGMENT]);
    this.looks = twgl.createTexture(gl, {
      width: 256,
      height: 2,
      minMag: gl.NEAREST,
      wrap: gl.CLAMP_TO_EDGE,
      auto: false,
    });
    this.corners = new Corners(gl);
    this.groups = new Groups(site.ground, site.bounds);
    this.strings = new Layer(gl, this.boxes, this.corners, this.groups.ground);
    /** @type {Sheet | null} */
    this.sheet = null;
    /** @type {Sheet | null} */
    this.before = null;
    /** @type {Map<number, Layer>} */
    this.tiles = new Map();
    /** @type {Layer | null} */
    this.marks = null;
    gl.enable(gl.DEPTH_TEST);
    gl.depthFunc(gl.LEQUAL);
    this.paper = [1, 1, 1];
    this.ink = [0, 0, 0];
    this.themed();
  }

  /** Read the colours of the style sheet again. */
  themed() {
    this.paper = colourOf("paper").map((part) => part / 255);
    this.ink = colourOf("ink").map((part) => part / 255);
    this.sheet?.spoil();
  }

  /**
   * Take a colouring: its looks, the strings' codes and the signs.
   * @param {import("./values.js").Values} values
   */
  setValues(values) {
    const { gl, site } = this;
    const looks = new Uint8Array(256 * 2 * 4);
    values.categories.forEach((category, code) => {
      looks.set([...colourOf(category.colour), PATTERNS.indexOf(category.pattern)], 4 * code);
      looks.set([category.rank, SIGNS.indexOf(category.sign), 0, 255], 4 * (256 + code));
    });
    twgl.setTextureFromArray(gl, this.looks, looks, {
      width: 256,
      height: 2,
      minMag: gl.NEAREST,
      wrap: gl.CLAMP_TO_EDGE,
      auto: false,
      premultiplyAlpha: 0,
    });
    const { order } = this.groups;
    const codes = new Uint8Array(order.length);
    for (let place = 0; place < order.length; place += 1) {
      codes[place] = values.codes[site.boxString[order[place]]];
    }
    this.strings.colour(codes);
    this.#setSigns(values, codes);
    this.sheet?.spoil();
  }

  /**
   * @param {import("./values.js").Values} values
   * @param {Uint8Array} codes
   */
  #setSigns(values, codes) {
    if (this.marks) this.marks.drop();
    this.marks = null;
    const signed = values.categories.map((category) => category.sign !== "");
    const chosen = [];
    for (let place = 0; place < codes.length; place += 1) {
      if (signed[codes[place]]) chosen.push(place);
    }
    if (!chosen.length) return;
    const ground = new Float32Array(6 * chosen.length);
    chosen.forEach((place, at) => {
      ground.set(this.groups.ground.subarray(6 * place, 6 * place + 6), 6 * at);
    });
    this.marks = new Layer(this.gl, this.signs, this.corners, ground);
    this.marks.colour(Uint8Array.from(chosen, (place) => codes[place]));
  }

  /**
   * A tile came or what its modules are changed.
   * @param {import("./site.js").Tile} tile
   */
  setTile(tile) {
    let layer = this.tiles.get(tile.number);
    if (!layer) {
      layer = new Layer(this.gl, this.boxes, this.corners, tile.ground);
      this.tiles.set(tile.number, layer);
    }
    if (tile.codes) layer.colour(tile.codes);
    const bounds = this.site.tileBounds.subarray(4 * tile.number, 4 * tile.number + 4);
    this.sheet?.spoil([bounds[0], bounds[1], bounds[2], bounds[3]]);
  }

  /** @param {number} number */
  dropTile(number) {
    this.tiles.get(number)?.drop();
    this.tiles.delete(number);
  }

  /**
   * Show a view: what was drawn is moved, what is missing is drawn as far as the time allows.
   * @param {import("./view.js").View} view
   * @param {number} density device pixels per pixel
   * @param {boolean} zooming whether stretched squares will do for the moment
   * @returns {{missing: number, further: boolean}} squares in view that are not drawn yet, and
   *     whether there are others worth drawing
   */
  draw(view, density, zooming) {
    const other = !this.sheet || this.sheet.scale !== view.scale || this.sheet.density !== density;
    if (other && !(zooming && this.sheet)) this.#begin(view, density);
    const sheet = /** @type {Sheet} */ (this.sheet);
    sheet.place(view);
    this.before?.place(view);
    if (other && zooming && this.sheet?.scale !== view.scale) return { missing: 0, further: true };
    // Between the loss and its notice nothing can be drawn; the new painter draws all of it.
    if (this.gl.isContextLost()) return { missing: 1, further: true };
    const start = performance.now();
    const seen = sheet.wanted(view, 0).filter(([column, line]) => !sheet.isDone(column, line));
    let done = 0;
    while (done < seen.length && (done === 0 || performance.now() - start < BUDGET_MS)) {
      this.#take(sheet, seen[done][0], seen[done][1]);
      done += 1;
    }
    const missing = seen.length - done;
    if (missing === 0 && this.before) {
      this.before.remove();
      this.before = null;
    }
    let further = missing > 0;
    if (missing === 0 && performance.now() - start < BUDGET_MS) {
      const around = sheet.wanted(view, RING).filter(([column, line]) => !sheet.isDone(column, line));
      if (around.length && done === 0) this.#take(sheet, around[0][0], around[0][1]);
      further = around.length > (done === 0 ? 1 : 0);
    }
    sheet.keep(sheet.wanted(view, KEPT_RING));
    return { missing, further };
  }

  /**
   * Begin a sheet; the one before stays beneath until the new one is whole.
   * @param {import("./view.js").View} view
   * @param {number} density
   */
  #begin(view, density) {
    if (this.before && this.sheet && !this.sheet.squares.size) this.sheet.remove();
    else {
      this.before?.remove();
      this.before = this.sheet;
    }
    this.sheet = new Sheet(this.host, view, density);
    const side = Math.round(SQUARE_PX * density);
    if (this.canvas.width !== side) [this.canvas.width, this.canvas.height] = [side, side];
  }

  /**
   * @param {Sheet} sheet
   * @param {number} column
   * @param {number} line
   */
  #take(sheet, column, line) {
    this.#square(column, line, sheet.scale, sheet.density);
    if (!this.gl.isContextLost()) sheet.take(column, line, this.canvas.transferToImageBitmap());
  }

  /**
   * Draw a square of the map.
   * @param {number} column
   * @param {number} line
   * @param {number} scale pixels per metre
   * @param {number} density
   */
  #square(column, line, scale, density) {
    const { gl, site } = this;
    const side = this.canvas.width;
    const metres = SQUARE_PX / scale;
    const margin = (2 * SIGN_PX) / scale;
    /** @type {Part} */
    const part = [
      column * metres - margin,
      line * metres - margin,
      (column + 1) * metres + margin,
      (line + 1) * metres + margin,
    ];
    gl.viewport(0, 0, side, side);
    gl.clearColor(this.paper[0], this.paper[1], this.paper[2], 1);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    const signPx = this.#signPx(scale);
    const uniforms = {
      looks: this.looks,
      middle: [(column + 0.5) * metres, (line + 0.5) * metres],
      perMetre: [2 / metres, 2 / metres],
      pixelsPerMetre: scale * density,
      joint: JOINT_M * Math.min(Math.max(2 - 0.04 * scale, 0), 1),
      paper: this.paper,
      ink: this.ink,
      unit: density,
      sizeInView: [(2 * signPx) / SQUARE_PX, (2 * signPx) / SQUARE_PX],
    };
    gl.useProgram(this.boxes.program);
    twgl.setUniforms(this.boxes, uniforms);
    const single = scale * site.moduleShort >= MODULE_PX;
    const wanted = single ? site.tilesIn(part) : [];
    if (!single || wanted.some((tile) => !this.tiles.has(tile))) {
      const runs = this.groups.runs(part);
      for (let at = 0; at < runs.length; at += 2) this.strings.draw(runs[at], runs[at + 1]);
    }
    for (const tile of wanted) {
      const [layer, held] = [this.tiles.get(tile), site.loaded.get(tile)];
      if (!layer || !held) continue;
      const runs = runsOfTile(held, part);
      for (let at = 0; at < runs.length; at += 2) layer.draw(runs[at], runs[at + 1]);
    }
    if (this.marks) {
      gl.useProgram(this.signs.program);
      twgl.setUniforms(this.signs, uniforms);
      this.marks.draw(0, this.marks.count);
    }
  }

  /**
   * Size of signs: smaller where very many would cover the site.
   * @param {number} scale pixels per metre
   */
  #signPx(scale) {
    const { bounds } = this.site;
    const area = (bounds[2] - bounds[0]) * (bounds[3] - bounds[1]) * scale * scale;
    const room = 0.3 * Math.sqrt(area / Math.max(this.marks?.count || 1, 1));
    return Math.min(Math.max(room, SIGN_LEAST_PX), SIGN_PX);
  }
}
