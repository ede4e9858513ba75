"""How long strings may be, and how long they are built: the plot and the table of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from arraywright.arrays import FloatArray, IntArray
from arraywright.design import HoursOutsideWindow, StringLengthRange
from arraywright.dossier.blocks import Block, Figure, Heading, Paragraph, Table
from arraywright.dossier.design_ticks import apart
from arraywright.dossier.plots import _STYLE, _new_figure, _svg
from arraywright.dossier.words import number, significant

__all__ = [
    "LENGTH_ALIGN",
    "LENGTH_HEADINGS",
    "StringLengths",
    "length_rows",
    "string_length_blocks",
    "string_length_plot",
]

LENGTH_HEADINGS: Final = (
    "Of",
    "Modules",
    "Least",
    "Most",
    "Hours above",
    "Hours below",
    "Hours over",
)
LENGTH_ALIGN: Final = ("left", "left", "right", "right", "right", "right", "right")
_VOLTAGES: Final = (
    ("voc_cold_v", "Voc, coldest air", "#D55E00", "-", "o"),
    ("vmp_cold_v", "Vmp, coldest air", "#E69F00", "--", "^"),
    ("voc_hot_v", "Voc, hottest cells, end of life", "#56B4E9", "--", "v"),
    ("vmp_hot_v", "Vmp, hottest cells, end of life", "#0072B2", "-", "s"),
)
_SIDES: Final = (
    ("above", "Vmp above the MPPT window", "#E69F00", "////"),
    ("below", "Vmp below the MPPT window", "#0072B2", "...."),
    ("over", "Voc over the greatest voltage", "#D55E00", "xxxx"),
)
_INK: Final = "#1f2933"
_BEHIND: Final[Any] = {"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 0.8}
_TICKS_MOST: Final = 24
_HOURS_TICKS: Final = (0, 1, 10, 100, 1000)


@dataclass(frozen=True, slots=True, kw_only=True)
class StringLengths:
    """Voltages of strings of each length, of one module type on one inverter type.

    Attributes:
        module_type: key of the module type.
        inverter_type: key of the inverter type.
        built: lengths that are built, rising.
        lengths: lengths looked at, rising, shape (lengths,).
        voc_cold_v: Voc of one module in the greatest cold, of the class where it is greatest [V].
        vmp_cold_v: Vmp of one module in the greatest cold, likewise [V]; nan where not known.
        voc_hot_v: Voc of one module in the greatest heat at the end of life, of the class where
            it is least [V].
        vmp_hot_v: Vmp of one module, likewise [V]; nan where not known.
        max_system_voltage_v: greatest system voltage of the module [V].
        max_voltage_v: greatest voltage of the inverter [V].
        system_voltage_limit_v: greatest voltage the code allows at the place [V]; nan where it is
            not described.
        mppt_min_v: lower edge of the MPPT window [V].
        mppt_max_v: upper edge of the MPPT window [V].
        start_voltage_v: voltage from which the inverter starts [V].
        bounds: numbers of modules each limit allows.
        hours: hours of a mean year outside the window, shape (lengths,); None without weather.
        why_no_hours: why there are none, empty where there are.
        unknown: described quantities that are missing, by their keys.
    """

    module_type: str
    inverter_type: str
    built: tuple[int, ...]
    lengths: IntArray
    voc_cold_v: float
    vmp_cold_v: float
    voc_hot_v: float
    vmp_hot_v: float
    max_system_voltage_v: float
    max_voltage_v: float
    system_voltage_limit_v: float
    mppt_min_v: float
    mppt_max_v: float
    start_voltage_v: float
    bounds: StringLengthRange
    hours: HoursOutsideWindow | None
    why_no_hours: str
    unknown: tuple[str, ...]

    @property
    def name(self) -> str:
        """What it is of, in words."""
        return f"{self.module_type} on {self.inverter_type}"

    @property
    def least(self) -> int:
        """Least number of modules that every lower bound allows."""
        return int(self.bounds.least[0])

    @property
    def most(self) -> int:
        """Greatest number of modules that every upper bound allows."""
        return int(self.bounds.most[0])


def _hours_cell(hours: FloatArray | None, place: int) -> str:
    if hours is None:
        return number(None, 0)
    value = float(hours[place])
    return number(value, 1 if 0.0 < value < 10.0 else 0)


def length_rows(held: StringLengths) -> list[tuple[str, ...]]:
    """Give a row for each built length, and for one module fewer and one more of each."""
    wanted = sorted(
        {near for built in held.built for near in (built - 1, built, built + 1) if near > 0}
    )
    rows: list[tuple[str, ...]] = []
    for modules in wanted:
        place = int(np.flatnonzero(held.lengths == modules)[0])
        found = held.hours
        rows.append(
            (
                held.name,
                f"{modules}, built" if modules in held.built else f"{modules}",
                str(held.least),
                str(held.most),
                *(
                    _hours_cell(None if found is None else getattr(found, side), place)
                    for side, *_ in _SIDES
                ),
            )
        )
    return rows


def _limits(held: StringLengths) -> list[tuple[float, str, str]]:
    """Give each level of voltage once with its words and its stroke."""
    listed = (
        (held.max_system_voltage_v, "module", "-"),
        (held.max_voltage_v, "inverter", "-"),
        (held.system_voltage_limit_v, "code", "-"),
        (held.mppt_max_v, "MPPT upper edge", "-."),
        (held.start_voltage_v, "start", ":"),
        (held.mppt_min_v, "MPPT lower edge", "-."),
    )
    found: dict[float, tuple[list[str], str]] = {}
    for value, words, stroke in listed:
        if np.isfinite(value):
            found.setdefault(value, ([], stroke))[0].append(words)
    return [
        (value, f"{value:g} V: {', '.join(words)}", stroke)
        for value, (words, stroke) in sorted(found.items())
    ]


def _draw_voltages(axes: Axes, held: StringLengths) -> None:
    lengths = held.lengths.astype(np.float64)
    if held.least <= held.most:
        low, high = max(held.least, lengths[0] - 1), min(held.most, lengths[-1] + 1)
        if low <= high:
            axes.axvspan(low - 0.5, high + 0.5, color="#009E73", alpha=0.13, zorder=0)
            axes.annotate(
                f"allowed: {held.least} to {held.most}",
                (0.5 * (low + high), 0.985),
                xycoords=("data", "axes fraction"),
                ha="center",
                va="top",
                fontsize=7.5,
                color="#00684a",
                bbox=_BEHIND,
                zorder=6,
            )
    tops = [lengths[-1] * held.voc_cold_v]
    for name, label, colour, stroke, marker in _VOLTAGES:
        module_v = getattr(held, name)
        if np.isfinite(module_v):
            axes.plot(
                lengths,
                lengths * module_v,
                color=colour,
                linestyle=stroke,
                marker=marker,
                markersize=3.5,
                linewidth=1.2,
                label=label,
                zorder=4,
            )
    limits = _limits(held)
    tops += [value for value, _, _ in limits]
    bottom = min(
        lengths[0] * np.nanmin([held.vmp_hot_v, held.voc_hot_v]), *(one for one, _, _ in limits)
    )
    axes.set_ylim(0.92 * bottom, 1.1 * max(tops))
    low_v, high_v = axes.get_ylim()
    places = apart([value for value, _, _ in limits], least=0.042 * (high_v - low_v))
    for (value, words, stroke), place in zip(limits, places, strict=True):
        axes.axhline(value, color=_INK, linestyle=stroke, linewidth=0.9, zorder=3)
        axes.annotate(
            words,
            (1.0, value),
            xycoords=("axes fraction", "data"),
            xytext=(1.015, place),
            textcoords=("axes fraction", "data"),
            fontsize=7,
            va="center",
            annotation_clip=False,
        )
    axes.set_ylabel("voltage of the string [V]")


def _mark_built(axes: Axes, held: StringLengths, *, words: bool) -> None:
    for place, built in enumerate(held.built):
        axes.axvline(built, color=_INK, linewidth=1.6, alpha=0.55, zorder=2)
        if words:
            right = built > held.lengths[0] + 0.7 * (held.lengths[-1] - held.lengths[0])
            axes.annotate(
                f"built: {built}",
                (built, 0.02 + 0.055 * place),
                xycoords=("data", "axes fraction"),
                xytext=(-3 if right else 3, 0),
                textcoords="offset points",
                ha="right" if right else "left",
                fontsize=7.5,
                weight="bold",
                bbox=_BEHIND,
                zorder=6,
            )


def _draw_hours(axes: Axes, held: StringLengths, hours: HoursOutsideWindow) -> None:
    width = 0.8 / len(_SIDES)
    for place, (side, label, colour, hatch) in enumerate(_SIDES):
        axes.bar(
            held.lengths + (place - 1) * width,
            getattr(hours, side),
            width=width,
            color=colour,
            hatch=hatch,
            edgecolor="white",
            linewidth=0.0,
            label=label,
            zorder=3,
        )
    axes.set_yscale("symlog", linthresh=1.0, linscale=0.5)
    axes.set_yticks(_HOURS_TICKS, [f"{one:g}" for one in _HOURS_TICKS])
    axes.minorticks_off()
    greatest = max(float(np.max(getattr(hours, side))) for side, *_ in _SIDES)
    axes.set_ylim(0.0, max(12.0, 1.6 * greatest))
    axes.set_ylabel("hours a year\noutside [h]")


def string_length_plot(held: StringLengths) -> bytes:
    """Plot (SVG) of string voltage over modules per string, with the hours outside the window.

    Above: the voltages of a string of each length against every limit, the allowed lengths
    shaded, the built ones marked. Below, where there is weather: hours of a mean year outside.
    """
    with mpl.rc_context(_STYLE):
        hours = held.hours
        figure = _new_figure(172, 108 if hours is None else 160)
        panels = figure.subplots(
            1 if hours is None else 2,
            1,
            sharex=True,
            squeeze=False,
            height_ratios=(1,) if hours is None else (1.75, 1),
        )[:, 0]
        _draw_voltages(panels[0], held)
        _mark_built(panels[0], held, words=True)
        if hours is not None:
            _draw_hours(panels[1], held, hours)
            _mark_built(panels[1], held, words=False)
        last = panels[-1]
        last.set_xlabel("modules per string")
        step = math.ceil(len(held.lengths) / _TICKS_MOST)
        anchor = held.built[0] % step
        last.set_xticks([one for one in held.lengths.tolist() if one % step == anchor])
        last.set_xlim(held.lengths[0] - 0.6, held.lengths[-1] + 0.6)
        for axes in panels:
            axes.grid(visible=False, axis="x")
        handles, labels = panels[0].get_legend_handles_labels()
        more_handles, more_labels = last.get_legend_handles_labels() if hours else ([], [])
        figure.legend(
            [*handles, *more_handles],
            [*labels, *more_labels],
            loc="outside lower center",
            ncols=2,
            fontsize=7,
        )
        return _svg(figure)


def _range_sentence(held: StringLengths) -> str:
    built = ", ".join(str(one) for one in held.built)
    if held.least > held.most:
        fits = (
            f"No length fits: at least {held.least} modules are needed and at most {held.most} "
            "are allowed"
        )
    elif held.least == held.most:
        fits = f"Allowed are {held.least} modules per string"
    else:
        fits = f"Allowed are {held.least} to {held.most} modules per string"
    unknown = (
        f" Not reckoned with, because it is not described: {', '.join(held.unknown)}."
        if held.unknown
        else ""
    )
    return f"{fits}; built: {built}.{unknown}"


def _bounds_table(held: StringLengths) -> Table:
    bounds = held.bounds
    rows = [
        ("Module's greatest system voltage", held.max_system_voltage_v, bounds.most_by_module),
        ("Inverter's greatest voltage", held.max_voltage_v, bounds.most_by_inverter),
        ("Code's greatest voltage here", held.system_voltage_limit_v, bounds.most_by_place),
        ("Upper edge of the MPPT window", held.mppt_max_v, bounds.most_by_mppt),
    ]
    lower = [
        ("Lower edge of the MPPT window", held.mppt_min_v, bounds.least_by_mppt),
        ("Inverter's start voltage", held.start_voltage_v, bounds.least_by_start),
    ]
    by = (held.voc_cold_v,) * 3 + (held.vmp_cold_v, held.vmp_hot_v, held.voc_hot_v)
    words = ("Voc, coldest",) * 3 + ("Vmp, coldest", "Vmp, hottest, aged", "Voc, hottest, aged")
    printed = []
    for place, (name, limit, bound) in enumerate([*rows, *lower]):
        known = np.isfinite(limit) and np.isfinite(by[place])
        count = str(int(bound[0])) if known else number(None, 0)
        upper = place < len(rows)
        printed.append(
            (
                name,
                significant(limit),
                f"{words[place]}: {number(by[place], 2)} V",
                "" if upper else count,
                count if upper else "",
            )
        )
    return Table(
        headings=("Limit", "[V]", "One module", "At least", "At most"),
        rows=printed,
        align=("left", "right", "left", "right", "right"),
        widths=(3, 0.8, 2.6, 0.9, 0.9),
    )


def _hours_table(held: StringLengths) -> Table:
    return Table(
        headings=LENGTH_HEADINGS[1:],
        rows=[row[1:] for row in length_rows(held)],
        align=("left", *LENGTH_ALIGN[2:]),
        widths=(1.2, 0.8, 0.8, 1.1, 1.1, 1.1),
        caption="Hours of a mean year with Vmp above or below the MPPT window, and with Voc over "
        "the least of the greatest voltages of module, inverter and code.",
    )


def string_length_blocks(lengths: Sequence[StringLengths]) -> list[Block]:
    """Give the chapter about the length of strings; none where no string is described."""
    if not lengths:
        return []
    blocks: list[Block] = [Heading(text="String length")]
    for held in lengths:
        caption = (
            "Voltage of a string of each length in the greatest cold and heat, by the temperature "
            "coefficients of the data sheet, against every limit."
        )
        if held.hours is not None:
            caption += (
                " Below: hours of a mean year outside the window by the weather described, with "
                "new modules and the single-diode model, in the plane and power class where they "
                "are most; low voltage counts from 50 W/m2."
            )
        blocks += [
            Heading(text=held.name, level=3),
            Paragraph(text=_range_sentence(held)),
            _bounds_table(held),
        ]
        if held.hours is not None:
            blocks.append(_hours_table(held))
        if held.why_no_hours:
            blocks.append(Paragraph(text=held.why_no_hours))
        blocks.append(Figure(svg=string_length_plot(held), caption=caption))
    return blocks
