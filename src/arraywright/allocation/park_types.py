"""What the park-scale allocation works on: one class of module, and what handling costs."""

from __future__ import annotations

from dataclasses import dataclass

from arraywright.arrays import FloatArray, IntArray

__all__ = ["ClassProblem", "Coefficients", "Sequence"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassProblem:
    """One class: pallets in stack order, strings in building order.

    The coordinates are scaled so that the mismatch loss in W is the sum over strings of the squared
    deviations of ``x`` from the string's mean, plus the sum over inputs of the squared deviations
    of the strings' sums of ``y`` from the input's mean.

    Attributes:
        x: current coordinate of each module, mean zero over the class [W^0.5], (modules,).
        y: voltage coordinate, zero where parallel loss is not counted [W^0.5], (modules,).
        unit_offsets: modules of pallet ``u`` are ``unit_offsets[u]:unit_offsets[u + 1]``, the top
            one first, (units + 1,).
        unit_day: first day, as ordinal, on which a pallet may be used, (units,).
        string_modules: modules of each string, (strings,).
        string_day: day, as ordinal, on which each string is built, never falling, (strings,).
        string_input: number of the MPPT input, (strings,).
        string_section: number of the drop point, never falling, (strings,).
    """

    x: FloatArray
    y: FloatArray
    unit_offsets: IntArray
    unit_day: IntArray
    string_modules: IntArray
    string_day: IntArray
    string_input: IntArray
    string_section: IntArray

    @property
    def unit_sizes(self) -> IntArray:
        """Modules of each pallet, (units,)."""
        return self.unit_offsets[1:] - self.unit_offsets[:-1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """Pallets of a class in the order in which they are opened and emptied.

    Attributes:
        units: pallets, (used,); the last one may be used in part.
    """

    units: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficients:
    """What a watt is worth and what handling costs; every default is an assumption of ours.

    Attributes:
        currency: name of the money.
        energy_price_per_kwh: what a kilowatt-hour earns.
        yield_kwh_per_kw: energy of a year per power at STC [kWh/kW].
        life_years: years the power is counted for [a].
        discount_ratio: yearly rate at which later money is worth less [1].
        opening_cost: opening a pallet at a drop point.
        carry_cost: making an opened pallet fast and setting it down at the next drop point.
        carry_cost_per_m: carrying an opened pallet, per metre.
        pile_cost_per_module: putting a module of an opened pallet onto one of several piles.
        single_cost_per_module: sorting a module singly at the drop point, walking included.
        trip_cost: one trip of the lift between yard and drop point, setting down included.
        trip_cost_per_m: that trip, per metre of way.
        dig_cost: lifting a pallet off another that is needed first.
        piles_most: piles an opened pallet may be split into.
        pallets_per_trip: pallets carried in one trip.
    """

    currency: str = "EUR"
    energy_price_per_kwh: float = 0.06
    yield_kwh_per_kw: float = 1100.0
    life_years: float = 25.0
    discount_ratio: float = 0.05
    opening_cost: float = 6.0
    carry_cost: float = 8.0
    carry_cost_per_m: float = 0.02
    pile_cost_per_module: float = 0.6
    single_cost_per_module: float = 1.5
    trip_cost: float = 5.0
    trip_cost_per_m: float = 0.015
    dig_cost: float = 4.0
    piles_most: int = 4
    pallets_per_trip: int = 1

    @property
    def annuity_years(self) -> float:
        """Years' worth of money the life amounts to today [a].

        ``(1 - (1 + i)^-n) / i``; the life itself without discount.
        """
        rate = self.discount_ratio
        if rate == 0.0:
            return self.life_years
        return float((1.0 - (1.0 + rate) ** -self.life_years) / rate)

    @property
    def value_per_w(self) -> float:
        """What a lasting watt at STC is worth today, in money."""
        return self.energy_price_per_kwh * self.yield_kwh_per_kw / 1000.0 * self.annuity_years
