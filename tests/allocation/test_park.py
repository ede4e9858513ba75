"""The plan of a park keeps its rules, comes in time, and is priced by what is really done."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.allocation.build_dates import stock_days
from arraywright.allocation.park import plan_park
from arraywright.allocation.park_result import ParkMode, ParkPlan
from arraywright.errors import CallError
from arraywright.plant import Building, Coefficients, LaydownArea, Site, Yard
from tests.allocation.invented import Pallet, StringRow, make_site, make_stock, strings_frame

TODAY = date(2027, 3, 1)
LENGTH = 24


def _site(strings: int, *, per_input: int = 1, per_drop: int = 6, pace: float = 4.0) -> Site:
    rows = [
        StringRow(
            name=f"S{k:03d}",
            modules=LENGTH,
            mppt_input=f"M{k // per_input:03d}",
            drop_point=f"D{k // per_drop:02d}",
        )
        for k in range(strings)
    ]
    positions = pl.DataFrame(
        {
            "string": [row.name for row in rows],
            "place_in_string": [1] * strings,
            "position": [f"{row.name}-1" for row in rows],
            "x_m": [50.0 * (k // per_drop) for k in range(strings)],
            "y_m": [0.0] * strings,
        }
    )
    return replace(
        make_site(strings_frame(rows)),
        positions=positions,
        building=Building(start=TODAY, strings_per_day=pace, working_days=tuple(range(7))),
        yard=Yard(
            areas=(LaydownArea(name="Gate", x_m=0.0, y_m=-20.0, area_m2=400.0),),
            lift_mass_max_kg=1500.0,
        ),
    )


def _stock(
    strings: int, *, seed: int, classes: str = "HM", ahead_days: int = 4, pace: float = 4.0
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Give pallets in mixed classes, arriving ahead of the building, and the day of each."""
    count = -(-strings * LENGTH * 21 // (31 * 20)) + 2 * len(classes)
    rng = np.random.default_rng(seed)
    pallets = [
        Pallet(
            name=f"P{k:03d}",
            size=31 - int(rng.random() < 0.05),
            arrival=k + 1,
            current_class=classes[int(rng.integers(len(classes)))],
        )
        for k in range(count)
    ]
    per_day = pace * LENGTH / 31.0
    days = [TODAY + timedelta(days=max(0, int(k / per_day) - ahead_days)) for k in range(count)]
    frame = pl.DataFrame(
        {
            "pallet": [one.name for one in pallets],
            "day": days,
            "announced": [day > TODAY for day in days],
        }
    )
    return make_stock(pallets, seed=seed, lot_sd_ratio=0.003, sd_ratio=0.002), frame


def _plan(
    site: Site,
    stock: pl.DataFrame,
    days: pl.DataFrame,
    *,
    mode: ParkMode = "auto",
    coefficients: Coefficients | None = None,
) -> ParkPlan:
    return plan_park(
        site,
        stock=stock,
        days=stock_days(TODAY, days),
        mode=mode,
        coefficients=coefficients,
    )


def _keeps_the_rules(result: ParkPlan, stock: pl.DataFrame, days: pl.DataFrame) -> None:
    placed = (
        result.chosen.plan.assignments.join(
            stock.select("serial", "current_class", "power_class_w"), on="serial"
        )
        .join(result.build, on="string")
        .join(days, on="pallet", suffix="_pallet")
        .join(result.drop_points, on="string")
    )
    assert placed.height == result.chosen.plan.modules_planned
    assert placed["serial"].is_unique().all()
    per_string = placed.group_by("string").agg(
        pl.len(), pl.col("current_class").n_unique(), pl.col("power_class_w").n_unique()
    )
    assert set(per_string["len"]) <= {LENGTH}
    assert set(per_string["current_class"]) <= {1}
    # nothing is used before it has come
    assert placed.filter(pl.col("day") < pl.col("day_pallet")).is_empty()
    built = result.build.filter(~pl.col("waits"))
    assert (built["day"] >= built["planned_day"]).all()


@settings(max_examples=5, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    strings=st.integers(6, 40),
    per_input=st.sampled_from([1, 2]),
    ahead_days=st.integers(0, 12),
    mode=st.sampled_from(["auto", "whole", "piles", "single", "arrival"]),
)
def test_every_plan_keeps_the_rules_and_comes_in_time(
    seed: int, strings: int, per_input: int, ahead_days: int, mode: ParkMode
) -> None:
    """One class a string, each module once, nothing before its day, never dearer than arrival."""
    strings -= strings % per_input
    site = _site(strings, per_input=per_input)
    stock, days = _stock(strings, seed=seed, ahead_days=ahead_days)
    result = _plan(site, stock, days, mode=mode)
    _keeps_the_rules(result, stock, days)
    for held in result.classes:
        assert held.bound <= held.chosen.total + 1e-6 or held.chosen.key == "together"
        assert held.bound_w <= held.arrival.loss_w + 1e-6
        if mode == "auto":
            assert held.chosen.total <= held.arrival.total + 1e-6
    assert result.chosen.yard.stacks["level"].max() in (None, 1, 2)


def test_strings_in_order_of_arrival_are_those_of_the_order_of_arrival() -> None:
    """Mode arrival empties pallets in the order of their days, within each class."""
    site = _site(24)
    stock, days = _stock(24, seed=4)
    result = _plan(site, stock, days, mode="arrival")
    assert result.chosen.plan.assignments.equals(result.arrival.plan.assignments)
    opened = (
        result.chosen.plan.assignments.unique("pallet", keep="first", maintain_order=True)
        .join(days, on="pallet", maintain_order="left")
        .join(
            stock.select("pallet", "current_class").unique("pallet"),
            on="pallet",
            maintain_order="left",
        )
    )
    for _, group in opened.group_by("current_class", maintain_order=True):
        assert group["day"].is_sorted()


def test_money_is_counted_from_what_is_done() -> None:
    """Openings, carries and trips counted from the plan's own rows give its handling."""
    site = _site(30)
    stock, days = _stock(30, seed=9)
    money = Coefficients(
        opening_cost=1.0, carry_cost=100.0, carry_cost_per_m=0.0, trip_cost=10_000.0,
        trip_cost_per_m=0.0, dig_cost=0.0, pile_cost_per_module=1e6, single_cost_per_module=1e6,
    )  # fmt: skip
    result = _plan(site, stock, days, coefficients=money)
    pairs = (
        result.chosen.plan.assignments.join(result.drop_points, on="string")
        .select("pallet", "drop_point")
        .unique()
    )
    pallets = pairs["pallet"].n_unique()
    trips = sum(result.chosen.yard.days["trips"].to_list())
    expected = pallets + 100.0 * (pairs.height - pallets) + 10_000.0 * trips
    assert result.chosen.handling == pytest.approx(expected)
    assert trips == pallets
    assert result.chosen.mismatch == pytest.approx(result.chosen.plan.loss_w * money.value_per_w)


def test_where_sorting_is_cheap_it_is_done_and_where_it_is_dear_it_is_not() -> None:
    """The plan follows the prices described: nothing sorted, or all drop points."""
    site = _site(24, pace=40.0)
    stock, days = _stock(24, seed=2, classes="H", ahead_days=30)
    dear = _plan(site, stock, days)
    cheap = _plan(
        site, stock, days, coefficients=Coefficients(
            pile_cost_per_module=0.0, single_cost_per_module=0.0
        ),
    )  # fmt: skip
    assert dear.chosen.counts.piled_modules + dear.chosen.counts.single_modules == 0
    assert cheap.chosen.counts.piled_modules + cheap.chosen.counts.single_modules == 24 * LENGTH
    assert cheap.chosen.plan.loss_w < 0.5 * dear.chosen.plan.loss_w
    assert "is not worth it" in " ".join(dear.sentences)
    assert "Sorting pays" in " ".join(cheap.sentences)


def test_same_input_in_any_order_of_rows_gives_the_same_plan() -> None:
    """Rows of stock and of days may stand in any order."""
    site = _site(20, per_input=2)
    stock, days = _stock(20, seed=5)
    first = _plan(site, stock, days)
    again = _plan(
        site,
        stock.sample(fraction=1.0, shuffle=True, seed=1),
        days.sample(fraction=1.0, shuffle=True, seed=2),
    )
    assert first.chosen.plan.assignments.equals(again.chosen.plan.assignments)
    assert first.chosen.yard.stacks.equals(again.chosen.yard.stacks)
    assert first.sentences == again.sentences


def test_strings_that_wait_are_told_with_the_day_their_modules_come() -> None:
    """A delivery that is late moves the strings behind it, and a finding names the first."""
    site = _site(12, pace=12.0)
    stock, days = _stock(12, seed=1, classes="H")
    late = days.with_columns(
        day=pl.when(pl.col("pallet") > "P003")
        .then(pl.lit(TODAY + timedelta(days=9)))
        .otherwise(pl.lit(TODAY))
    )
    result = _plan(site, stock, late)
    waiting = result.build.filter("waits")
    # four pallets of at most 31 modules are enough for five strings of 24
    assert waiting["string"].to_list() == [f"S{k:03d}" for k in range(5, 12)]
    (found,) = [f for f in result.findings if f.check == "allocation-waits"]
    assert "S005" in found.message
    assert (TODAY + timedelta(days=9)).isoformat() in found.message


def test_without_dates_nothing_is_said_of_days() -> None:
    """A site without dates is planned as if all stood in the yard, and says so."""
    site = replace(_site(12), building=None, yard=None)
    stock, _ = _stock(12, seed=3)
    result = plan_park(site, stock=stock, days=stock_days(TODAY))
    assert not result.days.described
    assert any("No building dates are described" in one for one in result.sentences)
    assert result.chosen.yard.stacks["leaves"].null_count() == result.chosen.yard.stacks.height
    assert Counter(f.check for f in result.findings).get("allocation-yard-area", 0) == 0


def test_nothing_open_and_nothing_in_stock_are_told_apart() -> None:
    """A site that is built and a site without modules both give a plan that says so."""
    site = _site(2, per_drop=2)
    stock, days = _stock(2, seed=3, classes="H")
    empty = _plan(site, stock.clear(), days)
    assert empty.sentences[0].startswith("Nothing could be planned")
    first = _plan(site, stock, days)
    frozen = first.chosen.plan.assignments.select("string", "place_in_string", "serial")
    built = plan_park(site, stock=stock, days=stock_days(TODAY, days), frozen=frozen)
    assert built.sentences[0].startswith("No string is open")
    assert built.chosen.plan.assignments.is_empty()


def test_an_unknown_mode_is_refused() -> None:
    """A mode nobody knows is refused with those there are."""
    site = _site(2)
    stock, days = _stock(2, seed=3)
    with pytest.raises(CallError, match="known are auto, whole, piles, single, arrival"):
        _plan(site, stock, days, mode="best")  # type: ignore[arg-type]
