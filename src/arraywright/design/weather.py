"""Weather of a place by the hour: what design temperatures and yield are worked out from.

Every time is the middle of its interval in UTC; the calendar is that of the place's standard
time, without summer time.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from pvlib import irradiance

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.errors import CallError
from arraywright.physics import SunPosition, sun_position

__all__ = [
    "DAYS_IN_MONTH",
    "Weather",
    "beam_and_diffuse",
    "clock_offset",
    "hours_of_mean_year",
    "in_daylight",
    "local_calendar",
    "sun_of",
]

DAYS_IN_MONTH: Final = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dtype=np.int64)
"""Days of the months of a year of 8760 hours."""
LONGEST_INTERVAL_MIN: Final = 60.0
HORIZON_ZENITH_DEG: Final = 90.833
"""Zenith of the sun's centre when its upper limb touches the horizon, with refraction."""
_DEG_PER_MIN: Final = 0.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weather:
    """Weather of a place, one element per interval; two are the same only if they are one object.

    Attributes:
        time: middle of each interval in UTC, datetime64[us], shape (hours,).
        ghi_w_m2: global irradiance on the horizontal, mean of the interval [W/m2].
        dni_w_m2: beam irradiance on a plane facing the sun [W/m2].
        dhi_w_m2: diffuse irradiance on the horizontal [W/m2].
        air_temp_c: air temperature in the shade [degC].
        wind_m_s: wind speed [m/s].
        interval_min: length of an interval [min].
        typical: whether the months are picked from several years to make one typical year.
        latitude_deg: north positive [deg].
        longitude_deg: east positive [deg].
        elevation_m: above sea level [m].
        utc_offset_min: standard time less UTC [min], east of Greenwich positive.
    """

    time: npt.NDArray[np.datetime64]
    ghi_w_m2: FloatArray
    dni_w_m2: FloatArray
    dhi_w_m2: FloatArray
    air_temp_c: FloatArray
    wind_m_s: FloatArray
    interval_min: float
    typical: bool
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    utc_offset_min: float

    def __post_init__(self) -> None:
        time = np.asarray(self.time).astype("datetime64[us]")
        object.__setattr__(self, "time", time)
        for held in fields(self)[1:6]:
            values = np.asarray(getattr(self, held.name), dtype=np.float64)
            if time.ndim != 1 or values.shape != time.shape:
                raise CallError(
                    "shapes-differ",
                    f"Found {held.name} of shape {values.shape} and time of {time.shape}; "
                    "required: one value per interval.",
                    "Give every column for the same intervals.",
                )
            object.__setattr__(self, held.name, values)
        if not self.interval_min > 0.0:
            raise CallError(
                "value-out-of-range",
                f"Found an interval of {self.interval_min:g} min; required: above zero.",
                "Give the length of the intervals in minutes.",
            )

    def __len__(self) -> int:
        return len(self.time)

    @property
    def lit_columns_whole(self) -> BoolArray:
        """Whether an interval has all that a yield needs, shape (hours,)."""
        whole = np.isfinite(self.air_temp_c) & np.isfinite(self.wind_m_s)
        for values in (self.ghi_w_m2, self.dni_w_m2, self.dhi_w_m2):
            whole &= np.isfinite(values)
        return whole


@dataclass(frozen=True, slots=True, kw_only=True)
class Calendar:
    """Standard time of the place, each of shape (hours,).

    Attributes:
        year: year.
        month: 1 to 12.
        hour: hour of the day in which the middle of the interval lies, 0 to 23.
        day_of_year: 1 to 366.
    """

    year: IntArray
    month: IntArray
    hour: IntArray
    day_of_year: IntArray


def local_calendar(weather: Weather) -> Calendar:
    """Year, month, hour and day of the year of each interval in standard time."""
    shift = np.timedelta64(round(weather.utc_offset_min * 60e6), "us")
    local = pd.DatetimeIndex(weather.time + shift)
    return Calendar(
        year=np.asarray(local.year, dtype=np.int64),
        month=np.asarray(local.month, dtype=np.int64),
        hour=np.asarray(local.hour, dtype=np.int64),
        day_of_year=np.asarray(local.day_of_year, dtype=np.int64),
    )


@lru_cache(maxsize=2)
def sun_of(weather: Weather) -> SunPosition:
    """Position of the sun in the middle of each interval [deg], each of shape (hours,).

    Source: spa-2004, through ``physics.sun_position``.
    """
    return sun_position(
        weather.time,
        latitude_deg=weather.latitude_deg,
        longitude_deg=weather.longitude_deg,
        elevation_m=weather.elevation_m,
    )


def in_daylight(weather: Weather, sun: SunPosition | None = None) -> BoolArray:
    """Whether the sun is up at any time of an interval, shape (hours,).

    The horizon is crossed at a zenith of 90.833 deg; start, middle and end of the interval are
    looked at, so that the hour of sunrise counts, which holds the coldest light of a day.

    Source: spa-2004 appendix A.2 (the sun's upper limb and refraction at the horizon).
    """
    middle = sun_of(weather) if sun is None else sun
    up = middle.true_zenith_deg < HORIZON_ZENITH_DEG
    half = np.timedelta64(round(weather.interval_min * 30e6), "us")
    doubtful = ~up & (middle.true_zenith_deg < HORIZON_ZENITH_DEG + weather.interval_min * 0.125)
    if doubtful.any():
        for moved in (weather.time[doubtful] - half, weather.time[doubtful] + half):
            edge = sun_position(
                moved,
                latitude_deg=weather.latitude_deg,
                longitude_deg=weather.longitude_deg,
                elevation_m=weather.elevation_m,
            )
            up[doubtful] |= edge.true_zenith_deg < HORIZON_ZENITH_DEG
    return up


def hours_of_mean_year(weather: Weather, *, whole: BoolArray | None = None) -> FloatArray:
    """Hours of a mean year of 8760 hours for which each interval stands, shape (hours,).

    Intervals of one month and one hour of the day share that month's days evenly, so that
    several years give their mean and a gap is filled by the same hour of the same month. In one
    whole year of hours each interval stands for one hour. Intervals that are not whole stand for
    none.

    Args:
        weather: the weather.
        whole: which intervals count, shape (hours,); those with every column when left out.

    Raises:
        CallError: ``weather-too-coarse`` when intervals are longer than an hour,
            ``weather-incomplete`` when some hour of the day of some month has no interval.

    Source: common-practice
    """
    if weather.interval_min > LONGEST_INTERVAL_MIN:
        raise CallError(
            "weather-too-coarse",
            f"Found intervals of {weather.interval_min:g} min; required: at most an hour.",
            "Take hourly weather.",
        )
    use = weather.lit_columns_whole if whole is None else whole
    calendar = local_calendar(weather)
    cell = (calendar.month - 1) * 24 + calendar.hour
    count = np.bincount(cell[use], minlength=288)
    if np.any(count == 0):
        at = int(np.flatnonzero(count == 0)[0])
        raise CallError(
            "weather-incomplete",
            f"The weather has nothing usable for hour {at % 24} of the day in month "
            f"{at // 24 + 1}; {int(np.sum(count == 0))} of 288 such hours are empty.",
            "Take weather that covers every month of the year, day and night.",
        )
    share = np.repeat(DAYS_IN_MONTH, 24) / count
    return np.where(use, share[cell], 0.0)


def beam_and_diffuse(
    ghi_w_m2: FloatArray, *, sun: SunPosition, day_of_year: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Beam irradiance facing the sun and diffuse irradiance [W/m2] from the global alone.

    The diffuse share is that of Erbs, Klein and Duffie by the clearness index. Good to about
    10 % of the mean irradiance in a tilted plane for single hours, far better for months.

    Args:
        ghi_w_m2: global irradiance on the horizontal, shape (hours,).
        sun: position of the sun.
        day_of_year: 1 to 366, shape (hours,).

    Source: erbs-1982, through pvlib.
    """
    parts = irradiance.erbs(ghi_w_m2, sun.zenith_deg, day_of_year)
    dni = np.nan_to_num(np.asarray(parts["dni"], dtype=np.float64))
    dhi = np.nan_to_num(np.asarray(parts["dhi"], dtype=np.float64))
    known = np.isfinite(ghi_w_m2)
    return np.where(known, dni, np.nan), np.where(known, dhi, np.nan)


def clock_offset(weather: Weather, sun: SunPosition | None = None) -> float:
    """Minutes [min] by which the weather's clock runs ahead of the sun, nan without light.

    The irradiance of a long time has its centre at the sun's highest stand. The mean of the hour
    angle's sine and cosine, weighted with the irradiance, gives the offset; clouds that favour
    mornings or afternoons move it by up to about 20 min.

    Source: common-practice
    """
    where = sun_of(weather) if sun is None else sun
    zenith, azimuth = np.radians(where.true_zenith_deg), np.radians(where.azimuth_deg)
    phi = np.radians(weather.latitude_deg)
    east = np.sin(zenith) * np.sin(azimuth)
    towards = np.cos(zenith) * np.cos(phi) - np.sin(zenith) * np.cos(azimuth) * np.sin(phi)
    angle = np.arctan2(-east, towards)
    weight = np.nan_to_num(np.maximum(weather.ghi_w_m2, 0.0))
    if not weight.sum() > 0.0:
        return float("nan")
    mean = np.arctan2(np.sum(weight * np.sin(angle)), np.sum(weight * np.cos(angle)))
    return float(np.degrees(mean) / _DEG_PER_MIN)
