"""Module and inverter types of a site description, held against what can be true."""

from __future__ import annotations

import re
import warnings
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from arraywright.findings import Verdict
from arraywright.plant.inverter_type import InverterType
from arraywright.plant.module_type import CurrentClass, ModuleType, PowerClass
from arraywright.readers.site_design import DesignParts, keep_values, read_clampings
from arraywright.readers.site_design_keys import INVERTER_TYPE_KEYS, MODULE_TYPE_KEYS
from arraywright.readers.site_keys import SECTIONS
from arraywright.readers.site_values import Coefficient, Description, Values
from arraywright.readers.toml_lines import KeyPath

__all__ = ["read_inverter_type", "read_module_type"]

_TYPE: Final = SECTIONS["module_types.NAME"]
_POWER_CLASS: Final = SECTIONS["module_types.NAME.power_classes[]"]
_CURRENT_CLASS: Final = SECTIONS["module_types.NAME.current_classes[]"]
_INVERTER: Final = SECTIONS["inverter_types.NAME"]
_CLASS_KEYS: Final = tuple(key.name for key in _POWER_CLASS.keys)
_CLASS_WIDTH_W: Final = 5.0
_POWER_MISFIT_RATIO: Final = 0.01
_FILL_FACTOR: Final = (0.5, 0.9)
_CELL_VOC_V: Final = (0.45, 1.0)


def read_module_type(
    description: Description,
    data: Mapping[str, object],
    *,
    key: str,
    parts: DesignParts | None = None,
) -> ModuleType | None:
    """Read a module type; None when anything in it is wrong.

    What it says for the design checks alone goes into ``parts`` when they are given.
    """
    path: KeyPath = ("module_types", key)
    before = _failing(description)
    values = description.read(data, _TYPE, path)
    power_classes = _power_classes(description, data, path)
    current_classes = _current_classes(description, data, path)
    _check_sizes(description, values)
    _check_pattern(description, values)
    if power_classes:
        _check_against_type(description, values, power_classes)
        if current_classes:
            _check_current_span(description, path, power_classes, current_classes)
    middle = power_classes[len(power_classes) // 2] if power_classes else None
    alpha = _relative(description, values, "alpha_isc_per_k", middle.isc_a if middle else None)
    beta = _relative(description, values, "beta_voc_per_k", middle.voc_v if middle else None)
    gamma = _relative(description, values, "gamma_pmax_per_k", middle.power_w if middle else None)
    _keep_design(
        description, data, values, gamma=gamma, middle=middle, parts=parts or DesignParts()
    )
    if (
        _failing(description) > before
        or alpha is None
        or beta is None
        or gamma is None
        or not values.complete
    ):
        return None
    return ModuleType(
        key=key,
        description=values.text("description"),
        names=values.texts("names"),
        cells_in_series=values.integer("cells_in_series"),
        bypass_substrings=values.integer("bypass_substrings"),
        voc_tolerance_ratio=values.number("voc_tolerance_ratio"),
        isc_tolerance_ratio=values.number("isc_tolerance_ratio"),
        pmax_tolerance_ratio=values.number("pmax_tolerance_ratio"),
        alpha_isc_per_k=alpha,
        beta_voc_per_k=beta,
        gamma_pmax_per_k=gamma,
        nmot_c=values.number("nmot_c"),
        max_system_voltage_v=values.number("max_system_voltage_v"),
        series_fuse_a=values.number("series_fuse_a"),
        length_mm=values.number("length_mm"),
        width_mm=values.number("width_mm"),
        thickness_mm=values.number("thickness_mm"),
        mass_kg=values.number("mass_kg"),
        bifaciality_ratio=values.number("bifaciality_ratio"),
        power_classes=power_classes,
        current_classes=current_classes,
        torque_min_nm=values.number("torque_min_nm"),
        torque_max_nm=values.number("torque_max_nm"),
        pallet_modules=values.integer("pallet_modules"),
        pallet_stack_max=values.integer("pallet_stack_max"),
        loose_stack_max=values.integer("loose_stack_max"),
        operating_min_c=values.number("operating_min_c"),
        operating_max_c=values.number("operating_max_c"),
        serial_pattern=values.text("serial_pattern"),
    )


def read_inverter_type(
    description: Description,
    data: Mapping[str, object],
    *,
    key: str,
    parts: DesignParts | None = None,
) -> InverterType | None:
    """Read an inverter type; None when anything in it is wrong."""
    before = _failing(description)
    values = description.read(data, _INVERTER, ("inverter_types", key))
    if parts is not None:
        keep_values(
            values,
            prefix=f"inverter_types.{key}",
            names=tuple(one.name for one in INVERTER_TYPE_KEYS),
            into=parts.values,
        )
    _check_order(description, values, "mppt_min_v", "mppt_max_v")
    _check_order(description, values, "mppt_max_v", "max_voltage_v", equal=True)
    _check_order(description, values, "start_voltage_v", "max_voltage_v")
    _check_order(description, values, "input_max_current_a", "input_max_isc_a", equal=True)
    if _failing(description) > before or not values.complete:
        return None
    return InverterType(
        key=key,
        description=values.text("description"),
        max_voltage_v=values.number("max_voltage_v"),
        start_voltage_v=values.number("start_voltage_v"),
        mppt_min_v=values.number("mppt_min_v"),
        mppt_max_v=values.number("mppt_max_v"),
        mppt_inputs=values.integer("mppt_inputs"),
        input_max_current_a=values.number("input_max_current_a"),
        input_max_isc_a=values.number("input_max_isc_a"),
        strings_per_input=values.integer("strings_per_input"),
        ac_power_w=values.number("ac_power_w"),
    )


def _keep_design(
    description: Description,
    data: Mapping[str, object],
    values: Values,
    *,
    gamma: float | None,
    middle: PowerClass | None,
    parts: DesignParts,
) -> None:
    """Keep what a module type says for the design checks alone."""
    path, key = values.path, str(values.path[-1])
    prefix = f"module_types.{key}"
    keep_values(
        values,
        prefix=prefix,
        names=tuple(one.name for one in MODULE_TYPE_KEYS),
        into=parts.values,
    )
    if values.has("beta_vmp_per_k"):
        per_k = _relative(description, values, "beta_vmp_per_k", middle.vmp_v if middle else None)
        if per_k is not None:
            parts.values[f"{prefix}.beta_vmp_per_k"] = per_k
    elif "beta_vmp_per_k" not in data and description.asks_for_design and gamma is not None:
        parts.values[f"{prefix}.beta_vmp_per_k"] = gamma
        description.note_default((*path, "beta_vmp_per_k"), _TYPE.key("beta_vmp_per_k"), gamma)
    parts.clampings[key] = read_clampings(description, data, path)
    listed = data.get("power_classes")
    parts.class_keys[key] = (
        tuple(f"{prefix}.power_classes.{number}" for number in range(len(listed)))
        if isinstance(listed, list)
        else (prefix,)
    )


def _failing(description: Description) -> int:
    return sum(finding.verdict is Verdict.FAIL for finding in description.findings)


def _check_order(
    description: Description, values: Values, low: str, high: str, *, equal: bool = False
) -> None:
    """Report when the lower of two keys is above the higher one."""
    if not values.has(low, high):
        return
    least, most = values.number(low), values.number(high)
    if least < most or (equal and least == most):
        return
    at = low if low in values.given else high
    description.report(
        (*values.path, at),
        "site-order",
        found=f"{low} = {least:g} and {high} = {most:g}",
        required=f"{low} {'at most' if equal else 'below'} {high}",
        remedy="Check both against the data sheet.",
    )


def _check_sizes(description: Description, values: Values) -> None:
    _check_order(description, values, "width_mm", "length_mm", equal=True)
    _check_order(description, values, "torque_min_nm", "torque_max_nm", equal=True)
    _check_order(description, values, "operating_min_c", "operating_max_c")
    if values.has("cells_in_series", "bypass_substrings"):
        cells, substrings = values.integer("cells_in_series"), values.integer("bypass_substrings")
        if substrings > cells or cells % substrings:
            description.report(
                (*values.path, "bypass_substrings"),
                "site-substrings",
                verdict=Verdict.FAIL if substrings > cells else Verdict.REVIEW,
                found=f"{substrings} sub-strings for {cells} cells",
                required="a number that divides the cells in series",
                remedy="Check cells_in_series and bypass_substrings against the data sheet.",
            )


def _check_pattern(description: Description, values: Values) -> None:
    if not values.has("serial_pattern"):
        return
    pattern = values.text("serial_pattern")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            re.compile(pattern)
    except (re.error, RecursionError, OverflowError) as error:
        description.report(
            (*values.path, "serial_pattern"),
            "site-pattern",
            found=f"{pattern} ({error})",
            required="a regular expression",
            remedy="Correct the pattern, or leave it out to accept every serial.",
        )


def _relative(
    description: Description, values: Values, name: str, stc: float | None
) -> float | None:
    """Give a coefficient in 1/K, an absolute one through its STC value."""
    if not values.has(name):
        return None
    coefficient = values.coefficient(name)
    key, path = _TYPE.key(name), (*values.path, name)
    wanted = {
        "alpha_isc_per_k": "A",
        "beta_voc_per_k": "V",
        "beta_vmp_per_k": "V",
        "gamma_pmax_per_k": "W",
    }[name]
    if coefficient.unit not in {"", wanted}:
        description.report(
            path,
            "site-value",
            found=f"a coefficient in {coefficient.unit}/K",
            required=f"1/K, %/K or {wanted}/K",
            remedy="Check which quantity the coefficient belongs to.",
        )
        return None
    if coefficient.unit and stc is None:
        return None
    per_k = coefficient.per_k / stc if coefficient.unit and stc else coefficient.per_k
    in_range = description.in_range(
        per_k, key, path, shown_as=_coefficient_words(coefficient, per_k)
    )
    return per_k if in_range else None


def _coefficient_words(coefficient: Coefficient, per_k: float) -> str:
    return f"{per_k * 100:.4g} %/K" if coefficient.unit or coefficient.per_k else "0"


def _power_classes(
    description: Description, data: Mapping[str, object], path: KeyPath
) -> tuple[PowerClass, ...]:
    """Read the power classes; empty when any of them is wrong."""
    inline = [name for name in _CLASS_KEYS if name in data]
    if "power_classes" not in data:
        own = {name: data[name] for name in inline}
        # The type has reported what is wrong in these keys; here only missing ones are news.
        held = Description(description.file, description.lines)
        read = [held.read(own, _POWER_CLASS, path)]
        description.findings += [
            finding for finding in held.findings if finding.check == "site-missing-key"
        ]
    else:
        for name in inline:
            description.report(
                (*path, name),
                "site-power-classes",
                found=f"{name} beside power_classes",
                required="one of the two",
                remedy=f"Take {name} out; every class carries its own.",
            )
        tables = description.tables(data["power_classes"], (*path, "power_classes"))
        read = [
            description.read(entry, _POWER_CLASS, (*path, "power_classes", number))
            for number, entry in enumerate(tables or [])
        ]
        if tables is not None and not tables:
            description.report(
                (*path, "power_classes"),
                "site-power-classes",
                found="none",
                required="at least one power class",
                remedy="Describe each class of the data sheet.",
            )
    for entry in read:
        _check_power_class(description, entry)
    if not read or not all(entry.complete for entry in read):
        return ()
    classes = _with_ranges(description, read)
    _check_class_order(description, read, classes)
    return classes


def _check_power_class(description: Description, values: Values) -> None:
    _check_order(description, values, "imp_a", "isc_a")
    _check_order(description, values, "vmp_v", "voc_v")
    _check_order(description, values, "pmax_min_w", "pmax_max_w")
    if values.has("power_w", "vmp_v", "imp_a"):
        power_w = values.number("power_w")
        product_w = values.number("vmp_v") * values.number("imp_a")
        if abs(product_w / power_w - 1.0) > _POWER_MISFIT_RATIO:
            description.report(
                (*values.path, "power_w"),
                "site-power",
                found=f"{power_w:g} W where vmp_v x imp_a is {product_w:.1f} W",
                required="the same within 1 %",
                remedy="Check power_w, vmp_v and imp_a against the data sheet.",
            )
    if values.has("power_w", "voc_v", "isc_a"):
        fill = values.number("power_w") / (values.number("voc_v") * values.number("isc_a"))
        if not _FILL_FACTOR[0] <= fill <= _FILL_FACTOR[1]:
            description.report(
                (*values.path, "power_w"),
                "site-fill-factor",
                verdict=Verdict.REVIEW,
                found=f"a fill factor of {fill:.3f}",
                required=f"usually {_FILL_FACTOR[0]:g} to {_FILL_FACTOR[1]:g}",
                remedy="Check power_w, voc_v and isc_a against the data sheet.",
                basis="common-practice",
            )


def _with_ranges(description: Description, read: list[Values]) -> tuple[PowerClass, ...]:
    """Give the classes, with the flashed power that belongs to each."""
    lows = [
        values.number("pmax_min_w") if values.has("pmax_min_w") else values.number("power_w")
        for values in read
    ]
    classes: list[PowerClass] = []
    for number, values in enumerate(read):
        if values.has("pmax_max_w"):
            high = values.number("pmax_max_w")
        elif number + 1 < len(read):
            high = lows[number + 1]
        else:
            high = lows[number] + _CLASS_WIDTH_W
            key = replace(
                _POWER_CLASS.key("pmax_max_w"),
                meaning="flashed power from which the next class would begin",
            )
            description.note_default((*values.path, "pmax_max_w"), key, high)
        classes.append(
            PowerClass(
                power_w=values.number("power_w"),
                pmax_min_w=lows[number],
                pmax_max_w=high,
                voc_v=values.number("voc_v"),
                isc_a=values.number("isc_a"),
                vmp_v=values.number("vmp_v"),
                imp_a=values.number("imp_a"),
            )
        )
    return tuple(classes)


def _check_class_order(
    description: Description, read: list[Values], classes: tuple[PowerClass, ...]
) -> None:
    for values, power_class in zip(read, classes, strict=True):
        if not power_class.pmax_min_w <= power_class.power_w < power_class.pmax_max_w:
            description.report(
                (*values.path, "power_w"),
                "site-class-range",
                found=f"{power_class.power_w:g} W outside its own range "
                f"{power_class.pmax_min_w:g} to {power_class.pmax_max_w:g} W",
                required="the power on the label inside the class",
                remedy="Check power_w, pmax_min_w and pmax_max_w, and list classes in rising "
                "order.",
            )
    for number in range(1, len(classes)):
        before, after = classes[number - 1], classes[number]
        if after.power_w <= before.power_w or after.pmax_min_w < before.pmax_max_w:
            description.report(
                (*read[number].path, "power_w"),
                "site-class-order",
                found=f"{after.power_w:g} W from {after.pmax_min_w:g} W after "
                f"{before.power_w:g} W to {before.pmax_max_w:g} W",
                required="classes in rising order that do not overlap",
                remedy="Order the classes and let each begin where the one before ends.",
            )


def _current_classes(
    description: Description, data: Mapping[str, object], path: KeyPath
) -> tuple[CurrentClass, ...]:
    """Read the current classes; empty when there are none or any of them is wrong."""
    if "current_classes" not in data:
        return ()
    here = (*path, "current_classes")
    tables = description.tables(data["current_classes"], here) or []
    read = [
        description.read(entry, _CURRENT_CLASS, (*here, number))
        for number, entry in enumerate(tables)
    ]
    for values in read:
        _check_order(description, values, "imp_min_a", "imp_max_a")
    if not all(values.complete for values in read):
        return ()
    classes = tuple(
        CurrentClass(
            name=values.text("name"),
            imp_min_a=values.number("imp_min_a"),
            imp_max_a=values.number("imp_max_a"),
        )
        for values in read
    )
    names: set[str] = set()
    for number, current_class in enumerate(classes):
        if current_class.name.casefold() in names:
            description.report(
                (*here, number, "name"),
                "site-class-name",
                found=current_class.name,
                required="a name of its own",
                remedy="Name every current class as its labels do.",
            )
        names.add(current_class.name.casefold())
        if number and current_class.imp_min_a < classes[number - 1].imp_max_a:
            description.report(
                (*here, number, "imp_min_a"),
                "site-class-order",
                found=f"{current_class.name} from {current_class.imp_min_a:g} A after "
                f"{classes[number - 1].name} to {classes[number - 1].imp_max_a:g} A",
                required="classes in rising order that do not overlap",
                remedy="Order the classes and let each begin where the one before ends.",
            )
    return classes


def _check_against_type(
    description: Description, values: Values, classes: tuple[PowerClass, ...]
) -> None:
    highest = max(power_class.voc_v for power_class in classes)
    strongest = max(power_class.isc_a for power_class in classes)
    if values.has("max_system_voltage_v") and highest > values.number("max_system_voltage_v"):
        description.report(
            (*values.path, "max_system_voltage_v"),
            "site-system-voltage",
            found=f"{values.number('max_system_voltage_v'):g} V with voc_v {highest:g} V",
            required="a system voltage above the voltage of one module",
            remedy="Check max_system_voltage_v and voc_v against the data sheet.",
        )
    if values.has("series_fuse_a") and strongest > values.number("series_fuse_a"):
        description.report(
            (*values.path, "series_fuse_a"),
            "site-series-fuse",
            found=f"{values.number('series_fuse_a'):g} A with isc_a {strongest:g} A",
            required="a fuse above the short-circuit current of one module",
            remedy="Check series_fuse_a and isc_a against the data sheet.",
        )
    if values.has("cells_in_series"):
        cell_v = highest / values.integer("cells_in_series")
        if not _CELL_VOC_V[0] <= cell_v <= _CELL_VOC_V[1]:
            description.report(
                (*values.path, "cells_in_series"),
                "site-cell-voltage",
                verdict=Verdict.REVIEW,
                found=f"{cell_v:.3f} V per cell in series",
                required=f"usually {_CELL_VOC_V[0]:g} to {_CELL_VOC_V[1]:g} V",
                remedy="Check cells_in_series: of a half-cut module with two halves in parallel "
                "only one half counts.",
                basis="common-practice",
            )


def _check_current_span(
    description: Description,
    path: KeyPath,
    power_classes: tuple[PowerClass, ...],
    current_classes: tuple[CurrentClass, ...],
) -> None:
    low, high = current_classes[0].imp_min_a, current_classes[-1].imp_max_a
    if any(low <= power_class.imp_a < high for power_class in power_classes):
        return
    description.report(
        (*path, "current_classes"),
        "site-current-span",
        verdict=Verdict.REVIEW,
        found=f"current classes from {low:g} to {high:g} A",
        required="a range that holds imp_a of at least one power class",
        remedy="Check the current classes against the maker's labels.",
    )
