"""The coming days from the yard alone, with enough of each class left for what remains."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from arraywright.allocation import allocate
from arraywright.allocation.ahead import AheadPlan, draw_coming, plan_ahead
from arraywright.allocation.build_dates import StockDays, stock_days
from arraywright.errors import CallError
from arraywright.plant import Site
from tests.allocation.invented import Pallet, StringRow, make_site, make_stock, strings_frame

TODAY = date(2027, 3, 1)
STRINGS = 20
LENGTH = 26
# pallets in order of arrival, one a day from the sixth on; H and M as they come
KINDS = "HHMHHMMHHHMHHMHHHM"


def _site() -> Site:
    rows = [
        StringRow(
            name=f"S{k:02d}", modules=LENGTH, mppt_input=f"M{k // 2:02d}", drop_point=f"D{k // 5}"
        )
        for k in range(STRINGS)
    ]
    return make_site(
        strings_frame(rows).with_columns(
            build_date=pl.Series([TODAY + timedelta(days=k // 2) for k in range(STRINGS)])
        )
    )


SITE = _site()
STOCK = make_stock(
    [
        Pallet(name=f"P{k:02d}", size=31, arrival=k, current_class=kind)
        for k, kind in enumerate(KINDS)
    ],
    seed=5,
    lot_sd_ratio=0.003,
    sd_ratio=0.002,
)
ARRIVES = {f"P{k:02d}": TODAY + timedelta(days=max(0, k - 5)) for k in range(len(KINDS))}


def _known(day: date) -> tuple[pl.DataFrame, StockDays, pl.DataFrame]:
    """Give what is here on a day, and the orders for the rest."""
    here = [name for name, when in ARRIVES.items() if when <= day]
    rest = {name: when for name, when in ARRIVES.items() if when > day}
    kind = dict(STOCK.select("pallet", "current_class").iter_rows())
    coming = pl.DataFrame(
        {
            "module_type": ["north 144"] * len(rest),
            "power_class_w": [550.0] * len(rest),
            "current_class": [kind[name] for name in rest],
            "modules": [31] * len(rest),
            "day": list(rest.values()),
        },
        schema_overrides={"day": pl.Date, "current_class": pl.String, "modules": pl.Int64},
    )
    frame = pl.DataFrame(
        {"pallet": here, "day": [ARRIVES[name] for name in here], "announced": [False] * len(here)}
    )
    return STOCK.filter(pl.col("pallet").is_in(here)), stock_days(day, frame), coming


def _ahead(day: date, *, days: int, frozen: pl.DataFrame | None = None, seed: int = 0) -> AheadPlan:
    stock, here, coming = _known(day)
    return plan_ahead(
        SITE,
        stock=stock,
        days=here,
        coming=coming,
        until=day + timedelta(days=days),
        frozen=frozen,
        mode="whole",
        seed=seed,
    )


@pytest.fixture(scope="module")
def first() -> AheadPlan:
    """Give the plan of the first three days."""
    return _ahead(TODAY, days=2)


def test_nothing_that_was_drawn_is_given_to_a_crew(first: AheadPlan) -> None:
    """Only serials that are known stand in the tables, and the coming days are filled."""
    plan = first.result.chosen.plan
    known = set(_known(TODAY)[0]["serial"])
    for frame in (plan.assignments, plan.leftovers, plan.spares):
        assert set(frame["serial"]) <= known
    assert first.next_strings["string"].to_list() == [f"S{k:02d}" for k in range(6)]
    assert set(first.next_strings["string"]) <= set(plan.assignments["string"])
    assert not set(first.waiting["string"]) & set(plan.assignments["string"])
    assert set(first.waiting["string"]) <= set(plan.unplanned["string"])


def test_every_module_is_accounted_for(first: AheadPlan) -> None:
    """Known and to come are used now, kept for later or over: nothing is lost between."""
    for row in first.reserved.iter_rows(named=True):
        ends = row["next_days"] + row["later_known"] + row["later_to_come"] + row["over"]
        assert row["here"] + row["to_come"] == ends
    assert first.reserved["next_days"].sum() == 6 * LENGTH
    whole = first.reserved.select((pl.col("here") + pl.col("to_come")).sum()).item()
    assert whole == STOCK.height
    assert "6 strings are planned until 2027-03-03" in first.sentences[0]


def test_the_same_knowledge_gives_the_same_plan(first: AheadPlan) -> None:
    """The draw is by seed: the plan is repeated, and another draw plans the same strings."""
    again, other = (_ahead(TODAY, days=2, seed=seed) for seed in (0, 7))
    assert first.result.chosen.plan.assignments.equals(again.result.chosen.plan.assignments)
    assert other.next_strings.equals(first.next_strings)


def test_day_after_day_the_whole_park_gets_built_as_if_all_were_known() -> None:
    """Frozen as built step by step, the end has as many strings as the plan that knew it all."""
    frozen: pl.DataFrame | None = None
    day = TODAY
    for _ in range(6):
        held = _ahead(day, days=2, frozen=frozen)
        soon = held.result.chosen.plan.assignments.join(
            held.next_strings.select("string"), on="string", how="semi"
        ).select("string", "place_in_string", "serial")
        here = {name for name, when in ARRIVES.items() if when <= day + timedelta(days=2)}
        pallet = dict(STOCK.select("serial", "pallet").iter_rows())
        assert {pallet[serial] for serial in soon["serial"]} <= here
        frozen = soon if frozen is None else pl.concat([frozen, soon])
        day += timedelta(days=3)
    assert frozen is not None
    best = allocate(SITE, stock=STOCK)
    assert frozen["string"].n_unique() == best.strings_planned
    assert frozen["serial"].n_unique() == frozen.height
    kind = dict(STOCK.select("serial", "current_class").iter_rows())
    on_input = frozen.with_columns(kind=pl.col("serial").replace_strict(kind)).join(
        SITE.strings.select("string", "mppt_input"), on="string"
    )
    assert set(on_input.group_by("mppt_input").agg(pl.col("kind").n_unique())["kind"]) == {1}


def test_a_class_is_not_begun_that_the_rest_cannot_finish() -> None:
    """Thirty of M in the yard and none to come: no input is begun with M that needs fifty-two."""
    stock = make_stock(
        [
            Pallet(name="A", size=30, arrival=0, current_class="M"),
            Pallet(name="B", size=60, arrival=1, current_class="H"),
        ],
        seed=2,
    )
    rows = [StringRow(name=f"S{k}", modules=26, mppt_input=f"I{k // 2}") for k in range(4)]
    site = make_site(
        strings_frame(rows).with_columns(
            build_date=pl.Series([TODAY, TODAY, TODAY + timedelta(5), TODAY + timedelta(5)])
        )
    )
    for more, planned in (("H", {"H"}), ("M", {"H", "M"})):
        coming = pl.DataFrame(
            {
                "module_type": ["north"],
                "power_class_w": [550.0],
                "current_class": [more],
                "modules": [52],
                "day": [TODAY + timedelta(days=4)],
            }
        )
        held = plan_ahead(
            site,
            stock=stock,
            days=stock_days(TODAY),
            coming=coming,
            until=TODAY,
            mode="whole",
        )
        # the order decides which class the second input gets
        used = held.reserved.filter(
            pl.col("next_days") + pl.col("later_known") + pl.col("later_to_come") > 0
        )
        assert set(used["current_class"]) == planned
        assert held.next_strings.height == 2
        assert held.reserved.filter(pl.col("current_class") == "H")["next_days"].to_list() == [52]


def test_an_order_without_current_class_is_split_as_what_came() -> None:
    """Two thirds of what came are H, so are two thirds of what is ordered by power alone."""
    coming = pl.DataFrame(
        {
            "module_type": ["north"],
            "power_class_w": [550.0],
            "current_class": [None],
            "modules": [300],
            "day": [TODAY],
        },
        schema_overrides={"current_class": pl.String},
    )
    drawn, days = draw_coming(SITE, stock=STOCK, coming=coming, seed=1)
    share = STOCK.filter(pl.col("current_class") == "H").height / STOCK.height
    assert drawn.height == 300
    assert drawn.filter(pl.col("current_class") == "H").height == pytest.approx(300 * share, abs=1)
    assert days.height == drawn["pallet"].n_unique()
    assert drawn["serial"].n_unique() == 300
    for kind in "HM":
        seen = STOCK.filter(pl.col("current_class") == kind)["imp_a"].to_numpy()
        got = drawn.filter(pl.col("current_class") == kind)["imp_a"].to_numpy()
        assert np.isin(got, seen).all()


def test_a_class_nothing_has_come_of_is_drawn_about_its_data_sheet() -> None:
    """The first delivery of a class is expected at the values on its label."""
    coming = pl.DataFrame(
        {
            "module_type": ["north"],
            "power_class_w": [555.0],
            "current_class": ["H"],
            "modules": [62],
            "day": [TODAY],
        }
    )
    drawn, _ = draw_coming(SITE, stock=STOCK, coming=coming, seed=1)
    sheet = SITE.module_types["north"].power_class(555.0)
    assert sheet is not None
    assert drawn["vmp_v"].unique().to_list() == [sheet.vmp_v]
    assert drawn["imp_a"].mean() == pytest.approx(sheet.imp_a, rel=0.002)
    assert (drawn["imp_a"] < drawn["isc_a"]).all()


def test_what_cannot_be_read_is_told() -> None:
    """A missing column and a class nobody described end in errors that name them."""
    with pytest.raises(CallError, match="lacks modules, day"):
        draw_coming(
            SITE,
            stock=STOCK,
            coming=pl.DataFrame(
                {"module_type": ["north"], "power_class_w": [550.0], "current_class": ["H"]}
            ),
            seed=1,
        )
    coming = pl.DataFrame(
        {
            "module_type": ["north"],
            "power_class_w": [700.0],
            "current_class": ["H"],
            "modules": [62],
            "day": [TODAY],
        }
    )
    with pytest.raises(CallError, match="no such class"):
        draw_coming(SITE, stock=STOCK, coming=coming, seed=1)
