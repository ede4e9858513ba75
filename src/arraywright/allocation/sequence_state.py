"""Pallets in the slots of a sequence, with what is tabled to tell what exchanges change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.allocation._exchange_kernels import exchange, keep, refresh
from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.allocation.sequence_layout import layout_of
from arraywright.arrays import BoolArray, FloatArray, IntArray

__all__ = ["SequenceState"]

_WINDOW: Final = 1500
"""Slots that one slot is compared with; more find better partners, and take longer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tables:
    """What pallets cost in slots: cost and sums of each pallet under each way slots cut it.

    Attributes:
        pattern: place of the slot's way in the row of a pallet, (slots + left over,).
        row: where the row of a pallet begins, (pallets,).
        table: per pallet and way the own cost, then the sums that other slots have a part in.
        column: where the slot's way begins in ``by_way``, (slots + left over,).
        pallets_in: pallets of each size, (sizes,).
        index: number of a pallet among those of its size, (pallets,).
        by_way: the same as ``table``, per way first all own costs, then all of each sum.
        features: number of those sums.
    """

    pattern: IntArray
    row: IntArray
    table: FloatArray
    column: IntArray
    pallets_in: IntArray
    index: IntArray
    by_way: FloatArray
    features: int


class SequenceState:
    """Pallets in slots, what is tabled of them, and which slots share strings or inputs."""

    def __init__(self, problem: ClassProblem, start: Sequence, *, frozen: int) -> None:
        sizes = problem.unit_sizes
        slots, pallets = len(start.units), len(sizes)
        left = np.setdiff1d(np.arange(pallets), start.units)
        layout = layout_of(problem, sizes[start.units])
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
        self.place_in_group = np.full(len(sizes), -1, dtype=np.int64)
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
        column = np.zeros(len(self.units), dtype=np.int64)
        index = np.zeros(len(self.problem.unit_sizes), dtype=np.int64)
        pallets_in = np.zeros(len(self.sizes), dtype=np.int64)
        parts: list[FloatArray] = []
        turned: list[FloatArray] = []
        filled = 0
        for number_of_size, size in enumerate(self.sizes.tolist()):
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
            block = step * len(pallets)
            column[used] = filled + code.ravel() * block
            column[self.slots + left] = filled + len(kinds) * block
            index[pallets] = np.arange(len(pallets))
            pallets_in[number_of_size] = len(pallets)
            parts.append(held.ravel())
            turned.append(np.transpose(held, (1, 2, 0)).ravel())
            filled += held.size
        return _Tables(
            pattern=pattern,
            row=row,
            table=np.concatenate(parts),
            column=column,
            pallets_in=pallets_in,
            index=index,
            by_way=np.concatenate(turned),
            features=features,
        )

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
        lines = len(self.slots_in)
        self.line_index = np.zeros(lines, dtype=np.uint32)
        self.line_pattern = np.zeros(lines, dtype=np.uint32)
        self.line_weight = np.zeros((self.tables.features, lines))
        self.line_now = np.zeros(lines)
        self.line_day = np.zeros(lines, dtype=np.int64)
        self.line_latest = self.latest[self.slots_in]
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
        for slot in range(len(self.units)):
            keep(
                slot,
                self.units,
                self.place_in_group,
                self.tables.index,
                self.problem.unit_day,
                self.tables.pattern,
                self.weight,
                self.now,
                self.line_index,
                self.line_pattern,
                self.line_weight,
                self.line_now,
                self.line_day,
            )

    def exchange(self, rng: np.random.Generator, heats_w: FloatArray) -> None:
        """Exchange pallets at these heats [W]."""
        layout, tables = self.layout, self.tables
        exchange(
            rng,
            heats_w,
            self.frozen,
            _WINDOW,
            self.slots_in,
            self.line_index,
            self.line_pattern,
            self.line_weight,
            self.line_now,
            self.line_day,
            self.line_latest,
            self.group,
            self.group_from,
            self.place_in_group,
            self.near_from,
            self.near,
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
            tables.column,
            tables.pallets_in,
            tables.index,
            tables.by_way,
            self.weight,
            self.now,
            self.latest,
            self.problem.unit_day,
        )
