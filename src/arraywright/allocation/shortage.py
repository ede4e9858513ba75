"""Strings that get no modules, inputs that stay in part, and why, with the numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.allocation.classes import classes_left
from arraywright.allocation.demand import BLOCKED, Demand
from arraywright.allocation.stock import ModuleClass, Supply
from arraywright.arrays import IntArray
from arraywright.findings import Finding, Verdict

__all__ = ["Gaps", "find_gaps", "find_shortages", "list_unplanned"]

_ONE_BY_ONE: Final = 3
"""Inputs of one class told one by one; more are told together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gaps:
    """What a plan leaves open.

    Attributes:
        string_class: class of each open string, -1 where it is not planned, shape (strings,).
        begun: class planned on each input, -1 where none is, shape (inputs,).
        left: modules of each class that are neither planned nor kept as spares, shape (classes,).
        kept: modules of each class kept as spares, shape (classes,).
        waiting: open strings of each input that are not planned, shape (inputs,).
        needed: modules these strings need, shape (inputs,).
        inputs_in_part: inputs of which some strings are planned or built, in one known class, and
            some are not.
    """

    string_class: IntArray
    begun: IntArray
    left: IntArray
    kept: IntArray
    waiting: IntArray
    needed: IntArray
    inputs_in_part: IntArray


def find_gaps(supply: Supply, demand: Demand, *, string_class: IntArray, spares: IntArray) -> Gaps:
    """Find what a plan leaves open; ``spares`` are modules (rows of the supply)."""
    begun = np.full(len(demand.inputs), -1, dtype=np.int64)
    np.maximum.at(begun, demand.input_of, string_class)
    of_class = np.searchsorted(supply.class_offsets, spares, side="right") - 1
    kept = np.bincount(of_class, minlength=len(supply.classes)).astype(np.int64)
    missing, count = string_class < 0, len(demand.inputs)
    waiting = np.bincount(demand.input_of, weights=missing, minlength=count).astype(np.int64)
    needed = np.bincount(demand.input_of, weights=missing * demand.needs, minlength=count)
    built = np.array([kind is not None for kind in demand.input_kind], dtype=np.bool_)
    return Gaps(
        string_class=string_class,
        begun=begun,
        left=classes_left(supply, demand, string_class=string_class) - kept,
        kept=kept,
        waiting=waiting,
        needed=needed.astype(np.int64),
        inputs_in_part=np.flatnonzero((waiting > 0) & ((begun >= 0) | built)),
    )


def _stock_words(gaps: Gaps, c: int | None) -> str:
    """Say how much is left of a class, for the end of a sentence."""
    if c is None:
        return "none is left"
    left = int(gaps.left[c])
    verb = "is" if left == 1 else "are"
    return f"{left or 'none'} {verb if left else 'is'} left{_kept_words(gaps, c)}"


def _kept_words(gaps: Gaps, c: int) -> str:
    return f" and {gaps.kept[c]} kept as spares" if gaps.kept[c] else ""


def _class_number(supply: Supply, kind: ModuleClass) -> int | None:
    return supply.classes.index(kind) if kind in supply.classes else None


def _reason(supply: Supply, demand: Demand, number: int, *, gaps: Gaps) -> str:
    of_input = int(demand.input_of[number])
    need = int(demand.needs[number])
    name = demand.inputs[of_input]
    kind = demand.input_kind[of_input]
    begun = int(gaps.begun[of_input])
    if begun >= 0:
        return (
            f"input {name} is planned with {supply.classes[begun]}: {need} modules needed, "
            f"{_stock_words(gaps, begun)}"
        )
    if demand.input_class[of_input] == BLOCKED and kind is None:
        return f"input {name} contradicts itself, see the findings"
    if kind is not None:
        return (
            f"input {name} holds {kind}: {need} modules needed, "
            f"{_stock_words(gaps, _class_number(supply, kind))}"
        )
    allowed = np.flatnonzero(demand.allowed[of_input])
    if not len(allowed):
        return f"no module of the type in stock, {need} needed"
    most = int(allowed[int(np.argmax(gaps.left[allowed]))])
    return (
        f"{need} needed of one class; most are left of {supply.classes[most]}: "
        f"{gaps.left[most]}{_kept_words(gaps, most)}"
    )


def list_unplanned(supply: Supply, demand: Demand, *, gaps: Gaps) -> pl.DataFrame:
    """List open strings that get no modules, in building order, each with the reason."""
    missing = np.flatnonzero(gaps.string_class < 0)
    reasons = [_reason(supply, demand, number, gaps=gaps) for number in missing.tolist()]
    return (
        demand.strings[missing]
        .select("string", "mppt_input", "drop_point", modules=pl.col("need").cast(pl.Int64))
        .with_columns(reason=pl.Series(reasons, dtype=pl.String))
    )


def _per_type(supply: Supply, demand: Demand, gaps: Gaps) -> list[Finding]:
    findings: list[Finding] = []
    names = demand.strings["module_type"].to_numpy()
    for name in sorted(set(names.tolist())):
        of_type = names == name
        short = of_type & (gaps.string_class < 0)
        strings, missing = int(of_type.sum()), int(short.sum())
        modules = int(demand.needs[short].sum())
        reachable = demand.allowed[demand.input_of[of_type]].any(axis=0)
        stock = "; ".join(
            f"{supply.classes[c]}: {supply.class_sizes[c]} in stock, {gaps.left[c]} left"
            f"{_kept_words(gaps, c)}"
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


def _in_part(supply: Supply, demand: Demand, gaps: Gaps) -> list[Finding]:
    """Tell inputs that stay in part: class by class, one by one while they are few."""
    per_class: dict[ModuleClass, list[int]] = {}
    for number in gaps.inputs_in_part.tolist():
        begun = int(gaps.begun[number])
        kind = supply.classes[begun] if begun >= 0 else demand.input_kind[number]
        if kind is not None:
            per_class.setdefault(kind, []).append(number)
    findings: list[Finding] = []
    for kind, numbers in per_class.items():
        c = _class_number(supply, kind)
        needed = int(gaps.needed[numbers].sum())
        missing = max(needed - (0 if c is None else int(gaps.left[c])), 0)
        inputs = "this input" if len(numbers) == 1 else f"the {len(numbers)} inputs begun in it"
        remedy = f"Get {missing} modules of {kind} for {inputs}"
        if c is not None and gaps.kept[c]:
            remedy += ", or build in spares kept of this class"
        groups = [[n] for n in numbers] if len(numbers) <= _ONE_BY_ONE else [numbers]
        findings.extend(
            _in_part_finding(demand, gaps, kind=kind, c=c, numbers=group, remedy=f"{remedy}.")
            for group in groups
        )
    return findings


def _in_part_finding(
    demand: Demand,
    gaps: Gaps,
    *,
    kind: ModuleClass,
    c: int | None,
    numbers: list[int],
    remedy: str,
) -> Finding:
    total, need = int(demand.input_strings[numbers].sum()), int(gaps.needed[numbers].sum())
    done = total - int(gaps.waiting[numbers].sum())
    held = 0 if c is None else int(gaps.left[c])
    names = [demand.inputs[number] for number in numbers]
    several = len(names) > 1
    rest = f"the others need {need} modules of the same class, {_stock_words(gaps, c)}"
    if several:
        message = (
            f"{len(names)} inputs stay in part with {kind}: {done} of their {total} strings are "
            f"planned or built; {rest}. The first of them are {', '.join(names[:_ONE_BY_ONE])}."
        )
    else:
        message = (
            f"{done} of {total} strings on input {names[0]} are planned or built with {kind}; "
            f"{rest}."
        )
    return Finding(
        check="allocation-input-in-part",
        subject_kind="site" if several else "input",
        subject=str(kind) if several else names[0],
        verdict=Verdict.REVIEW,
        message=message,
        remedy=remedy,
        value=float(held),
        limit=float(need),
        margin=float(held - need),
        unit="modules",
    )


def find_shortages(supply: Supply, demand: Demand, *, gaps: Gaps) -> tuple[Finding, ...]:
    """Say per module type whether all open strings get modules, and which inputs stay in part."""
    return (*_per_type(supply, demand, gaps), *_in_part(supply, demand, gaps))
