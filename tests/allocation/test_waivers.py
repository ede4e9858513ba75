"""Two classes stand in one string only by an explicit waiver, and that is told everywhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import polars as pl
import pytest

from arraywright.allocation import Plan, allocate
from arraywright.allocation.as_built import check_as_built
from arraywright.allocation.build_dates import stock_days
from arraywright.allocation.kept import PlanBefore
from arraywright.allocation.park import plan_park
from arraywright.allocation.replan import replan
from arraywright.findings import Verdict
from arraywright.plant import PLACEMENTS, ClassWaiver, Site, SpareWish
from tests.allocation.invented import Pallet, StringRow, make_site, make_stock, strings_frame

LENGTH = 10
WAIVER = ClassWaiver(
    string="S2",
    power_class_w=550.0,
    current_class="M",
    other_power_class_w=550.0,
    other_current_class="H",
    reason="no more of either class is made",
    decided_by="quality lead",
    decided_on=date(2027, 2, 1),
)


def _site(waivers: Sequence[ClassWaiver] = (), *, shared: bool = False) -> Site:
    inputs = ("A", "B", "B") if shared else ("A", "B", "C")
    rows = [
        StringRow(name=f"S{k}", modules=LENGTH, mppt_input=inputs[k]) for k in range(len(inputs))
    ]
    return replace(make_site(strings_frame(rows)), waivers=tuple(waivers))


# 16 of H and 16 of M: one string of each, and six left of both
STOCK = make_stock(
    [
        Pallet(name="P1", size=16, arrival=1, current_class="H"),
        Pallet(name="P2", size=16, arrival=2, current_class="M"),
        Pallet(name="P3", size=9, arrival=3, current_class="L"),
    ],
    seed=3,
)
CLASS_OF = dict(STOCK.select("serial", "current_class").iter_rows())


def _classes(plan: Plan, string: str) -> set[str]:
    rows = plan.assignments.filter(pl.col("string") == string)
    return {CLASS_OF[serial] for serial in rows["serial"]}


def _waiver_findings(plan: Plan) -> list[tuple[str, Verdict]]:
    return [(one.subject, one.verdict) for one in plan.findings if one.check == "allocation-waiver"]


@pytest.mark.parametrize("mode", ["arrival", "plan", "sorted"])
def test_without_a_waiver_nothing_is_ever_mixed(mode: str) -> None:
    """Twelve modules of two classes are left and a string of ten stays empty."""
    plan = allocate(_site(), stock=STOCK, mode=mode)  # type: ignore[arg-type]
    assert plan.unplanned["string"].to_list() == ["S2"]
    assert all(len(_classes(plan, name)) == 1 for name in ("S0", "S1"))


@pytest.mark.parametrize("mode", ["arrival", "plan", "sorted"])
def test_a_waiver_fills_its_string_from_what_is_left_of_the_two_classes(mode: str) -> None:
    """The string is planned of both, no other is mixed, and the plan says by whose decision."""
    plan = allocate(_site([WAIVER]), stock=STOCK, mode=mode)  # type: ignore[arg-type]
    assert plan.unplanned.is_empty()
    assert plan.strings_planned == 3
    assert plan.modules_planned == 3 * LENGTH
    assert _classes(plan, "S2") == {"H", "M"}
    assert all(len(_classes(plan, name)) == 1 for name in ("S0", "S1"))
    assert plan.assignments["serial"].n_unique() == 3 * LENGTH
    assert plan.leftovers.height == STOCK.height - 3 * LENGTH
    assert _waiver_findings(plan) == [("S2", Verdict.REVIEW)]
    told = next(one for one in plan.findings if one.check == "allocation-waiver")
    assert "quality lead on 2027-02-01: no more of either class is made" in told.message
    # the exact mismatch knows the string
    assert "S2" in plan.mismatch.strings["string"].to_list()


def test_modules_mixed_are_those_nearest_to_each_other_in_current() -> None:
    """No other ten of the twelve left spread less."""
    plan = allocate(_site([WAIVER]), stock=STOCK)
    imp = dict(STOCK.select("serial", "imp_a").iter_rows())
    mixed = plan.assignments.filter(pl.col("string") == "S2")["serial"].to_list()
    left = plan.leftovers.filter(pl.col("current_class") != "L")["serial"].to_list()
    pool = sorted(imp[serial] for serial in [*mixed, *left])

    def spread(values: list[float]) -> float:
        mean = sum(values) / len(values)
        return sum((one - mean) ** 2 for one in values)

    best = min(spread(pool[at : at + LENGTH]) for at in range(len(pool) - LENGTH + 1))
    assert spread([imp[serial] for serial in mixed]) == pytest.approx(best)


def test_spares_wished_are_kept_before_a_string_is_mixed() -> None:
    """With four spares wished too few are left, and the string waits."""
    wish = SpareWish(module_type="north", power_class_w=None, current_class="H", modules=4)
    plan = allocate(replace(_site([WAIVER]), spares=(wish,)), stock=STOCK)
    assert plan.unplanned["string"].to_list() == ["S2"]
    assert plan.spares.height == 4
    assert _waiver_findings(plan) == [("S2", Verdict.REVIEW)]


def test_a_waiver_that_is_not_needed_says_so() -> None:
    """With enough of one class the string is of one class."""
    more = make_stock([Pallet(name="P9", size=31, arrival=0, current_class="H")], seed=8)
    plan = allocate(_site([WAIVER]), stock=pl.concat([STOCK, more]))
    assert _waiver_findings(plan) == [("S2", Verdict.PASS)]
    assert plan.unplanned.is_empty()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"string": "S9"}, "no such string"),
        ({"other_current_class": "L", "current_class": "H"}, "not neighbours"),
        ({"other_power_class_w": 555.0}, "not neighbours"),
        ({"other_power_class_w": 545.0, "other_current_class": "M"}, None),
        ({"other_power_class_w": 560.0}, "no such classes"),
        ({"current_class": "X"}, "no such classes"),
        ({"current_class": "H"}, "not neighbours"),
    ],
)
def test_only_neighbouring_classes_of_a_string_of_the_site_may_be_mixed(
    change: dict[str, str | float], words: str | None
) -> None:
    """A waiver that names anything else is not applied, and fails."""
    waiver = replace(WAIVER, **change)  # type: ignore[arg-type]
    plan = allocate(_site([waiver]), stock=STOCK)
    told = [one for one in plan.findings if one.check == "allocation-waiver"]
    assert len(told) == 1
    if words is None:
        # sound, but the stock has nothing of the second class
        assert told[0].verdict is Verdict.REVIEW
    else:
        assert told[0].verdict is Verdict.FAIL
        assert words in told[0].message
    assert plan.unplanned["string"].to_list() == ["S2"]


def test_the_input_of_a_mixed_string_keeps_one_of_the_two_classes() -> None:
    """On an input built with a third class nothing is mixed; with one of the two it is."""
    site = _site([WAIVER], shared=True)
    for kind, planned in (("L", False), ("H", True)):
        extra = make_stock([Pallet(name="P8", size=LENGTH, arrival=0, current_class=kind)], seed=9)
        frozen = pl.DataFrame(
            {
                "string": ["S1"] * LENGTH,
                "place_in_string": range(1, LENGTH + 1),
                "serial": extra["serial"],
            }
        )
        # only six of H and six of M are left beside what the first string takes
        stock = pl.concat([STOCK, extra])
        small = stock.filter(
            ~pl.col("serial").is_in(STOCK.filter(pl.col("pallet") == "P1")["serial"].head(10))
        )
        plan = allocate(site, stock=small, frozen=frozen)
        assert ("S2" in plan.assignments["string"].to_list()) is planned


def test_built_mixed_strings_are_told_by_their_waiver_and_do_not_stop_planning() -> None:
    """As-built lists and later plans know the waiver; without it both object."""
    serials = [
        *STOCK.filter(pl.col("current_class") == "H")["serial"].head(6).to_list(),
        *STOCK.filter(pl.col("current_class") == "M")["serial"].head(4).to_list(),
    ]
    built = pl.DataFrame(
        {
            "string": ["S2"] * LENGTH,
            "place_in_string": range(1, LENGTH + 1),
            "serial": serials,
        }
    )
    for waivers, objects in (([WAIVER], False), ([], True)):
        here = _site(waivers, shared=True)
        later = allocate(here, stock=STOCK, frozen=built)
        kept_open = "S1" in later.unplanned["string"].to_list()
        mixed = [one for one in later.findings if one.check == "allocation-input-mixed"]
        assert bool(mixed) is objects
        assert kept_open is objects
        if not objects:
            assert _classes(later, "S1") == {"H"}
        placements = built.with_columns(
            placed_at=None, person=pl.lit("crew 1"), source_file=pl.lit("a.csv"), source_row=2
        ).cast(PLACEMENTS.schema)  # type: ignore[arg-type]
        modules = STOCK.with_columns(
            usable=pl.lit(value=True), reason=pl.lit(""), pallet_verdict=pl.lit("accept")
        )
        checks = {
            (one.check, one.verdict)
            for one in check_as_built(here, placements=placements, modules=modules).findings
        }
        if objects:
            assert checks == {("as-built-wrong-class", Verdict.FAIL)}
        else:
            assert checks == {("as-built-waived", Verdict.REVIEW)}


def test_a_replanned_mixed_string_stays_as_it_was() -> None:
    """Planning anew with nothing changed gives the mixed string the same modules."""
    site = _site([WAIVER])
    before = allocate(site, stock=STOCK).assignments
    held = replan(
        site,
        stock=STOCK,
        days=stock_days(date(2027, 3, 1)),
        before=PlanBefore(assignments=before),
    )
    assert held.changes.is_empty()
    assert held.result.chosen.plan.assignments.sort("string", "place_in_string").equals(
        before.sort("string", "place_in_string")
    )


def test_pallets_for_a_mixed_string_leave_the_yard_on_its_day() -> None:
    """The yard's plan knows when modules of a mixed string are fetched."""
    day = date(2027, 3, 2)
    site = _site([WAIVER])
    site = replace(site, strings=site.strings.with_columns(build_date=pl.lit(day)))
    plan = plan_park(site, stock=STOCK, days=stock_days(date(2027, 3, 1)), mode="whole")
    mixed = plan.chosen.plan.assignments.filter(pl.col("string") == "S2")["pallet"].unique()
    assert mixed.len() == 2
    leaves = dict(plan.chosen.yard.stacks.select("pallet", "leaves").iter_rows())
    assert {leaves[name] for name in mixed} == {day}
