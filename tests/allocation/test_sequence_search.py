"""Exchanges at a falling heat: exact on tiny cases, in time, never behind simpler orders."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.allocation.sequence_bound import sequence_bound
from arraywright.allocation.sequence_layout import arrival_sequence, is_in_time, sequence_loss
from arraywright.allocation.sequence_search import search_sequence
from arraywright.allocation.sequence_state import SequenceState
from arraywright.errors import CallError
from benchmarks._order_model import order_model
from benchmarks._park_sites import by_mean_current, make_class


def make_problem(
    *,
    seed: int,
    sizes: list[int],
    lengths: list[int],
    days: list[int] | None = None,
    string_days: list[int] | None = None,
    voltage_spread: float = 0.0,
) -> ClassProblem:
    """Make an invented class: pallets of one mean each, modules scattered about it."""
    rng = np.random.default_rng(seed)
    x = np.concatenate([rng.normal(rng.normal(0.0, 0.5), 0.5, size) for size in sizes])
    strings = np.arange(len(lengths))
    return ClassProblem(
        x=x - x.mean(),
        y=rng.normal(0.0, voltage_spread, len(x)) if voltage_spread else np.zeros(len(x)),
        unit_offsets=np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64),
        unit_day=np.array(days or [0] * len(sizes), dtype=np.int64),
        string_modules=np.array(lengths, dtype=np.int64),
        string_day=np.array(string_days or [99] * len(lengths), dtype=np.int64),
        string_input=strings // 2,
        string_section=strings // 4,
    )


def used_of(problem: ClassProblem, order: tuple[int, ...]) -> Sequence:
    """Give the leading pallets of an order that fill the strings."""
    reach = np.cumsum(problem.unit_sizes[list(order)])
    count = int(np.searchsorted(reach, int(problem.string_modules.sum()))) + 1
    return Sequence(units=np.array(order[:count], dtype=np.int64))


def here_in_time(problem: ClassProblem, sequence: Sequence) -> bool:
    """Tell, string by string, whether each pallet that is opened has arrived."""
    at = filled = 0
    for length, day in zip(problem.string_modules, problem.string_day, strict=True):
        filled += int(length)
        while at < len(sequence.units) and problem.unit_sizes[sequence.units[:at]].sum() < filled:
            if problem.unit_day[sequence.units[at]] > day:
                return False
            at += 1
    return True


def best_by_trying(problem: ClassProblem) -> float:
    """Try every order of every choice of pallets that suffices and is in time."""
    least = np.inf
    for order in permutations(range(len(problem.unit_sizes))):
        sequence = used_of(problem, order)
        if here_in_time(problem, sequence):
            least = min(least, sequence_loss(problem, sequence).total_w)
    return float(least)


TINY = {
    "alike": {"sizes": [6] * 6, "lengths": [4] * 8},
    "short pallets": {"sizes": [6, 6, 5, 6, 4, 6], "lengths": [4] * 7},
    "all sizes": {"sizes": [7, 3, 5, 6, 4, 8], "lengths": [4] * 7},
    "two lengths": {"sizes": [6] * 6, "lengths": [5, 4, 5, 4, 5, 4]},
    "strings longer than pallets": {"sizes": [3, 4, 2, 3, 4, 3], "lengths": [9, 9]},
    "a broken pallet": {"sizes": [6, 6, 1, 6, 6, 6], "lengths": [5] * 6},
    "arriving": {
        "sizes": [6, 6, 5, 6, 6, 4],
        "lengths": [4] * 7,
        "days": [0, 0, 0, 1, 1, 2],
        "string_days": [0, 0, 1, 1, 2, 2, 2],
    },
    "voltage": {"sizes": [6, 5, 6, 6, 6, 6], "lengths": [4] * 8, "voltage_spread": 0.3},
}


@pytest.mark.parametrize("name", TINY)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_tiny_classes_are_as_good_as_trying_all_orders(name: str, seed: int) -> None:
    """No order of six pallets loses less than the one found, and the bound is not above it."""
    problem = make_problem(seed=seed, **TINY[name])  # type: ignore[arg-type]
    least = best_by_trying(problem)
    found = search_sequence(problem, sweeps=60, seed=1)
    assert here_in_time(problem, found.sequence)
    assert found.loss_w == pytest.approx(least, rel=1e-9)
    assert sequence_bound(problem).bound_w <= least * (1.0 + 1e-12)


@pytest.mark.parametrize("seed", [2, 4])
def test_eight_pallets_of_unequal_size_are_as_good_as_a_general_solver_proves(seed: int) -> None:
    """An independent model of arcs between pallets, solved to the end by HiGHS, finds no less."""
    problem = make_class(
        48 + seed,
        pallets=8,
        pallet_modules=36,
        string_modules=26,
        look_ahead_ratio=0.25,
        between_ratio=0.8,
        surplus_ratio=0.05,
        short_share=0.3,
    )
    solved = order_model(problem).solve(seconds=60.0)
    assert solved.optimal
    found = search_sequence(problem, sweeps=60, seed=1).loss_w
    assert found == pytest.approx(solved.loss_w, rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    sizes=st.lists(st.integers(1, 8), min_size=4, max_size=16),
    lengths=st.lists(st.sampled_from([2, 5, 9, 13]), min_size=1, max_size=12),
    days=st.lists(st.integers(0, 5), min_size=16, max_size=16),
    voltage_spread=st.sampled_from([0.0, 0.3]),
    frozen=st.integers(0, 3),
)
@example(
    seed=0,
    sizes=[2, 1, 1, 1, 1, 1, 1, 1],
    lengths=[2],
    days=[0] * 7 + [1] * 9,
    voltage_spread=0.0,
    frozen=0,
)
def test_found_orders_keep_the_rules_and_are_never_behind_arrival(
    seed: int,
    sizes: list[int],
    lengths: list[int],
    days: list[int],
    voltage_spread: float,
    frozen: int,
) -> None:
    """Each pallet is used once and in time, what is frozen stays, and the loss does not rise."""
    while lengths and sum(lengths) > sum(sizes):
        lengths.pop()
    if not lengths:
        return
    problem = make_problem(
        seed=seed,
        sizes=sizes,
        lengths=lengths,
        days=days[: len(sizes)],
        string_days=sorted(days)[: len(lengths)] + [5] * (len(lengths) - 16),
        voltage_spread=voltage_spread,
    )
    arrival = arrival_sequence(problem)
    frozen = min(frozen, len(arrival.units))
    found = search_sequence(problem, sweeps=8, seed=seed, frozen=frozen).sequence
    assert len(np.unique(found.units)) == len(found.units)
    assert problem.unit_sizes[found.units].sum() >= sum(lengths)
    assert problem.unit_sizes[found.units[:-1]].sum() < sum(lengths)
    assert is_in_time(problem, found)
    assert found.units[:frozen].tolist() == arrival.units[:frozen].tolist()
    loss = sequence_loss(problem, found).total_w
    assert loss <= sequence_loss(problem, arrival).total_w * (1.0 + 1e-12)


@pytest.fixture(scope="module")
def park() -> ClassProblem:
    """Give a class of 500 pallets that arrive while building goes on, one in thirty short."""
    return make_class(
        5,
        pallets=500,
        pallet_modules=36,
        string_modules=26,
        look_ahead_ratio=0.2,
        between_ratio=0.8,
        voltage_spread=0.05,
        short_share=0.03,
    )


def test_order_is_far_below_sorting_by_mean_current(park: ClassProblem) -> None:
    """Of what sorting pallets by mean current leaves above the bound, less than a third is left."""
    by_mean = sequence_loss(park, by_mean_current(park)).total_w
    found = search_sequence(park, sweeps=60, seed=1).loss_w
    bound = sequence_bound(park).bound_w
    assert bound <= found
    assert found - bound < (by_mean - bound) / 3.0


def test_more_sweeps_do_not_spoil_a_good_start(park: ClassProblem) -> None:
    """Begun with an order of its own, the search does not fall behind it."""
    start = by_mean_current(park)
    before = sequence_loss(park, start).total_w
    found = search_sequence(park, sweeps=1, seed=1, start=start)
    assert found.loss_w <= before


def test_sums_that_are_kept_are_those_of_the_order(park: ClassProblem) -> None:
    """After many exchanges the sums of strings and inputs are those of the pallets in place."""
    state = SequenceState(park, arrival_sequence(park), frozen=0)
    state.exchange(np.random.default_rng(1), np.full(5, 1.0))
    units = state.units[: state.slots].copy()
    assert not np.array_equal(units, arrival_sequence(park).units)
    fresh = SequenceState(park, Sequence(units=units), frozen=0)
    assert state.totals.string_x == pytest.approx(fresh.totals.string_x, abs=1e-9)
    assert state.totals.input_y == pytest.approx(fresh.totals.input_y, abs=1e-9)
    assert state.asked.now == pytest.approx(fresh.asked.now, abs=1e-7)


def test_same_seed_gives_the_same_order(park: ClassProblem) -> None:
    """Nothing but input and seed decides."""
    first, second = (search_sequence(park, sweeps=2, seed=9).sequence.units for _ in range(2))
    assert first.tolist() == second.tolist()
    assert first.tolist() != search_sequence(park, sweeps=2, seed=10).sequence.units.tolist()


def test_too_few_modules_are_said() -> None:
    """A class that cannot fill its strings is a wrong call with numbers."""
    problem = make_problem(seed=1, sizes=[6, 6], lengths=[4, 4, 5])
    with pytest.raises(CallError, match="need 13 modules, there are 12"):
        search_sequence(problem, seed=1)


def test_a_pallet_beyond_the_last_string_is_held_to_its_day() -> None:
    """An order may name a pallet more than the strings need; what is late stays late."""
    problem = make_problem(
        seed=1, sizes=[4, 4, 4, 4], lengths=[4, 4], days=[0, 0, 1, 2], string_days=[0, 1]
    )
    assert is_in_time(problem, Sequence(units=np.array([0, 1, 2])))
    assert not is_in_time(problem, Sequence(units=np.array([0, 1, 3])))
