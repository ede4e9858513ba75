"""Cutting plans against published problems, against trying everything, and as plans to cut by."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.design.cutting import CutPlan, Drum, plan_cuts
from arraywright.errors import CallError
from arraywright.findings import Verdict
from tests.published_values import published

PROBLEMS = published("cutting-stock-examples")["problem"]
LENGTHS = st.lists(st.integers(min_value=1, max_value=20), min_size=1, max_size=7)
KINDS = st.lists(
    st.tuples(
        st.integers(min_value=6, max_value=20),
        st.integers(min_value=0, max_value=3),
        st.one_of(st.none(), st.integers(min_value=0, max_value=3)),
    ),
    min_size=1,
    max_size=3,
)


def _runs(lengths: list[float]) -> pl.DataFrame:
    names = [f"r{number:04d}" for number in range(len(lengths))]
    return pl.DataFrame(
        {"run": names, "length_m": lengths}, schema_overrides={"length_m": pl.Float64}
    )


def _cheapest(lengths: list[int], kinds: list[tuple[int, float, int]]) -> float:
    """Try every way to put runs on drums; infinite when there is none."""
    order = sorted(lengths, reverse=True)
    best = math.inf

    def place(at: int, rooms: list[int], left: list[int], cost: float) -> None:
        nonlocal best
        if cost >= best - 1e-9:
            return
        if at == len(order):
            best = cost
            return
        for room in set(rooms):
            if room >= order[at]:
                changed = list(rooms)
                changed[rooms.index(room)] -= order[at]
                place(at + 1, changed, left, cost)
        for kind, (capacity, price, _) in enumerate(kinds):
            if left[kind] != 0 and capacity >= order[at]:
                fewer = list(left)
                fewer[kind] -= 1
                place(at + 1, [*rooms, capacity - order[at]], fewer, cost + price)

    place(0, [], [available for _, _, available in kinds], 0.0)
    return best


def _check(plan: CutPlan, runs: pl.DataFrame, drums: list[Drum]) -> None:
    """A plan can be cut: every run once, no drum overdrawn, no more drums than there are."""
    uncut = set() if not plan.findings else set(runs["run"]) - set(plan.cuts["run"])
    assert sorted([*plan.cuts["run"], *uncut]) == sorted(runs["run"])
    both = plan.cuts.join(runs, on="run", suffix="_asked")
    assert bool((both["length_m"] >= both["length_m_asked"] - 1e-9).all())
    assert (plan.drums["left_m"] >= -1e-6).all()
    for _, cuts in plan.cuts.group_by("drum"):
        rows = cuts.sort("order")
        assert rows["order"].to_list() == list(range(1, rows.height + 1))
        assert rows["from_m"][0] == 0.0
        assert rows["from_m"][1:].to_list() == pytest.approx(rows["to_m"][:-1].to_list())
    used = dict(plan.drums.group_by("drum_kind").len().iter_rows())
    for drum in drums:
        assert drum.available is None or used.get(drum.name, 0) <= drum.available


@pytest.mark.parametrize("problem", PROBLEMS, ids=lambda held: f"{held['drums']} drums")
def test_published_problems(problem: dict[str, object]) -> None:
    """Problems of the literature end at their published number of rolls, proven."""
    sizes, demand = np.array(problem["size"], dtype=float), np.array(problem["demand"])
    drums = [Drum(name="roll", length_m=float(str(problem["capacity"])))]
    runs = _runs(np.repeat(sizes, demand).tolist())
    plan = plan_cuts(runs, drums, step_m=float(str(problem["step"])))
    _check(plan, runs, drums)
    assert plan.drums.height == problem["drums"]
    assert plan.proven_best
    if "left_ratio" in problem:
        tolerance = float(str(problem["tolerance_ratio"]))
        assert plan.left_ratio == pytest.approx(problem["left_ratio"], abs=tolerance)


@settings(max_examples=60, deadline=None)
@given(LENGTHS, KINDS)
def test_tiny_plans_equal_brute_force(
    lengths: list[int], kinds: list[tuple[int, int, int | None]]
) -> None:
    """No way of cutting few runs is cheaper, with several drums, limits and prices."""
    kinds = list({capacity: (capacity, extra, count) for capacity, extra, count in kinds}.values())
    drums = [
        Drum(
            name=f"{capacity} m",
            length_m=float(capacity),
            available=count,
            cost=float(capacity + extra),
        )
        for capacity, extra, count in kinds
    ]
    longest = max(capacity for capacity, _, _ in kinds)
    lengths = [min(one, longest) for one in lengths]
    runs = _runs([float(one) for one in lengths])
    plan = plan_cuts(runs, drums, step_m=1.0)
    _check(plan, runs, drums)
    best = _cheapest(lengths, [(c, float(c + e), -1 if n is None else n) for c, e, n in kinds])
    if math.isinf(best):
        assert plan.findings
    else:
        assert plan.cost == pytest.approx(best)
        assert plan.bound <= best + 1e-6
        assert plan.proven_best


def test_hundreds_of_runs_are_near_the_bound_and_repeat() -> None:
    """Runs of an invented park are cut within 1 % of the bound, and the same way each time."""
    drawn = np.random.default_rng(11).uniform(60.0, 240.0, 300)
    runs = _runs(np.round(drawn, 1).tolist())
    drums = [
        Drum(name="500 m", length_m=500.0),
        Drum(name="opened 1", length_m=387.4, available=1),
        Drum(name="1000 m", length_m=1000.0, available=10),
    ]
    plan = plan_cuts(runs, drums, step_m=0.1, target_gap_ratio=0.01)
    _check(plan, runs, drums)
    assert plan.gap_ratio <= 0.01
    assert plan.bound <= plan.cost
    assert plan.cost >= float(runs["length_m"].sum())
    again = plan_cuts(runs.reverse(), drums, step_m=0.1, target_gap_ratio=0.01)
    assert again.cuts.equals(plan.cuts)


def test_rounding_keeps_a_plan_that_can_be_cut() -> None:
    """Runs are rounded up and drums down, so three runs of 3.34 m do not go on 10 m."""
    runs = _runs([3.34, 3.34, 3.34])
    drums = [Drum(name="ten", length_m=10.04)]
    plan = plan_cuts(runs, drums, step_m=0.1)
    assert plan.drums.height == 2
    fine = plan_cuts(runs, drums, step_m=0.01)
    assert fine.drums.height == 1
    assert fine.left_m == pytest.approx(0.02)


def test_allowance_is_cut_too() -> None:
    """What is lost at the ends belongs to the run."""
    runs = _runs([4.0, 5.0])
    assert plan_cuts(runs, [Drum(name="a", length_m=9.0)]).drums.height == 1
    plan = plan_cuts(runs, [Drum(name="a", length_m=9.0)], allowance_m=0.5)
    assert plan.drums.height == 2
    assert plan.cuts["length_m"].to_list() == [5.5, 4.5]


def test_a_run_longer_than_any_drum_is_told() -> None:
    """The others are cut, the long one is a finding with what to do."""
    plan = plan_cuts(_runs([4.0, 12.0, 6.0]), [Drum(name="a", length_m=10.0)])
    assert plan.cuts["run"].to_list() == ["r0002", "r0000"]
    assert [one.verdict for one in plan.findings] == [Verdict.FAIL]
    assert plan.findings[0].subject == "r0001"
    assert plan.findings[0].remedy
    assert not plan.proven_best


def test_too_few_drums_are_told() -> None:
    """A plan that leaves a run uncut is not called good."""
    plan = plan_cuts(_runs([6.0, 6.0]), [Drum(name="a", length_m=10.0, available=1)])
    assert plan.findings[0].check == "cutting-drums-short"
    assert math.isinf(plan.gap_ratio)
    assert not plan.proven_best


def test_nothing_to_cut() -> None:
    """No run needs no drum."""
    plan = plan_cuts(_runs([]), [Drum(name="a", length_m=10.0)])
    assert plan.drums.height == 0
    assert plan.cost == 0.0


@pytest.mark.parametrize(
    ("runs", "drums", "step"),
    [
        (_runs([1.0]), [], 0.1),
        (_runs([-1.0]), [Drum(name="a", length_m=10.0)], 0.1),
        (_runs([math.nan]), [Drum(name="a", length_m=10.0)], 0.1),
        (_runs([1.0]), [Drum(name="a", length_m=10.0)], 0.0),
        (_runs([1.0]), [Drum(name="a", length_m=-10.0)], 0.1),
        (_runs([1.0]), [Drum(name="a", length_m=10.0, available=-1)], 0.1),
        (_runs([1.0]), [Drum(name="a", length_m=10.0, cost=0.0)], 0.1),
        (
            _runs([1.0]),
            [Drum(name="a", length_m=10.0), Drum(name="b", length_m=9.0, cost=1.0)],
            1.0,
        ),
        (_runs([1.0]), [Drum(name="a", length_m=10_000.0)], 0.01),
        (pl.concat([_runs([1.0]), _runs([2.0])]), [Drum(name="a", length_m=10.0)], 0.1),
    ],
)
def test_what_cannot_be_is_refused(runs: pl.DataFrame, drums: list[Drum], step: float) -> None:
    """Lengths, counts, costs and names that cannot be are told before anything is cut."""
    with pytest.raises(CallError):
        plan_cuts(runs, drums, step_m=step)
