"""What a site description says of building dates and of the yard."""

from __future__ import annotations

from collections.abc import Mapping

from arraywright.plant.building import (
    USUAL_WORKING_DAYS,
    WEEKDAYS,
    Building,
    LaydownArea,
    Yard,
)
from arraywright.readers.site_keys import SECTIONS
from arraywright.readers.site_values import Description, Values, nearest, shown

__all__ = ["read_building", "read_yard"]


def _section(
    description: Description, data: Mapping[str, object], name: str
) -> Mapping[str, object] | None:
    return description.table(data[name], (name,)) if name in data else None


def read_building(description: Description, data: Mapping[str, object]) -> Building | None:
    """Read ``[building]``; None when it is missing or wrong."""
    table = _section(description, data, "building")
    if table is None:
        return None
    values = description.read(table, SECTIONS["building"], ("building",))
    days = _working_days(description, values)
    if not values.complete or days is None:
        return None
    return Building(
        start=values.day("start"),
        strings_per_day=values.number("strings_per_day"),
        crews=values.integer("crews"),
        working_days=days,
        holidays=values.days("holidays") if values.has("holidays") else (),
    )


def _working_days(description: Description, values: Values) -> tuple[int, ...] | None:
    if not values.has("working_days"):
        return USUAL_WORKING_DAYS
    days: set[int] = set()
    sound = True
    for name in values.texts("working_days"):
        folded = name.casefold()
        if folded in WEEKDAYS:
            days.add(WEEKDAYS.index(folded))
            continue
        near = nearest(folded, WEEKDAYS)
        description.report(
            (*values.path, "working_days"),
            "site-value",
            found=shown(name),
            required=f"days of the week: {', '.join(WEEKDAYS)}",
            remedy=f"Did you mean {near}?" if near else "Write the days in full.",
        )
        sound = False
    if sound and not days:
        description.report(
            (*values.path, "working_days"),
            "site-value",
            found="no day",
            required="at least one day of the week",
            remedy="Name the days that are worked, or leave the key out for Monday to Friday.",
        )
        sound = False
    return tuple(sorted(days)) if sound else None


def read_yard(description: Description, data: Mapping[str, object]) -> Yard | None:
    """Read ``[yard]`` with its areas; None when it is missing or wrong."""
    table = _section(description, data, "yard")
    if table is None:
        return None
    values = description.read(table, SECTIONS["yard"], ("yard",))
    areas = _areas(description, table)
    if not values.complete or areas is None:
        return None
    return Yard(
        areas=areas,
        stack_max=values.integer("stack_max"),
        aisle_ratio=values.number("aisle_ratio"),
        pallet_width_mm=values.number("pallet_width_mm"),
        pallet_overhang_mm=values.number("pallet_overhang_mm"),
        pallet_tare_kg=values.number("pallet_tare_kg"),
        lift_mass_max_kg=(
            values.number("lift_mass_max_kg") if values.has("lift_mass_max_kg") else None
        ),
    )


def _areas(description: Description, table: Mapping[str, object]) -> tuple[LaydownArea, ...] | None:
    if "areas" not in table:
        return ()
    path = ("yard", "areas")
    entries = description.tables(table["areas"], path)
    if entries is None:
        return None
    areas: dict[str, LaydownArea] = {}
    sound = True
    for number, entry in enumerate(entries):
        values = description.read(entry, SECTIONS["yard.areas[]"], (*path, number))
        if not values.complete:
            sound = False
            continue
        name = values.text("name")
        if name.casefold() in areas:
            sound = False
            description.report(
                (*path, number, "name"),
                "site-name-twice",
                found=shown(name),
                required="a name of its own",
                remedy="Name every one differently, or take one out.",
            )
        areas[name.casefold()] = LaydownArea(
            name=name,
            x_m=values.number("x_m"),
            y_m=values.number("y_m"),
            area_m2=values.number("area_m2"),
        )
    return tuple(areas.values()) if sound else None
