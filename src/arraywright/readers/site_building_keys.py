"""Keys a site description may have for building dates and the yard, as data."""

from __future__ import annotations

from typing import Final

from arraywright.plant.building import WEEKDAYS
from arraywright.readers.site_key import SiteKey, SiteSection
from arraywright.readers.site_key_makers import (
    count_key,
    number_key,
    optional_key,
    text_key,
    usual_key,
)

__all__ = ["BUILDING_SECTIONS"]

_BUILDING: Final = SiteSection(
    path="building",
    title="when strings are built; may be missing. A `build_date` in the table of strings goes "
    "before it",
    keys=(
        SiteKey(name="start", kind="date", meaning="first day on which modules are put up"),
        number_key(
            "strings_per_day",
            "",
            0.01,
            100_000.0,
            "strings one crew completes on a working day",
        ),
        count_key("crews", "crews that put modules up at the same time", default=1, maximum=1000),
        SiteKey(
            name="working_days",
            kind="texts",
            optional=True,
            choices=WEEKDAYS,
            meaning="days of the week that are worked; missing: Monday to Friday",
        ),
        SiteKey(name="holidays", kind="dates", optional=True, meaning="days that are not worked"),
    ),
)

_YARD: Final = SiteSection(
    path="yard",
    title="where pallets stand until they are needed; may be missing",
    sections=("areas",),
    keys=(
        usual_key(
            "stack_max",
            "",
            1,
            10,
            "pallets in one stack at most; the module type's own limit holds when it is lower",
            2,
        ),
        usual_key(
            "aisle_ratio",
            "1",
            0.0,
            0.95,
            "part of an area kept free as ways for the lift",
            0.5,
            "assumption",
        ),
        usual_key(
            "pallet_width_mm",
            "mm",
            500.0,
            5000.0,
            "width of a pallet on the ground with the gap to the next",
            1250.0,
            "assumption",
        ),
        usual_key(
            "pallet_overhang_mm",
            "mm",
            0.0,
            2000.0,
            "length of a pallet on the ground beyond the module's long side, gap included",
            150.0,
            "assumption",
        ),
        usual_key(
            "pallet_tare_kg",
            "kg",
            0.0,
            1000.0,
            "mass of a pallet without modules",
            45.0,
            "assumption",
        ),
        optional_key(
            "lift_mass_max_kg",
            "kg",
            50.0,
            50_000.0,
            "greatest mass the lift may carry at the reach needed, from its load chart",
        ),
    ),
)

_AREAS: Final = SiteSection(
    path="yard.areas[]",
    title="a laydown area",
    keys=(
        text_key("name", "name of the area"),
        number_key("x_m", "m", -1e6, 1e6, "middle of the area, east of the site's origin"),
        number_key("y_m", "m", -1e6, 1e6, "middle of the area, north of the site's origin"),
        number_key("area_m2", "m2", 1.0, 1e7, "its area, ways for the lift included"),
    ),
)

BUILDING_SECTIONS: Final = (_BUILDING, _YARD, _AREAS)
"""Sections about building dates and the yard, in the order of the documentation."""
