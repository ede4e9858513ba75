"""The bound by potentials: never above any order, exact where there is nothing to choose."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.allocation.park_types import ClassProblem
from arraywright.allocation.sequence_bound import sequence_bound
from arraywright.allocation.sequence_layout import arrival_sequence, sequence_loss
from arraywright.allocation.sequence_search import search_sequence
from arraywright.allocation.sequence_windows import windows_at
from benchmarks._park_sites import make_class
from tests.allocation.test_sequence_search import make_problem, used_of


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    sizes=st.lists(st.integers(1, 8), min_size=2, max_size=14),
    lengths=st.lists(st.sampled_from([2, 5, 9, 13]), min_size=1, max_size=12),
    order=st.randoms(use_true_random=False),
)
def test_bound_is_never_above_any_order(
    seed: int, sizes: list[int], lengths: list[int], order: object
) -> None:
    """Whatever sizes, lengths (up to three) and order, the loss is not below the bound."""
    kinds = sorted(set(lengths))[:3]
    lengths = [length for length in lengths if length in kinds]
    while lengths and sum(lengths) > sum(sizes):
        lengths.pop()
    if not lengths:
        return
    problem = make_problem(seed=seed, sizes=sizes, lengths=lengths)
    bound = sequence_bound(problem).bound_w
    units = list(range(len(sizes)))
    order.shuffle(units)  # type: ignore[attr-defined]
    any_order = sequence_loss(problem, used_of(problem, tuple(units))).total_w
    searched = search_sequence(problem, sweeps=5, seed=1).loss_w
    assert bound <= any_order + 1e-9
    assert bound <= searched + 1e-9


def test_one_pallet_leaves_nothing_to_choose() -> None:
    """A single pallet that just fills its strings loses what the bound says."""
    problem = make_problem(seed=3, sizes=[12], lengths=[4, 4, 4])
    loss = sequence_loss(problem, arrival_sequence(problem)).total_w
    assert sequence_bound(problem).bound_w == pytest.approx(loss, rel=1e-6)


def test_pallets_that_end_with_strings_leave_nothing_to_choose() -> None:
    """Where every pallet fills whole strings and all are used, order changes nothing."""
    problem = make_problem(seed=4, sizes=[8] * 12, lengths=[4] * 24)
    loss = sequence_loss(problem, arrival_sequence(problem)).total_w
    assert sequence_bound(problem).bound_w == pytest.approx(loss, rel=1e-3)


@pytest.fixture(scope="module")
def yard() -> ClassProblem:
    """Give a class of 400 pallets that are all here before the first string."""
    return make_class(
        6,
        pallets=400,
        pallet_modules=36,
        string_modules=26,
        look_ahead_ratio=1.0,
        between_ratio=0.8,
    )


def test_bound_is_near_what_is_found_where_all_pallets_are_here(yard: ClassProblem) -> None:
    """Less than four hundredths of the avoidable loss lie between bound and order found."""
    arrival = sequence_loss(yard, arrival_sequence(yard)).total_w
    found = search_sequence(yard, sweeps=60, seed=1).loss_w
    bound = sequence_bound(yard).bound_w
    assert bound <= found
    assert (found - bound) / (arrival - bound) < 0.04


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    sizes=st.lists(st.integers(3, 7), min_size=6, max_size=14),
    lengths=st.lists(st.sampled_from([4, 5, 9]), min_size=4, max_size=8),
    edges=st.sets(st.integers(1, 7), max_size=3),
)
def test_bound_in_windows_is_never_above_an_order_in_time(
    seed: int, sizes: list[int], lengths: list[int], edges: set[int]
) -> None:
    """However the building is divided, no order in time is below the bound."""
    while sum(lengths) > sum(sizes):
        lengths.pop()
    if not lengths:
        return
    rng = np.random.default_rng(seed)
    problem = make_problem(
        seed=seed,
        sizes=sizes,
        lengths=lengths,
        days=sorted(rng.integers(0, 4, len(sizes)).tolist()),
        string_days=sorted(rng.integers(0, 4, len(lengths)).tolist()),
    )
    chosen = [0]
    for edge in sorted(edge for edge in edges if edge < len(lengths)):
        if min(sum(lengths[chosen[-1] : edge]), sum(lengths[edge:])) >= max(sizes):
            chosen.append(edge)
    found = search_sequence(problem, sweeps=20, seed=1)
    bound = sequence_bound(problem, windows=windows_at(problem, np.array(chosen)))
    assert bound.windows == len(chosen)
    assert bound.bound_w <= found.loss_w * (1.0 + 1e-12)


def test_bound_is_higher_where_few_pallets_are_here() -> None:
    """What arrives later cannot be used before, which windows know and one window does not."""
    late = make_class(
        6,
        pallets=300,
        pallet_modules=36,
        string_modules=26,
        look_ahead_ratio=0.05,
        between_ratio=0.8,
    )
    alone = sequence_bound(late, windows=windows_at(late, np.zeros(1, dtype=np.int64)))
    divided = sequence_bound(late)
    assert divided.windows > 1
    assert alone.bound_w < divided.bound_w <= search_sequence(late, sweeps=40, seed=1).loss_w


def test_more_than_three_lengths_are_bounded_by_nothing() -> None:
    """What is not worked out is not claimed."""
    problem = make_problem(seed=1, sizes=[6] * 5, lengths=[4, 5, 6, 7])
    assert sequence_bound(problem).bound_w == 0.0
    assert np.isfinite(sequence_bound(problem).rounds)
