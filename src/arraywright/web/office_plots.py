"""Plots on office pages, drawn as SVG without a script."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from arraywright.dossier.words import significant

__all__ = [
    "Bar",
    "ColumnsPlot",
    "Mark",
    "TradeOffPlot",
    "columns_plot",
    "round_ticks",
    "trade_off_plot",
]

_WIDTH: Final = 640
_HEIGHT: Final = 360
_LEFT: Final = 84
_RIGHT: Final = 20
_TOP: Final = 16
_BOTTOM: Final = 52
_DAYS: Final = 31


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A point or tick of a plot.

    Attributes:
        x: across, in units of the picture.
        y: down, in units of the picture.
        words: what it says.
        key: what it is.
        chosen: whether it is the one that stands.
    """

    x: float
    y: float
    words: str
    key: str = ""
    chosen: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TradeOffPlot:
    """Handling against mismatch, both in money.

    Attributes:
        width, height: size of the picture.
        left, right, top, bottom: edges of the field.
        points: ways to plan, the one that stands is chosen.
        line: points of the curve of what cannot be bettered both ways, as SVG writes them.
        x_ticks, y_ticks: marks of the axes.
        currency: of both axes.
    """

    width: int
    height: int
    left: int
    right: int
    top: int
    bottom: int
    points: tuple[Mark, ...]
    line: str
    x_ticks: tuple[Mark, ...]
    y_ticks: tuple[Mark, ...]
    currency: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One column of a plot of columns.

    Attributes:
        x: left edge.
        y: upper edge.
        width: width.
        height: height.
        words: what it says.
        day: the day, ``MM-DD``.
    """

    x: float
    y: float
    width: float
    height: float
    words: str
    day: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnsPlot:
    """Counts by day.

    Attributes:
        width, height: size of the picture.
        left, right, top, bottom: edges of the field.
        bars: one a day with work.
        ticks: marks of the counts.
    """

    width: int
    height: int
    left: int
    right: int
    top: int
    bottom: int
    bars: tuple[Bar, ...]
    ticks: tuple[Mark, ...]


def _span(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    room = (high - low) * 0.08 or abs(high) * 0.1 or 1.0
    return (0.0 if 0 <= low < room else low - room), high + room


def round_ticks(low: float, high: float, count: int = 5) -> list[float]:
    """Give round values between two, about so many.

    Args:
        low: the lower end.
        high: the upper end.
        count: how many steps at most.
    """
    raw = (high - low) / count
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * one for one in (1, 2, 5, 10) if power * one >= raw)
    first = math.ceil(low / step)
    return [one * step for one in range(first, math.floor(high / step) + 1)]


def trade_off_plot(
    rows: Sequence[Mapping[str, Any]], summary: Mapping[str, Any]
) -> TradeOffPlot | None:
    """Draw the ways to plan by what they cost in handling and lose by mismatch.

    Args:
        rows: rows of the plan's trade-off: way, handling, mismatch, on_curve, plan.
        summary: summary of the plan, for the currency.
    """
    known = [row for row in rows if row["handling"] is not None and row["mismatch"] is not None]
    if not known:
        return None
    x_low, x_high = _span([row["handling"] for row in known])
    y_low, y_high = _span([row["mismatch"] for row in known])
    right, bottom = _WIDTH - _RIGHT, _HEIGHT - _BOTTOM

    def across(value: float) -> float:
        return round(_LEFT + (value - x_low) / (x_high - x_low) * (right - _LEFT), 1)

    def down(value: float) -> float:
        return round(bottom - (value - y_low) / (y_high - y_low) * (bottom - _TOP), 1)

    curve = sorted((row["handling"], row["mismatch"]) for row in known if row["on_curve"])
    return TradeOffPlot(
        width=_WIDTH,
        height=_HEIGHT,
        left=_LEFT,
        right=right,
        top=_TOP,
        bottom=bottom,
        points=tuple(
            Mark(
                x=across(row["handling"]),
                y=down(row["mismatch"]),
                words=str(row["way"]),
                chosen=bool(row["plan"]),
            )
            for row in known
        ),
        line=" ".join(f"{across(x)},{down(y)}" for x, y in curve),
        x_ticks=tuple(
            Mark(x=across(value), y=bottom, words=significant(value))
            for value in round_ticks(x_low, x_high)
        ),
        y_ticks=tuple(
            Mark(x=_LEFT, y=down(value), words=significant(value))
            for value in round_ticks(y_low, y_high)
        ),
        currency=str(summary.get("currency", "")),
    )


def columns_plot(by_day: pl.DataFrame, counted: str) -> ColumnsPlot | None:
    """Draw counts by day, the last 31 days with work.

    Args:
        by_day: ``day``, and counts by person.
        counted: name of the column of counts.
    """
    sums = by_day.group_by("day").agg(pl.col(counted).sum()).sort("day").tail(_DAYS)
    if sums.is_empty():
        return None
    right, bottom = _WIDTH - _RIGHT, _HEIGHT - _BOTTOM
    most = max(sums[counted].to_list())
    step = (right - _LEFT) / sums.height
    bars = []
    for place, (day, count) in enumerate(sums.iter_rows()):
        height = (bottom - _TOP) * count / most
        bars.append(
            Bar(
                x=round(_LEFT + place * step + step * 0.1, 1),
                y=round(bottom - height, 1),
                width=round(min(step * 0.8, 60), 1),
                height=round(height, 1),
                words=f"{day.isoformat()}: {count}",
                day=day.strftime("%m-%d"),
            )
        )
    return ColumnsPlot(
        width=_WIDTH,
        height=_HEIGHT,
        left=_LEFT,
        right=right,
        top=_TOP,
        bottom=bottom,
        bars=tuple(bars),
        ticks=tuple(
            Mark(
                x=_LEFT,
                y=round(bottom - (bottom - _TOP) * value / most, 1),
                words=f"{value:g}",
            )
            for value in round_ticks(0, most)
        ),
    )
