"""What a site description says for the checks before steel goes up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from arraywright.plant.layout_block import LayoutBlock

__all__ = [
    "CableDrum",
    "CablePrice",
    "DesignData",
    "DesignPractice",
    "Destination",
    "ModuleClamping",
]

DesignPractice: TypeAlias = Literal["", "iec", "nec"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ModuleClamping:
    """A way of clamping a module type, as its maker tested it.

    Attributes:
        name: name in the maker's instructions, or one of your own.
        side: whether the clamps grip the ``long`` or the ``short`` sides.
        from_mm: beginning of the zone, from the corner along the gripped side [mm].
        to_mm: end of the zone [mm].
        test_down_pa: test load on the front [Pa].
        test_up_pa: test load on the back [Pa].
    """

    name: str
    side: Literal["long", "short"]
    from_mm: float
    to_mm: float
    test_down_pa: float
    test_up_pa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CableDrum:
    """Drums of cable that can be had.

    Attributes:
        name: name of the kind of drum.
        length_m: cable on one drum [m].
        available: how many there are; None when as many as are wanted.
        cost: cost of one drum, in any currency; None when not said.
    """

    name: str
    length_m: float
    available: int | None
    cost: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CablePrice:
    """What a metre of cable costs.

    Attributes:
        area_mm2: cross-section of its conductor [mm2].
        material: material of the conductor; empty when the price holds for any.
        metre_price: price of one metre of conductor, in any currency.
    """

    area_mm2: float
    material: str
    metre_price: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Destination:
    """Where an inverter or a combiner box stands.

    Attributes:
        name: its name in the layout.
        x_m: east of the site's origin [m].
        y_m: north of the site's origin [m].
    """

    name: str
    x_m: float
    y_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignData:
    """What the description says for the checks before steel goes up; empty when it says nothing.

    Attributes:
        practice: family of standards the site is built by, empty when not said.
        values: numbers and words by dotted key, for example ``design.string_fuse_a`` or
            ``module_types.ridge.least_gap_mm``; yes is 1 and no is 0. Defaults are in it where
            the section or the design is described; what nobody said is not in it.
        class_keys: dotted path of each power class, in rising order, by module type.
        clampings: ways of clamping by module type.
        drums: drums of cable that can be had.
        prices: what a metre of cable costs.
        destinations: where inverters and combiner boxes stand.
        weather_files: names of weather files in the site folder.
        blocks: blocks the layout was generated from, in the order of the file.
    """

    practice: DesignPractice = ""
    values: Mapping[str, float | str] = field(default_factory=dict)
    class_keys: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    clampings: Mapping[str, tuple[ModuleClamping, ...]] = field(default_factory=dict)
    drums: tuple[CableDrum, ...] = ()
    prices: tuple[CablePrice, ...] = ()
    destinations: tuple[Destination, ...] = ()
    weather_files: tuple[str, ...] = ()
    blocks: tuple[LayoutBlock, ...] = ()

    def number(self, key: str) -> float | None:
        """Give the number at a dotted key, in the unit of its name, or None when nobody said it."""
        value = self.values.get(key)
        return None if value is None or isinstance(value, str) else float(value)

    def word(self, key: str) -> str | None:
        """Give the word at a dotted key, or None when nobody said it."""
        value = self.values.get(key)
        return value if isinstance(value, str) else None
