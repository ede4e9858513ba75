// What is true now, made from the pack, the entries of others and this phone's own. The same
// entries give the same state in whatever order they come.

import { bodyOf, timeOf } from "./entry.js";

function addTo(map, key, value) {
  const held = map.get(key);
  if (held) held.add(value);
  else map.set(key, new Set([value]));
}

function takeFrom(map, key, value) {
  const held = map.get(key);
  if (!held) return;
  held.delete(value);
  if (!held.size) map.delete(key);
}

const RECALL = "office_modules_recalled";

export class State {
  constructor(pack = null) {
    this.entries = new Map();
    this.supersededBy = new Map();
    this.placements = new Map();
    this.byPosition = new Map();
    this.bySerial = new Map();
    this.tests = new Map();
    this.bySubject = new Map();
    this.done = new Map();
    this.apart = new Map();
    this.recalled = new Map();
    if (pack) {
      pack.placed.forEach(({ position, serial, uuid }, place) => {
        this.#claim({
          uuid: uuid || `list-${place}`,
          position,
          serial,
          person: "",
          time: 0,
          device: "",
          fromPack: true,
        });
      });
    }
  }

  #claim(placement) {
    if (this.placements.has(placement.uuid) || this.supersededBy.has(placement.uuid)) return;
    this.placements.set(placement.uuid, placement);
    addTo(this.byPosition, placement.position, placement.uuid);
    addTo(this.bySerial, placement.serial, placement.uuid);
  }

  #release(uuid) {
    const placement = this.placements.get(uuid);
    if (placement) {
      this.placements.delete(uuid);
      takeFrom(this.byPosition, placement.position, uuid);
      takeFrom(this.bySerial, placement.serial, uuid);
    }
    const entry = this.entries.get(uuid);
    if (!entry) return;
    takeFrom(this.done, `${entry.kind} ${entry.subject}`, uuid);
    if (entry.kind === "string_tested") takeFrom(this.tests, entry.subject, uuid);
    if (entry.kind === "module_inspected") this.apart.delete(entry.subject);
    if (entry.kind === RECALL) {
      for (const serial of entry.body.serials || []) this.recalled.delete(serial);
      for (const other of this.ofKind(RECALL)) this.#recall(other);
    }
  }

  #recall({ body }) {
    for (const serial of body.serials || []) this.recalled.set(serial, body.reason || "");
  }

  /** Take in an entry; one that is known already changes nothing. */
  add(entry) {
    const known = this.entries.get(entry.uuid);
    if (known) return known;
    let body = {};
    try {
      body = bodyOf(entry);
    } catch {
      body = {};
    }
    const held = {
      uuid: entry.uuid,
      device: entry.device,
      sequence: entry.sequence,
      person: entry.person,
      kind: entry.kind,
      subject: entry.subject,
      supersedes: entry.supersedes,
      time: timeOf(entry.device_time) + 1000 * (Number(body.clock_offset_s) || 0),
      body,
    };
    this.entries.set(held.uuid, held);
    addTo(this.bySubject, held.subject, held.uuid);
    if (held.supersedes) {
      this.supersededBy.set(held.supersedes, held.uuid);
      this.#release(held.supersedes);
    }
    const placement = this.placements.get(held.uuid);
    if (placement) Object.assign(placement, { person: held.person, time: held.time, body });
    if (this.supersededBy.has(held.uuid)) return held;
    addTo(this.done, `${held.kind} ${held.subject}`, held.uuid);
    if (held.kind === "module_placed" && typeof body.position === "string") {
      this.#claim({
        uuid: held.uuid,
        position: body.position,
        serial: held.subject,
        person: held.person,
        device: held.device,
        time: held.time,
        body,
      });
    } else if (held.kind === "string_tested") {
      addTo(this.tests, held.subject, held.uuid);
    } else if (held.kind === "module_inspected" && body.result === "apart") {
      this.apart.set(held.subject, (body.defects || []).join(", "));
    } else if (held.kind === RECALL) {
      this.#recall(held);
    }
    return held;
  }

  isLive(uuid) {
    return !this.supersededBy.has(uuid);
  }

  live(kind, subject) {
    const found = [...(this.done.get(`${kind} ${subject}`) || [])];
    return found.map((uuid) => this.entries.get(uuid)).sort((one, other) => one.time - other.time);
  }

  ofKind(kind) {
    const out = [];
    for (const entry of this.entries.values()) {
      if (entry.kind === kind && this.isLive(entry.uuid)) out.push(entry);
    }
    return out.sort((one, other) => one.time - other.time);
  }

  /** Live placements at a position or of a serial. */
  at(position) {
    return [...(this.byPosition.get(position) || [])].map((uuid) => this.placements.get(uuid));
  }

  where(serial) {
    return [...(this.bySerial.get(serial) || [])].map((uuid) => this.placements.get(uuid));
  }

  serialAt(position) {
    const held = this.at(position);
    return held.length ? held[held.length - 1].serial : "";
  }

  /** Contradictions: one serial in two positions, or two serials in one. */
  conflicts() {
    const out = [];
    const look = (map, side, other) => {
      for (const [value, uuids] of map) {
        if (uuids.size < 2) continue;
        const told = [...uuids].map((uuid) => this.placements.get(uuid));
        if (new Set(told.map((one) => one[other])).size > 1) out.push({ side, value, told });
      }
    };
    look(this.bySerial, "serial", "position");
    look(this.byPosition, "position", "serial");
    return out;
  }
}
