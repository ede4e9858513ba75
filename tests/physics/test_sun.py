"""The sun against the algorithm's worked example, a standard spectrum, and plain astronomy."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import pvlib
import pytest

from arraywright.errors import CallError
from arraywright.physics import (
    clear_sky_plane_irradiance,
    incidence_angle,
    plausible_irradiance_limit,
    sun_behind_plane,
    sun_position,
    sun_times,
)
from tests.published_values import published

SPA = published("spa-2004")
PLACE = {"latitude_deg": 39.742476, "longitude_deg": -105.1786}


def _example_time() -> np.ndarray:
    return np.array([SPA["inputs"]["time"].replace(tzinfo=None)], dtype="datetime64[us]")


def test_worked_example_of_the_algorithm() -> None:
    """Zenith, azimuth and incidence are those printed in the algorithm's own example."""
    given, expected = SPA["inputs"], SPA["expected"]
    sun = sun_position(
        _example_time(),
        latitude_deg=given["latitude_deg"],
        longitude_deg=given["longitude_deg"],
        elevation_m=given["elevation_m"],
        pressure_pa=given["pressure_pa"],
        air_temp_c=given["air_temp_c"],
        delta_t_s=given["delta_t_s"],
    )
    slack = SPA["tolerance"]["angle_deg"]
    assert sun.zenith_deg[0] == pytest.approx(expected["zenith_deg"], abs=slack)
    assert sun.azimuth_deg[0] == pytest.approx(expected["azimuth_deg"], abs=slack)
    angle = incidence_angle(sun, tilt_deg=given["tilt_deg"], azimuth_deg=given["azimuth_deg"])
    assert angle[0] == pytest.approx(expected["incidence_deg"], abs=slack)


def test_sunrise_of_the_worked_example() -> None:
    """The sun rises to the second when the example says."""
    times = sun_times(_example_time(), **PLACE)
    expected = np.datetime64(SPA["expected"]["sunrise"].replace(tzinfo=None), "us")
    off_s = abs((times.sunrise[0] - expected) / np.timedelta64(1, "s"))
    assert off_s <= SPA["tolerance"]["sunrise_s"]
    assert times.sunrise[0] < times.transit[0] < times.sunset[0]


def test_all_kinds_of_time_mean_the_same_moment() -> None:
    """NumPy, Polars with and without zone, and Pandas in local time give one position."""
    moment = datetime(2024, 6, 21, 18, 30, tzinfo=UTC)
    naive = moment.replace(tzinfo=None)
    column = pl.Series([naive]).dt.replace_time_zone("UTC")
    kinds = [
        np.array([naive], dtype="datetime64[s]"),
        pl.Series([naive]),
        column,
        column.dt.convert_time_zone("America/Denver"),
        column.dt.cast_time_unit("ms"),
        pd.DatetimeIndex([moment]).tz_convert("Asia/Tokyo"),
    ]
    found = [sun_position(kind, **PLACE).azimuth_deg[0] for kind in kinds]
    assert len(set(found)) == 1


def test_missing_times_give_nan_in_their_place() -> None:
    """A reading without a time has no sun, and the others keep theirs."""
    times = np.array(["NaT", "2024-06-21T19:00"], dtype="datetime64[s]")
    sun = sun_position(times, **PLACE)
    assert np.isnan(sun.zenith_deg[0])
    assert sun.zenith_deg[1] < 20.0
    assert sun_behind_plane(sun, tilt_deg=0.0, azimuth_deg=0.0).tolist() == [True, False]
    clear = clear_sky_plane_irradiance(times, tilt_deg=0.0, azimuth_deg=180.0, **PLACE)
    assert np.isnan(clear[0])
    assert clear[1] > 900.0
    nothing = sun_position(np.array(["NaT"], dtype="datetime64[s]"), **PLACE)
    assert np.isnan(nothing.azimuth_deg).all()


def test_noon_height_is_that_of_plain_astronomy() -> None:
    """At the solstices the sun culminates 23.44 degrees above and below the equator's height."""
    for day, declination in (("2024-06-20", 23.44), ("2024-12-21", -23.44)):
        noon = sun_times(np.array([day], dtype="datetime64[s]"), **PLACE).transit
        sun = sun_position(noon, **PLACE)
        assert sun.true_zenith_deg[0] == pytest.approx(39.742476 - declination, abs=0.01)
        assert sun.azimuth_deg[0] == pytest.approx(180.0, abs=0.01)


def test_polar_day_and_night_have_no_sunrise() -> None:
    """Where the sun does not rise or set on a day there is no time, even if on no day asked."""
    solstices = np.array(["2026-12-21", "2026-06-21"], dtype="datetime64[s]")
    for day in (solstices, solstices[:1], solstices[1:]):
        times = sun_times(day, latitude_deg=78.2, longitude_deg=15.0)
        assert np.isnat(times.sunrise).all()
        assert np.isnat(times.sunset).all()
        assert not np.isnat(times.transit).any()


def test_sun_behind_a_plane() -> None:
    """In a summer morning the sun stands north of east: behind an upright south wall."""
    times = np.array(["2024-06-21T13:00", "2024-06-21T19:00", "2024-06-21T07:00"], "datetime64[s]")
    sun = sun_position(times, **PLACE)
    behind = sun_behind_plane(sun, tilt_deg=90.0, azimuth_deg=180.0)
    assert behind.tolist() == [True, False, True]
    flat = sun_behind_plane(sun, tilt_deg=0.0, azimuth_deg=180.0)
    assert flat.tolist() == [False, False, True]
    grazing = sun_behind_plane(sun, tilt_deg=0.0, azimuth_deg=180.0, beyond_deg=60.0)
    assert grazing.tolist() == [True, False, True]


def test_clear_sky_gives_the_standard_spectrum_its_irradiance() -> None:
    """With its air mass 1.5, clear air and a plane tilted 37 degrees it is near 1000 W/m2."""
    # ASTM G173: 37 degrees tilt, air mass 1.5, integral of the global column 1000.4 W/m2.
    folder = Path(str(pvlib.__file__)).parent / "data"
    spectrum = pd.read_csv(folder / "ASTMG173.csv", skiprows=1)
    standard = np.trapezoid(spectrum.iloc[:, 2], spectrum.iloc[:, 0])
    assert standard == pytest.approx(1000.4, abs=1.0)
    day = np.arange("2024-03-20T16:00", "2024-03-20T20:00", dtype="datetime64[m]")
    sun = sun_position(day, **PLACE)
    at = int(np.argmin(np.abs(sun.zenith_deg - 48.19)))
    found = clear_sky_plane_irradiance(
        day[at : at + 1],
        tilt_deg=37.0,
        azimuth_deg=sun.azimuth_deg[at],
        linke_turbidity_ratio=2.7,
        **PLACE,
    )
    # The spectrum's plane is tilted 37 degrees towards the sun at zenith 48.19.
    assert found[0] == pytest.approx(standard, rel=0.04)


def test_limit_lies_above_the_clear_sky_and_below_twice_the_sun() -> None:
    """No clear-sky reading is called implausible, and one with a wrong clock is."""
    day = np.arange("2024-06-21T10:00", "2024-06-22T04:00", dtype="datetime64[m]")
    clear = clear_sky_plane_irradiance(day, tilt_deg=25.0, azimuth_deg=180.0, **PLACE)
    limit = plausible_irradiance_limit(day, tilt_deg=25.0, azimuth_deg=180.0, **PLACE)
    assert np.all(limit > clear)
    assert np.max(limit) < 1650.0
    assert limit[0] == pytest.approx(50.0)
    assert clear.max() > limit[np.searchsorted(day, np.datetime64("2024-06-22T02:00"))]


@pytest.mark.parametrize("times", [pl.Series(["noon"]), pl.Series([1, 2]), ["not a time"]])
def test_what_is_no_time_is_refused(times: object) -> None:
    """Text and numbers are not taken for times."""
    with pytest.raises(CallError, match="required"):
        sun_position(times, **PLACE)


def test_a_place_off_the_earth_is_refused() -> None:
    """Swapped or mistyped coordinates are an error."""
    with pytest.raises(CallError, match="latitude"):
        sun_position(_example_time(), latitude_deg=-105.0, longitude_deg=39.7)
