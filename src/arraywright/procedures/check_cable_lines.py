"""What is told of cable sizes and voltage drop, line by line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

__all__ = ["CableSize", "CableSizes", "YearlyDrop"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CableSize:
    """One size of the cable of one role and string design.

    What nobody described is None.

    Attributes:
        role: ``string`` or ``array``.
        of: the string design.
        size: the size as people of the practice order it.
        other: least size of the other practice with at least this cross-section.
        area_mm2: cross-section [mm2].
        chosen: whether it is the size described.
        carries_a: ampacity where it lies [A].
        must_carry_a: what it must carry [A].
        ampacity_fits: whether every check of its ampacity holds.
        protection_fits: whether its overcurrent device is not above its ampacity.
        drop_percent: voltage drop of the string with the greatest one [%].
        drop_fits: whether that is within the limit wanted.
        yearly_drop_percent: the same weighted with the energy of a year [%].
        conductor_m: conductor of all runs of the role and design, both poles [m].
        loss_kwh: energy lost in them in a year [kWh].
        cost: price of that conductor.
        cost_difference: price against that of the described size.
        saved_kwh: energy saved in a year against the described size, negative for a loss [kWh].
        saved_value: worth of it.
        payback_years: years until the energy saved has paid the dearer cable or, for a thinner
            one, until the energy lost has used up what it saved; 0 for a size that is better and no
            dearer.
    """

    role: str
    of: str
    size: str
    other: str
    area_mm2: float
    chosen: bool
    carries_a: float | None
    must_carry_a: float | None
    ampacity_fits: bool | None
    protection_fits: bool | None
    drop_percent: float | None
    drop_fits: bool | None
    yearly_drop_percent: float | None
    conductor_m: float | None
    loss_kwh: float | None
    cost: float | None
    cost_difference: float | None
    saved_kwh: float | None
    saved_value: float | None
    payback_years: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class YearlyDrop:
    """Voltage drop of one string design at full power and over the year.

    Attributes:
        of: the string design.
        strings: how many there are.
        greatest_percent: drop at STC of the string with the greatest one, of the worst class [%].
        greatest_year_percent: the same weighted with the energy of a year [%].
        mean_percent: drop at STC of all strings together, of the middle class [%].
        mean_year_percent: the same weighted with the energy of a year [%].
        loss_kwh: energy all cables of these strings take in a year [kWh].
        loss_value: worth of it.
    """

    of: str
    strings: int
    greatest_percent: float | None
    greatest_year_percent: float | None
    mean_percent: float | None
    mean_year_percent: float | None
    loss_kwh: float | None
    loss_value: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CableSizes:
    """What sizes of cables do, and what the description does not say about it.

    Attributes:
        sizes: per role and string design the described size with the next below and above.
        drops: per string design.
        strings: frame of every string whose cables have a length: ``string``, ``of``,
            ``conductor_m`` of its own cables, ``box_conductor_m`` behind its box, ``drop_percent``
            of the middle power class at STC, ``yearly_drop_percent`` and ``loss_kwh`` of a year,
            its part of the box's cable included, null without weather; None without cable runs.
        missing: what is left open by the key that would fill it.
    """

    sizes: tuple[CableSize, ...]
    drops: tuple[YearlyDrop, ...]
    strings: pl.DataFrame | None
    missing: Mapping[str, tuple[str, ...]]
