"""Compiled changes of whole orders: pallets of unusual size in many, any pallet in few."""

# mypy: disable-error-code="untyped-decorator,no-untyped-def"

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = ["reorder", "spread_sizes"]

_NEVER = 1e300


@numba.njit(cache=True, nogil=True)
def _loss(
    order,
    sizes,
    x,
    y,
    squares,
    string_modules,
    string_input,
    inverse_alike,
    latest_at,
    day,
    by_input,
):  # pragma: no cover - compiled
    """Loss of an order, very great where a pallet is late or modules run short."""
    by_input[:] = 0.0
    unit, at, place, loss = 0, 0, 0, 0.0
    for s in range(len(string_modules)):
        wanted = string_modules[s]
        sum_x, sum_y = 0.0, 0.0
        missing = wanted
        while missing > 0:
            if unit == len(order):
                return _NEVER
            p = order[unit]
            if at == 0 and day[p] > latest_at[place]:
                return _NEVER
            take = min(missing, sizes[p] - at)
            sum_x += x[p, at + take] - x[p, at]
            sum_y += y[p, at + take] - y[p, at]
            loss += squares[p, at + take] - squares[p, at]
            at += take
            place += take
            missing -= take
            if at == sizes[p]:
                unit, at = unit + 1, 0
        loss += sum_y * sum_y - sum_x * sum_x / wanted
        by_input[string_input[s]] += sum_y
    for i in range(len(by_input)):
        loss -= by_input[i] * by_input[i] * inverse_alike[i]
    return loss


@numba.njit(cache=True, nogil=True)
def _move(rng, order, trial, frozen):  # pragma: no cover - compiled
    """Exchange two pallets, put one elsewhere, or turn a run of them round."""
    count = len(order)
    one, two = rng.integers(frozen, count), rng.integers(frozen, count)
    low, high = min(one, two), max(one, two)
    trial[:] = order
    kind = rng.random()
    if kind < 0.5:
        trial[low], trial[high] = order[high], order[low]
    elif kind < 0.7:
        trial[low:high] = order[low + 1 : high + 1]
        trial[high] = order[low]
    elif kind < 0.9:
        trial[low + 1 : high + 1] = order[low:high]
        trial[low] = order[high]
    else:
        for k in range(high - low + 1):
            trial[low + k] = order[high - k]


@numba.njit(cache=True, nogil=True)
def reorder(
    rng,
    order,
    frozen,
    tries,
    hot,
    cold,
    sizes,
    x,
    y,
    squares,
    string_modules,
    string_input,
    inverse_alike,
    latest_at,
    day,
):  # pragma: no cover - compiled
    """Change an order of all pallets by drawn moves at a falling heat; keep the best found."""
    by_input = np.zeros(len(inverse_alike))
    now = _loss(
        order,
        sizes,
        x,
        y,
        squares,
        string_modules,
        string_input,
        inverse_alike,
        latest_at,
        day,
        by_input,
    )
    best, trial, held = now, order.copy(), order.copy()
    for step in range(tries):
        heat = hot * (cold / hot) ** (step / tries)
        _move(rng, order, trial, frozen)
        then = _loss(
            trial,
            sizes,
            x,
            y,
            squares,
            string_modules,
            string_input,
            inverse_alike,
            latest_at,
            day,
            by_input,
        )
        if then >= _NEVER or (then > now and rng.random() >= math.exp((now - then) / heat)):
            continue
        order[:], now = trial, then
        if now < best:
            best = now
            held[:] = order
    order[:] = held
    return best


@numba.njit(cache=True, nogil=True)
def _imbalance(order, sizes, state_at, wanted, windows, total, held):  # pragma: no cover - compiled
    """How unevenly pallets begin at the places of strings, over all and in each window."""
    held[:] = 0.0
    place, used = 0, 0
    while place < total and used < len(order):
        held[place * windows // total, state_at[place]] += 1.0
        place += sizes[order[used]]
        used += 1
    if place < total:
        return _NEVER, used
    uneven = 0.0
    for s in range(len(wanted)):
        whole = 0.0
        for w in range(windows):
            whole += held[w, s]
            away = held[w, s] - wanted[s] / windows
            uneven += 0.3 * away * away / (wanted[s] / windows + 1.0)
        uneven += (whole - wanted[s]) ** 2 / (wanted[s] + 1.0)
    return uneven, used


@numba.njit(cache=True, nogil=True)
def _in_time(order, used, sizes, day, latest_at):  # pragma: no cover - compiled
    place = 0
    for k in range(used):
        if day[order[k]] > latest_at[place]:
            return False
        place += sizes[order[k]]
    return True


@numba.njit(cache=True, nogil=True)
def spread_sizes(
    rng,
    order,
    frozen,
    odd,
    usual,
    sizes,
    state_at,
    latest_at,
    day,
    wanted,
    windows,
    tries,
    heat_ratio,
):  # pragma: no cover - compiled
    """Move pallets of unusual size so that pallets begin evenly at all places of a string.

    ``order`` holds all pallets, those left over at its end, and is changed in place.
    """
    total, units = len(state_at), len(order)
    held = np.zeros((windows, len(wanted)))
    now, _ = _imbalance(order, sizes, state_at, wanted, windows, total, held)
    heat = heat_ratio * now
    trial = order.copy()
    for step in range(tries):
        unit = odd[rng.integers(0, len(odd))]
        at = 0
        while order[at] != unit:
            at += 1
        if rng.random() < 0.5:
            to = rng.integers(frozen, units)
        else:
            to = min(max(frozen, at + rng.integers(-10, 11)), units - 1)
        if at < frozen or to == at:
            continue
        trial[:] = order
        if sizes[order[to]] != usual and rng.random() < 0.7:
            trial[at], trial[to] = order[to], unit
        elif to > at:
            trial[at:to] = order[at + 1 : to + 1]
            trial[to] = unit
        else:
            trial[to + 1 : at + 1] = order[to:at]
            trial[to] = unit
        then, used = _imbalance(trial, sizes, state_at, wanted, windows, total, held)
        cooled = heat * (1.0 - step / tries) + 1e-9
        if then >= _NEVER:
            continue
        if then > now and rng.random() >= math.exp((now - then) / cooled):
            continue
        if _in_time(trial, used, sizes, day, latest_at):
            order[:] = trial
            now = then
    return now
