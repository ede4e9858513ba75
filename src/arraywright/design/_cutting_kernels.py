"""Dynamic programmes of the cutting plan, compiled."""

from __future__ import annotations

from typing import TypeAlias

import numba
import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray, IntArray

__all__: list[str] = []

CountArray: TypeAlias = npt.NDArray[np.int32]


@numba.njit(cache=True)
def _unlimited(value: FloatArray, taken: CountArray, size: int, gain: float) -> None:
    """Take a piece in as often as it fits, in one pass upward."""
    for length in range(size, len(value)):
        other = value[length - size] + gain
        if other > value[length] + 1e-12:
            value[length] = other
            taken[length] = taken[length - size] + 1


@numba.njit(cache=True)
def _limited(value: FloatArray, taken: CountArray, size: int, limit: int, gain: float) -> None:
    """Take a piece in at most so often, in one pass downward."""
    for length in range(len(value) - 1, size - 1, -1):
        best, number = value[length], 0
        for many in range(1, min(limit, length // size) + 1):
            other = value[length - many * size] + many * gain
            if other > best + 1e-12:
                best, number = other, many
        value[length] = best
        taken[length] = number


@numba.njit(cache=True)
def best_values(
    sizes: IntArray, limits: IntArray, worth: FloatArray, capacity: int
) -> tuple[FloatArray, CountArray]:
    """Greatest worth of pieces in every length up to the capacity, and the chosen counts.

    A bounded knapsack. Pieces of ``sizes`` may be taken ``limits`` times each. The result is
    the greatest worth for each length (capacity + 1,) and the counts taken (pieces, capacity + 1)
    so that a plan is read back from the last piece to the first.
    """
    count = len(sizes)
    value = np.zeros(capacity + 1)
    taken = np.zeros((count, capacity + 1), dtype=np.int32)
    for piece in range(count):
        size, limit, gain = sizes[piece], limits[piece], worth[piece]
        if gain <= 0.0 or size > capacity or limit <= 0:
            continue
        if limit * size >= capacity:
            _unlimited(value, taken[piece], size, gain)
        else:
            _limited(value, taken[piece], size, limit, gain)
    return value, taken


@numba.njit(cache=True)
def read_back(sizes: IntArray, taken: CountArray, length: int) -> IntArray:
    """Counts of each piece in the best plan of a length."""
    counts = np.zeros(len(sizes), dtype=np.int64)
    left = length
    for piece in range(len(sizes) - 1, -1, -1):
        number = taken[piece, left]
        counts[piece] = number
        left -= number * sizes[piece]
    return counts
