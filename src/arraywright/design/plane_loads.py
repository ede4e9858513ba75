"""Pressure of wind and snow on the plane of modules, put together step by step.

The steps carry symbols, so that an engineer can follow them by hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.arrays import FloatArray, FloatLike
from arraywright.design import wind_snow
from arraywright.design.check import Input, Practice, Values
from arraywright.design.data_tables import standard_values

__all__ = [
    "ASCE_SNOW",
    "ASCE_WIND",
    "EN_SNOW",
    "EN_WIND",
    "LoadStep",
    "allowable_lift",
    "allowable_press",
    "combined_press",
    "load_steps",
    "pressure_down",
    "pressure_up",
    "snow_with_wind_ratio",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadStep:
    """One step from map values to the pressure on the plane.

    Attributes:
        symbol: symbol, for example ``qp``.
        formula: formula in the symbols of the inputs and of earlier steps.
        value: value of each variant, (variants,).
        unit: unit as printed.
        basis: source key and clause.
    """

    symbol: str
    formula: str
    value: FloatArray
    unit: str
    basis: str


def _input(name: str, symbol: str, unit: str, meaning: str, key: str) -> Input:
    return Input(name=name, symbol=symbol, unit=unit, meaning=meaning, key=key)


_HEIGHT: Final = _input(
    "height_m", "z", "m", "height of the upper edge above ground", "loads.height_m"
)
_WIND: Final = _input("basic_wind_m_s", "V", "m/s", "basic wind speed", "loads.basic_wind_m_s")
EN_WIND: Final[tuple[Input, ...]] = (
    _WIND,
    _HEIGHT,
    _input("roughness_length_m", "z0", "m", "roughness length", "loads.terrain_category"),
    _input("least_height_m", "zmin", "m", "least height", "loads.terrain_category"),
    _input("orography_ratio", "co", "1", "orography factor", "loads.orography_ratio"),
)
"""Inputs of the wind by EN 1991-1-4, pressure coefficient apart."""
ASCE_WIND: Final[tuple[Input, ...]] = (
    _WIND,
    _HEIGHT,
    _input("power_exponent_ratio", "alpha", "1", "exponent", "loads.exposure_category"),
    _input("gradient_height_m", "zg", "m", "gradient height", "loads.exposure_category"),
    _input("topography_ratio", "Kzt", "1", "topographic factor", "loads.topography_ratio"),
    _input("directionality_ratio", "Kd", "1", "directionality", "loads.directionality_ratio"),
)
"""Inputs of the wind by ASCE 7-16, pressure coefficient apart."""
_TILT: Final = _input("tilt_deg", "tilt", "deg", "tilt of the tables", "layout.block[].tilt_deg")
_GROUND_SNOW: Final = _input(
    "ground_snow_pa", "sk", "Pa", "characteristic snow load of the ground", "loads.ground_snow_pa"
)
_SNOW_EXPOSURE: Final = _input(
    "snow_exposure_ratio", "Ce", "1", "exposure factor of snow", "loads.snow_exposure_ratio"
)
_SNOW_THERMAL: Final = _input(
    "snow_thermal_ratio", "Ct", "1", "thermal factor of snow", "loads.snow_thermal_ratio"
)
EN_SNOW: Final[tuple[Input, ...]] = (
    _GROUND_SNOW,
    _SNOW_EXPOSURE,
    _SNOW_THERMAL,
    _input(
        "sliding_hindered_ratio",
        "h",
        "1",
        "whether snow is kept from sliding off (1 yes, 0 no)",
        "loads.snow_sliding_hindered",
    ),
    _TILT,
    _input(
        "snow_with_wind_ratio",
        "ps",
        "1",
        "part of snow beside full wind",
        "loads.snow_with_wind_ratio",
    ),
    _input(
        "wind_with_snow_ratio",
        "pw",
        "1",
        "part of wind beside full snow",
        "loads.wind_with_snow_ratio",
    ),
)
"""Inputs of snow by EN 1991-1-3 and of its combination with wind."""
ASCE_SNOW: Final[tuple[Input, ...]] = (
    _input("ground_snow_pa", "pg", "Pa", "ground snow load", "loads.ground_snow_pa"),
    _SNOW_EXPOSURE,
    _SNOW_THERMAL,
    _input("snow_importance_ratio", "Is", "1", "importance factor", "loads.snow_importance_ratio"),
    _input("snow_slope_ratio", "Cs", "1", "slope factor of snow", "loads.snow_slope_ratio"),
    _TILT,
)
"""Inputs of snow by ASCE 7-16."""


def snow_with_wind_ratio(elevation_m: FloatLike) -> FloatArray:
    """Part of snow that stands beside full wind [1]: 0.5 up to 1000 m above the sea, above 0.7.

    Source: en-1990 table A1.1 (recommended; given from memory).
    """
    held = standard_values("wind_snow")["combination"]
    high = np.asarray(elevation_m, dtype=np.float64) > held["snow_high_above_m"]
    return np.asarray(
        np.where(high, held["snow_with_wind_high"], held["snow_with_wind_low"]), dtype=np.float64
    )


def combined_press(
    wind_pa: FloatLike,
    *,
    snow_pa: FloatLike,
    snow_with_wind_ratio: FloatLike,
    wind_with_snow_ratio: FloatLike,
) -> FloatArray:
    """Pressure that wind and snow put on the plane together [Pa], characteristic.

    ``max(w + ps s, s + pw w)``: each leads once, the other stands beside it with its part; wind
    that lifts does not relieve snow. No partial factors: the module's design load is held
    against the loads as they are, and the factor of the test is on the module's side.

    Source: en-1990 eq. 6.14b.
    """
    wind = np.maximum(np.asarray(wind_pa, dtype=np.float64), 0.0)
    snow = np.asarray(snow_pa, dtype=np.float64)
    leading_wind = wind + np.asarray(snow_with_wind_ratio) * snow
    leading_snow = snow + np.asarray(wind_with_snow_ratio) * wind
    return np.asarray(np.maximum(leading_wind, leading_snow))


def allowable_press(wind_pa: FloatLike, *, snow_pa: FloatLike) -> FloatArray:
    """Pressure that wind and snow put on the plane together [Pa], allowable stress level.

    ``max(S, 0.6 W, 0.75 S + 0.75 (0.6 W))`` with the wind at strength level. Dead load is left
    out on both sides: the test of the module is made with its own weight on it.

    Source: asce-7-16 2.4.1 (given from memory).
    """
    held = standard_values("wind_snow")["combination"]
    wind = held["asd_wind"] * np.maximum(np.asarray(wind_pa, dtype=np.float64), 0.0)
    snow = np.asarray(snow_pa, dtype=np.float64)
    both = held["asd_both"] * (wind + snow)
    return np.asarray(np.maximum(np.maximum(wind, snow), both))


def allowable_lift(wind_pa: FloatLike) -> FloatArray:
    """Lift on the plane [Pa], allowable stress level, ``0.6 W``; weight is not taken as relief.

    The lift is positive; wind that presses lifts nothing.

    Source: asce-7-16 2.4.1 (given from memory).
    """
    held = standard_values("wind_snow")["combination"]
    return np.asarray(held["asd_wind"] * np.maximum(-np.asarray(wind_pa, dtype=np.float64), 0.0))


def _en_wind_steps(values: Values) -> tuple[LoadStep, ...]:
    ground = {
        "roughness_length_m": values["roughness_length_m"],
        "least_height_m": values["least_height_m"],
    }
    height, orography = values["height_m"], values["orography_ratio"]
    basic = wind_snow.basic_velocity_pressure(values["basic_wind_m_s"])
    factor = wind_snow.roughness_factor(height, **ground)
    turbulence = wind_snow.turbulence_intensity(height, orography_ratio=orography, **ground)
    exposure = wind_snow.exposure_factor(height, orography_ratio=orography, **ground)
    key = "en-1991-1-4"
    return (
        _step("qb", "0.5 x 1.25 x V^2", basic, "Pa", f"{key} eq. 4.10"),
        _step("cr", "0.19 (z0 / 0.05)^0.07 ln(z / z0)", factor, "1", f"{key} eq. 4.4"),
        _step("Iv", "1 / (co ln(z / z0))", turbulence, "1", f"{key} eq. 4.7"),
        _step("ce", "(1 + 7 Iv) cr^2 co^2", exposure, "1", f"{key} eq. 4.8"),
        _step("q", "ce qb", exposure * basic, "Pa", f"{key} eq. 4.8"),
    )


def _asce_wind_steps(values: Values) -> tuple[LoadStep, ...]:
    exposure = wind_snow.velocity_pressure_exposure(
        values["height_m"],
        power_exponent_ratio=values["power_exponent_ratio"],
        gradient_height_m=values["gradient_height_m"],
    )
    pressure = wind_snow.velocity_pressure(
        values["basic_wind_m_s"],
        exposure_ratio=exposure,
        topography_ratio=values["topography_ratio"],
        directionality_ratio=values["directionality_ratio"],
    )
    key = "asce-7-16"
    return (
        _step("Kz", "2.01 (z / zg)^(2 / alpha)", exposure, "1", f"{key} table 26.10-1"),
        _step("q", "0.613 Kz Kzt Kd V^2", pressure, "Pa", f"{key} eq. 26.10-1"),
    )


def _en_snow_steps(values: Values) -> tuple[LoadStep, ...]:
    shape = wind_snow.snow_shape_coefficient(
        values["tilt_deg"], sliding_hindered_ratio=values["sliding_hindered_ratio"]
    )
    level = wind_snow.roof_snow_load(
        values["ground_snow_pa"],
        shape_ratio=shape,
        exposure_ratio=values["snow_exposure_ratio"],
        thermal_ratio=values["snow_thermal_ratio"],
    )
    key = "en-1991-1-3"
    return (
        _step("mu1", "0.8 to 30 deg, 0.8 (60 - tilt) / 30 to 60 deg", shape, "1", f"{key} 5.3.2"),
        _step("s", "mu1 Ce Ct sk", level, "Pa", f"{key} eq. 5.1"),
        _across(level, values),
    )


def _asce_snow_steps(values: Values) -> tuple[LoadStep, ...]:
    flat = wind_snow.flat_roof_snow_load(
        values["ground_snow_pa"],
        exposure_ratio=values["snow_exposure_ratio"],
        thermal_ratio=values["snow_thermal_ratio"],
        importance_ratio=values["snow_importance_ratio"],
    )
    level = wind_snow.sloped_roof_snow_load(flat, slope_ratio=values["snow_slope_ratio"])
    key = "asce-7-16"
    return (
        _step("pf", "0.7 Ce Ct Is pg", flat, "Pa", f"{key} eq. 7.3-1"),
        _step("s", "Cs pf", level, "Pa", f"{key} eq. 7.4-1"),
        _across(level, values),
    )


def _across(level: FloatArray, values: Values) -> LoadStep:
    pressure = wind_snow.normal_snow_pressure(level, tilt_deg=values["tilt_deg"])
    return _step("S", "s cos^2(tilt)", pressure, "Pa", "en-1991-1-3 5.2")


def _step(symbol: str, formula: str, value: FloatArray, unit: str, basis: str) -> LoadStep:
    return LoadStep(
        symbol=symbol, formula=formula, value=np.atleast_1d(value), unit=unit, basis=basis
    )


def _wind(values: Values, practice: Practice, coefficient: str) -> tuple[LoadStep, ...]:
    steps = _en_wind_steps(values) if practice is Practice.IEC else _asce_wind_steps(values)
    pressure = wind_snow.wind_pressure(steps[-1].value, net_coefficient_ratio=values[coefficient])
    basis = "en-1991-1-4 5.2" if practice is Practice.IEC else "asce-7-16 27.3.2"
    return (*steps, _step("W", "q c", pressure, "Pa", basis))


def load_steps(
    values: Values, *, practice: Practice, upwards: bool = False
) -> tuple[LoadStep, ...]:
    """Every step from the description to the pressure on the plane [Pa], the last is the result.

    Args:
        values: inputs by name: those of ``EN_WIND`` and ``EN_SNOW``, or of ``ASCE_WIND`` and
            ``ASCE_SNOW``, and ``press_coefficient_ratio`` or ``lift_coefficient_ratio``.
        practice: family of standards.
        upwards: the lift, with wind alone, instead of the pressure down.

    Source: en-1991-1-4; en-1991-1-3; en-1990 eq. 6.14b; asce-7-16 2.4.1
    """
    if upwards:
        wind = _wind(values, practice, "lift_coefficient_ratio")
        if practice is Practice.IEC:
            lift = np.maximum(-wind[-1].value, 0.0)
            return (*wind, _step("p", "-W", lift, "Pa", "en-1990 eq. 6.14b"))
        lift = allowable_lift(wind[-1].value)
        return (*wind, _step("p", "-0.6 W", lift, "Pa", "asce-7-16 2.4.1"))
    wind = _wind(values, practice, "press_coefficient_ratio")
    if practice is Practice.IEC:
        snow = _en_snow_steps(values)
        press = combined_press(
            wind[-1].value,
            snow_pa=snow[-1].value,
            snow_with_wind_ratio=values["snow_with_wind_ratio"],
            wind_with_snow_ratio=values["wind_with_snow_ratio"],
        )
        last = _step("p", "max(W + ps S, S + pw W)", press, "Pa", "en-1990 eq. 6.14b")
    else:
        snow = _asce_snow_steps(values)
        press = allowable_press(wind[-1].value, snow_pa=snow[-1].value)
        last = _step("p", "max(S, 0.6 W, 0.75 (S + 0.6 W))", press, "Pa", "asce-7-16 2.4.1")
    return (*wind, *snow, last)


def pressure_down(values: Values, *, practice: Practice) -> FloatArray:
    """Pressure on the plane [Pa] of wind and snow together, (variants,); see ``load_steps``.

    Source: en-1990 eq. 6.14b; asce-7-16 2.4.1
    """
    return load_steps(values, practice=practice)[-1].value


def pressure_up(values: Values, *, practice: Practice) -> FloatArray:
    """Lift on the plane [Pa] of wind alone, positive upwards, (variants,); see ``load_steps``.

    Source: en-1990 eq. 6.14b; asce-7-16 2.4.1
    """
    return load_steps(values, practice=practice, upwards=True)[-1].value
