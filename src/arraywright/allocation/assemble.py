"""From a class per string to a module per place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arraywright.allocation.classes import ClassPlan
from arraywright.allocation.demand import Demand
from arraywright.allocation.pallets import Flow, best_flow, least_openings
from arraywright.allocation.sorting import sorted_runs
from arraywright.allocation.stock import Supply
from arraywright.arrays import IntArray

__all__ = ["Filling", "fill_in_order", "fill_kept_together", "fill_sorted", "filling_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Filling:
    """Modules in strings, place after place; strings in the order of ``string``.

    Attributes:
        string: open string of each filled place, shape (places,).
        module: module (row of the supply) in each filled place, shape (places,).
        openings: pallet openings, counted by pallet and drop point.
        openings_least: a number no allocation with the same classes can go below.
    """

    string: IntArray
    module: IntArray
    openings: int
    openings_least: int


def filling_of(
    supply: Supply, demand: Demand, plan: ClassPlan, *, string: IntArray, module: IntArray
) -> Filling:
    """Give modules in strings with their pallet openings counted; both are (places,)."""
    if not len(string):
        return Filling(string=string, module=module, openings=0, openings_least=0)
    unit = np.searchsorted(supply.unit_offsets, module, side="right") - 1
    pairs = supply.unit_pallet[unit] * len(demand.drop_points) + demand.drop_of[string]
    least = 0
    for c in range(len(supply.classes)):
        chosen = plan.string_class == c
        demands = np.bincount(
            demand.drop_of[chosen],
            weights=demand.needs[chosen],
            minlength=len(demand.drop_points),
        ).astype(np.int64)
        least += least_openings(supply.unit_sizes[supply.units_of(c)], demands)
    return Filling(
        string=string,
        module=module,
        openings=len(np.unique(pairs)),
        openings_least=least if len(np.unique(supply.unit_pallet)) == len(supply.unit_class) else 0,
    )


def _demands(demand: Demand, chosen: IntArray) -> tuple[IntArray, IntArray]:
    total = np.bincount(demand.drop_of[chosen], weights=demand.needs[chosen]).astype(np.int64)
    drops = np.flatnonzero(total)
    return drops, total[drops]


def _modules_of(supply: Supply, flow: Flow) -> IntArray:
    """List the modules of a flow, row after row, each pallet from the top down."""
    by_unit = np.lexsort((np.arange(len(flow.unit)), flow.unit))
    counts = flow.count[by_unit]
    before = np.cumsum(counts) - counts
    units = flow.unit[by_unit]
    first = np.searchsorted(units, units, side="left")
    start = np.empty(len(counts), dtype=np.int64)
    start[by_unit] = supply.unit_offsets[units] + before - before[first]
    row_begin = np.cumsum(flow.count) - flow.count
    return np.repeat(start - row_begin, flow.count) + np.arange(int(flow.count.sum()))


def _joined(parts: list[IntArray]) -> IntArray:
    return np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)


def _fill_by_flow(
    supply: Supply, demand: Demand, plan: ClassPlan, flows: dict[int, Flow]
) -> Filling:
    strings: list[IntArray] = []
    modules: list[IntArray] = []
    for c, flow in flows.items():
        chosen = np.flatnonzero(plan.string_class == c)
        chosen = chosen[np.lexsort((chosen, demand.drop_of[chosen]))]
        strings.append(np.repeat(chosen, demand.needs[chosen]))
        modules.append(_modules_of(supply, flow))
    return filling_of(supply, demand, plan, string=_joined(strings), module=_joined(modules))


def fill_in_order(supply: Supply, demand: Demand, plan: ClassPlan) -> Filling:
    """Fill strings in building order, emptying pallet after pallet in order of arrival."""
    strings: list[IntArray] = []
    modules: list[IntArray] = []
    for c in range(len(supply.classes)):
        chosen = np.flatnonzero(plan.string_class == c)
        string = np.repeat(chosen, demand.needs[chosen])
        strings.append(string)
        modules.append(supply.class_offsets[c] + np.arange(len(string)))
    return filling_of(supply, demand, plan, string=_joined(strings), module=_joined(modules))


def fill_kept_together(supply: Supply, demand: Demand, plan: ClassPlan) -> Filling:
    """Fill strings so that few pallets are opened and pallets of like current are neighbours.

    Where the model planned the pallets one by one and no simpler flow opens as few, its flow is
    taken.
    """
    flows: dict[int, Flow] = {}
    for c in range(len(supply.classes)):
        chosen = np.flatnonzero(plan.string_class == c)
        if len(chosen):
            drops, demands = _demands(demand, chosen)
            flows[c] = best_flow(supply, c, drops=drops, demands=demands)
    simple = _fill_by_flow(supply, demand, plan, flows)
    if not plan.taken:
        return simple
    exact = _fill_by_flow(supply, demand, plan, _planned_flows(supply, plan.taken))
    return exact if exact.openings < simple.openings else simple


def _planned_flows(supply: Supply, taken: dict[tuple[int, int], int]) -> dict[int, Flow]:
    rows = sorted(
        (int(supply.unit_class[u]), drop, float(supply.unit_mean_imp_a[u]), u, count)
        for (u, drop), count in taken.items()
    )
    flows: dict[int, Flow] = {}
    for c in sorted({row[0] for row in rows}):
        own = [row for row in rows if row[0] == c]
        flows[c] = Flow(
            unit=np.array([row[3] for row in own], dtype=np.int64),
            drop=np.array([row[1] for row in own], dtype=np.int64),
            count=np.array([row[4] for row in own], dtype=np.int64),
        )
    return flows


def fill_sorted(supply: Supply, demand: Demand, plan: ClassPlan) -> Filling:
    """Fill strings with single modules sorted by current, whatever pallet they lie on."""
    strings: list[IntArray] = []
    modules: list[IntArray] = []
    for c in range(len(supply.classes)):
        chosen = np.flatnonzero(plan.string_class == c)
        chosen = chosen[np.lexsort((chosen, demand.input_of[chosen]))]
        first, last = supply.class_offsets[c : c + 2]
        imp_a = supply.imp_a[first:last]
        order = np.argsort(imp_a, kind="stable")
        lengths = demand.needs[chosen]
        starts = sorted_runs(imp_a[order], lengths)
        begin = np.cumsum(lengths) - lengths
        taken = np.repeat(starts - begin, lengths) + np.arange(int(lengths.sum()))
        strings.append(np.repeat(chosen, lengths))
        modules.append(first + order[taken])
    return filling_of(supply, demand, plan, string=_joined(strings), module=_joined(modules))
