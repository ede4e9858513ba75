"""Planning day after day: nothing is foreseen, nothing is used early, little is lost by it."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.allocation.rolling import (
    lot_statistics,
    next_pallets,
    outlook_of,
    roll,
)
from arraywright.allocation.sequence_layout import is_in_time, sequence_loss
from arraywright.errors import CallError
from tests.published_values import published

ANOVA = published("jcgm-100-h5")


def make_problem(
    seed: int,
    *,
    sizes: list[int],
    lengths: list[int],
    ahead: int = 3,
    per_input: int = 1,
    between: float = 0.6,
) -> ClassProblem:
    """Make an invented class; a pallet comes a day, some are here before building begins."""
    rng = np.random.default_rng(seed)
    x = np.concatenate([rng.normal(rng.normal(0.0, between), 0.5, size) for size in sizes])
    strings = np.arange(len(lengths))
    opened = np.searchsorted(np.cumsum(sizes), np.cumsum(lengths) - 1, side="right")
    return ClassProblem(
        x=x - x.mean(),
        y=rng.normal(0.0, 0.1, len(x)) if per_input > 1 else np.zeros(len(x)),
        unit_offsets=np.concatenate([[0], np.cumsum(sizes)]),
        unit_day=np.maximum(np.arange(len(sizes)) - ahead, 0),
        string_modules=np.array(lengths),
        string_day=opened,
        string_input=strings // per_input,
        string_section=strings // 4,
    )


def test_spreads_between_and_within_are_those_of_the_published_design() -> None:
    """The analysis of variance of ten groups of five gives the variances printed for it."""
    count = int(ANOVA["readings_per_day"])
    pattern = np.linspace(-1.0, 1.0, count)
    pattern /= np.std(pattern, ddof=1)
    x = np.concatenate(
        [mean + sd * pattern for mean, sd in zip(ANOVA["mean_uv"], ANOVA["sd_uv"], strict=True)]
    )
    groups = len(ANOVA["mean_uv"])
    problem = replace(make_problem(1, sizes=[count] * groups, lengths=[count] * groups), x=x)
    found = lot_statistics(problem, seen=np.ones(groups, dtype=np.bool_))
    assert found.pallets == groups
    tolerance = ANOVA["tolerance_uv"]
    assert found.mean == pytest.approx(ANOVA["grand_mean_uv"], abs=tolerance)
    assert found.within_sd == pytest.approx(ANOVA["within_sd_uv"], abs=tolerance)
    assert found.between_sd == pytest.approx(ANOVA["between_sd_uv"], abs=tolerance)


def test_drawn_pallets_have_the_spreads_they_are_drawn_with() -> None:
    """What is expected looks like what was seen."""
    seen = make_problem(3, sizes=[36] * 400, lengths=[26] * 500, between=0.8)
    lots = lot_statistics(seen, seen=np.ones(400, dtype=np.bool_))
    again = replace(seen, x=lots.draw(seen.unit_sizes, seed=1))
    drawn = lot_statistics(again, seen=np.ones(400, dtype=np.bool_))
    assert drawn.between_sd == pytest.approx(lots.between_sd, rel=0.1)
    assert drawn.within_sd == pytest.approx(lots.within_sd, rel=0.03)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("per_input", [1, 3])
def test_with_everything_here_tiny_sites_are_as_good_as_trying_all_orders(
    seed: int, per_input: int
) -> None:
    """Six pallets that fill nine strings exactly: no order is better than the one chosen."""
    problem = make_problem(seed, sizes=[6] * 6, lengths=[4] * 9, ahead=9, per_input=per_input)
    seen = np.ones(6, dtype=np.bool_)
    nothing = Sequence(units=np.zeros(0, dtype=np.int64))
    outlook = outlook_of(problem, built=nothing, seen=seen, seed=1)
    found = next_pallets(
        problem, built=nothing, until_day=99, outlook=outlook, seen=seen, depth=6, width=1000
    )
    first = found.units[:6]
    least = min(
        sequence_loss(problem, Sequence(units=np.array(order))).total_w
        for order in permutations(range(6))
    )
    # every day is planned anew; the first plan reaches to the end already
    assert sequence_loss(problem, Sequence(units=first)).total_w == pytest.approx(least, rel=1e-9)


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    sizes=st.lists(st.integers(3, 7), min_size=6, max_size=14),
    lengths=st.lists(st.sampled_from([4, 5, 9]), min_size=2, max_size=8),
    ahead=st.integers(0, 6),
    per_input=st.integers(1, 3),
)
def test_rolled_orders_fill_every_string_and_use_nothing_before_it_is_here(
    seed: int, sizes: list[int], lengths: list[int], ahead: int, per_input: int
) -> None:
    """Whatever comes when, each pallet is used once, in time, and knowing all is never worse."""
    while sum(lengths) > sum(sizes):
        lengths.pop()
    if not lengths:
        return
    problem = make_problem(seed, sizes=sizes, lengths=lengths, ahead=ahead, per_input=per_input)
    rolled = roll(problem, seed=seed, depth=4, width=10, sweeps=5)
    units = rolled.sequence.units
    assert len(np.unique(units)) == len(units)
    assert problem.unit_sizes[units].sum() >= sum(lengths)
    assert problem.unit_sizes[units[:-1]].sum() < sum(lengths)
    assert is_in_time(problem, rolled.sequence)
    assert rolled.bound_w <= rolled.informed_w + 1e-9
    assert rolled.informed_w <= rolled.loss_w + 1e-9
    assert rolled.regret_ratio >= 0.0


def test_what_is_not_seen_does_not_matter() -> None:
    """Other modules on pallets that have not come change nothing of the coming days' plan."""
    problem = make_problem(4, sizes=[36] * 60, lengths=[26] * 80, ahead=20)
    seen = problem.unit_day <= 2
    unseen = np.repeat(~seen, problem.unit_sizes)
    other = replace(problem, x=np.where(unseen, 1e6, problem.x), y=np.where(unseen, 1e6, problem.y))
    nothing = Sequence(units=np.zeros(0, dtype=np.int64))
    plans = []
    for held in (problem, other):
        outlook = outlook_of(held, built=nothing, seen=seen, seed=7)
        plans.append(
            next_pallets(held, built=nothing, until_day=8, outlook=outlook, seen=seen).units
        )
    assert len(plans[0]) > 5
    assert np.array_equal(plans[0], plans[1])
    assert np.all(seen[plans[0]])


def test_a_pallet_that_fits_nowhere_is_kept_while_others_are_left_over() -> None:
    """With more pallets than are needed, one of quite another current stays unused."""
    problem = make_problem(2, sizes=[36] * 40, lengths=[26] * 50, ahead=10, between=0.2)
    odd = 5
    x = problem.x.copy()
    # half of its modules far above, half far below: no string is well served by it
    x[problem.unit_offsets[odd] : problem.unit_offsets[odd + 1]] = np.tile([8.0, -8.0], 18)
    rolled = roll(replace(problem, x=x), seed=1, sweeps=5)
    assert odd not in rolled.sequence.units.tolist()


def test_little_is_lost_by_not_knowing_what_comes() -> None:
    """Over several classes arriving while they are built, the regret stays far below a tenth."""
    ratios = [
        roll(
            make_problem(seed, sizes=[36] * 80, lengths=[26] * 108, ahead=16, between=between),
            seed=seed,
            sweeps=15,
        ).regret_ratio
        for seed, between in ((1, 0.2), (2, 0.4), (3, 0.7))
    ]
    assert max(ratios) < 0.1


def test_too_little_stock_with_known_values_is_told() -> None:
    """Days that reach beyond the pallets seen end in an error that says what is missing."""
    problem = make_problem(1, sizes=[36] * 10, lengths=[26] * 13, ahead=2)
    seen = problem.unit_day <= 0
    nothing = Sequence(units=np.zeros(0, dtype=np.int64))
    outlook = outlook_of(problem, built=nothing, seen=seen, seed=1)
    with pytest.raises(CallError, match="no pallet that is here"):
        next_pallets(problem, built=nothing, until_day=99, outlook=outlook, seen=seen)
    with pytest.raises(CallError, match="No pallet of the class"):
        outlook_of(problem, built=nothing, seen=np.zeros(10, dtype=np.bool_), seed=1)
