"""Changes of whole orders: spread pallets of unusual size, and search among few pallets freely."""

from __future__ import annotations

from typing import Final

import numpy as np

from arraywright.allocation._reorder_kernels import reorder, spread_sizes
from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.allocation.sequence_layout import is_in_time, latest_days, sequence_loss
from arraywright.allocation.sequence_state import SequenceState

__all__ = ["best_of_few", "spread_unusual_sizes"]

_SPREAD_TRIES: Final = 4000
_SPREAD_HEAT_RATIO: Final = 0.05
_ODD_SHARE_MOST: Final = 0.5
_AHEAD_LEAST: Final = 20.0
_WINDOWS_MOST: Final = 20
_TINY: Final = 20
_TINY_RUNS: Final = 10
_MOVES: Final = 2500
_HOT: Final = 8.0
_COLD: Final = 0.1
_LEAST_HEAT_W: Final = 1e-15


def spread_unusual_sizes(
    problem: ClassProblem, start: Sequence, *, frozen: int, rng: np.random.Generator
) -> Sequence:
    """Spread pallets of unusual size over the sequence so that pallets begin evenly everywhere.

    A pallet shorter than the others moves all behind it to other places of their strings. In the
    order of arrival some places may come up much more often than others, which leaves pallets
    little choice. Which lie where is drawn; no pallet gets late. Where more than half are unusual
    the start is given back.

    Args:
        problem: the class.
        start: order to begin with, in time.
        frozen: pallets at its start that stay.
        rng: what is drawn with.
    """
    sizes = problem.unit_sizes
    usual = int(np.bincount(sizes).argmax())
    odd = np.flatnonzero(sizes != usual)
    fixed = np.isin(odd, start.units[:frozen])
    odd = odd[~fixed]
    if len(odd) == 0 or len(odd) > _ODD_SHARE_MOST * len(sizes):
        return start
    lengths = np.unique(problem.string_modules)
    of_kind = np.searchsorted(lengths, problem.string_modules)
    state_of = np.concatenate([[0], np.cumsum(lengths)])
    total = int(problem.string_modules.sum())
    state_at = np.arange(total) - np.repeat(
        np.cumsum(problem.string_modules) - problem.string_modules - state_of[of_kind],
        problem.string_modules,
    )
    slots = total / float(sizes.mean())
    wanted = slots * np.bincount(state_at, minlength=int(state_of[-1])) / total
    latest_at = latest_days(problem, np.arange(total))
    here = np.searchsorted(np.sort(problem.unit_day), latest_at, side="right")
    ahead = max(_AHEAD_LEAST, float(np.median(here - np.arange(total) / float(sizes.mean()))))
    windows = int(np.clip(len(sizes) / ahead / 1.5, 1, _WINDOWS_MOST))
    left = np.setdiff1d(np.arange(len(sizes)), start.units)
    order = np.concatenate([start.units, left]).astype(np.int64)
    spread_sizes(
        rng,
        order,
        frozen,
        odd.astype(np.int64),
        usual,
        sizes,
        state_at.astype(np.int64),
        latest_at,
        problem.unit_day,
        wanted,
        windows,
        _SPREAD_TRIES,
        _SPREAD_HEAT_RATIO,
    )
    count = int(np.searchsorted(np.cumsum(sizes[order]), total)) + 1
    found = Sequence(units=order[:count])
    return found if is_in_time(problem, found) else start


def best_of_few(
    problem: ClassProblem,
    start: Sequence,
    *,
    frozen: int,
    heat_w: float,
    rng: np.random.Generator,
) -> Sequence:
    """Search all orders of few pallets, of whatever size, and give the best.

    Two pallets are exchanged, one is put elsewhere, or a run is turned round, also with those left
    over; the whole loss is worked out anew for each.

    Args:
        problem: the class.
        start: order to begin with, never fallen behind.
        frozen: pallets at its start that stay.
        heat_w: heat that makes worse orders likely [W].
        rng: what is drawn with.
    """
    state = SequenceState(problem, start, frozen=frozen)
    latest_at = latest_days(problem, np.arange(int(problem.string_modules.sum())))
    best, least_w = start, sequence_loss(problem, start).total_w
    for _ in range(_TINY_RUNS if len(state.units) <= _TINY else 1):
        order = state.units.copy()
        reorder(
            rng,
            order,
            frozen,
            _MOVES * len(order),
            max(_HOT * heat_w, _LEAST_HEAT_W),
            max(_COLD * heat_w, _LEAST_HEAT_W),
            problem.unit_sizes,
            state.pallets.x,
            state.pallets.y,
            state.pallets.squares,
            problem.string_modules,
            state.cuts.string_input,
            state.cuts.inverse_alike,
            latest_at,
            problem.unit_day,
        )
        reach = np.cumsum(problem.unit_sizes[order])
        count = int(np.searchsorted(reach, int(problem.string_modules.sum()))) + 1
        found = Sequence(units=order[:count])
        loss_w = sequence_loss(problem, found).total_w
        if loss_w < least_w:
            best, least_w = found, loss_w
    return best
