"""Compiled sums over pallets and ways of cutting them, for the bound of a sequence."""

# mypy: disable-error-code="untyped-decorator,no-untyped-def"

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = ["dual_exact", "dual_smooth", "pattern_costs"]


@numba.njit(cache=True)
def pattern_costs(
    sums, squares, first_pattern, past_pattern, part_of, begin, end, factor_index, factor, used
):  # pragma: no cover - compiled
    """Cost of each pallet under each way of cutting pallets of its size.

    Column ``k`` is the pallet's way ``first_pattern + k``. A way costs the squares of the modules
    it uses less, for each part, ``factor`` times the square of the part's sum.
    """
    pallets = len(sums)
    widest = 0
    for p in range(pallets):
        widest = max(widest, past_pattern[p] - first_pattern[p])
    out = np.full((pallets, widest), np.inf)
    for p in range(pallets):
        for k in range(first_pattern[p], past_pattern[p]):
            cost = squares[p, used[k]]
            for q in range(part_of[k], part_of[k + 1]):
                part = sums[p, end[q]] - sums[p, begin[q]]
                cost -= factor[factor_index[q]] * part * part
            out[p, k - first_pattern[p]] = cost
    return out


@numba.njit(cache=True)
def _reduced(
    cost, k, start, stop, used, starts_kind, potential, price, kind_price
):  # pragma: no cover - compiled
    """Cost of a pallet under one way, with what balance, modules and strings are priced at."""
    reduced = cost - price * used[k] + potential[start[k]]
    if stop[k] >= 0:
        reduced -= potential[stop[k]]
    for kind in range(starts_kind.shape[1]):
        reduced -= kind_price[kind] * starts_kind[k, kind]
    return reduced


@numba.njit(cache=True)
def dual_exact(
    cost, first_pattern, past_pattern, start, stop, used, starts_kind, potential, price, kind_price
):  # pragma: no cover - compiled
    """Sum over pallets of the least reduced cost, zero where leaving a pallet out is better."""
    total = 0.0
    for p in range(len(cost)):
        least = 0.0
        for k in range(first_pattern[p], past_pattern[p]):
            least = min(
                least,
                _reduced(
                    cost[p, k - first_pattern[p]],
                    k,
                    start,
                    stop,
                    used,
                    starts_kind,
                    potential,
                    price,
                    kind_price,
                ),
            )
        total += least
    return total


@numba.njit(cache=True)
def dual_smooth(
    cost,
    first_pattern,
    past_pattern,
    start,
    stop,
    used,
    starts_kind,
    potential,
    price,
    kind_price,
    sums,
    part_of,
    begin,
    end,
    factor_index,
    factors,
    heat,
):  # pragma: no cover - compiled
    """Smoothed sum of least reduced costs and its derivatives, by soft minimum of this heat."""
    kinds = starts_kind.shape[1]
    value = 0.0
    by_potential = np.zeros(len(potential))
    by_price = 0.0
    by_kind = np.zeros(kinds)
    by_factor = np.zeros(factors)
    reduced = np.empty(cost.shape[1])
    for p in range(len(cost)):
        first, past = first_pattern[p], past_pattern[p]
        least = 0.0
        for k in range(first, past):
            reduced[k - first] = _reduced(
                cost[p, k - first], k, start, stop, used, starts_kind, potential, price, kind_price
            )
            least = min(least, reduced[k - first])
        total = math.exp(least / heat)
        for k in range(first, past):
            away = (least - reduced[k - first]) / heat
            reduced[k - first] = math.exp(away) if away > -40.0 else 0.0
            total += reduced[k - first]
        value += least - heat * math.log(total)
        for k in range(first, past):
            share = reduced[k - first] / total
            if share == 0.0:
                continue
            by_potential[start[k]] += share
            if stop[k] >= 0:
                by_potential[stop[k]] -= share
            by_price -= share * used[k]
            for kind in range(kinds):
                by_kind[kind] -= share * starts_kind[k, kind]
            for q in range(part_of[k], part_of[k + 1]):
                part = sums[p, end[q]] - sums[p, begin[q]]
                by_factor[factor_index[q]] -= share * part * part
    return value, by_potential, by_price, by_kind, by_factor
