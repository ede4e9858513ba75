"""Search for the order of pallets that loses least, by drawn exchanges at a falling heat.

A slot of the sequence is picked and the change of loss is worked out for exchanging its pallet with
that of every other slot of the same size of pallet, or of a pallet left over; one of them, or none,
is drawn with odds that fall with the change and the heat (Gibbs sampling). What a slot asks of its
pallet is linear in a few sums of the pallet that are tabled beforehand, so that a thousand changes
take microseconds. Before that, pallets of unusual size are spread in the sequence so that pallets
begin evenly at all places of a string: that is what gives each pallet the choice of a place.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.allocation.sequence_layout import arrival_sequence, sequence_loss
from arraywright.allocation.sequence_orders import best_of_few, spread_unusual_sizes
from arraywright.allocation.sequence_state import SequenceState
from arraywright.arrays import FloatArray

__all__ = ["SearchedSequence", "search_sequence"]

_HOT: Final = 1.8
_COLD: Final = 0.15
_BETWEEN_SHARE: Final = 0.05
"""Heats are in the variance within pallets and so much of that between them."""
_QUENCH_SHARE: Final = 0.05
_QUENCH_RATIO: Final = 1e-9
_LEAST_HEAT_W: Final = 1e-15
_STARTS_MOST: Final = 24
_ENOUGH_PALLETS: Final = 8000
_FEW: Final = 80
_TRIAL_SWEEPS_LEAST: Final = 40
_SWEEPS_LEAST: Final = 60
_SWEEPS_MOST: Final = 400
_PICKS: Final = 1_200_000
_CHUNKS: Final = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchedSequence:
    """The best order found.

    Attributes:
        sequence: the order.
        loss_w: its second-order loss [W].
    """

    sequence: Sequence
    loss_w: float


def _heat_scale(problem: ClassProblem) -> float:
    """Give the variance within pallets, and a little of that between them [W]."""
    sizes = np.maximum(problem.unit_sizes, 1)
    pallet = np.repeat(np.arange(len(sizes)), problem.unit_sizes)
    mean = np.bincount(pallet, weights=problem.x, minlength=len(sizes)) / sizes
    within = float(np.mean(np.square(problem.x - mean[pallet])))
    return within + _BETWEEN_SHARE * float(np.var(problem.x))


def _heats(sweeps: int) -> FloatArray:
    """Heats of the sweeps in the scale of the class: falling evenly in ratio, then none."""
    cold = np.full(1 + int(_QUENCH_SHARE * sweeps), _QUENCH_RATIO)
    return np.concatenate([np.geomspace(_HOT, _COLD, sweeps), cold])


def _annealed(
    problem: ClassProblem,
    start: Sequence,
    *,
    frozen: int,
    heats_w: FloatArray,
    rng: np.random.Generator,
    tell: Callable[[str, float], None] | None = None,
) -> SearchedSequence:
    """Give the order that exchanges at these heats lead to."""
    state = SequenceState(problem, start, frozen=frozen)
    for number, chunk in enumerate(np.array_split(np.maximum(heats_w, _LEAST_HEAT_W), _CHUNKS)):
        if tell is not None:
            tell("ordering pallets", number / _CHUNKS)
        state.exchange(rng, chunk)
    found = Sequence(units=state.units[: state.slots].copy())
    return _searched(problem, found)


def _searched(problem: ClassProblem, sequence: Sequence) -> SearchedSequence:
    return SearchedSequence(sequence=sequence, loss_w=sequence_loss(problem, sequence).total_w)


def _least(held: list[SearchedSequence]) -> SearchedSequence:
    return min(held, key=lambda one: one.loss_w)


def _usual_sweeps(pallets: int) -> int:
    """Give the sweeps a plan affords: 400 for up to 3,000 pallets, fewer for more."""
    return int(np.clip(_PICKS // max(pallets, 1), _SWEEPS_LEAST, _SWEEPS_MOST))


def search_sequence(
    problem: ClassProblem,
    *,
    seed: int,
    sweeps: int | None = None,
    start: Sequence | None = None,
    frozen: int = 0,
    tell: Callable[[str, float], None] | None = None,
) -> SearchedSequence:
    """Search the order of pallets that loses least to mismatch, never behind the start.

    Small classes are begun several times, with pallets of unusual size spread otherwise. The same
    input and seed give the same order.

    Args:
        problem: the class.
        seed: of what is drawn.
        sweeps: how often each slot is picked, in all; 400 for up to 3,000 pallets and fewer for
            more when None.
        start: order to begin with, the order of arrival when None.
        frozen: pallets at the start of the order that stay.
        tell: told what is done and how far it is, between 0 and 1.

    Raises:
        CallError: there are fewer modules than the strings need.

    Source: geman-geman-1984
    """
    begun = arrival_sequence(problem) if start is None else start
    picks = _usual_sweeps(len(problem.unit_sizes)) if sweeps is None else sweeps
    held = [_searched(problem, begun)]
    if len(begun.units) - frozen < 1 or picks < 1:
        return held[0]
    rng = np.random.default_rng(seed)
    heat_w = _heat_scale(problem)
    chosen = begun
    if start is None:
        chosen = spread_unusual_sizes(problem, begun, frozen=frozen, rng=rng)
        starts = int(np.clip(_ENOUGH_PALLETS // len(begun.units), 1, _STARTS_MOST))
        if starts > 1 and len(np.unique(problem.unit_sizes)) > 1:
            trial_w = heat_w * _heats(min(picks, max(_TRIAL_SWEEPS_LEAST, picks // starts)))
            for turn in range(starts):
                if tell is not None:
                    tell("trying where pallets of unusual size go", turn / starts)
                held.append(_annealed(problem, chosen, frozen=frozen, heats_w=trial_w, rng=rng))
                chosen = spread_unusual_sizes(problem, begun, frozen=frozen, rng=rng)
            chosen = _least(held).sequence
    if len(problem.unit_sizes) <= _FEW:
        chosen = best_of_few(
            problem,
            _least(held).sequence,
            frozen=frozen,
            heat_w=heat_w,
            rng=rng,
        )
        held.append(_searched(problem, chosen))
    heats_w = heat_w * _heats(picks)
    held.append(_annealed(problem, chosen, frozen=frozen, heats_w=heats_w, rng=rng, tell=tell))
    return _least(held)
