"""Invented modules, weather and instruments' lags for test days, by pvlib and plain arithmetic."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pvlib

from arraywright.arrays import FloatArray
from arraywright.plant import ModuleType, PowerClass

__all__ = [
    "CLASS_STEP",
    "STC",
    "SUBSTRINGS",
    "Course",
    "carried",
    "course_of",
    "module_type",
    "stc_points",
    "string_isc",
    "voc_of",
]

SUBSTRINGS: Final = 3
STC: Final = {
    "I_L_ref": 13.95,
    "I_o_ref": 7.0e-12,
    "R_sh_ref": 420.0,
    "R_s": 0.19,
    "a_ref": 1.845,
}
"""An invented module of 72 cells; about 570 W."""
_ALPHA_A_PER_K: Final = 0.0065
CLASS_STEP: Final = 0.007
_STEP_S: Final = 5.0


def stc_points(light_ratio: float) -> dict[str, float]:
    found = pvlib.pvsystem.singlediode(
        STC["I_L_ref"] * light_ratio,
        STC["I_o_ref"],
        STC["R_s"],
        STC["R_sh_ref"],
        STC["a_ref"],
    )
    return {name: float(found[name]) for name in ("v_oc", "i_sc", "v_mp", "i_mp", "p_mp")}


def carried(irradiance: FloatArray, temp_c: FloatArray) -> tuple[FloatArray, ...]:
    return tuple(
        np.asarray(part, dtype=np.float64)
        for part in pvlib.pvsystem.calcparams_desoto(
            irradiance,
            temp_c,
            alpha_sc=_ALPHA_A_PER_K,
            EgRef=1.121,
            dEgdT=-0.0002677,
            **STC,
        )
    )


def beta() -> float:
    """Temperature coefficient of Voc [1/K], as a data sheet rounds it."""
    volts = []
    for temp in (20.0, 30.0):
        light, dark, rs, rsh, a = carried(np.array([1000.0]), np.array([temp]))
        volts.append(float(pvlib.pvsystem.singlediode(light, dark, rs, rsh, a)["v_oc"][0]))
    return round((volts[1] - volts[0]) / 10.0 / stc_points(1.0)["v_oc"], 4)


def module_type() -> ModuleType:
    classes = []
    for step in (-1, 0, 1):
        point = stc_points(1.0 + CLASS_STEP * step)
        power = 545.0 + 5.0 * step
        classes.append(
            PowerClass(
                power_w=power,
                pmax_min_w=power - 2.5,
                pmax_max_w=power + 2.5,
                voc_v=round(point["v_oc"], 2),
                isc_a=round(point["i_sc"], 2),
                vmp_v=round(point["v_mp"], 2),
                imp_a=round(point["i_mp"], 2),
            )
        )
    return ModuleType(
        key="drawn",
        description="invented 72-cell module",
        names=(),
        cells_in_series=72,
        bypass_substrings=SUBSTRINGS,
        voc_tolerance_ratio=0.03,
        isc_tolerance_ratio=0.03,
        pmax_tolerance_ratio=0.03,
        alpha_isc_per_k=round(_ALPHA_A_PER_K / stc_points(1.0)["i_sc"], 5),
        beta_voc_per_k=beta(),
        gamma_pmax_per_k=-0.0034,
        nmot_c=43.0,
        max_system_voltage_v=1500.0,
        series_fuse_a=25.0,
        length_mm=2278.0,
        width_mm=1134.0,
        thickness_mm=35.0,
        mass_kg=28.0,
        bifaciality_ratio=0.0,
        power_classes=tuple(classes),
        current_classes=(),
        torque_min_nm=18.0,
        torque_max_nm=24.0,
        pallet_modules=31,
        pallet_stack_max=2,
        loose_stack_max=20,
        operating_min_c=-40.0,
        operating_max_c=85.0,
        serial_pattern="",
    )


def _clouds(rng: np.random.Generator, points: int) -> FloatArray:
    """Transmission over a day on a fine grid, with bright edges."""
    through = np.ones(points)
    at = int(rng.exponential(1500.0) / _STEP_S)
    while at < points:
        long = max(int(rng.exponential(360.0) / _STEP_S), 4)
        deep = rng.uniform(0.35, 0.85)
        edge = int(rng.uniform(15.0, 50.0) / _STEP_S) + 1
        shape = np.full(long + 2 * edge, deep)
        ramp = np.linspace(1.0, deep, edge)
        shape[:edge], shape[-edge:] = ramp, ramp[::-1]
        bright = rng.uniform(1.0, 1.08)
        for start in (at - 12, at + len(shape)):
            low, high = max(start, 0), min(max(start + 12, 0), points)
            through[low:high] = np.maximum(through[low:high], bright)
        stop = min(at + len(shape), points)
        through[at:stop] = shape[: stop - at]
        at = stop + int(rng.exponential(1500.0) / _STEP_S) + 24
    return through


def _lagged(value: FloatArray, tau_s: float) -> FloatArray:
    """First-order lag on the fine grid."""
    out = np.empty_like(value)
    keep = np.exp(-_STEP_S / tau_s)
    held = value[0]
    for place, now in enumerate(value.tolist()):
        held = keep * held + (1.0 - keep) * now
        out[place] = held
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What one crew's day was like at each of its readings, (readings,)."""

    light: FloatArray
    sensed: FloatArray
    stale: FloatArray
    cell_c: FloatArray
    back_c: FloatArray


def course_of(rng: np.random.Generator, *, readings: int, cloudy: bool) -> Course:
    """Draw a crew's day: light at the string, light at the sensor, cells and back surface."""
    points = int((readings * 60.0 + 1800.0) / _STEP_S)
    hours = np.arange(points) * _STEP_S / 3600.0
    arch = 960.0 * np.cos((hours - 3.0) / 13.0 * np.pi)
    through = _clouds(rng, points) if cloudy else np.ones(points)
    light = arch * through
    # the sensor stands some way off: the cloud is there a little earlier or later
    elsewhere = np.roll(through, int(rng.integers(-2, 3)))
    sensed = _lagged(arch * elsewhere, 3.0)
    gusts = np.zeros(points)
    keep, kick = np.exp(-_STEP_S / 1800.0), 0.0
    for place, drawn in enumerate(rng.standard_normal(points).tolist()):
        kick = keep * kick + 0.3 * np.sqrt(1.0 - keep * keep) * drawn
        gusts[place] = kick
    air = 9.0 + 5.0 * np.sin((hours - 1.0) / 8.0 * np.pi)
    cell = air + 0.028 * _lagged(light, 400.0) + gusts
    back = air + 0.025 * _lagged(arch * elsewhere, 400.0) + gusts
    moments = ((np.arange(readings) * 60.0 + 900.0) / _STEP_S).astype(np.int64)
    return Course(
        light=light[moments],
        sensed=sensed[moments],
        stale=sensed[np.maximum(moments - 120, 0)],
        cell_c=cell[moments],
        back_c=back[moments],
    )


def voc_of(light: FloatArray, dark: FloatArray, rsh: FloatArray, a: FloatArray) -> FloatArray:
    """Open-circuit voltage of single diodes by Newton's method, any shape."""
    volts = a * np.log1p(light / dark)
    for _ in range(4):
        grown = dark * np.exp(volts / a)
        volts = volts - (light - grown + dark - volts / rsh) / (-grown / a - 1.0 / rsh)
    return volts


def string_isc(
    light: FloatArray, present: FloatArray, dark: FloatArray, a: FloatArray
) -> FloatArray:
    """Current of strings at no voltage, modules beyond their own current held by bypass diodes."""
    low, high = light.min(axis=1), light.max(axis=1)
    for _ in range(22):
        middle = 0.5 * (low + high)
        over = light - middle[:, None]
        ahead = a * np.log1p(np.maximum(over, 0.0) / dark) - middle[:, None] * STC["R_s"]
        volts = np.where(over > 0.0, ahead, np.maximum(over * STC["R_sh_ref"], -0.6 * SUBSTRINGS))
        positive = (volts * present).sum(axis=1) > 0.0
        low, high = np.where(positive, middle, low), np.where(positive, high, middle)
    return np.asarray(0.5 * (low + high) * (1.0 - 1e-3))
