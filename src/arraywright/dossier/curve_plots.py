"""I-V curves at standard test conditions: measured, expected with its band, and the difference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from arraywright.arrays import FloatArray
from arraywright.dossier.glyphs import shortened
from arraywright.dossier.plots import _LOOKS, _STYLE, _new_figure, _svg

__all__ = ["PANELS_A_FIGURE", "CurvePanel", "curves_plot"]

PANELS_A_FIGURE: Final = 4
"""Curves in one figure, so that it fits a page."""

_COVERAGE: Final = 2.0
_INK: Final = "#1f2933"
_BAND: Final = "#56B4E9"


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePanel:
    """One I-V curve at STC with what its modules should give.

    Attributes:
        title: string and moment.
        voltage_v: (points,) at STC [V], rising.
        current_a: (points,) at STC [A].
        expected_voltage_v: (points,) of the expected curve at STC [V], rising.
        expected_current_a: (points,) of the expected curve at STC [A].
        verdict: verdict word.
        note: short text under the title, for example the deviation of Pmax.
        current_u_ratio: standard uncertainty of measured against expected current [1].
        voltage_u_ratio: standard uncertainty of measured against expected voltage [1].
    """

    title: str
    voltage_v: FloatArray
    current_a: FloatArray
    expected_voltage_v: FloatArray
    expected_current_a: FloatArray
    verdict: str
    note: str
    current_u_ratio: float = 0.0
    voltage_u_ratio: float = 0.0

    def expected_at(self, voltage_v: FloatArray, *, sigmas: float = 0.0) -> FloatArray:
        """Give the expected current [A] at voltages, both scales moved by so many uncertainties.

        The curve is stretched in current and in voltage by ``1 + sigmas u``; above its open
        circuit it is zero.
        """
        wide = 1.0 + sigmas * self.voltage_u_ratio
        high = 1.0 + sigmas * self.current_u_ratio
        return np.asarray(
            high
            * np.interp(
                np.asarray(voltage_v) / wide,
                self.expected_voltage_v,
                self.expected_current_a,
                right=0.0,
            )
        )


def curves_plot(panels: Sequence[CurvePanel]) -> bytes:
    """Plot (SVG) of I-V curves, two a row: measured, expected with its band, and the difference.

    The band is the expected curve plus and minus twice the standard uncertainty of current and
    voltage, so that about 95 of 100 sound curves lie in it.
    """
    with mpl.rc_context(_STYLE):
        rows = max(1, (len(panels) + 1) // 2)
        figure = _new_figure(172, 94 * rows)
        grid = figure.subplots(
            2 * rows, 2, squeeze=False, sharex="col", height_ratios=[2.4, 1.0] * rows
        )
        for place in range(2 * rows):
            upper, lower = grid[2 * (place // 2)][place % 2], grid[2 * (place // 2) + 1][place % 2]
            if place >= len(panels):
                upper.set_visible(False)
                lower.set_visible(False)
                continue
            _draw(upper, lower, panels[place])
        return _svg(figure)


def _draw(upper: Axes, lower: Axes, panel: CurvePanel) -> None:
    colour, marker, words = _LOOKS.get(panel.verdict, (_INK, "o", panel.verdict))
    reach = 1.02 * max(float(panel.expected_voltage_v[-1]), float(np.max(panel.voltage_v)))
    grid = np.linspace(0.0, reach, 400)
    middle = panel.expected_at(grid)
    low, high = (panel.expected_at(grid, sigmas=sign * _COVERAGE) for sign in (-1.0, 1.0))
    upper.fill_between(
        grid, low, high, color=_BAND, alpha=0.35, linewidth=0.0, label="expected ± 2 u"
    )
    upper.plot(grid, middle, color=_INK, linewidth=0.9, linestyle="--", label="expected")
    drawn: dict[str, Any] = {"color": colour, "marker": marker, "markersize": 2.2, "linewidth": 0.7}
    upper.plot(panel.voltage_v, panel.current_a, label=f"measured ({words})", **drawn)
    upper.set_title(
        f"{shortened(panel.title, length=44)}\n{shortened(panel.note, length=60)}",
        fontsize=7.5,
        parse_math=False,
    )
    upper.set_xlim(0.0, reach)
    upper.set_ylim(bottom=0.0)
    upper.set_ylabel("current at STC [A]")
    upper.tick_params(labelbottom=False)
    upper.legend(loc="lower left", fontsize=6.5)
    lower.fill_between(grid, low - middle, high - middle, color=_BAND, alpha=0.35, linewidth=0.0)
    lower.axhline(0.0, color=_INK, linewidth=0.8, linestyle="--")
    lower.plot(panel.voltage_v, panel.current_a - panel.expected_at(panel.voltage_v), **drawn)
    lower.set_xlabel("voltage at STC [V]")
    lower.set_ylabel("measured −\nexpected [A]")
    lower.tick_params(labelbottom=True)
