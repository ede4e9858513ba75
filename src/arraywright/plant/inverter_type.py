"""Inverter types: what the maker's data sheet says about a kind of inverter."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["InverterType"]


@dataclass(frozen=True, slots=True, kw_only=True)
class InverterType:
    """A kind of inverter, as its data sheet describes it.

    Attributes:
        key: key in the site description.
        description: words for people.
        max_voltage_v: greatest voltage at the input [V].
        start_voltage_v: voltage from which it starts [V].
        mppt_min_v: lower edge of the MPPT window [V].
        mppt_max_v: upper edge of the MPPT window [V].
        mppt_inputs: number of MPPT inputs.
        input_max_current_a: greatest operating current of one MPPT input [A].
        input_max_isc_a: greatest short-circuit current of one MPPT input [A].
        strings_per_input: strings on one MPPT input at most.
        ac_power_w: rated AC power [W].
    """

    key: str
    description: str
    max_voltage_v: float
    start_voltage_v: float
    mppt_min_v: float
    mppt_max_v: float
    mppt_inputs: int
    input_max_current_a: float
    input_max_isc_a: float
    strings_per_input: int
    ac_power_w: float
