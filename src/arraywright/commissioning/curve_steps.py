"""Steps in measured curves: where bypass diodes conduct because modules or sub-strings differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numba
import numpy as np

from arraywright.arrays import FloatArray, IntArray

__all__ = ["CurveSteps", "curve_steps"]

_FLAT_BELOW: Final = 0.7
_MAD_TO_SIGMA: Final = 1.482602218505602


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveSteps:
    """The deepest step of each curve, all (curves,).

    Attributes:
        depth_ratio: how far the curve lies inside its concave hull, in units of the greatest
            current and voltage [1]; a sound curve is concave and has next to none. A single
            stray point makes no step.
        at_voltage_v: voltage at which that is [V].
        at_current_a: current at which that is [A].
        noise_ratio: noise of the current from point to point on the flat side, over the greatest
            current [1].
    """

    depth_ratio: FloatArray
    at_voltage_v: FloatArray
    at_current_a: FloatArray
    noise_ratio: FloatArray


def curve_steps(voltage_v: FloatArray, current_a: FloatArray, *, offsets: IntArray) -> CurveSteps:
    """Depth [1] and voltage [V] of the deepest step of each curve.

    The current of like cells in series falls ever faster with voltage: the curve is concave. Where
    part of a string has less current, its bypass diodes make a step, and the curve lies below the
    straight lines that span it. The depth is the distance from those lines with current and voltage
    each divided by their greatest value, so that noise on the steep end counts as little as noise
    on the flat one.

    Args:
        voltage_v: voltages of all points, flat, rising within each curve.
        current_a: currents, same shape.
        offsets: curve ``i`` is ``flat[offsets[i]:offsets[i + 1]]``, (curves + 1,).

    Source: common-practice
    """
    depth, at_v, at_i, noise = _deepest(
        np.ascontiguousarray(voltage_v, dtype=np.float64),
        np.ascontiguousarray(current_a, dtype=np.float64),
        np.ascontiguousarray(offsets, dtype=np.int64),
    )
    return CurveSteps(depth_ratio=depth, at_voltage_v=at_v, at_current_a=at_i, noise_ratio=noise)


@numba.njit(cache=True)
def _upper_hull(v: FloatArray, i: FloatArray, hull: IntArray) -> int:
    """Write the places of the upper concave hull into ``hull``; give their number."""
    size = 0
    for point in range(len(v)):
        while size >= 2:
            first, last = hull[size - 2], hull[size - 1]
            turn = (v[last] - v[first]) * (i[point] - i[first]) - (i[last] - i[first]) * (
                v[point] - v[first]
            )
            if turn < 0.0:
                break
            size -= 1
        hull[size] = point
        size += 1
    return size


@numba.njit(cache=True)
def _without_strays(i: FloatArray) -> FloatArray:
    """Median of each current and its two neighbours: falling currents stay as they are."""
    out = i.copy()
    for point in range(1, len(i) - 1):
        low, high = min(i[point - 1], i[point + 1]), max(i[point - 1], i[point + 1])
        out[point] = min(max(i[point], low), high)
    return out


@numba.njit(cache=True)
def _noise(v: FloatArray, i: FloatArray) -> float:
    """Noise from the median second difference of the current where the curve is flat."""
    bends = np.abs(i[:-2] - 2.0 * i[1:-1] + i[2:])[v[1:-1] < _FLAT_BELOW]
    if len(bends) < 3:
        return 0.0
    # a second difference of independent noise has a variance six times as large
    return float(_MAD_TO_SIGMA * np.median(bends) / np.sqrt(6.0))


@numba.njit(cache=True)
def _deepest(
    voltage_v: FloatArray, current_a: FloatArray, offsets: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Deepest place below the hull of each curve, its voltage and current, and the noise."""
    curves = len(offsets) - 1
    depth = np.full(curves, np.nan)
    at_v = np.full(curves, np.nan)
    at_i = np.full(curves, np.nan)
    noise = np.full(curves, np.nan)
    for curve in range(curves):
        v = voltage_v[offsets[curve] : offsets[curve + 1]]
        i = current_a[offsets[curve] : offsets[curve + 1]]
        if len(v) < 3 or not (np.max(i) > 0.0 and np.max(v) > 0.0):
            continue
        most_i, most_v = np.max(i), np.max(v)
        noise[curve] = _noise(v / most_v, i / most_i)
        i = _without_strays(i)
        hull = np.empty(len(v), dtype=np.int64)
        size = _upper_hull(v, i, hull)
        deepest = 0.0
        place = 0
        for side in range(size - 1):
            low, high = hull[side], hull[side + 1]
            across, down = (v[high] - v[low]) / most_v, (i[high] - i[low]) / most_i
            length = np.sqrt(across * across + down * down)
            if length <= 0.0:
                continue
            for point in range(low + 1, high):
                along_v, along_i = (v[point] - v[low]) / most_v, (i[point] - i[low]) / most_i
                inside = (down * along_v - across * along_i) / length
                if inside > deepest:
                    deepest = inside
                    place = point
        depth[curve] = deepest
        at_v[curve] = v[place]
        at_i[curve] = i[place]
    return depth, at_v, at_i, noise
