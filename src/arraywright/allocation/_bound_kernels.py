"""Compiled sums over pallets for the bound by potentials of part-filled strings."""

# mypy: disable-error-code="untyped-decorator,no-untyped-def"

from __future__ import annotations

import math
from typing import NamedTuple

import numba
import numpy as np

from arraywright.arrays import BoolArray, FloatArray, IntArray

__all__ = [
    "Knots",
    "Pallets",
    "Priced",
    "WaysOfUse",
    "least_costs",
    "least_of_knots",
    "smooth_costs",
    "smooth_of_knots",
]

_FAR = 30.0
_NONE = 1e300


class Pallets(NamedTuple):
    """Pallets and what each of their ways of use costs and moves, (pallets, ways of a size).

    Attributes:
        first: first way of the pallet's size, (pallets,).
        past: past its last.
        from_window: first window it may begin in, (pallets,).
        past_window: past the last it is looked for in.
        own: what a way costs of itself.
        head: sum of the modules that finish a string, or of all where a way is inside a string.
        head_at, head_weight: place of the head among the tabled ones.
        tail_at, tail_weight: place of the sum of the modules that begin a string among the knots.
    """

    first: IntArray
    past: IntArray
    from_window: IntArray
    past_window: IntArray
    own: FloatArray
    head: FloatArray
    head_at: IntArray
    head_weight: FloatArray
    tail_at: IntArray
    tail_weight: FloatArray


class WaysOfUse(NamedTuple):
    """Ways of using a pallet, (ways,).

    Attributes:
        start: state before it.
        stop: state after it, -1 where the last string ends.
        used: modules used.
        begun: strings begun of each length, (ways, lengths).
        inside: whether it neither begins nor ends a string.
    """

    start: IntArray
    stop: IntArray
    used: IntArray
    begun: FloatArray
    inside: BoolArray


class Knots(NamedTuple):
    """Sums at which potentials are held; states of a window follow those of the window before.

    Attributes:
        at: the sums, (windows x states, knots).
        counts: knots of each state, (windows x states,).
        heads: sums that finish a string, tabled, (windows x states, heads).
        inverse: one by the length of the state's string, (windows x states,).
        states: states of one window.
    """

    at: FloatArray
    counts: IntArray
    heads: FloatArray
    inverse: FloatArray
    states: int


class Priced(NamedTuple):
    """Potentials and prices.

    Attributes:
        psi: potentials taken over, (windows x states, knots).
        handed: potentials handed on, (windows x states, knots).
        table: least over knots at every tabled head, (windows x states, heads).
        price: of a module in each window, (windows,).
        kind_price: of a string of each length, (lengths,).
    """

    psi: FloatArray
    handed: FloatArray
    table: FloatArray
    price: FloatArray
    kind_price: FloatArray


@numba.njit(cache=True, nogil=True)
def least_of_knots(psi, knots):  # pragma: no cover - compiled
    """Least over knots of potential less twice the product, at every head, (states, heads)."""
    at, counts, heads, inverse = knots.at, knots.counts, knots.heads, knots.inverse
    states, many = heads.shape
    out = np.empty((states, many))
    for s in range(states):
        for i in range(many):
            best = _NONE
            for j in range(counts[s]):
                best = min(best, psi[s, j] - 2.0 * at[s, j] * heads[s, i] * inverse[s])
            out[s, i] = best
    return out


@numba.njit(cache=True, nogil=True)
def smooth_of_knots(psi, knots, heat):  # pragma: no cover - compiled
    """Soft minimum of the same, below it, and each knot's share in it."""
    at, counts, heads, inverse = knots.at, knots.counts, knots.heads, knots.inverse
    states, many = heads.shape
    out = np.empty((states, many))
    share = np.zeros((states, many, psi.shape[1]))
    for s in range(states):
        for i in range(many):
            best = _NONE
            for j in range(counts[s]):
                value = psi[s, j] - 2.0 * at[s, j] * heads[s, i] * inverse[s]
                share[s, i, j] = value
                best = min(best, value)
            total = 0.0
            for j in range(counts[s]):
                away = (share[s, i, j] - best) / heat
                share[s, i, j] = math.exp(-away) if away < _FAR else 0.0
                total += share[s, i, j]
            for j in range(counts[s]):
                share[s, i, j] /= total
            out[s, i] = best - heat * math.log(total)
    return out, share


@numba.njit(cache=True, nogil=True)
def _at(psi, at, s, value):  # pragma: no cover - compiled
    """Find the knot below a value, the weight of the one above, and the potential there."""
    low, high = 0, at.shape[1] - 1
    while high - low > 1:
        middle = (low + high) // 2
        if at[s, middle] <= value:
            low = middle
        else:
            high = middle
    weight = (value - at[s, low]) / (at[s, low + 1] - at[s, low])
    return low, weight, psi[s, low] * (1.0 - weight) + psi[s, low + 1] * weight


@numba.njit(cache=True, nogil=True)
def _inside(priced, knots, s, e, middle):  # pragma: no cover - compiled
    """Least cost of a pallet that neither begins nor ends a string, and the sum where it is."""
    at, counts, inverse = knots.at, knots.counts, knots.inverse
    best, where = _NONE, 0.0
    for side in range(2):
        for j in range(counts[s] if side == 0 else counts[e]):
            total = at[s, j] if side == 0 else at[e, j] - middle
            if total < at[s, 0] or total > at[s, counts[s] - 1]:
                continue
            _, _, before = _at(priced.psi, at, s, total)
            _, _, after = _at(priced.handed, at, e, total + middle)
            value = before - after - 2.0 * total * middle * inverse[s]
            if value < best:
                best, where = value, total
    return best - middle * middle * inverse[s], where


@numba.njit(cache=True, nogil=True)
def _cost(p, w, window, pallets, ways, knots, priced):  # pragma: no cover - compiled
    """Reduced cost of one way of using a pallet, and for one inside a string the sum before it.

    Only in the last window may the last string end.
    """
    k = pallets.first[p] + w
    s, e = window * knots.states + ways.start[k], window * knots.states + ways.stop[k]
    if ways.stop[k] < 0:
        e = -1
        if window < len(priced.price) - 1:
            return _NONE, 0.0
    cost = pallets.own[p, w] - priced.price[window] * ways.used[k]
    for kind in range(len(priced.kind_price)):
        cost -= priced.kind_price[kind] * ways.begun[k, kind]
    if ways.inside[k]:
        least, where = _inside(priced, knots, s, e, pallets.head[p, w])
        return cost + least, where
    a, x = pallets.head_at[p, w], pallets.head_weight[p, w]
    cost += priced.table[s, a] * (1.0 - x) + priced.table[s, a + 1] * x
    if e >= 0:
        b, y = pallets.tail_at[p, w], pallets.tail_weight[p, w]
        cost -= priced.handed[e, b] * (1.0 - y) + priced.handed[e, b + 1] * y
    return cost, 0.0


@numba.njit(cache=True, nogil=True)
def least_costs(margin, pallets, ways, knots, priced):  # pragma: no cover - compiled
    """Sum over pallets of the least reduced cost, zero where leaving a pallet out is better.

    Also the window after the last one in which each pallet costs at most so much more.
    """
    total = 0.0
    count = len(pallets.own)
    past_near = np.empty(count, dtype=np.int64)
    of_window = np.empty(len(priced.price))
    for p in range(count):
        least = 0.0
        for window in range(pallets.from_window[p], pallets.past_window[p]):
            of_window[window] = _NONE
            for w in range(pallets.past[p] - pallets.first[p]):
                cost, _ = _cost(p, w, window, pallets, ways, knots, priced)
                of_window[window] = min(of_window[window], cost)
            least = min(least, of_window[window])
        total += least
        past_near[p] = pallets.from_window[p] + 1
        for window in range(pallets.from_window[p], pallets.past_window[p]):
            if of_window[window] <= least + margin:
                past_near[p] = window + 1
    return total, past_near


@numba.njit(cache=True, nogil=True)
def smooth_costs(heat, pallets, ways, knots, priced):  # pragma: no cover - compiled
    """Smoothed sum of least reduced costs, and its derivatives in the order of ``Priced``."""
    by_psi = np.zeros(priced.psi.shape)
    by_handed = np.zeros(priced.psi.shape)
    by_table = np.zeros(priced.table.shape)
    by_price = np.zeros(len(priced.price))
    by_kind = np.zeros(len(priced.kind_price))
    most = 0
    for p in range(len(pallets.own)):
        windows = pallets.past_window[p] - pallets.from_window[p]
        most = max(most, (pallets.past[p] - pallets.first[p]) * windows)
    reduced, sums = np.empty(most), np.empty(most)
    value = 0.0
    for p in range(len(pallets.own)):
        many = pallets.past[p] - pallets.first[p]
        count = many * (pallets.past_window[p] - pallets.from_window[p])
        least = 0.0
        for i in range(count):
            window = pallets.from_window[p] + i // many
            reduced[i], sums[i] = _cost(p, i % many, window, pallets, ways, knots, priced)
            least = min(least, reduced[i])
        total = math.exp(least / heat) if least > -_FAR * heat else 0.0
        for i in range(count):
            away = (reduced[i] - least) / heat
            reduced[i] = math.exp(-away) if away < _FAR else 0.0
            total += reduced[i]
        value += least - heat * math.log(total)
        for i in range(count):
            if reduced[i] == 0.0:
                continue
            share = reduced[i] / total
            w = i % many
            k, window = pallets.first[p] + w, pallets.from_window[p] + i // many
            s, e = window * knots.states + ways.start[k], window * knots.states + ways.stop[k]
            by_price[window] -= share * ways.used[k]
            for kind in range(len(by_kind)):
                by_kind[kind] -= share * ways.begun[k, kind]
            if ways.inside[k]:
                low, x, _ = _at(priced.psi, knots.at, s, sums[i])
                by_psi[s, low] += share * (1.0 - x)
                by_psi[s, low + 1] += share * x
                low, x, _ = _at(priced.psi, knots.at, e, sums[i] + pallets.head[p, w])
                by_handed[e, low] -= share * (1.0 - x)
                by_handed[e, low + 1] -= share * x
                continue
            a, x = pallets.head_at[p, w], pallets.head_weight[p, w]
            by_table[s, a] += share * (1.0 - x)
            by_table[s, a + 1] += share * x
            if ways.stop[k] >= 0:
                b, y = pallets.tail_at[p, w], pallets.tail_weight[p, w]
                by_handed[e, b] -= share * (1.0 - y)
                by_handed[e, b + 1] -= share * y
    return value, Priced(by_psi, by_handed, by_table, by_price, by_kind)
