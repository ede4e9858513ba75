"""An earlier plan carried over: what of it still holds, and its holes filled with least change."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import polars as pl

from arraywright.allocation.classes import UNPLANNED, ClassPlan
from arraywright.allocation.demand import BLOCKED
from arraywright.allocation.kept_filling import fill_holes
from arraywright.allocation.modes import SINGLE, WHOLE, Ways
from arraywright.allocation.money import handling_cost
from arraywright.allocation.park_problem import ClassTask, Places
from arraywright.allocation.park_types import Coefficients
from arraywright.allocation.park_ways import Way, way_of_places
from arraywright.allocation.plan import Task, best_classes
from arraywright.arrays import FloatArray, IntArray
from arraywright.errors import CallError

__all__ = [
    "CHANGE_COST",
    "Carried",
    "KeptPlan",
    "PlanBefore",
    "changed_strings",
    "keep_plan",
    "kept_way",
]

CHANGE_COST: Final = 5.0
"""What it costs to change the picking of one string: telling the crew and printing a list anew,
in the currency of the site. Assumption."""
GONE: Final = -1
_CLASS: Final = ("module_type", "power_class_w", "current_class")
_ROWS: Final = ("string", "place_in_string", "serial")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanBefore:
    """The plan the crews have in hand.

    Attributes:
        assignments: frame of ``string``, ``place_in_string`` and ``serial``.
        sorted_modules: frame of ``serial`` and ``pile`` (null where sorted singly) of what is
            sorted at drop points; None when nothing is.
        known: frame of ``serial`` and class of all modules ever received, refused ones too, so that
            a string whose pallets are gone keeps its class; None when not at hand.
        change_cost: what changing the picking of one string costs, in money.
        standing: frame of ``pallet``, ``area``, ``level`` and ``on_pallet`` of pallets that stand
            in the yard already and are not moved; None when not known.
    """

    assignments: pl.DataFrame
    sorted_modules: pl.DataFrame | None = None
    known: pl.DataFrame | None = None
    change_cost: float = CHANGE_COST
    standing: pl.DataFrame | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptPlan:
    """An earlier plan in the numbers of a task.

    Attributes:
        before: the plan.
        classes: class of each open string.
        offsets: free places of open string s are ``offsets[s]:offsets[s + 1]``, (strings + 1,).
        module: module (row of the supply) that stood in each free place, ``GONE`` where none or
            one that can no longer be had, (places,).
    """

    before: PlanBefore
    classes: ClassPlan
    offsets: IntArray
    module: IntArray


def _rows(task: Task, before: PlanBefore) -> pl.DataFrame:
    """Give ``string``, ``number``, ``rank`` (among free places), ``module`` and ``class_index``."""
    missing = [name for name in _ROWS if name not in before.assignments.columns]
    if missing:
        raise CallError(
            "plan-columns-missing",
            f"The earlier plan lacks {', '.join(missing)}.",
            "Give string, place_in_string and serial of every place planned.",
        )
    open_strings = task.demand.strings.select("string", "modules").with_row_index("number")
    built = task.built.modules.select("string", "place_in_string")
    taken = built.group_by("string").agg(pl.col("place_in_string").sort().alias("taken"))
    supply = task.supply.modules.select("serial", "class_index").with_row_index("module")
    rows = (
        before.assignments.select(_ROWS)
        .unique(["string", "place_in_string"], keep="first", maintain_order=True)
        .join(open_strings, on="string", how="inner")
        .filter(pl.col("place_in_string").is_between(1, pl.col("modules")))
        .join(built, on=["string", "place_in_string"], how="anti")
        .join(taken, on="string", how="left")
        .join(supply, on="serial", how="left")
        .sort("number", "place_in_string")
    )
    below = pl.lit(0)
    if not built.is_empty():
        # places built before a place do not count among the free ones
        pairs = rows.select("string", "place_in_string", "taken").explode("taken")
        fewer = pairs.group_by("string", "place_in_string").agg(
            (pl.col("taken") < pl.col("place_in_string")).sum().alias("fewer")
        )
        rows = rows.join(fewer, on=["string", "place_in_string"], how="left")
        below = pl.col("fewer").fill_null(0)
    return _with_class(
        task, rows.with_columns(rank=pl.col("place_in_string") - 1 - below).drop("taken"), before
    )


def _with_class(task: Task, rows: pl.DataFrame, before: PlanBefore) -> pl.DataFrame:
    """Look up the class of modules that are gone among all that were ever received."""
    if before.known is None:
        return rows
    kinds = pl.DataFrame(
        {
            "module_type": [kind.module_type for kind in task.supply.classes],
            "power_class_w": [kind.power_class_w for kind in task.supply.classes],
            "current_class": [kind.current_class for kind in task.supply.classes],
            "other": np.arange(len(task.supply.classes)),
        },
        schema={
            "module_type": pl.String,
            "power_class_w": pl.Float64,
            "current_class": pl.String,
            "other": pl.UInt32,
        },
    )
    known = (
        before.known.unique("serial", keep="first")
        .select(
            "serial",
            "module_type",
            pl.col("power_class_w").cast(pl.Float64).round(1),
            pl.col("current_class").fill_null("").str.strip_chars(),
        )
        .join(kinds, on=_CLASS, how="inner")
        .select("serial", "other")
    )
    return (
        rows.join(known, on="serial", how="left", maintain_order="left")
        .with_columns(class_index=pl.coalesce("class_index", "other"))
        .drop("other")
    )


def _classes_of_inputs(task: Task, rows: pl.DataFrame) -> IntArray:
    """Give the class each input had, or must have by what is built, ``UNPLANNED`` where none."""
    demand = task.demand
    votes = np.zeros((len(demand.inputs), len(task.supply.classes)))
    known = rows.filter(pl.col("class_index").is_not_null())
    number = known["number"].to_numpy().astype(np.int64)
    # modules that are still there weigh more than those that are gone
    weight = np.where(known["module"].is_null().to_numpy(), 1e-3, 1.0)
    np.add.at(
        votes, (demand.input_of[number], known["class_index"].to_numpy().astype(np.int64)), weight
    )
    votes[~demand.allowed] = 0.0
    chosen = np.where(votes.max(axis=1, initial=0.0) > 0.0, votes.argmax(axis=1), UNPLANNED)
    fixed = demand.input_class >= 0
    chosen = np.where(fixed, demand.input_class, chosen)
    return np.where(demand.input_class == BLOCKED, UNPLANNED, chosen).astype(np.int64)


def _without_shortage(task: Task, string_class: IntArray) -> IntArray:
    """Leave out the strings built last where a class no longer suffices for all of its strings."""
    out = string_class.copy()
    for c in range(len(task.supply.classes)):
        chosen = np.flatnonzero(out == c)
        reach = np.cumsum(task.demand.needs[chosen])
        out[chosen[reach > task.supply.class_sizes[c]]] = UNPLANNED
    return out


def _with_new_strings(task: Task, string_class: IntArray, planned_before: IntArray) -> IntArray:
    """Plan strings that had nothing before, as far as the stock not planned suffices."""
    demand, supply = task.demand, task.supply
    chosen = string_class >= 0
    left = supply.class_sizes - np.bincount(
        string_class[chosen], weights=demand.needs[chosen], minlength=len(supply.classes)
    ).astype(np.int64)
    new = np.flatnonzero((planned_before == 0) & (string_class < 0))
    if not len(new) or not np.any(left >= demand.needs[new].min()):
        return string_class
    out = string_class.copy()
    of_input = np.full(len(demand.inputs), UNPLANNED, dtype=np.int64)
    np.maximum.at(of_input, demand.input_of, out)
    bound = of_input >= 0
    allowed = demand.allowed.copy()
    allowed[bound] = np.arange(len(supply.classes)) == of_input[bound, None]
    found, _ = best_classes(
        replace(
            task,
            demand=replace(
                demand,
                allowed=allowed,
                input_class=np.where(bound, of_input, demand.input_class),
            ),
        )
    )
    for string in new.tolist():
        number = int(demand.input_of[string])
        c = int(of_input[number]) if of_input[number] >= 0 else int(found.string_class[string])
        if c < 0 or not demand.allowed[number, c] or left[c] < demand.needs[string]:
            continue
        out[string] = c
        of_input[number] = c
        left[c] -= demand.needs[string]
    return out


def _mixed(rows: pl.DataFrame) -> IntArray:
    """Give the strings that held modules of several classes."""
    kinds = (
        rows.filter(pl.col("module").is_not_null())
        .group_by("number")
        .agg(pl.col("class_index").n_unique())
    )
    mixed = kinds.filter(pl.col("class_index") > 1)["number"].sort()
    return mixed.to_numpy().astype(np.int64)


def keep_plan(task: Task, before: PlanBefore) -> KeptPlan:
    """Carry an earlier plan over to what is in stock and built now.

    Inputs keep their class, unless what is built there says otherwise. Where a class no longer
    suffices, the strings built last are left out. Strings that had nothing are planned as far as
    stock is left.

    Raises:
        CallError: the frame of the earlier plan lacks a column.
    """
    demand = task.demand
    rows = _rows(task, before)
    number = rows["number"].to_numpy().astype(np.int64)
    planned = np.bincount(number, minlength=len(demand.needs)).astype(np.int64)
    of_input = _classes_of_inputs(task, rows)
    string_class = np.where(planned > 0, of_input[demand.input_of], UNPLANNED)
    # strings mixed by a waiver are filled again from what is left
    string_class[_mixed(rows)] = UNPLANNED
    string_class = _without_shortage(task, string_class.astype(np.int64))
    string_class = _with_new_strings(task, string_class, planned)
    offsets = np.concatenate([[0], np.cumsum(demand.needs)]).astype(np.int64)
    module = np.full(int(offsets[-1]), GONE, dtype=np.int64)
    there = rows.filter(pl.col("module").is_not_null() & pl.col("class_index").is_not_null())
    string = there["number"].to_numpy().astype(np.int64)
    fits = there["class_index"].to_numpy() == string_class[string]
    rank = there["rank"].to_numpy().astype(np.int64)
    fits &= rank < demand.needs[string]
    at = offsets[string[fits]] + rank[fits]
    held = there["module"].to_numpy().astype(np.int64)[fits]
    # a serial planned twice stays in the place built first
    _, first = np.unique(held, return_index=True)
    module[at[first]] = held[first]
    return KeptPlan(
        before=before,
        classes=ClassPlan(string_class=string_class, taken=None, proven=False),
        offsets=offsets,
        module=module,
    )


def _before_in(own: ClassTask, kept: KeptPlan) -> tuple[IntArray, IntArray]:
    """Give string and module before of every place of a class, by its own numbers."""
    lengths = own.problem.string_modules
    string = np.repeat(np.arange(len(lengths)), lengths)
    begin = np.cumsum(lengths) - lengths
    at = kept.offsets[own.strings][string] + np.arange(len(string)) - begin[string]
    module = kept.module[at]
    return string.astype(np.int64), np.where(module >= 0, module - own.first_module, GONE)


def changed_strings(own: ClassTask, kept: KeptPlan, places: Places) -> int:
    """Count the strings of a class whose picking is not that of the earlier plan."""
    string, module = _before_in(own, kept)
    return len(np.unique(string[module != places.module]))


def _sorted_as_before(
    own: ClassTask, kept: KeptPlan, serials: pl.Series, *, places: Places
) -> tuple[IntArray, IntArray]:
    """Give way of each section and pile of each place as the earlier plan had them."""
    way = np.full(len(own.section_drop), WHOLE, dtype=np.int64)
    pile = np.full(len(places.module), -1, dtype=np.int64)
    frame = kept.before.sorted_modules
    if frame is None or frame.is_empty():
        return way, pile
    held = pl.DataFrame({"serial": serials.gather(own.first_module + places.module)}).join(
        frame.select("serial", "pile", sorts=pl.lit(value=True)).unique("serial", keep="first"),
        on="serial",
        how="left",
        maintain_order="left",
    )
    sorts = held["sorts"].fill_null(value=False).to_numpy()
    section = own.problem.string_section[places.string]
    pile = np.where(sorts, held["pile"].fill_null(0).to_numpy() - 1, -1).astype(np.int64)
    for one in np.unique(section[sorts]).tolist():
        way[one] = max(SINGLE, int(pile[section == one].max()) + 1)
    return way, pile


def kept_way(
    own: ClassTask,
    kept: KeptPlan,
    *,
    serials: pl.Series,
    coefficients: Coefficients,
    drop_xy_m: FloatArray,
    ways: Ways,
) -> Way:
    """Give the earlier plan of a class with its holes filled, and its money.

    Args:
        own: the class.
        kept: the earlier plan.
        serials: serial of each row of the supply.
        coefficients: what it is priced with.
        drop_xy_m: middle of each drop point [m], nan where not known, (drop points, 2).
        ways: ways between drop points and from the yard.
    """
    string, module = _before_in(own, kept)
    places = Places(
        string=string,
        module=fill_holes(own.problem, string=string, module=module, coefficients=coefficients),
    )
    way, pile = _sorted_as_before(own, kept, serials, places=places)
    sorts = way[own.problem.string_section[string]] != WHOLE
    whole = way_of_places(
        own, "kept", places, coefficients=coefficients, drop_xy_m=drop_xy_m, ways=ways
    )
    counts = replace(
        whole.counts,
        piled_modules=int(np.sum(sorts & (pile >= 0))),
        single_modules=int(np.sum(sorts & (pile < 0))),
    )
    return replace(
        whole,
        section_way=way,
        pile=pile,
        counts=counts,
        handling=handling_cost(counts, coefficients).total,
    )


class Carried:
    """An earlier plan carried over into a task."""

    def __init__(self, task: Task, before: PlanBefore) -> None:
        self.kept = keep_plan(task, before)
        self._serials = task.supply.modules["serial"]

    @property
    def classes(self) -> ClassPlan:
        """Class of each open string."""
        return self.kept.classes

    def way(
        self, own: ClassTask, *, coefficients: Coefficients, drop_xy_m: FloatArray, ways: Ways
    ) -> Way:
        """Give the earlier plan of a class with its holes filled; see ``kept_way``."""
        return kept_way(
            own,
            self.kept,
            serials=self._serials,
            coefficients=coefficients,
            drop_xy_m=drop_xy_m,
            ways=ways,
        )

    def change_money(self, own: ClassTask, places: Places) -> float:
        """Give what the strings whose picking is another than before cost, in money."""
        return changed_strings(own, self.kept, places) * self.kept.before.change_cost
