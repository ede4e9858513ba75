"""What is still to be filled: open strings, their inputs, and what is already built."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.allocation.stock import STOCK_COLUMNS, ModuleClass
from arraywright.allocation.waivers import waiver_classes
from arraywright.arrays import BoolArray, IntArray
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site

__all__ = ["BLOCKED", "FREE", "Built", "Demand", "prepare_built", "prepare_demand"]

FREE: Final = -1
"""No class is given for an input yet."""
BLOCKED: Final = -2
"""Nothing can be planned on an input until a contradiction is settled."""

_CLASS: Final = ("module_type", "power_class_w", "current_class")


@dataclass(frozen=True, slots=True, kw_only=True)
class Built:
    """What stands in the array already.

    Attributes:
        modules: frame of ``string``, ``place_in_string``, ``serial`` and, where known, class and
            flash values; in the order of strings and places.
        findings: what contradicts itself in it.
    """

    modules: pl.DataFrame
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """Strings that still need modules, in building order.

    Attributes:
        all_strings: frame of every string of the site, in building order.
        strings: frame of the open strings with their site columns, ``row`` in ``all_strings`` and
            ``need``, in building order.
        needs: modules each string still needs, shape (strings,); built strings are not listed.
        input_of: number of the MPPT input of each string; inputs are numbered in building order.
        drop_of: number of the drop point of each string, numbered in building order.
        drop_points: names of the drop points.
        inputs: names of the MPPT inputs.
        input_strings: strings of each input, built ones counted, shape (inputs,).
        input_class: class an input must have, ``FREE`` or ``BLOCKED``, shape (inputs,).
        input_kind: class that is built in on an input already, None where nothing is.
        allowed: which class an input may have, shape (inputs, classes).
        findings: what contradicts itself.
    """

    all_strings: pl.DataFrame
    strings: pl.DataFrame
    needs: IntArray
    input_of: IntArray
    drop_of: IntArray
    drop_points: tuple[str, ...]
    inputs: tuple[str, ...]
    input_strings: IntArray
    input_class: IntArray
    input_kind: tuple[ModuleClass | None, ...]
    allowed: BoolArray
    findings: tuple[Finding, ...]


def prepare_built(
    site: Site, frozen: pl.DataFrame | None, *, stock: pl.DataFrame | None = None
) -> Built:
    """Look up class and flash values of the modules that are built in already.

    ``frozen`` has ``string``, ``place_in_string`` and ``serial``; it may carry the stock's columns
    for modules that are no longer in the stock frame, which is looked up first.

    Raises:
        CallError: a required column is missing.
    """
    names = [name for name in STOCK_COLUMNS if name != "serial"]
    schema: dict[str, pl.DataType] = {
        "string": pl.String(),
        "place_in_string": pl.Int64(),
    } | STOCK_COLUMNS
    if frozen is None or frozen.is_empty():
        return Built(modules=pl.DataFrame(schema=schema), findings=())
    missing = [c for c in ("string", "place_in_string", "serial") if c not in frozen.columns]
    if missing:
        raise CallError(
            "frozen-columns-missing",
            f"The frame of built strings lacks {', '.join(missing)}.",
            "Give string, place_in_string and serial of every module that is built in.",
        )
    own = frozen.with_columns(
        pl.lit(None, dtype=dtype).alias(name)
        for name, dtype in STOCK_COLUMNS.items()
        if name not in frozen.columns
    ).select(pl.col(name).cast(dtype) for name, dtype in schema.items())
    if stock is not None:
        known = stock.select(pl.col(n).cast(t) for n, t in STOCK_COLUMNS.items())
        known = known.unique("serial", keep="none")
        own = own.join(known, on="serial", how="left", suffix="_stock").with_columns(
            pl.coalesce(f"{name}_stock", name).alias(name) for name in names
        )
    keys = {t: site.module_type_key(t) for t in own["module_type"].drop_nulls().unique()}
    own = own.select(list(schema)).with_columns(
        pl.col("module_type").replace_strict(keys, default=None, return_dtype=pl.String),
        pl.col("power_class_w").round(1),
        pl.col("current_class").str.strip_chars(),
    )
    modules = own.sort("string", "place_in_string", "serial")
    return Built(modules=modules, findings=_contradictions(site, modules))


def _contradictions(site: Site, modules: pl.DataFrame) -> tuple[Finding, ...]:
    unknown = modules.join(site.strings.select("string"), on="string", how="anti")
    findings = [
        Finding(
            check="allocation-built-unknown-string",
            subject_kind="string",
            subject=str(name),
            verdict=Verdict.FAIL,
            message=f"Modules are recorded in string {name}, which the site does not describe.",
            remedy="Correct the record or the site description.",
        )
        for name in unknown["string"].unique().sort()
    ]
    doubled = modules.filter(pl.col("serial").is_duplicated())
    for serial, group in sorted(doubled.group_by("serial"), key=lambda pair: str(pair[0][0])):
        places = ", ".join(
            f"{string} place {place}"
            for string, place in group.select("string", "place_in_string").iter_rows()
        )
        findings.append(
            Finding(
                check="allocation-built-twice",
                subject_kind="module",
                subject=str(serial[0]),
                verdict=Verdict.FAIL,
                message=f"Module {serial[0]} is recorded in more than one place: {places}.",
                remedy="Read the label in each place and correct the record.",
            )
        )
    return tuple(findings)


def _codes(names: Sequence[str]) -> tuple[IntArray, tuple[str, ...]]:
    """Number names by first appearance."""
    order: dict[str, int] = {}
    codes = np.fromiter((order.setdefault(n, len(order)) for n in names), np.int64, len(names))
    return codes, tuple(order)


def _input_finding(check: str, name: str, message: str, remedy: str) -> Finding:
    return Finding(
        check=check,
        subject_kind="input",
        subject=name,
        verdict=Verdict.FAIL if check == "allocation-input-mixed" else Verdict.NOT_ASSESSABLE,
        message=message,
        remedy=remedy,
    )


def _without_waived(on_inputs: pl.DataFrame, waived: pl.DataFrame) -> pl.DataFrame:
    """Leave mixed strings out where something else tells the class of their input.

    Where nothing else does, the class most of their modules are of counts.
    """
    if waived.is_empty() or on_inputs.is_empty():
        return on_inputs
    pairs = waived.with_columns(waived=pl.lit(value=True))
    marked = on_inputs.join(pairs, on=["string", *_CLASS], how="left", maintain_order="left")
    marked = marked.with_columns(pl.col("waived").fill_null(value=False))
    return (
        marked.with_columns(
            most=pl.len().over("mppt_input", *_CLASS),
            alone=pl.col("waived").all().over("mppt_input"),
        )
        .sort("mppt_input", "most", *_CLASS, descending=[False, True, False, False, False])
        .with_columns(
            first=pl.all_horizontal(
                pl.col(name) == pl.col(name).first().over("mppt_input") for name in _CLASS
            )
        )
        .filter(~pl.col("waived") | (pl.col("alone") & pl.col("first")))
        .drop("waived", "most", "alone", "first")
    )


def _built_classes(
    built: Built,
    strings: pl.DataFrame,
    waived: pl.DataFrame,
) -> tuple[dict[str, ModuleClass | None], list[Finding]]:
    """Give the class an input has got from what is built on it, None where that is unclear."""
    fixed: dict[str, ModuleClass | None] = {}
    findings: list[Finding] = []
    on_inputs = _without_waived(
        built.modules.join(strings.select("string", "mppt_input"), on="string"), waived
    )
    kinds = on_inputs.select("mppt_input", *_CLASS).unique().sort("mppt_input", *_CLASS)
    for (name,), group in kinds.group_by("mppt_input", maintain_order=True):
        key = str(name)
        rows = group.select(_CLASS).rows()
        if any(value is None for row in rows for value in row):
            fixed[key] = None
            findings.append(
                _input_finding(
                    "allocation-input-unknown-class",
                    key,
                    f"The class of modules built in on input {key} is not known, so nothing more "
                    "was planned there.",
                    "Give class and flash values of the modules that are built in.",
                )
            )
            continue
        held = [
            ModuleClass(module_type=row[0], power_class_w=row[1], current_class=row[2])
            for row in rows
        ]
        if len(held) > 1:
            fixed[key] = None
            findings.append(
                _input_finding(
                    "allocation-input-mixed",
                    key,
                    f"Modules of {len(held)} classes are built in on input {key}: "
                    f"{', '.join(map(str, held))}; nothing more was planned there.",
                    "Correct the record, or exchange the modules of the wrong class.",
                )
            )
            continue
        fixed[key] = held[0]
    return fixed, findings


def prepare_demand(site: Site, built: Built, *, classes: tuple[ModuleClass, ...]) -> Demand:
    """Find which strings need how many modules, and which class each MPPT input may have.

    A string built in part needs the rest, in the class that is built in on its input. Strings of
    one MPPT input are alike: they share module type, power class and current class.
    """
    placed = built.modules.group_by("string").agg(pl.len().alias("placed"))
    ordered = (
        site.strings.sort("build_order", "string")
        .with_columns(pl.col("module_type").fill_null("").str.strip_chars())
        .with_row_index("row")
    )
    strings = (
        ordered.join(placed, on="string", how="left", maintain_order="left")
        .with_columns(need=pl.col("modules") - pl.col("placed").fill_null(0))
        .filter(pl.col("need") > 0)
        .drop("placed")
    )
    input_of, inputs = _codes(strings["mppt_input"].to_list())
    drop_of, drop_points = _codes(strings["drop_point"].to_list())
    on_input = dict(ordered.group_by("mppt_input").len().iter_rows())
    fixed, findings = _built_classes(built, ordered, waiver_classes(site))
    index: dict[ModuleClass | None, int] = {kind: number for number, kind in enumerate(classes)}
    input_class = np.array(
        [index.get(fixed[name], BLOCKED) if name in fixed else FREE for name in inputs],
        dtype=np.int64,
    )
    allowed = np.zeros((len(inputs), len(classes)), dtype=np.bool_)
    class_types = np.array([kind.module_type for kind in classes], dtype=object)
    wanted: list[set[str]] = [set() for _ in inputs]
    for number, name in zip(input_of.tolist(), strings["module_type"].to_list(), strict=True):
        if name:
            wanted[number].add(site.module_type_key(name) or name)
    for number, types in enumerate(wanted):
        if input_class[number] >= 0:
            allowed[number, input_class[number]] = True
        elif input_class[number] == FREE:
            allowed[number] = True
        if len(types) > 1:
            input_class[number] = BLOCKED
            findings.append(
                _input_finding(
                    "allocation-input-mixed",
                    inputs[number],
                    f"Input {inputs[number]} has strings of {len(types)} module types: "
                    f"{', '.join(sorted(types))}; nothing was planned there.",
                    "Put strings of one type on an input.",
                )
            )
        elif types:
            allowed[number] &= class_types == next(iter(types))
    allowed[input_class == BLOCKED] = False
    return Demand(
        all_strings=ordered,
        strings=strings,
        needs=strings["need"].to_numpy().astype(np.int64),
        input_of=input_of,
        drop_of=drop_of,
        drop_points=drop_points,
        inputs=inputs,
        input_strings=np.array([on_input[name] for name in inputs], dtype=np.int64),
        input_class=input_class,
        input_kind=tuple(fixed.get(name) for name in inputs),
        allowed=allowed,
        findings=built.findings + tuple(findings),
    )
