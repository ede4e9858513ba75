"""Days of strings and pallets, and classes that arrivals can serve."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from fractions import Fraction

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.allocation.build_dates import build_days, stock_days, unit_days
from arraywright.allocation.classes import ClassPlan
from arraywright.allocation.classes_in_time import classes_in_time, days_of_supply
from arraywright.allocation.plan import Task, prepare_task
from arraywright.plant import Building, Site
from tests.allocation.invented import Pallet, StringRow, make_site, make_stock, strings_frame

FRIDAY = date(2027, 4, 2)


def _site(strings: int, building: Building | None = None) -> Site:
    rows = [
        StringRow(name=f"S{k:03d}", modules=10, mppt_input=f"M{k:03d}", drop_point=f"D{k // 4}")
        for k in range(strings)
    ]
    return replace(make_site(strings_frame(rows)), building=building)


def _task(site: Site, pallets: list[Pallet] | None = None) -> Task:
    stock = make_stock(pallets or [Pallet(name="P1", size=31, arrival=1)], seed=1)
    return prepare_task(site, stock=stock, frozen=None)


def _days(site: Site, planning_day: date) -> list[str]:
    days = build_days(site, _task(site).demand, planning_day=planning_day)
    return [date.fromordinal(day).isoformat() for day in days.day.tolist()]


def test_pace_skips_weekends_and_holidays() -> None:
    """Three strings a day from a Friday on: the weekend and Easter Monday are not worked."""
    building = Building(
        start=date(2027, 3, 1), strings_per_day=1.5, crews=2, holidays=(date(2027, 4, 5),)
    )
    assert _days(_site(8, building), FRIDAY) == [
        *["2027-04-02"] * 3,
        *["2027-04-06"] * 3,
        *["2027-04-07"] * 2,
    ]


def test_work_that_is_not_due_yet_begins_at_its_start() -> None:
    """A start later than the planning day is kept."""
    building = Building(start=date(2027, 5, 3), strings_per_day=4.0)
    assert _days(_site(5, building), FRIDAY) == [*["2027-05-03"] * 4, "2027-05-04"]


def test_dates_of_the_table_go_first_and_never_fall() -> None:
    """Dated strings keep their day, late ones are built today, others follow the one before."""
    site = _site(5)
    given_days = [None, date(2027, 3, 30), None, date(2027, 4, 9), None]
    strings = site.strings.with_columns(build_date=pl.Series(given_days, dtype=pl.Date))
    demand = _task(replace(site, strings=strings)).demand
    days = build_days(replace(site, strings=strings), demand, planning_day=FRIDAY)
    assert [date.fromordinal(day).isoformat() for day in days.day.tolist()] == [
        *["2027-04-02"] * 3,
        *["2027-04-09"] * 2,
    ]
    assert days.described
    assert days.late == 1


def test_without_dates_all_is_built_on_the_planning_day() -> None:
    """Where nothing is described nothing is invented."""
    site = _site(3)
    days = build_days(site, _task(site).demand, planning_day=FRIDAY)
    assert not days.described
    assert set(days.day.tolist()) == {FRIDAY.toordinal()}


def test_pallets_without_a_day_are_here_today() -> None:
    """A pallet of which nothing is said is in the yard on the planning day."""
    pallets = [Pallet(name="P1", size=5, arrival=1), Pallet(name="P2", size=5, arrival=2)]
    supply = _task(_site(1), pallets).supply
    frame = pl.DataFrame({"pallet": ["P2"], "day": [date(2027, 5, 1)], "announced": [True]})
    days, announced = unit_days(supply, stock_days(FRIDAY, frame))
    assert [date.fromordinal(day) for day in days.tolist()] == [FRIDAY, date(2027, 5, 1)]
    assert announced.tolist() == [False, True]


def _waiting(task: Task, plan: ClassPlan, string_day: np.ndarray, unit_day: np.ndarray) -> int:
    supplied = days_of_supply(
        task.supply, task.demand, string_class=plan.string_class, unit_day=unit_day
    )
    return int(np.sum((plan.string_class >= 0) & (supplied > string_day)))


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_classes_are_exchanged_so_that_no_string_waits_that_need_not(seed: int) -> None:
    """With inputs all alike, strings wait only where the modules of all classes do not suffice."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(4, 14))
    classes = ("L", "M", "H")[: int(rng.integers(2, 4))]
    pallets = [
        Pallet(name=f"P{k}", size=10, arrival=k + 1, current_class=classes[k % len(classes)])
        for k in range(count)
    ]
    task = _task(_site(count), pallets)
    string_day = np.sort(rng.integers(0, 20, count)).astype(np.int64)
    unit_day = rng.integers(0, 20, len(task.supply.unit_class)).astype(np.int64)
    of_class = np.repeat(np.arange(len(classes)), task.supply.class_sizes // 10)
    plan = ClassPlan(string_class=rng.permutation(of_class).astype(np.int64))
    changed = classes_in_time(
        task.supply, task.demand, plan, string_day=string_day, unit_day=unit_day
    )
    assert sorted(changed.string_class.tolist()) == sorted(plan.string_class.tolist())
    # strings of ten from pallets of ten: the k-th string can be built when k pallets are here
    least = int(np.sum(np.sort(unit_day) > string_day))
    after = _waiting(task, changed, string_day, unit_day)
    if least == 0:
        assert after == 0
    assert after <= _waiting(task, plan, string_day, unit_day) or least > 0


def test_a_class_that_is_built_already_is_not_exchanged() -> None:
    """An input with a built module keeps its class even when its strings have to wait."""
    site = _site(2)
    rows = [StringRow(name=f"S{k:03d}", modules=10, mppt_input="M0") for k in range(2)]
    site = replace(site, strings=strings_frame(rows))
    pallets = [
        Pallet(name="P1", size=20, arrival=1, current_class="H"),
        Pallet(name="P2", size=20, arrival=2, current_class="L"),
    ]
    stock = make_stock(pallets, seed=1)
    frozen = (
        stock.filter(pl.col("pallet") == "P2")
        .head(3)
        .select("serial", string=pl.lit("S000"), place_in_string=pl.int_range(1, pl.len() + 1))
    )
    task = prepare_task(site, stock=stock, frozen=frozen)
    names = [str(kind) for kind in task.supply.classes]
    low = next(k for k, name in enumerate(names) if name.endswith("L"))
    plan = ClassPlan(string_class=np.full(2, low, dtype=np.int64))
    changed = classes_in_time(
        task.supply,
        task.demand,
        plan,
        string_day=np.zeros(2, dtype=np.int64),
        unit_day=np.array([0 if name.endswith("H") else 9 for name in names], dtype=np.int64),
    )
    assert changed.string_class.tolist() == [low, low]


@pytest.mark.parametrize("pace", [Fraction(1, 10), Fraction(1, 3), Fraction(7, 10)])
def test_a_pace_below_one_a_day_loses_no_day_to_rounding(pace: Fraction) -> None:
    """A pace that is no whole number comes out as with exact fractions."""
    building = Building(start=FRIDAY, strings_per_day=float(pace), working_days=tuple(range(7)))
    days = build_days(_site(40, building), _task(_site(40)).demand, planning_day=FRIDAY)
    wanted = [k // pace for k in range(40)]
    assert (days.day - FRIDAY.toordinal()).tolist() == wanted
