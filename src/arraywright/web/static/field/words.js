// Words of one language; the text of a key that is missing is the key itself, so nothing is blank.

export class Words {
  constructor(language, held) {
    this.language = language;
    this.held = held;
    this.missing = new Set();
  }

  static async load(base, language) {
    const answer = await fetch(`${base}/words/${language}.json`);
    if (!answer.ok) throw new Error(`words: ${answer.status}`);
    return new Words(language, await answer.json());
  }

  get direction() {
    return this.held.direction || "ltr";
  }

  has(key) {
    return key in this.held;
  }

  /** Give the words of a key with its gaps filled. */
  t(key, gaps = {}) {
    const text = this.held[key] || key;
    if (!(key in this.held)) this.missing.add(key);
    return text.replace(/\{(\w+)\}/g, (whole, name) => (name in gaps ? gaps[name] : whole));
  }

  number(value, digits = 1) {
    if (value === null || value === undefined || !Number.isFinite(value)) return "–";
    return value.toLocaleString(this.language, {
      minimumFractionDigits: digits,
      maximumFractionDigits: digits,
    });
  }

  time(milliseconds) {
    return new Date(milliseconds).toLocaleString(this.language, {
      month: "2-digit",
      day: "2-digit",
      hour: "2-digit",
      minute: "2-digit",
    });
  }
}
