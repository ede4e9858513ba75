"""The local level of readings taken close in time, robust against the faults among them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numba
import numpy as np

from arraywright.arrays import FloatArray, IntArray

__all__ = ["MIN_NEIGHBOURS", "LocalLevel", "local_level"]

MIN_NEIGHBOURS: Final = 5
"""Fewer neighbours than this carry no verdict: two faulty ones could be the majority."""

_MAX_NEIGHBOURS: Final = 80
_MIN_FOR_SLOPE: Final = 10
_MAD_TO_SIGMA: Final = 1.482602218505602
_BIWEIGHT: Final = 4.685
_PASSES: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalLevel:
    """What the neighbours of each reading say it should be.

    Attributes:
        level: robust level at the moment of the reading, NaN with too few neighbours, (n,).
        variance_factor: variance of the level over the variance of one neighbour, (n,).
        scatter: robust standard deviation of the neighbours about their level, (n,).
        neighbours: readings of other strings that were used, (n,).
    """

    level: FloatArray
    variance_factor: FloatArray
    scatter: FloatArray
    neighbours: IntArray


def local_level(
    deviation_ratio: FloatArray,
    time_s: FloatArray,
    *,
    group: IntArray,
    string: IntArray,
    window_s: float,
) -> LocalLevel:
    """Robust local level [1] of the deviation of each reading, from its neighbours in time.

    Neighbours are the at most 80 readings nearest in time, of the same group, of other strings,
    within the window. Their level is a straight line in time fitted by iteratively reweighted
    least squares with the biweight (tuning constant 4.685, scale from the median absolute
    deviation, started from the median of the neighbours), evaluated at the moment of the
    reading; a constant where fewer than ten neighbours or neighbours on one side only would make
    a slope an extrapolation. The median makes the start resist up to half the neighbours being
    faulty.

    Args:
        deviation_ratio: deviations of the readings, (n,), finite.
        time_s: moments [s], (n,), in any order.
        group: readings with equal numbers may be compared, (n,).
        string: number of the string each reading is of, (n,).
        window_s: greatest distance in time of a neighbour [s].

    Source: common-practice
    """
    order = np.lexsort((string, deviation_ratio, time_s, group))
    level, factor, scatter, count = _levels(
        np.ascontiguousarray(deviation_ratio[order], dtype=np.float64),
        np.ascontiguousarray(time_s[order], dtype=np.float64),
        np.ascontiguousarray(group[order], dtype=np.int64),
        np.ascontiguousarray(string[order], dtype=np.int64),
        float(window_s),
    )
    back = np.empty(len(order), dtype=np.int64)
    back[order] = np.arange(len(order))
    return LocalLevel(
        level=level[back],
        variance_factor=factor[back],
        scatter=scatter[back],
        neighbours=count[back],
    )


@numba.njit(cache=True)
def _gather(
    centre: int,
    time_s: FloatArray,
    group: IntArray,
    string: IntArray,
    window_s: float,
    picked: IntArray,
) -> int:
    """Write the places of the nearest neighbours in time into ``picked``; give their number."""
    left, right, count = centre - 1, centre + 1, 0
    rows = len(time_s)
    while count < len(picked):
        left_gap = right_gap = np.inf
        if left >= 0 and group[left] == group[centre]:
            left_gap = time_s[centre] - time_s[left]
        if right < rows and group[right] == group[centre]:
            right_gap = time_s[right] - time_s[centre]
        if min(left_gap, right_gap) > window_s:
            break
        if left_gap <= right_gap:
            candidate = left
            left -= 1
        else:
            candidate = right
            right += 1
        if string[candidate] != string[centre]:
            picked[count] = candidate
            count += 1
    return count


@numba.njit(cache=True)
def _fit(value: FloatArray, shift_s: FloatArray, slopes: int) -> tuple[float, float, float]:
    """Level at shift 0, its variance factor and the scatter, with as many slopes (0 or 1)."""
    level = float(np.median(value))
    slope = 0.0
    factor = 1.5707963267948966 / len(value)
    scatter = 0.0
    for _ in range(_PASSES):
        residual = value - level - slope * shift_s
        scatter = _MAD_TO_SIGMA * float(np.median(np.abs(residual)))
        if scatter <= 1e-12:
            break
        s0 = s1 = s2 = r0 = r1 = 0.0
        for place in range(len(value)):
            reach = residual[place] / (_BIWEIGHT * scatter)
            if abs(reach) >= 1.0:
                continue
            weight = (1.0 - reach * reach) ** 2
            s0 += weight
            s1 += weight * shift_s[place]
            s2 += weight * shift_s[place] ** 2
            r0 += weight * value[place]
            r1 += weight * value[place] * shift_s[place]
        determinant = s0 * s2 - s1 * s1
        if slopes > 0 and determinant > 1e-9 * s0 * s0:
            level = (s2 * r0 - s1 * r1) / determinant
            slope = (s0 * r1 - s1 * r0) / determinant
            factor = 1.05 * s2 / determinant
        else:
            level = r0 / s0
            slope = 0.0
            factor = 1.05 / s0
    return level, factor, scatter


@numba.njit(cache=True)
def _levels(
    value: FloatArray, time_s: FloatArray, group: IntArray, string: IntArray, window_s: float
) -> tuple[FloatArray, FloatArray, FloatArray, IntArray]:
    """Local level, variance factor, scatter and count of rows sorted by group and time."""
    rows = len(value)
    level = np.full(rows, np.nan)
    factor = np.full(rows, np.nan)
    scatter = np.full(rows, np.nan)
    count = np.zeros(rows, dtype=np.int64)
    picked = np.empty(_MAX_NEIGHBOURS, dtype=np.int64)
    for centre in range(rows):
        found = _gather(centre, time_s, group, string, window_s, picked)
        count[centre] = found
        if found < MIN_NEIGHBOURS:
            continue
        near_value = np.empty(found)
        shift_s = np.empty(found)
        before = 0
        for place in range(found):
            near_value[place] = value[picked[place]]
            shift_s[place] = time_s[picked[place]] - time_s[centre]
            if shift_s[place] < 0.0:
                before += 1
        slopes = int(found >= _MIN_FOR_SLOPE and before >= 3 and found - before >= 3)
        level[centre], factor[centre], scatter[centre] = _fit(near_value, shift_s, slopes)
    return level, factor, scatter, count
