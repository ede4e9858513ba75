// @ts-check
// Squares of the map that were drawn already: moving the map only copies them.

/** Side of a square [px]; patterns repeat every 6 px and so go on from square to square. */
export const SQUARE_PX = 480;
const SAMPLES = 4;

/**
 * @typedef {object} Picture
 * @property {WebGLTexture} texture
 * @property {WebGLFramebuffer} frame
 * @property {number} used
 */

export class Pictures {
  /** @param {WebGL2RenderingContext} gl */
  constructor(gl) {
    this.gl = gl;
    this.side = 0;
    this.scale = 0;
    this.turn = 0;
    /** @type {Map<string, Picture>} */
    this.held = new Map();
    /** @type {Picture[]} */
    this.spare = [];
    this.smooth = /** @type {WebGLFramebuffer} */ (gl.createFramebuffer());
    this.colour = gl.createRenderbuffer();
    this.depth = gl.createRenderbuffer();
  }

  /**
   * Begin a picture of the map at a scale.
   * @param {number} scale device pixels per metre
   * @param {number} density
   */
  begin(scale, density) {
    const side = SQUARE_PX * density;
    if (side !== this.side) {
      this.clear();
      for (const picture of this.spare.splice(0)) this.#delete(picture);
      this.#size(Math.round(side));
      this.side = side;
    }
    if (scale !== this.scale) {
      this.clear();
      this.scale = scale;
    }
    this.turn += 1;
  }

  /** Forget all squares: something in them changed. */
  clear() {
    this.spare.push(...this.held.values());
    this.held.clear();
  }

  /** @param {number} side */
  #size(side) {
    const { gl } = this;
    const samples = Math.min(SAMPLES, gl.getParameter(gl.MAX_SAMPLES));
    gl.bindFramebuffer(gl.FRAMEBUFFER, this.smooth);
    for (const [buffer, format, place] of /** @type {[any, number, number][]} */ ([
      [this.colour, gl.RGBA8, gl.COLOR_ATTACHMENT0],
      [this.depth, gl.DEPTH_COMPONENT16, gl.DEPTH_ATTACHMENT],
    ])) {
      gl.bindRenderbuffer(gl.RENDERBUFFER, buffer);
      gl.renderbufferStorageMultisample(gl.RENDERBUFFER, samples, format, side, side);
      gl.framebufferRenderbuffer(gl.FRAMEBUFFER, place, gl.RENDERBUFFER, buffer);
    }
  }

  /** @returns {Picture} */
  #make() {
    const { gl, side } = this;
    const spare = this.spare.pop();
    if (spare) return spare;
    const texture = /** @type {WebGLTexture} */ (gl.createTexture());
    gl.bindTexture(gl.TEXTURE_2D, texture);
    gl.texStorage2D(gl.TEXTURE_2D, 1, gl.RGBA8, side, side);
    const frame = /** @type {WebGLFramebuffer} */ (gl.createFramebuffer());
    gl.bindFramebuffer(gl.FRAMEBUFFER, frame);
    gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, texture, 0);
    return { texture, frame, used: 0 };
  }

  /** @param {Picture} picture */
  #delete(picture) {
    this.gl.deleteFramebuffer(picture.frame);
    this.gl.deleteTexture(picture.texture);
  }

  /**
   * @param {number} column
   * @param {number} line
   */
  has(column, line) {
    return this.held.has(`${column} ${line}`);
  }

  /**
   * Draw a square: `paint` draws into it.
   * @param {number} column
   * @param {number} line
   * @param {() => void} paint
   */
  draw(column, line, paint) {
    const { gl, side } = this;
    const picture = this.#make();
    gl.bindFramebuffer(gl.FRAMEBUFFER, this.smooth);
    gl.viewport(0, 0, side, side);
    paint();
    gl.bindFramebuffer(gl.READ_FRAMEBUFFER, this.smooth);
    gl.bindFramebuffer(gl.DRAW_FRAMEBUFFER, picture.frame);
    gl.blitFramebuffer(0, 0, side, side, 0, 0, side, side, gl.COLOR_BUFFER_BIT, gl.NEAREST);
    gl.invalidateFramebuffer(gl.READ_FRAMEBUFFER, [gl.COLOR_ATTACHMENT0, gl.DEPTH_ATTACHMENT]);
    picture.used = this.turn;
    this.held.set(`${column} ${line}`, picture);
  }

  /**
   * Copy a square onto the screen, stretched where the scale is another one now.
   * @param {number} column
   * @param {number} line
   * @param {[number, number, number, number]} to left, low, right, top [device px]
   */
  show(column, line, to) {
    const { gl, side } = this;
    const picture = this.held.get(`${column} ${line}`);
    if (!picture) return;
    picture.used = this.turn;
    const exact = to[2] - to[0] === side && to[3] - to[1] === side;
    gl.bindFramebuffer(gl.READ_FRAMEBUFFER, picture.frame);
    gl.bindFramebuffer(gl.DRAW_FRAMEBUFFER, null);
    gl.blitFramebuffer(
      ...[0, 0, side, side],
      ...to,
      gl.COLOR_BUFFER_BIT,
      exact ? gl.NEAREST : gl.LINEAR,
    );
  }

  /**
   * Give up the squares that were not shown for longest.
   * @param {number} most
   */
  keep(most) {
    if (this.held.size <= most) return;
    const oldest = [...this.held].sort((one, other) => one[1].used - other[1].used);
    for (const [key, picture] of oldest.slice(0, this.held.size - most)) {
      this.held.delete(key);
      this.spare.push(picture);
    }
    while (this.spare.length > 8) this.#delete(/** @type {Picture} */ (this.spare.pop()));
  }
}
