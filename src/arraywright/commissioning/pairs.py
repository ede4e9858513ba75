"""Readings whose labels look swapped: that of one string fits another, and the reverse."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.arrays import FloatArray, IntArray
from arraywright.commissioning.session_noise import log_density

__all__ = ["SwappedPairs", "swapped_pairs"]

_REACH: Final = 24
"""Places in a list of suspects within which a partner is looked for."""
_NEAR_READINGS: Final = 24
_SUSPECT_FROM: Final = 0.3
_TOLD_FROM: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class SwappedPairs:
    """Pairs of readings that look swapped, the likeliest first, all (pairs,).

    Attributes:
        first: place of one reading among those given.
        second: place of the other.
        probability: that the two labels are swapped, against each reading explained alone [1].
    """

    first: IntArray
    second: IntArray
    probability: FloatArray


def swapped_pairs(
    residual_ratio: FloatArray,
    *,
    variance_ratio: FloatArray,
    degrees_of_freedom: FloatArray,
    nominal_log_ratio: FloatArray,
    sound_ratio: FloatArray,
    sound_share_ratio: float,
    label_share_ratio: float,
    box: IntArray,
    group: IntArray,
    turn: IntArray,
) -> SwappedPairs:
    """Propose pairs of swapped labels, each reading in one pair at most.

    With both labels exchanged the residuals are
    ``r_A + ln(nominal_A / nominal_B)`` and ``r_B + ln(nominal_B / nominal_A)``; the log odds of
    the exchange are their log densities and that of the prior, less the log densities of both
    readings over all causes, ``ln(share_none f(r)) - ln P(none)``.

    Only readings less than 0.7 likely to be sound are looked at, and only partners in the same
    combiner box, or of the same crew within 24 readings, so that the search grows with the
    number of suspects and not with its square.

    Args:
        residual_ratio: readings less the shared level, nan where missing, (channels, n).
        variance_ratio: variance of a sound reading's residual, (channels, n).
        degrees_of_freedom: of the scatter of each channel, (channels,).
        nominal_log_ratio: logarithm of what the string gives at STC, (channels, n).
        sound_ratio: probability that string and reading are sound, (n,).
        sound_share_ratio: share of strings without a cause.
        label_share_ratio: share of readings under a wrong name, before the session.
        box: number of the combiner box of each reading's string, negative for none, (n,).
        group: readings of one group share instruments and a day, (n,).
        turn: place of each reading in the order of its group, (n,).

    Source: common-practice
    """
    suspects = np.flatnonzero(sound_ratio < 1.0 - _SUSPECT_FROM)
    left, right = _candidates(suspects, box=box, group=group, turn=turn)
    nothing = np.zeros(0, dtype=np.int64)
    if len(left) == 0:
        return SwappedPairs(first=nothing, second=nothing, probability=np.zeros(0))
    degrees = degrees_of_freedom[:, None]

    def density(residual: FloatArray, rows: IntArray) -> FloatArray:
        held = log_density(residual, variance_ratio[:, rows], degrees_of_freedom=degrees)
        return np.asarray(np.where(np.isfinite(residual), held, 0.0).sum(axis=0))

    def alone(rows: IntArray) -> FloatArray:
        sound = np.log(np.maximum(sound_ratio[rows], 1e-300))
        found = density(residual_ratio[:, rows], rows) + np.log(sound_share_ratio) - sound
        return np.asarray(found)

    apart = nominal_log_ratio[:, left] - nominal_log_ratio[:, right]
    together = density(residual_ratio[:, left] + apart, left)
    together += density(residual_ratio[:, right] - apart, right)
    odds = together + np.log(label_share_ratio / _NEAR_READINGS) - alone(left) - alone(right)
    chance = 1.0 / (1.0 + np.exp(-np.clip(odds, -50.0, 50.0)))
    best = np.lexsort((right, left, -odds))
    taken: set[int] = set()
    kept: list[int] = []
    for place in best[chance[best] > _TOLD_FROM].tolist():
        a, b = int(left[place]), int(right[place])
        if a not in taken and b not in taken:
            taken |= {a, b}
            kept.append(place)
    rows = np.array(kept, dtype=np.int64)
    return SwappedPairs(first=left[rows], second=right[rows], probability=chance[rows])


def _candidates(
    suspects: IntArray, *, box: IntArray, group: IntArray, turn: IntArray
) -> tuple[IntArray, IntArray]:
    """Pairs of suspects near each other in the field or in time, each once, the lower first."""
    pairs: list[IntArray] = []
    boxed = suspects[box[suspects] >= 0]
    for order, near in (
        (boxed[np.lexsort((turn[boxed], box[boxed]))], box),
        (suspects[np.lexsort((turn[suspects], group[suspects]))], group),
    ):
        for step in range(1, min(_REACH, len(order) - 1) + 1):
            a, b = order[:-step], order[step:]
            alike = near[a] == near[b]
            if near is group:
                alike &= np.abs(turn[a] - turn[b]) <= _NEAR_READINGS
            pairs.append(np.sort(np.stack([a[alike], b[alike]]), axis=0))
    if not pairs:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    held = np.unique(np.concatenate(pairs, axis=1), axis=1)
    return held[0], held[1]
