"""Ten invented years of hourly weather for the demo's place, as a table."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import FloatArray
from arraywright.demo.scenario import Scenario
from arraywright.design.weather import beam_and_diffuse
from arraywright.physics.sun import clear_sky_plane_irradiance, sun_position
from arraywright.procedures.exports import csv_bytes, write_whole

__all__ = ["WEATHER_FILE", "write_years"]

WEATHER_FILE: Final = "weather.csv"
_FIRST, _PAST = np.datetime64("2016-01-01T00", "s"), np.datetime64("2026-01-01T00", "s")
_HOUR: Final = np.timedelta64(3600, "s")


def _slow(rng: np.random.Generator, *, days: int, memory_ratio: float) -> FloatArray:
    """Give day after day a standard normal number that remembers the day before."""
    fresh = rng.normal(size=days)
    held = np.empty(days)
    held[0] = fresh[0]
    for day in range(1, days):
        held[day] = memory_ratio * held[day - 1] + np.sqrt(1.0 - memory_ratio**2) * fresh[day]
    return held


def write_years(folder: Path, scenario: Scenario) -> Path:
    """Write hourly light, air temperature and wind of ten years; stamps end the hour, in UTC.

    Light is the clear sky of the place times a clearness that lasts for days, split into beam and
    diffuse; temperature follows season, hour and the weather of the day. All of it is invented.
    """
    rng = np.random.default_rng(scenario.seed + 1)
    ends = np.arange(_FIRST + _HOUR, _PAST + _HOUR, _HOUR)
    middle = ends - _HOUR // 2
    hours = len(ends)
    days = hours // 24
    day = np.arange(hours) // 24
    place = {"latitude_deg": scenario.latitude_deg, "longitude_deg": scenario.longitude_deg}
    clear = clear_sky_plane_irradiance(
        middle,
        tilt_deg=0.0,
        azimuth_deg=180.0,
        elevation_m=scenario.elevation_m,
        linke_turbidity_ratio=3.4,
        **place,
    )
    sky = _slow(rng, days=days, memory_ratio=0.5)
    season = np.cos(2.0 * np.pi * (np.arange(hours) / 8766.0 - 200.0 / 365.25))
    through = np.clip(0.74 + 0.08 * season + 0.26 * sky[day] + rng.normal(0, 0.07, hours), 0.1, 1)
    ghi = np.round(clear * through)
    sun = sun_position(middle, elevation_m=scenario.elevation_m, **place)
    date = middle.astype("datetime64[D]")
    day_of_year = (date - date.astype("datetime64[Y]")).astype(np.int64) + 1
    dni, dhi = beam_and_diffuse(ghi, sun=sun, day_of_year=day_of_year)
    hour = (middle - date) / _HOUR
    daily = np.cos(2.0 * np.pi * (hour - 14.0) / 24.0)
    air = (
        8.6
        + 9.3 * season
        + (2.6 + 1.8 * season + 1.3 * np.clip(sky[day], -1.5, 1.5)) * daily
        + 3.1 * _slow(rng, days=days, memory_ratio=0.75)[day]
        + 0.3 * rng.normal(size=hours)
    )
    wind = np.clip(2.4 + 1.1 * _slow(rng, days=days, memory_ratio=0.6)[day] + 0.5 * daily, 0.2, 14)
    table = pl.DataFrame(
        {
            "time": [f"{one}Z" for one in np.datetime_as_string(ends, unit="m")],
            "GHI [W/m2]": ghi.astype(np.int64),
            "DNI [W/m2]": dni.round().astype(np.int64),
            "DHI [W/m2]": dhi.round().astype(np.int64),
            "air temperature [degC]": air.round(1),
            "wind speed [m/s]": wind.round(1),
        }
    )
    return write_whole(folder / WEATHER_FILE, csv_bytes(table))
