"""Compiled loops of rolling planning: what a pallet costs by its place, and the next pallets."""

# mypy: disable-error-code="untyped-decorator,no-untyped-def"

from __future__ import annotations

import numba
import numpy as np

__all__ = ["choose_next", "place_costs", "smooth_dual"]


@numba.njit(cache=True)
def place_costs(sums, squares, sizes, reach):  # pragma: no cover - compiled
    """Cost of each pallet by the place in a string at which it begins, and where it then ends."""
    length = len(reach) - 1
    units = len(sizes)
    cost = np.empty((units, length))
    stop = np.empty((units, length), np.int64)
    for u in range(units):
        for begin in range(length):
            place, at, held = begin, 0, squares[u, sizes[u]]
            while at < sizes[u]:
                step = min(length - place, sizes[u] - at)
                part = sums[u, at + step] - sums[u, at]
                held -= part * part / (length * (reach[place + step] - reach[place]))
                at += step
                place += step
                if place == length:
                    place = 0
            cost[u, begin] = held
            stop[u, begin] = place
    return cost, stop


@numba.njit(cache=True)
def smooth_dual(cost, stop, sizes, potential, price, heat):  # pragma: no cover - compiled
    """Smoothed sum of the pallets' least costs, and its derivatives by potentials and price."""
    units, length = cost.shape
    value, by_price = 0.0, 0.0
    by_potential = np.zeros(length)
    held = np.empty(length)
    for u in range(units):
        least = 0.0
        for begin in range(length):
            held[begin] = (
                cost[u, begin] + potential[begin] - potential[stop[u, begin]] - price * sizes[u]
            )
            least = min(least, held[begin])
        total = np.exp(least / heat)
        for begin in range(length):
            held[begin] = np.exp((least - held[begin]) / heat)
            total += held[begin]
        value += least - heat * np.log(total)
        for begin in range(length):
            share = held[begin] / total
            by_potential[begin] += share
            by_potential[stop[u, begin]] -= share
            by_price -= share * sizes[u]
    return value, by_potential, by_price


@numba.njit(cache=True)
def _empty(
    u, s, place, held, sums, squares, sums_y, sizes, lengths, inputs, input_count, input_sum, out
):  # pragma: no cover - compiled
    """Empty a pallet into the strings from a place on; ``out`` takes cost and sums thereafter."""
    strings = len(lengths)
    cost, x, y, count, total_y = held
    at = 0
    while at < sizes[u] and s < strings:
        step = min(lengths[s] - place, sizes[u] - at)
        x += sums[u, at + step] - sums[u, at]
        y += sums_y[u, at + step] - sums_y[u, at]
        at += step
        place += step
        if place == lengths[s]:
            cost -= x * x / lengths[s]
            if count > 0.0:
                cost += count / (count + 1.0) * (y - total_y / count) ** 2
            count += 1.0
            total_y += y
            x, y, place = 0.0, 0.0, 0
            s += 1
            if s < strings and inputs[s] != inputs[s - 1]:
                count, total_y = input_count[inputs[s]], input_sum[inputs[s]]
    out[0], out[1], out[2], out[3], out[4] = cost + squares[u, at], x, y, count, total_y
    return s, place, at


@numba.njit(cache=True)
def _holds(order, level, p):  # pragma: no cover - compiled
    return np.any(order[:level] == p)


@numba.njit(cache=True)
def _of_begun(x, place, length, reach, potential):  # pragma: no cover - compiled
    """Saving expected of a string begun, when what fits best is put to it."""
    if place == 0:
        return 0.0
    places = len(reach) - 1
    like = min(max(round(place * places / length), 1), places - 1)
    return x * x / (length * reach[like]) + potential[like] - potential[0]


@numba.njit(cache=True)
def _least(score, total, kept):  # pragma: no cover - compiled
    """Give the numbers of the least scores."""
    if total > 4 * kept:
        return np.argpartition(score, kept)[:kept]
    return np.argsort(score)[:kept]


@numba.njit(cache=True)
def choose_next(
    pool,
    value,
    sums,
    squares,
    sums_y,
    sizes,
    unit_day,
    lengths,
    days,
    inputs,
    input_count,
    input_sum,
    begun,
    reach,
    potential,
    depth,
    width,
    today,
):  # pragma: no cover - compiled
    """Choose the next pallets: of many orders at once the best are carried on, pallet by pallet.

    ``begun`` is what the first string holds already: modules, sum of x, sum of y.
    """
    strings, there = len(lengths), len(pool)
    at_string = np.zeros(width, np.int64)
    at_place = np.zeros(width, np.int64)
    held = np.zeros((width, 5))  # cost, sum of x, sum of y, strings of the input, their sum of y
    order = np.full((width, depth), -1, np.int64)
    done, last = np.full(depth, -1, np.int64), np.full(depth, -1, np.int64)
    done_score, last_score = np.inf, np.inf
    at_place[0] = np.int64(begun[0])
    held[0, 1], held[0, 2] = begun[1], begun[2]
    held[0, 3], held[0, 4] = input_count[inputs[0]], input_sum[inputs[0]]
    alive = 1
    for level in range(depth):
        total = alive * there
        score = np.full(total, np.inf)
        new_string = np.zeros(total, np.int64)
        new_place = np.zeros(total, np.int64)
        new_held = np.zeros((total, 5))
        found = 0
        for i in range(total):
            b, p = i // there, i % there
            u = pool[p]
            if at_string[b] >= strings or unit_day[u] > max(today, days[at_string[b]]):
                continue
            if _holds(order[b], level, p):
                continue
            new_string[i], new_place[i], used = _empty(
                u,
                at_string[b],
                at_place[b],
                held[b],
                sums,
                squares,
                sums_y,
                sizes,
                lengths,
                inputs,
                input_count,
                input_sum,
                new_held[i],
            )
            new_held[i, 0] -= value[p] * used / sizes[u]
            score[i] = new_held[i, 0]
            if new_string[i] < strings:
                score[i] -= _of_begun(
                    new_held[i, 1], new_place[i], lengths[new_string[i]], reach, potential
                )
            found += 1
        if found == 0:
            break
        alive = min(width, found)
        index = _least(score, total, alive)
        before = order.copy()
        last_score = np.inf
        for q in range(alive):
            i = index[q]
            order[q] = before[i // there]
            order[q, level] = i % there
            at_string[q], at_place[q], held[q] = new_string[i], new_place[i], new_held[i]
            # an order that fills every string is not carried on, but remembered
            if at_string[q] >= strings and score[i] < done_score:
                done_score = score[i]
                done[:] = order[q]
            elif at_string[q] < strings and score[i] < last_score:
                last_score = score[i]
                last[:] = order[q]
    chosen = last if last_score < done_score else done
    return pool[chosen[chosen >= 0]]
