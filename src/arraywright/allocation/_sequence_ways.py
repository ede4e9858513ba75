"""Ways in which pallets lie in strings one after the other, and the sums that they leave there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.allocation.park_types import ClassProblem
from arraywright.arrays import BoolArray, FloatArray, IntArray

_KNOTS_LEAST: Final = 12
_KNOTS_MOST: Final = 40
_PALLETS_PER_KNOT: Final = 5
_EDGE: Final = 1e-9

_Part = tuple[int, int, int, int, int]
"""Begin and end in the pallet, number of the length, begin and end in the string."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A way of cutting a pallet of one size: states it begins and ends in, and its parts."""

    size: int
    start: int
    stop: int
    used: int
    parts: tuple[_Part, ...]


def _ways_of_size(size: int, lengths: list[int], state_of: IntArray) -> list[Way]:
    """Give all ways of cutting pallets of this size, -1 as stop where the last string ends."""
    ways: list[Way] = []

    def cut(first: int, at: int, kind: int, place: int, parts: tuple[_Part, ...]) -> None:
        room = lengths[kind] - place
        if room > size - at:
            now = (*parts, (at, size, kind, place, place + size - at))
            stop = int(state_of[kind]) + place + size - at
            ways.append(Way(size=size, start=first, stop=stop, used=size, parts=now))
            return
        now = (*parts, (at, at + room, kind, place, lengths[kind]))
        ways.append(Way(size=size, start=first, stop=-1, used=at + room, parts=now))
        for following in range(len(lengths)):
            if at + room == size:
                stop = int(state_of[following])
                ways.append(Way(size=size, start=first, stop=stop, used=size, parts=now))
            else:
                cut(first, at + room, following, 0, now)

    for kind, length in enumerate(lengths):
        for place in range(length):
            cut(int(state_of[kind]) + place, 0, kind, place, ())
    return ways


def _reachable(ways: list[Way], begin: int) -> list[Way]:
    """Keep the ways that begin in a state that some order can come to."""
    found = {begin}
    while True:
        more = {way.stop for way in ways if way.start in found and way.stop >= 0} - found
        if not more:
            return [way for way in ways if way.start in found]
        found |= more


def ways_of(sums: Sums) -> list[Way]:
    """Give the ways of cutting pallets of each size, in states that some order can come to."""
    sizes = np.unique(sums.sizes).tolist()
    ways = [way for size in sizes for way in _ways_of_size(size, sums.lengths, sums.state_of)]
    return _reachable(ways, sums.begin_state)


def _spread_out(values: FloatArray, number: int) -> FloatArray:
    """Lay knots over values: half by rank, half by size, the outer ones just outside."""
    low, high = float(values.min()), float(values.max())
    share = np.linspace(0.0, 1.0, number)
    edge = _EDGE * max(1.0, abs(low), abs(high))
    knots = 0.5 * np.quantile(values, share) + 0.5 * (low + (high - low) * share)
    # ties would make knots coincide
    knots = knots + edge * np.linspace(-1.0, 1.0, number)
    knots[0], knots[-1] = low - 2.0 * edge, high + 2.0 * edge
    return np.asarray(knots)


def interpolation(grid: FloatArray, values: FloatArray) -> tuple[IntArray, FloatArray]:
    """Give the knot below each value and the weight of the one above."""
    at = np.clip(np.searchsorted(grid, values, side="right") - 1, 0, len(grid) - 2)
    return at.astype(np.int64), (values - grid[at]) / (grid[at + 1] - grid[at])


@dataclass(frozen=True, slots=True, kw_only=True)
class Sums:
    """Pallets of a class as running sums, and what the strings of the class are.

    Attributes:
        pallets: numbers of the pallets that hold modules, (pallets,).
        sizes: modules of each, (pallets,).
        x: running sums of the current coordinate, (pallets, 1 + largest pallet).
        squares: running sums of its square, alike.
        lengths: lengths of strings, rising.
        state_of: first state of each length, and the number of states, (lengths + 1,).
        begin_state: state in which the first string begins.
    """

    pallets: IntArray
    sizes: IntArray
    x: FloatArray
    squares: FloatArray
    lengths: list[int]
    state_of: IntArray
    begin_state: int


def sums_of(problem: ClassProblem) -> Sums:
    """Sum pallets from the top."""
    kept = np.flatnonzero(problem.unit_sizes > 0)
    sizes = problem.unit_sizes[kept]
    column = np.arange(int(sizes.max()))
    index = np.minimum(problem.unit_offsets[kept][:, None] + column, len(problem.x) - 1)
    x = np.where(column < sizes[:, None], problem.x[index], 0.0)
    nothing = np.zeros((len(kept), 1))
    lengths = np.unique(problem.string_modules).tolist()
    state_of = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
    begin = lengths.index(int(problem.string_modules[0]))
    return Sums(
        pallets=kept,
        sizes=sizes,
        x=np.concatenate([nothing, np.cumsum(x, axis=1)], axis=1),
        squares=np.concatenate([nothing, np.cumsum(x**2, axis=1)], axis=1),
        lengths=lengths,
        state_of=state_of,
        begin_state=int(state_of[begin]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Cuts:
    """What every pallet puts where under every way of cutting it.

    Attributes:
        row_of: pallets of the size of each way.
        column_of: column of each way in the tables of its size.
        own: squares less those of the sums it alone decides, (pallets, ways of a size).
        head: sum it puts into the string it finishes, or into the one it lies in whole.
        tail: sum it puts into the string it leaves part-filled.
        begun: strings of each length begun, (ways, lengths).
        inside: whether it neither begins nor ends the string it lies in, (ways,).
    """

    row_of: list[IntArray]
    column_of: list[int]
    own: FloatArray
    head: FloatArray
    tail: FloatArray
    begun: FloatArray
    inside: BoolArray


def cuts_of(sums: Sums, ways: list[Way]) -> Cuts:
    """Work out what every pallet puts where under every way of cutting it."""
    count: dict[int, int] = {}
    column_of = []
    for way in ways:
        column_of.append(count.get(way.size, 0))
        count[way.size] = column_of[-1] + 1
    rows = {size: np.flatnonzero(sums.sizes == size) for size in count}
    shape = len(sums.sizes), max(count.values())
    own, head, tail = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    begun = np.zeros((len(ways), len(sums.lengths)))
    inside = np.zeros(len(ways), dtype=np.bool_)
    for k, (way, column) in enumerate(zip(ways, column_of, strict=True)):
        row = rows[way.size]
        own[row, column] = sums.squares[row, way.used]
        for begin, end, kind, low, high in way.parts:
            value = sums.x[row, end] - sums.x[row, begin]
            length = sums.lengths[kind]
            begun[k, kind] += low == 0
            inside[k] |= low > 0 and high < length
            if not inside[k]:
                own[row, column] -= value**2 / length
            if low > 0:
                head[row, column] = value
            elif high < length:
                tail[row, column] = value
    return Cuts(
        row_of=[rows[way.size] for way in ways],
        column_of=column_of,
        own=own,
        head=head,
        tail=tail,
        begun=begun,
        inside=inside,
    )


def grids_of(sums: Sums, ways: list[Way], cuts: Cuts) -> tuple[FloatArray, FloatArray, IntArray]:
    """Give knots, heads and the number of knots of each state.

    A pallet within a string only goes on to later places of it, so that one pass in order of
    place finds the range of sums a part-filled string can have.
    """
    states = int(sums.state_of[-1])
    number = int(np.clip(len(sums.sizes) // _PALLETS_PER_KNOT, _KNOTS_LEAST, _KNOTS_MOST))
    heads: list[list[FloatArray]] = [[] for _ in range(states)]
    tails: list[list[FloatArray]] = [[] for _ in range(states)]
    for k in sorted(range(len(ways)), key=lambda way: (cuts.inside[way], ways[way].start)):
        way, row, column = ways[k], cuts.row_of[k], cuts.column_of[k]
        if cuts.inside[k] and tails[way.start]:
            before = np.concatenate(tails[way.start])
            sums_after = cuts.head[row, column]
            tails[way.stop].append(
                np.array([before.min() + sums_after.min(), before.max() + sums_after.max()])
            )
        elif not cuts.inside[k]:
            heads[way.start].append(cuts.head[row, column])
            if way.stop >= 0:
                tails[way.stop].append(cuts.tail[row, column])
    knots = np.tile(np.arange(number, dtype=np.float64), (states, 1))
    table = np.tile(np.arange(2 * number, dtype=np.float64), (states, 1))
    counts = np.ones(states, dtype=np.int64)
    for state in set(range(states)) - set(sums.state_of.tolist()):
        if tails[state]:
            counts[state] = number
            knots[state] = _spread_out(np.concatenate(tails[state]), number)
        if heads[state]:
            table[state] = _spread_out(np.concatenate(heads[state]), 2 * number)
    return knots, table, counts


def first_potentials(sums: Sums, ways: list[Way], cuts: Cuts, knots: FloatArray) -> FloatArray:
    """Start with a parabola for each part-filled string, (states, knots).

    The one that suits the spreads of the sums that meet there, or independent modules where most
    pallets are shorter than a string.
    """
    length = np.repeat(np.array(sums.lengths, dtype=np.float64), sums.lengths)
    place = np.concatenate([np.arange(one, dtype=np.float64) for one in sums.lengths])
    ratio = np.sqrt((length - place) / np.maximum(place, 1.0))
    if np.median(sums.sizes) >= max(sums.lengths) - 1:
        spread = np.ones((2, len(knots)))
        for k, way in enumerate(ways):
            row, column = cuts.row_of[k], cuts.column_of[k]
            if cuts.inside[k] or len(row) == 0:
                continue
            spread[0, way.start] = max(float(cuts.head[row, column].std()), _EDGE)
            if way.stop >= 0:
                spread[1, way.stop] = max(float(cuts.tail[row, column].std()), _EDGE)
        ratio = spread[0] / spread[1]
    psi = (ratio / length)[:, None] * knots**2
    psi[sums.state_of[:-1]] = 0.0
    return np.asarray(psi)
