// @ts-check
// The map page: puts layout, values, drawing and words together.

import { showDetails } from "./details.js";
import { listenTo } from "./hands.js";
import { showLegend } from "./legend.js";
import { inView, sentence, showList } from "./list.js";
import { Overlay, scaleBar } from "./overlay.js";
import { MODULE_PX, Painter } from "./paint.js";
import { SiteLayout } from "./site.js";
import { Values } from "./values.js";
import { View } from "./view.js";
import { fetchJson } from "./wire.js";
import { Words, element } from "./words.js";

const REFRESH_MS = 15000;
const RENEWED_MS = 2000;
const SETTLE_MS = 350;
const SHARPEN_MS = 120;

/** @param {string} id */
function part(id) {
  const found = document.getElementById(id);
  if (!found) throw new Error(`no element ${id}`);
  return found;
}

class MapPage {
  /**
   * @param {SiteLayout} site
   * @param {Values} values
   * @param {Words} words
   */
  constructor(site, values, words) {
    this.site = site;
    this.values = values;
    this.wanted = values.name;
    this.words = words;
    this.frame = part("map-frame");
    this.ground = part("map-ground");
    this.view = new View(site.bounds);
    this.painter = this.#newPainter();
    this.overlay = new Overlay(/** @type {HTMLCanvasElement} */ (part("map-over")), site);
    this.chosen = -1;
    /** @type {number[]} */
    this.found = [];
    this.frames = 0;
    this.whole = 0;
    this.queued = false;
    this.settling = 0;
    this.sharpening = 0;
    this.lastScale = 0;
    this.feet = part("map").dataset.units === "us";
    this.asking = new AbortController();
    this.soon = 0;
    this.painter.setValues(values);
    this.resize();
    showLegend(part("map-legend"), values, words);
    new ResizeObserver(() => this.resize()).observe(this.frame);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.themed());
    setInterval(() => this.refresh(), REFRESH_MS);
    this.#age();
    document.addEventListener("visibilitychange", () => this.refresh());
  }

  /** @returns {Painter} */
  #newPainter() {
    const host = part("map-squares");
    host.replaceChildren();
    return new Painter(host, this.site, () => {
      this.painter = this.#newPainter();
      this.painter.setValues(this.values);
      for (const tile of this.site.loaded.values()) this.painter.setTile(tile);
      this.moved();
    });
  }

  get density() {
    return Math.min(window.devicePixelRatio || 1, 2);
  }

  resize() {
    const held = this.frame.getBoundingClientRect();
    this.view.resize(held.width, held.height);
    this.moved();
  }

  themed() {
    this.painter.themed();
    this.painter.setValues(this.values);
    this.overlay.themed();
    this.moved();
  }

  /** The view changed: draw soon, and say so once it rests. */
  moved() {
    this.again();
    window.clearTimeout(this.settling);
    this.settling = window.setTimeout(() => this.settled(), SETTLE_MS);
  }

  again() {
    if (this.queued) return;
    this.queued = true;
    requestAnimationFrame(() => this.draw());
  }

  draw() {
    this.queued = false;
    const { site, view } = this;
    if (view.scale * site.moduleShort >= MODULE_PX) {
      for (const number of site.tilesIn(view.part())) this.#askFor(number);
      for (const tile of site.dropOld()) this.painter.dropTile(tile.number);
    }
    const zooming = view.scale !== this.lastScale && this.frames > 0;
    this.lastScale = view.scale;
    const { missing, further } = this.painter.draw(view, this.density, zooming);
    this.overlay.draw(view, this.density, {
      chosen: this.chosen,
      found: this.found,
      names: site.names !== null,
      signed: (string) => this.values.categories[this.values.codes[string]].sign !== "",
    });
    this.frames += 1;
    this.whole += missing === 0 ? 1 : 0;
    this.frame.dataset.scale = String(view.scale);
    this.frame.dataset.frames = String(this.frames);
    this.frame.dataset.whole = String(this.whole);
    if (this.whole === 1 && missing === 0) performance.mark("map-first-picture");
    window.clearTimeout(this.sharpening);
    if (zooming) this.sharpening = window.setTimeout(() => this.again(), SHARPEN_MS);
    else if (further) this.again();
  }

  /** @param {number} number */
  #askFor(number) {
    const { site, values } = this;
    const held = site.loaded.get(number);
    if (held) held.used = performance.now();
    site
      .loadTile(number, values.name, values.tag)
      .then((tile) => {
        if (!tile) return;
        this.painter.setTile(tile);
        this.moved();
      })
      .catch((error) => this.tell(String(error.message || error)));
  }

  /** The view rests: scale, table and what a screen reader is told. */
  settled() {
    const bar = scaleBar(this.view.scale, Math.min(120, this.view.width / 5), this.feet);
    for (const id of ["map-scale-bar", "map-scale-ground"]) {
      part(id).setAttribute("width", String(Math.max(bar.px, 1)));
    }
    part("map-scale-words").textContent = `${this.words.whole.format(bar.length)} ${bar.unit}`;
    const list = /** @type {HTMLDetailsElement} */ (part("map-list-fold"));
    const bounds = this.view.part();
    const seen = inView(this.site, this.values, bounds);
    this.frame.dataset.modules = String(
      seen.strings.reduce((sum, string) => sum + this.site.stringModules[string], 0),
    );
    if (list.open) {
      this.tell(
        showList(part("map-list"), {
          seen,
          site: this.site,
          values: this.values,
          words: this.words,
          choose: (row) => this.choose(row, { move: true, focus: true }),
        }),
      );
    } else {
      this.tell(sentence(seen, this.values, this.words));
    }
  }

  /** @param {string} text */
  tell(text) {
    const place = part("map-told");
    if (place.textContent !== text) place.textContent = text;
  }

  /**
   * Choose a string and tell its story.
   * @param {number} row
   * @param {{move?: boolean, focus?: boolean, module?: number}} [how]
   */
  async choose(row, { move = false, focus = false, module = 0 } = {}) {
    this.chosen = row;
    if (move) this.view.fit(this.site.boundsOf([row]));
    this.moved();
    const place = part("map-chosen");
    if (row < 0) {
      place.replaceChildren(element("p", { class: "faint", text: this.words.say("choose_one") }));
      this.#note();
      return;
    }
    if (!this.site.names) await this.site.loadNames();
    this.asking.abort();
    this.asking = new AbortController();
    place.setAttribute("aria-busy", "true");
    try {
      const name = this.site.name(row);
      const path = `/api/v1/map/strings/${name.split("/").map(encodeURIComponent).join("/")}`;
      const told = await fetchJson(path, this.asking.signal);
      showDetails(place, told, this.words, module);
      if (focus) part("map-chosen-title").focus();
      this.#note();
    } catch (error) {
      if (/** @type {Error} */ (error).name === "AbortError") return;
      const text = String(/** @type {Error} */ (error).message || error);
      place.replaceChildren(element("p", { class: "notice", role: "alert", text }));
    } finally {
      place.removeAttribute("aria-busy");
    }
  }

  /** Keep colouring and choice in the address, so that it can be sent to somebody. */
  #note() {
    const held = new URLSearchParams({ colour: this.values.name });
    if (this.chosen >= 0) held.set("string", this.site.name(this.chosen));
    history.replaceState(null, "", `#${held}`);
  }

  /**
   * Choose what lies at a point of the screen.
   * @param {number} px
   * @param {number} py
   * @param {boolean} focus
   */
  chooseAt(px, py, focus) {
    const [x, y] = this.view.toMetres(px, py);
    const box = this.site.boxAt(x, y, 6 / this.view.scale);
    const row = box < 0 ? -1 : this.site.boxString[box];
    const place = row < 0 ? -1 : this.site.moduleAt(row, x, y);
    this.choose(row, { focus, module: place + 1 });
  }

  /**
   * Tell what lies at a point of the screen.
   * @param {number} px
   * @param {number} py
   */
  hover(px, py) {
    const tip = part("map-tip");
    const [x, y] = this.view.toMetres(px, py);
    const box = px < 0 ? -1 : this.site.boxAt(x, y, 2 / this.view.scale);
    tip.hidden = box < 0 || !this.site.names;
    if (tip.hidden) return;
    const row = this.site.boxString[box];
    const { values, words } = this;
    const said = [this.site.name(row), words.category(values.categories[values.codes[row]], values.unit, values.signed)];
    if (values.figures && values.unit === "%") said.push(words.figure(values.figures[row], values.unit, values.signed));
    const place = this.site.moduleAt(row, x, y);
    if (place >= 0) said.push(words.say("place_number", { place: place + 1 }));
    tip.textContent = said.join(" · ");
    const right = px > this.view.width - 220;
    tip.style.left = right ? "auto" : `${px + 14}px`;
    tip.style.right = right ? `${this.view.width - px + 14}px` : "auto";
    tip.style.top = `${Math.max(py - 34, 4)}px`;
  }

  /** @param {string} name */
  async colour(name) {
    this.wanted = name;
    this.frame.setAttribute("aria-busy", "true");
    try {
      const values = await Values.load(name);
      // Another colouring was chosen meanwhile, and may have come first.
      if (this.wanted !== name) return;
      this.values = values;
      this.#shown();
      this.#age();
      this.#note();
    } catch (error) {
      this.tell(String(/** @type {Error} */ (error).message || error));
    } finally {
      if (this.wanted === name) this.frame.removeAttribute("aria-busy");
    }
  }

  /** Say as of when the picture is while the next one is being made, and ask for it soon. */
  #age() {
    const { asOf, renewing } = this.values;
    const place = part("map-age");
    const text = renewing && asOf ? this.words.say("renewing", { time: this.words.clock(asOf) }) : "";
    if (place.textContent !== text) place.textContent = text;
    place.hidden = !text;
    clearTimeout(this.soon);
    if (renewing) this.soon = window.setTimeout(() => this.refresh(), RENEWED_MS);
  }

  #shown() {
    this.painter.setValues(this.values);
    showLegend(part("map-legend"), this.values, this.words);
    this.moved();
  }

  async refresh() {
    if (document.hidden) return;
    const values = this.values;
    try {
      const changed = await values.refresh();
      if (values !== this.values) return;
      if (changed) this.#shown();
      this.#age();
    } catch {
      // The server is away for a moment; the next round asks again.
    }
  }

  /** @param {string} asked */
  async search(asked) {
    const place = part("map-found");
    const { words } = this;
    if (!this.site.names) await this.site.loadNames();
    const told = await fetchJson(`/api/v1/map/search?q=${encodeURIComponent(asked)}`);
    /** @type {any[]} */
    const found = told.found;
    if (!found.length) {
      this.found = [];
      place.replaceChildren(element("p", { role: "status", text: words.say("nothing_found", { asked }) }));
      this.moved();
      return;
    }
    const lines = found.map((held) => {
      const where = held.placed
        ? words.say("found_on", { strings: held.strings.map((/** @type {number} */ row) => this.site.name(row)).slice(0, 4).join(", ") })
        : words.say("not_placed");
      const button = element("button", { type: "button", class: "quiet map-row", text: held.name });
      button.addEventListener("click", () => this.#go(held));
      const said = held.kind === "string" ? words.say("string") : `${words.say(held.kind)} · ${where}`;
      return element("li", {}, [button, " ", element("span", { class: "faint", text: said })]);
    });
    place.replaceChildren(
      element("p", { role: "status", text: words.say("found_count", { count: found.length }) }),
      element("ul", { class: "lines" }, lines),
    );
    this.#go(found[0]);
  }

  /** @param {any} held a thing that was found */
  #go(held) {
    this.found = held.strings;
    if (!held.strings.length) {
      this.moved();
      return;
    }
    this.view.fit(this.site.boundsOf(held.strings));
    if (held.strings.length === 1) {
      const row = held.strings[0];
      this.#placeOf(held, row).then((module) => this.choose(row, { module }));
    }
    this.moved();
  }

  /**
   * Place in its string of a module that was found, 0 when it is no module.
   * @param {any} held
   * @param {number} row
   */
  async #placeOf(held, row) {
    if (held.kind !== "module") return 0;
    let first = 0;
    for (let string = 0; string < row; string += 1) first += this.site.stringModules[string];
    return held.modules[0] - first + 1;
  }
}

async function start() {
  const root = part("map");
  const words = new Words(JSON.parse(root.dataset.words || "{}"), document.documentElement.lang, root.dataset.zone || "UTC");
  const asked = new URLSearchParams(location.hash.slice(1));
  const chooser = /** @type {HTMLSelectElement} */ (part("map-colouring"));
  const wanted = asked.get("colour") || "";
  if ([...chooser.options].some((option) => option.value === wanted)) chooser.value = wanted;
  try {
    const [site, values] = await Promise.all([SiteLayout.load(), Values.load(chooser.value)]);
    const page = new MapPage(site, values, words);
    listenTo(page);
    chooser.addEventListener("change", () => page.colour(chooser.value));
    const form = part("map-search");
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const field = /** @type {HTMLInputElement} */ (part("map-asked"));
      page.search(field.value).catch((error) => page.tell(String(error.message || error)));
    });
    part("map-list-fold").addEventListener("toggle", () => page.settled());
    await site.loadNames();
    page.moved();
    const row = site.rowOf(asked.get("string") || "");
    if (row >= 0) await page.choose(row, { move: true });
    root.dataset.ready = "true";
  } catch (error) {
    const text = String(/** @type {Error} */ (error).message || error);
    const said = text === "no WebGL 2" ? words.say("no_drawing") : text;
    part("map-frame").replaceChildren(element("p", { class: "notice", role: "alert", text: said }));
    root.dataset.ready = "failed";
  }
}

start();
