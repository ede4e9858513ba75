"""Deviations of readings from expectation and from neighbours, with their significance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import stats

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.commissioning.neighbours import local_level

__all__ = ["LOW_SIDE_SHARE", "SHARE_OF_ALARM", "Deviations", "deviations_of"]

LOW_SIDE_SHARE: Final = 0.95
"""Share of the false alarms spent on low readings: nearly every fault lowers voltage or current,
and the one that raises the voltage, a surplus module, is large; common practice."""

SHARE_OF_ALARM: Final[dict[tuple[str, str], float]] = {
    ("voc", "neighbours"): 0.85,
    ("isc", "neighbours"): 0.09,
    ("voc", "expected"): 0.03,
    ("isc", "expected"): 0.03,
}
"""Share of a string's allowed false alarms that each comparison spends; together 1, so that the
sum over the four comparisons stays within what is allowed per string (Bonferroni). Voltage
against neighbours, which sees the smallest faults, gets most."""

_PRIOR_WEIGHT: Final = 4.0
_TRIM_AT: Final = 2.5
_TRIMMED_TO_SIGMA: Final = 1.0476
"""Standard deviation of a normal distribution over that of its part within 2.5 of them."""
_TRIM_PASSES: Final = 4
_TRIM_EFFICIENCY: Final = 0.8
_MAD_TO_SIGMA: Final = 1.482602218505602
_RESTLESS_FACTOR: Final = 1.5
_RESTLESS_NEIGHBOURS: Final = 12
_POOL_LEAST: Final = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Deviations:
    """How readings of one quantity deviate, all (readings,); NaN where not comparable.

    Attributes:
        deviation_ratio: measured over expected, less one [1].
        deviation_u_ratio: standard uncertainty of that, measurement included [1].
        z_expected: deviation in standard uncertainties [1].
        like_ratio: deviation from the neighbours' level [1].
        like_u_ratio: standard uncertainty of that, common parts cancelled [1].
        z_like: deviation from the neighbours in standard uncertainties [1].
        neighbours: neighbours used.
        significant_expected: beyond what chance gives, against the expected value.
        significant_like: beyond what chance gives, against the neighbours.
    """

    deviation_ratio: FloatArray
    deviation_u_ratio: FloatArray
    z_expected: FloatArray
    like_ratio: FloatArray
    like_u_ratio: FloatArray
    z_like: FloatArray
    neighbours: IntArray
    significant_expected: BoolArray
    significant_like: BoolArray


def _alarm_limits(
    false_alarm_ratio: float, degrees_of_freedom: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Limits of a deviation in standard uncertainties [1] below and above, both positive, (n,).

    Two-sided, Student's t; 19 of 20 false alarms are spent on the low side.

    Source: jcgm-100 G.3 for Student's t
    """
    low = stats.t.isf(LOW_SIDE_SHARE * false_alarm_ratio, degrees_of_freedom)
    high = stats.t.isf((1.0 - LOW_SIDE_SHARE) * false_alarm_ratio, degrees_of_freedom)
    return np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64)


def deviations_of(
    deviation_ratio: FloatArray,
    *,
    quantity: str,
    common_u_ratio: FloatArray,
    own_u_ratio: FloatArray,
    meter_u_ratio: FloatArray,
    repeatability_ratio: float,
    valid: BoolArray,
    time_s: FloatArray,
    group: IntArray,
    day: IntArray,
    string_index: IntArray,
    window_s: float,
    false_alarm_ratio: float,
) -> Deviations:
    """Compare readings with their expected values and with their neighbours, as ratios [1].

    Against the expected value the whole uncertainty counts. Against neighbours (same group: type,
    knowledge of the modules, instruments) what all share cancels and each string's own part
    remains; its size is taken from the readings themselves: the robust scatter of all residuals of
    the group and day, blended with the assumed own uncertainty (weight of four
    readings), and where the neighbours of one reading scatter by more than half again, their
    scatter. Limits by Student's t.

    Args:
        deviation_ratio: readings over expected values, less one, NaN where none, (n,).
        quantity: ``voc`` or ``isc``.
        common_u_ratio: standard uncertainty of the expected values that the group shares, (n,).
        own_u_ratio: standard uncertainty of the expected value of one reading alone, (n,).
        meter_u_ratio: standard uncertainty of the meter, of reading, (n,).
        repeatability_ratio: repeatability of the meter.
        valid: readings without gates.
        time_s: moments [s], (n,).
        group: readings that may be compared, (n,).
        day: number of the day, (n,).
        string_index: string of each reading, (n,).
        window_s: greatest distance in time of neighbours [s].
        false_alarm_ratio: false alarms allowed per string, over all comparisons.

    Source: jcgm-100 5.1.2, common-practice for the robust scatter
    """
    count = len(deviation_ratio)
    use = valid & np.isfinite(deviation_ratio)
    deviation = np.where(use, deviation_ratio, np.nan)
    own = np.hypot(own_u_ratio, repeatability_ratio)
    total = np.sqrt(common_u_ratio**2 + own**2 + ((1.0 + deviation) * meter_u_ratio) ** 2)
    z_expected = deviation / total
    steady = np.full(count, 1e6)
    low, high = _alarm_limits(SHARE_OF_ALARM[quantity, "expected"] * false_alarm_ratio, steady)

    like = np.full(count, np.nan)
    like_u = np.full(count, np.nan)
    freedom = np.full(count, _PRIOR_WEIGHT)
    neighbours = np.zeros(count, dtype=np.int64)
    rows = np.flatnonzero(use)
    if len(rows):
        near = local_level(
            deviation[rows],
            time_s[rows],
            group=group[rows],
            string=string_index[rows],
            window_s=window_s,
        )
        residual = (deviation[rows] - near.level) / (
            own[rows] * np.sqrt(1.0 + near.variance_factor)
        )
        factor, degrees = _pooled_factor(residual, group=group[rows], day=day[rows])
        restless = (near.neighbours >= _RESTLESS_NEIGHBOURS) & (
            near.scatter > _RESTLESS_FACTOR * factor * own[rows]
        )
        sigma = np.where(restless, near.scatter, factor * own[rows])
        sigma = np.maximum(sigma, repeatability_ratio)
        like[rows] = deviation[rows] - near.level
        like_u[rows] = sigma * np.sqrt(1.0 + near.variance_factor)
        freedom[rows] = degrees
        neighbours[rows] = near.neighbours
    z_like = like / like_u
    low_like, high_like = _alarm_limits(
        SHARE_OF_ALARM[quantity, "neighbours"] * false_alarm_ratio, freedom
    )
    return Deviations(
        deviation_ratio=deviation,
        deviation_u_ratio=total,
        z_expected=z_expected,
        like_ratio=like,
        like_u_ratio=like_u,
        z_like=z_like,
        neighbours=neighbours,
        significant_expected=(z_expected < -low) | (z_expected > high),
        significant_like=(z_like < -low_like) | (z_like > high_like),
    )


def _pooled_factor(
    residual: FloatArray, *, group: IntArray, day: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Observed over assumed own scatter [1], and degrees of freedom, of each reading, (n,).

    Pools of at least twenty residuals of one group and day, else of the whole group.
    """
    factor = np.ones(len(residual))
    degrees = np.full(len(residual), _PRIOR_WEIGHT)
    sound = np.isfinite(residual)
    for keys in (group, _paired(group, day)):
        pools, inverse = np.unique(keys, return_inverse=True)
        order = np.argsort(inverse, kind="stable")
        edges = np.searchsorted(inverse[order], np.arange(len(pools) + 1))
        for pool in range(len(pools)):
            members = order[edges[pool] : edges[pool + 1]]
            held = residual[members[sound[members]]]
            if len(held) < (_POOL_LEAST if keys is not group else 1):
                continue
            spread = _robust_spread(held)
            weight = _TRIM_EFFICIENCY * len(held)
            factor[members] = np.sqrt(
                (_PRIOR_WEIGHT + weight * spread**2) / (_PRIOR_WEIGHT + weight)
            )
            degrees[members] = _PRIOR_WEIGHT + weight
    return factor, degrees


def _robust_spread(residual: FloatArray) -> float:
    """Scatter of residuals about zero [1]: what is left within 2.5 times itself.

    Starts from the median absolute deviation, so that faults among the readings do not widen it,
    and ends with the efficiency of a standard deviation.
    """
    spread = _MAD_TO_SIGMA * float(np.median(np.abs(residual)))
    for _ in range(_TRIM_PASSES):
        kept = residual[np.abs(residual) <= _TRIM_AT * spread]
        if len(kept) == 0:
            break
        spread = _TRIMMED_TO_SIGMA * float(np.sqrt(np.mean(np.square(kept))))
    return spread


def _paired(group: IntArray, day: IntArray) -> IntArray:
    """One number for each pair of group and day."""
    _, days = np.unique(day, return_inverse=True)
    return group * (int(days.max(initial=0)) + 1) + days
