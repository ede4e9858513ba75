// @ts-check
// What part of the site is on the screen, and at what scale.

const MOST_PX_PER_M = 400;

export class View {
  /** @param {[number, number, number, number]} bounds least x and y, greatest x and y [m] */
  constructor(bounds) {
    this.bounds = bounds;
    this.width = 1;
    this.height = 1;
    this.x = (bounds[0] + bounds[2]) / 2;
    this.y = (bounds[1] + bounds[3]) / 2;
    this.scale = 1;
    this.fitted = true;
  }

  /** Least scale: the site at a third of the screen. */
  get leastScale() {
    return this.wholeScale() / 3;
  }

  wholeScale() {
    const wide = Math.max(this.bounds[2] - this.bounds[0], 1);
    const high = Math.max(this.bounds[3] - this.bounds[1], 1);
    return Math.min((0.94 * this.width) / wide, (0.9 * this.height) / high);
  }

  /**
   * Take the size of the canvas [px].
   * @param {number} width
   * @param {number} height
   */
  resize(width, height) {
    this.width = Math.max(width, 1);
    this.height = Math.max(height, 1);
    if (this.fitted) this.fitWhole();
  }

  fitWhole() {
    this.x = (this.bounds[0] + this.bounds[2]) / 2;
    this.y = (this.bounds[1] + this.bounds[3]) / 2;
    this.scale = this.wholeScale();
    this.fitted = true;
  }

  /**
   * Show a part of the site, with room around it.
   * @param {[number, number, number, number]} part
   */
  fit(part) {
    this.x = (part[0] + part[2]) / 2;
    this.y = (part[1] + part[3]) / 2;
    const wide = Math.max(part[2] - part[0], 8);
    const high = Math.max(part[3] - part[1], 8);
    this.scale = Math.min((0.6 * this.width) / wide, (0.6 * this.height) / high, 30);
    this.fitted = false;
  }

  /**
   * Move by screen pixels.
   * @param {number} right
   * @param {number} down
   */
  pan(right, down) {
    this.x = clamp(this.x - right / this.scale, this.bounds[0], this.bounds[2]);
    this.y = clamp(this.y + down / this.scale, this.bounds[1], this.bounds[3]);
    this.fitted = false;
  }

  /**
   * Zoom so that what is under a point stays there.
   * @param {number} factor
   * @param {number} px
   * @param {number} py
   */
  zoom(factor, px = this.width / 2, py = this.height / 2) {
    const [x, y] = this.toMetres(px, py);
    this.scale = clamp(this.scale * factor, this.leastScale, MOST_PX_PER_M);
    this.x = clamp(x - (px - this.width / 2) / this.scale, this.bounds[0], this.bounds[2]);
    this.y = clamp(y + (py - this.height / 2) / this.scale, this.bounds[1], this.bounds[3]);
    this.fitted = false;
  }

  /**
   * @param {number} px
   * @param {number} py
   * @returns {[number, number]}
   */
  toMetres(px, py) {
    return [
      this.x + (px - this.width / 2) / this.scale,
      this.y - (py - this.height / 2) / this.scale,
    ];
  }

  /**
   * @param {number} x
   * @param {number} y
   * @returns {[number, number]}
   */
  toPixels(x, y) {
    return [
      (x - this.x) * this.scale + this.width / 2,
      (this.y - y) * this.scale + this.height / 2,
    ];
  }

  /** @returns {[number, number, number, number]} the part of the site on the screen [m] */
  part() {
    const right = this.width / 2 / this.scale;
    const up = this.height / 2 / this.scale;
    return [this.x - right, this.y - up, this.x + right, this.y + up];
  }
}

/**
 * @param {number} value
 * @param {number} low
 * @param {number} high
 */
function clamp(value, low, high) {
  return Math.min(Math.max(value, low), high);
}
