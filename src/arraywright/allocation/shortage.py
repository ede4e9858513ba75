"""Strings that get no modules, and why, with the numbers."""

from __future__ import annotations

import numpy as np
import polars as pl

from arraywright.allocation.demand import BLOCKED, Demand
from arraywright.allocation.stock import Supply
from arraywright.arrays import IntArray
from arraywright.findings import Finding, Verdict

__all__ = ["find_shortages", "list_unplanned"]


def _classes_left(supply: Supply, demand: Demand, string_class: IntArray) -> IntArray:
    chosen = string_class >= 0
    used = np.bincount(
        string_class[chosen], weights=demand.needs[chosen], minlength=len(supply.classes)
    )
    return supply.class_sizes - used.astype(np.int64)


def _begun(demand: Demand, string_class: IntArray) -> IntArray:
    """Give the class planned on each input, -1 where none is."""
    begun = np.full(len(demand.inputs), -1, dtype=np.int64)
    np.maximum.at(begun, demand.input_of, string_class)
    return begun


def _reason(supply: Supply, demand: Demand, number: int, *, begun: IntArray, left: IntArray) -> str:
    of_input = int(demand.input_of[number])
    need = int(demand.needs[number])
    name = demand.inputs[of_input]
    kind = demand.input_kind[of_input]
    if begun[of_input] >= 0:
        c = int(begun[of_input])
        return (
            f"input {name} is planned with {supply.classes[c]}, of which {left[c]} modules are "
            f"left, {need} needed"
        )
    if demand.input_class[of_input] == BLOCKED and kind is None:
        return f"input {name} contradicts itself, see the findings"
    if kind is not None:
        held = dict(zip(supply.classes, left.tolist(), strict=True)).get(kind, 0)
        return f"input {name} holds {kind}, of which {held} modules are left, {need} needed"
    allowed = np.flatnonzero(demand.allowed[of_input])
    if not len(allowed):
        return f"no module of the type in stock, {need} needed"
    most = int(allowed[int(np.argmax(left[allowed]))])
    return f"{need} needed of one class; most are left of {supply.classes[most]}: {left[most]}"


def list_unplanned(supply: Supply, demand: Demand, *, string_class: IntArray) -> pl.DataFrame:
    """List open strings that get no modules, in building order, each with the reason."""
    missing = np.flatnonzero(string_class < 0)
    begun = _begun(demand, string_class)
    left = _classes_left(supply, demand, string_class)
    reasons = [
        _reason(supply, demand, number, begun=begun, left=left) for number in missing.tolist()
    ]
    return (
        demand.strings[missing]
        .select("string", "mppt_input", "drop_point", modules=pl.col("need").cast(pl.Int64))
        .with_columns(reason=pl.Series(reasons, dtype=pl.String))
    )


def _per_type(
    supply: Supply, demand: Demand, string_class: IntArray, left: IntArray
) -> list[Finding]:
    findings: list[Finding] = []
    names = demand.strings["module_type"].to_numpy()
    for name in sorted(set(names.tolist())):
        of_type = names == name
        short = of_type & (string_class < 0)
        strings, missing = int(of_type.sum()), int(short.sum())
        modules = int(demand.needs[short].sum())
        reachable = demand.allowed[demand.input_of[of_type]].any(axis=0)
        stock = "; ".join(
            f"{supply.classes[c]}: {supply.class_sizes[c]} in stock, {left[c]} left"
            for c in np.flatnonzero(reachable).tolist()
        )
        words = name or "any type"
        if missing:
            message = (
                f"{missing} of {strings} open strings of {words} get no modules: {modules} modules "
                f"are missing. {stock or 'None of this type is in stock'}."
            )
        else:
            message = f"All {strings} open strings of {words} get their modules. {stock}."
        findings.append(
            Finding(
                check="allocation-strings",
                subject_kind="site",
                subject=words,
                verdict=Verdict.REVIEW if missing else Verdict.PASS,
                message=message,
                remedy=(
                    "Order the missing modules in one class per input, or wait for the next "
                    "delivery; the strings that are planned can be built."
                    if missing
                    else ""
                ),
                value=float(strings - missing),
                limit=float(strings),
                margin=float(-missing),
                unit="strings",
            )
        )
    return findings


def _in_part(
    supply: Supply, demand: Demand, string_class: IntArray, left: IntArray
) -> list[Finding]:
    planned = np.bincount(
        demand.input_of, weights=string_class >= 0, minlength=len(demand.inputs)
    ).astype(np.int64)
    total = np.bincount(demand.input_of, minlength=len(demand.inputs))
    begun = _begun(demand, string_class)
    findings: list[Finding] = []
    for number in np.flatnonzero((planned > 0) & (planned < total)).tolist():
        kind = supply.classes[int(begun[number])]
        waiting = (demand.input_of == number) & (string_class < 0)
        need = int(demand.needs[waiting].sum())
        held = int(left[begun[number]])
        findings.append(
            Finding(
                check="allocation-input-in-part",
                subject_kind="input",
                subject=demand.inputs[number],
                verdict=Verdict.REVIEW,
                message=(
                    f"{planned[number]} of {total[number]} open strings on input "
                    f"{demand.inputs[number]} are planned with {kind}; the others need {need} "
                    f"modules of the same class, {held} are left."
                ),
                remedy=f"Get {max(need - held, 0)} modules of {kind} for this input.",
                value=float(held),
                limit=float(need),
                margin=float(held - need),
                unit="modules",
            )
        )
    return findings


def find_shortages(
    supply: Supply, demand: Demand, *, string_class: IntArray
) -> tuple[Finding, ...]:
    """Say per module type whether all open strings get modules, and which inputs stay in part."""
    left = _classes_left(supply, demand, string_class)
    return (
        *_per_type(supply, demand, string_class, left),
        *_in_part(supply, demand, string_class, left),
    )
