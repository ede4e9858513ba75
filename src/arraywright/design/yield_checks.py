"""Checks of a first-year yield against what is accepted and what was promised."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from arraywright.arrays import FloatArray
from arraywright.design.check import DesignCheck, Input, Practice, Values
from arraywright.design.first_year import exceeded_energy

__all__ = ["CHECKS"]


def _ratio_of(name: str) -> Callable[[Values], FloatArray]:
    def value(values: Values) -> FloatArray:
        return values[name]

    return value


def _lower_yield(values: Values) -> FloatArray:
    return exceeded_energy(
        values["specific_yield_kwh_kw"],
        standard_uncertainty_ratio=values["yield_uncertainty_ratio"],
    )


_BOTH: Final = {Practice.IEC: "common-practice", Practice.NEC: "common-practice"}

CHECKS: Final[tuple[DesignCheck, ...]] = (
    DesignCheck(
        key="yield-clipping",
        family="yield",
        title="Do the inverters cut no more of the year's energy than is wanted",
        subject_kind="site",
        basis=_BOTH,
        formula="c <= c_max",
        inputs=(
            Input(
                name="clipping_ratio",
                symbol="c",
                unit="1",
                meaning="energy cut by the inverters' limit, from the weather",
                key="weather.files",
            ),
            Input(
                name="clipping_max_ratio",
                symbol="c_max",
                unit="1",
                meaning="energy that may be cut",
                key="yield.clipping_max_ratio",
            ),
        ),
        unit="1",
        sense="at most",
        value=_ratio_of("clipping_ratio"),
        limit=_ratio_of("clipping_max_ratio"),
        passing="The inverters cut {value} of the year's energy; {limit} is accepted.",
        failing="The inverters cut {value} of the year's energy, {margin} more than the {limit} "
        "that is accepted; short peaks make it rather more.",
        remedy="Put fewer modules on an inverter, choose a larger one, or accept more clipping "
        "knowingly in yield.clipping_max_ratio.",
    ),
    DesignCheck(
        key="yield-promised",
        family="yield",
        title="Is the promised yield reached with nine chances in ten",
        subject_kind="site",
        basis=_BOTH,
        formula="y (1 - 1.2816 u) >= y_p",
        inputs=(
            Input(
                name="specific_yield_kwh_kw",
                symbol="y",
                unit="kWh/kW",
                meaning="first-year yield per power at STC, from the weather",
                key="weather.files",
            ),
            Input(
                name="yield_uncertainty_ratio",
                symbol="u",
                unit="1",
                meaning="standard uncertainty of the yield",
                key="yield.uncertainty",
            ),
            Input(
                name="promised_yield_kwh_kw",
                symbol="y_p",
                unit="kWh/kW",
                meaning="yield of the first year that was promised",
                key="yield.promised_kwh_per_kw",
            ),
        ),
        unit="kWh/kW",
        sense="at least",
        value=_lower_yield,
        limit=_ratio_of("promised_yield_kwh_kw"),
        passing="With nine chances in ten the first year gives {value} {unit} or more; {limit} "
        "was promised.",
        failing="The yield that the first year gives with nine chances in ten is {value} {unit}, "
        "{margin} below the {limit} that was promised.",
        remedy="Promise less, lower the uncertainty with better weather data, or change the "
        "design.",
    ),
)
"""Checks of the yield; what is acceptable is the owner's to say."""
