// Readings beside each other in time: the robust level of neighbours, and how the light moved.

import { has } from "./readings.js";

const STEADY_WINDOW_S = 300;
export const IRRADIANCE_MAX_W_M2 = 1600;
export const MIN_NEIGHBOURS = 5;
const MAX_NEIGHBOURS = 80;
const MIN_FOR_SLOPE = 10;
const MAD_TO_SIGMA = 1.482602218505602;
const BIWEIGHT = 4.685;
const PASSES = 6;

function median(values) {
  const sorted = Float64Array.from(values).sort();
  const middle = sorted.length >> 1;
  return sorted.length % 2 ? sorted[middle] : 0.5 * (sorted[middle - 1] + sorted[middle]);
}

function fitLevel(values, shifts, slopes) {
  let level = median(values);
  let slope = 0;
  for (let pass = 0; pass < PASSES; pass += 1) {
    const residual = values.map((value, place) => value - level - slope * shifts[place]);
    const scatter = MAD_TO_SIGMA * median(residual.map(Math.abs));
    if (scatter <= 1e-12) break;
    let [s0, s1, s2, r0, r1] = [0, 0, 0, 0, 0];
    residual.forEach((rest, place) => {
      const reach = rest / (BIWEIGHT * scatter);
      if (Math.abs(reach) >= 1) return;
      const weight = (1 - reach * reach) ** 2;
      s0 += weight;
      s1 += weight * shifts[place];
      s2 += weight * shifts[place] ** 2;
      r0 += weight * values[place];
      r1 += weight * values[place] * shifts[place];
    });
    const determinant = s0 * s2 - s1 * s1;
    if (slopes && determinant > 1e-9 * s0 * s0) {
      level = (s2 * r0 - s1 * r1) / determinant;
      slope = (s0 * r1 - s1 * r0) / determinant;
    } else {
      level = r0 / s0;
      slope = 0;
    }
  }
  return level;
}

/** Robust level of the neighbours in time of each row; rows sorted by group, time, value, string. */
export function levels(rows, windowS) {
  rows.sort(
    (one, two) =>
      (one.group < two.group ? -1 : one.group > two.group ? 1 : 0) ||
      one.time - two.time ||
      one.value - two.value ||
      one.string - two.string,
  );
  for (let centre = 0; centre < rows.length; centre += 1) {
    const here = rows[centre];
    const near = [];
    let left = centre - 1;
    let right = centre + 1;
    while (near.length < MAX_NEIGHBOURS) {
      const before =
        left >= 0 && rows[left].group === here.group ? here.time - rows[left].time : Infinity;
      const after =
        right < rows.length && rows[right].group === here.group
          ? rows[right].time - here.time
          : Infinity;
      if (Math.min(before, after) > windowS || (before === Infinity && after === Infinity)) break;
      const candidate = before <= after ? rows[left--] : rows[right++];
      if (candidate.string !== here.string) near.push(candidate);
    }
    here.neighbours = near.length;
    here.level = NaN;
    if (near.length < MIN_NEIGHBOURS) continue;
    const shifts = near.map((row) => row.time - here.time);
    const earlier = shifts.filter((shift) => shift < 0).length;
    const slopes = near.length >= MIN_FOR_SLOPE && earlier >= 3 && near.length - earlier >= 3;
    here.level = fitLevel(
      near.map((row) => row.value),
      shifts,
      slopes,
    );
  }
}

/** Greatest change of irradiance to the nearest readings of the same sensor, by row. */
export function irradianceChanges(readings) {
  const bySensor = new Map();
  readings.forEach((reading, row) => {
    const light = reading.irradiance_w_m2;
    if (!has(light) || light < 0 || light > IRRADIANCE_MAX_W_M2 || !has(reading.time_s)) return;
    const key = reading.irradiance_sensor || "";
    if (!bySensor.has(key)) bySensor.set(key, new Map());
    const moments = bySensor.get(key);
    if (!moments.has(reading.time_s)) moments.set(reading.time_s, { lights: [], rows: [] });
    moments.get(reading.time_s).lights.push(light);
    moments.get(reading.time_s).rows.push(row);
  });
  const out = new Array(readings.length).fill(NaN);
  for (const moments of bySensor.values()) {
    const times = [...moments.keys()].sort((one, two) => one - two);
    const mean = times.map((time) => {
      const { lights } = moments.get(time);
      return lights.reduce((sum, light) => sum + light, 0) / lights.length;
    });
    times.forEach((time, place) => {
      const { lights, rows } = moments.get(time);
      let most = NaN;
      const see = (change) => {
        if (has(change) && !(most >= change)) most = change;
      };
      const high = Math.max(...lights);
      if (high > Math.min(...lights)) see((high - Math.min(...lights)) / high);
      for (const other of [place - 1, place + 1]) {
        if (other < 0 || other >= times.length) continue;
        if (Math.abs(time - times[other]) > STEADY_WINDOW_S) continue;
        const greater = Math.max(Math.abs(mean[place]), Math.abs(mean[other]));
        if (greater > 0) see(Math.abs(mean[place] - mean[other]) / greater);
      }
      for (const row of rows) out[row] = most;
    });
  }
  return out;
}

/** Mark readings in whose window lies one of which the server may think otherwise. */
export function markBesideUnsure(results, test, windowS) {
  const times = new Map();
  for (const one of results) {
    if (!one.unsure || !has(one.deviation[test])) continue;
    if (!times.has(one.group)) times.set(one.group, []);
    times.get(one.group).push(one);
  }
  for (const one of results) {
    const near = times.get(one.group) || [];
    const time = one.reading.time_s;
    if (near.some((other) => other !== one && Math.abs(other.reading.time_s - time) <= windowS)) {
      one.besideUnsure = true;
    }
  }
}
