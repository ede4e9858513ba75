"""Which pallet gives how many modules at which drop point, within one class.

A pallet opening is a pallet set down and opened at a drop point: a pallet from which modules are
taken at two drop points counts twice, because it must be made fast again, carried and set down
again while it is open. What is left on an opened pallet costs no opening.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.allocation.stock import Supply
from arraywright.arrays import FloatArray, IntArray

__all__ = ["Flow", "best_flow", "flow_in_order", "flow_kept_together", "least_openings"]

_LOOK_AHEAD: Final = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """Modules taken from units at drop points, row after row in the order of taking.

    Attributes:
        unit: unit (what one pallet holds of one class).
        drop: drop point.
        count: modules taken.
    """

    unit: IntArray
    drop: IntArray
    count: IntArray


def _flow(rows: list[tuple[int, int, int]]) -> Flow:
    table = np.array(rows, dtype=np.int64).reshape(-1, 3)
    return Flow(unit=table[:, 1].copy(), drop=table[:, 0].copy(), count=table[:, 2].copy())


def flow_in_order(units: IntArray, sizes: IntArray, *, drops: IntArray, demands: IntArray) -> Flow:
    """Empty pallet after pallet in the given order, drop point after drop point.

    ``sizes`` are the modules of ``units``; ``demands`` those needed at ``drops``, in total not
    more than there are.
    """
    pallet_ends, drop_ends = np.cumsum(sizes), np.cumsum(demands)
    total = int(drop_ends[-1]) if len(drop_ends) else 0
    cuts = np.union1d(pallet_ends[pallet_ends < total], drop_ends)
    starts = np.concatenate([np.zeros(1, dtype=np.int64), cuts[:-1]]) if len(cuts) else cuts
    return Flow(
        unit=units[np.searchsorted(pallet_ends, starts, side="right")],
        drop=drops[np.searchsorted(drop_ends, starts, side="right")],
        count=cuts - starts,
    )


class _Opened:
    """Pallets opened already, by what is left on them."""

    def __init__(self) -> None:
        self._left: list[tuple[int, int]] = []

    def __bool__(self) -> bool:
        return bool(self._left)

    def put(self, left: int, unit: int) -> None:
        if left > 0:
            insort(self._left, (left, unit))

    def fitting(self, need: int) -> tuple[int, int] | None:
        """Take the pallet that holds just enough, or None."""
        place = bisect_left(self._left, (need, -1))
        return self._left.pop(place) if place < len(self._left) else None

    def largest(self) -> tuple[int, int]:
        return self._left.pop()


def _next_pallet(fresh: list[tuple[int, int]], opened: _Opened, need: int) -> tuple[int, int]:
    """Choose the pallet to open next; the next fresh one is the last of ``fresh``."""
    if fresh and fresh[-1][0] == need:
        return fresh.pop()
    fit = opened.fitting(need)
    if fit is not None:
        return fit
    for back in range(1, min(len(fresh), _LOOK_AHEAD) + 1):
        if fresh[-back][0] >= need:
            return fresh.pop(-back)
    return fresh.pop() if fresh else opened.largest()


def flow_kept_together(
    units: IntArray, sizes: IntArray, *, drops: IntArray, demands: IntArray
) -> Flow:
    """Give each drop point whole pallets, and its remainder from an opened pallet that suffices.

    Whole pallets go in the given order (by mean current, so that neighbours match). The remainder
    comes from the opened pallet that holds just enough, else from one of the next fresh pallets
    that suffices, else, where none is left, from several opened ones. Pallets with less than half
    of a full one count as opened from the start.
    """
    opened = _Opened()
    rows: list[tuple[int, int, int]] = []
    largest = int(sizes.max(initial=0))
    fresh: list[tuple[int, int]] = []
    for unit, size in zip(units.tolist(), sizes.tolist(), strict=True):
        if 2 * size < largest:
            opened.put(size, unit)
        else:
            fresh.append((size, unit))
    fresh.reverse()
    for drop, demand in zip(drops.tolist(), demands.tolist(), strict=True):
        need = demand
        while need > 0:
            size, unit = _next_pallet(fresh, opened, need)
            count = min(size, need)
            rows.append((drop, unit, count))
            opened.put(size - count, unit)
            need -= count
    return _flow(rows)


def _by_current(flow: Flow, mean_imp_a: FloatArray) -> Flow:
    """Bring the pallets of each drop point into the order of their mean current."""
    order = np.lexsort((flow.unit, mean_imp_a[flow.unit], flow.drop))
    return Flow(unit=flow.unit[order], drop=flow.drop[order], count=flow.count[order])


def best_flow(supply: Supply, class_index: int, *, drops: IntArray, demands: IntArray) -> Flow:
    """Give the flow with fewest openings among those tried; pallets of like current neighbour.

    Drop points stand in building order. Tried are whole pallets by mean current and by arrival,
    and emptying pallet after pallet in both orders.
    """
    units = supply.units_of(class_index)
    sizes = supply.unit_sizes
    by_current = units[np.lexsort((units, supply.unit_mean_imp_a[units]))]
    best: Flow | None = None
    for order in (by_current, units):
        for give in (flow_kept_together, flow_in_order):
            flow = give(order, sizes[order], drops=drops, demands=demands)
            if best is None or len(flow.unit) < len(best.unit):
                best = flow
    if best is None:  # pragma: no cover - the loop above always gives one
        raise AssertionError
    return _by_current(best, supply.unit_mean_imp_a)


def least_openings(sizes: IntArray, demands: IntArray) -> int:
    """Give a number of openings that no allocation of these demands can go below.

    At each drop point at least so many pallets are opened as the fullest ones would suffice.
    """
    reach = np.cumsum(np.sort(sizes)[::-1])
    return int(np.sum(np.searchsorted(reach, demands[demands > 0], side="left") + 1))
