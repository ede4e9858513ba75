// The phone's own store. Every promise that writes resolves when the transaction is complete on
// disk, never before; only then may the screen say so.

import { FieldError, FIRST_PREVIOUS_HASH, signedEntry } from "./entry.js";

const VERSION = 1;
const STORES = {
  meta: { keyPath: "name" },
  entries: { keyPath: "sequence" },
  carried: { keyPath: "uuid" },
  pulled: { keyPath: "uuid" },
  files: { keyPath: "sha256" },
  parts: { keyPath: "sha256" },
};

function asked(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

function storageError(error) {
  const full = error && (error.name === "QuotaExceededError" || /quota/i.test(error.message || ""));
  return full ? new FieldError("storage_full", error.message) : error;
}

export class Store {
  /** Open the store, making it when it is not there. */
  static async open(name = "arraywright-field") {
    const request = indexedDB.open(name, VERSION);
    request.onupgradeneeded = () => {
      for (const [store, options] of Object.entries(STORES)) {
        if (request.result.objectStoreNames.contains(store)) continue;
        const made = request.result.createObjectStore(store, options);
        if (["entries", "carried", "files"].includes(store)) made.createIndex("unsent", "unsent");
      }
    };
    const database = await asked(request);
    const store = new Store(database, name);
    database.onversionchange = () => database.close();
    return store;
  }

  constructor(database, name) {
    this.database = database;
    this.name = name;
  }

  /** Run work in one transaction; resolves when it is durable. */
  async write(stores, work) {
    return new Promise((resolve, reject) => {
      let result;
      let refused = null;
      const transaction = this.database.transaction(stores, "readwrite", { durability: "strict" });
      transaction.oncomplete = () => resolve(result);
      transaction.onerror = () => {};
      transaction.onabort = () => reject(refused || storageError(transaction.error));
      const named = Object.fromEntries(stores.map((name) => [name, transaction.objectStore(name)]));
      Promise.resolve(work(named, transaction)).then(
        (value) => {
          result = value;
        },
        (error) => {
          refused = storageError(error);
          try {
            transaction.abort();
          } catch {
            reject(refused);
          }
        },
      );
    });
  }

  read(store) {
    return this.database.transaction(store, "readonly").objectStore(store);
  }

  async get(name, fallback = null) {
    const row = await asked(this.read("meta").get(name));
    return row === undefined ? fallback : row.value;
  }

  async set(name, value) {
    await this.write(["meta"], ({ meta }) => asked(meta.put({ name, value })));
  }

  all(store) {
    return asked(this.read(store).getAll());
  }

  one(store, key) {
    return asked(this.read(store).get(key));
  }

  /**
   * Append entries to this device's chain, files with them, all or none.
   *
   * Two tabs take turns by a lock; where the browser has none, the number that is taken already
   * refuses the second writer, who then builds on the new tip.
   *
   * @param fresh entries to make: kind, subject_kind, subject, body, supersedes
   * @param options key, person, now (function), files ({sha256, size, name, blob})
   */
  async append(fresh, { key, person, now, files = [] }) {
    const turn = async () => {
      for (let attempt = 0; ; attempt += 1) {
        const tip = await this.get("tip", { sequence: 0, hash: FIRST_PREVIOUS_HASH });
        const made = [];
        let end = tip;
        for (const one of fresh) {
          const entry = await signedEntry(one, { key, tip: end, person, now: now() });
          made.push(entry);
          end = { sequence: entry.sequence, hash: entry.entry_hash };
        }
        try {
          await this.write(["meta", "entries", "files"], async (held) => {
            const current = await asked(held.meta.get("tip"));
            const standing = current ? current.value.sequence : 0;
            if (standing !== tip.sequence) throw new FieldError("tip_moved");
            for (const entry of made) held.entries.add({ ...entry, unsent: 1 });
            for (const file of files) held.files.put({ ...file, unsent: 1 });
            await asked(held.meta.put({ name: "tip", value: end }));
          });
          return made;
        } catch (error) {
          const moved = error.code === "tip_moved" || error.name === "ConstraintError";
          if (!moved || attempt >= 20) throw error;
        }
      }
    };
    if (!navigator.locks) return turn();
    return navigator.locks.request(`${this.name}-chain`, turn);
  }

  /** Entries still to be sent, own and carried for others, oldest first. */
  async unsent() {
    const own = await asked(this.read("entries").index("unsent").getAll(1));
    const carried = await asked(this.read("carried").index("unsent").getAll(1));
    return [...own, ...carried];
  }

  async unsentCounts() {
    const count = (name) => asked(this.read(name).index("unsent").count(1));
    const [own, carried, files] = await Promise.all(["entries", "carried", "files"].map(count));
    return { entries: own + carried, own, carried, files };
  }

  /** Mark entries as received by the server; what it refused keeps its reason and stays unsent. */
  async settle(outcomes) {
    await this.write(["entries", "carried"], async (held) => {
      for (const { entry, status, reason } of outcomes) {
        const name = held.carried && entry.carried ? "carried" : "entries";
        const key = name === "carried" ? entry.uuid : entry.sequence;
        const row = await asked(held[name].get(key));
        if (!row || row.uuid !== entry.uuid) continue;
        if (status === "received") {
          row.unsent = 0;
          delete row.refused;
        } else row.refused = reason || "refused";
        held[name].put(row);
      }
    });
  }

  /** Send entries again that the server turned out to lack; give how many. */
  async markUnsent(sequences) {
    return this.write(["entries"], async ({ entries }) => {
      let marked = 0;
      for (const sequence of sequences) {
        const row = await asked(entries.get(sequence));
        if (!row) continue;
        if (!row.unsent) entries.put({ ...row, unsent: 1 });
        marked += 1;
      }
      return marked;
    });
  }

  async markFileUnsent(sha256) {
    await this.write(["files"], async ({ files }) => {
      const row = await asked(files.get(sha256));
      if (row && !row.unsent) files.put({ ...row, unsent: 1 });
    });
  }

  async fileSent(sha256) {
    await this.write(["files"], async ({ files }) => {
      const row = await asked(files.get(sha256));
      if (row) files.put({ ...row, unsent: 0 });
    });
  }

  unsentFiles() {
    return asked(this.read("files").index("unsent").getAll(1));
  }

  /** Keep entries of other devices and the cursor that stands after them, together. */
  async keepPulled(entries, cursor) {
    await this.write(["pulled", "meta"], ({ pulled, meta }) => {
      for (const entry of entries) pulled.put(entry);
      meta.put({ name: "cursor", value: cursor });
    });
  }

  /** Keep entries another phone handed over, to send them from here. */
  async carry(entries, files = []) {
    return this.write(["carried", "files"], async ({ carried, files: held }) => {
      let added = 0;
      for (const entry of entries) {
        if (await asked(carried.get(entry.uuid))) continue;
        carried.put({ ...entry, carried: true, unsent: 1 });
        added += 1;
      }
      for (const file of files) {
        if (!(await asked(held.get(file.sha256)))) held.put({ ...file, unsent: 1 });
      }
      return added;
    });
  }

  /** Put a new work pack in place: its new parts, and the list that names them, in one step. */
  async keepPack(manifest, parts) {
    await this.write(["parts", "meta"], async ({ parts: held, meta }) => {
      for (const [sha256, text] of Object.entries(parts)) held.put({ sha256, text });
      const wanted = new Set(manifest.parts.map((part) => part.sha256));
      for (const key of await asked(held.getAllKeys())) if (!wanted.has(key)) held.delete(key);
      await asked(meta.put({ name: "pack", value: manifest }));
    });
  }
}

/** How full the storage is, as far as the browser tells. */
export async function storageRoom() {
  if (!navigator.storage || !navigator.storage.estimate)
    return { known: false, nearly_full: false };
  const { usage = 0, quota = 0 } = await navigator.storage.estimate();
  const free = quota - usage;
  return { known: true, usage, quota, free, nearly_full: quota > 0 && free < 50 * 1048576 };
}

/** Ask that the browser never evicts what is kept here. */
export async function askPersistence() {
  if (!navigator.storage || !navigator.storage.persist) return false;
  if (await navigator.storage.persisted()) return true;
  return navigator.storage.persist();
}
