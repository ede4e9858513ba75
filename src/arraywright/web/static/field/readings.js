// Readings with their numbers, missing ones as NaN.

const NUMBERS = [
  "time_s",
  "voc_v",
  "isc_a",
  "irradiance_w_m2",
  "module_temp_c",
  "air_temp_c",
  "wind_m_s",
  "riso_pos_megohm",
  "riso_neg_megohm",
  "riso_test_voltage_v",
  "earth_continuity_ohm",
];

/** A reading whose missing numbers are NaN, so that no comparison with them holds. */
export function whole(reading) {
  const out = { ...reading };
  for (const name of NUMBERS) out[name] = typeof out[name] === "number" ? out[name] : NaN;
  return out;
}

export function has(value) {
  return typeof value === "number" && !Number.isNaN(value);
}
