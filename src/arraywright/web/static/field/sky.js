// Where the sun stands and how much light a plane can get. The position is good to some hundredths
// of a degree, which is less than the server's; so each answer says when it is too near to call.

const RAD = Math.PI / 180;
const TURBIDITY = 2.0;
const CLOUD_EDGE = 1.3;
const MARGIN_W_M2 = 50.0;
const ALBEDO = 0.3;
const SOLAR_CONSTANT_W_M2 = 1366.1;
const ANGLE_MARGIN_DEG = 1.0;
// measured against the server's sun and sky: 0.3 % above 5 degrees of sun, 7 % at the horizon
const LIMIT_MARGIN_RATIO = 0.006;
const LOW_SUN_MARGIN_RATIO = 0.08;
const LOW_SUN_DEG = 5;

/** Zenith without and with refraction, and azimuth from north [deg]. Source: low-precision formulas of the
 * Astronomical Almanac, from memory; held against the server's sun by test. */
export function sunPosition(milliseconds, { latitude_deg, longitude_deg }) {
  const days = milliseconds / 86400000 - 10957.5;
  const mean = (280.46 + 0.9856474 * days) * RAD;
  const anomaly = (357.528 + 0.9856003 * days) * RAD;
  const longitude = mean + (1.915 * Math.sin(anomaly) + 0.02 * Math.sin(2 * anomaly)) * RAD;
  const tilt = (23.439 - 0.0000004 * days) * RAD;
  const right = Math.atan2(Math.cos(tilt) * Math.sin(longitude), Math.cos(longitude));
  const declination = Math.asin(Math.sin(tilt) * Math.sin(longitude));
  const sidereal = (280.46061837 + 360.98564736629 * days + longitude_deg) * RAD;
  const hour = sidereal - right;
  const latitude = latitude_deg * RAD;
  const sine =
    Math.sin(latitude) * Math.sin(declination) +
    Math.cos(latitude) * Math.cos(declination) * Math.cos(hour);
  const azimuth = Math.atan2(
    -Math.cos(declination) * Math.sin(hour),
    Math.sin(declination) * Math.cos(latitude) -
      Math.cos(declination) * Math.sin(latitude) * Math.cos(hour),
  );
  const zenith = 90 - Math.asin(Math.max(-1, Math.min(1, sine))) / RAD;
  const high = 90 - zenith;
  // the air lifts the sun; Bennett's formula, from memory
  const lifted = high > -1 ? 1 / Math.tan((high + 7.31 / (high + 4.4)) * RAD) / 60 : 0;
  return {
    true_zenith_deg: zenith,
    zenith_deg: zenith - lifted,
    azimuth_deg: (azimuth / RAD + 360) % 360,
  };
}

function incidence(sun, [tilt, facing]) {
  const cosine =
    Math.cos(sun.zenith_deg * RAD) * Math.cos(tilt * RAD) +
    Math.sin(sun.zenith_deg * RAD) *
      Math.sin(tilt * RAD) *
      Math.cos((sun.azimuth_deg - facing) * RAD);
  return Math.acos(Math.max(-1, Math.min(1, cosine))) / RAD;
}

function extraterrestrial(milliseconds) {
  const start = Date.UTC(new Date(milliseconds).getUTCFullYear(), 0, 1);
  const day = Math.floor((milliseconds - start) / 86400000) + 1;
  const angle = (2 * Math.PI * (day - 1)) / 365;
  return (
    SOLAR_CONSTANT_W_M2 *
    (1.00011 +
      0.034221 * Math.cos(angle) +
      0.00128 * Math.sin(angle) +
      0.000719 * Math.cos(2 * angle) +
      0.000077 * Math.sin(2 * angle))
  );
}

/** Irradiance above which a reading in a plane is not to be believed [W/m2].
 * Source: ineichen-perez-2002, hay-davies-1980, as the server's plausible_irradiance_limit. */
export function irradianceLimit(milliseconds, plane, { elevation_m }, sun) {
  const cosine = Math.max(Math.cos(sun.zenith_deg * RAD), 0);
  if (cosine <= 0) return MARGIN_W_M2;
  const relative = 1 / (cosine + 0.50572 * (96.07995 - sun.zenith_deg) ** -1.6364);
  const pressure = 100 * ((44331.514 - elevation_m) / 11880.516) ** (1 / 0.1902632);
  const mass = (relative * pressure) / 101325;
  const extra = extraterrestrial(milliseconds);
  const fh1 = Math.exp(-elevation_m / 8000);
  const fh2 = Math.exp(-elevation_m / 1250);
  const cg1 = 5.09e-5 * elevation_m + 0.868;
  const cg2 = 3.92e-5 * elevation_m + 0.0387;
  const ghi = cg1 * extra * cosine * Math.exp(-cg2 * mass * (fh1 + fh2 * (TURBIDITY - 1)));
  const beam = extra * (0.664 + 0.163 / fh1) * Math.exp(-0.09 * mass * (TURBIDITY - 1));
  const cut = (1 - (0.1 - 0.2 * Math.exp(-TURBIDITY)) / (0.1 + 0.882 / fh1)) / cosine;
  const dni = Math.min(beam, ghi * Math.max(cut, 0));
  const dhi = ghi - dni * cosine;
  const [tilt] = plane;
  const onto = Math.max(Math.cos(incidence(sun, plane) * RAD), 0);
  const index = dni / extra;
  const sky =
    Math.max(dhi * (1 - index) * 0.5 * (1 + Math.cos(tilt * RAD)), 0) +
    Math.max((dhi * index * onto) / Math.max(cosine, 0.01745), 0);
  const ground = ghi * ALBEDO * 0.5 * (1 - Math.cos(tilt * RAD));
  return CLOUD_EDGE * (dni * onto + sky + ground) + MARGIN_W_M2;
}

/**
 * What the sun says against a reading of a string on some planes.
 *
 * @returns {{gates: string[], unsure: boolean}}
 */
export function sunGates(milliseconds, irradiance, planes, site) {
  if (!planes.length) return { gates: ["plane-unknown"], unsure: false };
  const sun = sunPosition(milliseconds, site);
  const low = sun.zenith_deg - 90;
  if (low > ANGLE_MARGIN_DEG) return { gates: ["sun-down"], unsure: false };
  const limits = planes.map((plane) => irradianceLimit(milliseconds, plane, site, sun));
  let unsure = low > -ANGLE_MARGIN_DEG;
  const gates = [];
  for (const plane of planes) {
    const angle = incidence(sun, plane);
    if (Math.abs(angle - 90) < ANGLE_MARGIN_DEG) unsure = true;
    else if (angle >= 90) gates.push("sun-behind");
  }
  if (Number.isFinite(irradiance) && !gates.length) {
    const most = Math.max(...limits);
    const ratio = low > -LOW_SUN_DEG ? LOW_SUN_MARGIN_RATIO : LIMIT_MARGIN_RATIO;
    const near = ratio * most + 2;
    if (Math.abs(irradiance - most) < near) unsure = true;
    else if (irradiance > most) gates.push("irradiance-above-sky");
  }
  return { gates: [...new Set(gates)], unsure };
}
