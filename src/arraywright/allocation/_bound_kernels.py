"""Compiled sums over pallets for the bound by potentials of part-filled strings."""

# mypy: disable-error-code="untyped-decorator,no-untyped-def"

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = ["least_costs", "least_of_knots", "smooth_costs", "smooth_of_knots"]

_FAR = 30.0
_NONE = 1e300


@numba.njit(cache=True, nogil=True)
def least_of_knots(psi, knots, counts, heads, inverse):  # pragma: no cover - compiled
    """Least over knots of potential less twice the product, at every head, (states, heads)."""
    states, many = heads.shape
    out = np.empty((states, many))
    for s in range(states):
        for i in range(many):
            best = _NONE
            for j in range(counts[s]):
                best = min(best, psi[s, j] - 2.0 * knots[s, j] * heads[s, i] * inverse[s])
            out[s, i] = best
    return out


@numba.njit(cache=True, nogil=True)
def smooth_of_knots(psi, knots, counts, heads, inverse, heat):  # pragma: no cover - compiled
    """Soft minimum of the same, below it, and each knot's share in it."""
    states, many = heads.shape
    out = np.empty((states, many))
    share = np.zeros((states, many, psi.shape[1]))
    for s in range(states):
        for i in range(many):
            best = _NONE
            for j in range(counts[s]):
                value = psi[s, j] - 2.0 * knots[s, j] * heads[s, i] * inverse[s]
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
def _at(psi, knots, s, value):  # pragma: no cover - compiled
    """Find the knot below a value, the weight of the one above, and the potential there."""
    low, high = 0, knots.shape[1] - 1
    while high - low > 1:
        middle = (low + high) // 2
        if knots[s, middle] <= value:
            low = middle
        else:
            high = middle
    weight = (value - knots[s, low]) / (knots[s, low + 1] - knots[s, low])
    return low, weight, psi[s, low] * (1.0 - weight) + psi[s, low + 1] * weight


@numba.njit(cache=True, nogil=True)
def _inside(psi, handed, knots, counts, inverse, s, e, middle):  # pragma: no cover - compiled
    """Least cost of a pallet that neither begins nor ends a string, and the sum where it is."""
    best, where = _NONE, 0.0
    for side in range(2):
        for j in range(counts[s] if side == 0 else counts[e]):
            total = knots[s, j] if side == 0 else knots[e, j] - middle
            if total < knots[s, 0] or total > knots[s, counts[s] - 1]:
                continue
            _, _, before = _at(psi, knots, s, total)
            _, _, after = _at(handed, knots, e, total + middle)
            value = before - after - 2.0 * total * middle * inverse[s]
            if value < best:
                best, where = value, total
    return best - middle * middle * inverse[s], where


@numba.njit(cache=True, nogil=True)
def _cost(
    p,
    w,
    k,
    window,
    states,
    own,
    head,
    start,
    stop,
    used,
    begun,
    inside,
    table,
    head_at,
    head_weight,
    psi,
    handed,
    knots,
    counts,
    inverse,
    tail_at,
    tail_weight,
    price,
    kind_price,
):  # pragma: no cover - compiled
    """Reduced cost of one way of using a pallet, and for one inside a string the sum before it.

    States of a window follow those of the window before; only in the last one may the last string
    end.
    """
    s, e = window * states + start[k], window * states + stop[k]
    if stop[k] < 0:
        e = -1
        if window < len(price) - 1:
            return _NONE, 0.0
    cost = own[p, w] - price[window] * used[k]
    for kind in range(len(kind_price)):
        cost -= kind_price[kind] * begun[k, kind]
    if inside[k]:
        least, where = _inside(psi, handed, knots, counts, inverse, s, e, head[p, w])
        return cost + least, where
    a, x = head_at[p, w], head_weight[p, w]
    cost += table[s, a] * (1.0 - x) + table[s, a + 1] * x
    if e >= 0:
        b, y = tail_at[p, w], tail_weight[p, w]
        cost -= handed[e, b] * (1.0 - y) + handed[e, b + 1] * y
    return cost, 0.0


@numba.njit(cache=True, nogil=True)
def least_costs(
    margin,
    states,
    from_window,
    past_window,
    own,
    head,
    first,
    past,
    start,
    stop,
    used,
    begun,
    inside,
    table,
    head_at,
    head_weight,
    psi,
    handed,
    knots,
    counts,
    inverse,
    tail_at,
    tail_weight,
    price,
    kind_price,
):  # pragma: no cover - compiled
    """Sum over pallets of the least reduced cost, zero where leaving a pallet out is better.

    Also the window after the last one in which each pallet costs at most so much more.
    """
    total = 0.0
    past_near = np.empty(len(own), dtype=np.int64)
    count_windows = len(price)
    of_window = np.empty(count_windows)
    for p in range(len(own)):
        least = 0.0
        for window in range(from_window[p], past_window[p]):
            of_window[window] = _NONE
            for k in range(first[p], past[p]):
                cost, _ = _cost(
                    p,
                    k - first[p],
                    k,
                    window,
                    states,
                    own,
                    head,
                    start,
                    stop,
                    used,
                    begun,
                    inside,
                    table,
                    head_at,
                    head_weight,
                    psi,
                    handed,
                    knots,
                    counts,
                    inverse,
                    tail_at,
                    tail_weight,
                    price,
                    kind_price,
                )
                of_window[window] = min(of_window[window], cost)
            least = min(least, of_window[window])
        total += least
        past_near[p] = from_window[p] + 1
        for window in range(from_window[p], past_window[p]):
            if of_window[window] <= least + margin:
                past_near[p] = window + 1
    return total, past_near


@numba.njit(cache=True, nogil=True)
def smooth_costs(
    heat,
    states,
    from_window,
    past_window,
    own,
    head,
    first,
    past,
    start,
    stop,
    used,
    begun,
    inside,
    table,
    head_at,
    head_weight,
    psi,
    handed,
    knots,
    counts,
    inverse,
    tail_at,
    tail_weight,
    price,
    kind_price,
):  # pragma: no cover - compiled
    """Smoothed sum of least reduced costs, and its derivatives.

    By the tables of heads, potentials, what is handed on, and prices.
    """
    by_table = np.zeros(table.shape)
    by_psi = np.zeros(psi.shape)
    by_handed = np.zeros(psi.shape)
    by_price = np.zeros(len(price))
    by_kind = np.zeros(len(kind_price))
    most = 0
    for p in range(len(own)):
        most = max(most, (past[p] - first[p]) * (past_window[p] - from_window[p]))
    reduced, at = np.empty(most), np.empty(most)
    value = 0.0
    for p in range(len(own)):
        ways = past[p] - first[p]
        count = ways * (past_window[p] - from_window[p])
        least = 0.0
        for i in range(count):
            reduced[i], at[i] = _cost(
                p,
                i % ways,
                first[p] + i % ways,
                from_window[p] + i // ways,
                states,
                own,
                head,
                start,
                stop,
                used,
                begun,
                inside,
                table,
                head_at,
                head_weight,
                psi,
                handed,
                knots,
                counts,
                inverse,
                tail_at,
                tail_weight,
                price,
                kind_price,
            )
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
            w = i % ways
            k, window = first[p] + w, from_window[p] + i // ways
            s, e = window * states + start[k], window * states + stop[k]
            by_price[window] -= share * used[k]
            for kind in range(len(kind_price)):
                by_kind[kind] -= share * begun[k, kind]
            if inside[k]:
                low, x, _ = _at(psi, knots, s, at[i])
                by_psi[s, low] += share * (1.0 - x)
                by_psi[s, low + 1] += share * x
                low, x, _ = _at(psi, knots, e, at[i] + head[p, w])
                by_handed[e, low] -= share * (1.0 - x)
                by_handed[e, low + 1] -= share * x
                continue
            a, x = head_at[p, w], head_weight[p, w]
            by_table[s, a] += share * (1.0 - x)
            by_table[s, a + 1] += share * x
            if stop[k] >= 0:
                b, y = tail_at[p, w], tail_weight[p, w]
                by_handed[e, b] -= share * (1.0 - y)
                by_handed[e, b + 1] -= share * y
    return value, by_table, by_psi, by_handed, by_price, by_kind
