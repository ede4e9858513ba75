// The single-diode model of a module type, as the server solves it. Source: de-soto-2006.

const KELVIN_AT_0_C = 273.15;
const STC_IRRADIANCE_W_M2 = 1000;
const STC_CELL_TEMP_C = 25;
const BOLTZMANN_EV_PER_K = 8.617333262e-5;
const MAX_STEPS = 200;
const LAST_STEP = 1e-8;
const BYPASS_DROP_V = 0.5;

/** Solve c = k (exp(y) - 1) + b y for y, k and b not negative. */
export function junctionRoot(c, k, b) {
  if (Number.isNaN(c + k + b)) return NaN;
  if (c === 0) return 0;
  if (b <= 0 && c <= -k) return -Infinity;
  if (k <= 0) return c / b;
  let y = 0;
  if (c > 0) {
    const ratio = c / k;
    y = ratio < 1e300 ? Math.log1p(ratio) : Math.log(c) - Math.log(k);
    if (b > 0) y = Math.min(y, c / b);
  } else if (b <= 0) return Math.log1p(c / k);
  for (let step = 0; step < MAX_STEPS; step += 1) {
    const grown = Math.expm1(y);
    const change = (c - k * grown - b * y) / (k * (grown + 1) + b);
    y += change;
    if (Math.abs(change) <= LAST_STEP * Math.min(1, Math.abs(y))) break;
  }
  return y;
}

function voltageAt(diode, current) {
  const y = junctionRoot(diode.il - current, diode.i0, diode.g * diode.a);
  return diode.a * y - current * diode.rs;
}

function currentAt(diode, voltage) {
  const { il, i0, rs, g, a } = diode;
  const y = junctionRoot(voltage + il * rs, i0 * rs, a * (1 + g * rs));
  const grown = i0 * Math.expm1(y);
  if (rs * (grown + i0 + g * a) <= a) return il - grown - g * a * y;
  return (a * y - voltage) / rs;
}

function atReference(template) {
  return {
    il: template.il_a,
    i0: template.i0_a,
    rs: template.rs_ohm,
    g: template.rsh_ohm === null ? 0 : 1 / template.rsh_ohm,
    a: template.a_v,
  };
}

function translated(template, irradiance, cell) {
  const kelvin = cell + KELVIN_AT_0_C;
  const kelvin0 = STC_CELL_TEMP_C + KELVIN_AT_0_C;
  const warmer = kelvin - kelvin0;
  const suns = irradiance / STC_IRRADIANCE_W_M2;
  const gap = template.bandgap_ev * (1 + template.bandgap_slope_per_k * warmer);
  const exponent = (template.bandgap_ev / kelvin0 - gap / kelvin) / BOLTZMANN_EV_PER_K;
  return {
    il: suns * (template.il_a + template.alpha_a_per_k * warmer),
    i0: template.i0_a * (kelvin / kelvin0) ** 3 * Math.exp(exponent),
    rs: template.rs_ohm,
    g: template.rsh_ohm === null ? 0 : suns / template.rsh_ohm,
    a: template.a_v * (kelvin / kelvin0),
  };
}

/** Voc over Voc at STC of a module type. */
export function vocRatio(template, irradiance, cell) {
  return voltageAt(translated(template, irradiance, cell), 0) / voltageAt(atReference(template), 0);
}

/** Isc over Isc at STC. */
export function iscRatio(type, irradiance, cell) {
  return (irradiance / STC_IRRADIANCE_W_M2) * (1 + type.alpha_isc_per_k * (cell - STC_CELL_TEMP_C));
}

/** Short-circuit current of modules in series [A]: where their voltages sum to zero, bypass diodes
 * conducting where they must. */
export function stringIsc(type, isc) {
  const { template } = type;
  const base = atReference(template);
  const drop = BYPASS_DROP_V * type.bypass_substrings;
  const units = isc.map((value) => {
    const il =
      value * (1 + template.rs_ohm * base.g) +
      template.i0_a * Math.expm1((value * template.rs_ohm) / template.a_v);
    const diode = { ...base, il };
    return { diode, onset: Math.max(0, currentAt(diode, -drop)) };
  });
  const voltage = (current) => {
    let sum = 0;
    for (const { diode, onset } of units) {
      sum += onset <= current ? -drop : voltageAt(diode, current);
    }
    return sum;
  };
  let low = 0;
  let high = Math.max(...units.map((unit) => unit.onset)) * (1 + 1e-9);
  for (let step = 0; step < MAX_STEPS; step += 1) {
    const middle = 0.5 * (low + high);
    if (middle === low || middle === high) break;
    if (voltage(middle) >= 0) low = middle;
    else high = middle;
    if (high - low <= 1e-13 * high) break;
  }
  return 0.5 * (low + high);
}

/** Cell temperature [degC]: from the back surface, else from air and wind.
 * Source: pvlib-sapm-temperature eq. 12; faiman-2008 eq. 4. */
export function cellTemperature({ irradiance_w_m2, module_temp_c, air_temp_c, wind_m_s }) {
  const light = Number.isFinite(irradiance_w_m2) ? Math.max(irradiance_w_m2, 0) : 0;
  if (Number.isFinite(module_temp_c)) return module_temp_c + (light / STC_IRRADIANCE_W_M2) * 3;
  const wind = Number.isFinite(wind_m_s) ? Math.max(wind_m_s, 0) : 1;
  return air_temp_c + light / (25 + 6.84 * wind);
}
