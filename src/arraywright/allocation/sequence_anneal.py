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

from arraywright.allocation._anneal_kernels import exchange, refresh, spread_sizes
from arraywright.allocation._reorder_kernels import reorder
from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.allocation.sequence_layout import (
    arrival_sequence,
    is_in_time,
    layout_of,
    sequence_loss,
)
from arraywright.arrays import BoolArray, FloatArray, IntArray

__all__ = ["anneal_sequence"]

_WINDOW: Final = 1500
_HOT: Final = 1.8
_COLD: Final = 0.15
_BETWEEN_SHARE: Final = 0.05
_QUENCH_SHARE: Final = 0.05
_QUENCH_RATIO: Final = 1e-9
_LEAST_HEAT_W: Final = 1e-15
_SPREAD_TRIES: Final = 4000
_SPREAD_HEAT_RATIO: Final = 0.05
_ODD_SHARE_MOST: Final = 0.5
_STARTS_MOST: Final = 24
_ENOUGH_PALLETS: Final = 8000
_SMALL: Final = 300
_FEW: Final = 80
_TINY: Final = 20
_TINY_RUNS: Final = 10
_MOVES: Final = 40
_REORDER_HOT: Final = 8.0
_REORDER_COLD: Final = 0.1
_SHORT_SHARE: Final = 6
_CHUNKS: Final = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tables:
    """What pallets cost in slots: cost and sums of each pallet under each way slots cut it.

    Attributes:
        pattern: place of the slot's way in the row of a pallet, (slots + left over,).
        row: where the row of a pallet begins, (pallets,).
        table: per pallet and way the own cost, then the sums that other slots have a part in.
        features: number of those sums.
    """

    pattern: IntArray
    row: IntArray
    table: FloatArray
    features: int


class _State:
    """Pallets in slots, what is tabled of them, and which slots share strings or inputs."""

    def __init__(self, problem: ClassProblem, start: Sequence, *, frozen: int) -> None:
        sizes = problem.unit_sizes
        slots, pallets = len(start.units), len(sizes)
        arrival = arrival_sequence(problem).units
        late = np.maximum.accumulate(problem.unit_day[arrival])
        day = np.full(slots, int(problem.unit_day.max(initial=0)), dtype=np.int64)
        reach = min(slots, len(arrival))
        day[:reach] = late[:reach]
        left = np.setdiff1d(np.arange(pallets), start.units)
        layout = layout_of(problem, sizes[start.units], arrival_day=day)
        self.problem, self.layout, self.slots, self.frozen = problem, layout, slots, frozen
        self.units = np.concatenate([start.units, left]).astype(np.int64)
        # a start that is itself late sets its own latest days
        latest = np.maximum(layout.latest_day, problem.unit_day[start.units])
        never = int(problem.unit_day.max(initial=0)) + 1
        self.latest = np.concatenate([latest, np.full(len(left), never)]).astype(np.int64)
        most = int(sizes.max())
        column = np.arange(most)
        index = np.minimum(problem.unit_offsets[:-1, None] + column, len(problem.x) - 1)
        inside = column < sizes[:, None]
        nothing = np.zeros((pallets, 1))
        x = np.where(inside, problem.x[index], 0.0)
        y = np.where(inside, problem.y[index], 0.0)
        self.x = np.concatenate([nothing, np.cumsum(x, axis=1)], axis=1)
        self.y = np.concatenate([nothing, np.cumsum(y, axis=1)], axis=1)
        self.squares = np.concatenate([nothing, np.cumsum(x**2, axis=1)], axis=1)
        self.parallel = bool(np.any(problem.y))
        inputs, code = np.unique(problem.string_input, return_inverse=True)
        self.string_input = code.ravel().astype(np.int64)
        self.inverse_alike = 1.0 / np.bincount(self.string_input, minlength=len(inputs))
        self.inverse = 1.0 / problem.string_modules
        real = layout.end > layout.begin
        self.head = np.argmax(real, axis=1).astype(np.int64)
        self.tail = (real.shape[1] - 1 - np.argmax(real[:, ::-1], axis=1)).astype(np.int64)
        self._group(sizes[np.concatenate([start.units, left])])
        self._share(real)
        self.tables = self._tables(real)
        self._sum()

    def _group(self, sizes: IntArray) -> None:
        """Put slots of each size of pallet together, frozen ones apart."""
        kinds, group = np.unique(sizes, return_inverse=True)
        self.sizes, self.group = kinds, group.ravel().astype(np.int64)
        free = np.arange(self.frozen, len(sizes))
        self.slots_in = free[np.argsort(self.group[free], kind="stable")].astype(np.int64)
        counts = np.bincount(self.group[free], minlength=len(kinds))
        self.group_from = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        self.place_in_group = np.zeros(len(sizes), dtype=np.int64)
        self.place_in_group[self.slots_in] = np.arange(len(self.slots_in))

    def _share(self, real: BoolArray) -> None:
        """List for each slot those that share a string with it, or an input where that counts."""
        slot, part = np.nonzero(real)
        key = self.layout.string[slot, part]
        if self.parallel:
            key = self.string_input[key]
        pairs = np.unique(np.column_stack([key, slot]), axis=0)
        begin = np.searchsorted(pairs[:, 0], pairs[:, 0], side="left")
        past = np.searchsorted(pairs[:, 0], pairs[:, 0], side="right")
        many = past - begin
        own = np.repeat(pairs[:, 1], many)
        steps = np.arange(int(many.sum())) - np.repeat(np.cumsum(many) - many, many)
        other = pairs[np.repeat(begin, many) + steps, 1]
        near = np.unique(np.column_stack([own, other]), axis=0)
        self.near = near[:, 1].astype(np.int64)
        counts = np.bincount(near[:, 0], minlength=self.slots)
        self.near_from = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        self.mark = np.zeros(len(self.units), dtype=np.bool_)

    def _ways(self, real: BoolArray) -> IntArray:
        """Describe how each slot cuts its pallet and what its strings are, one row per slot."""
        layout = self.layout
        lengths = np.where(real, self.problem.string_modules[layout.string], 0)
        columns = [layout.begin, layout.end, layout.used[:, None], lengths]
        if self.parallel:
            inputs = self.string_input[layout.string]
            alike = np.round(1.0 / self.inverse_alike[inputs]).astype(np.int64)
            same = inputs[:, :, None] == inputs[:, None, :]
            columns += [
                np.where(real, alike, 0),
                np.where(real, np.argmax(same & real[:, None, :], axis=2), 0),
            ]
        return np.concatenate(columns, axis=1)

    def _tables(self, real: BoolArray) -> _Tables:
        features = 2 + (real.shape[1] if self.parallel else 0)
        ways = self._ways(real)
        pattern = np.zeros(len(self.units), dtype=np.int64)
        row = np.zeros(len(self.problem.unit_sizes), dtype=np.int64)
        parts: list[FloatArray] = []
        filled = 0
        for size in self.sizes.tolist():
            pallets = np.flatnonzero(self.problem.unit_sizes == size)
            used = np.flatnonzero(self.layout.size == size)
            kinds, first, code = np.unique(
                ways[used], axis=0, return_index=True, return_inverse=True
            )
            held = np.zeros((len(pallets), len(kinds) + 1, features + 1))
            for number, slot in enumerate(used[first].tolist()):
                held[:, number] = self._costs(slot, pallets, real, features)
            step = features + 1
            pattern[used] = code.ravel() * step
            left = np.flatnonzero(self.problem.unit_sizes[self.units[self.slots :]] == size)
            pattern[self.slots + left] = len(kinds) * step
            row[pallets] = filled + np.arange(len(pallets)) * (len(kinds) + 1) * step
            parts.append(held.ravel())
            filled += held.size
        return _Tables(pattern=pattern, row=row, table=np.concatenate(parts), features=features)

    def _costs(self, slot: int, pallets: IntArray, real: BoolArray, features: int) -> FloatArray:
        """Cost of pallets in a slot where nothing else is, and their sums, (pallets, 1 + sums)."""
        layout = self.layout
        out = np.zeros((len(pallets), features + 1))
        out[:, 0] = self.squares[pallets, layout.used[slot]]
        by_input: dict[int, FloatArray] = {}
        for q in np.flatnonzero(real[slot]).tolist():
            low, high = layout.begin[slot, q], layout.end[slot, q]
            string = layout.string[slot, q]
            part = self.x[pallets, high] - self.x[pallets, low]
            out[:, 0] -= part**2 * self.inverse[string]
            if q == self.head[slot]:
                out[:, 1] = part
            elif q == self.tail[slot]:
                out[:, 2] = part
            if self.parallel:
                part = self.y[pallets, high] - self.y[pallets, low]
                out[:, 0] += part**2
                out[:, 3 + q] = part
                number = int(self.string_input[string])
                by_input[number] = by_input.get(number, np.zeros(len(pallets))) + part
        for number, total in by_input.items():
            out[:, 0] -= total**2 * self.inverse_alike[number]
        return out

    def _sum(self) -> None:
        """Sum strings and inputs from the slots, and table what each slot asks."""
        layout, strings = self.layout, len(self.inverse)
        chosen = self.units[: self.slots, None]
        flat = layout.string.ravel()
        part = self.x[chosen, layout.end] - self.x[chosen, layout.begin]
        self.string_x = np.bincount(flat, weights=part.ravel(), minlength=strings)
        part = self.y[chosen, layout.end] - self.y[chosen, layout.begin]
        self.string_y = np.bincount(flat, weights=part.ravel(), minlength=strings)
        self.input_y = np.bincount(
            self.string_input, weights=self.string_y, minlength=len(self.inverse_alike)
        )
        self.weight = np.zeros((len(self.units), self.tables.features))
        self.now = np.zeros(len(self.units))
        for slot in range(self.slots):
            refresh(
                slot,
                self.units,
                layout.begin,
                layout.end,
                self.head,
                self.tail,
                layout.string,
                self.string_input,
                self.inverse,
                self.inverse_alike,
                self.x,
                self.y,
                self.parallel,
                self.string_x,
                self.string_y,
                self.input_y,
                self.tables.pattern,
                self.tables.row,
                self.tables.table,
                self.weight,
                self.now,
            )

    def exchange(self, rng: np.random.Generator, heats: FloatArray) -> None:
        """Exchange pallets at these heats [W]."""
        layout, tables = self.layout, self.tables
        exchange(
            rng,
            heats,
            self.frozen,
            _WINDOW,
            self.slots_in,
            self.group,
            self.group_from,
            self.place_in_group,
            self.near_from,
            self.near,
            self.mark,
            self.units,
            layout.begin,
            layout.end,
            layout.used,
            self.head,
            self.tail,
            layout.string,
            self.string_input,
            self.inverse,
            self.inverse_alike,
            self.x,
            self.y,
            self.squares,
            self.parallel,
            self.string_x,
            self.string_y,
            self.input_y,
            tables.pattern,
            tables.row,
            tables.table,
            self.weight,
            self.now,
            self.latest,
            self.problem.unit_day,
        )


def _latest_at(problem: ClassProblem) -> IntArray:
    """Day by which a pallet that begins with each module of the building must be here."""
    arrival = arrival_sequence(problem).units
    reach = np.cumsum(problem.unit_sizes[arrival])
    place = np.arange(int(problem.string_modules.sum()))
    slot = np.minimum(np.searchsorted(reach, place, side="right"), len(arrival) - 1)
    string = np.searchsorted(np.cumsum(problem.string_modules), place, side="right")
    late = np.maximum.accumulate(problem.unit_day[arrival])[slot]
    return np.maximum(problem.string_day[string], late).astype(np.int64)


def _sizes_spread(
    problem: ClassProblem, start: Sequence, *, frozen: int, rng: np.random.Generator
) -> Sequence:
    """Spread pallets of unusual size over the sequence, in time for all."""
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
    latest_at = _latest_at(problem)
    here = np.searchsorted(np.sort(problem.unit_day), latest_at, side="right")
    ahead = max(20.0, float(np.median(here - np.arange(total) / float(sizes.mean()))))
    windows = int(np.clip(len(sizes) / ahead / 1.5, 1, 20))
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
    heats: FloatArray,
    rng: np.random.Generator,
    tell: Callable[[str, float], None] | None = None,
) -> tuple[Sequence, float]:
    """Give the order that exchanges at these heats lead to, and its loss [W]."""
    state = _State(problem, start, frozen=frozen)
    for number, chunk in enumerate(np.array_split(np.maximum(heats, _LEAST_HEAT_W), _CHUNKS)):
        if tell is not None:
            tell("ordering pallets", number / _CHUNKS)
        state.exchange(rng, chunk)
    found = Sequence(units=state.units[: state.slots].copy())
    return found, sequence_loss(problem, found).total_w


def _reordered(
    problem: ClassProblem,
    start: Sequence,
    *,
    frozen: int,
    sweeps: int,
    scale: float,
    rng: np.random.Generator,
) -> tuple[Sequence, float]:
    """Give the best order of few pallets that moves of any pallet lead to, and its loss [W]."""
    state = _State(problem, start, frozen=frozen)
    latest_at = _latest_at(problem)
    best = start, sequence_loss(problem, start).total_w
    for _ in range(_TINY_RUNS if len(state.units) <= _TINY else 1):
        order = state.units.copy()
        reorder(
            rng,
            order,
            frozen,
            _MOVES * sweeps * len(order),
            max(_REORDER_HOT * scale, _LEAST_HEAT_W),
            max(_REORDER_COLD * scale, _LEAST_HEAT_W),
            problem.unit_sizes,
            state.x,
            state.y,
            state.squares,
            problem.string_modules,
            state.string_input,
            state.inverse_alike,
            latest_at,
            problem.unit_day,
        )
        reach = np.cumsum(problem.unit_sizes[order])
        count = int(np.searchsorted(reach, int(problem.string_modules.sum()))) + 1
        found = Sequence(units=order[:count])
        best = min(best, (found, sequence_loss(problem, found).total_w), key=lambda one: one[1])
    return best


def anneal_sequence(
    problem: ClassProblem,
    *,
    sweeps: int,
    seed: int,
    start: Sequence | None = None,
    frozen: int = 0,
    tell: Callable[[str, float], None] | None = None,
) -> Sequence:
    """Search the order of pallets that loses least to mismatch, never behind the start.

    Small classes are begun several times, with pallets of unusual size spread otherwise. The same
    input and seed give the same order.

    Args:
        problem: the class.
        sweeps: how often each slot is picked, in all.
        seed: of what is drawn.
        start: order to begin with, the order of arrival when None.
        frozen: pallets at the start of the order that stay.
        tell: told what is done and how far it is, between 0 and 1.

    Raises:
        CallError: there are fewer modules than the strings need.

    Source: geman-geman-1984
    """
    begun = arrival_sequence(problem) if start is None else start
    if len(begun.units) - frozen < 1 or sweeps < 1:
        return begun
    rng = np.random.default_rng(seed)
    scale = _heat_scale(problem)
    slots = len(begun.units)
    starts = int(np.clip(_ENOUGH_PALLETS // slots, 1, _STARTS_MOST)) if start is None else 1
    trial_sweeps = sweeps if slots <= _SMALL else -(-sweeps // _SHORT_SHARE)
    held = begun, sequence_loss(problem, begun).total_w
    chosen = begun
    if start is None:
        tried = []
        for turn in range(starts):
            if tell is not None:
                tell("spreading pallets of unusual size", turn / starts)
            spread = _sizes_spread(problem, begun, frozen=frozen, rng=rng)
            if starts > 1:
                spread, loss = _annealed(
                    problem, spread, frozen=frozen, heats=scale * _heats(trial_sweeps), rng=rng
                )
                held = min(held, (spread, loss), key=lambda one: one[1])
            tried.append(spread)
        chosen = held[0] if starts > 1 else tried[0]
    if len(problem.unit_sizes) <= _FEW:
        found = _reordered(problem, held[0], frozen=frozen, sweeps=sweeps, scale=scale, rng=rng)
        held = min(held, found, key=lambda one: one[1])
    if start is None and starts > 1 and slots <= _SMALL:
        return held[0]
    found = _annealed(
        problem, chosen, frozen=frozen, heats=scale * _heats(sweeps), rng=rng, tell=tell
    )
    return min(held, found, key=lambda one: one[1])[0]
