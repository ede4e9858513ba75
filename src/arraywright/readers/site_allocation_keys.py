"""Keys a site description may have for the money of allocating, as data."""

from __future__ import annotations

from typing import Final

from arraywright.plant.handling import Coefficients
from arraywright.readers.site_key import SiteKey, SiteSection
from arraywright.readers.site_key_makers import usual_key

__all__ = ["ALLOCATION_SECTIONS"]

_USUAL: Final = Coefficients()
_ASSUMED: Final = "assumption"


def _key(name: str, unit: str, minimum: float, maximum: float, meaning: str) -> SiteKey:
    """Give a key whose default is the program's own assumption."""
    return usual_key(name, unit, minimum, maximum, meaning, getattr(_USUAL, name), _ASSUMED)


_ALLOCATION: Final = SiteSection(
    path="allocation",
    title="what a watt is worth and what handling costs; may be missing. Money is in `currency`",
    keys=(
        SiteKey(
            name="currency",
            kind="text",
            default=_USUAL.currency,
            meaning="name of the money; prices and costs are given in it",
        ),
        _key("energy_price_per_kwh", "1/kWh", 0.0, 1e5, "what a kilowatt-hour earns"),
        _key("yield_kwh_per_kw", "kWh/kW", 100.0, 4000.0, "energy of a year per power at STC"),
        _key("life_years", "", 1.0, 60.0, "years the power is counted for"),
        _key("discount_ratio", "1", 0.0, 0.5, "yearly rate at which later money is worth less"),
        _key("opening_cost", "", 0.0, 1e6, "opening a pallet at a drop point"),
        _key(
            "carry_cost",
            "",
            0.0,
            1e6,
            "making an opened pallet fast and setting it down at the next drop point",
        ),
        _key("carry_cost_per_m", "1/m", 0.0, 1e4, "carrying an opened pallet, per metre"),
        _key(
            "pile_cost_per_module",
            "",
            0.0,
            1e5,
            "putting a module of an opened pallet onto one of several piles",
        ),
        _key(
            "single_cost_per_module",
            "",
            0.0,
            1e5,
            "sorting a module singly at the drop point, walking included",
        ),
        _key(
            "repack_cost_per_module",
            "",
            0.0,
            1e5,
            "putting a sorted module back on a pallet, for sorting over the whole site",
        ),
        _key("trip_cost", "", 0.0, 1e6, "one trip of the lift from yard to drop point"),
        _key("trip_cost_per_m", "1/m", 0.0, 1e4, "that trip, per metre of way"),
        _key("dig_cost", "", 0.0, 1e6, "lifting a pallet off another that is needed first"),
        _key("piles_most", "", 2, 12, "piles an opened pallet may be split into"),
        _key("pallets_per_trip", "", 1, 100, "pallets carried in one trip"),
        _key(
            "price_range_ratio",
            "1",
            0.0,
            1.0,
            "half the range of the energy price, for the uncertainty of the gain",
        ),
        _key("yield_range_ratio", "1", 0.0, 1.0, "half the range of the yield"),
        _key("life_range_years", "", 0.0, 40.0, "half the range of the years"),
        _key("discount_range_ratio", "1", 0.0, 0.5, "half the range of the yearly rate"),
        _key("handling_range_ratio", "1", 0.0, 1.0, "half the range of all costs of handling"),
        _key(
            "flash_repeatability_ratio",
            "1",
            0.0,
            0.05,
            "standard deviation of Imp when a module is flashed again",
        ),
    ),
)

ALLOCATION_SECTIONS: Final = (_ALLOCATION,)
"""The section about the money of allocating."""
