// Everything the screens share: store, key, pack, state, words; and the one way to enter something.

import { DEVICE_INTRODUCED, FieldError, newDeviceKey } from "./entry.js";
import { Pack } from "./pack.js";
import { State } from "./state.js";

const LEAST_TIME = Date.UTC(2024, 0, 1);
const ENTRY_STORES = ["pulled", "carried", "entries"];
const MOST_TIME = Date.UTC(2200, 0, 1);

export class Session extends EventTarget {
  constructor(store) {
    super();
    this.store = store;
    this.key = null;
    this.profile = null;
    this.pack = null;
    this.state = new State();
    this.unsent = { entries: 0, own: 0, carried: 0, files: 0 };
    this.clockAheadS = null;
    this.lastTime = 0;
    this.startedAt = performance.now();
    this.words = null;
    this.storageFull = false;
  }

  /** Read what is kept: after this the phone knows everything it knew before it was switched off. */
  static async start(store) {
    const session = new Session(store);
    const [key, profile, manifest, clock, parts, unsent, ...entries] = await Promise.all([
      store.get("key"),
      store.get("profile"),
      store.get("pack"),
      store.get("clock"),
      store.all("parts"),
      store.unsentCounts(),
      ...ENTRY_STORES.map((name) => store.all(name)),
    ]);
    session.key = key;
    session.profile = profile;
    session.unsent = unsent;
    session.clockAheadS = clock ? clock.ahead_s : null;
    session.lastTime = clock ? clock.server_ms : 0;
    session.#build(manifest, parts, entries);
    return session;
  }

  /** Take a new pack into use. */
  async loadPack(manifest) {
    const [parts, ...entries] = await Promise.all([
      this.store.all("parts"),
      ...ENTRY_STORES.map((name) => this.store.all(name)),
    ]);
    this.#build(manifest, parts, entries);
    this.dispatchEvent(new Event("changed"));
  }

  #build(manifest, parts, entries) {
    if (manifest) {
      const texts = Object.fromEntries(parts.map(({ sha256, text }) => [sha256, text]));
      this.pack = new Pack(manifest, texts);
    }
    const state = new State(this.pack);
    entries.forEach((rows, place) => {
      for (const entry of rows) {
        const held = state.add(entry);
        if (ENTRY_STORES[place] === "entries") this.lastTime = Math.max(this.lastTime, held.time);
      }
    });
    this.state = state;
  }

  get context() {
    return { pack: this.pack, state: this.state };
  }

  /** This device's clock, or the last time that is known counted on when the clock is no time. */
  now() {
    const clock = Date.now();
    if (clock > LEAST_TIME && clock < MOST_TIME) return clock;
    return Math.max(this.lastTime, LEAST_TIME) + (performance.now() - this.startedAt);
  }

  /** The present moment, put right by what the server said of this clock. */
  trueNow() {
    return this.now() - 1000 * (this.clockAheadS || 0);
  }

  /** What is wrong with the clock; empty when nothing is known to be. */
  clockTrouble() {
    const clock = Date.now();
    if (!(clock > LEAST_TIME && clock < MOST_TIME)) return "clock_no_time";
    if (this.clockAheadS !== null && Math.abs(this.clockAheadS) > 120) return "clock_wrong";
    if (clock < this.lastTime - 120000) return "clock_back";
    return "";
  }

  async count() {
    this.unsent = await this.store.unsentCounts();
    this.dispatchEvent(new Event("counted"));
  }

  /** Make this device's key where there is none; the key never leaves the browser. */
  async ensureKey() {
    if (!this.key) {
      const key = await newDeviceKey();
      await this.store.set("key", key);
      this.key = key;
    }
    return this.key;
  }

  /** The device's first entry. */
  async introduce({ person, label }) {
    const key = await this.ensureKey();
    const standing = await this.store.one("entries", 1);
    if (standing) return standing;
    const fresh = {
      kind: DEVICE_INTRODUCED,
      subject_kind: "device",
      subject: key.device,
      body: { algorithm: "Ed25519", label, public_key: key.device },
    };
    const [entry] = await this.store.append([fresh], { key, person, now: () => this.now() });
    this.state.add(entry);
    await this.count();
    return entry;
  }

  /**
   * Enter what happened. Resolves when it is durable on this phone; only then does the state
   * change and may the screen say so.
   */
  async record(fresh, files = []) {
    if (!this.key || !this.profile) throw new FieldError("not_enrolled");
    const ahead = this.clockAheadS;
    const rows = fresh.map((one) => ({
      ...one,
      body:
        ahead !== null && Math.abs(ahead) >= 1 ? { ...one.body, clock_offset_s: -ahead } : one.body,
    }));
    let made;
    try {
      made = await this.store.append(rows, {
        key: this.key,
        person: this.profile.person,
        now: () => this.now(),
        files,
      });
      this.storageFull = false;
    } catch (error) {
      if (error.code === "storage_full") this.storageFull = true;
      this.dispatchEvent(new Event("counted"));
      throw error;
    }
    const held = made.map((entry) => this.state.add(entry));
    this.lastTime = Math.max(this.lastTime, ...held.map((one) => one.time));
    this.unsent.entries += made.length;
    this.unsent.own += made.length;
    this.unsent.files += files.length;
    this.dispatchEvent(new Event("counted"));
    this.dispatchEvent(new Event("recorded"));
    return held;
  }
}
