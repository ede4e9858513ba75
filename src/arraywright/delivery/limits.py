"""The limits of receiving, with the values that apply when nobody says otherwise."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ReceivingLimits"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceivingLimits:
    """What a flash list and a pallet may differ by. All defaults are common practice.

    Attributes:
        product_ratio: allowed difference of Pmax and Imp x Vmp, as a fraction of the product.
        fill_factor_ratio: allowed difference of the stated and the computed fill factor; a list
            that prints two decimals is already half a hundredth off.
        fill_factor_min_ratio: least fill factor a sound crystalline module can have.
        fill_factor_max_ratio: greatest fill factor a module can have.
        power_rounding_w: what a printed power may be off by rounding alone [W].
        current_rounding_a: what a printed current may be off by rounding alone [A].
        lot_deviations: robust standard deviations from the lot's median from which a value is
            far from its lot.
        lot_min_modules: modules a lot must have before its spread says anything.
        lot_spread_min_ratio: least robust standard deviation assumed of a lot, as a fraction of
            its median, so that a list of rounded, nearly equal values flags nothing.
        bad_flash_ratio: share of a pallet's modules set aside from which the pallet is held.
        bad_flash_min_modules: modules set aside on a pallet below which it is never held for it.
        findings_per_check: findings of one check listed one by one; the rest is counted in one.
    """

    product_ratio: float = 0.005
    fill_factor_ratio: float = 0.01
    fill_factor_min_ratio: float = 0.5
    fill_factor_max_ratio: float = 0.9
    power_rounding_w: float = 0.05
    current_rounding_a: float = 0.005
    lot_deviations: float = 6.0
    lot_min_modules: int = 30
    lot_spread_min_ratio: float = 0.0005
    bad_flash_ratio: float = 0.05
    bad_flash_min_modules: int = 2
    findings_per_check: int = 1000
