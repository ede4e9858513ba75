"""Invented I-V curves of strings with known faults, drawn apart from the commissioning code.

A string is sub-strings of one diode each, in series with their bypass diodes and the leads; its
curve is summed over currents and read at the voltages of a tracer. The scatter is of kinds the
judging does not assume: heavy tails, a light that drifts during the sweep, gains of the meter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.arrays import FloatArray, IntArray

__all__ = ["CURVE_FAULTS", "CurveTruth", "make_truth"]

CURVE_FAULTS: Final = ("none", "step", "low-current", "low-voltage", "series-resistance", "shunt")
"""What is drawn; the place in this tuple is the fault's number."""

_SHARES: Final = (0.90, 0.03, 0.02, 0.02, 0.02, 0.01)
_CELL_V: Final = 8.617333262e-5 * 298.15
_GRID: Final = 240
_CHUNK: Final = 2000
_BYPASS_V: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveTruth:
    """Curves with what made them.

    Attributes:
        voltage_v: measured voltages, (curves, points).
        current_a: measured currents, (curves, points).
        irradiance_w_m2: irradiance as the sensor says, (curves,).
        back_temp_c: back-surface temperature as the thermometer says, (curves,).
        fault: place in ``CURVE_FAULTS``, (curves,).
    """

    voltage_v: FloatArray
    current_a: FloatArray
    irradiance_w_m2: FloatArray
    back_temp_c: FloatArray
    fault: IntArray


def make_truth(
    *,
    isc_a: FloatArray,
    voc_v: FloatArray,
    modules: int,
    cells: int,
    points: int,
    irradiance_w_m2: FloatArray,
    seed: int,
) -> CurveTruth:
    """Draw one curve per string from the mean Isc and summed Voc of its modules at STC.

    ``irradiance_w_m2`` is the true light at each curve, (curves,).
    """
    rng = np.random.default_rng(seed)
    count = len(isc_a)
    fault = rng.choice(len(CURVE_FAULTS), size=count, p=_SHARES)
    light = np.asarray(irradiance_w_m2, dtype=np.float64)
    temp = rng.uniform(35.0, 58.0, count)
    local = temp + rng.normal(0.0, 1.0, count)
    size = rng.uniform(0.0, 1.0, count)
    part = {
        "isc": isc_a * np.where(fault == 2, 1.0 - 0.05 - 0.2 * size, 1.0),
        "substrings": np.full(count, 3.0 * modules),
        "weak": np.where(fault == 1, rng.integers(1, 7, count), 0).astype(np.float64),
        "weak_share": np.where(fault == 1, 0.25 + 0.6 * size, 1.0),
        "lead_ohm": np.where(fault == 4, 0.1 + 0.3 * size, 0.0) * voc_v / isc_a,
        "shunt": np.where(fault == 5, 0.08 + 0.2 * size, 0.008),
    }
    # a module or two of its sub-strings are missing
    missing = np.where(fault == 3, rng.integers(2, 5, count), 0)
    voltage = np.empty((count, points))
    current = np.empty((count, points))
    for start in range(0, count, _CHUNK):
        chosen = slice(start, start + _CHUNK)
        voltage[chosen], current[chosen] = _swept(
            {name: values[chosen] for name, values in part.items()},
            voc_v=voc_v[chosen],
            missing=missing[chosen],
            light=light[chosen] / 1000.0,
            temp=local[chosen],
            cells=cells * modules,
            points=points,
        )
    drift = 0.003 * rng.standard_normal((count, 1)) * np.linspace(-1.0, 1.0, points)
    current = current + drift * current[:, :1]
    gain_v, gain_a = 1.0 + 0.002 * rng.standard_normal(2)
    tails = rng.standard_t(4, (2, count, points)) / np.sqrt(2.0)
    return CurveTruth(
        voltage_v=voltage * gain_v + 0.0006 * voc_v[:, None] * tails[0],
        current_a=current * gain_a + 0.0008 * isc_a[:, None] * tails[1],
        irradiance_w_m2=light * (1.0 + 0.008 * rng.standard_normal() + 0.004 * tails[0, :, 0]),
        back_temp_c=temp - 3.0 * light / 1000.0,
        fault=fault.astype(np.int64),
    )


def _swept(
    part: dict[str, FloatArray],
    *,
    voc_v: FloatArray,
    missing: IntArray,
    light: FloatArray,
    temp: FloatArray,
    cells: int,
    points: int,
) -> tuple[FloatArray, FloatArray]:
    """Voltages and currents of a sweep, (curves, points), without noise."""
    whole = part["substrings"]
    a = 1.05 * _CELL_V * cells / whole * (temp + 273.15) / 298.15
    sub_v = voc_v / whole * (1.0 - 0.0027 * (temp - 25.0)) + a * np.log(light)
    il = part["isc"] * light * (1.0 + 0.0005 * (temp - 25.0))
    rs = 0.045 * voc_v / part["isc"] / whole
    g = part["shunt"] * part["isc"] / voc_v * whole * light
    i0 = (il - g * sub_v) / np.expm1(sub_v / a)
    ends = np.linspace(0.0, 1.0, _GRID)
    # denser near Isc, where a sound curve is flat
    share = 1.0 - (1.0 - ends) ** 2.0
    current = il[:, None] * (1.0 + 1e-4) * share[None, ::-1]
    strong = _substring_v(current, il, i0=i0, rs=rs, g=g, a=a)
    weak = _substring_v(current, il * part["weak_share"], i0=i0, rs=rs, g=g, a=a)
    good = (whole - part["weak"] - missing)[:, None]
    v = good * np.maximum(strong, -_BYPASS_V) + part["weak"][:, None] * np.maximum(weak, -_BYPASS_V)
    v = v - current * part["lead_ohm"][:, None]
    at = np.linspace(0.0, 1.0, points)
    out_v, out_i = np.empty((len(v), points)), np.empty((len(v), points))
    for row in range(len(v)):
        out_v[row] = v[row, -1] * at
        out_i[row] = np.interp(out_v[row], v[row], current[row])
    return out_v, out_i


def _substring_v(
    current: FloatArray,
    il: FloatArray,
    *,
    i0: FloatArray,
    rs: FloatArray,
    g: FloatArray,
    a: FloatArray,
) -> FloatArray:
    """Voltage of one sub-string at each current, by Newton's method on its junction voltage."""
    il, i0, rs, g, a = (one[:, None] for one in (il, i0, rs, g, a))
    z = a * np.log(np.maximum((il - current) / i0, 1e-6) + 1.0)
    for _ in range(6):
        z = z - (il - i0 * np.expm1(z / a) - g * z - current) / (-i0 / a * np.exp(z / a) - g)
    return np.asarray(z - current * rs)
