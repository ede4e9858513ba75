"""Which strings of a site to read again, and whether sun and clear sky make it worth it now."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, FloatArray
from arraywright.commissioning.frames import checked_now
from arraywright.physics import clear_sky_plane_irradiance, incidence_angle, sun_position
from arraywright.plant import Site

__all__ = ["RETEST_REASONS", "LightWindow", "RetestAdvice", "retest_advice"]

RETEST_REASONS: Final = {
    "labels": "its label looks swapped with another's",
    "called": "all readings together speak against it",
    "deviates": "the measurement deviates, the joint explanation does not settle it",
    "doubted": "its reading is likelier wrong than right, or too uncertain",
    "stopped": "a required test is missing or its reading was not valid",
    "unread": "it has no reading",
}
"""Why a string is to be read again, the most urgent first."""

_STEP_MIN: Final = 10
_DAYS: Final = 3
_INCIDENCE_MOST_DEG: Final = 60.0
_MARGIN: Final = 1.15
_SHORTEST_MIN: Final = 30
_CLEAR_TURBIDITY: Final = 3.5


@dataclass(frozen=True, slots=True, kw_only=True)
class LightWindow:
    """A time in which a clear sky gives enough light.

    Attributes:
        begins: first moment.
        ends: last moment.
        most_w_m2: greatest irradiance a clear sky gives in the plane meanwhile [W/m2].
    """

    begins: dt.datetime
    ends: dt.datetime
    most_w_m2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RetestAdvice:
    """What to read again, and when.

    Attributes:
        strings: one row per string to be read again, the most urgent first: ``string``, ``why``
            (key of ``RETEST_REASONS``), ``reason`` (in words), ``combiner_box``, ``lit_now``
            (the sun and a clear sky allow it at the moment; missing where the plane is unknown).
        worth_now: some string can be read now.
        now_w_m2: irradiance of a clear sky in the best plane at the moment [W/m2].
        sun_elevation_deg: height of the sun at the moment [deg].
        incidence_deg: angle between the sun and the best plane at the moment [deg].
        windows: coming times with enough light for some plane, the one of now first.
        sentence: the same for a person.
    """

    strings: pl.DataFrame
    worth_now: bool
    now_w_m2: float
    sun_elevation_deg: float
    incidence_deg: float
    windows: tuple[LightWindow, ...]
    sentence: str


def _reasons() -> pl.Expr:
    """Key of why a row is to be read again, missing where it need not be."""
    stopped = pl.col("verdict") == "not_assessable"
    return (
        pl.when(pl.col("readings") == 0)
        .then(pl.lit("unread"))
        .when(pl.col("swapped_with").is_not_null())
        .then(pl.lit("labels"))
        .when(pl.col("session_verdict").is_in(["review", "fail"]))
        .then(pl.lit("called"))
        .when(pl.col("verdict_measurement") == "review")
        .then(pl.lit("deviates"))
        .when(stopped & (pl.col("voc_verdict") != "not_assessable"))
        .then(pl.lit("doubted"))
        .when(stopped)
        .then(pl.lit("stopped"))
    )


def _listed(strings: pl.DataFrame, site: Site) -> pl.DataFrame:
    order = {name: place for place, name in enumerate(RETEST_REASONS)}
    boxes = site.strings.select("string", "combiner_box").with_row_index("_place")
    return (
        strings.with_columns(why=_reasons())
        .filter(pl.col("why").is_not_null())
        .join(boxes, on="string", how="left", maintain_order="left")
        .with_columns(
            _order=pl.col("why").replace_strict(order, return_dtype=pl.Int64),
            reason=pl.col("why").replace_strict(RETEST_REASONS, return_dtype=pl.String),
        )
        .sort("_order", "_place")
        .select("string", "why", "reason", "combiner_box")
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Light:
    """Light of the coming days on the best plane, (times,); ``good_now`` per plane."""

    clear_w_m2: FloatArray
    incidence_deg: FloatArray
    elevation_deg: FloatArray
    good: BoolArray
    good_now: BoolArray


def _light(site: Site, times: np.ndarray, planes: Sequence[tuple[float, float]]) -> _Light:
    where = {
        "latitude_deg": site.latitude_deg,
        "longitude_deg": site.longitude_deg,
        "elevation_m": site.elevation_m,
    }
    sun = sun_position(times, **where)
    least = _MARGIN * site.commissioning.irradiance_min_w_m2
    clear, angle = np.full(len(times), -np.inf), np.full(len(times), 180.0)
    good, good_now = np.zeros(len(times), dtype=np.bool_), []
    for tilt, facing in planes:
        plane = {"tilt_deg": tilt, "azimuth_deg": facing}
        held = clear_sky_plane_irradiance(
            times, linke_turbidity_ratio=_CLEAR_TURBIDITY, **where, **plane
        )
        own = incidence_angle(sun, **plane)
        fine = (held >= least) & (own <= _INCIDENCE_MOST_DEG)
        good_now.append(bool(fine[0]))
        good |= fine
        clear, angle = np.maximum(clear, held), np.minimum(angle, own)
    return _Light(
        clear_w_m2=clear,
        incidence_deg=angle,
        elevation_deg=90.0 - sun.zenith_deg,
        good=good,
        good_now=np.array(good_now, dtype=np.bool_),
    )


def _windows(times: np.ndarray, good: BoolArray, clear: FloatArray) -> tuple[LightWindow, ...]:
    """Runs of good moments that last long enough."""
    padded = np.concatenate([[False], good, [False]]).astype(np.int64)
    edges = np.diff(padded)
    out = []
    for start, stop in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        if (stop - 1 - start) * _STEP_MIN < _SHORTEST_MIN:
            continue
        begins, ends = (
            times[at].astype("datetime64[us]").item().replace(tzinfo=dt.UTC)
            for at in (start, stop - 1)
        )
        out.append(LightWindow(begins=begins, ends=ends, most_w_m2=float(clear[start:stop].max())))
    return tuple(out)


def retest_advice(site: Site, strings: pl.DataFrame, *, now_utc: dt.datetime) -> RetestAdvice:
    """Say which strings to read again, and when sun and a clear sky allow it.

    Worth it is a moment at which a clear sky (Linke turbidity 3.5) gives 1.15 times the least
    irradiance the site asks for in the plane of a string, with the sun at most 60 deg from the
    plane's normal. It is a forecast of the sun, not of clouds: look at the sky, and wait for a
    steady light.

    Args:
        site: the site.
        strings: frame of ``CommissioningResult.strings``.
        now_utc: the present moment.

    Raises:
        CallError: the moment has no time zone.

    Source: spa-2004; ineichen-perez-2002; common-practice for the limits
    """
    now_s = checked_now(now_utc, "now_utc")
    listed = _listed(strings, site)
    placed = _planes(site, listed["string"])
    planes = placed.select("tilt_deg", "azimuth_deg").unique().sort("tilt_deg", "azimuth_deg")
    start = np.datetime64(int(now_s), "s")
    steps = _DAYS * 24 * 60 // _STEP_MIN
    times = start + np.arange(steps) * np.timedelta64(60 * _STEP_MIN, "s")
    light = _light(site, times, planes.rows())
    lit = placed.join(
        planes.with_columns(lit_now=pl.Series(light.good_now)), on=["tilt_deg", "azimuth_deg"]
    )
    listed = listed.join(
        lit.group_by("string").agg(pl.col("lit_now").all()),
        on="string",
        how="left",
        maintain_order="left",
    )
    known = planes.height > 0
    windows = _windows(times, light.good, light.clear_w_m2)
    worth = bool(listed["lit_now"].any())
    return RetestAdvice(
        strings=listed,
        worth_now=worth,
        now_w_m2=float(light.clear_w_m2[0]) if known else float("nan"),
        sun_elevation_deg=float(light.elevation_deg[0]),
        incidence_deg=float(light.incidence_deg[0]) if known else float("nan"),
        windows=windows,
        sentence=_sentence(listed, light, known=known, windows=windows, worth=worth),
    )


def _planes(site: Site, names: pl.Series) -> pl.DataFrame:
    """Tilt and azimuth of the planes each string lies on."""
    return (
        site.positions.select("string", "structure")
        .unique()
        .filter(pl.col("string").is_in(names.to_list()))
        .join(site.structures, on="structure", how="inner")
        .select("string", "tilt_deg", "azimuth_deg")
        .drop_nulls()
        .unique()
    )


def _sentence(
    listed: pl.DataFrame,
    light: _Light,
    *,
    known: bool,
    windows: tuple[LightWindow, ...],
    worth: bool,
) -> str:
    if listed.is_empty():
        return "No string needs to be read again."
    count = f"{listed.height} string{'s' if listed.height > 1 else ''} to be read again"
    if not known:
        return f"{count}; their planes are not known, so the sun cannot be reckoned."
    sun = (
        f"the sun stands at {light.elevation_deg[0]:.0f} deg and a clear sky gives "
        f"{light.clear_w_m2[0]:.0f} W/m2 in the best of their planes"
    )
    if light.elevation_deg[0] <= 0.0:
        sun = "the sun is down"
    elif light.incidence_deg[0] > _INCIDENCE_MOST_DEG:
        sun += f", {light.incidence_deg[0]:.0f} deg off its normal"
    said = f"{count}. {'Worth it now' if worth else 'Not worth it now'}: {sun}"
    if not windows:
        return f"{said}; the coming {_DAYS} days have no hour with enough light."
    return f"{said}. Clouds are not foreseen: wait for a steady light."
