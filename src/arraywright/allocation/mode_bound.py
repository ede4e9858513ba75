"""Money no plan can go below, whatever way each drop point is filled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.allocation._mode_kernels import end_windows, priced_partitions, windows_bound
from arraywright.allocation.park_types import ClassProblem, Coefficients
from arraywright.arrays import FloatArray, IntArray

__all__ = ["ModeBound", "any_way_bound", "mode_bound"]

_PRICES: Final = 16
_ROUNDS: Final = 25


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeBound:
    """Lower bounds of the money of mismatch and handling together.

    Attributes:
        money: the greatest of the bounds; no plan of whole pallets, piles and single modules at
            drop points costs less.
        by_matching: from the least loss of any deal of the modules.
        by_order: from the bound of the order of whole pallets, less what sorting could save.
        by_parts: from the parts into which pallets are cut, at the price of piles.
        handling_least: opening and trucking that no plan goes without; part of all three.
    """

    money: float
    by_matching: float
    by_order: float
    by_parts: float
    handling_least: float


def any_way_bound(problem: ClassProblem) -> float:
    """Loss within strings [W] that no deal of the class's modules to its strings goes below.

    Strings of given lengths lose least when each is a run of modules sorted by current. Disjoint
    runs of these lengths are chosen by dynamic programming; how many of each length is priced
    (Lagrange), so that the bound stands for any stock left over.

    Source: fisher-1958 (runs), fisher-2004 (prices)
    """
    lengths, wanted = np.unique(problem.string_modules, return_counts=True)
    if not len(lengths):
        return 0.0
    x = np.sort(problem.x)
    lengths = lengths.astype(np.int64)
    if int(problem.string_modules.sum()) > len(x):
        return 0.0
    # from a price at which a run of the loosest modules would still be bought, by powers of ten
    decades = np.log10(np.maximum(_spread_of_runs(x, lengths), 1e-30)) - 3.0
    step, best = 3.0, 0.0
    for _ in range(_ROUNDS):
        prices = 10.0**decades
        least, taken = windows_bound(x, lengths, prices)
        best = max(best, float(least + prices @ wanted))
        short = np.sign(wanted - taken)
        if not np.any(short):
            break
        decades = decades + step * short
        step *= 0.8
    return best


def _spread_of_runs(x: FloatArray, lengths: IntArray) -> FloatArray:
    """Greatest squared deviation of a run of each length."""
    sums = np.concatenate([[0.0], np.cumsum(x)])
    squares = np.concatenate([[0.0], np.cumsum(x**2)])
    out = []
    for n in lengths.tolist():
        part, square = sums[n:] - sums[:-n], squares[n:] - squares[:-n]
        out.append(float(np.max(square - part**2 / n)) if len(part) else 0.0)
    return np.array(out)


def _sorted_windows(problem: ClassProblem) -> FloatArray:
    unit = np.repeat(np.arange(len(problem.unit_sizes)), problem.unit_sizes)
    return np.asarray(problem.x[np.lexsort((problem.x, unit))])


def _cheapest(cost: FloatArray, sizes: IntArray, *, least: int, most: int) -> float:
    """Least sum of costs of pallets whose modules are between two numbers, parts of pallets too."""
    ratio = cost / sizes
    order = np.argsort(ratio)
    reach = np.cumsum(sizes[order])
    paid = np.cumsum(cost[order])
    gains = order[ratio[order] < 0.0]
    target = min(max(least, int(sizes[gains].sum())), most)
    at = int(np.searchsorted(reach, target, side="left"))
    if at >= len(order):
        return float(paid[-1])
    before = reach[at - 1] if at else 0
    return float((paid[at - 1] if at else 0.0) + ratio[order[at]] * (target - before))


def _by_parts(
    problem: ClassProblem, coefficients: Coefficients, ordered: FloatArray, price: float
) -> float:
    """Bound at one price of a part, in money.

    In sections that are not sorted singly pallets and piles laid one behind the other are cut at
    most once per string: parts are at most one per whole pallet, k per piled one, and one more per
    string. With a price on parts each pallet takes its cheapest way. A pallet that lies at two drop
    points may be treated in two ways: the border allows it k parts more, and its handling is taken
    to cost nothing. So is that of the last pallet, used in part. This is granted to as many pallets
    as there are borders and one more, those to which it means most.
    """
    value, k = coefficients.value_per_w, coefficients.piles_most
    kept = np.flatnonzero(problem.unit_sizes > 0)
    sizes = problem.unit_sizes[kept]
    offsets = np.append(problem.unit_offsets[:-1][kept], problem.unit_offsets[-1])
    per_w = price / value
    whole = value * priced_partitions(problem.x, offsets, per_w) - price
    split = value * priced_partitions(ordered, offsets, per_w) - price * k
    piled = coefficients.pile_cost_per_module * sizes + split
    single = coefficients.single_cost_per_module * sizes
    cost = np.minimum(np.minimum(whole, piled), single)
    borders = len(np.unique(problem.string_section)) - 1
    granted = cost - np.minimum(cost, np.minimum(split, 0.0) - price * k)
    wanted = int(problem.string_modules.sum())
    largest = np.sort(granted)[::-1][: borders + 1]
    least = _cheapest(cost, sizes, least=wanted, most=wanted + int(sizes.max()) - 1)
    return least - float(largest.sum()) - price * len(problem.string_modules)


def _saved_by_sorting(problem: ClassProblem, *, value: float, cheaper: float) -> float:
    """Most that sorting sections can save against the same order filled whole, in money.

    A section filled whole loses at most the sum of its ``x^2``, sorted it costs at least the
    cheaper way for all its modules. Where no drop point gets less than a pallet holds, a pallet
    lies at two drop points at most: all pallets count whole, and as many as there are borders, and
    the last, by whichever end of theirs saves most.
    """
    wanted = int(problem.string_modules.sum())
    worth = value * problem.x**2 - cheaper
    single = float(np.sort(np.maximum(worth, 0.0))[::-1][:wanted].sum())
    section = np.unique(problem.string_section, return_inverse=True)[1]
    held = np.bincount(section, weights=problem.string_modules)
    if np.any(held < problem.unit_sizes.max(initial=0)):
        return single
    whole, ends = end_windows(worth, problem.unit_offsets)
    whole = np.maximum(whole, 0.0)
    more = np.sort(np.maximum(ends - whole, 0.0))[::-1][: len(held)]
    return min(single, float(whole.sum() + more.sum()))


def mode_bound(
    problem: ClassProblem, coefficients: Coefficients, *, order_bound_w: float
) -> ModeBound:
    """Money that no plan of whole pallets, piles and single modules can go below.

    The greatest of three bounds, to each of which opening and trucking of as few pallets as hold
    the modules is added:

    * matching: ``value x any_way_bound``;
    * order: ``order_bound_w`` holds for the same order of pallets filled whole everywhere, less
      the most that sorting drop points could save at the cheaper price of sorting;
    * parts: as described at the price of parts, the best of a row of prices.

    Args:
        problem: the class.
        coefficients: money.
        order_bound_w: proven bound of the loss of any order of whole pallets [W], of
            ``sequence_bound``.

    Source: fisher-2004 (prices); this project's own bounds
    """
    value = coefficients.value_per_w
    wanted = int(problem.string_modules.sum())
    if wanted == 0:
        return ModeBound(money=0.0, by_matching=0.0, by_order=0.0, by_parts=0.0, handling_least=0.0)
    largest = np.sort(problem.unit_sizes)[::-1]
    pallets = int(np.searchsorted(np.cumsum(largest), wanted, side="left")) + 1
    trips = -(-pallets // coefficients.pallets_per_trip)
    least = pallets * coefficients.opening_cost + trips * coefficients.trip_cost
    matching = value * any_way_bound(problem)
    cheaper = min(coefficients.pile_cost_per_module, coefficients.single_cost_per_module)
    saved = _saved_by_sorting(problem, value=value, cheaper=cheaper)
    order = max(0.0, value * order_bound_w - saved)
    parts = 0.0
    if value > 0.0:
        ordered = _sorted_windows(problem)
        usual = value * float(np.var(problem.x)) * float(np.mean(problem.unit_sizes))
        for price in np.geomspace(1e-4, 1.0, _PRICES) * usual:
            parts = max(parts, _by_parts(problem, coefficients, ordered, float(price)))
    return ModeBound(
        money=max(matching, order, parts) + least,
        by_matching=matching + least,
        by_order=order + least,
        by_parts=parts + least,
        handling_least=least,
    )
