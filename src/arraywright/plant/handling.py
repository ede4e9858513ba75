"""What a watt is worth on this site, and what handling pallets and modules costs."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Coefficients"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficients:
    """What a watt is worth and what handling costs; every default is an assumption of ours.

    A default is meant to give the right size, not the right figure: two people and a lift cost
    about 90 an hour, a module is put on a pile in 12 s by two and sorted singly in half a minute.

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
        repack_cost_per_module: putting a sorted module back on a pallet, for sorting over the site.
        trip_cost: one trip of the lift between yard and drop point, setting down included.
        trip_cost_per_m: that trip, per metre of way.
        dig_cost: lifting a pallet off another that is needed first.
        piles_most: piles an opened pallet may be split into.
        pallets_per_trip: pallets carried in one trip.
        price_range_ratio: half the range within which the price of energy is thought to lie [1].
        yield_range_ratio: the same of the yield [1].
        life_range_years: the same of the years [a].
        discount_range_ratio: the same of the discount, in the ratio's own unit [1].
        handling_range_ratio: the same of all costs of handling together [1].
        flash_repeatability_ratio: standard deviation of Imp when a module is flashed again [1].
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
    repack_cost_per_module: float = 1.0
    trip_cost: float = 5.0
    trip_cost_per_m: float = 0.015
    dig_cost: float = 4.0
    piles_most: int = 4
    pallets_per_trip: int = 1
    price_range_ratio: float = 0.3
    yield_range_ratio: float = 0.08
    life_range_years: float = 5.0
    discount_range_ratio: float = 0.02
    handling_range_ratio: float = 0.4
    flash_repeatability_ratio: float = 0.001

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
