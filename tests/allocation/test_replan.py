"""Planning anew changes as little as what happened demands, and keeps every rule."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.allocation.build_dates import StockDays, stock_days
from arraywright.allocation.kept import PlanBefore
from arraywright.allocation.park import plan_park
from arraywright.allocation.replan import Replanned, replan
from arraywright.errors import CallError
from arraywright.plant import Coefficients, Site
from tests.allocation.invented import Pallet, StringRow, make_site, make_stock, strings_frame

TODAY = date(2027, 3, 1)
STRINGS = 24
PALLETS = 30
LENGTH = 26


def _site(order: Sequence[int] = tuple(range(STRINGS))) -> Site:
    """Give a site whose strings are built two a day, in this order."""
    rows = [
        StringRow(
            name=f"S{k:02d}", modules=LENGTH, mppt_input=f"M{k // 2:02d}", drop_point=f"D{k // 6}"
        )
        for k in range(STRINGS)
    ]
    place = {k: at for at, k in enumerate(order)}
    strings = strings_frame(rows).with_columns(
        build_order=pl.Series([place[k] + 1 for k in range(STRINGS)]),
        build_date=pl.Series([TODAY + timedelta(days=2 + place[k] // 2) for k in range(STRINGS)]),
    )
    return make_site(strings.sort("build_order"))


SITE = _site()
STOCK = make_stock(
    [
        Pallet(name=f"P{k:02d}", size=31, arrival=k, current_class="HM"[k % 3 == 2])
        for k in range(PALLETS)
    ],
    seed=4,
    lot_sd_ratio=0.003,
    sd_ratio=0.002,
)
CLASS_OF = dict(STOCK.select("serial", "current_class").iter_rows())


def _days(*, late: str = "") -> StockDays:
    frame = pl.DataFrame(
        {
            "pallet": [f"P{k:02d}" for k in range(PALLETS)],
            "day": [
                TODAY + timedelta(days=60 if f"P{k:02d}" == late else max(0, k // 3 - 3))
                for k in range(PALLETS)
            ],
            "announced": [k >= 12 for k in range(PALLETS)],
        }
    )
    return stock_days(TODAY, frame)


BEFORE = plan_park(SITE, stock=STOCK, days=_days(), mode="whole").chosen.plan.assignments
USED = BEFORE["pallet"].unique().sort().to_list()


def _replanned(
    stock: pl.DataFrame = STOCK,
    *,
    site: Site = SITE,
    days: StockDays | None = None,
    frozen: pl.DataFrame | None = None,
    in_progress: Sequence[str] = (),
    change_cost: float = 5.0,
    coefficients: Coefficients | None = None,
) -> Replanned:
    return replan(
        site,
        stock=stock,
        days=days or _days(),
        before=PlanBefore(assignments=BEFORE, known=STOCK, change_cost=change_cost),
        frozen=frozen,
        in_progress=in_progress,
        coefficients=coefficients,
        mode="whole",
    )


def _differing(now: pl.DataFrame, before: pl.DataFrame = BEFORE) -> set[str]:
    """Strings that do not hold the same serials in the same places."""
    places = ["string", "place_in_string"]
    beside = before.join(now, on=places, how="full", suffix="_now", coalesce=True)
    return set(beside.filter(pl.col("serial").ne_missing(pl.col("serial_now")))["string"])


def _check_rules(now: pl.DataFrame, *, site: Site = SITE, days: StockDays | None = None) -> None:
    """Every serial once, whole strings, one class on an input."""
    assert now["serial"].n_unique() == now.height
    assert set(now.group_by("string").len()["len"]) <= {LENGTH}
    kinds = now.with_columns(kind=pl.col("serial").replace_strict(CLASS_OF)).join(
        site.strings.select("string", "mppt_input"), on="string"
    )
    assert set(kinds.group_by("mppt_input").agg(pl.col("kind").n_unique())["kind"]) <= {1}
    when = site.strings.select("string", "build_date")
    late = (
        now.join(when, on="string")
        .join((days or _days()).pallets, on="pallet")
        .filter(pl.col("day") > pl.col("build_date"))
    )
    assert late.is_empty()


def test_without_an_event_nothing_changes() -> None:
    """The same stock, site and days give the plan in hand, string for string."""
    held = _replanned()
    assert held.result.chosen.plan.assignments.equals(BEFORE)
    assert held.changes.is_empty()
    assert held.strings_kept == STRINGS
    assert held.sentences[0] == "Nothing changes for the crews: all 24 strings stay as planned."


@pytest.mark.parametrize("pallet", USED[::9])
def test_a_refused_pallet_changes_only_the_strings_that_held_it(pallet: str) -> None:
    """While another pallet of the class is left over, no other string is touched."""
    held = _replanned(STOCK.filter(pl.col("pallet") != pallet))
    now = held.result.chosen.plan.assignments
    touched = set(BEFORE.filter(pl.col("pallet") == pallet)["string"])
    assert _differing(now) == touched
    assert set(held.changes["string"]) == touched
    assert held.strings_changed == len(touched)
    assert held.strings_kept == STRINGS - len(touched)
    assert pallet not in now["pallet"].to_list()
    assert all(pallet in why for why in held.changes["why"])
    _check_rules(now)


def test_a_truck_too_much_takes_the_strings_built_last() -> None:
    """Where a class runs short, the strings built last go without; nothing else is lost."""
    # all of class M but three pallets
    ours = STOCK.filter(pl.col("current_class") == "M")["pallet"].unique().sort().to_list()
    held = _replanned(STOCK.filter(~pl.col("pallet").is_in(ours[3:])))
    now = held.result.chosen.plan.assignments
    _check_rules(now)
    of_m = [
        name
        for name in SITE.strings["string"]
        if CLASS_OF[BEFORE.filter(pl.col("string") == name)["serial"][0]] == "M"
    ]
    filled = [name for name in of_m if name in set(now["string"])]
    assert filled == of_m[: 3 * 31 // LENGTH]
    lost = held.changes.filter(pl.col("now") == "")
    assert lost["string"].to_list() == of_m[len(filled) :]
    assert held.strings_lost == lost.height
    assert f"{lost.height} strings get nothing any more" in " ".join(held.sentences)
    # the other class is not touched
    assert _differing(now) <= set(of_m)


def test_broken_modules_are_replaced_where_they_were() -> None:
    """Two modules found broken change their strings and no other, and the others stay in place."""
    gone = BEFORE.sort("string")["serial"].gather([40, 300]).to_list()
    reasons = pl.DataFrame({"serial": gone, "reason": ["glass broken"] * 2})
    held = replan(
        SITE,
        stock=STOCK.filter(~pl.col("serial").is_in(gone)),
        days=_days(),
        before=PlanBefore(assignments=BEFORE),
        reasons=reasons,
        mode="whole",
    )
    now = held.result.chosen.plan.assignments
    touched = set(BEFORE.filter(pl.col("serial").is_in(gone))["string"])
    assert _differing(now) == touched
    same = BEFORE.filter(~pl.col("serial").is_in(gone))
    assert now.join(same, on=["string", "place_in_string", "serial"], how="semi").height == (
        same.height
    )
    assert all("glass broken" in why for why in held.changes["why"])
    _check_rules(now)


def test_strings_that_change_places_keep_their_modules_where_these_are_here() -> None:
    """The first two strings of a drop point swapped: nobody picks anything else."""
    order = [1, 0, *range(2, STRINGS)]
    site = _site(order)
    held = _replanned(site=site)
    assert _differing(held.result.chosen.plan.assignments) == set()
    assert held.changes.is_empty()


def test_a_string_brought_forward_gets_what_is_here() -> None:
    """A string built before its pallets come gets others, which come from as late as can be."""
    order = [STRINGS - 2, STRINGS - 1, *range(STRINGS - 2)]
    site = _site(order)
    held = _replanned(site=site)
    now = held.result.chosen.plan.assignments
    _check_rules(now, site=site)
    assert held.strings_lost == 0
    assert _differing(now) == set(held.changes["string"])
    assert held.strings_changed < STRINGS


def test_a_pallet_that_comes_late_is_used_later_or_not_at_all() -> None:
    """A truck two months late changes the strings it was for."""
    pallet = USED[2]
    days = _days(late=pallet)
    held = _replanned(days=days)
    now = held.result.chosen.plan.assignments
    _check_rules(now, days=days)
    assert _differing(now) == set(BEFORE.filter(pl.col("pallet") == pallet)["string"])


def test_a_string_built_otherwise_gives_its_modules_to_none_but_those_it_took_from() -> None:
    """The first string was built with the modules of the last of its class: that one changes."""
    first = BEFORE["string"][0]
    kind = CLASS_OF[BEFORE["serial"][0]]
    alike = [
        name
        for name in SITE.strings["string"]
        if CLASS_OF[BEFORE.filter(pl.col("string") == name)["serial"][0]] == kind
    ]
    last = alike[-1]
    frozen = BEFORE.filter(pl.col("string") == last).select(
        "place_in_string", "serial", string=pl.lit(first)
    )
    held = _replanned(frozen=frozen)
    now = held.result.chosen.plan.assignments
    assert first not in set(now["string"])
    assert _differing(now, BEFORE.filter(pl.col("string") != first)) == {last}
    assert held.changes["string"].to_list() == [last]
    assert f"built in {first}" in held.changes["why"][0]
    _check_rules(now)


def test_strings_in_progress_stay() -> None:
    """A string whose picking is under way keeps its rows though a cheaper order is asked for."""
    picking = SITE.strings["string"].to_list()[:3]
    free = Coefficients(opening_cost=0.0, carry_cost=0.0, energy_price_per_kwh=1.0)
    held = _replanned(
        STOCK.filter(pl.col("pallet") != USED[-1]),
        in_progress=picking,
        change_cost=0.0,
        coefficients=free,
    )
    now = held.result.chosen.plan.assignments
    for name in picking:
        mine = BEFORE.filter(pl.col("string") == name)
        assert now.filter(pl.col("string") == name).equals(mine)
    assert not set(picking) & set(held.changes["string"])
    _check_rules(now)


def test_a_new_order_is_taken_only_when_it_saves_more_than_its_changes_cost() -> None:
    """With changes free the cheapest plan is taken; dear, none but the strings hit change."""
    stock = STOCK.filter(pl.col("pallet") != USED[3])
    free, dear = _replanned(stock, change_cost=0.0), _replanned(stock, change_cost=1e6)

    def total(held: Replanned) -> float:
        return sum(one.chosen.total for one in held.result.classes)

    assert total(free) <= total(dear)
    assert dear.strings_changed <= free.strings_changed
    assert dear.strings_changed == BEFORE.filter(pl.col("pallet") == USED[3])["string"].n_unique()
    assert dear.anew_saves == pytest.approx(total(dear) - total(free), abs=1e-6)


def test_strings_without_modules_get_them_when_more_has_come() -> None:
    """A plan made with half the stock is completed when the rest is there, and else kept."""
    half = STOCK.filter(pl.col("arrival") < 15)
    early = plan_park(SITE, stock=half, days=_days(), mode="whole").chosen.plan
    assert 0 < early.strings_planned < STRINGS
    held = replan(
        SITE,
        stock=STOCK,
        days=_days(),
        before=PlanBefore(assignments=early.assignments),
        mode="whole",
    )
    now = held.result.chosen.plan.assignments
    assert now["string"].n_unique() == STRINGS
    assert set(held.changes.filter(pl.col("was") == "")["string"]) == set(
        SITE.strings["string"]
    ) - set(early.assignments["string"])
    _check_rules(now)


def test_a_plan_without_its_columns_is_told() -> None:
    """A frame that is no plan ends in an error that names what is missing."""
    with pytest.raises(CallError, match="lacks pallet"):
        replan(
            SITE,
            stock=STOCK,
            days=_days(),
            before=PlanBefore(assignments=BEFORE.drop("pallet")),
        )


@settings(max_examples=6, deadline=None)
@given(
    gone=st.sets(st.sampled_from(USED), max_size=5),
    broken=st.sets(st.integers(0, BEFORE.height - 1), max_size=8),
    swap=st.integers(0, STRINGS - 2),
    late=st.sampled_from(["", *USED]),
)
def test_whatever_happens_the_rules_hold_and_the_changes_are_all_listed(
    gone: set[str], broken: set[int], swap: int, late: str
) -> None:
    """Refused pallets, broken modules, swapped strings and a late truck together."""
    order = list(range(STRINGS))
    order[swap], order[swap + 1] = order[swap + 1], order[swap]
    site, days = _site(order), _days(late=late)
    lost = BEFORE["serial"].gather(sorted(broken)).to_list()
    stock = STOCK.filter(~pl.col("pallet").is_in(sorted(gone)) & ~pl.col("serial").is_in(lost))
    held = _replanned(stock, site=site, days=days)
    now = held.result.chosen.plan.assignments
    assert now["serial"].n_unique() == now.height
    assert set(now["serial"]) <= set(stock["serial"])
    kinds = now.with_columns(kind=pl.col("serial").replace_strict(CLASS_OF)).join(
        site.strings.select("string", "mppt_input"), on="string"
    )
    assert set(kinds.group_by("mppt_input").agg(pl.col("kind").n_unique())["kind"]) <= {1}
    assert _differing(now) == set(held.changes["string"])
    assert held.strings_kept + held.strings_changed == STRINGS
    assert replace(held, sentences=()).strings_lost == STRINGS - now["string"].n_unique()
    # nothing is used before it is here, but where a string waits for it
    waits = held.result.build.select("string", "day")
    early = (
        now.join(waits, on="string")
        .join(days.pallets.select("pallet", here="day"), on="pallet")
        .filter(pl.col("here") > pl.col("day"))
    )
    assert early.is_empty()
