"""An explanation says what the plan holds, and what an exchange costs when it is really made."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.allocation.build_dates import stock_days
from arraywright.allocation.explain import explain_string
from arraywright.allocation.park import plan_park
from arraywright.allocation.park_result import ParkPlan
from arraywright.allocation.sequence_layout import loss_of_modules
from arraywright.allocation.tally import LossTally
from arraywright.errors import CallError
from tests.allocation.invented import Pallet, StringRow, make_site, make_stock, strings_frame
from tests.allocation.test_rolling import make_problem

TODAY = date(2027, 3, 1)
STRINGS = 36


@pytest.fixture(scope="module")
def stock() -> pl.DataFrame:
    """Give 29 pallets of two classes."""
    pallets = [
        Pallet(name=f"P{k:02d}", size=31, arrival=k, current_class="HM"[k % 3 == 2])
        for k in range(29)
    ]
    return make_stock(pallets, seed=4, lot_sd_ratio=0.003, sd_ratio=0.002)


@pytest.fixture(scope="module")
def result(stock: pl.DataFrame) -> ParkPlan:
    """Give the plan of a small park in which pallets arrive over ten days."""
    rows = [
        StringRow(name=f"S{k:02d}", modules=26, mppt_input=f"M{k // 2}", drop_point=f"D{k // 6}")
        for k in range(STRINGS)
    ]
    strings = strings_frame(rows).with_columns(
        build_date=pl.Series([TODAY + timedelta(days=2 + k // 3) for k in range(STRINGS)])
    )
    days = pl.DataFrame(
        {
            "pallet": [f"P{k:02d}" for k in range(29)],
            "day": [TODAY + timedelta(days=max(0, k // 3 - 3)) for k in range(29)],
            "announced": [k >= 12 for k in range(29)],
        }
    )
    return plan_park(make_site(strings), stock=stock, days=stock_days(TODAY, days), mode="whole")


def test_every_string_is_explained_by_what_the_plan_gives_it(
    result: ParkPlan, stock: pl.DataFrame
) -> None:
    """Pallets, numbers and mean currents are those of the plan's own table."""
    flashed = stock.select("serial", "imp_a")
    for name in result.build["string"].to_list():
        held = explain_string(result, name, stock=stock)
        rows = result.chosen.plan.assignments.filter(pl.col("string") == name).join(
            flashed, on="serial", maintain_order="left"
        )
        by_pallet = rows.group_by("pallet", maintain_order=True).agg(
            pl.len(), pl.col("imp_a").mean()
        )
        assert [one.pallet for one in held.pallets] == by_pallet["pallet"].to_list()
        assert [one.modules for one in held.pallets] == by_pallet["len"].to_list()
        assert [one.mean_imp_a for one in held.pallets] == pytest.approx(
            by_pallet["imp_a"].to_list()
        )
        assert held.day is not None
        assert all(one.arrived <= held.day for one in held.pallets)
        assert all(one.pallet in held.sentences[0] for one in held.pallets)
        assert held.here_then >= len(held.pallets) - 1


def test_an_exchange_costs_what_it_costs_when_it_is_made(
    result: ParkPlan, stock: pl.DataFrame
) -> None:
    """Each exchange told, made in the tables and summed anew, changes the loss as told."""
    pallet_of = dict(stock.select("serial", "pallet").iter_rows())
    checked = 0
    for name in result.build["string"].to_list()[:12]:
        held = explain_string(result, name, stock=stock)
        own = next(one for one in result.classes if one.own.kind == held.kind)
        problem, places = own.own.problem, own.chosen.places
        serials = result.serials.slice(own.own.first_module, len(problem.x)).to_list()
        pallet = np.array([pallet_of[serial] for serial in serials])
        before = loss_of_modules(problem, string=places.string, module=places.module).total_w
        for one in held.exchanges:
            at = np.flatnonzero(pallet[places.module] == one.pallet)
            other = np.flatnonzero(pallet[places.module] == one.other)
            module = places.module.copy()
            if one.other_string:
                module[at], module[other] = places.module[other], places.module[at]
            else:
                module[at] = np.flatnonzero(pallet == one.other)[: len(at)]
            assert len(np.unique(module)) == len(module)
            after = loss_of_modules(problem, string=places.string, module=module).total_w
            assert one.loss_w == pytest.approx(after - before, abs=1e-9)
            assert one.money == pytest.approx(one.loss_w * result.coefficients.value_per_w)
            checked += 1
    assert checked > 20


def test_what_cannot_be_explained_is_told(result: ParkPlan, stock: pl.DataFrame) -> None:
    """A string that is not there, and one that gets nothing, end in an error that says so."""
    with pytest.raises(CallError, match="no string 'Z9'"):
        explain_string(result, "Z9", stock=stock)
    missing = set(result.drop_points["string"]) - set(result.build["string"])
    assert missing, "the stock is made too short for all strings"
    with pytest.raises(CallError, match="gets no modules"):
        explain_string(result, min(missing), stock=stock)


@settings(max_examples=50, deadline=None)
@given(
    seed=st.integers(0, 1000),
    moves=st.lists(st.lists(st.integers(0, 35), min_size=2, max_size=6, unique=True), max_size=4),
)
def test_tally_agrees_with_summing_anew(seed: int, moves: list[list[int]]) -> None:
    """Whatever modules go round among whatever places, the change is that of a full sum."""
    problem = make_problem(seed, sizes=[6] * 8, lengths=[4] * 9, per_input=3)
    string = np.repeat(np.arange(9), 4)
    tally = LossTally(problem, string=string, module=np.arange(36))
    for places in moves:
        at = np.array(places)
        turned = np.roll(tally.module[at], 1)
        before = loss_of_modules(problem, string=string, module=tally.module).total_w
        change = tally.change_w(at, turned)
        tally.put(at, turned)
        after = loss_of_modules(problem, string=string, module=tally.module).total_w
        assert change == pytest.approx(after - before, abs=1e-9)
