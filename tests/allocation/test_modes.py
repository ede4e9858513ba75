"""Whole pallets, piles and single modules against trying everything, and what never may happen."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.allocation.mode_bound import any_way_bound, mode_bound
from arraywright.allocation.modes import SINGLE, WHOLE, ModePlan, choose_modes, mode_words
from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.allocation.sequence_layout import arrival_sequence, sequence_loss
from arraywright.arrays import FloatArray, IntArray
from arraywright.errors import CallError
from arraywright.plant import Coefficients

FREE = Coefficients(
    opening_cost=0.0,
    carry_cost=0.0,
    pile_cost_per_module=0.0,
    single_cost_per_module=0.0,
    trip_cost=0.0,
)


def _problem(
    sizes: list[int],
    strings: list[int],
    sections: list[int],
    *,
    seed: int,
    within: float = 1.0,
    days: list[int] | None = None,
    built: list[int] | None = None,
) -> ClassProblem:
    rng = np.random.default_rng(seed)
    level = np.repeat(rng.standard_normal(len(sizes)), sizes)
    x = level + within * rng.standard_normal(sum(sizes))
    return ClassProblem(
        x=x - x.mean(),
        y=np.zeros(len(x)),
        unit_offsets=np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64),
        unit_day=np.array(days or [0] * len(sizes), dtype=np.int64),
        string_modules=np.array(strings, dtype=np.int64),
        string_day=np.array(built or [0] * len(strings), dtype=np.int64),
        string_input=np.arange(len(strings), dtype=np.int64),
        string_section=np.array(sections, dtype=np.int64),
    )


def _deviation(x: FloatArray) -> float:
    return float(((x - x.mean()) ** 2).sum())


def _fill(x: FloatArray, flowing: list[int], lengths: list[int]) -> float:
    ends = list(itertools.accumulate(lengths))
    return sum(_deviation(x[flowing[end - n : end]]) for n, end in zip(lengths, ends, strict=True))


def _best_single(x: FloatArray, modules: list[int], lengths: list[int]) -> float:
    """Least loss over all ways of dealing modules out to strings, by recursion over strings."""
    if len(lengths) == 1:
        return _deviation(x[modules])
    best = math.inf
    for chosen in itertools.combinations(modules, lengths[0]):
        own = _deviation(x[list(chosen)])
        if own < best:
            rest = [m for m in modules if m not in chosen]
            best = min(best, own + _best_single(x, rest, lengths[1:]))
    return best


def _split(x: FloatArray, window: list[int], piles: int) -> list[list[list[int]]]:
    """All splits of a pallet's part into up to so many piles by current, last put down on top."""
    ranked = sorted(window, key=lambda m: (x[m], m))
    found = []
    for count in range(1, min(piles, len(window)) + 1):
        for cuts in itertools.combinations(range(1, len(window)), count - 1):
            edges = [0, *cuts, len(window)]
            held = [set(ranked[a:b]) for a, b in itertools.pairwise(edges)]
            found.append([[m for m in reversed(window) if m in own] for own in held])
    return found


def _best_piles(x: FloatArray, windows: list[list[int]], lengths: list[int], piles: int) -> float:
    """Least loss over all splits of all windows and all orders of the piles."""
    best = math.inf
    for splits in itertools.product(*(_split(x, window, piles) for window in windows)):
        everything = [pile for split in splits for pile in split]
        for order in itertools.permutations(everything):
            best = min(best, _fill(x, [m for pile in order for m in pile], lengths))
    return best


def _brute_force(problem: ClassProblem, prices: Coefficients, ways: tuple[int, ...]) -> float:
    """Least money over all orders of pallets that arrivals allow and all ways of every section."""
    offsets, total = problem.unit_offsets.tolist(), int(problem.string_modules.sum())
    best = math.inf
    for order in itertools.permutations(range(len(problem.unit_day))):
        flowing: list[tuple[int, int]] = []
        for unit in order:
            flowing += [(unit, m) for m in range(offsets[unit], offsets[unit + 1])]
        flowing = flowing[:total]
        if len(flowing) < total:
            continue
        money, at, late, opened = 0.0, 0, False, len({unit for unit, _ in flowing})
        carries, before = 0, -1
        for section in np.unique(problem.string_section).tolist():
            strings = np.flatnonzero(problem.string_section == section)
            lengths = problem.string_modules[strings].tolist()
            own = flowing[at : at + sum(lengths)]
            place = at
            for string, length in zip(strings.tolist(), lengths, strict=True):
                units = {unit for unit, _ in flowing[place : place + length]}
                first_here = units - {unit for unit, _ in flowing[:place]}
                if any(problem.unit_day[u] > problem.string_day[string] for u in first_here):
                    late = True
                place += length
            at += sum(lengths)
            units_here = list(dict.fromkeys(unit for unit, _ in own))
            carries += before in units_here
            before = own[-1][0]
            modules = [m for _, m in own]
            choices = [prices.value_per_w * _fill(problem.x, modules, lengths)]
            here = all(
                problem.unit_day[unit] <= problem.string_day[strings[0]] for unit in units_here
            )
            if here:
                for way in ways:
                    if way == SINGLE:
                        loss = _best_single(problem.x, modules, lengths)
                        cost = prices.single_cost_per_module
                    elif way > SINGLE:
                        windows = [[m for u, m in own if u == unit] for unit in units_here]
                        loss = _best_piles(problem.x, windows, lengths, way)
                        cost = prices.pile_cost_per_module
                    else:
                        continue
                    choices.append(prices.value_per_w * loss + cost * len(modules))
            money += min(choices)
        if not late:
            whole = money + opened * (prices.opening_cost + prices.trip_cost)
            best = min(best, whole + carries * prices.carry_cost)
    return best


TINY = {
    "one section": _problem([4, 4], [2, 2, 2, 2], [0] * 4, seed=1),
    "eight strings": _problem([4, 4, 4, 4], [2] * 8, [0, 0, 0, 0, 1, 1, 1, 1], seed=2),
    "a pallet carried on": _problem([5, 4, 3], [3, 3, 2, 3], [0, 0, 1, 1], seed=3),
    "more than is needed": _problem([4, 4, 4], [3, 3], [0, 0], seed=4),
    "unequal strings": _problem([5, 5], [3, 2, 3, 2], [0] * 4, seed=5),
    "arrivals bind": _problem(
        [4, 4, 4], [2] * 6, [0, 0, 1, 1, 2, 2], seed=6, days=[0, 2, 1], built=[0, 0, 1, 1, 2, 2]
    ),
    "a section waits": _problem(
        [3, 3, 3], [3, 3, 3], [0, 0, 0], seed=7, days=[0, 1, 2], built=[0, 1, 2]
    ),
}
PRICES = {
    "nothing costs": FREE,
    "piles pay": replace(FREE, single_cost_per_module=5.0, pile_cost_per_module=0.01),
    "it depends": replace(
        FREE, single_cost_per_module=0.35, pile_cost_per_module=0.2, carry_cost=0.4, opening_cost=1
    ),
    "nothing pays": replace(FREE, single_cost_per_module=50.0, pile_cost_per_module=50.0),
}


@pytest.mark.parametrize("prices", PRICES)
@pytest.mark.parametrize("case", TINY)
@pytest.mark.parametrize("ways", [(WHOLE,), (WHOLE, 2), (WHOLE, SINGLE), (WHOLE, SINGLE, 2)])
def test_small_cases_equal_trying_everything(case: str, prices: str, ways: tuple[int, ...]) -> None:
    """All orders, all ways, all piles and all deals of modules find nothing cheaper, nor dearer."""
    problem, money = TINY[case], PRICES[prices]
    plan = choose_modes(problem, money, sequences=[arrival_sequence(problem)], allowed=ways)
    assert plan.total_money == pytest.approx(_brute_force(problem, money, ways), abs=1e-9)


def _check(problem: ClassProblem, plan: ModePlan) -> None:
    string, module = plan.string, plan.module
    assert np.array_equal(
        np.bincount(string, minlength=len(problem.string_modules)), problem.string_modules
    )
    assert len(np.unique(module)) == len(module)
    unit = np.searchsorted(problem.unit_offsets, module, side="right") - 1
    assert set(unit.tolist()) == set(plan.sequence.units.tolist())
    section = np.unique(problem.string_section, return_inverse=True)[1]
    # where a section is sorted, everything of it is there before its first string is built
    for number in np.flatnonzero(plan.way != WHOLE).tolist():
        own = section[string] == number
        assert problem.unit_day[unit[own]].max() <= problem.string_day[section == number].min()
        if plan.way[number] > SINGLE:
            for one in np.unique(unit[own]):
                piles = plan.pile[own & (unit == one)]
                assert 1 <= len(np.unique(piles)) <= plan.way[number]
        else:
            assert np.all(plan.pile[own] == -1)
    # a section holds what the order of pallets brings there, no more and no less
    taken: IntArray = np.concatenate(
        [
            np.arange(problem.unit_offsets[u], problem.unit_offsets[u + 1])
            for u in plan.sequence.units
        ]
    )[: len(module)]
    place_section = section[np.repeat(np.arange(len(section)), problem.string_modules)]
    for number in range(len(plan.way)):
        assert set(module[section[string] == number]) == set(taken[place_section == number])


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_every_plan_can_be_built(data: st.DataObject) -> None:
    """Every module once, strings full, sections hold what the pallets bring, arrivals kept."""
    sizes = data.draw(st.lists(st.integers(3, 12), min_size=2, max_size=9))
    strings = data.draw(st.lists(st.integers(2, 9), min_size=1, max_size=14))
    while sum(strings) > sum(sizes):
        strings = strings[:-1] or [2]
    section = np.cumsum(data.draw(st.lists(st.booleans(), min_size=14, max_size=14)))
    days = data.draw(st.lists(st.integers(0, 4), min_size=9, max_size=9))
    problem = _problem(
        sizes,
        strings,
        section[: len(strings)].tolist(),
        seed=data.draw(st.integers(0, 10**6)),
        days=sorted(days[: len(sizes)]),
        built=[4] * len(strings) if data.draw(st.booleans()) else list(range(len(strings))),
    )
    prices = replace(
        FREE,
        pile_cost_per_module=data.draw(st.sampled_from([0.0, 0.05, 0.5])),
        single_cost_per_module=data.draw(st.sampled_from([0.0, 0.1, 1.0])),
    )
    start = arrival_sequence(problem)
    plan = choose_modes(problem, prices, sequences=[start])
    _check(problem, plan)
    whole = prices.value_per_w * sequence_loss(problem, start).total_w
    assert plan.mismatch_money + plan.handling.piling + plan.handling.single <= whole + 1e-9


def test_piles_are_those_of_least_spread() -> None:
    """A pallet of two currents is split between them, whatever lies on top."""
    problem = _problem([6, 6], [3, 3, 3, 3], [0] * 4, seed=0)
    x = np.array([0.0, 1.0, 0.01, 1.01, 0.02, 1.02] * 2)
    problem = replace(problem, x=x - x.mean())
    start = Sequence(units=np.array([0, 1]))
    plan = choose_modes(problem, FREE, sequences=[start], allowed=(WHOLE, 2))
    assert plan.way.tolist() == [2]
    assert plan.loss.total_w == pytest.approx(4 * 2 * 0.01**2)


def test_many_piles_do_nearly_what_single_sorting_does() -> None:
    """On a real size of section each pile more brings less, and all stay above single sorting."""
    problem = _problem([36] * 60, [27] * 80, np.repeat(range(8), 10).tolist(), seed=9)
    start = [arrival_sequence(problem)]
    losses = [
        choose_modes(problem, FREE, sequences=start, allowed=(k,), forced=k != WHOLE).loss.total_w
        for k in (WHOLE, 2, 3, 4, 6, SINGLE)
    ]
    assert losses == sorted(losses, reverse=True)
    assert losses[3] < 0.25 * losses[0]
    assert losses[-1] < 0.5 * losses[3]


def test_what_handling_counts() -> None:
    """Pallets opened, carried on, piled and trucked are counted once each."""
    problem = _problem([5, 4, 3], [3, 3, 2, 3], [0, 0, 1, 1], seed=3)
    start = Sequence(units=np.array([0, 1, 2]))
    plan = choose_modes(
        problem,
        replace(FREE, pallets_per_trip=2),
        sequences=[start],
        allowed=(2,),
        forced=True,
    )
    assert plan.counts.opened == 3
    assert plan.counts.piled_modules == 11
    assert plan.counts.single_modules == 0
    assert plan.counts.carries == int(plan.sequence.units[1] != 2)


@pytest.mark.parametrize("prices", PRICES)
@pytest.mark.parametrize("case", TINY)
def test_bound_is_never_above_trying_everything(case: str, prices: str) -> None:
    """With the exact best order as its start the bound stays below the best of all plans."""
    problem = TINY[case]
    money = replace(PRICES[prices], piles_most=2)
    order_w = _brute_force(problem, replace(money, opening_cost=0.0, carry_cost=0.0), (WHOLE,))
    bound = mode_bound(problem, money, order_bound_w=order_w / money.value_per_w)
    assert bound.money <= _brute_force(problem, money, (WHOLE, SINGLE, 2)) + 1e-9
    assert bound.money == max(bound.by_matching, bound.by_order, bound.by_parts)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_bound_is_never_above_a_plan(data: st.DataObject) -> None:
    """No plan of any ways at any prices costs less than the bound."""
    sizes = data.draw(st.lists(st.integers(4, 14), min_size=6, max_size=20))
    strings = data.draw(st.lists(st.sampled_from([5, 7]), min_size=2, max_size=24))
    while sum(strings) > sum(sizes):
        strings = strings[:-1]
    section = np.cumsum(data.draw(st.lists(st.integers(0, 1), min_size=24, max_size=24)))
    problem = _problem(
        sizes,
        strings,
        section[: len(strings)].tolist(),
        seed=data.draw(st.integers(0, 10**6)),
        within=data.draw(st.sampled_from([0.2, 1.0])),
    )
    prices = replace(
        FREE,
        opening_cost=data.draw(st.sampled_from([0.0, 1.0])),
        pile_cost_per_module=data.draw(st.sampled_from([0.0, 0.02, 0.3])),
        single_cost_per_module=data.draw(st.sampled_from([0.0, 0.05, 0.6])),
        piles_most=data.draw(st.integers(2, 5)),
    )
    by_mean = np.argsort(
        [problem.x[a:b].mean() for a, b in itertools.pairwise(problem.unit_offsets)]
    )
    order, reach = [], 0
    for unit in by_mean.tolist():
        if reach < sum(strings):
            order.append(unit)
            reach += sizes[unit]
    sequences = [arrival_sequence(problem), Sequence(units=np.array(order, dtype=np.int64))]
    plan = choose_modes(problem, prices, sequences=sequences)
    assert mode_bound(problem, prices, order_bound_w=0.0).money <= plan.total_money + 1e-9
    assert any_way_bound(problem) <= plan.loss.total_w + 1e-9


def test_least_of_any_deal_is_met_by_sorted_runs() -> None:
    """Without stock left over the bound is the loss of runs sorted by current, found by hand."""
    problem = _problem([6, 6], [3, 3, 3, 3], [0] * 4, seed=11)
    x = np.sort(problem.x).reshape(4, 3)
    runs_w = float(((x - x.mean(axis=1, keepdims=True)) ** 2).sum())
    assert any_way_bound(problem) <= runs_w + 1e-12
    assert any_way_bound(problem) == pytest.approx(runs_w, rel=0.05)
    assert _best_single(problem.x, list(range(12)), [3, 3, 3, 3]) == pytest.approx(runs_w)


def test_bound_is_near_where_sorting_pays() -> None:
    """Where piles pay at every drop point the bound is within a tenth of the avoidable."""
    problem = _problem([36] * 300, [27] * 390, np.repeat(range(19), 21)[:390].tolist(), seed=9)
    prices = replace(FREE, pile_cost_per_module=0.02, single_cost_per_module=9.0)
    start = [arrival_sequence(problem)]
    arrival = choose_modes(problem, prices, sequences=start, allowed=(WHOLE,)).total_money
    plan = choose_modes(problem, prices, sequences=start)
    bound = mode_bound(problem, prices, order_bound_w=0.0)
    gap = (plan.total_money - bound.money) / (arrival - bound.money)
    assert 0.0 <= gap < 0.1


def test_ways_have_words() -> None:
    """Each way reads as what the crew does."""
    assert "stack order" in mode_words(WHOLE)
    assert "singly" in mode_words(SINGLE)
    assert "3 piles" in mode_words(3)


def test_nothing_to_choose_from_is_refused() -> None:
    """Without an order of pallets there is no plan and the remedy says so."""
    with pytest.raises(CallError, match="order of"):
        choose_modes(TINY["one section"], FREE, sequences=[])
