"""What a yield is worked out from, besides the weather: planes, inverters, losses, uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray
from arraywright.errors import CallError
from arraywright.physics import ReferenceDiode, maximum_power

__all__ = [
    "YieldInverter",
    "YieldLosses",
    "YieldPlane",
    "YieldUncertainty",
    "inverter_output",
]

REFERENCE_EFFICIENCY_RATIO: Final = 0.9637
"""Efficiency of the inverter whose part-load curve is taken, at its rated power."""


@dataclass(frozen=True, slots=True, kw_only=True)
class YieldPlane:
    """Strings of one type in one plane on one inverter.

    Attributes:
        tilt_deg: tilt from the horizontal, 0 to 90 [deg].
        azimuth_deg: direction the plane faces, clockwise from north [deg].
        module: parameters of the module at 1000 W/m2 and 25 degC, one element.
        modules_in_series: modules of a string.
        strings: strings of this plane on one inverter.
        bifaciality_ratio: power of the rear over that of the front, 0 when one-sided.
        rear_irradiance_ratio: irradiance of the rear over that of the front; shade of the
            structure and unevenness already taken off.
    """

    tilt_deg: float
    azimuth_deg: float
    module: ReferenceDiode
    modules_in_series: int
    strings: int
    bifaciality_ratio: float = 0.0
    rear_irradiance_ratio: float = 0.0

    def __post_init__(self) -> None:
        if len(self.module) != 1 or self.modules_in_series < 1 or self.strings < 1:
            raise CallError(
                "value-out-of-range",
                f"Found {len(self.module)} module parameters, {self.modules_in_series} modules in "
                f"series and {self.strings} strings; required: one, and at least one of each.",
                "Describe each kind of string by itself.",
            )

    @property
    def power_stc_w(self) -> float:
        """Power of the plane's modules on one inverter at STC [W]."""
        one = float(maximum_power(self.module.at_reference()).pmp_w[0])
        return one * self.modules_in_series * self.strings


@dataclass(frozen=True, slots=True, kw_only=True)
class YieldInverter:
    """Inverters that are alike with what hangs on each.

    Attributes:
        planes: strings on one inverter.
        count: inverters of this kind.
        ac_power_w: AC power at which it limits [W].
        efficiency_ratio: efficiency at rated power.
        efficiency_curve: ``constant``, or ``part_load`` for a curve that falls at low power.
        mppt_min_v: lower edge of the MPPT window [V]; 0 when not to be looked at.
        mppt_max_v: upper edge of the MPPT window [V]; infinite when not to be looked at.
    """

    planes: tuple[YieldPlane, ...]
    count: int
    ac_power_w: float
    efficiency_ratio: float
    efficiency_curve: Literal["constant", "part_load"] = "part_load"
    mppt_min_v: float = 0.0
    mppt_max_v: float = np.inf

    def __post_init__(self) -> None:
        if not self.planes or self.count < 1 or not self.ac_power_w > 0.0:
            raise CallError(
                "value-out-of-range",
                f"Found {len(self.planes)} planes, {self.count} inverters and "
                f"{self.ac_power_w:g} W; required: at least one of each and power above zero.",
                "Describe inverters with their strings.",
            )
        if not 0.0 < self.efficiency_ratio <= 1.0:
            raise CallError(
                "value-out-of-range",
                f"Found an efficiency of {self.efficiency_ratio:g}; required: above 0, at most 1.",
                "Give it as a fraction: 98 % is 0.98.",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class YieldLosses:
    """Losses that are stated, not worked out, each as a fraction of what reaches the step.

    None has a default: what is not known must be chosen knowingly. Where an array is allowed it
    holds one value, twelve monthly ones, or one per interval of the weather.

    Attributes:
        shading_ratio: light kept off by the horizon, rows and objects; array allowed.
        soiling_ratio: light kept off by dirt and snow; array allowed.
        light_induced_ratio: power lost in the first hours of light and to a label above truth.
        mismatch_ratio: power lost to unlike modules.
        dc_cable_stc_ratio: power lost in DC cables at STC current; it follows the square of the
            current.
        ac_cable_ratio: energy lost between inverter and meter, transformer included.
        unavailable_ratio: energy lost while the plant or the grid is down.
    """

    shading_ratio: npt.ArrayLike
    soiling_ratio: npt.ArrayLike
    light_induced_ratio: float
    mismatch_ratio: float
    dc_cable_stc_ratio: float
    ac_cable_ratio: float
    unavailable_ratio: float

    def __post_init__(self) -> None:
        for held in fields(self):
            values = np.asarray(getattr(self, held.name), dtype=np.float64)
            if not np.all((values > -1.0) & (values < 1.0)):
                raise CallError(
                    "value-out-of-range",
                    f"Found {held.name} {values}; required: fractions between -1 and 1.",
                    "2 % is 0.02; a gain is negative.",
                )


@dataclass(frozen=True, slots=True, kw_only=True)
class YieldUncertainty:
    """Standard uncertainties that the yield's rests on.

    The defaults are those of a published case study of one plant of 10 MW in a cold climate
    (thevenard-pelland-2013, abstract), the temperature's is that of ``physics.from_air``; your
    own site's are better.

    Attributes:
        irradiation_ratio: long-term global irradiation on the horizontal.
        year_to_year_ratio: one year about the long-term mean; 0 when the mean of many years is
            asked for.
        transposition_ratio: from the horizontal into the plane.
        module_power_ratio: power of the modules.
        soiling_ratio: dirt, as a fraction of the yield.
        snow_ratio: snow, as a fraction of the yield.
        other_ratio: everything else in the model.
        cell_temp_k: cell temperature, as a lasting offset [K].
    """

    irradiation_ratio: float = 0.05
    year_to_year_ratio: float = 0.039
    transposition_ratio: float = 0.03
    module_power_ratio: float = 0.03
    soiling_ratio: float = 0.02
    snow_ratio: float = 0.015
    other_ratio: float = 0.05
    cell_temp_k: float = 2.5

    def __post_init__(self) -> None:
        for held in fields(self):
            if not getattr(self, held.name) >= 0.0:
                raise CallError(
                    "value-out-of-range",
                    f"Found {held.name} {getattr(self, held.name)}; required: zero or more.",
                    "Give standard uncertainties, coverage factor 1, as fractions.",
                )


def inverter_output(
    dc_power_w: FloatArray,
    *,
    ac_power_w: float,
    efficiency_ratio: float,
    curve: Literal["constant", "part_load"] = "part_load",
) -> FloatArray:
    """AC power of an inverter [W] that does not limit yet, zero where it does not run.

    ``part_load``: with z = Pdc/(Pac0/eta) and eta_ref = 0.9637,
    ``eta(z) = eta/eta_ref (-0.0162 z - 0.0059/z + 0.9858)``; ``constant``: eta. What exceeds the
    rated AC power is cut by whoever calls.

    Args:
        dc_power_w: DC power at the input, any shape.
        ac_power_w: rated AC power.
        efficiency_ratio: efficiency at rated power.
        curve: which of the two.

    Source: dobos-2014 chapter 11.
    """
    dc = np.asarray(dc_power_w, dtype=np.float64)
    if curve == "constant":
        return efficiency_ratio * dc
    rated_dc = ac_power_w / efficiency_ratio
    load = np.where(dc > 0.0, dc / rated_dc, 1.0)
    share = -0.0162 * load - 0.0059 / load + 0.9858
    out = dc * efficiency_ratio / REFERENCE_EFFICIENCY_RATIO * share
    return np.where(dc > 0.0, np.maximum(out, 0.0), 0.0)
