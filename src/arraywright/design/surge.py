"""Surge protection of the d.c. side: whether it is needed, and its ratings."""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from arraywright.arrays import BoolArray, FloatArray
from arraywright.design.check import DesignCheck, Input, Practice, Values
from arraywright.design.data_tables import standard_values
from arraywright.design.electrical_inputs import BETA, MIN_TEMP, MODULES, VOC
from arraywright.design.voltage import string_voc_cold
from arraywright.errors import CallError

__all__ = [
    "CHECKS",
    "NEEDS_SURGE_DEVICES",
    "Installation",
    "critical_length",
    "installation_constant",
    "surge_protection_needed",
    "surge_voltage_least",
]

Installation = Literal["dwelling", "plant", "other_building"]


def installation_constant(installation: Installation) -> float:
    """Constant of the critical length by kind of installation, in m times 1/(km2 year).

    115 on an individual dwelling, 200 for a generating plant on open ground, 450 on a
    commercial, industrial or farm building.

    Args:
        installation: ``dwelling``, ``plant`` or ``other_building``.

    Raises:
        CallError: ``unknown-installation`` for any other word.

    Source: iec-60364-7-712 712.443.
    """
    table = standard_values("surge")["critical_length"]
    if installation not in ("dwelling", "plant", "other_building"):
        raise CallError(
            "unknown-installation",
            f"Found the kind of installation {installation}; required: dwelling, plant or "
            "other_building.",
            "Use one of these words.",
        )
    return float(table[installation])


def critical_length(
    ground_flash_density: npt.ArrayLike, *, installation_constant: npt.ArrayLike
) -> FloatArray:
    """Critical length of the d.c. route [m]: longer ones need surge protection.

    ``L_crit = c/Ng`` with the constant of the kind of installation and the ground flash density
    in flashes per square kilometre and year. Where no lightning strikes it is infinite.

    Args:
        ground_flash_density: Ng, not negative, any shape.
        installation_constant: see the function of this name.

    Source: iec-60364-7-712 712.443; iec-61643-32.
    """
    density = np.asarray(ground_flash_density, dtype=np.float64)
    constant = np.asarray(installation_constant, dtype=np.float64)
    with np.errstate(divide="ignore"):
        length_m: FloatArray = constant / density
    return length_m


def surge_protection_needed(
    route_length_m: npt.ArrayLike,
    *,
    ground_flash_density: npt.ArrayLike,
    installation_constant: npt.ArrayLike,
) -> BoolArray:
    """Whether the d.c. side needs surge protection: the route is as long as the critical length.

    A lightning protection system on the structure asks for more than this.

    Args:
        route_length_m: greatest distance between the inverter and the modules along the route.
        ground_flash_density: flashes per square kilometre and year.
        installation_constant: see the function of this name.

    Source: iec-60364-7-712 712.443.
    """
    length_m = np.asarray(route_length_m, dtype=np.float64)
    limit_m = critical_length(ground_flash_density, installation_constant=installation_constant)
    return np.asarray(length_m >= limit_m)


def surge_voltage_least(
    string_voc_v: npt.ArrayLike, *, string_voc_cold_v: npt.ArrayLike
) -> FloatArray:
    """Least continuous operating voltage [V] of a surge protective device on the d.c. side.

    ``Ucpv >= max(1.2 Uoc_STC, Uoc_max)``.

    Args:
        string_voc_v: open-circuit voltage of the string at STC, any shape.
        string_voc_cold_v: its greatest open-circuit voltage, in the cold.

    Source: iec-61643-32 selection of devices.
    """
    factor = float(standard_values("surge")["device"]["voltage_factor"])
    return np.maximum(
        factor * np.asarray(string_voc_v, dtype=np.float64),
        np.asarray(string_voc_cold_v, dtype=np.float64),
    )


# The checks.

ROUTE = Input(
    name="dc_route_length_m",
    symbol="L",
    unit="m",
    meaning="greatest route between inverter and modules",
    key="design.dc_route_length_m",
)
CONSTANT = Input(
    name="installation_constant",
    symbol="c",
    unit="m/(km2 a)",
    meaning="constant of the kind of installation",
    key="design.installation",
)
DENSITY = Input(
    name="ground_flash_density",
    symbol="Ng",
    unit="1/(km2 a)",
    meaning="lightning flashes to ground",
    key="site.ground_flash_density",
)
FITTED = Input(
    name="surge_devices_fitted",
    symbol="s",
    unit="1",
    meaning="surge protective devices on the d.c. side, 1 for fitted and 0 for none",
    key="design.surge_devices_fitted",
)
UCPV = Input(
    name="surge_voltage_v",
    symbol="Ucpv",
    unit="V",
    meaning="greatest continuous voltage of the surge protective device",
    key="design.surge_voltage_v",
)
UP = Input(
    name="surge_protection_level_v",
    symbol="Up",
    unit="V",
    meaning="voltage protection level of the surge protective device",
    key="design.surge_protection_level_v",
)
UW = Input(
    name="impulse_withstand_v",
    symbol="Uw",
    unit="V",
    meaning="impulse withstand voltage of the inverter's d.c. side",
    key="inverter_types.NAME.impulse_withstand_v",
)
DISCHARGE = Input(
    name="surge_discharge_current_a",
    symbol="In",
    unit="A",
    meaning="nominal discharge current of the surge protective device (8/20)",
    key="design.surge_discharge_current_a",
)

_DECIDE = "A licensed person, the code in force and the lightning risk of the site decide."


def _unprotected(held: Values) -> FloatArray:
    return np.where(held["surge_devices_fitted"] > 0.0, 0.0, held["dc_route_length_m"])


def _just_below(held: Values) -> FloatArray:
    """Give the greatest length below the critical one, which itself already needs protection."""
    length_m = critical_length(
        held["ground_flash_density"], installation_constant=held["installation_constant"]
    )
    return np.nextafter(np.minimum(length_m, 1e9), 0.0)


def _device(name: str) -> float:
    return float(standard_values("surge")["device"][name])


CHECKS: tuple[DesignCheck, ...] = (
    DesignCheck(
        key="surge-route-length",
        family="surge",
        title="Length of the d.c. route without surge protection",
        subject_kind="site",
        basis={Practice.IEC: "iec-60364-7-712 712.443"},
        formula="L, 0 where devices are fitted (s = 1), below c/Ng",
        inputs=(ROUTE, FITTED, CONSTANT, DENSITY),
        unit="m",
        sense="at most",
        value=_unprotected,
        limit=_just_below,
        passing="{value} {unit} of d.c. route are without surge protection; from {limit} {unit} "
        "on it is needed here.",
        failing="{value} {unit} of d.c. route are without surge protection, {margin} {unit} more "
        "than the critical length of {limit} {unit} for this much lightning.",
        remedy=f"Fit surge protective devices on the d.c. side, or shorten the route. {_DECIDE}",
    ),
    DesignCheck(
        key="surge-voltage",
        family="surge",
        title="Continuous voltage of the surge protective device",
        subject_kind="string",
        basis={
            Practice.IEC: "iec-61643-32 selection of devices",
            Practice.NEC: "iec-61643-32 selection of devices",
        },
        formula="Ucpv >= max(1.2 N Voc, N Voc (1 + beta (Tmin - 25)))",
        inputs=(UCPV, MODULES, VOC, BETA, MIN_TEMP),
        unit="V",
        sense="at least",
        value=lambda held: np.asarray(held["surge_voltage_v"]),
        limit=lambda held: surge_voltage_least(
            held["modules"] * held["voc_v"], string_voc_cold_v=string_voc_cold(held)
        ),
        passing="The surge protective device bears {value} {unit} all the time; the string asks "
        "for {limit} {unit}.",
        failing="The surge protective device bears {value} {unit} all the time, {margin} {unit} "
        "less than the {limit} {unit} the string asks for; it would overheat in the cold.",
        remedy=f"Take a device for photovoltaic systems with a higher voltage. {_DECIDE}",
    ),
    DesignCheck(
        key="surge-protection-level",
        family="surge",
        title="Voltage protection level of the surge protective device",
        subject_kind="site",
        basis={Practice.IEC: "iec-61643-32 selection of devices"},
        formula="Up <= 0.8 Uw",
        inputs=(UP, UW),
        unit="V",
        sense="at most",
        value=lambda held: np.asarray(held["surge_protection_level_v"]),
        limit=lambda held: np.asarray(_device("protection_ratio") * held["impulse_withstand_v"]),
        passing="The device lets {value} {unit} through; the inverter bears {limit} {unit} with "
        "the usual reserve.",
        failing="The device lets {value} {unit} through, {margin} {unit} more than the {limit} "
        "{unit} the inverter bears with the usual reserve.",
        remedy=f"Take a device with a lower protection level. {_DECIDE}",
    ),
    DesignCheck(
        key="surge-discharge-current",
        family="surge",
        title="Nominal discharge current of the surge protective device",
        subject_kind="site",
        basis={Practice.IEC: "iec-61643-32 selection of devices"},
        formula="In >= 5 kA",
        inputs=(DISCHARGE,),
        unit="A",
        sense="at least",
        value=lambda held: np.asarray(held["surge_discharge_current_a"]),
        limit=lambda held: np.full_like(
            held["surge_discharge_current_a"], _device("least_discharge_current_a")
        ),
        passing="The device is rated {value} {unit}; at least {limit} {unit} are asked for.",
        failing="The device is rated {value} {unit}, {margin} {unit} below the {limit} {unit} "
        "that are asked for.",
        remedy=f"Take a device of a larger discharge current. {_DECIDE}",
    ),
)
"""The checks of surge protection."""

NEEDS_SURGE_DEVICES: Final = frozenset(
    {"surge-voltage", "surge-protection-level", "surge-discharge-current"}
)
"""Checks that are asked only where surge protective devices are fitted."""
