"""A number no order of pallets can go below: the proven bound of a class's mismatch loss.

For a string of n modules cut into parts, the square of its sum is at most the sum over parts of the
part's squared sum over its weight, for any positive weights that add up to one (Cauchy-Schwarz).
With weights that depend only on where in the string a part lies, the loss separates into what each
pallet costs for the place at which it begins. The order is then relaxed to balance: as many pallets
begin at a place in a string as end there. Balance, modules and strings per length are priced
(Lagrange), every pallet takes its cheapest way, and what that sums to is at most the loss of any
order. Prices and weights are then chosen to make it as great as possible. When pallets arrive is
left out, which only makes the bound lower.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import minimize

from arraywright.allocation._sequence_kernels import dual_exact, dual_smooth, pattern_costs
from arraywright.allocation.park_types import ClassProblem
from arraywright.arrays import FloatArray, IntArray

__all__ = ["SequenceBound", "sequence_bound"]

_HEATS: Final = (0.1, 0.02, 0.004)
_ROUNDS: Final = 90
_KINDS_MOST: Final = 3
_ENOUGH_PALLETS: Final = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class SequenceBound:
    """A proven lower bound.

    Attributes:
        bound_w: loss that no feasible sequence can go below [W].
        rounds: evaluations of the dual.
    """

    bound_w: float
    rounds: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ways:
    """All ways of cutting pallets; a way belongs to one size of pallet.

    Attributes:
        lengths: different lengths of strings.
        state_of: first state of each length; a state is a length and a place in it.
        states: number of states.
        by_size: first and past-the-last way of each size.
        start: state in which the pallet begins, (ways,).
        stop: state in which it ends, -1 where the last string ends, (ways,).
        used: modules used, (ways,).
        begun: strings of each length begun, (ways, lengths).
        part_of: parts of way k are ``part_of[k]:part_of[k + 1]``.
        begin: first module of the part in the pallet.
        end: past the last.
        factor: number of the part's weight: length, place of begin and of end.
        factor_cut: (length, from, to) of each weight.
    """

    lengths: IntArray
    state_of: IntArray
    states: int
    by_size: dict[int, tuple[int, int]]
    start: IntArray
    stop: IntArray
    used: IntArray
    begun: FloatArray
    part_of: IntArray
    begin: IntArray
    end: IntArray
    factor: IntArray
    factor_cut: IntArray


def _ways(lengths: list[int], sizes: list[int]) -> _Ways:
    state_of = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
    start: list[int] = []
    stop: list[int] = []
    used: list[int] = []
    begun: list[list[int]] = []
    part_of: list[int] = [0]
    parts: list[tuple[int, int, int]] = []
    cuts: dict[tuple[int, int, int], int] = {}
    by_size: dict[int, tuple[int, int]] = {}

    def keep(
        first: int, held: list[tuple[int, int, int, int, int]], stopped: int, taken: int
    ) -> None:
        counts = [0] * len(lengths)
        for begin, end, kind, low, high in held:
            if low == 0:
                counts[kind] += 1
            number = cuts.setdefault((kind, low, high), len(cuts))
            parts.append((begin, end, number))
        start.append(first)
        stop.append(stopped)
        used.append(taken)
        begun.append(counts)
        part_of.append(len(parts))

    def cut(
        size: int,
        first: int,
        at: int,
        kind: int,
        place: int,
        held: list[tuple[int, int, int, int, int]],
    ) -> None:
        room = lengths[kind] - place
        if room > size - at:
            now = [*held, (at, size, kind, place, place + size - at)]
            keep(first, now, int(state_of[kind]) + place + size - at, size)
            return
        now = [*held, (at, at + room, kind, place, lengths[kind])]
        keep(first, now, -1, at + room)
        if at + room == size:
            for following in range(len(lengths)):
                keep(first, now, int(state_of[following]), size)
            return
        for following in range(len(lengths)):
            cut(size, first, at + room, following, 0, now)

    for size in sizes:
        before = len(start)
        for kind, length in enumerate(lengths):
            for place in range(length):
                cut(size, int(state_of[kind]) + place, 0, kind, place, [])
        by_size[size] = (before, len(start))
    table = np.array(parts, dtype=np.int64).reshape(-1, 3)
    return _Ways(
        lengths=np.array(lengths, dtype=np.int64),
        state_of=state_of,
        states=int(state_of[-1]),
        by_size=by_size,
        start=np.array(start, dtype=np.int64),
        stop=np.array(stop, dtype=np.int64),
        used=np.array(used, dtype=np.int64),
        begun=np.array(begun, dtype=np.float64).reshape(-1, len(lengths)),
        part_of=np.array(part_of, dtype=np.int64),
        begin=table[:, 0].copy(),
        end=table[:, 1].copy(),
        factor=table[:, 2].copy(),
        factor_cut=np.array(list(cuts), dtype=np.int64).reshape(-1, 3),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dual:
    """Everything the dual function rests on."""

    ways: _Ways
    sums: FloatArray
    squares: FloatArray
    first: IntArray
    past: IntArray
    modules: float
    wanted: FloatArray
    most: int
    start_state: int


def _dual(problem: ClassProblem, *, every: int) -> _Dual:
    """Prepare the dual of every n-th pallet, with as much less to be filled."""
    kept = np.flatnonzero(problem.unit_sizes > 0)[::every]
    whole = int(problem.unit_offsets[-1])
    sizes = problem.unit_sizes[kept]
    part = 1.0 if every == 1 else float(sizes.sum()) / whole
    most = int(sizes.max())
    lengths = np.unique(problem.string_modules)
    ways = _ways(lengths.tolist(), np.unique(sizes).tolist())
    offsets = problem.unit_offsets[kept]
    column = np.arange(most)
    inside = column < sizes[:, None]
    x = np.where(inside, problem.x[np.minimum(offsets[:, None] + column, len(problem.x) - 1)], 0.0)
    nothing = np.zeros((len(kept), 1))
    return _Dual(
        ways=ways,
        sums=np.concatenate([nothing, np.cumsum(x, axis=1)], axis=1),
        squares=np.concatenate([nothing, np.cumsum(x**2, axis=1)], axis=1),
        first=np.array([ways.by_size[one][0] for one in sizes.tolist()], dtype=np.int64),
        past=np.array([ways.by_size[one][1] for one in sizes.tolist()], dtype=np.int64),
        modules=part * float(problem.string_modules.sum()),
        wanted=np.array(
            [part * np.sum(problem.string_modules == one) for one in lengths], dtype=np.float64
        ),
        most=most,
        start_state=int(ways.state_of[int(np.searchsorted(lengths, problem.string_modules[0]))]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Point:
    """Prices and weights."""

    potential: FloatArray
    price: float
    kind_price: FloatArray
    weight: FloatArray


def _point(dual: _Dual, vector: FloatArray) -> _Point:
    states, kinds = dual.ways.states, len(dual.ways.lengths)
    return _Point(
        potential=vector[:states],
        price=float(vector[states]),
        kind_price=vector[states + 1 : states + 1 + kinds],
        weight=vector[states + 1 + kinds :],
    )


def _factors(dual: _Dual, weight: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give 1 / (n weight) of every cut, the weights of cuts, and each module place's own weight."""
    place = np.empty(len(weight))
    for kind in range(len(dual.ways.lengths)):
        own = slice(dual.ways.state_of[kind], dual.ways.state_of[kind + 1])
        held = np.exp(weight[own] - weight[own].max())
        place[own] = held / held.sum()
    reach = np.concatenate([[0.0], np.cumsum(place)])
    kind, low, high = dual.ways.factor_cut.T
    base = dual.ways.state_of[kind]
    share = np.maximum(reach[base + high] - reach[base + low], 1e-12)
    return 1.0 / (dual.ways.lengths[kind] * share), share, place


def _constant(dual: _Dual, point: _Point) -> float:
    """Give what the prices earn whatever the order, at least."""
    last = point.potential[dual.ways.state_of[:-1]]
    return float(
        point.price * dual.modules
        + point.kind_price @ dual.wanted
        - point.potential[dual.start_state]
        + min(0.0, float(last.min()))
    )


def _costs(dual: _Dual, factor: FloatArray) -> FloatArray:
    ways = dual.ways
    return np.asarray(
        pattern_costs(
            dual.sums,
            dual.squares,
            dual.first,
            dual.past,
            ways.part_of,
            ways.begin,
            ways.end,
            ways.factor,
            factor,
            ways.used,
        )
    )


def _exact(dual: _Dual, vector: FloatArray) -> float:
    """Give the bound at these prices and weights; it is proven whatever they are."""
    point = _point(dual, vector)
    factor, _, _ = _factors(dual, point.weight)
    ways = dual.ways
    return _constant(dual, point) + float(
        dual_exact(
            _costs(dual, factor),
            dual.first,
            dual.past,
            ways.start,
            ways.stop,
            ways.used,
            ways.begun,
            point.potential,
            point.price,
            point.kind_price,
        )
    )


def _smooth(vector: FloatArray, dual: _Dual, heat: float) -> tuple[float, FloatArray]:
    """Give the smoothed dual and its derivatives, both with the sign of a cost, per pallet."""
    point = _point(dual, vector)
    factor, share, place = _factors(dual, point.weight)
    ways = dual.ways
    value, by_potential, by_price, by_kind, by_factor = dual_smooth(
        _costs(dual, factor),
        dual.first,
        dual.past,
        ways.start,
        ways.stop,
        ways.used,
        ways.begun,
        point.potential,
        point.price,
        point.kind_price,
        dual.sums,
        ways.part_of,
        ways.begin,
        ways.end,
        ways.factor,
        len(factor),
        heat,
    )
    by_potential[dual.start_state] -= 1.0
    last = point.potential[ways.state_of[:-1]]
    if last.min() < 0.0:
        by_potential[ways.state_of[int(np.argmin(last))]] += 1.0
    # weights: factor = 1 / (n share), share a sum of places, places a softmax
    by_share = -by_factor * factor / share
    kind, low, high = ways.factor_cut.T
    by_reach = np.zeros(len(place) + 1)
    np.add.at(by_reach, ways.state_of[kind] + high, by_share)
    np.add.at(by_reach, ways.state_of[kind] + low, -by_share)
    by_place = np.cumsum(by_reach[::-1])[::-1][1:]
    by_weight = np.empty(len(place))
    for one in range(len(ways.lengths)):
        own = slice(ways.state_of[one], ways.state_of[one + 1])
        by_weight[own] = place[own] * (by_place[own] - place[own] @ by_place[own])
    gradient = np.concatenate(
        [by_potential, [by_price + dual.modules], by_kind + dual.wanted, by_weight]
    )
    pallets = len(dual.first)
    return -(float(value) + _constant(dual, point)) / pallets, -gradient / pallets


def _first_weights(dual: _Dual) -> FloatArray:
    """Weights of places that suit independent modules: a part weighs as the root of its length."""
    held = []
    for length in dual.ways.lengths.tolist():
        cut = np.arange(length + 1, dtype=np.float64)
        reach = np.sqrt(cut) / (np.sqrt(cut) + np.sqrt(length - cut))
        held.append(np.log(np.diff(reach)))
    return np.concatenate(held)


def sequence_bound(problem: ClassProblem) -> SequenceBound:
    """Lower bound of the series mismatch loss [W] over all feasible orders of pallets.

    Valid for every order, any mixture of pallet sizes and at most three lengths of strings; with
    more lengths the bound is zero. The loss between strings of an input is bounded by zero.

    Source: fisher-2004 (Lagrangian relaxation)
    """
    total = int(problem.string_modules.sum())
    lengths = len(np.unique(problem.string_modules))
    if total == 0 or lengths > _KINDS_MOST:
        return SequenceBound(bound_w=0.0, rounds=0)
    every = max(1, len(problem.unit_sizes) // _ENOUGH_PALLETS)
    sample, dual = _dual(problem, every=every), _dual(problem, every=1)
    states = dual.ways.states
    vector = np.zeros(states + 1 + lengths + states)
    spread = float(np.var(problem.x)) or 1.0
    vector[states] = 1.5 * spread
    vector[-states:] = _first_weights(dual)
    best, rounds = max(0.0, _exact(dual, vector)), 0
    for heat in _HEATS:
        # a sample finds the prices; the bound they give is worked out on all pallets
        found = minimize(
            _smooth,
            vector,
            args=(sample, heat * spread * float(np.sqrt(dual.most))),
            jac=True,
            method="L-BFGS-B",
            options={"maxiter": _ROUNDS},
        )
        vector = np.asarray(found.x, dtype=np.float64)
        rounds += int(found.nfev)
        best = max(best, _exact(dual, vector))
    return SequenceBound(bound_w=best, rounds=rounds)
