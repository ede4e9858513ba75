"""What a site description says for the checks before steel goes up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePath
from typing import Final, Literal, cast

from arraywright.plant.design_data import (
    CableDrum,
    CablePrice,
    DesignData,
    DesignPractice,
    Destination,
    ModuleClamping,
)
from arraywright.plant.layout_block import LayoutBlock
from arraywright.readers.site_design_keys import PLACE_KEYS
from arraywright.readers.site_keys import SECTIONS
from arraywright.readers.site_values import Coefficient, Description, Values, nearest, shown
from arraywright.readers.toml_lines import KeyPath

__all__ = ["DesignParts", "DesignReader", "asks_for_design", "keep_values", "read_clampings"]

_CLAMPING: Final = SECTIONS["module_types.NAME.clampings[]"]
_FLAT: Final = (
    "design",
    "cables",
    "cables.string",
    "cables.array",
    "cables.ac",
    "earthing",
    "loads",
    "mounting",
    "surroundings",
    "spacing",
    "weather",
    "yield",
    "yield.uncertainty",
)
"""Sections whose keys are kept by dotted key, outer ones before those in them."""
_BY_ITSELF: Final = frozenset({"yield", "yield.uncertainty"})
"""Sections whose defaults are of use only where they are described."""


def asks_for_design(data: Mapping[str, object]) -> bool:
    """Tell whether a parsed description has a section [design]."""
    return "design" in data


@dataclass(slots=True, kw_only=True)
class DesignParts:
    """What the types say for the design checks, gathered while they are read."""

    values: dict[str, float | str] = field(default_factory=dict)
    class_keys: dict[str, tuple[str, ...]] = field(default_factory=dict)
    clampings: dict[str, tuple[ModuleClamping, ...]] = field(default_factory=dict)


def keep_values(
    values: Values, *, prefix: str, names: tuple[str, ...], into: dict[str, float | str]
) -> None:
    """Keep the numbers and words of a section by dotted key."""
    for name in names:
        held = values.held.get(name)
        if isinstance(held, int | float):
            into[f"{prefix}.{name}"] = float(held)
        elif isinstance(held, str) and held:
            into[f"{prefix}.{name}"] = held
        elif isinstance(held, Coefficient) and not held.unit:
            into[f"{prefix}.{name}"] = held.per_k


def read_clampings(
    description: Description, data: Mapping[str, object], path: KeyPath
) -> tuple[ModuleClamping, ...]:
    """Read the ways of clamping a module type; empty when there are none or one is wrong."""
    if "clampings" not in data:
        return ()
    here = (*path, "clampings")
    read = [
        description.read(entry, _CLAMPING, (*here, number))
        for number, entry in enumerate(description.tables(data["clampings"], here) or [])
    ]
    _check_names(description, read)
    for values in read:
        if values.has("from_mm", "to_mm") and values.number("from_mm") > values.number("to_mm"):
            description.report(
                (*values.path, "from_mm"),
                "site-order",
                found=f"from_mm = {values.number('from_mm'):g} and to_mm = "
                f"{values.number('to_mm'):g}",
                required="from_mm at most to_mm",
                remedy="Check both against the maker's mounting instructions.",
            )
    if not all(values.complete for values in read):
        return ()
    return tuple(
        ModuleClamping(
            name=values.text("name"),
            side=cast("Literal['long', 'short']", values.text("side")),
            from_mm=values.number("from_mm"),
            to_mm=values.number("to_mm"),
            test_down_pa=values.number("test_down_pa"),
            test_up_pa=values.number("test_up_pa"),
        )
        for values in read
    )


def _check_names(description: Description, read: list[Values]) -> None:
    names: set[str] = set()
    for values in read:
        if not values.has("name"):
            continue
        name = values.text("name")
        if name.casefold() in names:
            description.report(
                (*values.path, "name"),
                "site-name-twice",
                found=shown(name),
                required="a name of its own",
                remedy="Name every one differently, or take one out.",
            )
        names.add(name.casefold())


class DesignReader:
    """Reads the sections of the design checks of one parsed description."""

    def __init__(
        self, description: Description, data: Mapping[str, object], *, parts: DesignParts
    ) -> None:
        self.description = description
        self.data = data
        self.parts = parts
        self.drums: tuple[CableDrum, ...] = ()
        self.prices: tuple[CablePrice, ...] = ()
        self.destinations: tuple[Destination, ...] = ()
        self.weather_files: tuple[str, ...] = ()

    def read(self, place: Values) -> None:
        """Read every section and report what is wrong; ``place`` is the section [site]."""
        names = tuple(key.name for key in PLACE_KEYS)
        keep_values(place, prefix="site", names=names, into=self.parts.values)
        for path in _FLAT:
            self._section(path)
        self.drums = self._drums()
        self.prices = self._prices()
        self.destinations = self._destinations()
        self.weather_files = self._weather_files()
        self._check_clamping()

    def design_data(self, blocks: tuple[LayoutBlock, ...]) -> DesignData:
        """Give what ``read`` has found, with the blocks of the layout."""
        return DesignData(
            practice=cast("DesignPractice", self.parts.values.get("design.practice", "")),
            values=dict(self.parts.values),
            class_keys=dict(self.parts.class_keys),
            clampings=dict(self.parts.clampings),
            drums=self.drums,
            prices=self.prices,
            destinations=self.destinations,
            weather_files=self.weather_files,
            blocks=blocks,
        )

    def _at(self, path: str) -> Mapping[str, object] | None:
        """Give the table of a section, empty when it is missing, None when it is no table."""
        table: Mapping[str, object] = self.data
        parts = tuple(path.split("."))
        for number, name in enumerate(parts):
            if name not in table:
                return {}
            inner = table[name]
            if not isinstance(inner, dict):
                # The outermost table that is none is reported once, with its own section.
                if number == len(parts) - 1:
                    self.description.table(inner, parts)
                return None
            table = inner
        return table

    def _section(self, path: str) -> None:
        table = self._at(path)
        if table is None:
            return
        described = path.split(".", maxsplit=1)[0] in self.data
        if not described and (path in _BY_ITSELF or not asks_for_design(self.data)):
            return
        section = SECTIONS[path]
        values = self.description.read(table, section, tuple(path.split(".")))
        names = tuple(key.name for key in section.keys)
        keep_values(values, prefix=path, names=names, into=self.parts.values)

    def _drums(self) -> tuple[CableDrum, ...]:
        read = self._tables("drums")
        if not all(values.complete for values in read):
            return ()
        return tuple(
            CableDrum(
                name=values.text("name"),
                length_m=values.number("length_m"),
                available=values.integer("available") if values.has("available") else None,
                cost=values.number("cost") if values.has("cost") else None,
            )
            for values in read
        )

    def _prices(self) -> tuple[CablePrice, ...]:
        read = self._tables("prices")
        if not all(values.complete for values in read):
            return ()
        found: list[CablePrice] = []
        for values in read:
            price = CablePrice(
                area_mm2=values.number("area_mm2"),
                material=values.text("material") if values.has("material") else "",
                metre_price=values.number("metre_price"),
            )
            if any(
                (price.area_mm2, price.material) == (other.area_mm2, other.material)
                for other in found
            ):
                self.description.report(
                    (*values.path, "area_mm2"),
                    "site-price-twice",
                    found=f"{price.area_mm2:g} mm2 a second time",
                    required="one price for a size and material",
                    remedy="Take one of the two out.",
                )
            found.append(price)
        return tuple(found)

    def _destinations(self) -> tuple[Destination, ...]:
        read = self._tables("destinations")
        if not all(values.complete for values in read):
            return ()
        return tuple(
            Destination(
                name=values.text("name"), x_m=values.number("x_m"), y_m=values.number("y_m")
            )
            for values in read
        )

    def _tables(self, name: str) -> list[Values]:
        cables = self.data.get("cables")
        if not isinstance(cables, dict) or name not in cables:
            return []
        here: KeyPath = ("cables", name)
        read = [
            self.description.read(entry, SECTIONS[f"cables.{name}[]"], (*here, number))
            for number, entry in enumerate(self.description.tables(cables[name], here) or [])
        ]
        _check_names(self.description, read)
        return read

    def _weather_files(self) -> tuple[str, ...]:
        table = self.data.get("weather")
        files = table.get("files") if isinstance(table, dict) else None
        if not isinstance(files, list):
            return ()
        names = tuple(name.strip() for name in files if isinstance(name, str) and name.strip())
        for number, name in enumerate(names):
            outside = Path(name).is_absolute() or ".." in PurePath(name.replace("\\", "/")).parts
            if outside or names.index(name) < number:
                self.description.report(
                    ("weather", "files"),
                    "site-table-outside" if outside else "site-name-twice",
                    found=shown(name),
                    required="a file in the site folder, named once",
                    remedy="Put the file into the site folder and write its name there.",
                )
        return names

    def _check_clamping(self) -> None:
        wanted = self.parts.values.get("mounting.clamping")
        if not isinstance(wanted, str):
            return
        for key, clampings in self.parts.clampings.items():
            names = [one.name for one in clampings]
            if names and wanted not in names:
                near = nearest(wanted, names)
                self.description.report(
                    ("mounting", "clamping"),
                    "site-clamping-unknown",
                    found=shown(wanted),
                    required=f"a clamping of {key}: {', '.join(names)}",
                    remedy=f"Did you mean {near}?" if near else "Name one of these.",
                )
