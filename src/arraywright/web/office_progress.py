"""How fast the site is built and tested, by day and person, and when it will be done."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final

import polars as pl

from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.site_record import SiteRecord
from arraywright.procedures.where_now import placements

__all__ = ["Forecast", "Progress", "forecast", "progress"]

_WINDOW_DAYS: Final = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """When something will be done, at the pace of the last days on which it was done.

    Attributes:
        remaining: how many are left.
        per_day: mean of the last days with work, at most ten.
        days: how many days that mean rests on.
        finish: day on which the last one is done at that pace; None without a pace.
        earliest: the same at the mean and one standard error.
        latest: the same at the mean less one standard error; None when that is no pace.
    """

    remaining: int
    per_day: float
    days: int
    finish: date | None
    earliest: date | None
    latest: date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """What was done, by day and person.

    Attributes:
        placed: ``day``, ``person``, ``modules``; modules whose day is not known are in ``undated``.
        tested: ``day``, ``person``, ``strings``: first reading of each string.
        undated: modules in place of which no day is known.
        build: forecast of the modules.
        test: forecast of the strings.
    """

    placed: pl.DataFrame
    tested: pl.DataFrame
    undated: int
    build: Forecast
    test: Forecast

    def as_dict(self) -> dict[str, Any]:
        """Give it as plain data."""
        return {
            "placed": self.placed.to_dicts(),
            "tested": self.tested.to_dicts(),
            "undated": self.undated,
            "build": _plain(self.build),
            "test": _plain(self.test),
        }


def _plain(one: Forecast) -> dict[str, Any]:
    return {name: getattr(one, name) for name in Forecast.__slots__}


def forecast(per_day: dict[date, int], *, remaining: int, today: date) -> Forecast:
    """Tell when the rest is done at the pace of the last days with work.

    The pace is the mean of the last ten days on which something was done, its uncertainty the
    standard error of that mean. Days on which nothing was done before are reckoned with: the
    share of days with work since the first of these ten is kept.

    Args:
        per_day: how many were done on each day with work.
        remaining: how many are left.
        today: the day on which the rest begins.
    """
    days = sorted(per_day)[-_WINDOW_DAYS:]
    counts = [per_day[day] for day in days]
    if not counts or remaining <= 0:
        return Forecast(
            remaining=max(remaining, 0),
            per_day=sum(counts) / len(counts) if counts else 0.0,
            days=len(counts),
            finish=None,
            earliest=None,
            latest=None,
        )
    mean = sum(counts) / len(counts)
    error = 0.0
    if len(counts) > 1:
        variance = sum((count - mean) ** 2 for count in counts) / (len(counts) - 1)
        error = math.sqrt(variance / len(counts))
    span = (days[-1] - days[0]).days + 1
    share = len(days) / span

    def done(pace: float) -> date | None:
        if pace <= 0:
            return None
        needed = math.ceil(remaining / pace / share)
        return today + timedelta(days=needed) if needed < 36_525 else None

    return Forecast(
        remaining=remaining,
        per_day=mean,
        days=len(counts),
        finish=done(mean),
        earliest=done(mean + error),
        latest=done(mean - error),
    )


def _by_day(frame: pl.DataFrame, when: str, zone: str, *, counted: str) -> pl.DataFrame:
    return (
        frame.filter(pl.col(when).is_not_null())
        .with_columns(
            day=pl.col(when).dt.convert_time_zone(zone).dt.date(),
            person=pl.col("person").fill_null(""),
        )
        .group_by("day", "person")
        .agg(pl.len().alias(counted))
        .sort("day", "person")
    )


def _sums(frame: pl.DataFrame, counted: str) -> dict[date, int]:
    return dict(frame.group_by("day").agg(pl.col(counted).sum()).iter_rows())


def progress(record: SiteRecord) -> Progress:
    """Count what was built and tested by day and person, and forecast the rest."""
    site = record.site
    zone = site.time_zone
    there = placements(record)
    placed = _by_day(there, "placed_at", zone, counted="modules")
    judged = record.latest(STRINGS_JUDGED)
    firsts = pl.DataFrame(
        schema={
            "string": pl.String,
            "measured_at": pl.Datetime("us", "UTC"),
            "person": pl.String,
        }
    )
    if judged is not None:
        firsts = (
            record.load_frame(judged, "readings")
            .filter(pl.col("measured_at").is_not_null())
            .sort("measured_at")
            .unique("string", keep="first", maintain_order=True)
            .select("string", "measured_at", "person")
        )
    tested = _by_day(firsts, "measured_at", zone, counted="strings")
    today = record.now().date()
    return Progress(
        placed=placed,
        tested=tested,
        undated=there["placed_at"].null_count(),
        build=forecast(
            _sums(placed, "modules"), remaining=site.positions.height - there.height, today=today
        ),
        test=forecast(
            _sums(tested, "strings"), remaining=site.strings.height - firsts.height, today=today
        ),
    )
