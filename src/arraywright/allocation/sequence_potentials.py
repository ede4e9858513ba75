"""A tighter number that no order of pallets can go below, by potentials of part-filled strings.

When a pallet ends, the string it ends in is part-filled: so many of its n modules have the sum T.
What the string costs once a further pallet finishes it with the sum h is - (T + h)^2 / n, whatever
came before. A potential of (place in the string, T) is handed from the pallet that leaves the
string so to the pallet that goes on with it. For any potentials the loss of an order is the sum
over its pallets of their own cost, plus the potential they take over, less the one they hand on; so
each pallet's least such cost, whatever T it may find, adds up to at most the loss of any order.
The potential is T^2 / n plus a function that is linear between knots, so that the least over all T
is found at a knot and the bound is proven for any values at the knots. A price of modules, and of
strings of each length, says what leaving a pallet out is worth. Values and prices are then chosen
to make the bound as great as possible. When pallets arrive is left out, which only makes it lower.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from scipy.optimize import minimize

from arraywright.allocation._potential_kernels import (
    least_costs,
    least_of_knots,
    smooth_costs,
    smooth_of_knots,
)
from arraywright.allocation.park_types import ClassProblem
from arraywright.arrays import BoolArray, FloatArray, IntArray

__all__ = ["PotentialBound", "potential_bound"]

_KNOTS: Final = 40
_HEADS: Final = 80
_HEATS: Final = (0.1, 0.03, 0.01, 0.003, 0.001)
_ROUNDS: Final = 100
_MEMORY: Final = 15
_ENOUGH_PALLETS: Final = 4000
_KINDS_MOST: Final = 3
_CUTS_MOST: Final = 8_000_000
_KNOT_HEAT_RATIO: Final = 0.3
_EDGE: Final = 1e-9

_Part = tuple[int, int, int, int, int]
"""Begin and end in the pallet, number of the length, begin and end in the string."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PotentialBound:
    """A proven lower bound.

    Attributes:
        bound_w: loss that no feasible sequence can go below [W].
        rounds: evaluations of the dual.
    """

    bound_w: float
    rounds: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """A way of cutting a pallet of one size: states it begins and ends in, and its parts."""

    size: int
    start: int
    stop: int
    used: int
    parts: tuple[_Part, ...]


def _ways_of_size(size: int, lengths: list[int], state_of: IntArray) -> list[_Way]:
    """Give all ways of cutting pallets of this size, -1 as stop where the last string ends."""
    ways: list[_Way] = []

    def cut(first: int, at: int, kind: int, place: int, parts: tuple[_Part, ...]) -> None:
        room = lengths[kind] - place
        if room > size - at:
            now = (*parts, (at, size, kind, place, place + size - at))
            stop = int(state_of[kind]) + place + size - at
            ways.append(_Way(size=size, start=first, stop=stop, used=size, parts=now))
            return
        now = (*parts, (at, at + room, kind, place, lengths[kind]))
        ways.append(_Way(size=size, start=first, stop=-1, used=at + room, parts=now))
        for following in range(len(lengths)):
            if at + room == size:
                stop = int(state_of[following])
                ways.append(_Way(size=size, start=first, stop=stop, used=size, parts=now))
            else:
                cut(first, at + room, following, 0, now)

    for kind, length in enumerate(lengths):
        for place in range(length):
            cut(int(state_of[kind]) + place, 0, kind, place, ())
    return ways


def _reachable(ways: list[_Way], begin: int) -> list[_Way]:
    """Keep the ways that begin in a state that some order can come to."""
    found = {begin}
    while True:
        more = {way.stop for way in ways if way.start in found and way.stop >= 0} - found
        if not more:
            return [way for way in ways if way.start in found]
        found |= more


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dual:
    """Everything the dual function rests on; (pallets, ways of a size) unless said."""

    own: FloatArray
    head: FloatArray
    first: IntArray
    past: IntArray
    start: IntArray
    stop: IntArray
    used: IntArray
    begun: FloatArray
    inside: BoolArray
    head_at: IntArray
    head_weight: FloatArray
    tail_at: IntArray
    tail_weight: FloatArray
    knots: FloatArray
    counts: IntArray
    heads: FloatArray
    inverse: FloatArray
    begin_psi: FloatArray
    begin_state: int
    modules: float
    wanted: FloatArray


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


def _interpolation(grid: FloatArray, values: FloatArray) -> tuple[IntArray, FloatArray]:
    at = np.clip(np.searchsorted(grid, values, side="right") - 1, 0, len(grid) - 2)
    return at.astype(np.int64), (values - grid[at]) / (grid[at + 1] - grid[at])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sums:
    """Pallets of a class as running sums, and what the strings of the class are."""

    sizes: IntArray
    x: FloatArray
    squares: FloatArray
    lengths: list[int]
    state_of: IntArray
    begin_state: int


def _sums(problem: ClassProblem) -> _Sums:
    kept = np.flatnonzero(problem.unit_sizes > 0)
    sizes = problem.unit_sizes[kept]
    column = np.arange(int(sizes.max()))
    index = np.minimum(problem.unit_offsets[kept][:, None] + column, len(problem.x) - 1)
    x = np.where(column < sizes[:, None], problem.x[index], 0.0)
    nothing = np.zeros((len(kept), 1))
    lengths = np.unique(problem.string_modules).tolist()
    state_of = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
    begin = lengths.index(int(problem.string_modules[0]))
    return _Sums(
        sizes=sizes,
        x=np.concatenate([nothing, np.cumsum(x, axis=1)], axis=1),
        squares=np.concatenate([nothing, np.cumsum(x**2, axis=1)], axis=1),
        lengths=lengths,
        state_of=state_of,
        begin_state=int(state_of[begin]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cuts:
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


def _cuts(sums: _Sums, ways: list[_Way]) -> _Cuts:
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
    return _Cuts(
        row_of=[rows[way.size] for way in ways],
        column_of=column_of,
        own=own,
        head=head,
        tail=tail,
        begun=begun,
        inside=inside,
    )


def _grids(sums: _Sums, ways: list[_Way], cuts: _Cuts) -> tuple[FloatArray, FloatArray, IntArray]:
    """Give knots, heads and the number of knots of each state.

    A pallet within a string only goes on to later places of it, so that one pass in order of
    place finds the range of sums a part-filled string can have.
    """
    states = int(sums.state_of[-1])
    heads: list[list[FloatArray]] = [[] for _ in range(states)]
    tails: list[list[FloatArray]] = [[] for _ in range(states)]
    for k in sorted(range(len(ways)), key=lambda number: (cuts.inside[number], ways[number].start)):
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
    knots = np.tile(np.arange(_KNOTS, dtype=np.float64), (states, 1))
    table = np.tile(np.arange(_HEADS, dtype=np.float64), (states, 1))
    counts = np.ones(states, dtype=np.int64)
    for state in set(range(states)) - set(sums.state_of.tolist()):
        if tails[state]:
            counts[state] = _KNOTS
            knots[state] = _spread_out(np.concatenate(tails[state]), _KNOTS)
        if heads[state]:
            table[state] = _spread_out(np.concatenate(heads[state]), _HEADS)
    return knots, table, counts


def _first_psi(sums: _Sums, ways: list[_Way], cuts: _Cuts, knots: FloatArray) -> FloatArray:
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


def _dual(sums: _Sums, problem: ClassProblem, ways: list[_Way]) -> _Dual:
    cuts = _cuts(sums, ways)
    knots, table, counts = _grids(sums, ways, cuts)
    shape = cuts.own.shape
    head_at, head_weight = np.zeros(shape, dtype=np.int64), np.zeros(shape)
    tail_at, tail_weight = np.zeros(shape, dtype=np.int64), np.zeros(shape)
    whole = set(sums.state_of.tolist())
    for k, way in enumerate(ways):
        row, column = cuts.row_of[k], cuts.column_of[k]
        if cuts.inside[k]:
            continue
        if way.start not in whole:
            place = _interpolation(table[way.start], cuts.head[row, column])
            head_at[row, column], head_weight[row, column] = place
        if way.stop >= 0 and way.stop not in whole:
            place = _interpolation(knots[way.stop], cuts.tail[row, column])
            tail_at[row, column], tail_weight[row, column] = place
    begin_psi = _first_psi(sums, ways, cuts, knots)
    # a string that is not begun has one potential, at the sum of nothing
    knots[sums.state_of[:-1], 0] = 0.0
    size = np.array([way.size for way in ways])
    kinds = [np.sum(problem.string_modules == one) for one in sums.lengths]
    return _Dual(
        own=cuts.own,
        head=cuts.head,
        first=np.searchsorted(size, sums.sizes).astype(np.int64),
        past=np.searchsorted(size, sums.sizes, side="right").astype(np.int64),
        start=np.array([way.start for way in ways], dtype=np.int64),
        stop=np.array([way.stop for way in ways], dtype=np.int64),
        used=np.array([way.used for way in ways], dtype=np.int64),
        begun=cuts.begun,
        inside=cuts.inside,
        head_at=head_at,
        head_weight=head_weight,
        tail_at=tail_at,
        tail_weight=tail_weight,
        knots=knots,
        counts=counts,
        heads=table,
        inverse=1.0 / np.repeat(np.array(sums.lengths, dtype=np.float64), sums.lengths),
        begin_psi=begin_psi,
        begin_state=sums.begin_state,
        modules=float(problem.string_modules.sum()),
        wanted=np.array(kinds, dtype=np.float64),
    )


def _every(dual: _Dual, step: int) -> _Dual:
    """Take every so manieth pallet, and as much less of the strings."""
    share = len(dual.own[::step]) / len(dual.own)
    return replace(
        dual,
        own=dual.own[::step].copy(),
        head=dual.head[::step].copy(),
        first=dual.first[::step].copy(),
        past=dual.past[::step].copy(),
        head_at=dual.head_at[::step].copy(),
        head_weight=dual.head_weight[::step].copy(),
        tail_at=dual.tail_at[::step].copy(),
        tail_weight=dual.tail_weight[::step].copy(),
        modules=share * dual.modules,
        wanted=share * dual.wanted,
    )


def _split(dual: _Dual, vector: FloatArray) -> tuple[FloatArray, float, FloatArray]:
    """Give potentials, the price of a module and those of strings of each length."""
    size = dual.knots.size
    return vector[:size].reshape(dual.knots.shape), float(vector[size]), vector[size + 1 :]


def _constant(dual: _Dual, vector: FloatArray) -> float:
    psi, price, kind_price = _split(dual, vector)
    earned = price * dual.modules + kind_price @ dual.wanted
    return float(earned - psi[dual.begin_state, 0])


def _pallets(dual: _Dual, table: FloatArray, vector: FloatArray) -> tuple[Any, ...]:
    psi, price, kind_price = _split(dual, vector)
    return (
        dual.own,
        dual.head,
        dual.first,
        dual.past,
        dual.start,
        dual.stop,
        dual.used,
        dual.begun,
        dual.inside,
        table,
        dual.head_at,
        dual.head_weight,
        psi,
        dual.knots,
        dual.counts,
        dual.inverse,
        dual.tail_at,
        dual.tail_weight,
        price,
        kind_price,
    )


def _exact(dual: _Dual, vector: FloatArray) -> float:
    """Give the bound at these potentials and prices; it is proven whatever they are."""
    psi, _, _ = _split(dual, vector)
    table = least_of_knots(psi, dual.knots, dual.counts, dual.heads, dual.inverse)
    return float(least_costs(*_pallets(dual, table, vector))) + _constant(dual, vector)


def _smooth(vector: FloatArray, dual: _Dual, heat: float) -> tuple[float, FloatArray]:
    """Give the smoothed dual and its derivatives, both with the sign of a cost, per pallet."""
    psi, _, _ = _split(dual, vector)
    table, share = smooth_of_knots(
        psi, dual.knots, dual.counts, dual.heads, dual.inverse, heat * _KNOT_HEAT_RATIO
    )
    value, by_table, by_psi, by_price, by_kind = smooth_costs(heat, *_pallets(dual, table, vector))
    by_psi += np.einsum("si,sij->sj", by_table, share)
    by_psi[dual.begin_state, 0] -= 1.0
    gradient = np.concatenate([by_psi.ravel(), [by_price + dual.modules], by_kind + dual.wanted])
    pallets = len(dual.own)
    return -(float(value) + _constant(dual, vector)) / pallets, -gradient / pallets


def potential_bound(problem: ClassProblem) -> PotentialBound:
    """Lower bound of the series mismatch loss [W] over all orders of pallets.

    Valid for every order, any mixture of pallet sizes and at most three lengths of strings; with
    more lengths, or where pallets can be cut in very many ways, the bound is zero. The loss between
    strings of an input is bounded by zero.

    Source: fisher-2004 (Lagrangian relaxation)
    """
    nothing = PotentialBound(bound_w=0.0, rounds=0)
    if problem.string_modules.sum() == 0 or len(np.unique(problem.string_modules)) > _KINDS_MOST:
        return nothing
    sums = _sums(problem)
    sizes = np.unique(sums.sizes).tolist()
    ways = [way for size in sizes for way in _ways_of_size(size, sums.lengths, sums.state_of)]
    ways = _reachable(ways, sums.begin_state)
    if len(ways) * len(sums.sizes) > _CUTS_MOST * len(sizes):
        return nothing
    dual = _dual(sums, problem, ways)
    sample = _every(dual, max(1, len(sums.sizes) // _ENOUGH_PALLETS))
    spread = float(np.var(problem.x)) or 1.0
    vector = np.concatenate([dual.begin_psi.ravel(), [1.5 * spread], np.zeros(len(sums.lengths))])
    best, rounds = max(0.0, _exact(dual, vector)), 0
    for heat in _HEATS:
        # a sample finds potentials and prices; the bound is worked out on all pallets
        found = minimize(
            _smooth,
            vector,
            args=(sample, heat * spread * float(np.sqrt(sums.sizes.max()))),
            jac=True,
            method="L-BFGS-B",
            options={"maxiter": _ROUNDS, "maxcor": _MEMORY},
        )
        vector = np.asarray(found.x, dtype=np.float64)
        rounds += int(found.nfev)
        best = max(best, _exact(dual, vector))
    return PotentialBound(bound_w=best, rounds=rounds)
