"""Single modules sorted by current into strings: what no handling of pallets can do better."""

from __future__ import annotations

from typing import Final

import numpy as np
from numba import njit

from arraywright.arrays import FloatArray, IntArray

__all__ = ["sorted_runs"]

_CHOICES_MAX: Final = 40_000_000


@njit(cache=True)
def _choose_starts(
    sums: FloatArray, squares: FloatArray, lengths: IntArray, step: int, steps: int
) -> IntArray:
    strings = len(lengths)
    own = np.zeros((strings, steps + 1), dtype=np.bool_)
    best = np.zeros(steps + 1)
    base = 0
    for j in range(strings):
        length = lengths[j]
        for s in range(steps + 1):
            start = base + s * step
            total = sums[start + length] - sums[start]
            spread = squares[start + length] - squares[start] - total * total / length
            cost = best[s] + spread
            if s == 0 or cost < best[s - 1]:
                best[s] = cost
                own[j, s] = True
            else:
                best[s] = best[s - 1]
        base += length
    starts = np.empty(strings, dtype=np.int64)
    s = steps
    for j in range(strings - 1, -1, -1):
        base -= lengths[j]
        while not own[j, s]:
            s -= 1
        starts[j] = base + s * step
    return starts


def sorted_runs(imp_a: FloatArray, lengths: IntArray) -> IntArray:
    """Where each string begins among the modules sorted by current, shape (strings,).

    Strings are runs of neighbours in rising order of current; the runs, and so the modules left
    over, are chosen so that the sum of squared deviations within strings is least. For strings of
    one length no other choice of modules has a smaller sum (an optimal grouping of values on a
    line is contiguous); strings of unequal length keep their order. Found by dynamic programming,
    cost (strings x modules left over); where that exceeds 40 million, starts are sought on a
    coarser grid.

    Args:
        imp_a: the modules' current at maximum power in rising order [A], shape (modules,).
        lengths: modules of each string, in total not more than there are, shape (strings,).

    Source: fisher-1958
    """
    if len(lengths) == 0:
        return np.zeros(0, dtype=np.int64)
    spare = len(imp_a) - int(lengths.sum())
    steps_max = max(1, _CHOICES_MAX // len(lengths))
    step = max(1, -(-spare // steps_max))
    centred = imp_a - imp_a.mean()
    zero = np.zeros(1)
    starts: IntArray = _choose_starts(
        np.concatenate([zero, np.cumsum(centred)]),
        np.concatenate([zero, np.cumsum(centred**2)]),
        np.ascontiguousarray(lengths, dtype=np.int64),
        step,
        spare // step,
    )
    return starts
