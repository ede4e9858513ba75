"""Wind and snow on a plane of modules, by the basic formulas of EN 1991 and ASCE 7.

The formulas give pressures from stated inputs; pressure coefficients, maps of wind and snow,
drifts, sliding snow of roofs above and dynamic effects are the business of the structural
engineer and of local codes. Values outside a formula's range come out as nan, never as a guess.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.arrays import FloatArray, FloatLike
from arraywright.design.data_tables import standard_values
from arraywright.errors import CallError

__all__ = [
    "AIR_DENSITY_KG_M3",
    "ExposureCategory",
    "TerrainCategory",
    "basic_velocity_pressure",
    "customary_velocity_pressure",
    "exposure_category",
    "exposure_factor",
    "flat_roof_snow_load",
    "ground_elevation_factor",
    "mean_wind_velocity",
    "normal_snow_pressure",
    "peak_velocity_pressure",
    "roof_snow_load",
    "roughness_factor",
    "sloped_roof_snow_load",
    "snow_shape_coefficient",
    "terrain_category",
    "terrain_factor",
    "turbulence_intensity",
    "velocity_pressure",
    "velocity_pressure_exposure",
    "wind_pressure",
]

AIR_DENSITY_KG_M3: Final = 1.25
"""Density of air recommended by EN 1991-1-4 4.5; national annexes may say otherwise."""
GREATEST_HEIGHT_M: Final = 200.0
REFERENCE_ROUGHNESS_M: Final = 0.05
LEAST_EXPOSURE_HEIGHT_M: Final = 4.572
"""15 ft: below it the exposure coefficient of ASCE 7-16 does not fall further."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TerrainCategory:
    """Roughness of the ground by EN 1991-1-4 table 4.1.

    Attributes:
        name: ``0``, ``I``, ``II``, ``III`` or ``IV``.
        roughness_length_m: roughness length z0 [m].
        least_height_m: height zmin below which the wind is taken as at it [m].
    """

    name: str
    roughness_length_m: float
    least_height_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureCategory:
    """Exposure by ASCE 7-16 table 26.11-1.

    Attributes:
        name: ``B``, ``C`` or ``D``.
        power_exponent_ratio: exponent alpha of the power law [1].
        gradient_height_m: height zg above which the ground is not felt [m].
    """

    name: str
    power_exponent_ratio: float
    gradient_height_m: float


def _row(table: str, name: str, what: str) -> list[float]:
    rows = {
        key: value
        for key, value in standard_values("wind_snow")[table].items()
        if isinstance(value, list)
    }
    if name not in rows:
        raise CallError(
            "value-out-of-range",
            f"Found {what} {name}; required: one of {', '.join(rows)}.",
            "Take the category from the standard or its national annex.",
        )
    return [float(value) for value in rows[name]]


def terrain_category(name: str) -> TerrainCategory:
    """Roughness length and least height of a terrain category ``0``, ``I`` to ``IV``.

    Raises:
        CallError: ``value-out-of-range`` for another name.

    Source: en-1991-1-4 table 4.1, recommended values.
    """
    roughness, least = _row("terrain_en1991_1_4", name, "terrain category")
    return TerrainCategory(name=name, roughness_length_m=roughness, least_height_m=least)


def exposure_category(name: str) -> ExposureCategory:
    """Constants of the power law of an exposure category ``B``, ``C`` or ``D``.

    Raises:
        CallError: ``value-out-of-range`` for another name.

    Source: asce-7-16 table 26.11-1.
    """
    exponent, gradient = _row("exposure_asce7_16", name, "exposure category")
    return ExposureCategory(name=name, power_exponent_ratio=exponent, gradient_height_m=gradient)


def _within(value: FloatLike, low: float, high: float) -> FloatArray:
    """Give the value where it lies in the range of a formula, nan elsewhere."""
    held = np.asarray(value, dtype=np.float64)
    return np.where((held >= low) & (held <= high), held, np.nan)


def basic_velocity_pressure(
    basic_wind_m_s: FloatLike, *, air_density_ratio: FloatLike = 1.0
) -> FloatArray:
    """Basic velocity pressure [Pa] of the basic wind velocity.

    ``qb = 0.5 rho vb^2`` with ``rho = 1.25 kg/m3`` times ``air_density_ratio``. The wind is the
    10 min mean at 10 m above open country with return period 50 years; negative gives nan.

    Source: en-1991-1-4 eq. 4.10.
    """
    wind = _within(basic_wind_m_s, 0.0, np.inf)
    return np.asarray(0.5 * AIR_DENSITY_KG_M3 * np.asarray(air_density_ratio) * wind**2)


def terrain_factor(roughness_length_m: FloatLike) -> FloatArray:
    """Terrain factor [1], ``kr = 0.19 (z0 / 0.05 m)^0.07``.

    Roughness length from 0.003 to 1 m, outside nan.

    Source: en-1991-1-4 eq. 4.5.
    """
    roughness = _within(roughness_length_m, 0.003, 1.0)
    return np.asarray(0.19 * (roughness / REFERENCE_ROUGHNESS_M) ** 0.07)


def _height(height_m: FloatLike, least_height_m: FloatLike) -> FloatArray:
    height = _within(height_m, 0.0, GREATEST_HEIGHT_M)
    return np.maximum(height, np.asarray(least_height_m, dtype=np.float64))


def roughness_factor(
    height_m: FloatLike, *, roughness_length_m: FloatLike, least_height_m: FloatLike
) -> FloatArray:
    """Roughness factor [1] at a height above the ground.

    ``cr = kr ln(z / z0)``, with ``z`` not below ``zmin``; above 200 m nan.

    Source: en-1991-1-4 eq. 4.4.
    """
    height = _height(height_m, least_height_m)
    return np.asarray(terrain_factor(roughness_length_m) * np.log(height / roughness_length_m))


def mean_wind_velocity(
    basic_wind_m_s: FloatLike,
    *,
    height_m: FloatLike,
    roughness_length_m: FloatLike,
    least_height_m: FloatLike,
    orography_ratio: FloatLike = 1.0,
) -> FloatArray:
    """Mean wind velocity [m/s] at a height, ``vm = cr co vb``.

    ``orography_ratio`` is ``co``, 1 on flat land; more on hills and edges.

    Source: en-1991-1-4 eq. 4.3.
    """
    factor = roughness_factor(
        height_m, roughness_length_m=roughness_length_m, least_height_m=least_height_m
    )
    wind = _within(basic_wind_m_s, 0.0, np.inf)
    return np.asarray(factor * np.asarray(orography_ratio) * wind)


def turbulence_intensity(
    height_m: FloatLike,
    *,
    roughness_length_m: FloatLike,
    least_height_m: FloatLike,
    orography_ratio: FloatLike = 1.0,
) -> FloatArray:
    """Turbulence intensity [1] at a height, ``Iv = 1 / (co ln(z / z0))``.

    The turbulence factor ``kI`` is 1 as recommended; ``z`` not below ``zmin``.

    Source: en-1991-1-4 eq. 4.7.
    """
    height = _height(height_m, least_height_m)
    return np.asarray(1.0 / (np.asarray(orography_ratio) * np.log(height / roughness_length_m)))


def exposure_factor(
    height_m: FloatLike,
    *,
    roughness_length_m: FloatLike,
    least_height_m: FloatLike,
    orography_ratio: FloatLike = 1.0,
) -> FloatArray:
    """Exposure factor [1] at a height, ``ce = (1 + 7 Iv) cr^2 co^2``.

    Source: en-1991-1-4 eq. 4.8 and 4.9.
    """
    factor = roughness_factor(
        height_m, roughness_length_m=roughness_length_m, least_height_m=least_height_m
    )
    turbulence = turbulence_intensity(
        height_m,
        roughness_length_m=roughness_length_m,
        least_height_m=least_height_m,
        orography_ratio=orography_ratio,
    )
    return np.asarray((1.0 + 7.0 * turbulence) * (factor * np.asarray(orography_ratio)) ** 2)


def peak_velocity_pressure(
    basic_wind_m_s: FloatLike,
    *,
    height_m: FloatLike,
    roughness_length_m: FloatLike,
    least_height_m: FloatLike,
    orography_ratio: FloatLike = 1.0,
    air_density_ratio: FloatLike = 1.0,
) -> FloatArray:
    """Peak velocity pressure [Pa] at a height, ``qp = ce qb``.

    Source: en-1991-1-4 eq. 4.8.
    """
    return exposure_factor(
        height_m,
        roughness_length_m=roughness_length_m,
        least_height_m=least_height_m,
        orography_ratio=orography_ratio,
    ) * basic_velocity_pressure(basic_wind_m_s, air_density_ratio=air_density_ratio)


def wind_pressure(
    velocity_pressure_pa: FloatLike, *, net_coefficient_ratio: FloatLike
) -> FloatArray:
    """Net wind pressure on the plane [Pa], ``w = q c``.

    The net pressure coefficient (EN 1991-1-4 ``cp,net``, ASCE 7 ``GCn`` or ``G CN``) is an input:
    positive presses the plane down, negative lifts it.

    Source: en-1991-1-4 5.2; asce-7-16 27.3.2
    """
    return np.asarray(np.asarray(velocity_pressure_pa) * np.asarray(net_coefficient_ratio))


def velocity_pressure_exposure(
    height_m: FloatLike, *, power_exponent_ratio: FloatLike, gradient_height_m: FloatLike
) -> FloatArray:
    """Velocity pressure exposure coefficient [1] of ASCE 7-16.

    ``Kz = 2.01 (z / zg)^(2 / alpha)``, ``z`` not below 15 ft (4.572 m); above ``zg`` nan. The
    edition of 2022 has other constants.

    Source: asce-7-16 table 26.10-1.
    """
    height = np.maximum(_within(height_m, 0.0, np.inf), LEAST_EXPOSURE_HEIGHT_M)
    gradient = np.asarray(gradient_height_m, dtype=np.float64)
    height = np.where(height <= gradient, height, np.nan)
    return np.asarray(2.01 * (height / gradient) ** (2.0 / np.asarray(power_exponent_ratio)))


def ground_elevation_factor(elevation_m: FloatLike) -> FloatArray:
    """Ground elevation factor [1] of ASCE 7-16, ``Ke = exp(-0.000119 z)``, z in m above the sea.

    It may always be taken as 1, which is on the safe side above sea level.

    Source: asce-7-16 table 26.9-1.
    """
    return np.asarray(np.exp(-0.000119 * np.asarray(elevation_m, dtype=np.float64)))


def velocity_pressure(
    basic_wind_m_s: FloatLike,
    *,
    exposure_ratio: FloatLike,
    topography_ratio: FloatLike = 1.0,
    directionality_ratio: FloatLike = 0.85,
    elevation_ratio: FloatLike = 1.0,
) -> FloatArray:
    """Velocity pressure [Pa] of ASCE 7-16, ``q = 0.613 Kz Kzt Kd Ke V^2``.

    The wind is the 3 s gust at 10 m over open country of the risk category's map (strength
    level).

    Args:
        basic_wind_m_s: basic wind speed V; negative gives nan.
        exposure_ratio: Kz, see ``velocity_pressure_exposure``.
        topography_ratio: Kzt, 1 on flat land.
        directionality_ratio: Kd, 0.85 for buildings and open frames.
        elevation_ratio: Ke, see ``ground_elevation_factor``.

    Source: asce-7-16 eq. 26.10-1.si.
    """
    wind = _within(basic_wind_m_s, 0.0, np.inf)
    factors = (
        np.asarray(exposure_ratio)
        * np.asarray(topography_ratio)
        * np.asarray(directionality_ratio)
        * np.asarray(elevation_ratio)
    )
    return np.asarray(0.613 * factors * wind**2)


def customary_velocity_pressure(
    basic_wind_mph: FloatLike,
    *,
    exposure_ratio: FloatLike,
    topography_ratio: FloatLike = 1.0,
    directionality_ratio: FloatLike = 0.85,
    elevation_ratio: FloatLike = 1.0,
) -> FloatArray:
    """Velocity pressure [lbf/ft2] of ASCE 7-16, ``q = 0.00256 Kz Kzt Kd Ke V^2``, V in mph.

    For working by hand beside the maps; arguments as ``velocity_pressure``, from which it
    differs by 0.04 % through the rounding of the two constants.

    Source: asce-7-16 eq. 26.10-1.
    """
    wind = _within(basic_wind_mph, 0.0, np.inf)
    factors = (
        np.asarray(exposure_ratio)
        * np.asarray(topography_ratio)
        * np.asarray(directionality_ratio)
        * np.asarray(elevation_ratio)
    )
    return np.asarray(0.00256 * factors * wind**2)


def snow_shape_coefficient(
    tilt_deg: FloatLike, *, sliding_hindered_ratio: FloatLike = 0.0
) -> FloatArray:
    """Snow shape coefficient mu1 [1] of a plane of one slope, without drift.

    0.8 up to 30 deg, ``0.8 (60 - tilt) / 30`` up to 60 deg, 0 beyond; where something at the
    lower edge hinders sliding (``sliding_hindered_ratio`` 1), never below 0.8. Tilt outside 0
    to 90 deg gives nan.

    Source: en-1991-1-3 table 5.2 and 5.3.2.
    """
    shape = standard_values("wind_snow")["snow_shape_en1991_1_3"]
    tilt = _within(tilt_deg, 0.0, 90.0)
    span = shape["bare_from_deg"] - shape["full_to_deg"]
    free = shape["full"] * np.clip((shape["bare_from_deg"] - tilt) / span, 0.0, 1.0)
    hindered = np.where(np.asarray(sliding_hindered_ratio) > 0.5, shape["full"], 0.0)
    return np.asarray(np.maximum(free, hindered))


def roof_snow_load(
    ground_snow_pa: FloatLike,
    *,
    shape_ratio: FloatLike,
    exposure_ratio: FloatLike = 1.0,
    thermal_ratio: FloatLike = 1.0,
) -> FloatArray:
    """Snow load on the plane per level area [Pa], ``s = mu Ce Ct sk``.

    Ce is 0.8 windswept, 1.0 normal, 1.2 sheltered; Ct is 1 on modules. A negative load of the
    ground gives nan.

    Source: en-1991-1-3 eq. 5.1.
    """
    ground = _within(ground_snow_pa, 0.0, np.inf)
    return np.asarray(
        np.asarray(shape_ratio) * np.asarray(exposure_ratio) * np.asarray(thermal_ratio) * ground
    )


def flat_roof_snow_load(
    ground_snow_pa: FloatLike,
    *,
    exposure_ratio: FloatLike = 1.0,
    thermal_ratio: FloatLike = 1.2,
    importance_ratio: FloatLike = 1.0,
) -> FloatArray:
    """Flat-roof snow load per level area [Pa], ``pf = 0.7 Ce Ct Is pg``.

    Ct is 1.2 on unheated open structures, 1.0 on heated roofs. Any unit of pressure serves,
    the result is in that of the ground. The least load for low slopes (7.3.4) is not in it.

    Source: asce-7-16 eq. 7.3-1.
    """
    ground = _within(ground_snow_pa, 0.0, np.inf)
    return np.asarray(
        0.7
        * np.asarray(exposure_ratio)
        * np.asarray(thermal_ratio)
        * np.asarray(importance_ratio)
        * ground
    )


def sloped_roof_snow_load(flat_load_pa: FloatLike, *, slope_ratio: FloatLike) -> FloatArray:
    """Snow load of a sloped plane per level area [Pa], ``ps = Cs pf``.

    The slope factor Cs is an input (figure 7.4-1 of the standard); 1 is on the safe side.

    Source: asce-7-16 eq. 7.4-1.
    """
    return np.asarray(np.asarray(flat_load_pa) * _within(slope_ratio, 0.0, 1.0))


def normal_snow_pressure(level_load_pa: FloatLike, *, tilt_deg: FloatLike) -> FloatArray:
    """Pressure of snow across the plane [Pa] from the load per level area.

    ``p = s cos^2(tilt)``: once because a square metre of plane covers ``cos(tilt)`` of ground,
    once because weight acts downwards and not across the plane. Statics; no code is needed.

    Source: en-1991-1-3 5.2(3), load per horizontal projection.
    """
    tilt = np.radians(_within(tilt_deg, 0.0, 90.0))
    return np.asarray(np.asarray(level_load_pa) * np.cos(tilt) ** 2)
