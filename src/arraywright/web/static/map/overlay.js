// @ts-check
// What is written over the map: names, what is chosen or found, the scale.

const LABELS_MOST = 160;
const NICE = [1, 2, 5];

export class Overlay {
  /**
   * @param {HTMLCanvasElement} canvas
   * @param {import("./site.js").SiteLayout} site
   */
  constructor(canvas, site) {
    this.canvas = canvas;
    this.context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    this.site = site;
    this.empty = true;
    this.ink = this.paper = this.accent = "#000";
    this.themed();
  }

  themed() {
    const held = getComputedStyle(document.documentElement);
    this.ink = held.getPropertyValue("--map-ink").trim();
    this.paper = held.getPropertyValue("--map-paper").trim();
    this.accent = held.getPropertyValue("--map-accent").trim();
  }

  /**
   * @param {import("./view.js").View} view
   * @param {number} density
   * @param {{chosen: number, found: number[], names: boolean, signed: (string: number) => boolean}} shown
   */
  draw(view, density, shown) {
    const { canvas, context } = this;
    const wide = Math.round(view.width * density);
    const high = Math.round(view.height * density);
    if (canvas.width !== wide || canvas.height !== high) {
      canvas.width = wide;
      canvas.height = high;
    }
    const names = shown.names ? this.#named(view) : [];
    const asked = shown.found.length > 0 || names.length > 0 || shown.chosen >= 0;
    if (!asked && this.empty) return;
    this.empty = !asked;
    context.setTransform(density, 0, 0, density, 0, 0);
    context.clearRect(0, 0, view.width, view.height);
    for (const string of shown.found) this.#ring(view, string, false);
    this.#names(view, names, shown.signed);
    if (shown.chosen >= 0) this.#ring(view, shown.chosen, true);
  }

  /**
   * @param {import("./view.js").View} view
   * @param {number} string
   * @param {boolean} chosen
   */
  #ring(view, string, chosen) {
    const { context, site } = this;
    const held = site.ground;
    for (const box of site.boxesOf(string)) {
      const at = 6 * box;
      const [x, y] = view.toPixels(held[at], held[at + 1]);
      const along = Math.hypot(held[at + 2], held[at + 3]) * view.scale + (chosen ? 4 : 3);
      const facing = Math.hypot(held[at + 4], held[at + 5]) * view.scale + (chosen ? 4 : 3);
      context.save();
      context.translate(x, y);
      context.rotate(-Math.atan2(held[at + 3], held[at + 2]));
      for (const [colour, width] of /** @type {[string, number][]} */ ([
        [this.paper, chosen ? 6 : 5],
        [chosen ? this.ink : this.accent, chosen ? 3 : 2.5],
      ])) {
        context.strokeStyle = colour;
        context.lineWidth = width;
        context.setLineDash(chosen || colour === this.paper ? [] : [7, 4]);
        context.strokeRect(-along, -facing, 2 * along, 2 * facing);
      }
      context.restore();
    }
  }

  /**
   * Boxes whose names are written: none where they have no room.
   * @param {import("./view.js").View} view
   */
  #named(view) {
    const held = this.site.ground;
    // The first box tells whether names have room at this scale.
    if (2 * Math.hypot(held[4], held[5]) * view.scale < 13) return [];
    const boxes = this.site.boxesIn(view.part());
    return boxes.length > LABELS_MOST ? [] : boxes;
  }

  /**
   * @param {import("./view.js").View} view
   * @param {number[]} boxes
   * @param {(string: number) => boolean} signed whether a sign stands in the middle of a string
   */
  #names(view, boxes, signed) {
    const { context, site } = this;
    const held = site.ground;
    context.font = "600 12px system-ui, sans-serif";
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.lineJoin = "round";
    for (const box of boxes) {
      const at = 6 * box;
      const name = site.name(site.boxString[box]);
      const wide = 2 * Math.hypot(held[at + 2], held[at + 3]) * view.scale;
      const length = context.measureText(name).width;
      const aside = signed(site.boxString[box]) ? length / 2 + 13 : 0;
      if (!name || length + 2 * aside > wide - 8) continue;
      let [x, y] = view.toPixels(held[at], held[at + 1]);
      if (wide > view.width / 2) x = Math.min(Math.max(x, 60), view.width - 60);
      x += aside;
      context.strokeStyle = this.paper;
      context.lineWidth = 4;
      context.strokeText(name, x, y);
      context.fillStyle = this.ink;
      context.fillText(name, x, y);
    }
  }
}

/**
 * A round length for the scale.
 * @param {number} scale pixels per metre
 * @param {number} most pixels it may be long
 * @param {boolean} feet
 * @returns {{px: number, length: number, unit: "m" | "ft"}}
 */
export function scaleBar(scale, most, feet) {
  const perUnit = feet ? scale * 0.3048 : scale;
  let best = 0;
  for (let power = -1; power <= 4; power += 1) {
    for (const digit of NICE) {
      const length = digit * 10 ** power;
      if (length * perUnit <= most) best = Math.max(best, length);
    }
  }
  return { px: best * perUnit, length: best, unit: feet ? "ft" : "m" };
}
