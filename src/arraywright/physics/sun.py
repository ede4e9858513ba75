"""Where the sun stands, at what angle it meets a plane, and what a clear sky can give.

Times are UTC: arrays of ``datetime64``, a Polars datetime column, or a Pandas index. A time
without zone is taken as UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import polars as pl
from pvlib import atmosphere, clearsky, irradiance, solarposition

from arraywright.arrays import BoolArray, FloatArray
from arraywright.errors import CallError

__all__ = [
    "SunPosition",
    "SunTimes",
    "clear_sky_plane_irradiance",
    "incidence_angle",
    "plausible_irradiance_limit",
    "sun_behind_plane",
    "sun_position",
    "sun_times",
]

CLEAR_TURBIDITY: Final = 2.0
"""Linke turbidity of very clear, dry air [1]; low, so that the clear sky is an upper bound."""
CLOUD_EDGE_RATIO: Final = 1.3
"""Bright cloud edges lift the irradiance of moments above the clear sky; common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SunPosition:
    """Position of the sun, each of shape (times,).

    Attributes:
        zenith_deg: angle from the vertical as seen through the air, with refraction [deg].
        azimuth_deg: direction clockwise from north [deg].
        true_zenith_deg: angle from the vertical without refraction [deg].
    """

    zenith_deg: FloatArray
    azimuth_deg: FloatArray
    true_zenith_deg: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class SunTimes:
    """Times of the sun in UTC as datetime64[us], each of shape (days,).

    Attributes:
        sunrise: upper limb at the horizon, with refraction; NaT in polar day or night.
        transit: highest stand.
        sunset: upper limb at the horizon; NaT in polar day or night.
    """

    sunrise: npt.NDArray[np.datetime64]
    transit: npt.NDArray[np.datetime64]
    sunset: npt.NDArray[np.datetime64]


def _index(times: Any) -> pd.DatetimeIndex:
    """Bring times to a Pandas index in UTC."""
    if isinstance(times, pl.Series):
        if not isinstance(times.dtype, pl.Datetime):
            raise CallError(
                "not-a-time",
                f"Found a column of type {times.dtype}; required: date with time.",
                "Convert the column to a datetime in UTC first.",
            )
        if times.dtype.time_zone not in {None, "UTC"}:
            times = times.dt.convert_time_zone("UTC")
        times = times.to_physical().to_numpy().astype(f"datetime64[{times.dtype.time_unit}]")
    try:
        index = pd.DatetimeIndex(np.atleast_1d(times) if np.ndim(times) == 0 else times)
    except (TypeError, ValueError) as error:
        raise CallError(
            "not-a-time",
            f"Found {type(times).__name__} that holds no times ({error}); required: times in UTC.",
            "Give an array of datetime64 or a datetime column.",
        ) from error
    if index.tz is None:
        return index.tz_localize("UTC")
    return index.tz_convert("UTC")


def _floats(values: Any) -> FloatArray:
    return np.ascontiguousarray(np.asarray(values, dtype=np.float64))


def sun_position(
    times: Any,
    *,
    latitude_deg: float,
    longitude_deg: float,
    elevation_m: float = 0.0,
    pressure_pa: float | None = None,
    air_temp_c: float = 12.0,
    delta_t_s: float | None = None,
) -> SunPosition:
    """Zenith and azimuth of the sun [deg] at a place and at times.

    The algorithm is good to 0.0003 deg; refraction at the horizon is not (some tenths).

    Args:
        times: times in UTC, see the module's text; a time that is missing gives nan.
        latitude_deg: latitude, north positive.
        longitude_deg: longitude, east positive.
        elevation_m: height above sea level.
        pressure_pa: mean air pressure; that of the standard atmosphere when left out.
        air_temp_c: mean air temperature, for the refraction.
        delta_t_s: terrestrial less universal time; by year and month when left out.

    Raises:
        CallError: ``not-a-time``, ``value-out-of-range``.

    Source: spa-2004, through pvlib.
    """
    index = _index(times)
    _check_place(latitude_deg, longitude_deg)
    whole = ~np.asarray(index.isna(), dtype=np.bool_)
    pressure = atmosphere.alt2pres(elevation_m) if pressure_pa is None else pressure_pa
    out = np.full((3, len(index)), np.nan)
    if whole.any():
        frame = solarposition.spa_python(
            index[whole],
            latitude_deg,
            longitude_deg,
            altitude=elevation_m,
            pressure=pressure,
            temperature=air_temp_c,
            delta_t=delta_t_s,
        )
        for row, name in enumerate(("apparent_zenith", "azimuth", "zenith")):
            out[row, whole] = frame[name].to_numpy()
    return SunPosition(zenith_deg=out[0], azimuth_deg=out[1], true_zenith_deg=out[2])


def _check_place(latitude_deg: float, longitude_deg: float) -> None:
    if not (-90.0 <= latitude_deg <= 90.0 and -180.0 <= longitude_deg <= 180.0):
        raise CallError(
            "value-out-of-range",
            f"Found latitude {latitude_deg}, longitude {longitude_deg}; required: -90 to 90 and "
            "-180 to 180.",
            "Give degrees, north and east positive.",
        )


def sun_times(days: Any, *, latitude_deg: float, longitude_deg: float) -> SunTimes:
    """Sunrise, transit and sunset in UTC of the days in which the given times lie.

    The day is that of the given times' UTC date; at places far from Greenwich a sunset may fall
    on the next UTC date.

    Raises:
        CallError: ``not-a-time``, ``value-out-of-range``.

    Source: spa-2004, through pvlib.
    """
    _check_place(latitude_deg, longitude_deg)
    frame = solarposition.sun_rise_set_transit_spa(
        _index(days).normalize(), latitude_deg, longitude_deg, delta_t=None
    )
    rise, noon, fall = (
        pd.to_datetime(frame[name], utc=True)
        .dt.tz_localize(None)
        .to_numpy()
        .astype("datetime64[us]")
        for name in ("sunrise", "transit", "sunset")
    )
    return SunTimes(sunrise=rise, transit=noon, sunset=fall)


def incidence_angle(
    sun: SunPosition, *, tilt_deg: npt.ArrayLike, azimuth_deg: npt.ArrayLike
) -> FloatArray:
    """Angle between the sun and the normal of a plane [deg], 0 to 180.

    ``cos = cos(zenith) cos(tilt) + sin(zenith) sin(tilt) cos(azimuth of sun - of plane)``

    Args:
        sun: where the sun stands.
        tilt_deg: tilt of the plane from the horizontal, 0 lying, 90 upright.
        azimuth_deg: direction the plane faces, clockwise from north.

    Source: spa-2004 step 3.13 (incidence angle).
    """
    cosine = irradiance.aoi_projection(
        np.asarray(tilt_deg, dtype=np.float64),
        np.asarray(azimuth_deg, dtype=np.float64),
        sun.zenith_deg,
        sun.azimuth_deg,
    )
    return _floats(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


def sun_behind_plane(
    sun: SunPosition,
    *,
    tilt_deg: npt.ArrayLike,
    azimuth_deg: npt.ArrayLike,
    beyond_deg: float = 90.0,
) -> BoolArray:
    """Whether the sun cannot light a plane [1]: behind it, or below the horizon.

    ``beyond_deg`` is the incidence angle from which the plane counts as unlit; readings taken at
    grazing light (common practice: above 60 deg) are worth little and can be marked with it.
    Nan positions count as unlit.

    Source: spa-2004 step 3.13 (incidence angle).
    """
    angle = incidence_angle(sun, tilt_deg=tilt_deg, azimuth_deg=azimuth_deg)
    lit = (angle < beyond_deg) & (sun.zenith_deg < 90.0)
    return np.asarray(~lit)


def clear_sky_plane_irradiance(
    times: Any,
    *,
    latitude_deg: float,
    longitude_deg: float,
    tilt_deg: npt.ArrayLike,
    azimuth_deg: npt.ArrayLike,
    elevation_m: float = 0.0,
    linke_turbidity_ratio: npt.ArrayLike = 3.0,
    albedo_ratio: float = 0.2,
) -> FloatArray:
    """Irradiance of a plane under a clear sky [W/m2], shape (times,).

    Horizontal components by Ineichen and Perez from the turbidity, brought into the plane with
    the sky model of Hay and Davies and an isotropic ground. Nan where a time is missing.

    Args:
        times: times in UTC.
        latitude_deg: latitude, north positive.
        longitude_deg: longitude, east positive.
        tilt_deg: tilt of the plane, scalar or (times,).
        azimuth_deg: direction the plane faces, scalar or (times,).
        elevation_m: height above sea level.
        linke_turbidity_ratio: Linke turbidity [1]: 2 very clear, 3 clear, 5 hazy.
        albedo_ratio: reflectance of the ground [1]; 0.2 for grass, 0.6 to 0.8 for snow.

    Raises:
        CallError: ``not-a-time``, ``value-out-of-range``.

    Source: ineichen-perez-2002; hay-davies-1980, both through pvlib.
    """
    index = _index(times)
    sun = sun_position(
        index, latitude_deg=latitude_deg, longitude_deg=longitude_deg, elevation_m=elevation_m
    )
    relative = atmosphere.get_relative_airmass(sun.zenith_deg)
    pressure = atmosphere.alt2pres(elevation_m)
    extra = _floats(irradiance.get_extra_radiation(index.day_of_year))
    with np.errstate(divide="ignore", invalid="ignore"):  # below the horizon
        sky = clearsky.ineichen(
            sun.zenith_deg,
            atmosphere.get_absolute_airmass(relative, pressure),
            np.asarray(linke_turbidity_ratio, dtype=np.float64),
            altitude=elevation_m,
            dni_extra=extra,
        )
    tilt = np.broadcast_to(np.asarray(tilt_deg, dtype=np.float64), len(index))
    facing = np.broadcast_to(np.asarray(azimuth_deg, dtype=np.float64), len(index))
    plane = irradiance.get_total_irradiance(
        tilt,
        facing,
        sun.zenith_deg,
        sun.azimuth_deg,
        _floats(sky["dni"]),
        _floats(sky["ghi"]),
        _floats(sky["dhi"]),
        dni_extra=extra,
        albedo=albedo_ratio,
        model="haydavies",
    )
    total = np.nan_to_num(_floats(plane["poa_global"]), nan=0.0)
    return np.where(np.isnan(sun.zenith_deg), np.nan, total)


def plausible_irradiance_limit(
    times: Any,
    *,
    latitude_deg: float,
    longitude_deg: float,
    tilt_deg: npt.ArrayLike,
    azimuth_deg: npt.ArrayLike,
    elevation_m: float = 0.0,
    albedo_ratio: float = 0.3,
    cloud_edge_ratio: float = CLOUD_EDGE_RATIO,
    margin_w_m2: float = 50.0,
) -> FloatArray:
    """Irradiance [W/m2] above which a reading in this plane at this time is not to be believed.

    The clear sky of very clear air (turbidity 2) times an allowance for bright cloud edges, plus
    a margin. A reading above it points to a wrong clock, a wrong plane or a wrong instrument.
    Allowance and margin are common practice. Arguments as ``clear_sky_plane_irradiance``.

    Source: ineichen-perez-2002; common-practice
    """
    clear = clear_sky_plane_irradiance(
        times,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        tilt_deg=tilt_deg,
        azimuth_deg=azimuth_deg,
        elevation_m=elevation_m,
        linke_turbidity_ratio=CLEAR_TURBIDITY,
        albedo_ratio=albedo_ratio,
    )
    return cloud_edge_ratio * clear + margin_w_m2
