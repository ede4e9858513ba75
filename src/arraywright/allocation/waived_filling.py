"""Strings that have a waiver and nothing of one class, filled from what is left of two."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from arraywright.allocation.assemble import Filling
from arraywright.allocation.build_dates import BuildDays, day_of
from arraywright.allocation.classes import UNPLANNED
from arraywright.allocation.demand import BLOCKED, Demand
from arraywright.allocation.sorting import sorted_runs
from arraywright.allocation.stock import Supply
from arraywright.allocation.waivers import (
    decided_words,
    pair_words,
    waived_pairs,
    waiver_finding,
    waiver_findings,
)
from arraywright.arrays import IntArray
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site

__all__ = ["Waived", "fill_waived", "with_waived_days"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Waived:
    """Strings filled by a waiver.

    Attributes:
        string_class: class of each open string; of a string that is mixed, the class most of its
            modules are of, (strings,).
        string: string of each place filled by a waiver, (places,).
        module: module (row of the supply) in each of them, (places,).
        findings: what became of each waiver.
    """

    string_class: IntArray
    string: IntArray
    module: IntArray
    findings: tuple[Finding, ...]


def _class_of_input(demand: Demand, string_class: IntArray, number: int) -> int:
    """Give the class of an input by what is built or planned on it, ``UNPLANNED`` where none."""
    if demand.input_class[number] >= 0 or demand.input_class[number] == BLOCKED:
        return int(demand.input_class[number])
    return int(string_class[demand.input_of == number].max(initial=UNPLANNED))


def _choose(supply: Supply, free: IntArray, need: int) -> IntArray:
    """Choose as many modules as needed, next to each other by current, of least spread."""
    imp_a = supply.imp_a[free]
    order = np.argsort(imp_a, kind="stable")
    start = int(sorted_runs(imp_a[order], np.array([need], dtype=np.int64))[0])
    return np.sort(free[order[start : start + need]])


def fill_waived(
    site: Site,
    supply: Supply,
    demand: Demand,
    *,
    string_class: IntArray,
    filling: Filling,
    spares: IntArray,
) -> Waived:
    """Fill strings that have a waiver and no modules from what is left of its two classes.

    Only what neither strings of one class nor the spares wished need is mixed. The input's class,
    by what is built or planned on it, is one of the two. The modules next to each other by current
    that spread least are taken.

    Args:
        site: the site with its waivers.
        supply: the stock.
        demand: the open strings.
        string_class: class of each open string, -1 where it is not planned, (strings,).
        filling: what is planned.
        spares: modules (rows of the supply) kept as spares.

    Source: common-practice (neighbouring classes are mixed by explicit decision alone)
    """
    out = string_class.copy()
    free = np.ones(supply.modules.height, dtype=np.bool_)
    free[filling.module] = False
    free[spares] = False
    names = {name: at for at, name in enumerate(demand.strings["string"].to_list())}
    of_module = np.repeat(np.arange(len(supply.classes)), supply.class_sizes)
    strings: list[IntArray] = []
    modules: list[IntArray] = []
    findings = list(waiver_findings(site))
    sound = waived_pairs(site)
    done: set[str] = set()
    in_order = sorted(site.waivers, key=lambda held: names.get(held.string, -1))
    for waiver in in_order:
        if waiver.string not in sound or waiver.string in done or waiver.string not in names:
            continue
        done.add(waiver.string)
        number = names[waiver.string]
        if out[number] >= 0:
            findings.append(
                waiver_finding(
                    waiver,
                    Verdict.PASS,
                    f"String {waiver.string} is planned with {supply.classes[out[number]]} alone; "
                    "its waiver is not needed.",
                )
            )
            continue
        pair = [
            supply.classes.index(kind) for kind in sound[waiver.string] if kind in supply.classes
        ]
        held = _class_of_input(demand, out, int(demand.input_of[number]))
        able = np.flatnonzero(free & np.isin(of_module, pair))
        need = int(demand.needs[number])
        if len(able) < need or (held != UNPLANNED and held not in pair):
            why = (
                f"{need} modules are needed, {len(able)} are left of both"
                if len(able) < need
                else "its input holds or gets another class, or contradicts itself"
            )
            findings.append(
                waiver_finding(
                    waiver,
                    Verdict.REVIEW,
                    f"String {waiver.string} may mix {pair_words(waiver)}, but gets none: {why}.",
                    "Wait for more of its class, or give up the waiver.",
                )
            )
            continue
        chosen = _choose(supply, able, need)
        free[chosen] = False
        count = np.bincount(of_module[chosen], minlength=len(supply.classes))
        out[number] = held if held >= 0 else int(count.argmax())
        strings.append(np.full(need, number, dtype=np.int64))
        modules.append(chosen.astype(np.int64))
        mixed = " and ".join(f"{count[c]} of {supply.classes[c]}" for c in pair if count[c])
        findings.append(
            waiver_finding(
                waiver,
                Verdict.REVIEW,
                f"String {waiver.string} is mixed of {mixed} {decided_words(waiver)}.",
                "Mark the string in the field; its expected values are those of its own modules.",
            )
        )
    return Waived(
        string_class=out,
        string=np.concatenate(strings) if strings else np.zeros(0, dtype=np.int64),
        module=np.concatenate(modules) if modules else np.zeros(0, dtype=np.int64),
        findings=tuple(findings),
    )


def with_waived_days(
    frame: pl.DataFrame, site: Site, demand: Demand, days: BuildDays
) -> pl.DataFrame:
    """Add the strings that may mix classes and get nothing of one, on their described day."""
    names = {held.string for held in site.waivers}
    if not names:
        return frame
    described = pl.DataFrame(
        {
            "string": demand.strings["string"],
            "day": [day_of(one) for one in days.day.tolist()],
            "planned_day": [day_of(one) for one in days.day.tolist()],
            "waits": [False] * len(days.day),
        },
        schema_overrides={"day": pl.Date, "planned_day": pl.Date, "waits": pl.Boolean},
    )
    return pl.concat(
        [
            frame,
            described.filter(pl.col("string").is_in(sorted(names))).join(
                frame, on="string", how="anti"
            ),
        ]
    )
