"""Checks of cables: ampacity against design current, voltage drop and yearly loss."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, TypeAlias

import numpy as np

from arraywright.arrays import FloatArray
from arraywright.design.cables import (
    array_design_current_a,
    run_drop_v,
    string_design_current_a,
)
from arraywright.design.check import DesignCheck, Input, Practice, Values
from arraywright.design.conductors import LAYINGS, corrected_ampacity_a, table_ampacity_a
from arraywright.design.currents import bifacial_current, design_current, nec_rated_current
from arraywright.design.electrical_inputs import (
    BIFACIALITY,
    CORRECTION,
    FUSE,
    IMP,
    ISC,
    MODULES,
    REAR,
    STRINGS,
    STRINGS_IN_BOX,
    VMP,
)

__all__ = ["CHECKS", "NEEDS_CABLE_DEVICE", "NEEDS_COMBINER_BOX"]

Worked: TypeAlias = Callable[[Values], FloatArray]

NEEDS_CABLE_DEVICE: Final = frozenset({"string-cable-protection", "array-cable-protection"})
"""Checks that are asked only where the circuit has an overcurrent device."""

NEEDS_COMBINER_BOX: Final = frozenset(
    {"array-cable-ampacity", "array-cable-continuous", "array-cable-protection"}
)
"""Checks that are asked only where strings go to a combiner box."""


def _input(name: str, symbol: str, unit: str, meaning: str, key: str) -> Input:
    return Input(name=name, symbol=symbol, unit=unit, meaning=meaning, key=key)


_LIT: Final = (ISC, BIFACIALITY, REAR, CORRECTION)
_MAX: Final = "1.25 Kcorr Isc (1 + phi r)"
_DEVICE: Final = _input(
    "array_device_a",
    "Iarr",
    "A",
    "overcurrent device behind the combiner box, 0 for none",
    "design.array_device_a",
)
_INSULATION: Final = _input(
    "insulation_temp_c", "Tins", "degC", "rating of the insulation", "cables.insulation_temp_c"
)
_TERMINAL: Final = _input(
    "terminal_temp_c", "Tterm", "degC", "rating of the terminals", "cables.terminal_temp_c"
)
_WORDS: Final = {"string": "string cable", "array": "cable behind the combiner box"}
_CARRIES: Final = (
    "The cable carries {value} {unit} where it lies and must carry {limit} {unit}; "
    "{margin} {unit} are left."
)
_BURNS: Final = (
    "The cable carries only {value} {unit} where it lies but must carry {limit} {unit}; it can "
    "overheat."
)
_THICKER: Final = (
    "Take the next size up, separate the cables, or lay them cooler; a licensed electrician and "
    "local codes decide."
)


def _cable(role: str) -> tuple[Input, ...]:
    key, words = f"cables.{role}", _WORDS[role]
    mark = "1" if role == "string" else "2"
    return (
        _input(f"{role}_area_mm2", f"S{mark}", "mm2", f"size of the {words}", f"{key}.area_mm2"),
        _input(
            f"{role}_material",
            f"mat{mark}",
            "1",
            f"conductor material of the {words}, place in the list",
            f"{key}.material",
        ),
        _input(
            f"{role}_laying",
            f"lay{mark}",
            "1",
            f"way the {words} is laid, place in the list",
            f"{key}.laying",
        ),
        _input(
            f"{role}_ambient_temp_c",
            f"Ta{mark}",
            "degC",
            f"air or ground around the {words}",
            f"{key}.ambient_temp_c",
        ),
        _input(
            f"{role}_circuits",
            f"n{mark}",
            "1",
            f"circuits that lie together with the {words}, itself included",
            f"{key}.circuits",
        ),
    )


def _max_current(values: Values, strings: Input | None) -> FloatArray:
    lit = bifacial_current(
        values["isc_a"],
        bifaciality_ratio=values["bifaciality_ratio"],
        rear_irradiance_ratio=values["rear_irradiance_ratio"],
    )
    return design_current(
        lit,
        strings=1.0 if strings is None else values[strings.name],
        irradiance_correction_ratio=values["irradiance_correction_ratio"],
    )


def _iec_carries(role: str) -> Worked:
    return lambda values: corrected_ampacity_a(
        values[f"{role}_area_mm2"],
        practice=Practice.IEC,
        laying=values[f"{role}_laying"],
        ambient_temp_c=values[f"{role}_ambient_temp_c"],
        circuits=values[f"{role}_circuits"],
        material=values[f"{role}_material"],
    )


def _nec_carries(role: str) -> Worked:
    return lambda values: corrected_ampacity_a(
        values[f"{role}_area_mm2"],
        practice=Practice.NEC,
        laying=values[f"{role}_laying"],
        ambient_temp_c=values[f"{role}_ambient_temp_c"],
        circuits=values[f"{role}_circuits"],
        material=values[f"{role}_material"],
        insulation_temp_c=values["insulation_temp_c"],
    )


def _nec_terminals(role: str) -> Worked:
    return lambda values: table_ampacity_a(
        values[f"{role}_area_mm2"],
        practice=Practice.NEC,
        laying=LAYINGS.index("conduit"),
        material=values[f"{role}_material"],
        insulation_temp_c=np.minimum(values["insulation_temp_c"], values["terminal_temp_c"]),
    )


def _string_current(values: Values) -> FloatArray:
    return string_design_current_a(
        _max_current(values, None),
        strings=values["strings"],
        string_fuse_a=values["string_fuse_a"],
        device_a=values["array_device_a"],
    )


def _array_current(values: Values) -> FloatArray:
    return array_design_current_a(
        _max_current(values, STRINGS_IN_BOX), device_a=values["array_device_a"]
    )


def _iec_check(role: str) -> DesignCheck:
    alone = role == "string"
    return DesignCheck(
        key=f"{role}-cable-ampacity",
        family="cable",
        title=f"Ampacity of the {_WORDS[role]}",
        subject_kind="string" if alone else "combiner box",
        basis={Practice.IEC: "iec-62548-1 minimum current ratings of circuits"},
        formula=(
            f"Iz = Itab ka kg >= max(I, In, without a fuse Iarr + I (Ns - 1)), I = {_MAX}"
            if alone
            else f"Iz = Itab ka kg >= max(Nb {_MAX}, Iarr)"
        ),
        inputs=(
            *_cable(role),
            *_LIT,
            *((STRINGS, FUSE) if alone else (STRINGS_IN_BOX,)),
            _DEVICE,
        ),
        unit="A",
        sense="at least",
        value=_iec_carries(role),
        limit=_string_current if alone else _array_current,
        passing=_CARRIES,
        failing=_BURNS,
        remedy=_THICKER,
    )


def _nec_checks(role: str) -> tuple[DesignCheck, ...]:
    alone = role == "string"
    strings = None if alone else STRINGS_IN_BOX
    counted = () if alone else (STRINGS_IN_BOX,)
    law = _MAX if alone else f"Nb {_MAX}"
    subject = "string" if alone else "combiner box"
    device = FUSE if alone else _DEVICE
    return (
        DesignCheck(
            key=f"{role}-cable-ampacity",
            family="cable",
            title=f"Ampacity of the {_WORDS[role]}",
            subject_kind=subject,
            basis={Practice.NEC: "nec-2023 690.8(B)(2)"},
            formula=f"Iz = Itab ka kg >= {law}",
            inputs=(*_cable(role), _INSULATION, *_LIT, *counted),
            unit="A",
            sense="at least",
            value=_nec_carries(role),
            limit=lambda values: _max_current(values, strings),
            passing=_CARRIES,
            failing=_BURNS,
            remedy=_THICKER,
        ),
        DesignCheck(
            key=f"{role}-cable-continuous",
            family="cable",
            title=f"Ampacity of the {_WORDS[role]} at its terminals under continuous load",
            subject_kind=subject,
            basis={Practice.NEC: "nec-2023 690.8(B)(1) and 110.14(C)"},
            formula=f"Itab >= 1.25 x {law}",
            inputs=(*_cable(role)[:2], _INSULATION, _TERMINAL, *_LIT, *counted),
            unit="A",
            sense="at least",
            value=_nec_terminals(role),
            limit=lambda values: nec_rated_current(_max_current(values, strings)),
            passing="By the column of its terminals the cable carries {value} {unit} and must "
            "carry {limit} {unit} without pause.",
            failing="By the column of its terminals the cable carries only {value} {unit} but must "
            "carry {limit} {unit} without pause; terminals can overheat.",
            remedy="Take the next size up; a licensed electrician and local codes decide.",
        ),
        DesignCheck(
            key=f"{role}-cable-protection",
            family="cable",
            title=f"Overcurrent device of the {_WORDS[role]}",
            subject_kind=subject,
            basis={Practice.NEC: "nec-2023 690.9(A) and 240.4"},
            formula=f"{device.symbol} <= Iz = Itab ka kg",
            inputs=(*_cable(role), _INSULATION, device),
            unit="A",
            sense="at most",
            value=lambda values: np.where(values[device.name] > 0.0, values[device.name], np.nan),
            limit=_nec_carries(role),
            passing="The overcurrent device of {value} {unit} is not above the {limit} {unit} the "
            "cable carries where it lies.",
            failing="The overcurrent device of {value} {unit} is above the {limit} {unit} the "
            "cable carries where it lies; it may not trip in time.",
            remedy="Take a thicker cable or a smaller device. Code article 240.4(B) may permit the "
            "next standard rating up; a licensed electrician and local codes decide.",
        ),
    )


_SEGMENTS: Final = (
    *_cable("string")[:2],
    _input(
        "string_length_m",
        "l1",
        "m",
        "conductor of the string cable, both poles",
        "cables.string.length_m",
    ),
    *_cable("array")[:2],
    _input(
        "array_length_m",
        "l2",
        "m",
        "conductor behind the combiner box, both poles, 0 for none",
        "cables.array.length_m",
    ),
    STRINGS_IN_BOX,
    _input(
        "conductor_temp_c",
        "Tc",
        "degC",
        "conductor temperature in operation",
        "cables.conductor_temp_c",
    ),
    IMP,
    VMP,
    MODULES,
)
_DROP_BASIS: Final = {
    Practice.IEC: "uk-pv-guide-2006 2.1.4.1",
    Practice.NEC: "common-practice voltage drop of direct-current circuits",
}
_DROP: Final = "(r(S1, Tc) l1 + Nb r(S2, Tc) l2) Imp / (N Vmp)"


def _drop_percent(practice: Practice, values: Values) -> FloatArray:
    drop_v = [
        run_drop_v(
            values[f"{role}_area_mm2"],
            conductor_length_m=values[f"{role}_length_m"],
            current_a=current_a,
            conductor_temp_c=values["conductor_temp_c"],
            practice=practice,
            material=values[f"{role}_material"],
        )
        for role, current_a in (
            ("string", values["imp_a"]),
            ("array", values["imp_a"] * values["strings_in_box"]),
        )
    ]
    return 100.0 * (drop_v[0] + drop_v[1]) / (values["modules"] * values["vmp_v"])


def _drop_check(practice: Practice) -> DesignCheck:
    return DesignCheck(
        key="dc-voltage-drop",
        family="cable",
        title="Voltage drop between module and inverter",
        subject_kind="string",
        basis={practice: _DROP_BASIS[practice]},
        formula=f"100 {_DROP} <= dU",
        inputs=(
            *_SEGMENTS,
            _input(
                "drop_limit_percent", "dU", "%", "greatest voltage drop", "cables.drop_limit_ratio"
            ),
        ),
        unit="%",
        sense="at most",
        value=lambda values: _drop_percent(practice, values),
        limit=lambda values: values["drop_limit_percent"],
        passing="At full power the cables take {value} {unit} of the string's voltage, at most "
        "{limit} {unit} are wanted.",
        failing="At full power the cables take {value} {unit} of the string's voltage, more than "
        "the {limit} {unit} wanted.",
        remedy="Take thicker or shorter cable, or move the inverter or combiner box nearer.",
    )


def _loss_check(practice: Practice) -> DesignCheck:
    return DesignCheck(
        key="dc-cable-loss",
        family="cable",
        title="Energy the direct-current cables take in a year",
        subject_kind="string",
        basis={practice: "common-practice yearly ohmic loss"},
        formula=f"100 {_DROP} T2 / T1 <= dE",
        inputs=(
            *_SEGMENTS,
            _input(
                "loss_equivalent_h",
                "T2",
                "h",
                "hours at Imp with the year's ohmic loss, from the weather",
                "weather.files",
            ),
            _input(
                "charge_equivalent_h",
                "T1",
                "h",
                "hours at Imp with the year's charge, from the weather",
                "weather.files",
            ),
            _input(
                "loss_limit_percent", "dE", "%", "greatest yearly loss", "cables.loss_limit_ratio"
            ),
        ),
        unit="%",
        sense="at most",
        value=lambda values: (
            _drop_percent(practice, values)
            * values["loss_equivalent_h"]
            / values["charge_equivalent_h"]
        ),
        limit=lambda values: values["loss_limit_percent"],
        passing="Over a year the cables take {value} {unit} of the energy, at most {limit} {unit} "
        "are wanted.",
        failing="Over a year the cables take {value} {unit} of the energy, more than the {limit} "
        "{unit} wanted.",
        remedy="Compare the cost of the next size up with the energy it saves.",
    )


CHECKS: Final[tuple[DesignCheck, ...]] = (
    _iec_check("string"),
    *_nec_checks("string"),
    _iec_check("array"),
    *_nec_checks("array"),
    *(_drop_check(practice) for practice in Practice),
    *(_loss_check(practice) for practice in Practice),
)
"""The checks of cables."""
