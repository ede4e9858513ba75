"""The chain from weather to the meter, interval by interval, for the whole plant."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.design.plane_light import (
    DiffuseModifiers,
    PlaneLight,
    by_month,
    diffuse_modifiers,
    extraterrestrial,
    glass_modifier,
    plane_light,
)
from arraywright.design.weather import Weather, hours_of_mean_year, local_calendar, sun_of
from arraywright.design.yield_model import (
    YieldInverter,
    YieldLosses,
    YieldPlane,
    inverter_output,
)
from arraywright.physics import current_at_voltage, from_air, maximum_power, translate

__all__ = ["STEPS", "PlaneConditions", "plane_conditions"]

STEPS: Final = (
    ("plane", "tilt and direction of the plane"),
    ("shading", "shading"),
    ("soiling", "dirt and snow on the glass"),
    ("incidence", "reflection at the glass"),
    ("rear", "light on the rear"),
    ("low-light", "weak light"),
    ("temperature", "cell temperature"),
    ("light-induced", "first light and label"),
    ("mismatch", "unlike modules"),
    ("window", "outside the MPPT window"),
    ("dc-cable", "DC cables"),
    ("inverter", "inverter efficiency"),
    ("clipping", "inverter at its limit"),
    ("ac-cable", "AC cables and transformer"),
    ("unavailable", "out of service"),
)
"""Key and words of the steps from light on the horizontal to energy at the meter, in order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneConditions:
    """What strings in one plane meet, one element per interval.

    Attributes:
        light: irradiance in the plane, unshaded, by where it comes from.
        plane_w_m2: irradiance in the plane, unshaded [W/m2].
        effective_w_m2: irradiance that works in the cells, rear included [W/m2].
        cell_temp_c: cell temperature [degC].
    """

    light: PlaneLight
    plane_w_m2: FloatArray
    effective_w_m2: FloatArray
    cell_temp_c: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Sky:
    """What all planes share, for the intervals in use, in the order of the weather."""

    weather: Weather
    use: BoolArray
    hours: FloatArray
    month: IntArray
    year: IntArray
    light: dict[tuple[float, float], tuple[PlaneLight, FloatArray, DiffuseModifiers]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Push:
    """By how much a run departs from the best estimate."""

    light_ratio: float = 1.0
    warmer_k: float = 0.0
    power_ratio: float = 1.0


@dataclass(slots=True, kw_only=True)
class Levels:
    """Power of the whole plant after each step, (1 + steps, hours) [W], and what limits."""

    power_w: FloatArray
    plane_w: FloatArray
    clipped: BoolArray
    outside: BoolArray


def prepare(
    weather: Weather,
    planes: Sequence[YieldPlane],
    *,
    albedo_ratio: FloatArray,
    diffuse: DiffuseModifiers | None,
) -> Sky:
    use = weather.lit_columns_whole
    hours = hours_of_mean_year(weather, whole=use)
    weather = _dark_where_unknown(weather)
    calendar = local_calendar(weather)
    sun = sun_of(weather)
    extra = extraterrestrial(calendar.day_of_year)
    albedo = by_month(albedo_ratio, calendar.month, name="albedo_ratio")
    light: dict[tuple[float, float], tuple[PlaneLight, FloatArray, DiffuseModifiers]] = {}
    for plane in planes:
        key = (plane.tilt_deg, plane.azimuth_deg)
        if key in light:
            continue
        found = plane_light(
            sun,
            ghi_w_m2=weather.ghi_w_m2,
            dni_w_m2=weather.dni_w_m2,
            dhi_w_m2=weather.dhi_w_m2,
            extra_w_m2=extra,
            tilt_deg=plane.tilt_deg,
            azimuth_deg=plane.azimuth_deg,
            albedo_ratio=albedo,
        )
        passing = diffuse if diffuse is not None else diffuse_modifiers(plane.tilt_deg)
        light[key] = (found, glass_modifier(found.incidence_deg), passing)
    return Sky(
        weather=weather,
        use=use,
        hours=hours,
        month=calendar.month,
        year=calendar.year,
        light=light,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _LightSteps:
    plane: FloatArray
    shaded: FloatArray
    soiled: FloatArray
    passed: FloatArray
    effective: FloatArray
    cell_temp_c: FloatArray


def _light_steps(
    sky: Sky,
    plane: YieldPlane,
    losses: YieldLosses,
    *,
    heat_loss_w_m2_k: float,
    heat_loss_wind_w_s_m3_k: float,
    push: Push,
) -> _LightSteps:
    light, beam_passes, diffuse = sky.light[(plane.tilt_deg, plane.azimuth_deg)]
    total = light.total_w_m2 * push.light_ratio
    through = push.light_ratio * (
        (light.beam_w_m2 + light.circumsolar_w_m2) * beam_passes
        + light.sky_w_m2 * diffuse.sky_ratio
        + light.ground_w_m2 * diffuse.ground_ratio
    )
    lit = 1.0 - by_month(losses.shading_ratio, sky.month, name="shading_ratio")
    clean = 1.0 - by_month(losses.soiling_ratio, sky.month, name="soiling_ratio")
    rear = total * lit * plane.bifaciality_ratio * plane.rear_irradiance_ratio
    passed = through * lit * clean
    cell = from_air(
        "faiman",
        irradiance_w_m2=total * lit,
        air_temp_c=sky.weather.air_temp_c,
        wind_m_s=sky.weather.wind_m_s,
        heat_loss_w_m2_k=heat_loss_w_m2_k,
        heat_loss_wind_w_s_m3_k=heat_loss_wind_w_s_m3_k,
    )
    return _LightSteps(
        plane=total,
        shaded=total * lit,
        soiled=total * lit * clean,
        passed=passed,
        effective=passed + rear,
        cell_temp_c=cell.cell_temp_c + push.warmer_k,
    )


def _module_power(
    plane: YieldPlane, light: _LightSteps, use: BoolArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Power at 25 degC, power, voltage and current of one module, each (hours,)."""
    at = np.flatnonzero(use & (light.effective > 0.0))
    out = np.zeros((4, len(use)))
    warm = translate(
        plane.module,
        irradiance_w_m2=light.effective[at],
        cell_temp_c=light.cell_temp_c[at],
    )
    best = maximum_power(warm)
    cool = maximum_power(
        translate(plane.module, irradiance_w_m2=light.effective[at], cell_temp_c=25.0)
    )
    for row, values in enumerate((cool.pmp_w, best.pmp_w, best.vmp_v, best.imp_a)):
        out[row, at] = values
    return out[0], out[1], out[2], out[3]


def _outside_window(
    inverter: YieldInverter,
    plane: YieldPlane,
    light: _LightSteps,
    vmp_v: FloatArray,
    power_w: FloatArray,
) -> tuple[FloatArray, BoolArray]:
    """Share of the maximum power left at the edge of the MPPT window, and where it is needed."""
    string_v = vmp_v * plane.modules_in_series
    held_v = np.clip(string_v, inverter.mppt_min_v, inverter.mppt_max_v)
    outside = (power_w > 0.0) & (held_v != string_v)
    share = np.ones_like(power_w)
    at = np.flatnonzero(outside)
    if len(at):
        diode = translate(
            plane.module,
            irradiance_w_m2=light.effective[at],
            cell_temp_c=light.cell_temp_c[at],
        )
        edge_v = held_v[at] / plane.modules_in_series
        amps = np.maximum(current_at_voltage(diode, edge_v), 0.0)
        share[at] = amps * edge_v / power_w[at]
    return share, outside


def run_chain(
    sky: Sky,
    inverters: Sequence[YieldInverter],
    losses: YieldLosses,
    *,
    heat_loss_w_m2_k: float,
    heat_loss_wind_w_s_m3_k: float,
    push: Push,
) -> Levels:
    count = len(sky.weather)
    levels = np.zeros((len(STEPS) + 1, count))
    plane_w = np.zeros(count)
    clipped, outside = np.zeros(count, dtype=np.bool_), np.zeros(count, dtype=np.bool_)
    known: dict[int, tuple[_LightSteps, tuple[FloatArray, ...]]] = {}
    for inverter in inverters:
        dc = np.zeros(count)
        for plane in inverter.planes:
            if id(plane) not in known:
                light = _light_steps(
                    sky,
                    plane,
                    losses,
                    heat_loss_w_m2_k=heat_loss_w_m2_k,
                    heat_loss_wind_w_s_m3_k=heat_loss_wind_w_s_m3_k,
                    push=push,
                )
                known[id(plane)] = (light, _module_power(plane, light, sky.use))
            light, (cool, warm, vmp, imp) = known[id(plane)]
            modules = plane.modules_in_series * plane.strings
            nominal = plane.power_stc_w * inverter.count
            per_sun = nominal / 1000.0
            scale = float(modules * inverter.count)
            levels[0] += sky.weather.ghi_w_m2 * push.light_ratio * per_sun
            for row, values in enumerate(
                (light.plane, light.shaded, light.soiled, light.passed, light.effective), start=1
            ):
                levels[row] += values * per_sun
            plane_w += light.plane * per_sun
            levels[6] += cool * scale
            levels[7] += warm * scale
            settled = warm * (1.0 - losses.light_induced_ratio) * push.power_ratio
            matched = settled * (1.0 - losses.mismatch_ratio)
            share, out = _outside_window(inverter, plane, light, vmp, warm)
            in_window = matched * share
            rated = maximum_power(plane.module.at_reference())
            wire = losses.dc_cable_stc_ratio * float(rated.pmp_w[0])
            wire_w = wire * (imp / float(rated.imp_a[0])) ** 2
            delivered = np.maximum(in_window - wire_w, 0.0)
            for row, values in enumerate((settled, matched, in_window, delivered), start=8):
                levels[row] += values * scale
            dc += delivered * modules
            outside |= out
        ac = inverter_output(
            dc,
            ac_power_w=inverter.ac_power_w,
            efficiency_ratio=inverter.efficiency_ratio,
            curve=inverter.efficiency_curve,
        )
        cut = np.minimum(ac, inverter.ac_power_w)
        clipped |= ac > inverter.ac_power_w
        levels[12] += ac * inverter.count
        levels[13] += cut * inverter.count
    levels[14] = levels[13] * (1.0 - losses.ac_cable_ratio)
    levels[15] = levels[14] * (1.0 - losses.unavailable_ratio)
    return Levels(power_w=levels, plane_w=plane_w, clipped=clipped, outside=outside)


def _dark_where_unknown(weather: Weather) -> Weather:
    """The weather with zeros where an interval is not whole; such intervals count for nothing."""
    use = weather.lit_columns_whole
    if use.all():
        return weather
    return replace(
        weather,
        ghi_w_m2=np.where(use, weather.ghi_w_m2, 0.0),
        dni_w_m2=np.where(use, weather.dni_w_m2, 0.0),
        dhi_w_m2=np.where(use, weather.dhi_w_m2, 0.0),
        air_temp_c=np.where(use, weather.air_temp_c, 0.0),
        wind_m_s=np.where(use, weather.wind_m_s, 0.0),
    )


def plane_conditions(
    weather: Weather,
    plane: YieldPlane,
    *,
    losses: YieldLosses,
    albedo_ratio: FloatArray,
    heat_loss_w_m2_k: float = 25.0,
    heat_loss_wind_w_s_m3_k: float = 6.84,
    diffuse: DiffuseModifiers | None = None,
) -> PlaneConditions:
    """Irradiance that works in the cells [W/m2] and cell temperature of one plane, by interval.

    For whoever asks at how many hours a string is outside its window. Arguments as
    ``first_year``; each interval stands for the hours that ``hours_of_mean_year`` gives.

    Source: hay-davies-1980; faiman-2008 eq. 4.
    """
    sky = prepare(weather, (plane,), albedo_ratio=albedo_ratio, diffuse=diffuse)
    found = _light_steps(
        sky,
        plane,
        losses,
        heat_loss_w_m2_k=heat_loss_w_m2_k,
        heat_loss_wind_w_s_m3_k=heat_loss_wind_w_s_m3_k,
        push=Push(),
    )
    return PlaneConditions(
        light=sky.light[(plane.tilt_deg, plane.azimuth_deg)][0],
        plane_w_m2=found.plane,
        effective_w_m2=found.effective,
        cell_temp_c=found.cell_temp_c,
    )
