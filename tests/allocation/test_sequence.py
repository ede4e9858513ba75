"""Orders of pallets: exact on tiny cases, never below the bound, never behind simpler orders."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.allocation.sequence_bound import sequence_bound
from arraywright.allocation.sequence_layout import arrival_sequence, sequence_loss
from arraywright.allocation.sequence_search import search_sequence
from arraywright.errors import CallError


def make_problem(
    *,
    seed: int,
    sizes: list[int],
    lengths: list[int],
    days: list[int] | None = None,
    string_days: list[int] | None = None,
    between: float = 0.5,
    with_voltage: bool = False,
    per_input: int = 2,
) -> ClassProblem:
    """Make an invented class: pallets of one mean each, modules scattered about it."""
    rng = np.random.default_rng(seed)
    x = np.concatenate([rng.normal(rng.normal(0.0, between), 0.5, size) for size in sizes])
    y = rng.normal(0.0, 0.1, len(x)) if with_voltage else np.zeros(len(x))
    strings = np.arange(len(lengths))
    return ClassProblem(
        x=x - x.mean(),
        y=y,
        unit_offsets=np.concatenate([[0], np.cumsum(sizes)]),
        unit_day=np.array(days or [0] * len(sizes)),
        string_modules=np.array(lengths),
        string_day=np.array(string_days or [99] * len(lengths)),
        string_input=strings // per_input,
        string_section=strings // 4,
    )


def feasible(problem: ClassProblem, units: tuple[int, ...]) -> bool:
    """Tell whether each pallet is here on the day the string it begins in is built."""
    sizes = problem.unit_sizes[list(units)]
    begin = np.cumsum(sizes) - sizes
    first = np.searchsorted(np.cumsum(problem.string_modules), begin, side="right")
    return bool(np.all(problem.unit_day[list(units)] <= problem.string_day[first]))


def best_by_trying(problem: ClassProblem) -> float:
    """Try every order of every choice of pallets that suffices."""
    wanted = int(problem.string_modules.sum())
    best = np.inf
    for units in permutations(range(len(problem.unit_sizes))):
        reach = np.cumsum(problem.unit_sizes[list(units)])
        used = units[: int(np.searchsorted(reach, wanted)) + 1]
        if reach[-1] >= wanted and feasible(problem, used):
            loss = sequence_loss(problem, Sequence(units=np.array(used))).total_w
            best = min(best, loss)
    return best


TINY = [
    {"sizes": [6] * 6, "lengths": [4] * 8},
    {"sizes": [6, 6, 5, 6, 5, 6], "lengths": [4] * 7},
    {"sizes": [6] * 6, "lengths": [5, 4, 5, 4, 5, 4]},
    {"sizes": [5] * 6, "lengths": [9, 9, 9]},
    {
        "sizes": [6] * 6,
        "lengths": [4] * 8,
        "days": [0, 0, 0, 1, 1, 2],
        "string_days": [0, 0, 1, 1, 1, 2, 2, 2],
    },
    {"sizes": [6] * 6, "lengths": [4] * 8, "with_voltage": True},
]


@pytest.mark.parametrize("case", TINY, ids=range(len(TINY)))
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_tiny_sites_are_as_good_as_trying_all_orders(case: dict[str, object], seed: int) -> None:
    """The search reaches what no order of the pallets goes below, and so does not the bound."""
    problem = make_problem(seed=seed, **case)  # type: ignore[arg-type]
    least = best_by_trying(problem)
    assert search_sequence(problem, sweeps=60, seed=1).loss_w == pytest.approx(least, rel=1e-9)
    assert sequence_bound(problem).bound_w <= least + 1e-9


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    sizes=st.lists(st.integers(3, 7), min_size=6, max_size=14),
    lengths=st.lists(st.sampled_from([4, 5, 9]), min_size=2, max_size=8),
    order=st.randoms(use_true_random=False),
)
def test_bound_is_never_above_any_order(
    seed: int, sizes: list[int], lengths: list[int], order: object
) -> None:
    """Whatever sizes, lengths and order, the loss is not below the bound."""
    while sum(lengths) > sum(sizes):
        lengths.pop()
    if not lengths:
        return
    problem = make_problem(seed=seed, sizes=sizes, lengths=lengths)
    units = np.random.default_rng(seed).permutation(len(sizes))
    reach = np.cumsum(problem.unit_sizes[units])
    units = units[: int(np.searchsorted(reach, sum(lengths))) + 1]
    loss = sequence_loss(problem, Sequence(units=units)).total_w
    assert sequence_bound(problem).bound_w <= loss + 1e-9


@pytest.fixture(scope="module")
def park() -> ClassProblem:
    """Give a class of 900 pallets that arrive while building goes on."""
    rng = np.random.default_rng(5)
    sizes = np.where(rng.random(900) < 0.02, 35, 36).tolist()
    strings = int(sum(sizes) * 0.99) // 26
    return make_problem(
        seed=5,
        sizes=sizes,
        lengths=[26] * strings,
        days=[at // 30 for at in range(900)],
        string_days=[(at * 26 // 36 + 200) // 30 for at in range(strings)],
    )


def test_search_closes_most_of_what_can_be_avoided(park: ClassProblem) -> None:
    """It is far below arrival and near the proven bound, and no pallet is used before it came."""
    arrival = sequence_loss(park, arrival_sequence(park)).total_w
    bound = sequence_bound(park).bound_w
    found = search_sequence(park, sweeps=40, seed=1)
    assert bound <= found.loss_w
    assert (found.loss_w - bound) / (arrival - bound) < 0.08
    assert feasible(park, tuple(found.sequence.units.tolist()))
    assert len(np.unique(found.sequence.units)) == len(found.sequence.units)


def test_search_is_not_behind_sorting_by_mean_current(park: ClassProblem) -> None:
    """Pallets sorted by mean current, where all are here, lose more than the order found."""
    mean = np.add.reduceat(park.x, park.unit_offsets[:-1]) / park.unit_sizes
    units = np.argsort(mean, kind="stable")
    reach = np.cumsum(park.unit_sizes[units])
    units = units[: int(np.searchsorted(reach, park.string_modules.sum())) + 1]
    by_mean = sequence_loss(park, Sequence(units=units)).total_w
    assert search_sequence(park, sweeps=25, seed=1).loss_w < by_mean


def test_frozen_pallets_stay(park: ClassProblem) -> None:
    """What is built already is not planned otherwise."""
    start = arrival_sequence(park)
    found = search_sequence(park, sweeps=3, seed=1, frozen=50)
    assert found.sequence.units[:50].tolist() == start.units[:50].tolist()
    assert found.loss_w < sequence_loss(park, start).total_w


def test_same_seed_gives_the_same_order(park: ClassProblem) -> None:
    """Nothing but input and seed decides."""
    first, second = (search_sequence(park, sweeps=3, seed=9) for _ in range(2))
    assert first.sequence.units.tolist() == second.sequence.units.tolist()


def test_too_few_modules_are_said() -> None:
    """A class that cannot fill its strings is a wrong call with numbers."""
    problem = make_problem(seed=1, sizes=[6, 6], lengths=[4, 4, 5])
    with pytest.raises(CallError, match="need 13 modules, there are 12"):
        arrival_sequence(problem)
