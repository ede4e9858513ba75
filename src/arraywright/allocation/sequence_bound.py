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
to make the bound as great as possible. The building is divided into windows, each with
potentials and a price of its own, and a pallet may only begin in windows by which it is here. A
pallet that reaches from one window into the next hands on a potential of either, with the price of
the modules that reach over.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.optimize import minimize
from scipy.special import logsumexp

from arraywright.allocation._bound_kernels import (
    Knots,
    Pallets,
    Priced,
    WaysOfUse,
    least_costs,
    least_of_knots,
    smooth_costs,
    smooth_of_knots,
)
from arraywright.allocation._sequence_ways import (
    Sums,
    Way,
    cuts_of,
    first_potentials,
    grids_of,
    interpolation,
    sums_of,
    ways_of,
)
from arraywright.allocation.park_types import ClassProblem
from arraywright.allocation.sequence_windows import Windows, windows_at, windows_of
from arraywright.arrays import FloatArray, IntArray

__all__ = ["SequenceBound", "sequence_bound"]

_HEATS: Final = (0.1, 0.03, 0.01, 0.003, 0.001)
_WINDOW_HEATS: Final = (0.03, 0.01, 0.003, 0.001)
_ROUNDS: Final = 100
_MEMORY: Final = 15
_ENOUGH_PALLETS: Final = 4000
_KINDS_MOST: Final = 3
_CUTS_MOST: Final = 8_000_000
_KNOT_HEAT_RATIO: Final = 0.3
_REACH: Final = 4
"""Windows in which a pallet is first looked for; those that it might gain from are added."""
_NEAR_HEATS: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SequenceBound:
    """A proven lower bound.

    Attributes:
        bound_w: loss that no feasible sequence can go below [W].
        rounds: evaluations of the dual.
        windows: windows that the building was divided into.
    """

    bound_w: float
    rounds: int
    windows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dual:
    """Everything the dual function rests on.

    Attributes:
        pallets: what each pallet costs and moves in each way.
        ways: the ways of using pallets.
        knots: sums at which potentials are held.
        begin_psi: potentials to begin with, (states, knots).
        begin_state: state of a building not begun.
        modules: modules of the strings of each window, (windows,).
        wanted: strings of each length, (lengths,).
        over_least, over_most: modules that a pallet which ends in a state can reach over the end
            of a window, (states,).
    """

    pallets: Pallets
    ways: WaysOfUse
    knots: Knots
    begin_psi: FloatArray
    begin_state: int
    modules: FloatArray
    wanted: FloatArray
    over_least: FloatArray
    over_most: FloatArray

    @property
    def shape(self) -> tuple[int, int, int]:
        """Windows, states of each, and knots."""
        return len(self.modules), self.knots.states, self.knots.at.shape[1]


def _reach_over(sums: Sums) -> tuple[FloatArray, FloatArray]:
    """Fewest and most modules that a pallet can reach over a string's end into each state."""
    length = np.repeat(np.array(sums.lengths, dtype=np.float64), sums.lengths)
    place = np.concatenate([np.arange(one, dtype=np.float64) for one in sums.lengths])
    most = float(sums.sizes.max()) - 1.0
    if len(sums.lengths) > 1:
        return place, np.maximum(place, most)
    return place, place + length * np.maximum(0.0, (most - place) // length)


def _dual(sums: Sums, problem: ClassProblem, ways: list[Way]) -> _Dual:
    """Set up the dual of one window."""
    cuts = cuts_of(sums, ways)
    knots, table, counts = grids_of(sums, ways, cuts)
    shape = cuts.own.shape
    head_at, head_weight = np.zeros(shape, dtype=np.int64), np.zeros(shape)
    tail_at, tail_weight = np.zeros(shape, dtype=np.int64), np.zeros(shape)
    whole = set(sums.state_of.tolist())
    for k, way in enumerate(ways):
        row, column = cuts.row_of[k], cuts.column_of[k]
        if cuts.inside[k]:
            continue
        if way.start not in whole:
            place = interpolation(table[way.start], cuts.head[row, column])
            head_at[row, column], head_weight[row, column] = place
        if way.stop >= 0 and way.stop not in whole:
            place = interpolation(knots[way.stop], cuts.tail[row, column])
            tail_at[row, column], tail_weight[row, column] = place
    begin_psi = first_potentials(sums, ways, cuts, knots)
    # a string that is not begun has one potential, at the sum of nothing
    knots[sums.state_of[:-1], 0] = 0.0
    size = np.array([way.size for way in ways])
    kinds = [np.sum(problem.string_modules == one) for one in sums.lengths]
    over_least, over_most = _reach_over(sums)
    alone = windows_at(problem, np.zeros(1, dtype=np.int64))
    return _Dual(
        pallets=Pallets(
            first=np.searchsorted(size, sums.sizes).astype(np.int64),
            past=np.searchsorted(size, sums.sizes, side="right").astype(np.int64),
            from_window=alone.first[sums.pallets],
            past_window=np.ones(len(sums.sizes), dtype=np.int64),
            own=cuts.own,
            head=cuts.head,
            head_at=head_at,
            head_weight=head_weight,
            tail_at=tail_at,
            tail_weight=tail_weight,
        ),
        ways=WaysOfUse(
            start=np.array([way.start for way in ways], dtype=np.int64),
            stop=np.array([way.stop for way in ways], dtype=np.int64),
            used=np.array([way.used for way in ways], dtype=np.int64),
            begun=cuts.begun,
            inside=cuts.inside,
        ),
        knots=Knots(
            at=knots,
            counts=counts,
            heads=table,
            inverse=1.0 / np.repeat(np.array(sums.lengths, dtype=np.float64), sums.lengths),
            states=len(over_least),
        ),
        begin_psi=begin_psi,
        begin_state=sums.begin_state,
        modules=alone.modules,
        wanted=np.array(kinds, dtype=np.float64),
        over_least=over_least,
        over_most=over_most,
    )


def _in_windows(dual: _Dual, windows: Windows, pallets: IntArray) -> _Dual:
    """Divide the building of a dual of one window, (windows x states) following each other."""
    count = len(windows.modules)
    first = windows.first[pallets]
    knots = dual.knots
    return replace(
        dual,
        pallets=dual.pallets._replace(
            from_window=first, past_window=np.minimum(first + _REACH, count)
        ),
        knots=Knots(
            at=np.tile(knots.at, (count, 1)),
            counts=np.tile(knots.counts, count),
            heads=np.tile(knots.heads, (count, 1)),
            inverse=np.tile(knots.inverse, count),
            states=knots.states,
        ),
        modules=windows.modules,
    )


def _every(dual: _Dual, step: int) -> _Dual:
    """Take every so manieth pallet, and as much less of the strings."""
    taken = Pallets._make(one[::step].copy() for one in dual.pallets)
    share = len(taken.own) / len(dual.pallets.own)
    return replace(dual, pallets=taken, modules=share * dual.modules, wanted=share * dual.wanted)


def _split(dual: _Dual, vector: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give potentials, prices of a module per window and those of strings of each length."""
    size, count = dual.knots.at.size, len(dual.modules)
    psi = vector[:size].reshape(dual.knots.at.shape)
    return psi, vector[size : size + count], vector[size + count :]


def _constant(dual: _Dual, vector: FloatArray) -> float:
    psi, price, kind_price = _split(dual, vector)
    return float(price @ dual.modules + kind_price @ dual.wanted - psi[dual.begin_state, 0])


def _choices(dual: _Dual, vector: FloatArray) -> FloatArray:
    """Potentials a pallet may hand on: of its window or of the next, (3, windows, states, knots).

    The price of the modules that reach over the end of the window is between the two last.
    """
    psi, price, _ = _split(dual, vector)
    held = psi.reshape(dual.shape)
    out = np.repeat(held[None], 3, axis=0)
    step = np.diff(price)[:, None]
    out[1, :-1] = held[1:] + (step * dual.over_least)[:, :, None]
    out[2, :-1] = held[1:] + (step * dual.over_most)[:, :, None]
    return np.asarray(out)


def _exact(dual: _Dual, vector: FloatArray, margin_w: float) -> tuple[float, IntArray]:
    """Give the bound at these potentials and prices; it is proven whatever they are.

    Also the window after the last one that each pallet could gain from.
    """
    psi, price, kind_price = _split(dual, vector)
    priced = Priced(
        psi=psi,
        handed=_choices(dual, vector).max(axis=0).reshape(psi.shape),
        table=least_of_knots(psi, dual.knots),
        price=price,
        kind_price=kind_price,
    )
    to_the_end = np.full(len(dual.pallets.own), len(dual.modules), dtype=np.int64)
    everywhere = dual.pallets._replace(past_window=to_the_end)
    total, past = least_costs(margin_w, everywhere, dual.ways, dual.knots, priced)
    return float(total) + _constant(dual, vector), past


def _smooth(vector: FloatArray, dual: _Dual, heat: float) -> tuple[float, FloatArray]:
    """Give the smoothed dual and its derivatives, both with the sign of a cost, per pallet."""
    psi, price, kind_price = _split(dual, vector)
    knot_heat = heat * _KNOT_HEAT_RATIO
    table, share = smooth_of_knots(psi, dual.knots, knot_heat)
    choices = _choices(dual, vector) / knot_heat
    handed = logsumexp(choices, axis=0)
    chosen = np.exp(choices - handed)
    priced = Priced(
        psi=psi,
        handed=(knot_heat * handed).reshape(psi.shape),
        table=table,
        price=price,
        kind_price=kind_price,
    )
    value, by = smooth_costs(heat, dual.pallets, dual.ways, dual.knots, priced)
    by_psi, by_price = by.psi, by.price
    by_psi += np.einsum("si,sij->sj", by.table, share)
    by_choice = chosen * by.handed.reshape(dual.shape)
    held = by_psi.reshape(dual.shape)
    held += by_choice[0]
    held[1:] += by_choice[1, :-1] + by_choice[2, :-1]
    held[-1] += by_choice[1, -1] + by_choice[2, -1]
    by_step = by_choice[1, :-1].sum(axis=2) @ dual.over_least
    by_step += by_choice[2, :-1].sum(axis=2) @ dual.over_most
    by_price[1:] += by_step
    by_price[:-1] -= by_step
    by_psi[dual.begin_state, 0] -= 1.0
    gradient = np.concatenate(
        [by_psi.ravel(), by_price + dual.modules, by.kind_price + dual.wanted]
    )
    pallets = len(dual.pallets.own)
    return -(float(value) + _constant(dual, vector)) / pallets, -gradient / pallets


@dataclass(slots=True)
class _Climb:
    """Potentials and prices so far, the best bound, and what it took."""

    vector: FloatArray
    bound: float
    tell: Callable[[str, float], None] | None
    rounds: int = 0

    def go(self, dual: _Dual, heats: tuple[float, ...], scale: float) -> None:
        """Raise the bound at falling heats.

        A sample finds potentials and prices; the bound is worked out on all pallets.
        """
        step = max(1, len(dual.pallets.own) // _ENOUGH_PALLETS)
        for number, heat in enumerate(heats):
            if self.tell is not None:
                self.tell("proving what no order can go below", number / len(heats))
            found = minimize(
                _smooth,
                self.vector,
                args=(_every(dual, step), heat * scale),
                jac=True,
                method="L-BFGS-B",
                options={"maxiter": _ROUNDS, "maxcor": _MEMORY},
            )
            self.vector = np.asarray(found.x, dtype=np.float64)
            self.rounds += int(found.nfev)
            bound, past = _exact(dual, self.vector, _NEAR_HEATS * heat * scale)
            self.bound = max(self.bound, bound)
            least = dual.pallets.from_window + 1
            past = np.minimum(np.maximum(past, least) + 1, len(dual.modules))
            dual = replace(dual, pallets=dual.pallets._replace(past_window=past))


def sequence_bound(
    problem: ClassProblem,
    *,
    windows: Windows | None = None,
    tell: Callable[[str, float], None] | None = None,
) -> SequenceBound:
    """Lower bound of the series mismatch loss [W] over all orders of pallets that are in time.

    Valid for every such order, any mixture of pallet sizes and at most three lengths of strings;
    with more lengths, or where pallets can be cut in very many ways, the bound is zero. The loss
    between strings of an input is bounded by zero.

    Args:
        problem: the class.
        windows: division of the building; one that suits when pallets arrive when None, and none
            for so many pallets that it would take long.
        tell: told what is done and how far it is, between 0 and 1.

    Source: fisher-2004 (Lagrangian relaxation)
    """
    nothing = SequenceBound(bound_w=0.0, rounds=0, windows=0)
    if problem.string_modules.sum() == 0 or len(np.unique(problem.string_modules)) > _KINDS_MOST:
        return nothing
    sums = sums_of(problem)
    ways = ways_of(sums)
    if len(ways) * len(sums.sizes) > _CUTS_MOST * len(np.unique(sums.sizes)):
        return nothing
    dual = _dual(sums, problem, ways)
    spread = float(np.var(problem.x)) or 1.0
    scale = spread * float(np.sqrt(sums.sizes.max()))
    vector = np.concatenate([dual.begin_psi.ravel(), [1.5 * spread], np.zeros(len(sums.lengths))])
    climb = _Climb(vector=vector, bound=max(0.0, _exact(dual, vector, 0.0)[0]), tell=tell)
    climb.go(dual, _HEATS, scale)
    if windows is None and len(sums.sizes) <= _ENOUGH_PALLETS:
        windows = windows_of(problem)
    count = 1 if windows is None else len(windows.modules)
    if windows is not None and count > 1:
        psi, price, kind_price = _split(dual, climb.vector)
        climb.vector = np.concatenate(
            [np.tile(psi.ravel(), count), np.tile(price, count), kind_price]
        )
        climb.go(_in_windows(dual, windows, sums.pallets), _WINDOW_HEATS, scale)
    return SequenceBound(bound_w=climb.bound, rounds=climb.rounds, windows=count)
