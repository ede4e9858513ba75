"""Plots of one string, drawn as SVG without a script: intervals, causes, curves, places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.arrays import FloatArray
from arraywright.commissioning.isolation import StringIsolation
from arraywright.commissioning.session_causes import CAUSES
from arraywright.dossier.curve_plots import CurvePanel
from arraywright.dossier.words import significant
from arraywright.web.office_plots import Mark, round_ticks

__all__ = [
    "CausePlot",
    "CauseShare",
    "CurvePlot",
    "Interval",
    "IntervalPlot",
    "PlacesPlot",
    "cause_plot",
    "curve_plot",
    "interval_plot",
    "places_plot",
]

WIDTH: Final = 400
"""Width of the pictures: letters of 17 stay readable when a phone shows them narrower."""

_EDGE: Final = 12
_ROW: Final = 46
_LABEL: Final = 16
_BAR: Final = 16
_COVERAGE: Final = 2.0
_SHOWN_FROM: Final = 0.005
_CURVE_LEFT: Final = 52
_CURVE_UPPER: Final = 236
_CURVE_LOWER: Final = 96
_CURVE_GAP: Final = 24
_CURVE_POINTS: Final = 160


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A reading against what is expected, as a row of a plot.

    Attributes:
        key: what is compared: ``voc``, ``isc``, ``voc_session``.
        deviation_ratio: reading over expectation less one [1].
        u_ratio: standard uncertainty of the expectation [1].
        y: down to the middle of its band.
        x: across to the reading.
        low, high: across to both ends of the band of twice the standard uncertainty.
        beyond: the reading lies outside the picture, at its edge.
    """

    key: str
    deviation_ratio: float
    u_ratio: float
    y: float = 0.0
    x: float = 0.0
    low: float = 0.0
    high: float = 0.0
    beyond: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalPlot:
    """Readings against expectations in per cent.

    Attributes:
        width, height: size of the picture.
        top, bottom: edges of the field.
        rows: one a comparison.
        ticks: marks of the axis in per cent.
        zero: across to no deviation.
        limits: across to both limits of the standard's tolerance.
    """

    width: int
    height: int
    top: int
    bottom: int
    rows: tuple[Interval, ...]
    ticks: tuple[Mark, ...]
    zero: float
    limits: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseShare:
    """The probability of one cause, as a bar.

    Attributes:
        key: name of the cause; ``other`` for all that are not shown one by one.
        kind: ``sound``, ``string`` for a cause in it, ``reading`` for one in its reading, or
            ``other``.
        probability_ratio: probability [1].
        y: down to its words.
        width: length of its bar.
    """

    key: str
    kind: str
    probability_ratio: float
    y: float = 0.0
    width: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CausePlot:
    """The probabilities of all causes of a string, the likeliest first.

    Attributes:
        width, height: size of the picture.
        left, right: edges of the field: a probability of 0 and of 1.
        bar: height of a bar.
        shares: the causes.
    """

    width: int
    height: int
    left: int
    right: int
    bar: int
    shares: tuple[CauseShare, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePlot:
    """One I-V curve at STC above, measured less expected below.

    Attributes:
        width, height: size of the picture.
        left, right: edges of both fields.
        top, middle: edges of the upper field.
        below, bottom: edges of the lower field.
        band, expected: upper area and line, as SVG writes points.
        measured: upper dots, as SVG writes a path.
        difference_band: lower area, as SVG writes points.
        difference: lower dots, as SVG writes a path.
        zero: down to no difference.
        x_ticks, y_ticks, difference_ticks: marks of the axes.
    """

    width: int
    height: int
    left: int
    right: int
    top: int
    middle: int
    below: int
    bottom: int
    band: str
    expected: str
    measured: str
    difference_band: str
    difference: str
    zero: float
    x_ticks: tuple[Mark, ...]
    y_ticks: tuple[Mark, ...]
    difference_ticks: tuple[Mark, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacesPlot:
    """Where in the string the fault may sit: one column a module, from the positive end.

    Attributes:
        width, height: size of the picture.
        top, bottom: edges of the field.
        columns: per module the left edge, upper edge and its number and probability in words.
        module_width: width of a column.
        opened: across to connectors that were opened.
        next_x: across to the connector to open next; None for none.
        most_ratio: probability of the likeliest module, which reaches the upper edge [1].
    """

    width: int
    height: int
    top: int
    bottom: int
    columns: tuple[Mark, ...]
    module_width: float
    opened: tuple[float, ...]
    next_x: float | None
    most_ratio: float


def interval_plot(rows: Sequence[Interval], *, tolerance_ratio: float) -> IntervalPlot | None:
    """Draw readings against expectations with bands of twice their standard uncertainty.

    The picture reaches a half beyond the standard's tolerance; what lies outside stands at its
    edge and says so.

    Args:
        rows: what is compared, without places in the picture.
        tolerance_ratio: the standard's tolerance.
    """
    if not rows:
        return None
    reach = 1.5 * tolerance_ratio
    left, right = _EDGE, WIDTH - _EDGE

    def across(ratio: float) -> float:
        inside = min(max(ratio, -reach), reach)
        return round(left + (inside + reach) / (2.0 * reach) * (right - left), 1)

    placed = tuple(
        Interval(
            key=one.key,
            deviation_ratio=one.deviation_ratio,
            u_ratio=one.u_ratio,
            y=_EDGE + _ROW * place + _LABEL + _BAR,
            x=across(one.deviation_ratio),
            low=across(-_COVERAGE * one.u_ratio),
            high=across(_COVERAGE * one.u_ratio),
            beyond=abs(one.deviation_ratio) > reach,
        )
        for place, one in enumerate(rows)
    )
    bottom = _EDGE + _ROW * len(rows) + 6
    return IntervalPlot(
        width=WIDTH,
        height=bottom + 24,
        top=_EDGE,
        bottom=bottom,
        rows=placed,
        ticks=tuple(
            Mark(x=across(value / 100.0), y=bottom, words=f"{value:+g}" if value else "0")
            for value in round_ticks(-100.0 * reach, 100.0 * reach, 6)
        ),
        zero=across(0.0),
        limits=(across(-tolerance_ratio), across(tolerance_ratio)),
    )


def cause_plot(probabilities: dict[str, float]) -> CausePlot | None:
    """Draw the probability of each cause, the likeliest first; small ones together at the end.

    Args:
        probabilities: probability of each cause by name, of one string; empty when it was not
            explained.
    """
    if not probabilities:
        return None
    kinds = {"none": "sound"} | dict.fromkeys(CAUSES[1:], "string")
    ranked = sorted(probabilities.items(), key=lambda held: -held[1])
    told = [(name, held) for name, held in ranked if held >= _SHOWN_FROM]
    rest = sum(held for _, held in ranked if held < _SHOWN_FROM)
    lines = [(name, kinds.get(name, "reading"), held) for name, held in told]
    if rest > 0.0005:
        lines.append(("other", "other", rest))
    left, right = _EDGE, WIDTH - _EDGE
    return CausePlot(
        width=WIDTH,
        height=_EDGE + _ROW * len(lines),
        left=left,
        right=right,
        bar=_BAR,
        shares=tuple(
            CauseShare(
                key=name,
                kind=kind,
                probability_ratio=held,
                y=_EDGE + _ROW * place + _LABEL - 4,
                width=round(held * (right - left), 1),
            )
            for place, (name, kind, held) in enumerate(lines)
        ),
    )


def _points(x: FloatArray, y: FloatArray) -> str:
    return " ".join(f"{one:.1f},{two:.1f}" for one, two in zip(x, y, strict=True))


def _dots(x: FloatArray, y: FloatArray) -> str:
    """Write a path of strokes without length, which round ends make dots."""
    return " ".join(f"M{one:.1f},{two:.1f}h0" for one, two in zip(x, y, strict=True))


def curve_plot(panel: CurvePanel) -> CurvePlot:
    """Draw one I-V curve at STC, the expected one with its band, and the difference below."""
    left, right = _CURVE_LEFT, WIDTH - _EDGE
    top, middle = 8, 8 + _CURVE_UPPER
    below, bottom = middle + _CURVE_GAP, middle + _CURVE_GAP + _CURVE_LOWER
    reach_v = 1.02 * max(float(panel.expected_voltage_v[-1]), float(np.max(panel.voltage_v)))
    grid = np.linspace(0.0, reach_v, _CURVE_POINTS)
    expected = panel.expected_at(grid)
    low = panel.expected_at(grid, sigmas=-_COVERAGE)
    high = panel.expected_at(grid, sigmas=_COVERAGE)
    most_a = 1.05 * float(max(np.max(high), np.max(panel.current_a)))
    away = panel.current_a - panel.expected_at(panel.voltage_v)
    # The steep end makes band and difference large; the flat part sets the scale.
    flat = grid < 0.8 * float(panel.expected_voltage_v[-1])
    inside = panel.voltage_v < 0.8 * float(panel.expected_voltage_v[-1])
    span_a = 1.3 * float(
        max(
            np.max(np.abs(high - expected)[flat]),
            np.max(np.abs(away[inside])) if inside.any() else 0.0,
            0.05,
        )
    )

    def across(volts: FloatArray) -> FloatArray:
        return left + np.asarray(volts) / reach_v * (right - left)

    def down(amperes: FloatArray) -> FloatArray:
        return middle - np.clip(amperes, 0.0, most_a) / most_a * (middle - top)

    def lower(amperes: FloatArray) -> FloatArray:
        held = np.clip(amperes, -span_a, span_a)
        return 0.5 * (below + bottom) - held / span_a * 0.5 * (bottom - below)

    both = np.concatenate([grid, grid[::-1]])
    return CurvePlot(
        width=WIDTH,
        height=bottom + 44,
        left=left,
        right=right,
        top=top,
        middle=middle,
        below=below,
        bottom=bottom,
        band=_points(across(both), down(np.concatenate([low, high[::-1]]))),
        expected=_points(across(grid), down(expected)),
        measured=_dots(across(panel.voltage_v), down(panel.current_a)),
        difference_band=_points(
            across(both), lower(np.concatenate([low - expected, (high - expected)[::-1]]))
        ),
        difference=_dots(across(panel.voltage_v), lower(away)),
        zero=0.5 * (below + bottom),
        x_ticks=tuple(
            Mark(x=float(across(np.array(value))), y=bottom, words=significant(value))
            for value in round_ticks(0.0, reach_v, 5)
        ),
        y_ticks=tuple(
            Mark(x=left, y=float(down(np.array(value))), words=significant(value))
            for value in round_ticks(0.0, most_a, 4)
        ),
        difference_ticks=tuple(
            Mark(x=left, y=float(lower(np.array(value))), words=f"{value:+g}" if value else "0")
            for value in round_ticks(-span_a, span_a, 4)
        ),
    )


def places_plot(state: StringIsolation, *, opened: Sequence[int], after: int | None) -> PlacesPlot:
    """Draw how likely the fault sits in each module, and the connectors opened and to open.

    Args:
        state: what is known.
        opened: connectors opened, as modules on their positive side.
        after: connector to open next, likewise; None for none.
    """
    chance = state.module_probability()
    step = (WIDTH - 2 * _EDGE) / len(chance)
    top, bottom = 26, 116
    most = max(float(chance.max()), 1e-9)

    def between(modules: int) -> float:
        return round(_EDGE + modules * step, 1)

    return PlacesPlot(
        width=WIDTH,
        height=bottom + 30,
        top=top,
        bottom=bottom,
        columns=tuple(
            Mark(
                x=round(between(place) + 0.08 * step, 1),
                y=round(bottom - (bottom - top) * held / most, 1),
                words=f"{place + 1}: {100.0 * held:.1f} %",
                key=str(place + 1),
            )
            for place, held in enumerate(chance.tolist())
        ),
        module_width=round(0.84 * step, 1),
        opened=tuple(between(one) for one in sorted(set(opened))),
        next_x=None if after is None else between(after),
        most_ratio=most,
    )
