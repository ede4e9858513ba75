"""What may be wrong with hourly weather, and what can be worked out where it is missing."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import IntArray
from arraywright.design.weather import (
    Weather,
    beam_and_diffuse,
    clock_offset,
    local_calendar,
    sun_of,
)
from arraywright.findings import Verdict
from arraywright.readers.log import FindingLog
from arraywright.readers.weather_text import VALUES, HourlyText

__all__ = [
    "FAR_KM",
    "check_span",
    "complete_light",
    "complete_wind",
    "distance_km",
    "is_patchwork",
    "keep_usable",
    "refuse_impossible",
    "report_distance",
]

FAR_KM: Final = 50.0
"""Weather from farther away than this is another place's; common practice."""
CLOCK_MIN: Final = 40.0
"""A clock this far from the sun's is wrong by an hour or its stamps are misread."""
CALM_WIND_M_S: Final = 1.0
"""Wind that is reckoned with where a file has none: little, so that cells are rather warm."""
_RANGES: Final = {
    "ghi_w_m2": (-20.0, 1800.0),
    "dni_w_m2": (-20.0, 1450.0),
    "dhi_w_m2": (-20.0, 1200.0),
    "air_temp_c": (-90.0, 60.0),
    "wind_m_s": (0.0, 90.0),
}
_LIGHT: Final = VALUES[:3]
_GAP_RATIO: Final = 0.1
_CLOSURE_RATIO: Final = 0.05
_EARTH_KM: Final = 6371.0


def refuse_impossible(frame: pl.DataFrame, name: str, log: FindingLog) -> pl.DataFrame:
    """Null what no weather can be, report it, and set the slight negatives of the night to 0."""
    for column, (low, high) in _RANGES.items():
        values = frame[column].fill_nan(None)
        bad = ((values < low) | (values > high)).fill_null(value=False)
        if bad.any():
            log.rows(
                "weather-value-impossible",
                Verdict.FAIL,
                rows=frame.filter(bad)["source_row"].to_list(),
                found=values.filter(bad).to_list(),
                message=f"Row {{row}} of {name} holds {{found}} for {column}, which no weather "
                "has.",
                required=f"{low:g} to {high:g}",
                remedy="Correct the value or leave it empty.",
                column=column,
            )
            values = values.set(bad, None)
        if column in _LIGHT:
            values = values.clip(lower_bound=0.0)
        frame = frame.with_columns(values.alias(column))
    return frame


def keep_usable(frame: pl.DataFrame, name: str, log: FindingLog) -> pl.DataFrame:
    """Leave out rows without air temperature and second rows of one time, and report them."""
    without = frame["air_temp_c"].is_null()
    log.rows(
        "weather-air-temperature-missing",
        Verdict.REVIEW,
        rows=frame.filter(without)["source_row"].to_list(),
        found=["nothing"] * int(without.sum()),
        message=f"Row {{row}} of {name} has no air temperature and is left out.",
        required="air temperature",
        remedy="Complete the file where the hour matters.",
        column="air_temp_c",
    )
    frame = frame.filter(~without)
    again = ~frame["measured_at"].is_first_distinct()
    log.rows(
        "weather-time-doubled",
        Verdict.REVIEW,
        rows=frame.filter(again)["source_row"].to_list(),
        found=[str(one) for one in frame.filter(again)["measured_at"].to_list()],
        message=f"Row {{row}} of {name} has a time that an earlier row has and is left out: "
        "{found}",
        required="one row per time",
        remedy="See which of the two is right; at the end of summer time an hour comes twice.",
    )
    return frame.filter(~again)


def is_patchwork(year: IntArray, month: IntArray) -> bool:
    """Whether every calendar month comes from one year and the years do not run on."""
    pairs = np.unique(np.stack([year, month]), axis=1)
    if pairs.shape[1] > 12 or len(np.unique(pairs[1])) < pairs.shape[1]:
        return False
    span = pairs[0].max() * 12 + pairs[1][pairs[0] == pairs[0].max()].max()
    first = pairs[0].min() * 12 + pairs[1][pairs[0] == pairs[0].min()].min()
    return bool(span - first >= 12)


def distance_km(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Distance [km] of two places (latitude, longitude) along the ground."""
    lat_a, lon_a, lat_b, lon_b = np.radians([*one, *other])
    half = np.sin((lat_b - lat_a) / 2) ** 2
    half += np.cos(lat_a) * np.cos(lat_b) * np.sin((lon_b - lon_a) / 2) ** 2
    return float(2.0 * _EARTH_KM * np.arcsin(np.sqrt(half)))


def complete_light(weather: Weather, log: FindingLog) -> Weather:
    """Work out beam and diffuse where only the global is given, or the third from two."""
    columns = {name: np.array(getattr(weather, name)) for name in _LIGHT}
    known = {name: np.isfinite(values) for name, values in columns.items()}
    if not any(mask.any() for mask in known.values()):
        log.table(
            "weather-without-irradiance",
            Verdict.REVIEW,
            message="The file holds no irradiance: design temperatures can be taken from it, a "
            "yield cannot.",
            remedy="Give a file with global horizontal irradiance for the yield.",
        )
        return weather
    sun = sun_of(weather)
    height = np.maximum(np.cos(np.radians(sun.zenith_deg)), 0.0)
    ghi, dni, dhi = (columns[name] for name in _LIGHT)
    has_ghi, has_dni, has_dhi = (known[name] for name in _LIGHT)
    only_global = has_ghi & ~has_dni & ~has_dhi
    no_beam, no_diffuse = has_ghi & ~has_dni & has_dhi, has_ghi & has_dni & ~has_dhi
    no_global = ~has_ghi & has_dni & has_dhi
    ghi = np.where(no_global, dni * height + dhi, ghi)
    with np.errstate(divide="ignore", invalid="ignore"):
        beam = np.clip((ghi - dhi) / height, 0.0, _RANGES["dni_w_m2"][1])
    dni = np.where(no_beam, np.where(height > np.cos(np.radians(88.0)), beam, 0.0), dni)
    dhi = np.where(no_diffuse, np.maximum(ghi - dni * height, 0.0), dhi)
    if only_global.any():
        found = beam_and_diffuse(ghi, sun=sun, day_of_year=local_calendar(weather).day_of_year)
        dni = np.where(only_global, found[0], dni)
        dhi = np.where(only_global, found[1], dhi)
    made = only_global | no_beam | no_diffuse | no_global
    if made.any():
        log.table(
            "weather-light-completed",
            Verdict.REVIEW,
            message=f"Beam, diffuse or global irradiance was missing in {int(made.sum()):,} "
            "intervals and was worked out from the others, "
            f"in {int(only_global.sum()):,} of them from the global alone by an average "
            "relation.",
            remedy="Prefer a file with all three; the plane's irradiance is less certain so.",
        )
    all_three = has_ghi & has_dni & has_dhi & (height > 0.1)
    if np.sum(ghi[all_three]) > 0.0:
        apart = np.sum(dni[all_three] * height[all_three] + dhi[all_three]) / np.sum(ghi[all_three])
        if abs(apart - 1.0) > _CLOSURE_RATIO:
            log.table(
                "weather-light-does-not-close",
                Verdict.REVIEW,
                message="Beam and diffuse together make "
                f"{100.0 * apart:.1f} % of the global irradiance over the file.",
                remedy="Check the time zone, what the times mark, and which column is which.",
            )
    return replace(weather, ghi_w_m2=ghi, dni_w_m2=dni, dhi_w_m2=dhi)


def complete_wind(weather: Weather, log: FindingLog) -> Weather:
    """Reckon with little wind where the file has none, and say so."""
    calm = ~np.isfinite(weather.wind_m_s)
    if not calm.any():
        return weather
    log.table(
        "weather-wind-assumed",
        Verdict.REVIEW,
        message=f"Wind is missing in {int(calm.sum()):,} of {len(weather):,} intervals; "
        f"{CALM_WIND_M_S:g} m/s is reckoned with, so that cells are rather too warm.",
        remedy="Give wind speed where it is to be had.",
        column="wind_m_s",
    )
    return replace(weather, wind_m_s=np.where(calm, CALM_WIND_M_S, weather.wind_m_s))


def check_span(weather: Weather, log: FindingLog) -> None:
    """Report gaps, months that are missing and a clock that does not go with the sun."""
    calendar = local_calendar(weather)
    if weather.typical:
        expected = 365.0 * 1440.0 / weather.interval_min
    else:
        span = (weather.time[-1] - weather.time[0]) / np.timedelta64(1, "m")
        expected = span / weather.interval_min + 1.0
    gaps = 1.0 - len(weather) / expected
    if gaps > 0.5 / expected:
        log.table(
            "weather-gaps",
            Verdict.FAIL if gaps > _GAP_RATIO else Verdict.REVIEW,
            message=f"{100.0 * gaps:.2f} % of the intervals between the first and the last are "
            "missing.",
            remedy="Prefer a file without gaps; the yield fills a gap with the same hour of the "
            "same month.",
        )
    months = len(np.unique(calendar.month))
    if months < 12:
        log.table(
            "weather-not-a-year",
            Verdict.FAIL,
            message=f"The weather covers {months} of the 12 months: neither design temperatures "
            "nor a yearly yield can rest on it.",
            remedy="Give at least a whole year.",
        )
    offset = clock_offset(weather)
    if math.isfinite(offset) and abs(offset) > CLOCK_MIN:
        log.table(
            "weather-clock",
            Verdict.REVIEW,
            message=f"The light of the file has its centre {offset:+.0f} min from the sun's "
            "highest stand: the time zone, the place or what the times mark is likely wrong.",
            remedy="Check time zone, longitude and whether times mark the start or the end.",
        )


def report_distance(text: HourlyText, place: tuple[float, float, float], log: FindingLog) -> None:
    """Report weather of a place far from the site in distance or height."""
    away = distance_km((text.latitude_deg, text.longitude_deg), place[:2])
    if away > FAR_KM:
        log.table(
            "weather-far-from-site",
            Verdict.REVIEW,
            message=f"The weather is of a place {away:,.0f} km from the site.",
            remedy="Take weather of a nearer place of like height, or know what differs.",
            required=f"within {FAR_KM:g} km",
        )
    if abs(text.elevation_m - place[2]) > 300.0:
        log.table(
            "weather-far-from-site",
            Verdict.REVIEW,
            message=f"The weather is of a place at {text.elevation_m:g} m above the sea, the site "
            f"lies at {place[2]:g} m; air is some 6.5 K cooler per 1,000 m higher.",
            remedy="Take weather of a place of like height, or know what differs.",
        )
