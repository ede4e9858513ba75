"""Plots of a park's allocation: handling against mismatch, and the yard day by day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import matplotlib as mpl
import numpy as np
import polars as pl
from matplotlib.axes import Axes

from arraywright.dossier.plots import _STYLE, _new_figure, _svg

__all__ = ["TradePoint", "trade_off_plot", "yard_plot"]

_INK: Final = "#1f2933"
_BLUE: Final = "#0072B2"
_ORANGE: Final = "#D55E00"
_GREEN: Final = "#009E73"
_LIGHT: Final = "#56B4E9"


@dataclass(frozen=True, slots=True, kw_only=True)
class TradePoint:
    """One way to build: what its handling costs and what its mismatch costs.

    Attributes:
        name: words for it.
        handling: money.
        mismatch: money.
        on_curve: no other way is better in both.
        knee: the point at which more handling stops paying.
        chosen: the plan.
    """

    name: str
    handling: float
    mismatch: float
    on_curve: bool = True
    knee: bool = False
    chosen: bool = False


def trade_off_plot(points: Sequence[TradePoint], *, currency: str, bound: float | None) -> bytes:
    """Plot (SVG) of mismatch over handling, in money over the life counted, with the knee marked.

    Args:
        points: ways to build.
        currency: name of the money.
        bound: mismatch that whole pallets in stack order cannot go below, None when not known.
    """
    with mpl.rc_context(_STYLE):
        figure = _new_figure(172, 96)
        axes = figure.subplots()
        curve = sorted((p for p in points if p.on_curve), key=lambda p: (p.handling, -p.mismatch))
        axes.plot(
            [p.handling for p in curve],
            [p.mismatch for p in curve],
            color=_BLUE,
            linewidth=1.2,
            zorder=2,
        )
        for held, marker, colour, label in (
            ([p for p in points if p.on_curve], "o", _BLUE, "no other way is better in both"),
            ([p for p in points if not p.on_curve], "s", _LIGHT, "others"),
        ):
            if held:
                axes.plot(
                    [p.handling for p in held],
                    [p.mismatch for p in held],
                    linestyle="",
                    marker=marker,
                    color=colour,
                    markersize=4.5,
                    label=label,
                    zorder=3,
                )
        for held, marker, size, label in (
            ([p for p in points if p.knee], "D", 11.0, "knee: more handling no longer pays"),
            ([p for p in points if p.chosen], "o", 15.0, "this plan"),
        ):
            if held:
                axes.plot(
                    [p.handling for p in held],
                    [p.mismatch for p in held],
                    linestyle="",
                    marker=marker,
                    markersize=size,
                    markerfacecolor="none",
                    markeredgecolor=_ORANGE if marker == "D" else _INK,
                    markeredgewidth=1.2,
                    label=label,
                    zorder=4,
                )
        if bound is not None:
            axes.axhline(
                bound,
                color=_INK,
                linewidth=0.9,
                linestyle="--",
                label="proven: whole pallets in stack order lose at least this",
            )
        _name_points(axes, points)
        axes.set_xlabel(f"handling [{currency}]")
        axes.set_ylabel(f"mismatch over the life counted [{currency}]")
        axes.set_ylim(bottom=0.0)
        axes.margins(x=0.2, y=0.16)
        figure.legend(loc="outside lower center", ncols=2, fontsize=7)
        return _svg(figure)


def _name_points(axes: Axes, points: Sequence[TradePoint]) -> None:
    """Write names beside points; points that lie together share one line."""
    named = sorted((p for p in points if p.name), key=lambda p: (p.handling, p.mismatch))
    if not named:
        return
    across = max(p.handling for p in points) or 1.0
    up = max(p.mismatch for p in points) or 1.0
    groups: list[list[TradePoint]] = []
    for point in named:
        for group in groups:
            first = group[0]
            if (
                abs(first.handling - point.handling) < 0.03 * across
                and abs(first.mismatch - point.mismatch) < 0.09 * up
            ):
                group.append(point)
                break
        else:
            groups.append([point])
    for group in groups:
        axes.annotate(
            ", ".join(p.name for p in group),
            (
                max(p.handling for p in group),
                sum(p.mismatch for p in group) / len(group),
            ),
            xytext=(10, 3),
            textcoords="offset points",
            ha="left",
            va="bottom",
            fontsize=6.5,
        )


def yard_plot(days: pl.DataFrame, *, described_m2: float | None) -> bytes:
    """Plot (SVG) of laydown area needed and of the lift's work, day by day.

    Args:
        days: frame of ``day``, ``area_needed_m2``, ``unloaded``, ``trips`` and ``digs``.
        described_m2: ground described [m2], drawn as a line; None when none is.
    """
    with mpl.rc_context(_STYLE):
        figure = _new_figure(172, 118)
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(1.0, 0.9))
        # the number of each day since 1970, which is also how dates are drawn
        day = days["day"].to_physical().to_numpy().astype(np.float64)
        area = days["area_needed_m2"].to_numpy()
        upper.fill_between(day, area, step="mid", color=_LIGHT, alpha=0.5, linewidth=0.0)
        upper.step(day, area, where="mid", color=_BLUE, linewidth=1.2, label="needed, with ways")
        if described_m2 is not None:
            upper.axhline(
                described_m2, color=_ORANGE, linewidth=1.2, linestyle="--", label="described"
            )
        upper.set_ylabel("laydown area [m2]")
        upper.set_ylim(bottom=0.0)
        below = np.zeros(len(day))
        for name, colour, hatch, label in (
            ("unloaded", _GREEN, "", "pallets unloaded"),
            ("trips", _BLUE, "////", "trips to drop points"),
            ("digs", _ORANGE, "xxxx", "pallets lifted off others"),
        ):
            height = days[name].to_numpy().astype(np.float64)
            if not height.any():
                continue
            lower.bar(
                day,
                height,
                bottom=below,
                width=0.9,
                color=colour,
                hatch=hatch,
                edgecolor="white",
                linewidth=0.0,
                label=label,
            )
            below += height
        lower.set_ylabel("moves of the lift on the day")
        shown = np.unique(np.linspace(0, len(day) - 1, min(len(day), 7)).round().astype(np.int64))
        lower.set_xticks(day[shown], [str(days["day"][int(at)]) for at in shown])
        handles, labels = upper.get_legend_handles_labels()
        more_handles, more_labels = lower.get_legend_handles_labels()
        figure.legend(
            handles + more_handles, labels + more_labels, loc="outside lower center", ncols=3
        )
        return _svg(figure)
