"""Weather for tests: a typical year from open data, and invented years by formula."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import Any

import numpy as np
import pvlib

from arraywright.design import Weather
from arraywright.physics import DiodeFit, fit_datasheet
from arraywright.readers.weather import WeatherReading, read_weather
from tests.published_values import published

__all__ = ["TMY3_FILE", "invented_module", "invented_years", "typical_reading", "typical_year"]

TMY3_FILE = Path(str(pvlib.__file__)).parent / "data" / published("tmy3-723170")["inputs"]["file"]


@functools.cache
def typical_reading() -> WeatherReading:
    """Read the typical year that pvlib carries."""
    return read_weather(
        TMY3_FILE,
        time_zone="America/New_York",
        latitude_deg=36.1,
        longitude_deg=-79.95,
        elevation_m=273.0,
    )


def typical_year() -> Weather:
    """Give its columns."""
    return typical_reading().weather


def invented_years(first: int, last: int, *, mean_c: tuple[float, ...] = (10.0,)) -> Weather:
    """Hours of whole years: air temperature by cosines of year and day, light by a half sine.

    The coldest hour of a year is its mean less 15, at 4 in the morning of the first of January;
    the hottest its mean plus 15. ``mean_c`` is taken in turn by the years.
    """
    hours = np.arange(f"{first}-01-01T00", f"{last + 1}-01-01T00", dtype="datetime64[h]")
    time: Any = hours.astype("datetime64[m]") + np.timedelta64(30, "m")
    days = (time - time.astype("datetime64[Y]")) / np.timedelta64(1, "D")
    hour = (time - time.astype("datetime64[D]")) / np.timedelta64(1, "h")
    year = time.astype("datetime64[Y]").astype(np.int64) + 1970
    mean = np.array(mean_c)[(year - first) % len(mean_c)]
    season = np.cos(2.0 * np.pi * np.floor(days) / 365.0)
    air = mean - 10.0 * season - 5.0 * np.cos(2.0 * np.pi * (hour - 4.5) / 24.0)
    ghi = np.maximum(np.sin(np.pi * (hour - 6.0) / 12.0), 0.0) * (500.0 - 200.0 * season)
    return Weather(
        time=time,
        ghi_w_m2=ghi,
        dni_w_m2=0.5 * ghi,
        dhi_w_m2=0.6 * ghi,
        air_temp_c=air,
        wind_m_s=np.full(len(time), 2.0),
        interval_min=60.0,
        typical=False,
        latitude_deg=40.0,
        longitude_deg=0.0,
        elevation_m=100.0,
        utc_offset_min=0.0,
    )


@functools.cache
def invented_module() -> DiodeFit:
    """Fit a module of invented values."""
    return fit_datasheet(
        isc_a=13.92,
        voc_v=49.65,
        imp_a=13.04,
        vmp_v=41.80,
        alpha_isc_a_per_k=0.0067,
        beta_voc_v_per_k=-0.1316,
        cells_in_series=72,
    )
