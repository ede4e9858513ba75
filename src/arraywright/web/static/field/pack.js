// The work pack in memory: columns as they came, and the few indexes a scan needs.

export const FORMAT = "arraywright-pack-1";

function unfronted([lengths, rests]) {
  const out = new Array(lengths.length);
  let before = "";
  for (let place = 0; place < lengths.length; place += 1) {
    before = before.slice(0, lengths[place]) + rests[place];
    out[place] = before;
  }
  return out;
}

function spread(names, counts) {
  const total = counts.reduce((sum, count) => sum + count, 0);
  const out = new Int32Array(total);
  let place = 0;
  counts.forEach((count, number) => {
    out.fill(number, place, place + count);
    place += count;
  });
  return out;
}

export class Pack {
  /**
   * @param manifest the list of parts
   * @param texts JSON text by SHA-256
   */
  constructor(manifest, texts) {
    if (manifest.format !== FORMAT) throw new Error(`pack of format ${manifest.format}`);
    this.manifest = manifest;
    const parts = new Map();
    for (const { name, sha256 } of manifest.parts) {
      const text = texts[sha256];
      if (text === undefined) throw new Error(`part ${name} is missing`);
      parts.set(name, JSON.parse(text));
    }
    this.site = parts.get("site");
    this.strings = parts.get("strings");
    this.status = parts.get("status");
    this.pallets = parts.get("pallets");
    this.palletIndex = new Map(this.pallets.pallet.map((name, number) => [name, number]));
    this.stringIndex = new Map(this.strings.string.map((name, number) => [name, number]));
    this.patterns = this.site.types
      .map((type) => type.serial_pattern)
      .filter(Boolean)
      .map((pattern) => {
        try {
          return new RegExp(`^(?:${pattern})$`, "u");
        } catch {
          return null;
        }
      });
    this.#positions(parts.get("positions"));
    this.#modules(parts);
    this.tested = new Map(Object.entries(parts.get("tested") || {}));
    this.others = parts.get("others") || null;
    this.placed = [];
    for (const [name, part] of parts) {
      if (!name.startsWith("placed:")) continue;
      const positions = unfronted(part.position);
      const serials = unfronted(part.serial);
      positions.forEach((position, place) => {
        this.placed.push({ position, serial: serials[place], uuid: part.uuid[place] });
      });
    }
    const far = parts.get("elsewhere");
    far.position.forEach((position, place) => {
      this.placed.push({ position, serial: far.serial[place], uuid: far.uuid[place] });
    });
  }

  #positions(part) {
    this.structures = part.structure;
    this.structureOf = spread(part.structure, part.count);
    this.positions = unfronted(part.position);
    this.planned = unfronted(part.planned);
    this.row = part.row;
    this.column = part.column;
    this.stringOf = part.string;
    this.place = part.place;
    this.positionIndex = new Map(this.positions.map((name, number) => [name, number]));
    this.inString = new Map();
    this.stringOf.forEach((string, number) => {
      if (!this.inString.has(string)) this.inString.set(string, []);
      this.inString.get(string).push(number);
    });
  }

  #modules(parts) {
    this.serials = [];
    this.palletOf = [];
    this.classOf = [];
    this.voc = [];
    this.isc = [];
    for (const [name, part] of parts) {
      if (!name.startsWith("modules:")) continue;
      const serials = unfronted(part.serial);
      const pallet = spread(part.pallet, part.count);
      for (let place = 0; place < serials.length; place += 1) {
        this.serials.push(serials[place]);
        this.palletOf.push(part.pallet[pallet[place]]);
        this.classOf.push(part.class[place]);
        this.voc.push(part.voc_v[place]);
        this.isc.push(part.isc_a[place]);
      }
    }
    this.bySerial = new Map(this.serials.map((serial, number) => [serial, number]));
  }

  moduleIndex(serial) {
    const found = this.bySerial.get(serial);
    return found === undefined ? -1 : found;
  }

  /** Whether the site received this serial, though it does not travel in this pack. */
  inOthers(serial) {
    if (!this.others) return false;
    for (const [head, digits, first, counts] of this.others) {
      if (!serial.startsWith(head)) continue;
      const tail = serial.slice(head.length);
      if (digits === 0) {
        if (tail === "") return true;
        continue;
      }
      if (tail.length !== digits || !/^[0-9]+$/.test(tail)) continue;
      let place = first;
      const number = Number(tail);
      for (let run = 0; run < counts.length && number >= place; run += 1) {
        if (number < place + counts[run]) {
          if (run % 2 === 0) return true;
          break;
        }
        place += counts[run];
      }
    }
    return false;
  }

  fitsPattern(serial) {
    const usable = this.patterns.filter(Boolean);
    return usable.length > 0 && usable.some((pattern) => pattern.test(serial));
  }

  className(number) {
    if (number < 0 || number === null || number === undefined) return "?";
    const [type, power, current] = this.site.classes[number];
    return [type, power === null ? "" : `${power} W`, current || ""].filter(Boolean).join(" ");
  }

  /** The class in few characters, for big figures. */
  classShort(number) {
    if (number < 0 || number === null || number === undefined) return "?";
    const [, power, current] = this.site.classes[number];
    return [power === null ? "?" : power, current || ""].filter((one) => one !== "").join(" ");
  }

  typeOfString(string) {
    return this.site.types[this.strings.type[string]];
  }

  modulesOnPallet(pallet) {
    const found = [];
    this.palletOf.forEach((name, number) => {
      if (name === pallet) found.push(this.serials[number]);
    });
    return found;
  }
}
