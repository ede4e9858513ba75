"""What handling comes to, and what the avoided mismatch is worth."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np

from arraywright.arrays import FloatArray, IntArray
from arraywright.plant import Coefficients

__all__ = [
    "HandlingCost",
    "HandlingCounts",
    "ValueDoubt",
    "handling_cost",
    "trips_for",
    "value_doubt",
]

_RECTANGLE: Final = float(np.sqrt(3.0))
"""Half a range over its standard uncertainty when every value in it is as likely."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HandlingCounts:
    """What is done to pallets and modules.

    Attributes:
        opened: pallets opened.
        carries: times an opened pallet goes on to another drop point.
        carried_m: way of all carries together [m].
        piled_modules: modules put onto one of several piles.
        single_modules: modules sorted singly.
        repacked_modules: sorted modules put back on pallets.
        trips: trips of the lift from yard to drop point.
        trip_m: way of all trips together, one way [m].
        digs: pallets lifted off others that were needed first.
    """

    opened: int = 0
    carries: int = 0
    carried_m: float = 0.0
    piled_modules: int = 0
    single_modules: int = 0
    repacked_modules: int = 0
    trips: int = 0
    trip_m: float = 0.0
    digs: int = 0

    def __add__(self, other: HandlingCounts) -> HandlingCounts:
        """Give the counts of both together."""
        return HandlingCounts(
            **{
                held.name: getattr(self, held.name) + getattr(other, held.name)
                for held in fields(self)
            }
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class HandlingCost:
    """What handling costs, by what is done, in money.

    Attributes:
        opening: opening pallets.
        carrying: carrying opened pallets on.
        piling: putting modules onto piles.
        single: sorting modules singly.
        repacking: putting sorted modules back on pallets.
        trips: trips of the lift.
        digging: lifting pallets off others.
    """

    opening: float
    carrying: float
    piling: float
    single: float
    repacking: float
    trips: float
    digging: float

    @property
    def total(self) -> float:
        """All of it, in money."""
        return float(sum(getattr(self, held.name) for held in fields(self)))


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueDoubt:
    """How well the worth of a lasting watt is known.

    Attributes:
        value_per_w: what a lasting watt is worth today, in money.
        standard_uncertainty_per_w: its standard uncertainty, in money per watt.
        parts: what price, yield, life and discount each contribute, in money per watt.
    """

    value_per_w: float
    standard_uncertainty_per_w: float
    parts: dict[str, float]


def trips_for(pallets: IntArray | int, *, pallets_per_trip: int) -> int:
    """Trips needed for the pallets of each drop point, a trip going to one drop point."""
    return int(np.sum(-(-np.asarray(pallets) // pallets_per_trip)))


def handling_cost(counts: HandlingCounts, coefficients: Coefficients) -> HandlingCost:
    """Cost of handling by what is done, in money: each count times its coefficient.

    Source: assumption
    """
    return HandlingCost(
        opening=counts.opened * coefficients.opening_cost,
        carrying=counts.carries * coefficients.carry_cost
        + counts.carried_m * coefficients.carry_cost_per_m,
        piling=counts.piled_modules * coefficients.pile_cost_per_module,
        single=counts.single_modules * coefficients.single_cost_per_module,
        repacking=counts.repacked_modules * coefficients.repack_cost_per_module,
        trips=counts.trips * coefficients.trip_cost + counts.trip_m * coefficients.trip_cost_per_m,
        digging=counts.digs * coefficients.dig_cost,
    )


def value_doubt(coefficients: Coefficients) -> ValueDoubt:
    """Worth of a lasting watt, and the standard uncertainty its assumed ranges give.

    ``value = price yield (1 - (1 + i)^-n) / i``. Each range is taken as equally likely all over
    (standard uncertainty: half the range over the root of three), its effect as half the difference
    of the values at plus and minus that, and the effects are added as squares.

    Source: jcgm-100 4.3.7, 5.1.3
    """
    c = coefficients
    shifts: dict[str, tuple[str, float]] = {
        "price": ("energy_price_per_kwh", c.price_range_ratio * c.energy_price_per_kwh),
        "yield": ("yield_kwh_per_kw", c.yield_range_ratio * c.yield_kwh_per_kw),
        "life": ("life_years", c.life_range_years),
        "discount": ("discount_ratio", c.discount_range_ratio),
    }
    parts: dict[str, float] = {}
    for name, (field, half_range) in shifts.items():
        middle, step = float(getattr(c, field)), half_range / _RECTANGLE
        up = replace(c, **{field: middle + step})  # type: ignore[arg-type]
        down = replace(c, **{field: max(middle - step, 0.0)})  # type: ignore[arg-type]
        parts[name] = abs(up.value_per_w - down.value_per_w) / 2.0
    together: FloatArray = np.array(list(parts.values()))
    return ValueDoubt(
        value_per_w=c.value_per_w,
        standard_uncertainty_per_w=float(np.sqrt(np.sum(together**2))),
        parts=parts,
    )
