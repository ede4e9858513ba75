"""When strings are built, and where pallets stand until then."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

__all__ = ["USUAL_WORKING_DAYS", "WEEKDAYS", "Building", "LaydownArea", "Yard"]

WEEKDAYS: Final = (
    "monday",
    "tuesday",
    "wednesday",
    "thursday",
    "friday",
    "saturday",
    "sunday",
)
"""Names of the days of the week, Monday first."""
USUAL_WORKING_DAYS: Final = (0, 1, 2, 3, 4)
"""Monday to Friday, common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Building:
    """How fast the crews put modules up.

    Attributes:
        start: first day on which modules are put up.
        strings_per_day: strings one crew completes on a working day.
        crews: crews that put modules up at the same time, one behind the other in building order.
        working_days: days of the week that are worked, 0 is Monday.
        holidays: days that are not worked.
    """

    start: date
    strings_per_day: float
    crews: int = 1
    working_days: tuple[int, ...] = USUAL_WORKING_DAYS
    holidays: tuple[date, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LaydownArea:
    """Level ground where pallets stand.

    Attributes:
        name: name of the area.
        x_m: middle of it, east of the site's origin [m].
        y_m: middle of it, north of the site's origin [m].
        area_m2: its area, ways for the lift included [m2].
    """

    name: str
    x_m: float
    y_m: float
    area_m2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Yard:
    """The laydown areas and what pallets need in them.

    Attributes:
        areas: laydown areas; the nearest to a drop point is used first.
        stack_max: pallets in one stack at most; a module type's own limit holds when it is lower.
        aisle_ratio: part of an area that is kept free as ways for the lift [1].
        pallet_width_mm: width of a pallet on the ground, with the gap to the next [mm].
        pallet_overhang_mm: length of a pallet on the ground beyond the module's long side [mm].
        pallet_tare_kg: mass of a pallet without modules [kg].
        lift_mass_max_kg: greatest mass the lift may carry [kg]; None when not said.
    """

    areas: tuple[LaydownArea, ...] = ()
    stack_max: int = 2
    aisle_ratio: float = 0.5
    pallet_width_mm: float = 1250.0
    pallet_overhang_mm: float = 150.0
    pallet_tare_kg: float = 45.0
    lift_mass_max_kg: float | None = None
