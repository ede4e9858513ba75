"""Search for the order of pallets that loses least, by exact exchanges among many at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import permutations
from typing import Final

import numpy as np
from scipy.optimize import linear_sum_assignment

from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.allocation.sequence_layout import (
    Layout,
    arrival_sequence,
    is_in_time,
    layout_of,
    sequence_loss,
)
from arraywright.arrays import BoolArray, FloatArray, IntArray

__all__ = ["SearchedSequence", "search_sequence"]

_BLOCK: Final = 320
_PIECES: Final = (2, 3, 5, 8, 13)
_NEVER: Final = 1e6
_PASSED_OVER: Final = 0.2
_SETTLED: Final = 2e-5
_PATIENCE: Final = 8
_TRY_ALL: Final = 7
"""Sweeps end when so many in a row gain less than this share of the loss."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchedSequence:
    """The best order found.

    Attributes:
        sequence: the order.
        loss_w: its second-order loss [W].
        sweeps: sweeps made.
    """

    sequence: Sequence
    loss_w: float
    sweeps: int


class _State:
    """Pallets in slots, with the sums of strings and inputs kept up to date."""

    def __init__(self, problem: ClassProblem, start: Sequence) -> None:
        sizes = problem.unit_sizes
        self.problem = problem
        self.sizes = sizes
        arrival = arrival_sequence(problem).units
        slots = len(start.units)
        day = np.full(slots, problem.unit_day.max(initial=0), dtype=np.int64)
        reach = min(slots, len(arrival))
        day[:reach] = np.maximum.accumulate(problem.unit_day[arrival])[:reach]
        self.layout: Layout = layout_of(problem, sizes[start.units], arrival_day=day)
        # a start that is itself late sets its own latest days
        self.latest = np.maximum(self.layout.latest_day, problem.unit_day[start.units])
        self.units = start.units.copy()
        most = int(sizes.max(initial=1))
        column = np.arange(most)
        index = np.minimum(problem.unit_offsets[:-1, None] + column, len(problem.x) - 1)
        inside = column < sizes[:, None]
        nothing = np.zeros((len(sizes), 1))
        x = np.where(inside, problem.x[index], 0.0)
        y = np.where(inside, problem.y[index], 0.0)
        self.x = np.concatenate([nothing, np.cumsum(x, axis=1)], axis=1)
        self.y = np.concatenate([nothing, np.cumsum(y, axis=1)], axis=1)
        self.squares = np.concatenate([nothing, np.cumsum(x**2, axis=1)], axis=1)
        self.parallel = bool(np.any(problem.y))
        inputs, code = np.unique(problem.string_input, return_inverse=True)
        self.input_of = code.astype(np.int64)
        self.alike = np.bincount(code, minlength=len(inputs)).astype(np.float64)
        self.count = problem.string_modules.astype(np.float64)
        self.first = self.layout.string[:, 0]
        real = self.layout.end > self.layout.begin
        column_of = np.where(real, np.arange(real.shape[1]), 0).max(axis=1)
        self.last = self.layout.string[np.arange(slots), column_of]
        self.low = self.input_of[self.layout.string].min(axis=1)
        self.high = self.input_of[self.layout.string].max(axis=1)
        self.refresh()

    def refresh(self) -> None:
        """Sum strings and inputs anew from the slots."""
        layout, units = self.layout, self.units
        part_x = self._parts(self.x, units)
        flat = layout.string.ravel()
        strings = len(self.count)
        self.string_x = np.bincount(flat, weights=part_x.ravel(), minlength=strings)
        part_y = self._parts(self.y, units)
        self.string_y = np.bincount(flat, weights=part_y.ravel(), minlength=strings)
        self.input_y = np.bincount(self.input_of, weights=self.string_y, minlength=len(self.alike))

    def _parts(self, sums: FloatArray, units: IntArray) -> FloatArray:
        chosen = units[:, None]
        return np.asarray(sums[chosen, self.layout.end] - sums[chosen, self.layout.begin])

    def apart(self, rng: np.random.Generator) -> IntArray:
        """Choose slots of which no two share a string, nor an input where that counts."""
        low, high = (self.low, self.high) if self.parallel else (self.first, self.last)
        chosen: list[int] = []
        lows, highs = low.tolist(), high.tolist()
        # a slot that could be chosen is passed over now and then, else it were always the same
        passed = (rng.random(len(lows)) < _PASSED_OVER).tolist()
        border = -1
        for slot in range(len(lows)):
            if lows[slot] > border and not passed[slot]:
                chosen.append(slot)
                border = highs[slot]
        return np.array(chosen, dtype=np.int64)

    def costs(self, slots: IntArray, units: IntArray) -> FloatArray:
        """Loss of each unit in each slot with all other slots as they are, (slots, units)."""
        layout = self.layout
        begin, end = layout.begin[slots][:, None, :], layout.end[slots][:, None, :]
        string = layout.string[slots]
        chosen = units[None, :, None]
        now = self.units[slots][:, None]
        own = self.x[now, layout.end[slots]] - self.x[now, layout.begin[slots]]
        rest = self.string_x[string] - own
        added = self.x[chosen, end] - self.x[chosen, begin]
        cost = self.squares[units[None, :], layout.used[slots][:, None]]
        cost = cost - np.sum(
            ((rest[:, None, :] + added) ** 2 - rest[:, None, :] ** 2)
            / self.count[string][:, None, :],
            axis=2,
        )
        if self.parallel:
            cost = cost + self._parallel(slots, units)
        late = self.problem.unit_day[units][None, :] > self.latest[slots][:, None]
        return np.where(late, _NEVER, cost)

    def _parallel(self, slots: IntArray, units: IntArray) -> FloatArray:
        layout = self.layout
        string = layout.string[slots]
        inputs = self.input_of[string]
        now = self.units[slots][:, None]
        own = self.y[now, layout.end[slots]] - self.y[now, layout.begin[slots]]
        chosen = units[None, :, None]
        added = (
            self.y[chosen, layout.end[slots][:, None, :]]
            - self.y[chosen, layout.begin[slots][:, None, :]]
        )
        rest = self.string_y[string] - own
        cost = np.sum((rest[:, None, :] + added) ** 2, axis=2)
        same = inputs[:, :, None] == inputs[:, None, :]
        real = layout.end[slots] > layout.begin[slots]
        times = np.sum(same & real[:, None, :], axis=2)
        once = np.where(real, 1.0 / np.maximum(times, 1), 0.0)
        own_input = np.einsum("spq,sq->sp", same.astype(np.float64), own)
        added_input = np.einsum("spq,suq->sup", same.astype(np.float64), added)
        rest_input = self.input_y[inputs] - own_input
        weight = once / self.alike[inputs]
        cost -= np.sum((rest_input[:, None, :] + added_input) ** 2 * weight[:, None, :], axis=2)
        return np.asarray(cost)

    def place(self, slots: IntArray, units: IntArray) -> None:
        """Put units into slots and keep the sums."""
        layout = self.layout
        string = layout.string[slots]
        for sums, held in ((self.x, self.string_x), (self.y, self.string_y)):
            before = (
                sums[self.units[slots][:, None], layout.end[slots]]
                - sums[self.units[slots][:, None], layout.begin[slots]]
            )
            after = (
                sums[units[:, None], layout.end[slots]] - sums[units[:, None], layout.begin[slots]]
            )
            np.add.at(held, string.ravel(), (after - before).ravel())
            if sums is self.y and self.parallel:
                np.add.at(self.input_y, self.input_of[string].ravel(), (after - before).ravel())
        self.units[slots] = units


def _blocks(order: IntArray, size: int) -> list[IntArray]:
    return [order[at : at + size] for at in range(0, len(order), size)]


def _near_in_time(slots: IntArray, rng: np.random.Generator, *, width: int) -> IntArray:
    """Shuffle slots within windows of the sequence whose borders change from sweep to sweep."""
    window = (slots + int(rng.random() * width)) // max(width, 1)
    return slots[np.lexsort((rng.random(len(slots)), window))]


def _exchange_units(state: _State, rng: np.random.Generator, *, frozen: int, width: int) -> None:
    """Give the pallets of many slots, and some that are left over, to the slots anew."""
    slots = state.apart(rng)
    slots = slots[slots >= frozen]
    used: BoolArray = np.zeros(len(state.sizes), dtype=np.bool_)
    used[state.units] = True
    left = np.flatnonzero(~used)
    for size in np.unique(state.sizes[state.units[slots]]) if len(slots) else []:
        of_size = slots[state.layout.size[slots] == size]
        spare = rng.permutation(left[state.sizes[left] == size])
        for block in _blocks(_near_in_time(of_size, rng, width=width), _BLOCK):
            extra = spare[: _BLOCK // 8]
            units = np.concatenate([state.units[block], extra])
            row, column = linear_sum_assignment(state.costs(block, units))
            chosen = units[column]
            state.place(block[row], chosen)
            spare = np.concatenate([spare[len(extra) :], np.setdiff1d(units, chosen)])
    # a last pallet that is used in part may be of any size that suffices
    last = np.array([len(state.units) - 1], dtype=np.int64)
    if len(state.units) > frozen:
        used[:] = False
        used[state.units] = True
        able = np.flatnonzero(~used & (state.sizes >= state.layout.used[-1]))[:_BLOCK]
        units = np.concatenate([state.units[last], able])
        state.place(last, units[[int(np.argmin(state.costs(last, units)[0]))]])


def _exchange_pieces(
    state: _State, rng: np.random.Generator, *, length: int, frozen: int, width: int
) -> None:
    """Exchange runs of pallets that begin at the same place of a string and have equal sizes.

    Only the strings at both ends of a run change, so that the exchange is exact by one table.
    Where the loss between strings counts too, runs are kept as they are.
    """
    layout, slots = state.layout, len(state.units)
    begin = np.arange(frozen + int(rng.integers(0, length + 2)), slots - length, length + 2)
    if len(begin) < 2:
        return
    steps = np.arange(length)
    string_length = state.problem.string_modules
    place = np.column_stack(
        [
            layout.end[begin, 0] - layout.begin[begin, 0],
            string_length[state.first[begin]],
            layout.size[begin[:, None] + steps],
            string_length[state.last[begin[:, None] + steps]],
            state.last[begin + length - 1][:, None] - state.first[begin][:, None],
        ]
    )
    _, kind = np.unique(place, axis=0, return_inverse=True)
    kind = kind.ravel()
    for one in np.unique(kind):
        alike = begin[kind == one]
        if len(alike) < 2:
            continue
        for block in _blocks(_near_in_time(alike, rng, width=width), _BLOCK):
            _exchange_block(state, block, length)


def _exchange_block(state: _State, block: IntArray, length: int) -> None:
    rows = block[:, None] + np.arange(length)
    end_slot = block + length - 1
    first, last = state.first[block], state.last[end_slot]
    if len(block) < 2 or np.any(first == last):
        return
    own_head, own_tail = _run_sum(state, rows, first), _run_sum(state, rows, last)
    # what others put into the two end strings; a run shares neither with another run
    rest_head, rest_tail = state.string_x[first] - own_head, state.string_x[last] - own_tail
    cost = -((rest_head[:, None] + own_head[None, :]) ** 2) / state.count[first][:, None]
    cost -= (rest_tail[:, None] + own_tail[None, :]) ** 2 / state.count[last][:, None]
    late = state.problem.unit_day[state.units[rows]][None, :, :] > state.latest[rows][:, None, :]
    cost = np.where(late.any(axis=2), _NEVER, cost)
    row, column = linear_sum_assignment(cost)
    if np.array_equal(column, np.arange(len(block))):
        return
    state.place(rows[row].ravel(), state.units[rows[column]].ravel())


def _run_sum(state: _State, rows: IntArray, string: IntArray) -> FloatArray:
    """Sum of the current coordinate that each run puts into one string, (runs,)."""
    layout = state.layout
    units = state.units[rows]
    parts = (
        state.x[units[..., None], layout.end[rows]] - state.x[units[..., None], layout.begin[rows]]
    )
    inside = layout.string[rows] == string[:, None, None]
    return np.asarray(np.sum(parts * inside, axis=(1, 2)))


def _look_ahead(state: _State) -> int:
    """Give the slots over which pallets can mostly be exchanged, by what has arrived when."""
    day = np.sort(state.problem.unit_day[state.units])
    here = np.searchsorted(day, state.latest, side="right")
    ahead = np.median(here - np.arange(len(here)))
    return int(max(48, min(ahead / 2, len(here))))


def _by_trying(problem: ClassProblem, start: Sequence, *, frozen: int) -> SearchedSequence:
    """Try every order of a few pallets; none is better."""
    wanted = int(problem.string_modules.sum())
    sizes = problem.unit_sizes.tolist()
    fixed = start.units[:frozen].tolist()
    rest = [unit for unit in range(len(sizes)) if unit not in set(fixed)]
    best, least = start, sequence_loss(problem, start).total_w
    tried: set[tuple[int, ...]] = set()
    for order in permutations(rest):
        units, filled = list(fixed), sum(sizes[unit] for unit in fixed)
        for unit in order:
            if filled >= wanted:
                break
            units.append(unit)
            filled += sizes[unit]
        if filled < wanted or tuple(units) in tried:
            continue
        tried.add(tuple(units))
        sequence = Sequence(units=np.array(units, dtype=np.int64))
        loss = sequence_loss(problem, sequence).total_w
        if loss < least and is_in_time(problem, sequence):
            best, least = sequence, loss
    return SearchedSequence(sequence=best, loss_w=least, sweeps=1)


def search_sequence(
    problem: ClassProblem,
    *,
    sweeps: int,
    seed: int,
    start: Sequence | None = None,
    frozen: int = 0,
    tell: Callable[[str, float], None] | None = None,
) -> SearchedSequence:
    """Search the order of pallets that loses least to mismatch, never behind the start.

    Up to seven pallets are tried in every order. Else a sweep frees many slots that share no
    string, offers them their pallets and some left over, and gives them out anew by the exact
    assignment of least loss; then it exchanges whole runs of pallets between places of the same
    kind. Each step is exact, none makes the order worse. It ends after the sweeps allowed, or when
    several in a row gain next to nothing. The same input and seed give the same order.

    Args:
        problem: the class.
        sweeps: greatest number of sweeps.
        seed: of the choice of slots.
        start: order to begin with, the order of arrival when None.
        frozen: pallets at the start of the order that stay.
        tell: told what is done and how far it is, between 0 and 1.

    Raises:
        CallError: there are fewer modules than the strings need.

    Source: crouse-2016 (the assignment used by SciPy)
    """
    begun = arrival_sequence(problem) if start is None else start
    if len(begun.units) == 0:
        return SearchedSequence(sequence=begun, loss_w=0.0, sweeps=0)
    if len(problem.unit_sizes) - frozen <= _TRY_ALL:
        return _by_trying(problem, begun, frozen=frozen)
    rng = np.random.default_rng(seed)
    state = _State(problem, begun)
    best_loss = sequence_loss(problem, begun).total_w
    best = begun.units.copy()
    width = _look_ahead(state)
    done = idle = 0
    for sweep in range(sweeps):
        if tell is not None:
            tell("ordering pallets", sweep / sweeps)
        before = best_loss
        for _ in range(2):
            _exchange_units(state, rng, frozen=frozen, width=width)
        if not state.parallel:
            for length in _PIECES:
                _exchange_pieces(state, rng, length=length, frozen=frozen, width=width)
        state.refresh()
        loss = sequence_loss(problem, Sequence(units=state.units)).total_w
        done = sweep + 1
        if loss < best_loss:
            best_loss, best = loss, state.units.copy()
        idle = idle + 1 if before - best_loss < _SETTLED * before else 0
        if idle == _PATIENCE:
            break
    return SearchedSequence(sequence=Sequence(units=best), loss_w=best_loss, sweeps=done)
