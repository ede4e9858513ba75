"""Plots for documents: axes with units, colours safe for colour-blind eyes, shape beside colour."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure as MplFigure
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch
from matplotlib.path import Path as MplPath

from arraywright.arrays import FloatArray
from arraywright.dossier.glyphs import shortened

__all__ = [
    "MapBox",
    "PlanBar",
    "SweepLine",
    "deviation_plot",
    "margins_plot",
    "plans_plot",
    "site_map_plot",
    "sweep_plot",
]

_LOOKS: Final[dict[str, tuple[str, str, str]]] = {
    "pass": ("#009E73", "o", "pass"),
    "review": ("#E69F00", "^", "review"),
    "fail": ("#D55E00", "X", "fail"),
    "not_assessable": ("#56B4E9", "D", "not assessable"),
}
"""Colour (Okabe and Ito's palette), marker and words of each verdict."""

_LAYERS: Final = {"pass": 3, "not_assessable": 4, "review": 5, "fail": 6}
"""What lies above what on a map: the gravest on top."""

_HATCHES: Final = {"pass": "", "not_assessable": "......", "review": "//////", "fail": "xxxxxx"}
"""Hatches of areas on a map of very many strings."""
_MANY_BOXES: Final = 5000
"""From so many boxes on a map is drawn as areas; so many signs of a verdict are set at most."""
_PRINTED_GAP_MM: Final = 0.1

_STYLE: Final[Any] = {
    "font.size": 8,
    "axes.titlesize": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#e3e8ec",
    "grid.linewidth": 0.6,
    "hatch.linewidth": 0.5,
    "legend.frameon": False,
    "svg.fonttype": "path",
    "svg.hashsalt": "arraywright",
}


def _svg(figure: MplFigure) -> bytes:
    buffer = io.BytesIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None}, dpi=200)
    return buffer.getvalue()


def _new_figure(width_mm: float, height_mm: float) -> MplFigure:
    return MplFigure(figsize=(width_mm / 25.4, height_mm / 25.4), layout="constrained")


def _verdict_points(axes: Axes, x: FloatArray, y: FloatArray, verdicts: Sequence[str]) -> None:
    words = np.asarray(verdicts)
    many = len(words) > 3000
    for verdict, (colour, marker, label) in _LOOKS.items():
        chosen = (words == verdict) & np.isfinite(y)
        if not chosen.any():
            continue
        small = many and verdict == "pass"
        axes.plot(
            x[chosen],
            y[chosen],
            linestyle="",
            marker=marker,
            color=colour,
            markersize=1.5 if small else (3.0 if verdict == "pass" else 6.0),
            markeredgewidth=0.4,
            markeredgecolor="white" if not small else colour,
            label=label,
            rasterized=many,
            zorder=2 if verdict == "pass" else 3,
        )


def deviation_plot(
    *,
    voc_deviation_ratio: FloatArray,
    isc_deviation_ratio: FloatArray,
    verdicts: Sequence[str],
    tolerance_ratio: float,
) -> bytes:
    """Plot (SVG) of the deviation of Voc and Isc from what each string's own modules should give.

    Args:
        voc_deviation_ratio: (strings,) measured over expected minus one, nan where not read.
        isc_deviation_ratio: (strings,) likewise for Isc.
        verdicts: verdict word per string.
        tolerance_ratio: the tolerance drawn as lines on both sides.
    """
    with mpl.rc_context(_STYLE):
        figure = _new_figure(172, 110)
        upper, lower = figure.subplots(2, 1, sharex=True)
        order = np.arange(1.0, len(verdicts) + 1.0)
        for axes, values, name in (
            (upper, voc_deviation_ratio, "Voc"),
            (lower, isc_deviation_ratio, "Isc"),
        ):
            percent = 100.0 * np.asarray(values, dtype=np.float64)
            reach = 2.2 * 100.0 * tolerance_ratio
            outside = np.isfinite(percent) & (np.abs(percent) > reach)
            _verdict_points(axes, order, np.clip(percent, -reach, reach), verdicts)
            for index in np.flatnonzero(outside)[:12]:
                axes.annotate(
                    f"{percent[index]:+.0f} %",
                    (order[index], np.clip(percent[index], -reach, reach)),
                    xytext=(4, 0),
                    textcoords="offset points",
                    fontsize=7,
                    va="center",
                )
            for edge in (-tolerance_ratio, tolerance_ratio):
                axes.axhline(100.0 * edge, color="#5b6770", linewidth=0.8, linestyle="--")
            axes.axhline(0.0, color="#1f2933", linewidth=0.8)
            axes.set_ylim(-1.1 * reach, 1.1 * reach)
            axes.set_ylabel(f"{name}: measured minus\nexpected [%]")
        lower.set_xlabel("string, in building order")
        lower.set_xlim(0, len(verdicts) + 1)
        handles, labels = upper.get_legend_handles_labels()
        more_handles, more_labels = lower.get_legend_handles_labels()
        legend = dict(zip(labels + more_labels, handles + more_handles, strict=True))
        if legend:
            figure.legend(
                legend.values(), legend.keys(), loc="outside upper center", ncols=len(legend)
            )
        return _svg(figure)


@dataclass(frozen=True, slots=True, kw_only=True)
class MapBox:
    """The ground a string covers, with its verdict.

    Attributes:
        string: name of the string.
        x_min_m: west edge [m].
        x_max_m: east edge [m].
        y_min_m: south edge [m].
        y_max_m: north edge [m].
        verdict: verdict word.
    """

    string: str
    x_min_m: float
    x_max_m: float
    y_min_m: float
    y_max_m: float
    verdict: str


def _map_height_mm(boxes: Sequence[MapBox]) -> float:
    if not boxes:
        return 60.0
    width_m = max(box.x_max_m for box in boxes) - min(box.x_min_m for box in boxes)
    height_m = max(box.y_max_m for box in boxes) - min(box.y_min_m for box in boxes)
    return float(np.clip(150.0 * height_m / max(width_m, 1e-9) + 28.0, 60.0, 215.0))


def _joined(edges: FloatArray, gap_m: float) -> FloatArray:
    """Join boxes of the same depth that lie side by side, closer than a gap [m]; (boxes, 4)."""
    order = np.lexsort((edges[:, 0], np.round(edges[:, 3], 2), np.round(edges[:, 2], 2)))
    held = edges[order]
    ends = np.round(held[:, 2:], 2)
    begins = np.ones(len(held), dtype=np.bool_)
    begins[1:] = (ends[1:] != ends[:-1]).any(axis=1) | (held[1:, 0] - held[:-1, 1] > gap_m)
    first = np.flatnonzero(begins)
    joined: FloatArray = np.stack(
        [
            np.minimum.reduceat(held[:, 0], first),
            np.maximum.reduceat(held[:, 1], first),
            np.minimum.reduceat(held[:, 2], first),
            np.maximum.reduceat(held[:, 3], first),
        ],
        axis=1,
    )
    return joined


def _one_path(edges: FloatArray) -> MplPath:
    """Give all boxes as one path."""
    corners = edges[:, [0, 2, 1, 2, 1, 3, 0, 3, 0, 2]].reshape(-1, 2)
    codes = [MplPath.MOVETO, MplPath.LINETO, MplPath.LINETO, MplPath.LINETO, MplPath.CLOSEPOLY]
    return MplPath(corners, np.tile(np.array(codes, dtype=np.uint8), len(edges)))


def _many_boxes(axes: Axes, edges: FloatArray, verdict: str, *, reach_m: float) -> None:
    """Draw very many boxes of a verdict as lines and areas of one path, hatched besides."""
    gap_m = _PRINTED_GAP_MM / 150.0 * reach_m
    colour = _LOOKS[verdict][0]
    axes.add_patch(
        PathPatch(
            _one_path(_joined(edges, gap_m)),
            facecolor=colour,
            alpha=0.45 if verdict == "pass" else 0.9,
            edgecolor="white" if _HATCHES[verdict] else "none",
            linewidth=0.0,
            hatch=_HATCHES[verdict],
            zorder=_LAYERS[verdict] - 2,
        )
    )


def site_map_plot(boxes: Sequence[MapBox], *, label_limit: int = 25) -> bytes:
    """Plot (SVG) of the site to scale, north up, every string coloured by its verdict.

    A string may have several boxes. Strings that are not passed carry a marker besides the colour,
    and their names while they are not more than ``label_limit``. On a very large site boxes that
    print closer than a tenth of a millimetre are joined; all of it is lines and areas.
    """
    with mpl.rc_context(_STYLE):
        figure = _new_figure(172, _map_height_mm(boxes))
        axes = figure.subplots()
        axes.grid(visible=False)
        many = len(boxes) > _MANY_BOXES
        reach_m = max((box.x_max_m for box in boxes), default=0.0) - min(
            (box.x_min_m for box in boxes), default=0.0
        )
        for verdict, (colour, marker, label) in _LOOKS.items():
            chosen = [box for box in boxes if box.verdict == verdict]
            if not chosen:
                continue
            edges = np.array([(b.x_min_m, b.x_max_m, b.y_min_m, b.y_max_m) for b in chosen])
            corners = edges[:, [0, 2, 1, 2, 1, 3, 0, 3]].reshape(-1, 4, 2)
            if many:
                _many_boxes(axes, edges, verdict, reach_m=reach_m)
            else:
                axes.add_collection(
                    PolyCollection(
                        list(corners),
                        facecolor=colour,
                        alpha=0.45 if verdict == "pass" else 0.9,
                        edgecolor="white",
                        linewidth=0.3,
                    )
                )
            centres = corners.mean(axis=1)
            passed = verdict == "pass"
            # Where very many strings are not passed, smaller signs keep them apart.
            size = float(np.clip(5.5 * np.sqrt(200.0 / len(chosen)), 1.2, 5.5))
            signed = len(chosen) <= _MANY_BOXES and not (passed and many)
            axes.plot(
                centres[:, 0] if signed else [],
                centres[:, 1] if signed else [],
                linestyle="",
                marker=marker,
                color=colour,
                markeredgecolor="#1f2933",
                markeredgewidth=0.4 if size > 4.0 else 0.0,
                markersize=(2.0 if len(chosen) < 2000 else 0.5) if passed else size,
                label=f"{label} ({len({box.string for box in chosen})})",
                zorder=_LAYERS[verdict],
            )
            first = {box.string: centre for box, centre in zip(chosen, centres, strict=True)}
            if not passed and len(first) <= label_limit:
                for string, centre in first.items():
                    axes.annotate(
                        shortened(string, length=24),
                        (centre[0], centre[1]),
                        parse_math=False,
                        xytext=(4, 4),
                        textcoords="offset points",
                        fontsize=6,
                        zorder=7,
                    )
        axes.set_aspect("equal")
        axes.autoscale_view()
        axes.set_xlabel("east of the origin [m]")
        axes.set_ylabel("north of the origin [m]")
        if boxes:
            legend = figure.legend(loc="outside upper center", ncols=4)
            for handle in legend.legend_handles:
                if isinstance(handle, Line2D):
                    handle.set_markersize(5.0)
        return _svg(figure)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanBar:
    """One allocation plan in figures: its name, loss [%] and pallet openings."""

    name: str
    loss_percent: float
    pallet_openings: int


def plans_plot(bars: Sequence[PlanBar]) -> bytes:
    """Plot (SVG) of the plans side by side: predicted mismatch loss and pallet openings."""
    with mpl.rc_context(_STYLE):
        figure = _new_figure(172, 60)
        left, right = figure.subplots(1, 2, sharey=True)
        names = [shortened(bar.name, length=40) for bar in bars]
        places = np.arange(len(bars))
        losses = [bar.loss_percent for bar in bars]
        openings = [bar.pallet_openings for bar in bars]
        for axes, values, colour, label in (
            (left, losses, "#0072B2", "predicted mismatch loss [%]"),
            (right, openings, "#CC79A7", "pallet openings"),
        ):
            drawn = axes.barh(places, values, color=colour, height=0.55)
            texts = [f"{v:.3f}" if axes is left else f"{v:d}" for v in values]
            axes.bar_label(drawn, labels=texts, padding=3, fontsize=7.5)
            axes.set_xlabel(label)
            axes.margins(x=0.18)
            axes.grid(visible=False, axis="y")
        left.set_yticks(places, names)
        left.invert_yaxis()
        return _svg(figure)


def _plain_name(name: str) -> str:
    """Keep a dollar sign from being read as the beginning of a formula."""
    return name.replace("$", r"\$")


def margins_plot(rows: Sequence[tuple[str, float, str]]) -> bytes:
    """Plot (SVG) of margins over their limits, one bar a check with its verdict's sign.

    Args:
        rows: name, margin over limit, and verdict word of each check, in drawing order.
    """
    with mpl.rc_context(_STYLE):
        figure = _new_figure(172, 20.0 + 6.6 * max(1, len(rows)))
        axes = figure.subplots()
        for place, (_, ratio, verdict) in enumerate(rows):
            colour, marker, _ = _LOOKS[verdict]
            percent = float(np.clip(100.0 * ratio, -100.0, 100.0))
            axes.barh(place, percent, color=colour, height=0.6, alpha=0.75)
            axes.plot(percent, place, marker=marker, color=colour, markeredgecolor="#1f2933")
            axes.annotate(
                f"{100.0 * ratio:+.1f} %",
                (percent, place),
                xytext=(6 if ratio >= 0.0 else -6, 0),
                textcoords="offset points",
                ha="left" if ratio >= 0.0 else "right",
                va="center",
                fontsize=6,
            )
        axes.set_yticks(range(len(rows)), [_plain_name(name) for name, _, _ in rows], fontsize=6)
        axes.invert_yaxis()
        axes.axvline(0.0, color="#1f2933", linewidth=0.8)
        least = min((100.0 * ratio for _, ratio, _ in rows), default=0.0)
        axes.set_xlim(max(min(least - 22.0, -14.0), -122.0), 114.0)
        axes.set_xlabel("margin over limit [%], cut at 100")
        axes.grid(visible=False, axis="y")
        return _svg(figure)


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepLine:
    """Margin of one check over a quantity that is varied.

    Attributes:
        name: check and subject.
        value: (variants,) the quantity.
        margin_ratio: (variants,) margin over limit.
    """

    name: str
    value: FloatArray
    margin_ratio: FloatArray


_LINE_COLOURS: Final = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#1f2933")
_LINE_STYLES: Final = ("-", "--", "-.", ":")


def sweep_plot(quantity: str, lines: Sequence[SweepLine]) -> bytes:
    """Plot (SVG) of margins over one quantity, a line a check, told apart by colour and stroke."""
    with mpl.rc_context(_STYLE):
        figure = _new_figure(172, 105 + 4.0 * ((len(lines) + 1) // 2))
        axes = figure.subplots()
        for place, line in enumerate(lines):
            axes.plot(
                line.value,
                np.clip(100.0 * line.margin_ratio, -100.0, 100.0),
                color=_LINE_COLOURS[place % len(_LINE_COLOURS)],
                linestyle=_LINE_STYLES[(place // len(_LINE_COLOURS)) % len(_LINE_STYLES)],
                linewidth=1.3,
                label=_plain_name(textwrap.shorten(line.name, 56, placeholder=" ...")),
            )
        axes.axhline(0.0, color="#1f2933", linewidth=1.0)
        axes.set_xlabel(_plain_name(quantity))
        axes.set_ylabel("margin over limit [%]")
        if lines:
            figure.legend(loc="outside lower center", ncols=2, fontsize=6)
        return _svg(figure)
