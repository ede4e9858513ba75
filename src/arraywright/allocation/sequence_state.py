"""Pallets in the slots of a sequence, with what is tabled to tell what exchanges change."""

from __future__ import annotations

from typing import Final

import numpy as np

from arraywright.allocation._exchange_kernels import (
    Asked,
    Cuts,
    Groups,
    Lines,
    Pallets,
    Tables,
    Totals,
    exchange,
    tell,
)
from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.allocation.sequence_layout import Layout, layout_of
from arraywright.arrays import BoolArray, FloatArray, IntArray

__all__ = ["SequenceState"]

_WINDOW: Final = 1500
"""Slots that one slot is compared with; more find better partners, and take longer."""


class SequenceState:
    """Pallets in slots, what is tabled of them, and which slots share strings or inputs.

    Attributes:
        units: pallet of each slot, then those left over.
        slots: number of slots.
        pallets: what pallets bring.
        cuts: how slots cut them.
        totals: sums over what lies in strings and inputs now.
        asked: what slots ask of their pallets now.
    """

    def __init__(self, problem: ClassProblem, start: Sequence, *, frozen: int) -> None:
        self.slots = len(start.units)
        left = np.setdiff1d(np.arange(len(problem.unit_sizes)), start.units)
        self.units = np.concatenate([start.units, left]).astype(np.int64)
        layout = layout_of(problem, problem.unit_sizes[start.units])
        real = layout.end > layout.begin
        self.pallets = _pallets(problem)
        self.cuts = _cuts(problem, layout, real, parallel=self.pallets.parallel)
        # a start that is itself late sets its own latest days
        latest = np.maximum(layout.latest_day, problem.unit_day[start.units])
        never = int(problem.unit_day.max(initial=0)) + 1
        self._sizes, self._groups = _groups(
            problem.unit_sizes[self.units],
            latest=np.concatenate([latest, np.full(len(left), never)]).astype(np.int64),
            frozen=frozen,
        )
        self._tables = self._tabled(problem, layout, real)
        self.totals = _totals(self.units[: self.slots], self.pallets, self.cuts)
        features = 2 + (real.shape[1] if self.pallets.parallel else 0)
        self.asked = Asked(
            weight=np.zeros((len(self.units), features)), now=np.zeros(len(self.units))
        )
        lines = len(self._groups.slots)
        self._lines = Lines(
            number=np.zeros(lines, dtype=np.uint32),
            pattern=np.zeros(lines, dtype=np.uint32),
            weight=np.zeros((features, lines)),
            now=np.zeros(lines),
            day=np.zeros(lines, dtype=np.int64),
            latest=self._groups.latest[self._groups.slots],
        )
        tell(self.units, *self._held())

    def exchange(self, rng: np.random.Generator, heats_w: FloatArray) -> None:
        """Exchange pallets at these heats [W]."""
        exchange(rng, heats_w, _WINDOW, self.units, *self._held())

    def _held(self) -> tuple[Pallets, Cuts, Totals, Tables, Asked, Groups, Lines]:
        return (
            self.pallets,
            self.cuts,
            self.totals,
            self._tables,
            self.asked,
            self._groups,
            self._lines,
        )

    def _tabled(self, problem: ClassProblem, layout: Layout, real: BoolArray) -> Tables:
        step = 3 + (real.shape[1] if self.pallets.parallel else 0)
        ways = _ways(problem, layout, real, self.pallets, self.cuts)
        pattern = np.zeros(len(self.units), dtype=np.int64)
        row = np.zeros(len(problem.unit_sizes), dtype=np.int64)
        column = np.zeros(len(self.units), dtype=np.int64)
        number_in_size = np.zeros(len(problem.unit_sizes), dtype=np.int64)
        pallets_in = np.zeros(len(self._sizes), dtype=np.int64)
        parts: list[FloatArray] = []
        turned: list[FloatArray] = []
        filled = 0
        for number_of_size, size in enumerate(self._sizes.tolist()):
            pallets = np.flatnonzero(problem.unit_sizes == size)
            used = np.flatnonzero(layout.size == size)
            kinds, first, code = np.unique(
                ways[used], axis=0, return_index=True, return_inverse=True
            )
            held = np.zeros((len(pallets), len(kinds) + 1, step))
            for number, slot in enumerate(used[first].tolist()):
                held[:, number] = _costs(slot, pallets, real[slot], self.pallets, self.cuts)
            pattern[used] = code.ravel() * step
            left = np.flatnonzero(problem.unit_sizes[self.units[self.slots :]] == size)
            pattern[self.slots + left] = len(kinds) * step
            row[pallets] = filled + np.arange(len(pallets)) * (len(kinds) + 1) * step
            block = step * len(pallets)
            column[used] = filled + code.ravel() * block
            column[self.slots + left] = filled + len(kinds) * block
            number_in_size[pallets] = np.arange(len(pallets))
            pallets_in[number_of_size] = len(pallets)
            parts.append(held.ravel())
            turned.append(np.transpose(held, (1, 2, 0)).ravel())
            filled += held.size
        return Tables(
            pattern=pattern,
            row=row,
            table=np.concatenate(parts),
            column=column,
            pallets_in=pallets_in,
            number=number_in_size,
            by_way=np.concatenate(turned),
        )


def _pallets(problem: ClassProblem) -> Pallets:
    """Sum what each pallet brings from its first module on."""
    sizes = problem.unit_sizes
    column = np.arange(int(sizes.max()))
    index = np.minimum(problem.unit_offsets[:-1, None] + column, len(problem.x) - 1)
    inside = column < sizes[:, None]
    x = np.where(inside, problem.x[index], 0.0)
    y = np.where(inside, problem.y[index], 0.0)
    nothing = np.zeros((len(sizes), 1))
    return Pallets(
        x=np.concatenate([nothing, np.cumsum(x, axis=1)], axis=1),
        y=np.concatenate([nothing, np.cumsum(y, axis=1)], axis=1),
        squares=np.concatenate([nothing, np.cumsum(x**2, axis=1)], axis=1),
        day=problem.unit_day,
        parallel=bool(np.any(problem.y)),
    )


def _cuts(problem: ClassProblem, layout: Layout, real: BoolArray, *, parallel: bool) -> Cuts:
    """Describe how slots cut pallets, and list for each the slots that share with it."""
    inputs, code = np.unique(problem.string_input, return_inverse=True)
    string_input = code.ravel().astype(np.int64)
    slot, part = np.nonzero(real)
    key = layout.string[slot, part]
    if parallel:
        key = string_input[key]
    pairs = np.unique(np.column_stack([key, slot]), axis=0)
    begin = np.searchsorted(pairs[:, 0], pairs[:, 0], side="left")
    past = np.searchsorted(pairs[:, 0], pairs[:, 0], side="right")
    many = past - begin
    own = np.repeat(pairs[:, 1], many)
    steps = np.arange(int(many.sum())) - np.repeat(np.cumsum(many) - many, many)
    other = pairs[np.repeat(begin, many) + steps, 1]
    near = np.unique(np.column_stack([own, other]), axis=0)
    counts = np.bincount(near[:, 0], minlength=len(real))
    return Cuts(
        begin=layout.begin,
        end=layout.end,
        string=layout.string,
        used=layout.used,
        head=np.argmax(real, axis=1).astype(np.int64),
        tail=(real.shape[1] - 1 - np.argmax(real[:, ::-1], axis=1)).astype(np.int64),
        string_input=string_input,
        inverse=1.0 / problem.string_modules,
        inverse_alike=1.0 / np.bincount(string_input, minlength=len(inputs)),
        near_from=np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        near=near[:, 1].astype(np.int64),
    )


def _groups(sizes: IntArray, *, latest: IntArray, frozen: int) -> tuple[IntArray, Groups]:
    """Put slots of each size of pallet together, frozen ones apart; give the sizes too."""
    kinds, code = np.unique(sizes, return_inverse=True)
    size = code.ravel().astype(np.int64)
    free = np.arange(frozen, len(sizes))
    slots = free[np.argsort(size[free], kind="stable")].astype(np.int64)
    counts = np.bincount(size[free], minlength=len(kinds))
    place = np.full(len(sizes), -1, dtype=np.int64)
    place[slots] = np.arange(len(slots))
    return kinds, Groups(
        slots=slots,
        size=size,
        begin=np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        place=place,
        latest=latest,
        frozen=frozen,
    )


def _ways(
    problem: ClassProblem, layout: Layout, real: BoolArray, pallets: Pallets, cuts: Cuts
) -> IntArray:
    """Describe how each slot cuts its pallet and what its strings are, one row per slot."""
    lengths = np.where(real, problem.string_modules[layout.string], 0)
    columns = [layout.begin, layout.end, layout.used[:, None], lengths]
    if pallets.parallel:
        inputs = cuts.string_input[layout.string]
        alike = np.round(1.0 / cuts.inverse_alike[inputs]).astype(np.int64)
        same = inputs[:, :, None] == inputs[:, None, :]
        columns += [
            np.where(real, alike, 0),
            np.where(real, np.argmax(same & real[:, None, :], axis=2), 0),
        ]
    return np.concatenate(columns, axis=1)


def _costs(
    slot: int, chosen: IntArray, real: BoolArray, pallets: Pallets, cuts: Cuts
) -> FloatArray:
    """Cost of pallets in a slot where nothing else is, and their sums, (pallets, 1 + sums)."""
    out = np.zeros((len(chosen), 3 + (len(real) if pallets.parallel else 0)))
    out[:, 0] = pallets.squares[chosen, cuts.used[slot]]
    by_input: dict[int, FloatArray] = {}
    for q in np.flatnonzero(real).tolist():
        low, high = cuts.begin[slot, q], cuts.end[slot, q]
        string = cuts.string[slot, q]
        part = pallets.x[chosen, high] - pallets.x[chosen, low]
        out[:, 0] -= part**2 * cuts.inverse[string]
        if q == cuts.head[slot]:
            out[:, 1] = part
        elif q == cuts.tail[slot]:
            out[:, 2] = part
        if pallets.parallel:
            part = pallets.y[chosen, high] - pallets.y[chosen, low]
            out[:, 0] += part**2
            out[:, 3 + q] = part
            number = int(cuts.string_input[string])
            by_input[number] = by_input.get(number, np.zeros(len(chosen))) + part
    for number, total in by_input.items():
        out[:, 0] -= total**2 * cuts.inverse_alike[number]
    return out


def _totals(units: IntArray, pallets: Pallets, cuts: Cuts) -> Totals:
    """Sum what lies in strings and inputs."""
    chosen, flat, strings = units[:, None], cuts.string.ravel(), len(cuts.inverse)

    def summed(of: IntArray, what: FloatArray, count: int) -> FloatArray:
        return np.bincount(of, weights=what.ravel(), minlength=count).astype(np.float64)

    string_y = summed(flat, pallets.y[chosen, cuts.end] - pallets.y[chosen, cuts.begin], strings)
    return Totals(
        string_x=summed(flat, pallets.x[chosen, cuts.end] - pallets.x[chosen, cuts.begin], strings),
        string_y=string_y,
        input_y=summed(cuts.string_input, string_y, len(cuts.inverse_alike)),
    )
