"""Handling against mismatch: the ways to build a park, the knee, and what a plan is worth."""

from __future__ import annotations

from collections.abc import Sequence as Many
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from arraywright.allocation.modes import SINGLE, WHOLE, ModePoint, Ways, mode_points
from arraywright.allocation.money import HandlingCounts, handling_cost, value_doubt
from arraywright.allocation.park_types import ClassProblem, Coefficients, Sequence
from arraywright.allocation.sequence_layout import loss_of_modules
from arraywright.allocation.sorting import sorted_runs
from arraywright.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Gain", "TradeOff", "TradeOffPoint", "plan_gain", "trade_off"]

_PRICE_RATIOS: Final = (4.0, 2.0, 1.0, 0.5, 0.25, 0.125, 0.0625, 0.03125)
_MODEL_RANGE_RATIO: Final = 0.03
"""Half the range of the second-order prediction's error, as tested against exact curves."""
_NO_HANDLING: Final = HandlingCounts()


@dataclass(frozen=True, slots=True, kw_only=True)
class TradeOffPoint:
    """One way to build all classes of a site.

    Attributes:
        name: words for it.
        loss_w: second-order mismatch loss [W].
        counts: what is handled.
        handling: what that costs, in money.
        mismatch: what the loss is worth over the life counted, in money.
        price_ratio: for mixtures, the price of sorting at which each drop point took what pays,
            over the one described; None elsewhere.
        needs_all_stock: the whole stock would have to be here before the first string is built,
            and is not.
        on_curve: no other way that can be built is better in both, nor a mixture of two.
    """

    name: str
    loss_w: float
    counts: HandlingCounts
    handling: float
    mismatch: float
    price_ratio: float | None = None
    needs_all_stock: bool = False
    on_curve: bool = False

    @property
    def total(self) -> float:
        """Handling and mismatch together, in money."""
        return self.handling + self.mismatch


@dataclass(frozen=True, slots=True, kw_only=True)
class TradeOff:
    """Ways to build from least to most handling.

    Attributes:
        points: the ways; the first is not always order of arrival.
        knee: number of the point on the curve that lies farthest below the straight line between
            the curve's ends, both money axes stretched to one; from it on handling brings less and
            less. None when the curve has no point between its ends.
        best: number of the point that can be built with the least money together: from it on more
            handling costs more than it brings.
        sentence: whether sorting modules is worth it, in plain words.
    """

    points: tuple[TradeOffPoint, ...]
    knee: int | None
    best: int
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """What a plan is worth against order of arrival; every uncertainty is a standard uncertainty.

    Attributes:
        flashed_w: power gained if the flash values were exact [W].
        gain_w: power to be expected, what is only scatter of the flash tester taken off [W].
        gain_uncertainty_w: its uncertainty [W].
        gain_kwh: energy of a year [kWh].
        gain_uncertainty_kwh: its uncertainty [kWh].
        value: what the power is worth over the life counted, in money.
        handling: handling of the plan less that of order of arrival, in money.
        net: value less handling, in money.
        net_uncertainty: its uncertainty, in money.
        parts: what contributes to it, in money: ``flash``, ``model``, ``value``, ``handling``.
        sentence: all of it in plain words.
    """

    flashed_w: float
    gain_w: float
    gain_uncertainty_w: float
    gain_kwh: float
    gain_uncertainty_kwh: float
    value: float
    handling: float
    net: float
    net_uncertainty: float
    parts: dict[str, float]
    sentence: str


def _over_the_site(problem: ClassProblem) -> ModePoint:
    """Sort all modules of a class singly and pack them anew, string by string."""
    order = np.argsort(problem.x, kind="stable")
    lengths = problem.string_modules
    starts = sorted_runs(problem.x[order], lengths)
    string = np.repeat(np.arange(len(lengths)), lengths)
    within = np.arange(len(string)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    module = order[starts[string] + within]
    pallets = len(np.unique(np.searchsorted(problem.unit_offsets, module, side="right")))
    used = len(module)
    # opened in the yard, packed anew, and opened again at the drop point
    anew = -(-used // max(1, round(float(np.mean(problem.unit_sizes)))))
    return ModePoint(
        loss_w=loss_of_modules(problem, string=string, module=module).total_w,
        counts=HandlingCounts(
            opened=pallets + anew,
            single_modules=used,
            repacked_modules=used,
            trips=anew,
        ),
        sorted_sections=len(np.unique(problem.string_section)),
    )


def _sum(points: Many[ModePoint]) -> tuple[float, HandlingCounts]:
    return (
        sum(point.loss_w for point in points),
        sum((point.counts for point in points), _NO_HANDLING),
    )


def _hull(handling: FloatArray, mismatch: FloatArray, able: BoolArray) -> list[int]:
    """Lower left convex hull, from least handling to least mismatch."""
    order = [i for i in np.lexsort((mismatch, handling)).tolist() if able[i]]
    hull: list[int] = []
    for i in order:
        if hull and mismatch[i] >= mismatch[hull[-1]] - 1e-12:
            continue
        while len(hull) >= 2:
            a, b = hull[-2], hull[-1]
            turn = (handling[b] - handling[a]) * (mismatch[i] - mismatch[a]) - (
                mismatch[b] - mismatch[a]
            ) * (handling[i] - handling[a])
            if turn > 0.0:
                break
            hull.pop()
        hull.append(i)
    return hull


def _knee(handling: FloatArray, mismatch: FloatArray, hull: list[int]) -> int | None:
    if len(hull) < 3:
        return None
    across, down = handling[hull], mismatch[hull]
    reach, drop = across[-1] - across[0], down[0] - down[-1]
    below = 1.0 - (across - across[0]) / reach - (down - down[-1]) / drop
    return hull[int(np.argmax(below))]


def trade_off(
    problems: Many[ClassProblem],
    coefficients: Coefficients,
    *,
    arrival: Many[Sequence],
    planned: Many[Sequence],
    ways: Many[Ways] | None = None,
) -> TradeOff:
    """Set handling against mismatch, both in money, for ways to build all classes of a site.

    The ways: pallets in order of arrival and in the planned order; two, three and more piles per
    pallet at every drop point; single modules sorted at every drop point; single modules sorted
    over the whole site and packed anew; and mixtures, in which every drop point takes what would
    pay if sorting cost a part or a multiple of what is described.

    Args:
        problems: the classes.
        coefficients: money.
        arrival: order of arrival of each class.
        planned: planned order of each class.
        ways: ways between drop points and from the yard of each class; zero when None.

    Source: assumption (costs); this project's own choice of ways
    """
    piles = tuple(range(2, coefficients.piles_most + 1))
    forced = (WHOLE, *piles, SINGLE)
    as_come: list[ModePoint] = []
    everywhere: list[list[ModePoint]] = []
    mixed: list[list[ModePoint]] = []
    over_site: list[ModePoint] = []
    early = True
    for number, problem in enumerate(problems):
        own = None if ways is None else ways[number]
        first, _ = mode_points(
            problem,
            replace(coefficients, piles_most=1),
            sequence=arrival[number],
            forced=(WHOLE,),
            price_ratio=(),
            ways=own,
        )
        as_come.append(first[0])
        held, scaled = mode_points(
            problem,
            coefficients,
            sequence=planned[number],
            forced=forced,
            price_ratio=_PRICE_RATIOS,
            ways=own,
        )
        everywhere.append(held)
        mixed.append(scaled)
        over_site.append(_over_the_site(problem))
        if len(problem.string_day):
            early = early and bool(problem.unit_day.max() <= problem.string_day.min())
    names = [
        "order of arrival",
        "whole pallets in the planned order",
        *(f"up to {k} piles per pallet at every drop point" for k in piles),
        "single modules sorted at every drop point",
        "single modules sorted over the whole site and packed anew",
        *(f"what pays at {ratio:g} x the price of sorting" for ratio in _PRICE_RATIOS),
    ]
    rows = [
        as_come,
        *([held[k] for held in everywhere] for k in range(len(forced))),
        over_site,
        *([held[k] for held in mixed] for k in range(len(_PRICE_RATIOS))),
    ]
    ratios: list[float | None] = [*([None] * (len(names) - len(_PRICE_RATIOS))), *_PRICE_RATIOS]
    points: list[TradeOffPoint] = []
    for name, row, ratio in zip(names, rows, ratios, strict=True):
        loss_w, counts = _sum(row)
        if ratio is not None and any(point.counts == counts for point in points):
            # nothing else pays at this price than at the last, or than one way everywhere
            continue
        points.append(
            TradeOffPoint(
                name=name,
                loss_w=loss_w,
                counts=counts,
                handling=handling_cost(counts, coefficients).total,
                mismatch=coefficients.value_per_w * loss_w,
                price_ratio=ratio,
                needs_all_stock=row is over_site and not early,
            )
        )
    return _ranked(points, coefficients)


def _ranked(points: list[TradeOffPoint], coefficients: Coefficients) -> TradeOff:
    points = sorted(points, key=lambda point: (point.handling, -point.mismatch))
    handling = np.array([point.handling for point in points])
    mismatch = np.array([point.mismatch for point in points])
    able = np.array([not point.needs_all_stock for point in points])
    hull = _hull(handling, mismatch, able)
    on_curve = set(hull)
    ranked = tuple(
        replace(point, on_curve=number in on_curve) for number, point in enumerate(points)
    )
    best = int(np.argmin(np.where(able, handling + mismatch, np.inf)))
    return TradeOff(
        points=ranked,
        knee=_knee(handling, mismatch, hull),
        best=best,
        sentence=_sorting_sentence(ranked, coefficients),
    )


def _sorting_sentence(points: tuple[TradeOffPoint, ...], coefficients: Coefficients) -> str:
    """Say in plain words whether sorting modules is worth it."""
    money = coefficients.currency
    whole = min(
        (point for point in points if not _sorts(point) and not point.needs_all_stock),
        key=lambda point: point.total,
    )
    others = [point for point in points if _sorts(point) and not point.needs_all_stock]
    if not others:
        return "There is nothing to sort."
    best = min(others, key=lambda point: point.total)
    saved, spent = whole.mismatch - best.mismatch, best.handling - whole.handling
    if best.total < whole.total:
        return (
            f"Sorting pays: against {whole.name}, {best.name} saves mismatch worth "
            f"{saved:,.0f} {money} and costs {spent:,.0f} {money} more in handling."
        )
    if saved <= 0.0:
        return (
            f"Sorting modules is not worth it: no way of sorting loses less than {whole.name}, "
            f"which loses {whole.loss_w:,.0f} W, worth {whole.mismatch:,.0f} {money}."
        )
    return (
        f"Sorting modules is not worth it: the best of it, {best.name}, would save mismatch worth "
        f"{saved:,.0f} {money} over the life counted and cost {spent:,.0f} {money} more in "
        f"handling. All that is left to save is worth {whole.mismatch:,.0f} {money}."
    )


def _sorts(point: TradeOffPoint) -> bool:
    return point.counts.piled_modules + point.counts.single_modules > 0


def _deviations(problem: ClassProblem, string: IntArray, module: IntArray) -> FloatArray:
    """Current coordinate of each module less its string's mean; zero where it is not built in."""
    count = len(problem.string_modules)
    x = problem.x[module]
    size = np.maximum(np.bincount(string, minlength=count), 1)
    mean = np.bincount(string, weights=x, minlength=count) / size
    out = np.zeros(len(problem.x))
    out[module] = x - mean[string]
    return out


def plan_gain(
    problems: Many[ClassProblem],
    coefficients: Coefficients,
    *,
    arrival: Many[tuple[IntArray, IntArray]],
    planned: Many[tuple[IntArray, IntArray]],
    arrival_counts: HandlingCounts,
    planned_counts: HandlingCounts,
    flash_noise_ratio: Many[float],
    exact_gain_w: float | None = None,
) -> Gain:
    """What a plan gains over order of arrival: power [W], energy of a year, and money.

    A flash value is the module's own current and the scatter of the flash. With r the scatter over
    the spread of a class, a share ``rho = 1 - r^2`` of the variance is true, and of what a plan
    gains in flash values ``rho^2`` is to be expected in the field: modules that look alike are
    less alike than they look, and modules that look unlike less unlike (both normally spread). The
    uncertainty that is left follows from the modules' true currents given their flash values, by
    first and second order; prices, yield, life, discount and handling by their assumed ranges; the
    second-order model by the 3 % it is tested to. Parts are added as squares.

    Args:
        problems: the classes.
        coefficients: money.
        arrival: string and module of every place in order of arrival, for each class.
        planned: the same of the plan.
        arrival_counts: what order of arrival takes in handling.
        planned_counts: what the plan takes in handling.
        flash_noise_ratio: scatter of a repeated flash over the spread of each class, 0 to 1.
        exact_gain_w: gain by the exact curves [W]; then the model contributes no uncertainty.

    Source: jcgm-100 5.1.2
    """
    flashed_w = expected_w = moved_w = kept_w = variance = 0.0
    for problem, before, after, ratio in zip(
        problems, arrival, planned, flash_noise_ratio, strict=True
    ):
        gained = (
            loss_of_modules(problem, string=before[0], module=before[1]).total_w
            - loss_of_modules(problem, string=after[0], module=after[1]).total_w
        )
        rho = max(0.0, 1.0 - ratio**2)
        flashed_w += gained
        expected_w += rho**2 * gained
        moved_w += abs(gained)
        kept_w += rho**2 * abs(gained)
        left = rho * (1.0 - rho) * float(np.var(problem.x))
        apart = _deviations(problem, *before) - _deviations(problem, *after)
        variance += 4.0 * rho**2 * left * float(np.sum(apart**2))
        variance += 4.0 * left**2 * len(problem.string_modules)
    kept = kept_w / moved_w if moved_w > 0.0 else 1.0
    model_w = 0.0
    if exact_gain_w is None:
        model_w = _MODEL_RANGE_RATIO / np.sqrt(3.0) * abs(expected_w)
    else:
        flashed_w, expected_w = exact_gain_w, kept * exact_gain_w
    flash_w = float(np.sqrt(variance))
    gain_uncertainty_w = float(np.hypot(flash_w, model_w))
    doubt = value_doubt(coefficients)
    yearly = coefficients.yield_kwh_per_kw / 1000.0
    handling = (
        handling_cost(planned_counts, coefficients).total
        - handling_cost(arrival_counts, coefficients).total
    )
    value = doubt.value_per_w * expected_w
    parts = {
        "flash": doubt.value_per_w * flash_w,
        "model": doubt.value_per_w * float(model_w),
        "value": doubt.standard_uncertainty_per_w * abs(expected_w),
        "handling": coefficients.handling_range_ratio / float(np.sqrt(3.0)) * abs(handling),
    }
    net = value - handling
    net_uncertainty = float(np.sqrt(sum(part**2 for part in parts.values())))
    yield_part = coefficients.yield_range_ratio / float(np.sqrt(3.0)) * abs(expected_w) * yearly
    return Gain(
        flashed_w=flashed_w,
        gain_w=expected_w,
        gain_uncertainty_w=gain_uncertainty_w,
        gain_kwh=expected_w * yearly,
        gain_uncertainty_kwh=float(np.hypot(gain_uncertainty_w * yearly, yield_part)),
        value=value,
        handling=handling,
        net=net,
        net_uncertainty=net_uncertainty,
        parts=parts,
        sentence=_gain_sentence(
            expected_w,
            gain_uncertainty_w,
            value=value,
            handling=handling,
            net=net,
            net_uncertainty=net_uncertainty,
            coefficients=coefficients,
        ),
    )


def _gain_sentence(
    gain_w: float,
    uncertainty_w: float,
    *,
    value: float,
    handling: float,
    net: float,
    net_uncertainty: float,
    coefficients: Coefficients,
) -> str:
    money = coefficients.currency
    yearly_kwh = gain_w * coefficients.yield_kwh_per_kw / 1000.0
    more = "more" if handling >= 0.0 else "less"
    told = (
        f"Against order of arrival the plan keeps {gain_w:,.0f} W (standard uncertainty "
        f"{uncertainty_w:,.0f} W), {yearly_kwh:,.0f} kWh a year, worth {value:,.0f} {money} over "
        f"{coefficients.life_years:g} years. Its handling costs {abs(handling):,.0f} {money} "
        f"{more}. That leaves {net:,.0f} {money} (standard uncertainty {net_uncertainty:,.0f} "
        f"{money})."
    )
    if net <= 0.0:
        return f"{told} The plan is not worth its handling: take pallets as they come."
    if net < 2.0 * net_uncertainty:
        return f"{told} That is within its uncertainty: take it only where it makes no trouble."
    return told
