"""Compiled search over whole orders of few pallets, whatever their sizes."""

# mypy: disable-error-code="untyped-decorator,no-untyped-def"

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = ["reorder"]

_NEVER = 1e300


@numba.njit(cache=True)
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


@numba.njit(cache=True)
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


@numba.njit(cache=True)
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
