"""Whole pallets, piles or single modules: which way of filling pays at which drop point."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence as Many
from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.allocation.money import (
    HandlingCost,
    HandlingCounts,
    handling_cost,
    trips_for,
)
from arraywright.allocation.park_types import ClassProblem, Coefficients, Sequence
from arraywright.allocation.section_filling import (
    Filled,
    Flow,
    fill_piles,
    fill_single,
    flow_of,
)
from arraywright.allocation.sequence_layout import SequenceLoss, loss_of_modules
from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.errors import CallError

__all__ = [
    "SINGLE",
    "WHOLE",
    "ModePlan",
    "ModePoint",
    "Ways",
    "choose_modes",
    "mode_points",
    "mode_words",
]

WHOLE: Final = 0
"""Way of a section: pallets come off in stack order."""
SINGLE: Final = 1
"""Way of a section: all its modules are sorted singly; a number from 2 up is that many piles."""

_ORDERS_MOST: Final = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """Ways that lie between drop points and the yard.

    Attributes:
        next_m: way from each section's drop point to the next section's [m], (sections - 1,) or
            longer; zero where not known.
        yard_m: way from the yard to each section's drop point [m], (sections,).
    """

    next_m: FloatArray
    yard_m: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ModePlan:
    """A class filled, each section in the way that pays.

    Attributes:
        sequence: order in which pallets are opened.
        way: way of each section: 0 whole pallets, 1 single modules, from 2 up so many piles at
            most per pallet, (sections,).
        waits: sections that may not be sorted because a pallet of theirs arrives after the first of
            their strings is built, (sections,).
        string: string of each place, never falling, (places,).
        module: module in each place, places of a string in order of being filled, (places,).
        pile: pile at its section the module lay on, -1 where none, (places,).
        loss: second-order mismatch loss.
        counts: what is handled.
        handling: what that costs, in money.
        mismatch_money: what the loss is worth, in money.
    """

    sequence: Sequence
    way: IntArray
    waits: BoolArray
    string: IntArray
    module: IntArray
    pile: IntArray
    loss: SequenceLoss
    counts: HandlingCounts
    handling: HandlingCost
    mismatch_money: float

    @property
    def total_money(self) -> float:
        """Mismatch and handling together, in money."""
        return self.mismatch_money + self.handling.total


@dataclass(frozen=True, slots=True, kw_only=True)
class ModePoint:
    """What one rule for choosing ways comes to, over all sections of a class.

    Attributes:
        loss_w: second-order loss, inputs judged drop point by drop point [W].
        counts: what is handled.
        sorted_sections: sections not filled from whole pallets.
    """

    loss_w: float
    counts: HandlingCounts
    sorted_sections: int


def mode_words(way: int) -> str:
    """Give the way of a section in words."""
    if way == WHOLE:
        return "whole pallets in stack order"
    if way == SINGLE:
        return "modules sorted singly at the drop point"
    return f"up to {way} piles per pallet at the drop point"


def _section_loss(problem: ClassProblem, flow: Flow, module: IntArray) -> FloatArray:
    """Loss of each section, inputs judged by their strings in it, (sections,)."""
    count = len(problem.string_modules)
    section_of = np.unique(problem.string_section, return_inverse=True)[1]
    x = problem.x[module]
    size = np.maximum(np.bincount(flow.string, minlength=count), 1)
    total = np.bincount(flow.string, weights=x, minlength=count)
    square = np.bincount(flow.string, weights=x**2, minlength=count)
    loss = np.bincount(section_of, weights=square - total**2 / size, minlength=flow.sections)
    if np.any(problem.y):
        y = np.bincount(flow.string, weights=problem.y[module], minlength=count)
        both = problem.string_input.astype(np.int64) * flow.sections + section_of
        _, code, alike = np.unique(both, return_inverse=True, return_counts=True)
        level = np.bincount(code, weights=y)[code] / alike[code]
        loss = loss + np.bincount(section_of, weights=(y - level) ** 2, minlength=flow.sections)
    return np.asarray(loss)


def _counts(
    flow: Flow, way: IntArray, *, ways: Ways | None, coefficients: Coefficients
) -> HandlingCounts:
    size = np.bincount(flow.section, minlength=flow.sections)
    again = flow.window_unit[1:] == flow.window_unit[:-1]
    opened_at = flow.window_section[np.concatenate([[True], ~again])]
    per_section = np.bincount(opened_at, minlength=flow.sections)
    trips = -(-per_section // coefficients.pallets_per_trip)
    next_m = np.zeros(flow.sections) if ways is None else ways.next_m
    yard_m = np.zeros(flow.sections) if ways is None else ways.yard_m
    return HandlingCounts(
        opened=len(opened_at),
        carries=int(again.sum()),
        carried_m=float(np.sum(next_m[flow.window_section[:-1][again]])),
        piled_modules=int(size[way > SINGLE].sum()),
        single_modules=int(size[way == SINGLE].sum()),
        trips=trips_for(per_section, pallets_per_trip=coefficients.pallets_per_trip),
        trip_m=float(np.sum(trips * yard_m)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Table:
    """Loss and extra handling of each way at each section, (ways, sections)."""

    way: IntArray
    filled: tuple[Filled, ...]
    loss_w: FloatArray
    handling: FloatArray


def _table(
    problem: ClassProblem, flow: Flow, coefficients: Coefficients, allowed: Many[int]
) -> _Table:
    size = np.bincount(flow.section, minlength=flow.sections)
    way, filled, handling = [], [], []
    for one in allowed:
        if one == WHOLE:
            held = Filled(module=flow.module, pile=np.full(len(flow.module), -1, dtype=np.int64))
            cost = 0.0
        elif one == SINGLE:
            held, cost = fill_single(problem, flow), coefficients.single_cost_per_module
        else:
            held = fill_piles(problem, flow, piles=one)
            cost = coefficients.pile_cost_per_module
        way.append(one)
        filled.append(held)
        handling.append(np.where(flow.waits, np.inf if one != WHOLE else 0.0, cost * size))
    return _Table(
        way=np.array(way, dtype=np.int64),
        filled=tuple(filled),
        loss_w=np.array([_section_loss(problem, flow, held.module) for held in filled]),
        handling=np.array(handling),
    )


def _join(flow: Flow, table: _Table, chosen: IntArray) -> Filled:
    """Take each section from the filling of its way, strings in building order."""
    module, pile = flow.module.copy(), np.full(len(flow.module), -1, dtype=np.int64)
    for number, held in enumerate(table.filled):
        own = chosen[flow.section] == number
        module[own], pile[own] = held.module[own], held.pile[own]
    return Filled(module=module, pile=pile)


def _orders(problem: ClassProblem) -> list[Sequence]:
    """All orders of pallets that arrivals allow, where they are few; none else."""
    units = len(problem.unit_day)
    total = int(problem.string_modules.sum())
    if total == 0 or math.factorial(min(units, 12)) > _ORDERS_MOST:
        return []
    ends = np.cumsum(problem.string_modules)
    sizes = problem.unit_sizes
    found: dict[tuple[int, ...], None] = {}
    for order in itertools.permutations(range(units)):
        held, reach, sound = [], 0, True
        for unit in order:
            if reach >= total:
                break
            day = problem.string_day[int(np.searchsorted(ends, reach, side="right"))]
            sound = sound and bool(problem.unit_day[unit] <= day)
            held.append(unit)
            reach += int(sizes[unit])
        if sound and reach >= total:
            found[tuple(held)] = None
    return [Sequence(units=np.array(order, dtype=np.int64)) for order in found]


def choose_modes(
    problem: ClassProblem,
    coefficients: Coefficients,
    *,
    sequences: Many[Sequence],
    allowed: Many[int] | None = None,
    ways: Ways | None = None,
    forced: bool = False,
) -> ModePlan:
    """Fill each section whole, from piles or singly, whichever costs least money with its loss.

    The sequence says which modules come to which section; only within a section is sorted, so that
    what was decided for the others and what has arrived stay as they are. A section is sorted only
    when all its pallets are here before its first string is built.

    * whole: pallets come off from the top, strings are filled one after the other;
    * piles: what comes off each pallet is split by current into up to k piles of least spread
      (exact), piles are taken from the lowest mean upwards, the module put down last first;
    * single: the section's modules are sorted by current and cut into strings where it loses least
      (exact for the loss within strings, up to three lengths).

    Where a class has five pallets at most, all orders are tried beside those given; where a section
    has few piles, all piles and all orders of them. Of several sequences the cheapest is taken.

    Args:
        problem: the class.
        coefficients: money.
        sequences: orders of pallets to choose from, for example searched and by arrival.
        allowed: ways to choose from; whole, single and 2 to ``piles_most`` piles when None.
        ways: ways between drop points and from the yard; zero when None.
        forced: take the sorted way with the least loss wherever it is possible, whatever it costs.

    Raises:
        CallError: no sequence is given, or none of the ways is known.

    Source: fisher-1958 (piles of least spread); assumption (costs)
    """
    if allowed is None:
        allowed = (WHOLE, SINGLE, *range(2, coefficients.piles_most + 1))
    if not sequences or not allowed or min(allowed) < 0:
        raise CallError(
            "allocation-no-way",
            "No order of pallets or no way of filling is given.",
            "Give at least the order of arrival and the way 0 (whole pallets).",
        )
    tried = [*sequences, *_orders(problem)]
    plans = [
        _plan(problem, coefficients, sequence, (WHOLE, *allowed), ways, forced=forced)
        for sequence in tried
    ]
    return min(plans, key=lambda plan: plan.loss.total_w if forced else plan.total_money)


def _plan(
    problem: ClassProblem,
    coefficients: Coefficients,
    sequence: Sequence,
    allowed: Many[int],
    ways: Ways | None,
    *,
    forced: bool,
) -> ModePlan:
    flow = flow_of(problem, sequence)
    table = _table(problem, flow, coefficients, list(dict.fromkeys(allowed)))
    if forced:
        cost = np.where(np.isfinite(table.handling), table.loss_w, np.inf)
        # whole pallets only where sorting is not possible
        cost[0] = np.where(np.isfinite(cost[1:]).any(axis=0), np.inf, cost[0])
    else:
        cost = coefficients.value_per_w * table.loss_w + table.handling
    chosen = np.argmin(cost, axis=0).astype(np.int64)
    held = _join(flow, table, chosen)
    way = table.way[chosen]
    counts = _counts(flow, way, ways=ways, coefficients=coefficients)
    loss = loss_of_modules(problem, string=flow.string, module=held.module)
    return ModePlan(
        sequence=sequence,
        way=way,
        waits=flow.waits,
        string=flow.string,
        module=held.module,
        pile=held.pile,
        loss=loss,
        counts=counts,
        handling=handling_cost(counts, coefficients),
        mismatch_money=coefficients.value_per_w * loss.total_w,
    )


def mode_points(
    problem: ClassProblem,
    coefficients: Coefficients,
    *,
    sequence: Sequence,
    forced: Many[int],
    price_ratio: Many[float],
    ways: Ways | None = None,
) -> tuple[list[ModePoint], list[ModePoint]]:
    """Loss and handling with each way at every drop point, and with what pays at scaled prices.

    Args:
        problem: the class.
        coefficients: money.
        sequence: order of pallets.
        forced: ways of ``choose_modes``, each taken wherever arrivals allow it.
        price_ratio: prices of sorting over those described; at each, every section takes what pays.
        ways: ways between drop points and from the yard; zero when None.

    Returns:
        A point for each forced way, and one for each price.

    Source: assumption (costs)
    """
    flow = flow_of(problem, sequence)
    allowed = list(dict.fromkeys((WHOLE, SINGLE, *range(2, coefficients.piles_most + 1), *forced)))
    table = _table(problem, flow, coefficients, allowed)
    rows = np.arange(flow.sections)

    def point(chosen: IntArray) -> ModePoint:
        way = table.way[chosen]
        return ModePoint(
            loss_w=float(table.loss_w[chosen, rows].sum()),
            counts=_counts(flow, way, ways=ways, coefficients=coefficients),
            sorted_sections=int(np.sum(way != WHOLE)),
        )

    everywhere = []
    for one in forced:
        number = allowed.index(one)
        everywhere.append(point(np.where(np.isfinite(table.handling[number]), number, 0)))
    mixed = []
    for ratio in price_ratio:
        handling = np.where(np.isfinite(table.handling), ratio * table.handling, np.inf)
        cost = coefficients.value_per_w * table.loss_w + handling
        mixed.append(point(np.argmin(cost, axis=0).astype(np.int64)))
    return everywhere, mixed
