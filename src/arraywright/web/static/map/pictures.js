// @ts-check
// Squares of the map as pictures of their own: moving the map moves them, and only what comes
// into view is drawn.

/** Side of a square [px]; patterns repeat every 6 px and so go on from square to square. */
export const SQUARE_PX = 288;

/**
 * @typedef {object} Square
 * @property {HTMLCanvasElement} canvas
 * @property {number} column
 * @property {number} line
 * @property {boolean} stale whether it must be drawn again
 */

/** All squares of one scale. */
export class Sheet {
  /**
   * @param {HTMLElement} host
   * @param {import("./view.js").View} view
   * @param {number} density device pixels per pixel
   */
  constructor(host, view, density) {
    this.scale = view.scale;
    this.density = density;
    /** Squares are placed from one that is near, so that figures stay small. */
    this.column = Math.floor((view.x * view.scale) / SQUARE_PX);
    this.line = Math.floor((view.y * view.scale) / SQUARE_PX);
    this.element = document.createElement("div");
    this.element.className = "map-sheet";
    /** @type {Map<string, Square>} */
    this.squares = new Map();
    host.append(this.element);
  }

  /**
   * Put the sheet where a view wants it, stretched when the view has another scale.
   * @param {import("./view.js").View} view
   */
  place(view) {
    const factor = view.scale / this.scale;
    const snap = (/** @type {number} */ px) =>
      factor === 1 ? Math.round(px * this.density) / this.density : px;
    const side = SQUARE_PX * factor;
    const right = snap(this.column * side - view.x * view.scale + view.width / 2);
    const down = snap(view.y * view.scale - this.line * side + view.height / 2);
    this.element.style.transform = `translate(${right}px, ${down}px) scale(${factor})`;
  }

  /**
   * Columns and lines of squares that a view touches, from the middle outwards.
   * @param {import("./view.js").View} view
   * @param {number} ring further squares around them
   * @returns {[number, number][]}
   */
  wanted(view, ring) {
    const side = SQUARE_PX * (view.scale / this.scale);
    const [x, y] = [view.x * view.scale, view.y * view.scale];
    const out = /** @type {[number, number][]} */ ([]);
    const [left, right] = [x - view.width / 2, x + view.width / 2].map((px) => Math.floor(px / side));
    const [low, top] = [y - view.height / 2, y + view.height / 2].map((px) => Math.floor(px / side));
    for (let line = low - ring; line <= top + ring; line += 1) {
      for (let column = left - ring; column <= right + ring; column += 1) out.push([column, line]);
    }
    const away = (/** @type {[number, number]} */ [column, line]) =>
      Math.hypot((column + 0.5) * side - x, (line + 0.5) * side - y);
    return out.sort((one, other) => away(one) - away(other));
  }

  /**
   * @param {number} column
   * @param {number} line
   */
  isDone(column, line) {
    const held = this.squares.get(`${column} ${line}`);
    return held !== undefined && !held.stale;
  }

  /**
   * Take a picture of a square.
   * @param {number} column
   * @param {number} line
   * @param {ImageBitmap} picture
   */
  take(column, line, picture) {
    const key = `${column} ${line}`;
    let held = this.squares.get(key);
    if (!held) {
      const canvas = document.createElement("canvas");
      canvas.className = "map-square";
      canvas.style.left = `${(column - this.column) * SQUARE_PX}px`;
      canvas.style.top = `${(this.line - line - 1) * SQUARE_PX}px`;
      held = { canvas, column, line, stale: false };
      this.element.append(canvas);
      this.squares.set(key, held);
    }
    const { canvas } = held;
    if (canvas.width !== picture.width) [canvas.width, canvas.height] = [picture.width, picture.height];
    canvas.getContext("bitmaprenderer")?.transferFromImageBitmap(picture);
    held.stale = false;
  }

  /**
   * Squares must be drawn again: all, or those that a part of the site touches.
   * @param {[number, number, number, number]} [part]
   */
  spoil(part) {
    const side = SQUARE_PX / this.scale;
    for (const held of this.squares.values()) {
      held.stale ||=
        !part ||
        (held.column * side <= part[2] &&
          (held.column + 1) * side >= part[0] &&
          held.line * side <= part[3] &&
          (held.line + 1) * side >= part[1]);
    }
  }

  /**
   * Give up squares that are not among those that are wanted.
   * @param {[number, number][]} wanted
   */
  keep(wanted) {
    const kept = new Set(wanted.map(([column, line]) => `${column} ${line}`));
    for (const [key, held] of this.squares) {
      if (kept.has(key)) continue;
      held.canvas.remove();
      this.squares.delete(key);
    }
  }

  remove() {
    this.element.remove();
  }
}
