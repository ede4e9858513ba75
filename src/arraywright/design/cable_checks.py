"""Checks of cables: ampacity against design current, voltage drop and yearly loss."""

from __future__ import annotations

from typing import Final

import numpy as np

from arraywright.arrays import FloatArray
from arraywright.design.cables import (
    array_design_current_a,
    run_drop_v,
    string_design_current_a,
)
from arraywright.design.check import DesignCheck, Input, Practice, Values
from arraywright.design.conductors import corrected_ampacity_a, table_ampacity_a

__all__ = ["CHECKS"]

CONTINUOUS_RATIO: Final = 1.25
"""A photovoltaic circuit is a continuous load: 125 % (NEC 690.8(B)(1))."""


def _input(name: str, symbol: str, unit: str, meaning: str, key: str) -> Input:
    return Input(name=name, symbol=symbol, unit=unit, meaning=meaning, key=key)


_ISC: Final = _input(
    "isc_a", "Isc", "A", "short-circuit current at STC", "module_types.NAME.power_classes.isc_a"
)
_FACTOR: Final = _input(
    "current_factor_ratio", "K", "1", "factor on Isc", "cables.current_factor_ratio"
)
_PARALLEL: Final = _input(
    "strings_in_parallel",
    "N",
    "1",
    "strings in parallel on the nearest device",
    "layout.block.strings_per_input",
)


def _cable(role: str) -> tuple[Input, ...]:
    key = f"cables.{role}"
    words = "string cable" if role == "string" else "cable behind the combiner box"
    return (
        _input("area_mm2", "S", "mm2", f"cross-section of the {words}", f"{key}.area_mm2"),
        _input("material", "mat", "1", "conductor material, counted from 0", f"{key}.material"),
        _input("laying", "lay", "1", "way of laying, counted from 0", f"{key}.laying"),
        _input(
            "ambient_temp_c",
            "Ta",
            "degC",
            "air or ground around the cable",
            f"{key}.ambient_temp_c",
        ),
        _input("circuits", "n", "1", "circuits that lie together", f"{key}.circuits"),
    )


def _ampacity(practice: Practice, values: Values) -> FloatArray:
    return corrected_ampacity_a(
        values["area_mm2"],
        practice=practice,
        laying=values["laying"],
        ambient_temp_c=values["ambient_temp_c"],
        circuits=values["circuits"],
        material=values["material"],
    )


_FUSE: Final = _input(
    "string_fuse_a", "Ifuse", "A", "string fuse, 0 for none", "protection.string_fuse_a"
)
_DOWNSTREAM: Final = _input(
    "downstream_device_a",
    "In",
    "A",
    "overcurrent device downstream, 0 for none",
    "protection.downstream_device_a",
)
_INSULATION: Final = _input(
    "insulation_temp_c", "Tins", "degC", "rating of the insulation", "cables.insulation_temp_c"
)
_TERMINAL: Final = _input(
    "terminal_temp_c", "Tterm", "degC", "rating of the terminals", "cables.terminal_temp_c"
)
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


def _string_limit(values: Values) -> FloatArray:
    return string_design_current_a(
        values["isc_a"],
        current_factor_ratio=values["current_factor_ratio"],
        strings_in_parallel=values["strings_in_parallel"],
        string_fuse_a=values["string_fuse_a"],
        downstream_device_a=values["downstream_device_a"],
    )


def _array_limit(values: Values) -> FloatArray:
    return array_design_current_a(
        values["isc_a"],
        strings_in_parallel=values["strings_in_box"],
        current_factor_ratio=values["current_factor_ratio"],
        device_a=values["box_device_a"],
    )


_IN_BOX: Final = _input(
    "strings_in_box", "N", "1", "strings in the box", "layout.block.strings_per_combiner_box"
)
_BOX_DEVICE: Final = _input(
    "box_device_a",
    "In",
    "A",
    "overcurrent device of the box's output, 0 for none",
    "protection.box_device_a",
)


def _iec(values: Values) -> FloatArray:
    return _ampacity(Practice.IEC, values)


def _nec_in_use(values: Values) -> FloatArray:
    return corrected_ampacity_a(
        values["area_mm2"],
        practice=Practice.NEC,
        laying=values["laying"],
        ambient_temp_c=values["ambient_temp_c"],
        circuits=values["circuits"],
        material=values["material"],
        insulation_temp_c=values["insulation_temp_c"],
    )


def _nec_at_terminals(values: Values) -> FloatArray:
    return table_ampacity_a(
        values["area_mm2"],
        practice=Practice.NEC,
        laying=np.asarray(3.0),
        material=values["material"],
        insulation_temp_c=np.minimum(values["insulation_temp_c"], values["terminal_temp_c"]),
    )


def _ampacity_checks() -> tuple[DesignCheck, ...]:
    out = []
    for role, title, subject, count, device, limit in (
        ("string", "ampacity of the string cable", "string", _PARALLEL, _FUSE, _string_limit),
        (
            "array",
            "ampacity of the cable behind the combiner box",
            "combiner box",
            _IN_BOX,
            _BOX_DEVICE,
            _array_limit,
        ),
    ):
        current: tuple[Input, ...] = (_ISC, _FACTOR, count, device)
        if role == "string":
            current = (*current, _DOWNSTREAM)
            law = "Itab ka kg >= max(K Isc, Ifuse or In + K Isc (N - 1))"
        else:
            law = "Itab ka kg >= max(K Isc N, In)"
        out.append(
            DesignCheck(
                key=f"{role}-cable-ampacity",
                family="cable",
                title=title,
                subject_kind=subject,
                basis={Practice.IEC: "iec-62548-1 current ratings of circuits"},
                formula=law,
                inputs=(*_cable(role), *current),
                unit="A",
                sense="at least",
                value=_iec,
                limit=limit,
                passing=_CARRIES,
                failing=_BURNS,
                remedy=_THICKER,
            )
        )
        out += _nec_checks(role, title, subject, count)
    return tuple(out)


def _nec_current(count: str, factor: float, values: Values) -> FloatArray:
    number = values[count] if count == "strings_in_box" else np.asarray(1.0)
    return array_design_current_a(
        values["isc_a"],
        strings_in_parallel=number,
        current_factor_ratio=factor * values["current_factor_ratio"],
    )


def _nec_checks(role: str, title: str, subject: str, count: Input) -> list[DesignCheck]:
    counted = (count,) if role == "array" else ()
    times = " N" if role == "array" else ""
    area, material = _cable(role)[:2]
    device = _FUSE if role == "string" else _BOX_DEVICE
    return [
        DesignCheck(
            key=f"{role}-cable-ampacity",
            family="cable",
            title=title,
            subject_kind=subject,
            basis={Practice.NEC: "nec-2023 690.8(B)(2)"},
            formula=f"Itab ka kg >= K Isc{times}",
            inputs=(*_cable(role), _INSULATION, _ISC, _FACTOR, *counted),
            unit="A",
            sense="at least",
            value=_nec_in_use,
            limit=lambda values: _nec_current(count.name, 1.0, values),
            passing=_CARRIES,
            failing=_BURNS,
            remedy=_THICKER,
        ),
        DesignCheck(
            key=f"{role}-cable-continuous",
            family="cable",
            title=f"{title} at its terminals under continuous load",
            subject_kind=subject,
            basis={Practice.NEC: "nec-2023 690.8(B)(1) and 110.14(C)"},
            formula=f"Itab >= 1.25 K Isc{times}",
            inputs=(area, material, _INSULATION, _TERMINAL, _ISC, _FACTOR, *counted),
            unit="A",
            sense="at least",
            value=_nec_at_terminals,
            limit=lambda values: _nec_current(count.name, CONTINUOUS_RATIO, values),
            passing="By the column of its terminals the cable carries {value} {unit} and must "
            "carry {limit} {unit} without pause.",
            failing="By the column of its terminals the cable carries only {value} {unit} but must "
            "carry {limit} {unit} without pause; terminals can overheat.",
            remedy="Take the next size up; a licensed electrician and local codes decide.",
        ),
        DesignCheck(
            key=f"{role}-cable-protection",
            family="cable",
            title=f"overcurrent device against the {title}",
            subject_kind=subject,
            basis={Practice.NEC: "nec-2023 690.9(A) and 240.4"},
            formula="In <= Itab ka kg",
            inputs=(*_cable(role), _INSULATION, device),
            unit="A",
            sense="at most",
            value=lambda values: values[device.name],
            limit=_nec_in_use,
            passing="The overcurrent device of {value} {unit} protects a cable that carries "
            "{limit} {unit} where it lies (0 {unit} stands for no device).",
            failing="The overcurrent device of {value} {unit} is above the {limit} {unit} the "
            "cable carries where it lies; it would not trip in time.",
            remedy="Take a thicker cable or a smaller device. Code article 240.4(B) may permit the "
            "next standard rating up; a licensed electrician and local codes decide.",
        ),
    ]


_SEGMENTS: Final = (
    _input("area_mm2", "S1", "mm2", "cross-section of the string cable", "cables.string.area_mm2"),
    _input("material", "mat1", "1", "its material, counted from 0", "cables.string.material"),
    _input("conductor_length_m", "l1", "m", "string cable, both poles", "cables.string.length_m"),
    _input("array_area_mm2", "S2", "mm2", "cross-section behind the box", "cables.array.area_mm2"),
    _input("array_material", "mat2", "1", "its material, counted from 0", "cables.array.material"),
    _input(
        "array_length_m",
        "l2",
        "m",
        "cable behind the box, both poles, 0 for none",
        "cables.array.length_m",
    ),
    _input(
        "strings_in_box", "N", "1", "strings in the box", "layout.block.strings_per_combiner_box"
    ),
    _input("conductor_temp_c", "Tc", "degC", "conductor in operation", "cables.conductor_temp_c"),
    _input(
        "imp_a", "Imp", "A", "current at maximum power", "module_types.NAME.power_classes.imp_a"
    ),
    _input("string_vmp_v", "Vmp", "V", "voltage of the string at maximum power and STC", "strings"),
)


def _drop_percent(practice: Practice, values: Values) -> FloatArray:
    string_v = run_drop_v(
        values["area_mm2"],
        conductor_length_m=values["conductor_length_m"],
        current_a=values["imp_a"],
        conductor_temp_c=values["conductor_temp_c"],
        practice=practice,
        material=values["material"],
    )
    array_v = run_drop_v(
        values["array_area_mm2"],
        conductor_length_m=values["array_length_m"],
        current_a=values["imp_a"] * values["strings_in_box"],
        conductor_temp_c=values["conductor_temp_c"],
        practice=practice,
        material=values["array_material"],
    )
    return 100.0 * (string_v + array_v) / values["string_vmp_v"]


def _drop_check(practice: Practice) -> DesignCheck:
    return DesignCheck(
        key="dc-voltage-drop",
        family="cable",
        title="voltage drop between module and inverter",
        subject_kind="string",
        basis={practice: "uk-pv-guide-2006 2.1.4"},
        formula="100 (r(S1, Tc) l1 Imp + r(S2, Tc) l2 N Imp) / Vmp <= dU",
        inputs=(
            *_SEGMENTS,
            _input("drop_limit_percent", "dU", "%", "greatest drop", "cables.drop_limit_percent"),
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
        title="energy the cables take in a year",
        subject_kind="string",
        basis={practice: "common-practice yearly ohmic loss of the direct-current cables"},
        formula="100 (r(S1, Tc) l1 Imp + r(S2, Tc) l2 N Imp) / Vmp x T2 / T1 <= dE",
        inputs=(
            *_SEGMENTS,
            _input(
                "loss_equivalent_h",
                "T2",
                "h",
                "hours at Imp with the year's ohmic loss, from the weather file",
                "weather",
            ),
            _input(
                "charge_equivalent_h",
                "T1",
                "h",
                "hours at Imp with the year's charge, from the weather file",
                "weather",
            ),
            _input("loss_limit_percent", "dE", "%", "greatest loss", "cables.loss_limit_percent"),
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
    *_ampacity_checks(),
    *(_drop_check(practice) for practice in Practice),
    *(_loss_check(practice) for practice in Practice),
)
"""The checks of cables."""
