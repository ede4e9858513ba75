"""Sweeps up and down in voltage: the hysteresis that the capacitance of cells makes."""

from __future__ import annotations

from typing import Final

import numpy as np
from numba import njit

from arraywright.arrays import FloatArray, IntArray

__all__ = ["HYSTERESIS_MAX_RATIO", "sweep_hysteresis"]

HYSTERESIS_MAX_RATIO: Final = 0.01
"""Greatest difference of the maximum power of two sweeps over their mean; common practice."""

_LEAST_POINTS: Final = 8


def sweep_hysteresis(
    voltage_v: FloatArray, current_a: FloatArray, *, time_s: FloatArray, offsets: IntArray
) -> FloatArray:
    """Difference of the maximum power of rising and falling sweep over their mean [1].

    A sweep that rises in voltage charges the cells and shows too little current, a falling one
    too much; where both are there and agree, neither is disturbed. The largest power of each
    direction is taken from the points between which the voltage rises, or falls, in time. NaN
    where no time is given or only one direction was swept: one fast sweep alone cannot show
    whether the cells followed it.

    Args:
        voltage_v: voltages of all points, flat.
        current_a: currents, same shape.
        time_s: time of each point since the sweep began [s], same shape.
        offsets: where each curve begins, (curves + 1,).

    Source: common-practice
    """
    found: FloatArray = _hysteresis(
        np.ascontiguousarray(voltage_v, dtype=np.float64),
        np.ascontiguousarray(current_a, dtype=np.float64),
        np.ascontiguousarray(time_s, dtype=np.float64),
        np.ascontiguousarray(offsets, dtype=np.int64),
    )
    return found


@njit(cache=True)
def _hysteresis(
    voltage_v: FloatArray, current_a: FloatArray, time_s: FloatArray, offsets: IntArray
) -> FloatArray:
    out = np.full(len(offsets) - 1, np.nan)
    for curve in range(len(offsets) - 1):
        whole = slice(offsets[curve], offsets[curve + 1])
        v, i, t = voltage_v[whole], current_a[whole], time_s[whole]
        if not np.all(np.isfinite(t)) or len(t) < 2 * _LEAST_POINTS:
            continue
        order = np.argsort(t, kind="mergesort")
        ups = downs = 0
        most_up = most_down = 0.0
        for k in range(1, len(order)):
            here, before = order[k], order[k - 1]
            if t[here] == t[before]:
                continue
            power = v[here] * i[here]
            if v[here] > v[before]:
                ups += 1
                most_up = max(most_up, power)
            elif v[here] < v[before]:
                downs += 1
                most_down = max(most_down, power)
        # single points that fall back within a rising sweep are noise, not a sweep
        if min(ups, downs) >= max(_LEAST_POINTS, len(t) // 4) and most_up + most_down > 0.0:
            out[curve] = (most_up - most_down) / (0.5 * (most_up + most_down))
    return out
