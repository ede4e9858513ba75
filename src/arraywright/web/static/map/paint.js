// @ts-check
// Draws the ground of strings and modules with the graphics unit, square by square.

import * as twgl from "../vendor/twgl/twgl-full.module.js";
import { Corners, Groups, Layer } from "./layers.js";
import { PATTERNS, SIGNS, colourOf } from "./looks.js";
import { Pictures, SQUARE_PX } from "./pictures.js";
import { BOX_FRAGMENT, BOX_VERTEX, SIGN_FRAGMENT, SIGN_VERTEX } from "./shaders.js";

const SIGN_PX = 7;
const SIGN_LEAST_PX = 2.5;
/** Half of the gap between modules that is closed while it is narrower than a pixel [m]. */
const JOINT_M = 0.015;
/** Modules are drawn one by one from this many pixels of their shorter side on. */
export const MODULE_PX = 1.5;
/** A machine that draws the whole site faster than this draws it anew while zooming. */
const QUICK_MS = 12;

/** @typedef {[number, number, number, number]} Part */

export class Painter {
  /**
   * @param {HTMLCanvasElement} canvas
   * @param {import("./site.js").SiteLayout} site
   */
  constructor(canvas, site) {
    const held = canvas.getContext("webgl2", {
      alpha: false,
      antialias: false,
      depth: false,
      powerPreference: "high-performance",
    });
    if (!held) throw new Error("no WebGL 2");
    const gl = /** @type {WebGL2RenderingContext} */ (held);
    this.gl = gl;
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
    this.pictures = new Pictures(gl);
    /** @type {Map<number, Layer>} */
    this.tiles = new Map();
    /** @type {Layer | null} */
    this.marks = null;
    this.quick = false;
    this.timed = false;
    gl.depthFunc(gl.LEQUAL);
    this.themed();
  }

  /** Read the colours of the style sheet again. */
  themed() {
    this.paper = colourOf("paper").map((part) => part / 255);
    this.ink = colourOf("ink").map((part) => part / 255);
    this.pictures.clear();
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
    this.pictures.clear();
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
    this.pictures.clear();
  }

  /** @param {number} number */
  dropTile(number) {
    this.tiles.get(number)?.drop();
    this.tiles.delete(number);
  }

  /**
   * Draw what a view shows. Squares that were drawn before are copied.
   * @param {import("./view.js").View} view
   * @param {number} density device pixels per pixel
   * @param {boolean} hurried whether stretched squares of another scale will do for the moment
   */
  draw(view, density, hurried) {
    const { gl, pictures } = this;
    const wide = Math.round(view.width * density);
    const high = Math.round(view.height * density);
    if (gl.canvas.width !== wide || gl.canvas.height !== high) {
      gl.canvas.width = wide;
      gl.canvas.height = high;
    }
    const scale = view.scale * density;
    const stretched = hurried && !this.quick && pictures.scale > 0 && pictures.scale !== scale;
    if (!stretched) pictures.begin(scale, density);
    const factor = scale / pictures.scale;
    const side = pictures.side * factor;
    // Left and low edge of the screen from the site's origin [device px at this scale].
    const left = Math.round(view.x * scale - wide / 2);
    const low = Math.round(view.y * scale - high / 2);
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    gl.viewport(0, 0, wide, high);
    gl.clearColor(this.paper[0], this.paper[1], this.paper[2], 1);
    gl.clear(gl.COLOR_BUFFER_BIT);
    const columns = [Math.floor(left / side), Math.floor((left + wide) / side)];
    const lines = [Math.floor(low / side), Math.floor((low + high) / side)];
    const start = performance.now();
    let drawn = 0;
    for (let line = lines[0]; line <= lines[1]; line += 1) {
      for (let column = columns[0]; column <= columns[1]; column += 1) {
        if (!stretched && !pictures.has(column, line)) {
          pictures.draw(column, line, () => this.#square(column, line, density));
          drawn += 1;
        }
        const at = [column * side - left, line * side - low].map(Math.round);
        const end = [(column + 1) * side - left, (line + 1) * side - low].map(Math.round);
        pictures.show(column, line, [at[0], at[1], end[0], end[1]]);
      }
    }
    const seen = (columns[1] - columns[0] + 2) * (lines[1] - lines[0] + 2);
    if (!stretched) pictures.keep(seen + 12);
    if (drawn && !this.timed) {
      this.timed = true;
      gl.bindFramebuffer(gl.FRAMEBUFFER, null);
      gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, new Uint8Array(4));
      this.quick = performance.now() - start < QUICK_MS;
    }
    return { drawn, stretched };
  }

  /**
   * Draw a square of the map into the frame that is bound.
   * @param {number} column
   * @param {number} line
   * @param {number} density
   */
  #square(column, line, density) {
    const { gl, pictures, site } = this;
    const metres = pictures.side / pictures.scale;
    const margin = (2 * SIGN_PX * density) / pictures.scale;
    /** @type {Part} */
    const part = [
      column * metres - margin,
      line * metres - margin,
      (column + 1) * metres + margin,
      (line + 1) * metres + margin,
    ];
    gl.clearColor(this.paper[0], this.paper[1], this.paper[2], 1);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.enable(gl.DEPTH_TEST);
    const signPx = this.#signPx(pictures.scale / density) * density;
    const uniforms = {
      looks: this.looks,
      middle: [(column + 0.5) * metres, (line + 0.5) * metres],
      perMetre: [2 / metres, 2 / metres],
      pixelsPerMetre: pictures.scale,
      joint: JOINT_M * Math.min(Math.max(2 - (0.04 * pictures.scale) / density, 0), 1),
      paper: this.paper,
      ink: this.ink,
      unit: density,
      sizeInView: [(2 * signPx) / pictures.side, (2 * signPx) / pictures.side],
    };
    gl.useProgram(this.boxes.program);
    twgl.setUniforms(this.boxes, uniforms);
    const single = (pictures.scale / density) * site.moduleShort >= MODULE_PX;
    const wanted = single ? site.tilesIn(part) : [];
    if (!single || wanted.some((tile) => !this.tiles.has(tile))) {
      const runs = this.groups.runs(part);
      for (let at = 0; at < runs.length; at += 2) this.strings.draw(runs[at], runs[at + 1]);
    }
    for (const tile of wanted) {
      const layer = this.tiles.get(tile);
      if (layer) layer.draw(0, layer.count);
    }
    if (this.marks) {
      gl.useProgram(this.signs.program);
      twgl.setUniforms(this.signs, uniforms);
      this.marks.draw(0, this.marks.count);
    }
    gl.disable(gl.DEPTH_TEST);
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
