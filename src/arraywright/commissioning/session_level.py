"""The level all readings of a session share, which drifts: a robust smoother of one channel."""

# mypy: disable-error-code="untyped-decorator,no-untyped-def"

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numba
import numpy as np

from arraywright.arrays import FloatArray, IntArray

__all__ = ["Level", "leave_one_out_level"]

_WIDE: Final = 1e4
"""Variance of the level before the first reading, in squared units of the channel's scatter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What the other readings say the level is at the moment of each reading, all (n,).

    Attributes:
        level: level from all other readings of the group [1].
        variance: its variance [1].
    """

    level: FloatArray
    variance: FloatArray


@numba.njit(cache=True)
def _smooth(time_s, value, variance, group, drift_per_s, wide):  # pragma: no cover - compiled
    """Forward and backward predictions of a random walk; each leaves the reading itself out."""
    n = len(value)
    level = np.empty(n)
    left = np.empty(n)
    mean, spread = 0.0, wide
    for i in range(n):
        if i == 0 or group[i] != group[i - 1]:
            mean, spread = 0.0, wide
        else:
            spread = min(wide, spread + drift_per_s * (time_s[i] - time_s[i - 1]))
        level[i], left[i] = mean, spread
        if np.isfinite(variance[i]):
            gain = spread / (spread + variance[i])
            mean += gain * (value[i] - mean)
            spread *= 1.0 - gain
    mean, spread = 0.0, wide
    for i in range(n - 1, -1, -1):
        if i == n - 1 or group[i] != group[i + 1]:
            mean, spread = 0.0, wide
        else:
            spread = min(wide, spread + drift_per_s * (time_s[i + 1] - time_s[i]))
        # two independent predictions of one level, from before and from after
        total = left[i] + spread
        level[i] = (level[i] * spread + mean * left[i]) / total
        left[i] = left[i] * spread / total
        if np.isfinite(variance[i]):
            gain = spread / (spread + variance[i])
            mean += gain * (value[i] - mean)
            spread *= 1.0 - gain
    return level, left


def leave_one_out_level(
    deviation_ratio: FloatArray,
    *,
    time_s: FloatArray,
    variance_ratio: FloatArray,
    group: IntArray,
    drift_variance_ratio: float,
) -> Level:
    """Level at each reading from all others of its group, a random walk in time.

    ``level(t + dt) - level(t) ~ N(0, drift_variance_ratio dt)``; ``reading = level + error`` with
    the given variance of the error. The forward and the backward prediction at a reading rest on
    disjoint readings and are joined by their inverse variances; the reading itself is in neither.
    Readings of infinite variance tell nothing about the level. A group without other readings
    keeps a variance so wide that nothing is significant.

    Args:
        deviation_ratio: readings of the channel, ``ln(measured / expected)``, finite, (n,),
            sorted by group, then time.
        time_s: moments [s], (n,).
        variance_ratio: variance of each reading's own error, (n,); infinite to leave it out.
        group: readings of one group share a level, (n,).
        drift_variance_ratio: variance the level gains in a second.

    Source: durbin-koopman-2012 2.2 to 2.4 (local level model), joined as two-filter smoother
    """
    told = variance_ratio[np.isfinite(variance_ratio)]
    scale = float(np.median(told)) if len(told) else 1.0
    level, spread = _smooth(
        np.ascontiguousarray(time_s, dtype=np.float64),
        np.ascontiguousarray(deviation_ratio, dtype=np.float64),
        np.ascontiguousarray(variance_ratio, dtype=np.float64),
        np.ascontiguousarray(group, dtype=np.int64),
        float(drift_variance_ratio),
        _WIDE * max(scale, 1e-12),
    )
    return Level(level=level, variance=spread)
