"""How cold and how hot a site gets, and what the design reckons with: plot and tables."""

from __future__ import annotations

import calendar
import math
from dataclasses import dataclass
from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes

from arraywright.design import (
    AirTemperatureExtremes,
    AirTemperatureYears,
    CellTemperatureExtremes,
    return_period_extreme,
)
from arraywright.dossier.blocks import Block, Figure, Heading, Paragraph, Table
from arraywright.dossier.design_ticks import apart
from arraywright.dossier.plots import _STYLE, _new_figure, _svg
from arraywright.dossier.words import number

__all__ = [
    "EXTREME_ALIGN",
    "EXTREME_HEADINGS",
    "SiteExtremes",
    "extreme_rows",
    "extremes_blocks",
    "extremes_plot",
]

EXTREME_HEADINGS: Final = ("Value", "[degC]", "From")
EXTREME_ALIGN: Final = ("left", "right", "left")
_INK: Final = "#1f2933"
_TICKS_MOST: Final = 16
_RETURN_YEARS: Final = 20
_ENOUGH_YEARS: Final = 10
_MARKS: Final = (
    ("highest_c", "highest hour", "#D55E00", "^"),
    ("hottest_month_2_percent_c", "2 % of the hottest month", "#E69F00", "D"),
    ("lowest_daylight_c", "lowest hour in daylight", "#56B4E9", "o"),
    ("lowest_c", "lowest hour", "#0072B2", "v"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteExtremes:
    """What the design reckons with, and what hourly weather says of it.

    Attributes:
        design_min_air_temp_c: least air temperature the design reckons with [degC].
        design_max_air_temp_c: greatest air temperature it reckons with [degC].
        basis: where the two come from, as described.
        max_cell_temp_c: greatest cell temperature it reckons with [degC], by module type.
        cell_basis: where that comes from.
        weather_files: names of the weather files described.
        extremes: extremes of the air by the weather; None without weather.
        years: the same year by year and month by month; None without weather.
        stated_mean_min_c: mean of the yearly minima that the head of a weather file states
            [degC]; None where it does not.
        cells: extremes of the cells in the plane where they are hottest; None without weather
            that has light and wind.
    """

    design_min_air_temp_c: float
    design_max_air_temp_c: float
    basis: str
    max_cell_temp_c: tuple[tuple[str, float], ...]
    cell_basis: str
    weather_files: tuple[str, ...]
    extremes: AirTemperatureExtremes | None
    years: AirTemperatureYears | None
    stated_mean_min_c: float | None
    cells: CellTemperatureExtremes | None


def _of(found: AirTemperatureExtremes) -> str:
    if found.typical:
        return "weather files, a typical year"
    count = len(found.years)
    if not count:
        return "weather files, no whole year"
    return f"weather files, {count} whole year{'' if count == 1 else 's'}"


def _knows_hottest(found: AirTemperatureExtremes) -> bool:
    """Tell whether the weather covers enough to know which month is the hottest."""
    return found.typical or len(found.years) > 0


def _air_rows(found: AirTemperatureExtremes) -> list[tuple[str, float, str]]:
    whose = _of(found)
    rows = [("Lowest hour of all", found.lowest_c, whose)]
    rows.append(("Lowest hour in daylight", found.lowest_daylight_c, whose))
    if len(found.years):
        rows.append(
            ("Extreme annual mean minimum", found.extreme_annual_mean_min_c, f"{whose}, mean")
        )
    if len(found.years) >= _ENOUGH_YEARS:
        rare = return_period_extreme(
            found.extreme_annual_mean_min_c,
            sd_k=found.sd_min_k,
            return_years=_RETURN_YEARS,
            side="minimum",
        )
        rows.append(
            (f"Minimum once in {_RETURN_YEARS} years", float(rare), f"{whose}, Gumbel's law")
        )
    if _knows_hottest(found):
        month = calendar.month_name[found.hottest_month]
        rows.append((f"Exceeded by 2 % of {month}'s hours", found.hottest_month_2_percent_c, whose))
    if len(found.years):
        rows.append(
            ("Extreme annual mean maximum", found.extreme_annual_mean_max_c, f"{whose}, mean")
        )
    rows.append(("Highest hour of all", found.highest_c, whose))
    return rows


def extreme_rows(held: SiteExtremes) -> list[tuple[str, ...]]:
    """Give a row for each value with its temperature and where it comes from."""
    rows = [
        ("Design minimum of the air", held.design_min_air_temp_c, f"described: {held.basis}"),
        ("Design maximum of the air", held.design_max_air_temp_c, f"described: {held.basis}"),
    ]
    for name, value in held.max_cell_temp_c:
        of = f", {name}" if len(held.max_cell_temp_c) > 1 else ""
        rows.append((f"Design maximum of the cells{of}", value, held.cell_basis))
    if held.extremes is not None:
        rows += _air_rows(held.extremes)
    if held.stated_mean_min_c is not None:
        rows.append(
            ("Extreme annual mean minimum", held.stated_mean_min_c, "head of the weather file")
        )
    if held.cells is not None:
        month = calendar.month_name[held.cells.hottest_month]
        model = "weather files, Faiman's model, hottest plane"
        rows += [
            ("Coldest cells in daylight", held.cells.lowest_daylight_c, model),
            (
                f"Cells, exceeded by 2 % of {month}'s light",
                held.cells.hottest_month_2_percent_c,
                model,
            ),
            ("Hottest cells", held.cells.highest_c, model),
        ]
    return [(name, number(value, 1), whose) for name, value, whose in rows]


def _design_lines(axes: Axes, held: SiteExtremes) -> None:
    lines = [
        (held.design_min_air_temp_c, "design minimum", "--", _INK),
        (held.design_max_air_temp_c, "design maximum", "--", _INK),
    ]
    found = held.extremes
    if found is not None and np.isfinite(found.extreme_annual_mean_min_c):
        lines.append((found.extreme_annual_mean_min_c, "mean of yearly\nminima", ":", "#0072B2"))
    elif held.stated_mean_min_c is not None:
        lines.append((held.stated_mean_min_c, "mean of yearly\nminima, stated", ":", "#0072B2"))
    if found is not None and _knows_hottest(found):
        month = calendar.month_name[found.hottest_month]
        lines.append((found.hottest_month_2_percent_c, f"2 % of {month}", "-.", "#D55E00"))
    lines.sort(key=lambda line: line[0])
    low, high = axes.get_ylim()
    low, high = min(low, lines[0][0] - 2.0), max(high, lines[-1][0] + 2.0)
    axes.set_ylim(low, high)
    places = apart([line[0] for line in lines], least=0.13 * (high - low))
    for (value, words, stroke, colour), place in zip(lines, places, strict=True):
        axes.axhline(value, color=colour, linestyle=stroke, linewidth=1.1, zorder=3)
        axes.annotate(
            f"{words}\n{value:.1f} degC",
            (1.0, value),
            xycoords=("axes fraction", "data"),
            xytext=(1.015, place),
            textcoords=("axes fraction", "data"),
            fontsize=7,
            va="center",
            color=colour,
            annotation_clip=False,
        )


def _draw_years(axes: Axes, years: AirTemperatureYears) -> None:
    for name, label, colour, marker in _MARKS:
        axes.plot(
            years.years,
            getattr(years, name),
            linestyle="",
            marker=marker,
            markersize=4.5,
            color=colour,
            markeredgecolor=_INK,
            markeredgewidth=0.4,
            label=label,
            zorder=4,
        )
    step = math.ceil(len(years.years) / _TICKS_MOST)
    shown = years.years[::step]
    axes.set_xticks(shown, [str(one) for one in shown])
    axes.set_xlim(years.years[0] - 0.7, years.years[-1] + 0.7)
    axes.set_xlabel("year")
    axes.set_ylabel("air temperature [degC]")


def _draw_months(axes: Axes, years: AirTemperatureYears) -> None:
    months = np.arange(1, 13)
    axes.fill_between(
        months, years.month_min_c, years.month_max_c, color="#56B4E9", alpha=0.3, linewidth=0.0
    )
    for values, stroke, marker, label in (
        (years.month_max_c, "-", "^", "month, highest"),
        (years.month_mean_c, "--", "s", "month, mean"),
        (years.month_min_c, "-", "v", "month, lowest"),
    ):
        axes.plot(
            months,
            values,
            color="#0072B2",
            linestyle=stroke,
            marker=marker,
            markersize=3.5,
            linewidth=1.0,
            label=label,
        )
    axes.set_xticks(months, list(calendar.month_abbr)[1:])
    axes.set_xlim(0.6, 12.4)
    axes.set_ylabel("air temperature [degC]")


def extremes_plot(held: SiteExtremes, *, years: AirTemperatureYears) -> bytes:
    """Plot (SVG) of the extremes of each year and month, with what the design reckons with.

    A typical year, and weather without a whole year, is drawn by its months alone.

    Args:
        held: what the design reckons with, and the extremes over all of the weather.
        years: extremes year by year and month by month.
    """
    with mpl.rc_context(_STYLE):
        several = len(years.years) > 0
        figure = _new_figure(172, 150 if several else 88)
        panels = figure.subplots(2 if several else 1, 1, squeeze=False)[:, 0]
        if several:
            _draw_years(panels[0], years)
        _draw_months(panels[-1], years)
        legend: dict[str, Artist] = {}
        for axes in panels:
            axes.grid(visible=False, axis="x")
            _design_lines(axes, held)
            handles, labels = axes.get_legend_handles_labels()
            legend |= dict(zip(labels, handles, strict=True))
        figure.legend(
            legend.values(),
            legend.keys(),
            loc="outside lower center",
            ncols=4,
            fontsize=7,
        )
        return _svg(figure)


def _years_table(years: AirTemperatureYears) -> Table:
    month = calendar.month_name[years.hottest_month]
    columns = (
        years.lowest_c,
        years.lowest_daylight_c,
        years.highest_c,
        years.hottest_month_2_percent_c,
    )
    rows = [
        (str(year), *(number(float(column[place]), 1) for column in columns))
        for place, year in enumerate(years.years.tolist())
    ]
    if len(rows) > 1:
        rows.append(("mean", *(number(float(np.nanmean(column)), 1) for column in columns)))
    return Table(
        headings=(
            "Year",
            "Lowest hour",
            "Lowest hour in daylight",
            "Highest hour",
            f"2 % of {month}",
        ),
        rows=rows,
        align=("left", "right", "right", "right", "right"),
        widths=(1, 1, 1.4, 1, 1),
        caption="Air temperature of every whole year [degC], by the place's standard time.",
    )


def extremes_blocks(held: SiteExtremes) -> list[Block]:
    """Give the chapter about the site's extremes."""
    blocks: list[Block] = [Heading(text="Site extremes")]
    found, years = held.extremes, held.years
    if found is None or years is None:
        blocks.append(
            Paragraph(
                text="No hourly weather is described (weather.files), so that nothing is drawn "
                "and nothing could be held against it. The design rests on the described air "
                f"temperatures alone; their basis: {held.basis}."
            )
        )
    else:
        blocks.append(Paragraph(text=f"By the weather of {', '.join(held.weather_files)}."))
    blocks.append(
        Table(
            headings=EXTREME_HEADINGS,
            rows=extreme_rows(held),
            align=EXTREME_ALIGN,
            widths=(2.2, 0.7, 3.6),
        )
    )
    if found is not None and years is not None:
        whole = "year by year and " if len(years.years) else ""
        blocks.append(
            Figure(
                svg=extremes_plot(held, years=years),
                caption=f"Air temperature {whole}month by month, and what the design "
                "reckons with. The band reaches from the lowest to the highest hour of each month "
                "over all years.",
            )
        )
        if len(years.years):
            blocks.append(_years_table(years))
    return blocks
