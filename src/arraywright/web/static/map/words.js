// @ts-check
// Words and figures in the language of the page.

export class Words {
  /**
   * @param {Record<string, string>} held
   * @param {string} language
   * @param {string} zone the site's time zone
   */
  constructor(held, language, zone) {
    this.held = held;
    this.zone = zone;
    this.language = language;
    this.whole = new Intl.NumberFormat(language);
    this.day = new Intl.DateTimeFormat(language, { timeZone: "UTC", dateStyle: "medium" });
  }

  /** @param {string} moment a moment as the server writes it, told by the site's clock */
  clock(moment) {
    return new Date(moment).toLocaleTimeString(this.language, { timeZone: this.zone, timeStyle: "medium" });
  }

  /**
   * @param {string} key
   * @param {Record<string, string | number>} [given]
   */
  say(key, given = {}) {
    const text = this.held[key] ?? key;
    return text.replace(/\{(\w+)\}/g, (_, name) => {
      const value = given[name];
      return typeof value === "number" ? this.whole.format(value) : String(value ?? "");
    });
  }

  /**
   * A number with some digits, a dash for none.
   * @param {number | null | undefined} value
   * @param {number} digits
   */
  number(value, digits) {
    if (value === null || value === undefined || !Number.isFinite(value)) return "–";
    return new Intl.NumberFormat(this.language, {
      minimumFractionDigits: digits,
      maximumFractionDigits: digits,
    }).format(value);
  }

  /**
   * A ratio as percent with its sign.
   * @param {number | null | undefined} ratio
   */
  percent(ratio) {
    if (ratio === null || ratio === undefined || !Number.isFinite(ratio)) return "–";
    return `${new Intl.NumberFormat(this.language, {
      minimumFractionDigits: 2,
      maximumFractionDigits: 2,
      signDisplay: "exceptZero",
    }).format(100 * ratio)} %`;
  }

  /** @param {number} days since 1970-01-01 */
  date(days) {
    return this.day.format(new Date(days * 86400000));
  }

  /**
   * @param {number} value
   * @param {boolean} signed
   * @param {number} most digits after the point
   * @param {number} least
   */
  #signed(value, signed, most, least = 0) {
    return new Intl.NumberFormat(this.language, {
      minimumFractionDigits: least,
      maximumFractionDigits: most,
      signDisplay: signed ? "exceptZero" : "auto",
    }).format(value);
  }

  /**
   * A value of a colouring.
   * @param {number} value
   * @param {string} unit
   * @param {boolean} signed
   */
  figure(value, unit, signed) {
    if (!Number.isFinite(value)) return "–";
    if (unit === "day") return this.date(value);
    const small = signed ? 2 : 4;
    return `${this.#signed(value, signed, small, Math.abs(value) < 0.1 ? small : 2)} ${unit}`;
  }

  /**
   * Words of a line of the legend.
   * @param {import("./values.js").Category} category
   * @param {string} unit
   * @param {boolean} [signed]
   */
  category(category, unit, signed = false) {
    if (category.key === "class_named") return category.name;
    if (category.key !== "range") return this.say(category.key);
    const { low, high } = category;
    if (unit === "day") {
      const first = /** @type {number} */ (low);
      const last = /** @type {number} */ (high) - 1;
      if (last <= first) return this.date(first);
      return this.say("range_between", { low: this.date(first), high: this.date(last) });
    }
    const tell = (/** @type {number} */ edge) => this.#signed(edge, signed, 4);
    if (low === null && high === null) return this.say("range_all");
    if (low === null) return this.say("range_below", { high: `${tell(high ?? 0)} ${unit}` });
    if (high === null) return this.say("range_from", { low: `${tell(low)} ${unit}` });
    return this.say("range_between", { low: tell(low), high: `${tell(high)} ${unit}` });
  }
}

/**
 * Make an element.
 * @param {string} name
 * @param {{class?: string, text?: string, [attribute: string]: string | undefined}} [given]
 * @param {(Node | string)[]} [inside]
 */
export function element(name, given = {}, inside = []) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(given)) {
    if (value === undefined) continue;
    if (key === "text") made.textContent = value;
    else made.setAttribute(key, value);
  }
  made.append(...inside);
  return made;
}

/**
 * A table that scrolls by itself where it is too wide.
 * @param {{caption: string, heads: string[], rows: (string | Node)[][], numbers?: number[]}} given
 */
export function table({ caption, heads, rows, numbers = [] }) {
  const cell = (/** @type {string} */ kind, /** @type {string | Node} */ held, /** @type {number} */ at) =>
    element(kind, { class: numbers.includes(at) ? "number" : undefined }, [held]);
  return element("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": caption }, [
    element("table", {}, [
      element("caption", { text: caption }),
      element("thead", {}, [
        element(
          "tr",
          {},
          heads.map((head, at) => {
            const made = cell("th", head, at);
            made.setAttribute("scope", "col");
            return made;
          }),
        ),
      ]),
      element(
        "tbody",
        {},
        rows.map((row) =>
          element(
            "tr",
            {},
            row.map((held, at) => cell("td", held, at)),
          ),
        ),
      ),
    ]),
  ]);
}
