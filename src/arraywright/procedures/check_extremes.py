"""How cold and how hot a site gets by its weather files, beside what its design reckons with."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from arraywright.design import (
    AirTemperatureExtremes,
    AirTemperatureYears,
    CellTemperatureExtremes,
    Practice,
    cell_temperature_extremes,
)
from arraywright.design import electrical_inputs as asked_for
from arraywright.dossier.design_extremes import (
    EXTREME_ALIGN,
    EXTREME_HEADINGS,
    SiteExtremes,
    extreme_rows,
)
from arraywright.errors import CallError
from arraywright.plant import Site
from arraywright.procedures.design_inputs import Subject, find_input
from arraywright.procedures.design_subjects import StringDesign
from arraywright.procedures.design_weather import WeatherValues, plane_of_year
from arraywright.procedures.remember import Remembered
from arraywright.procedures.report import ReportTable

__all__ = ["extremes_as_dict", "extremes_table", "site_extremes"]

_DESCRIBED: str = "described: design.max_cell_temp_c"
_NOMINAL: str = "Tmax of the air + (NMOT - 20) x 1000/800"


def _cells(
    site: Site,
    designs: Sequence[StringDesign],
    weather: WeatherValues,
    remembered: Remembered,
) -> CellTemperatureExtremes | None:
    """Give the extremes of the plane with the hottest cells; None without light or wind."""
    wanted = sorted({(plane, one.module_type) for one in designs for plane in one.planes})
    found: list[CellTemperatureExtremes] = []
    for (tilt, azimuth), module_type in wanted:
        light = plane_of_year(
            site,
            weather.weather,
            tilt_deg=tilt,
            azimuth_deg=azimuth,
            module_type=site.module_types[module_type],
            remembered=remembered,
        )
        whole = weather.weather.lit_columns_whole
        try:
            found.append(
                cell_temperature_extremes(
                    weather.weather, np.where(whole, light.plane_w_m2, np.nan)
                )
            )
        except CallError:
            return None
    return max(found, key=lambda one: one.hottest_month_2_percent_c) if found else None


def site_extremes(
    site: Site,
    designs: Sequence[StringDesign],
    *,
    practice: Practice,
    weather: WeatherValues | None,
    remembered: Remembered,
) -> SiteExtremes:
    """Give what the design reckons with and what hourly weather says of it.

    Args:
        site: the site.
        designs: its distinct string designs.
        practice: family of standards.
        weather: what hourly weather says; None without weather.
        remembered: results of the same weather for other numbers of the site.
    """
    kinds = dict.fromkeys(one.module_type for one in designs)
    cells: list[tuple[str, float]] = []
    for key in kinds:
        value = find_input(
            asked_for.MAX_CELL_TEMP,
            site=site,
            practice=practice,
            subject=Subject(name=key, places=(), module_type=key),
            weather=weather,
            longest_route_m=None,
        ).value
        if value is not None:
            cells.append((key, value))
    described = site.design.number(asked_for.MAX_CELL_TEMP.key) is not None
    return SiteExtremes(
        design_min_air_temp_c=site.design_min_air_temp_c,
        design_max_air_temp_c=site.design_max_air_temp_c,
        basis=site.design_temp_basis,
        max_cell_temp_c=tuple(cells[:1] if described else cells),
        cell_basis=_DESCRIBED if described else _NOMINAL,
        weather_files=site.design.weather_files,
        extremes=None if weather is None else weather.extremes,
        years=None if weather is None else weather.years,
        stated_mean_min_c=None if weather is None else weather.stated_mean_min_c,
        cells=_cells(site, designs, weather, remembered)
        if weather is not None and weather.whole
        else None,
    )


def extremes_table(held: SiteExtremes) -> ReportTable:
    """Give the extremes as a table."""
    return ReportTable(
        title="Site extremes",
        headings=EXTREME_HEADINGS,
        rows=extreme_rows(held),
        align=EXTREME_ALIGN,
    )


def _air(found: AirTemperatureExtremes, years: AirTemperatureYears) -> dict[str, object]:
    return {
        "typical": found.typical,
        "lowest_c": found.lowest_c,
        "lowest_daylight_c": found.lowest_daylight_c,
        "highest_c": found.highest_c,
        "hottest_month": found.hottest_month,
        "hottest_month_2_percent_c": found.hottest_month_2_percent_c,
        "extreme_annual_mean_min_c": found.extreme_annual_mean_min_c,
        "extreme_annual_mean_max_c": found.extreme_annual_mean_max_c,
        "years": [
            {
                "year": year,
                "lowest_c": float(years.lowest_c[place]),
                "lowest_daylight_c": float(years.lowest_daylight_c[place]),
                "highest_c": float(years.highest_c[place]),
                "hottest_month_2_percent_c": float(years.hottest_month_2_percent_c[place]),
            }
            for place, year in enumerate(years.years.tolist())
        ],
        "months": [
            {
                "month": place + 1,
                "lowest_c": float(years.month_min_c[place]),
                "mean_c": float(years.month_mean_c[place]),
                "highest_c": float(years.month_max_c[place]),
            }
            for place in range(12)
        ],
    }


def extremes_as_dict(held: SiteExtremes) -> dict[str, object]:
    """Give the extremes as plain data; what is not known is null."""
    cells = held.cells
    return {
        "design_min_air_temp_c": held.design_min_air_temp_c,
        "design_max_air_temp_c": held.design_max_air_temp_c,
        "basis": held.basis,
        "design_max_cell_temp_c": dict(held.max_cell_temp_c),
        "weather_files": list(held.weather_files),
        "air": None
        if held.extremes is None or held.years is None
        else _air(held.extremes, held.years),
        "stated_mean_min_c": held.stated_mean_min_c,
        "cells": None
        if cells is None
        else {
            "lowest_daylight_c": cells.lowest_daylight_c,
            "hottest_month_2_percent_c": cells.hottest_month_2_percent_c,
            "highest_c": cells.highest_c,
        },
    }
