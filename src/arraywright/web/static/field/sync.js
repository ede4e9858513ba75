// Synchronisation by protocol 1 of docs/sync.md. Nothing here ever takes an entry off the phone.

import {
  base64,
  entryAsJson,
  entryFromJson,
  FieldError,
  formatTime,
  hex,
  verifies,
} from "./entry.js";

const BATCH = 400;
const PIECE = 1048576;
const KINDS_NOT_WANTED = new Set(["device_introduced"]);
const FIRST_WAIT_MS = 2000;
const MOST_WAIT_MS = 300000;

async function errorOf(answer) {
  let code = `http_${answer.status}`;
  let message = "";
  let offset = null;
  try {
    const told = await answer.json();
    const error = told.error || told.detail || {};
    code = error.code || code;
    message = error.message || "";
    offset = error.offset ?? told.offset ?? null;
  } catch {
    // an answer without the usual shape keeps its number
  }
  const error = new FieldError(code, message);
  error.status = answer.status;
  error.offset = offset;
  return error;
}

export class Sync extends EventTarget {
  constructor(session, { fetcher = (...given) => fetch(...given) } = {}) {
    super();
    this.session = session;
    this.store = session.store;
    this.fetcher = fetcher;
    this.running = null;
    this.status = { phase: "idle", error: "", at: 0 };
    this.failures = 0;
    this.timer = null;
  }

  async ask(path, { method = "GET", body, headers = {}, raw = false } = {}) {
    const token = this.session.profile ? this.session.profile.token : "";
    const given = { ...headers };
    if (token) given.Authorization = `Bearer ${token}`;
    let payload = body;
    if (body !== undefined && !raw) {
      given["Content-Type"] = "application/json";
      payload = JSON.stringify(body);
    }
    const answer = await this.fetcher(path, {
      method,
      headers: given,
      body: payload,
      credentials: "omit",
      cache: "no-store",
    });
    if (!answer.ok) throw await errorOf(answer);
    return answer;
  }

  #say(phase, more = {}) {
    this.status = { ...this.status, phase, ...more };
    this.dispatchEvent(new Event("status"));
  }

  /** Synchronise once; calls while one runs share it. */
  run() {
    this.running ||= this.#once().finally(() => {
      this.running = null;
    });
    return this.running;
  }

  /** Keep synchronising: when signal returns, after entries, and ever more slowly after failures. */
  keepGoing() {
    const soon = () => this.#later(300);
    addEventListener("online", soon);
    this.session.addEventListener("recorded", () => this.#later(1500));
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState === "visible") soon();
    });
    soon();
  }

  #later(wait) {
    clearTimeout(this.timer);
    this.timer = setTimeout(async () => {
      try {
        await this.run();
        this.failures = 0;
        this.#later(120000);
      } catch {
        this.failures += 1;
        const grown = Math.min(MOST_WAIT_MS, FIRST_WAIT_MS * 2 ** (this.failures - 1));
        this.#later(grown * (0.75 + 0.5 * Math.random()));
      }
    }, wait);
  }

  async #once() {
    if (!this.session.profile) return { sent: 0, pulled: 0 };
    this.#say("sending", { error: "" });
    try {
      await this.#clock();
      const sent = await this.#push();
      await this.#files();
      this.#say("fetching");
      const pulled = await this.#pull();
      this.#say("comparing");
      const compared = await this.#compare();
      await this.session.count();
      const at = this.session.now();
      await this.store.set("synced_at", at);
      this.#say("done", { at, compared });
      return { sent, pulled, compared };
    } catch (error) {
      await this.session.count();
      const offline = error instanceof TypeError;
      this.#say("failed", { error: offline ? "offline" : error.code || "failed" });
      throw error;
    }
  }

  async #clock() {
    const before = Date.now();
    const told = await (await this.ask("/sync/v1/hello")).json();
    await this.#learnClock(told.server_time, 0.5 * (Date.now() - before));
    return told;
  }

  async #learnClock(serverTime, halfway) {
    const server = Date.parse(`${serverTime.slice(0, 23)}Z`) + halfway;
    const ahead = (Date.now() - server) / 1000;
    this.session.clockAheadS = ahead;
    await this.store.set("clock", { ahead_s: ahead, server_ms: server });
  }

  async #push() {
    const waiting = await this.store.unsent();
    let sent = 0;
    for (let start = 0; start < waiting.length; start += BATCH) {
      const batch = waiting.slice(start, start + BATCH);
      const answer = await this.ask("/sync/v1/push", {
        method: "POST",
        body: {
          device_time: formatTime(this.session.now()),
          entries: batch.map(entryAsJson),
        },
      });
      const { results } = await answer.json();
      const outcomes = new Map(results.map((one) => [one.uuid, one]));
      const told = batch
        .filter((entry) => outcomes.has(entry.uuid))
        .map((entry) => {
          const { outcome, code, reason } = outcomes.get(entry.uuid);
          const taken = outcome === "added" || outcome === "already_there";
          return {
            entry,
            status: taken ? "received" : "refused",
            reason: [code, reason].filter(Boolean).join(": "),
          };
        });
      await this.store.settle(told);
      sent += told.filter((one) => one.status === "received").length;
      await this.session.count();
    }
    return sent;
  }

  async #files() {
    for (const file of await this.store.unsentFiles()) await this.#sendFile(file);
  }

  async #sendFile(file) {
    const path = `/sync/v1/files/${file.sha256}`;
    const head = await this.ask(path, { method: "HEAD" });
    let offset = Number(head.headers.get("Upload-Offset") || 0);
    if (head.headers.get("Upload-Complete") !== "?1") {
      let again = 0;
      for (;;) {
        const piece = file.blob.slice(offset, offset + PIECE);
        try {
          const answer = await this.ask(path, {
            method: "PUT",
            body: piece,
            raw: true,
            headers: {
              "Content-Type": "application/octet-stream",
              "Upload-Offset": String(offset),
              "Upload-Length": String(file.size),
            },
          });
          const told = await answer.json();
          offset = told.offset;
          if (told.complete) break;
        } catch (error) {
          again += 1;
          if (again > 5) throw error;
          if (error.code === "offset-differs" && error.offset !== null) offset = error.offset;
          else if (error.code === "file-differs") offset = 0;
          else throw error;
        }
      }
    }
    await this.store.fileSent(file.sha256);
  }

  async #pull() {
    let cursor = await this.store.get("cursor", "");
    let pulled = 0;
    for (let begun = false; ; begun = true) {
      const query = new URLSearchParams({ limit: "1000", own: "false" });
      if (cursor) query.set("after", cursor);
      let told;
      try {
        told = await (await this.ask(`/sync/v1/pull?${query}`)).json();
      } catch (error) {
        if (error.code !== "cursor-foreign" || begun) throw error;
        cursor = "";
        continue;
      }
      const taken = [];
      for (const fields of told.entries) {
        const entry = entryFromJson(fields);
        if (KINDS_NOT_WANTED.has(entry.kind) || fields.device === this.session.key.device) continue;
        if (await verifies(entry)) taken.push(entry);
      }
      await this.store.keepPulled(taken, told.cursor);
      for (const entry of taken) this.session.state.add(entry);
      pulled += taken.length;
      cursor = told.cursor;
      if (!told.more) break;
    }
    if (pulled) this.session.dispatchEvent(new Event("changed"));
    return pulled;
  }

  /** Both sides count. What the server lacks is marked as unsent again and sent next time. */
  async #compare() {
    const tip = await this.store.get("tip");
    if (!tip) return { same: true };
    const { device } = this.session.key;
    const asked = {
      device,
      entries: tip.sequence,
      last_sequence: tip.sequence,
      last_hash: hex(tip.hash),
    };
    const answer = await this.ask("/sync/v1/compare", {
      method: "POST",
      body: { devices: [asked] },
    });
    const told = await answer.json();
    const found = told.results.find((one) => one.device === device);
    if (!found || found.same) return { same: Boolean(found), entries: tip.sequence, missing: 0 };
    const lacking = new Set();
    for (const [first, last] of found.gaps || []) {
      for (let number = first; number <= last; number += 1) lacking.add(number);
    }
    for (let number = found.last_sequence + 1; number <= tip.sequence; number += 1) {
      lacking.add(number);
    }
    const missing = await this.store.markUnsent([...lacking]);
    for (const file of told.missing_files || []) await this.store.markFileUnsent(file.sha256);
    return { same: false, entries: tip.sequence, there: found.entries, missing };
  }

  /** Learn whose this device will be. */
  async lookAtCode(code) {
    const answer = await this.ask("/sync/v1/enrol/look", { method: "POST", body: { code } });
    return answer.json();
  }

  /** Introduce this device with a code from the office, and keep its token. */
  async enrol(code, { person, label }) {
    const entry = await this.session.introduce({ person, label });
    const answer = await this.ask("/sync/v1/enrol", {
      method: "POST",
      body: { code, label, entry: entryAsJson(entry) },
    });
    const told = await answer.json();
    await this.store.settle([{ entry, status: "received" }]);
    const profile = {
      token: told.token,
      person: told.person,
      role: told.role,
      site: told.site,
      units: told.units,
    };
    await this.store.set("profile", profile);
    this.session.profile = profile;
    await this.session.count();
    return profile;
  }

  async blocks() {
    return (await this.ask("/field/api/blocks")).json();
  }

  /** Fetch the work pack of some blocks, only the parts that are not here yet. */
  async fetchPack(blocks) {
    const rows = await this.store.all("parts");
    const query = new URLSearchParams();
    for (const block of blocks) query.append("block", block);
    query.set("have", rows.map((row) => row.sha256.slice(0, 16)).join(","));
    const told = await (await this.ask(`/field/api/pack?${query}`)).json();
    const parts = {
      ...Object.fromEntries(rows.map((row) => [row.sha256, row.text])),
      ...told.parts,
    };
    await this.store.keepPack(told.manifest, parts);
    if (told.manifest.cursor && !(await this.store.get("cursor", ""))) {
      await this.store.set("cursor", told.manifest.cursor);
    }
    await this.session.loadPack(told.manifest);
    return { parts: Object.keys(told.parts).length, of: told.manifest.parts.length };
  }
}

/** Write unsent entries and their files as one text file that another phone or the office reads. */
export async function exportUnsent(store) {
  const lines = [];
  for (const entry of await store.unsent()) lines.push(JSON.stringify(entryAsJson(entry)));
  const files = [];
  for (const file of await store.unsentFiles()) {
    const bytes = new Uint8Array(await file.blob.arrayBuffer());
    files.push(
      JSON.stringify({ file: file.sha256, size: file.size, name: file.name, bytes: base64(bytes) }),
    );
  }
  return {
    entries: new Blob([lines.map((line) => `${line}\n`).join("")]),
    files: new Blob(files.map((line) => `${line}\n`)),
    count: lines.length,
  };
}

/** Read what another phone exported; every entry is verified before it is kept. */
export async function importEntries(store, text, ownDevice) {
  const entries = [];
  const files = [];
  let refused = 0;
  for (const line of text.split("\n")) {
    if (!line.trim()) continue;
    try {
      const fields = JSON.parse(line);
      if (fields.file) {
        const bytes = Uint8Array.from(atob(fields.bytes), (one) => one.charCodeAt(0));
        const digest = hex(new Uint8Array(await crypto.subtle.digest("SHA-256", bytes)));
        if (digest !== fields.file) refused += 1;
        else
          files.push({
            sha256: digest,
            size: bytes.length,
            name: fields.name || "",
            blob: new Blob([bytes]),
          });
        continue;
      }
      const entry = entryFromJson(fields);
      if (entry.device === ownDevice) continue;
      if (await verifies(entry)) entries.push(entry);
      else refused += 1;
    } catch {
      refused += 1;
    }
  }
  const added = await store.carry(entries, files);
  return { added, refused, entries };
}
