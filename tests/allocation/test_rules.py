"""Rules no allocation may break, whatever the site and the stock."""

from __future__ import annotations

from typing import get_args

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.allocation import Mode, Plan, allocate, compare, picking_list
from arraywright.errors import CallError
from arraywright.plant import Site, SpareWish
from tests.allocation.invented import Pallet, StringRow, make_site, make_stock, strings_frame

MODES: tuple[Mode, ...] = get_args(Mode)
CLASS = ["module_type", "power_class_w", "current_class"]


@st.composite
def cases(draw: st.DrawFn) -> tuple[Site, pl.DataFrame, int]:
    """Draw a small site with spares wished, a stock of several classes, and how much is built."""
    lengths = draw(st.lists(st.integers(1, 7), min_size=1, max_size=9))
    per_input = draw(st.integers(1, 3))
    per_drop = draw(st.integers(1, 5))
    strings = [
        StringRow(
            name=f"S{n}",
            modules=length,
            mppt_input=f"I{n // per_input}",
            drop_point=f"D{n // per_drop}",
            module_type="south" if (n // per_input) % 3 == 2 else "north",
        )
        for n, length in enumerate(lengths)
    ]
    pallets = [
        Pallet(
            name=f"P{n}",
            size=draw(st.integers(1, 12)),
            arrival=draw(st.integers(0, 9)),
            module_type=draw(st.sampled_from(("north", "south"))),
            power_class_w=draw(st.sampled_from((545.0, 550.0))),
            current_class=draw(st.sampled_from(("M", "H"))),
        )
        for n in range(draw(st.integers(0, 9)))
    ]
    wishes = (
        SpareWish(module_type="north", power_class_w=550.0, current_class="H", modules=2),
        SpareWish(module_type="north", power_class_w=None, current_class="", modules=3),
    )
    site = make_site(strings_frame(strings), spares=wishes)
    return site, make_stock(pallets, seed=draw(st.integers(0, 99))), draw(st.integers(0, 6))


def _built(site: Site, stock: pl.DataFrame, count: int) -> pl.DataFrame:
    """Give what a crew has built by a plan so far: its first modules."""
    plan = allocate(site, stock=stock, mode="arrival")
    return plan.assignments.head(count).select("string", "place_in_string", "serial")


def _alike(frame: pl.DataFrame, group: str) -> bool:
    return bool(frame.group_by(group).agg(pl.struct(CLASS).n_unique().alias("n"))["n"].max() == 1)


@settings(max_examples=40, deadline=None)
@given(case=cases(), mode=st.sampled_from(MODES))
def test_rules_hold_for_any_site_and_stock(
    case: tuple[Site, pl.DataFrame, int], mode: Mode
) -> None:
    """A serial goes to one place, strings are full or empty, inputs alike, types as described."""
    site, stock, count = case
    frozen = _built(site, stock, count)
    plan = allocate(site, stock=stock, mode=mode, frozen=frozen)
    given_out = pl.concat(
        [plan.assignments["serial"], plan.leftovers["serial"], plan.spares["serial"]]
    )
    assert given_out.n_unique() == len(given_out)
    whole = pl.concat([given_out, frozen["serial"]])
    assert whole.sort().to_list() == stock["serial"].sort().to_list()
    filled = pl.concat(
        [plan.assignments.drop("pallet"), frozen.select(plan.assignments.columns[:3])]
    )
    assert not filled.select("string", "place_in_string").is_duplicated().any()
    known = filled.join(stock, on="serial").join(
        site.strings.select("string", "modules", "mppt_input", described="module_type"),
        on="string",
    )
    assert known.height == filled.height
    if known.height:
        assert _alike(known, "mppt_input")
        assert known["module_type"].eq(known["described"]).all()
    lengths = known.group_by("string").agg(pl.len().alias("n"), pl.col("modules").first())
    full = lengths.filter(pl.col("n") == pl.col("modules"))["string"]
    waiting = plan.unplanned["string"]
    assert sorted([*full, *waiting]) == sorted(site.strings["string"].to_list())
    assert set(waiting).isdisjoint(plan.assignments["string"])


@settings(max_examples=40, deadline=None)
@given(case=cases(), mode=st.sampled_from(MODES), order=st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(
    case: tuple[Site, pl.DataFrame, int], mode: Mode, order: object
) -> None:
    """Stock rows in any order give the same plan, module by module."""
    site, stock, count = case
    frozen = _built(site, stock, count)
    rows = list(range(stock.height))
    order.shuffle(rows)  # type: ignore[attr-defined]
    one = allocate(site, stock=stock, mode=mode, frozen=frozen)
    two = allocate(site, stock=stock[rows], mode=mode, frozen=frozen.reverse())
    assert one.assignments.equals(two.assignments)
    assert one.spares.equals(two.spares)
    assert one.leftovers.equals(two.leftovers)
    assert one.loss_w == two.loss_w


def _reached(site: Site, plan: Plan, frozen: pl.DataFrame) -> tuple[int, ...]:
    """Count what a plan reaches, in the documented order of weight; less is better."""
    bound = site.strings.filter(pl.col("string").is_in(frozen["string"].implode()))["mppt_input"]
    inputs = (
        site.strings.with_columns(
            waiting=pl.col("string").is_in(plan.unplanned["string"].implode()),
            planned=pl.col("string").is_in(plan.assignments["string"].implode()),
        )
        .join(
            plan.assignments.group_by("string").agg(pl.len().cast(pl.Int64).alias("taken")),
            on="string",
            how="left",
        )
        .group_by("mppt_input")
        .agg(
            pl.len().cast(pl.Int64).alias("all"),
            pl.col("waiting").sum().cast(pl.Int64),
            pl.col("planned").sum().cast(pl.Int64),
            pl.col("taken").sum().cast(pl.Int64),
        )
    )
    whole = inputs.filter(waiting=0)
    free = inputs.filter((pl.col("waiting") == 0) | pl.col("mppt_input").is_in(bound.implode()))
    begun = inputs.filter(
        (pl.col("waiting") > 0)
        & (pl.col("planned") > 0)
        & ~pl.col("mppt_input").is_in(bound.implode())
    )
    assert plan.strings_on_whole_inputs == whole["all"].sum()
    return (
        -int(whole["all"].sum()),
        -int(free["planned"].sum()),
        -int(free["taken"].sum()),
        -plan.spares.height,
        -plan.strings_planned,
        -plan.modules_planned,
        begun.height,
        plan.pallet_openings,
    )


@settings(max_examples=30, deadline=None)
@given(case=cases())
def test_the_plan_is_never_behind_order_of_arrival(case: tuple[Site, pl.DataFrame, int]) -> None:
    """Whole inputs, spares, strings and openings, in the order of weight, are never worse."""
    site, stock, count = case
    frozen = _built(site, stock, count)
    both = compare(site, stock=stock, frozen=frozen)
    assert _reached(site, both.plan, frozen) <= _reached(site, both.arrival, frozen)
    assert both.sorted_single.unplanned.equals(both.plan.unplanned)
    if both.plan.openings_least:
        assert both.plan.pallet_openings >= both.plan.openings_least


@settings(max_examples=40, deadline=None)
@given(case=cases(), mode=st.sampled_from(MODES))
def test_the_picking_list_is_the_plan(case: tuple[Site, pl.DataFrame, int], mode: Mode) -> None:
    """One row per opening, every planned module in it, and the last row of a pallet balances."""
    site, stock, _ = case
    plan = allocate(site, stock=stock, mode=mode)
    picking = picking_list(plan, site)
    assert picking.height == plan.pallet_openings
    assert picking["modules_taken"].sum() == plan.modules_planned
    assert picking.filter("opened")["pallet"].is_unique().all()
    stays = pl.concat([plan.leftovers, plan.spares])["pallet"].value_counts()
    last = picking.group_by("pallet", maintain_order=True).last()
    left = last.join(stays, on="pallet", how="left")["count"].fill_null(0)
    assert last["modules_left"].to_list() == left.to_list()
    for _, rows in picking.group_by("drop_point"):
        assert rows["order"].to_list() == list(range(1, rows.height + 1))


def test_held_pallets_and_unusable_modules_are_never_used() -> None:
    """Rows that are not usable, or whose pallet is not accepted, stay out even when short."""
    strings = [StringRow(name="S1", modules=6, mppt_input="I1")]
    stock = make_stock(
        [Pallet(name=n, size=6, arrival=k) for k, n in enumerate(("A", "B", "C"))], seed=4
    ).with_columns(
        verdict=pl.when(pallet="A").then(pl.lit("hold")).otherwise(pl.lit("accept")),
        usable=pl.col("serial") != "B-0001",
    )
    plan = allocate(make_site(strings_frame(strings)), stock=stock)
    assert set(plan.assignments["pallet"]) == {"C"}
    assert plan.leftovers.height == 5


@pytest.mark.parametrize(
    ("column", "value", "check"),
    [
        ("power_class_w", None, "allocation-no-class"),
        ("current_class", "", "allocation-no-class"),
        ("module_type", "a stranger", "allocation-unknown-type"),
        ("imp_a", float("nan"), "allocation-no-flash"),
        ("imp_a", 99.0, "allocation-no-flash"),
        ("serial", "P-0002", "allocation-doubled-serial"),
    ],
)
def test_what_cannot_be_placed_rightly_is_set_aside_and_said(
    column: str, value: object, check: str
) -> None:
    """A module without class, type, flash values or an own serial is never built in silently."""
    stock = make_stock([Pallet(name="P", size=5, arrival=0)], seed=5)
    wrong = stock.with_columns(
        pl.when(stack_position=1).then(pl.lit(value)).otherwise(pl.col(column)).alias(column)
    )
    strings = [StringRow(name="S1", modules=3, mppt_input="I1")]
    plan = allocate(make_site(strings_frame(strings)), stock=wrong)
    assert [finding.check for finding in plan.findings] == [check]
    assert plan.strings_planned == 1
    doubled = check == "allocation-doubled-serial"
    assert plan.modules_planned + plan.leftovers.height == (3 if doubled else 4)


def test_wrong_calls_are_refused_with_a_remedy() -> None:
    """A missing column and an unknown mode are errors of the call, with what is known."""
    site = make_site(strings_frame([StringRow(name="S1", modules=3, mppt_input="I1")]))
    stock = make_stock([Pallet(name="P", size=5, arrival=0)], seed=5)
    with pytest.raises(CallError, match="arrival"):
        allocate(site, stock=stock.drop("arrival"))
    with pytest.raises(CallError, match="place_in_string"):
        allocate(site, stock=stock, frozen=stock.select("serial"))
    with pytest.raises(CallError, match="sorted"):
        allocate(site, stock=stock, mode="other")  # type: ignore[arg-type]
