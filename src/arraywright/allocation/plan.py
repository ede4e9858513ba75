"""Allocate stock to strings in one of three ways."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias, get_args

import numpy as np
import polars as pl

from arraywright.allocation.assemble import (
    Filling,
    fill_in_order,
    fill_kept_together,
    fill_sorted,
    filling_of,
)
from arraywright.allocation.class_model import assign_by_model, choose_detail
from arraywright.allocation.classes import ClassPlan, Wish, assign_by_arrival, reach_of
from arraywright.allocation.demand import Built, Demand, prepare_built, prepare_demand
from arraywright.allocation.loss import DiodePool, Mismatch, diode_pool, mismatch_of
from arraywright.allocation.shortage import find_gaps, find_shortages, list_unplanned
from arraywright.allocation.spares import choose_spares, wishes_of
from arraywright.allocation.stock import Supply, prepare_supply
from arraywright.allocation.waived_filling import fill_waived
from arraywright.arrays import BoolArray, IntArray
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site

__all__ = [
    "Mode",
    "Plan",
    "Task",
    "allocate",
    "best_classes",
    "finish_plan",
    "plan_task",
    "prepare_task",
]

Mode: TypeAlias = Literal["arrival", "plan", "sorted"]
"""``arrival``: pallets as they came; ``plan``: whole pallets kept together; ``sorted``: single
modules by current, the bound."""

_MODULE: Final = ("serial", "pallet", "module_type", "power_class_w", "current_class")


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Which module goes to which place, and what it costs.

    Attributes:
        kind: how it was made.
        assignments: frame of ``string``, ``place_in_string``, ``serial``, ``pallet``, strings in
            building order; built strings are not repeated in it.
        strings_planned: open strings that get all their modules.
        strings_on_whole_inputs: strings of the site on inputs of which every string is then
            planned or built.
        inputs_in_part: inputs of which some strings are then planned or built, but not all.
        modules_planned: modules assigned.
        pallet_openings: pairs of a pallet and a drop point at which it is opened.
        openings_least: a number of openings no plan with these classes can go below; 0 when
            pallets hold more than one class.
        leftovers: frame of ``serial``, ``pallet`` and class of what is neither planned nor spare.
        spares: the same of what is kept as spares.
        unplanned: frame of ``string``, ``mppt_input``, ``drop_point``, ``modules`` (still needed)
            and ``reason``.
        shortages: per module type whether all strings are planned, inputs that stay in part, and
            spares; numbers in words.
        findings: stock set aside and contradictions of what is built.
        mismatch: exact mismatch loss per string and per input, built strings included.
    """

    kind: Mode
    assignments: pl.DataFrame
    strings_planned: int
    strings_on_whole_inputs: int
    inputs_in_part: int
    modules_planned: int
    pallet_openings: int
    openings_least: int
    leftovers: pl.DataFrame
    spares: pl.DataFrame
    unplanned: pl.DataFrame
    shortages: tuple[Finding, ...]
    findings: tuple[Finding, ...]
    mismatch: Mismatch

    @property
    def loss_ratio(self) -> float:
        """Mismatch loss over the sum of the modules' own maxima [1]."""
        return self.mismatch.loss_ratio

    @property
    def loss_w(self) -> float:
        """Mismatch loss at standard test conditions [W]."""
        return self.mismatch.loss_w


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """Stock, open strings and the diodes of all modules, prepared once for several plans."""

    site: Site
    supply: Supply
    built: Built
    demand: Demand
    wishes: tuple[Wish, ...]
    pool: DiodePool


def prepare_task(site: Site, *, stock: pl.DataFrame, frozen: pl.DataFrame | None) -> Task:
    """Read stock and built strings into one task; nothing depends on the order of rows.

    Raises:
        CallError: a frame lacks a required column.
    """
    built = prepare_built(site, frozen, stock=stock)
    free = stock
    if built.modules.height and "serial" in stock.columns:
        free = stock.join(built.modules.select("serial"), on="serial", how="anti")
    supply = prepare_supply(site, free)
    return Task(
        site=site,
        supply=supply,
        built=built,
        demand=prepare_demand(site, built, classes=supply.classes),
        wishes=wishes_of(site, supply),
        pool=diode_pool(site, supply, built),
    )


def _rank(task: Task, plan: ClassPlan, filling: Filling) -> tuple[int, ...]:
    """Give what is compared between two plans, smaller is better."""
    reach = reach_of(task.supply, task.demand, string_class=plan.string_class, wishes=task.wishes)
    return *reach.rank, filling.openings


def best_classes(task: Task) -> tuple[ClassPlan, Filling]:
    """Give the best of the models' classes and those of arrival, filled pallet by pallet.

    The finest model that is solved in a moment is tried, then the coarse one (which is not always
    behind where the finer one stops early), then order of arrival, so that the plan is never
    behind it.
    """
    supply, demand = task.supply, task.demand
    detail = choose_detail(supply, demand)
    first = assign_by_model(supply, demand, wishes=task.wishes, detail=detail)
    plans = [first]
    if not first.proven and detail != "classes":
        plans.append(assign_by_model(supply, demand, wishes=task.wishes, detail="classes"))
    if detail != "pallets" or not first.proven:
        plans.append(assign_by_arrival(supply, demand, wishes=task.wishes))
    tried = [(plan, fill_kept_together(supply, demand, plan)) for plan in plans]
    return min(tried, key=lambda pair: _rank(task, *pair))


def _places(demand: Demand, built: Built, *, string: IntArray) -> IntArray:
    """Give the place in its string of each filled place; ``string`` is sorted."""
    first = np.searchsorted(string, string, side="left")
    place = np.arange(len(string)) - first + 1
    in_part = built.modules.join(demand.strings.select("string"), on="string", how="semi")
    names = {name: number for number, name in enumerate(demand.strings["string"].to_list())}
    lengths = demand.strings["modules"].to_list()
    for (name,), group in in_part.group_by("string", maintain_order=True):
        number = names[str(name)]
        taken = set(group["place_in_string"].to_list())
        free = [p for p in range(1, lengths[number] + 1) if p not in taken]
        begin, end = np.searchsorted(string, [number, number + 1])
        place[begin:end] = free[: end - begin]
    return place


def _assignments(task: Task, filling: Filling) -> pl.DataFrame:
    order = np.argsort(filling.string, kind="stable")
    string, module = filling.string[order], filling.module[order]
    places = _places(task.demand, task.built, string=string)
    names = task.demand.strings["string"]
    return pl.DataFrame(
        {
            "string": names.gather(string),
            "place_in_string": pl.Series(places, dtype=pl.Int64),
            "serial": task.supply.modules["serial"].gather(module),
            "pallet": task.supply.modules["pallet"].gather(module),
        }
    )


def _left_out(task: Task, mismatch: Mismatch) -> tuple[Finding, ...]:
    if not mismatch.strings_left_out:
        return ()
    return (
        Finding(
            check="allocation-mismatch",
            subject_kind="site",
            subject=task.site.name,
            verdict=Verdict.NOT_ASSESSABLE,
            message=(
                f"{mismatch.strings_left_out} built strings hold modules without flash values; "
                "their mismatch is not in the figures."
            ),
            remedy="Give the flash list of the modules that are built in.",
            value=float(mismatch.strings_left_out),
            unit="strings",
        ),
    )


def plan_task(task: Task, mode: Mode, *, best: tuple[ClassPlan, Filling] | None = None) -> Plan:
    """Make the plan of one mode from a prepared task; ``best`` is ``best_classes(task)`` if known.

    Raises:
        CallError: the mode is unknown.
    """
    if mode not in get_args(Mode):
        raise CallError(
            "mode-unknown",
            f"Found mode {mode!r}; known are {', '.join(get_args(Mode))}.",
            "Give one of them.",
        )
    supply, demand = task.supply, task.demand
    if mode == "arrival":
        classes = assign_by_arrival(supply, demand, wishes=task.wishes)
        filling = fill_in_order(supply, demand, classes)
    else:
        classes, filling = best or best_classes(task)
        if mode == "sorted":
            filling = fill_sorted(supply, demand, classes)
    return finish_plan(task, mode, classes=classes, filling=filling)


def finish_plan(task: Task, kind: Mode, *, classes: ClassPlan, filling: Filling) -> Plan:
    """Make a plan of a choice of classes and modules: spares, shortages, exact mismatch."""
    supply, demand = task.supply, task.demand
    used: BoolArray = np.zeros(supply.modules.height, dtype=np.bool_)
    used[filling.module] = True
    spares, spare_findings = choose_spares(task.site, supply, used=used, wishes=task.wishes)
    waived = fill_waived(
        task.site,
        supply,
        demand,
        string_class=classes.string_class,
        filling=filling,
        spares=spares,
    )
    if len(waived.string):
        classes = ClassPlan(string_class=waived.string_class)
        filling = filling_of(
            supply,
            demand,
            classes,
            string=np.concatenate([filling.string, waived.string]),
            module=np.concatenate([filling.module, waived.module]),
        )
        used[waived.module] = True
    left = ~used
    left[spares] = False
    mismatch = mismatch_of(
        demand, task.built, filling, pool=task.pool, supply_size=supply.modules.height
    )
    modules = supply.modules.select(_MODULE)
    reach = reach_of(supply, demand, string_class=classes.string_class, wishes=task.wishes)
    gaps = find_gaps(supply, demand, string_class=classes.string_class, spares=spares)
    if len(waived.string):
        # a mixed string takes from two classes, not from the one it is counted with
        of_class = np.repeat(np.arange(len(supply.classes)), supply.class_sizes)
        count = np.bincount(of_class, weights=left, minlength=len(supply.classes))
        gaps = replace(gaps, left=count.astype(np.int64))
    return Plan(
        kind=kind,
        assignments=_assignments(task, filling),
        strings_planned=reach.strings,
        strings_on_whole_inputs=demand.all_strings.height
        - int(demand.input_strings.sum())
        + reach.on_whole_inputs,
        inputs_in_part=len(gaps.inputs_in_part),
        modules_planned=len(filling.module),
        pallet_openings=filling.openings,
        openings_least=filling.openings_least,
        leftovers=modules.filter(pl.Series(left, dtype=pl.Boolean)),
        spares=modules[spares],
        unplanned=list_unplanned(supply, demand, gaps=gaps),
        shortages=find_shortages(supply, demand, gaps=gaps) + spare_findings,
        findings=(supply.findings + demand.findings + waived.findings + _left_out(task, mismatch)),
        mismatch=mismatch,
    )


def allocate(
    site: Site, *, stock: pl.DataFrame, mode: Mode = "plan", frozen: pl.DataFrame | None = None
) -> Plan:
    """Give every open string its modules: one type, power class and current class per input.

    In order of weight: as many strings as possible on inputs that become whole, spares of the
    classes wished, what still adds strings on inputs planned in part (with one class only), pallets
    opened at as few drop points as possible, little mismatch. A string gets all its modules or
    none. Built strings stay as they are, their inputs keep their class.

    Args:
        site: the site; its ``strings`` say lengths, inputs, drop points and building order.
        stock: usable modules on accepted pallets, columns of ``STOCK_COLUMNS``; rows whose
            ``usable`` is not true or whose ``verdict`` is not accept are never used.
        mode: ``arrival``, ``plan`` or ``sorted``.
        frozen: ``string``, ``place_in_string``, ``serial`` of what is built in already.

    Raises:
        CallError: a frame lacks a required column, or the mode is unknown.

    Source: common-practice (one power and one current class per string, inputs alike)
    """
    return plan_task(prepare_task(site, stock=stock, frozen=frozen), mode)
