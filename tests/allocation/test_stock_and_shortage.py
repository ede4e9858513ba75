"""Too little stock, spares, built strings: what is said and what is still planned."""

from __future__ import annotations

import polars as pl
import pytest

from arraywright.allocation import STOCK_COLUMNS, allocate, compare, picking_list
from arraywright.findings import Verdict
from arraywright.plant import Site, SpareWish
from tests.allocation.invented import Pallet, StringRow, make_site, make_stock, strings_frame


def _site(
    count: int, *, modules: int = 28, per_input: int = 2, wishes: tuple[SpareWish, ...] = ()
) -> Site:
    rows = [
        StringRow(name=f"S{n}", modules=modules, mppt_input=f"I{n // per_input}")
        for n in range(count)
    ]
    return make_site(strings_frame(rows), spares=wishes)


def test_no_stock_at_all_is_said_and_plans_nothing() -> None:
    """An empty stock gives an empty plan, a review with the numbers, and an empty picking list."""
    site = _site(4)
    both = compare(site, stock=pl.DataFrame(schema=STOCK_COLUMNS))
    for plan in (both.arrival, both.plan, both.sorted_single):
        assert plan.assignments.is_empty()
        assert plan.unplanned["modules"].to_list() == [28] * 4
        assert (plan.loss_w, plan.loss_ratio) == (0.0, 0.0)
        assert picking_list(plan, site).is_empty()
    (finding,) = both.plan.shortages
    assert finding.verdict is Verdict.REVIEW
    assert "4 of 4 open strings of north get no modules: 112 modules are missing" in finding.message
    assert "Nothing could be planned" in both.sentence


def test_one_giant_pallet_is_opened_once_per_drop_point() -> None:
    """A single pallet for strings at three drop points counts three openings in every mode."""
    rows = [
        StringRow(name=f"S{n}", modules=5, mppt_input=f"I{n}", drop_point=f"D{n % 3}")
        for n in range(6)
    ]
    site = make_site(strings_frame(rows))
    both = compare(site, stock=make_stock([Pallet(name="P", size=500, arrival=0)], seed=6))
    for plan in (both.arrival, both.plan, both.sorted_single):
        assert plan.strings_planned == 6
        assert plan.pallet_openings == 3
    assert both.plan.leftovers.height == 470
    picking = picking_list(both.plan, site)
    assert picking["remark"].to_list() == [
        "goes on to D1 with 490 modules, make it fast first",
        "comes opened from D0; goes on to D2 with 480 modules, make it fast first",
        "comes opened from D1; 470 modules stay on it: 0 spares, 470 left over",
    ]
    assert picking["opened"].to_list() == [True, False, False]


def test_a_string_longer_than_any_class_waits_and_the_rest_is_planned() -> None:
    """Modules of two classes never complete one string between them, however many there are."""
    rows = [
        StringRow(name="long", modules=30, mppt_input="I1"),
        StringRow(name="short", modules=20, mppt_input="I2"),
    ]
    stock = make_stock(
        [
            Pallet(name="A", size=25, arrival=0, current_class="M"),
            Pallet(name="B", size=25, arrival=1, current_class="H"),
        ],
        seed=7,
    )
    plan = allocate(make_site(strings_frame(rows)), stock=stock)
    assert plan.assignments["string"].unique().to_list() == ["short"]
    assert plan.unplanned["reason"].to_list() == [
        "30 needed of one class; most are left of north 550 W H: 25"
    ]


def test_an_input_begun_in_one_class_waits_for_that_class() -> None:
    """Where a class ends within an input, the rest waits, and the missing modules are counted."""
    stock = make_stock(
        [
            Pallet(name="A", size=30, arrival=0, current_class="M"),
            Pallet(name="B", size=20, arrival=1, current_class="H"),
        ],
        seed=8,
    )
    plan = allocate(_site(2, modules=18), stock=stock)
    assert plan.strings_planned == 1
    in_part = [f for f in plan.shortages if f.check == "allocation-input-in-part"]
    kind = plan.assignments.join(stock, on="serial")["current_class"].unique().to_list()
    left = {"M": 12, "H": 2}[kind[0]]
    assert [(f.value, f.limit, f.margin) for f in in_part] == [(left, 18.0, left - 18.0)]
    assert in_part[0].remedy == f"Get {18 - left} modules of north 550 W {kind[0]} for this input."


def test_most_strings_needs_the_right_class_on_the_right_input() -> None:
    """Taking the class that came first would spend it on the wrong input; the plan does not."""
    rows = [
        StringRow(name="S0", modules=10, mppt_input="I0"),
        *(StringRow(name=f"S{n}", modules=10, mppt_input="I1") for n in (1, 2, 3)),
    ]
    stock = make_stock(
        [
            Pallet(name="A", size=30, arrival=0, current_class="M"),
            Pallet(name="B", size=10, arrival=1, current_class="H"),
        ],
        seed=9,
    )
    both = compare(make_site(strings_frame(rows)), stock=stock)
    assert (both.arrival.strings_planned, both.plan.strings_planned) == (3, 4)
    assert "completes 1 more string" in both.sentence


def test_when_short_the_strings_that_are_built_first_come_first() -> None:
    """Three of five equal inputs can be planned: the first three in building order."""
    plan = allocate(
        _site(5, modules=10, per_input=1),
        stock=make_stock([Pallet(name="A", size=35, arrival=0)], seed=1),
    )
    assert plan.unplanned["string"].to_list() == ["S3", "S4"]


def test_spares_follow_strings_and_a_wish_unmet_is_said() -> None:
    """Strings go first; the wished class is spared where another class can fill the strings."""
    wishes = (
        SpareWish(module_type="north", power_class_w=550.0, current_class="H", modules=8),
        SpareWish(module_type="north", power_class_w=None, current_class="", modules=20),
    )
    stock = make_stock(
        [
            Pallet(name="A", size=20, arrival=0, current_class="H"),
            Pallet(name="B", size=30, arrival=1, current_class="M"),
        ],
        seed=10,
    )
    plan = allocate(_site(1, modules=18, wishes=wishes), stock=stock)
    assert plan.strings_planned == 1
    kept = plan.spares["current_class"].value_counts().sort("current_class")
    assert kept.rows() == [("H", 16), ("M", 12)]
    short = allocate(_site(2, modules=20, per_input=1, wishes=wishes), stock=stock)
    spares = [f for f in short.shortages if f.check == "allocation-spares"]
    assert short.strings_planned == 2
    assert [(f.value, f.limit, f.verdict) for f in spares] == [
        (0.0, 8.0, Verdict.REVIEW),
        (10.0, 20.0, Verdict.REVIEW),
    ]
    assert short.leftovers.is_empty()


def test_a_class_that_is_wished_as_spare_is_not_built_in_needlessly() -> None:
    """Either class fills the string; the plan builds the one nobody wants as a spare."""
    wish = SpareWish(module_type="north", power_class_w=550.0, current_class="H", modules=15)
    stock = make_stock(
        [
            Pallet(name="A", size=20, arrival=0, current_class="H"),
            Pallet(name="B", size=20, arrival=1, current_class="M"),
        ],
        seed=10,
    )
    site = _site(1, modules=18, wishes=(wish,))
    assert allocate(site, stock=stock).spares.height == 15
    assert allocate(site, stock=stock, mode="arrival").spares.height == 2


def test_spares_come_from_pallets_that_are_open_anyway() -> None:
    """A pallet opened for a string gives the spares, and the unopened one stays whole."""
    wish = SpareWish(module_type="north", power_class_w=None, current_class="", modules=3)
    stock = make_stock(
        [Pallet(name="A", size=31, arrival=0), Pallet(name="B", size=31, arrival=1)], seed=11
    )
    plan = allocate(_site(1, wishes=(wish,)), stock=stock)
    assert plan.spares["pallet"].unique().to_list() == plan.assignments["pallet"].unique().to_list()
    assert plan.leftovers.height == 31


def _built(stock: pl.DataFrame, string: str, serials: list[str]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "string": [string] * len(serials),
            "place_in_string": list(range(1, len(serials) + 1)),
            "serial": serials,
        }
    )


def test_a_string_built_in_part_is_finished_in_its_own_class() -> None:
    """Built modules keep their places, and the rest of the string and its input match them."""
    stock = make_stock(
        [
            Pallet(name="A", size=31, arrival=1, current_class="M"),
            Pallet(name="B", size=31, arrival=0, current_class="H"),
        ],
        seed=12,
    )
    frozen = _built(stock, "S0", ["A-0001", "A-0002", "A-0003"])
    plan = allocate(_site(2, modules=10), stock=stock, frozen=frozen)
    assert plan.assignments["pallet"].unique().to_list() == ["A"]
    own = plan.assignments.filter(string="S0")
    assert own["place_in_string"].to_list() == [4, 5, 6, 7, 8, 9, 10]
    assert plan.mismatch.strings["string"].to_list() == ["S0", "S1"]


def test_built_modules_no_longer_in_stock_are_known_by_their_own_columns() -> None:
    """Class and flash values of built modules may come with them; without, nothing is guessed."""
    stock = make_stock(
        [Pallet(name="A", size=31, arrival=0), Pallet(name="B", size=5, arrival=1)], seed=13
    )
    gone = stock.filter(pallet="B")
    frozen = _built(stock, "S0", gone["serial"].to_list())
    rest = stock.filter(pallet="A")
    site = _site(2, modules=10)
    blind = allocate(site, stock=rest, frozen=frozen)
    assert blind.strings_planned == 0
    assert [f.check for f in blind.findings] == ["allocation-input-unknown-class"]
    assert blind.findings[0].verdict is Verdict.NOT_ASSESSABLE
    told = allocate(site, stock=rest, frozen=frozen.join(gone, on="serial"))
    assert told.strings_planned == 2
    assert told.mismatch.strings["modules"].to_list() == [10, 10]


def test_built_strings_of_unknown_flash_are_left_out_of_the_loss_and_said() -> None:
    """A complete string whose modules have no flash values is counted, never estimated."""
    stock = make_stock([Pallet(name="A", size=31, arrival=0)], seed=14)
    frozen = _built(stock, "S0", [f"X{n}" for n in range(10)])
    plan = allocate(_site(2, modules=10, per_input=1), stock=stock, frozen=frozen)
    assert plan.mismatch.strings["string"].to_list() == ["S1"]
    assert "allocation-mismatch" in [f.check for f in plan.findings]


def test_contradictions_of_what_is_built_fail_and_block_their_input() -> None:
    """Two classes on an input, a serial in two places, an unknown string: each is a failure."""
    stock = make_stock(
        [
            Pallet(name="A", size=31, arrival=0, current_class="M"),
            Pallet(name="B", size=31, arrival=1, current_class="H"),
        ],
        seed=15,
    )
    frozen = pl.DataFrame(
        {
            "string": ["S0", "S0", "S2", "S2", "nowhere"],
            "place_in_string": [1, 2, 1, 2, 1],
            "serial": ["A-0001", "B-0001", "A-0002", "A-0002", "A-0003"],
        }
    )
    plan = allocate(_site(4, modules=10), stock=stock, frozen=frozen)
    assert sorted(f.check for f in plan.findings) == [
        "allocation-built-twice",
        "allocation-built-unknown-string",
        "allocation-input-mixed",
    ]
    assert all(f.verdict is Verdict.FAIL for f in plan.findings)
    assert plan.unplanned["string"].to_list() == ["S0", "S1"]


def test_an_input_described_with_two_types_is_not_planned() -> None:
    """Strings of two module types on one input contradict the rule that inputs are alike."""
    rows = [
        StringRow(name="S0", modules=5, mppt_input="I0"),
        StringRow(name="S1", modules=5, mppt_input="I0", module_type="south"),
        StringRow(name="S2", modules=5, mppt_input="I1"),
    ]
    plan = allocate(
        make_site(strings_frame(rows)),
        stock=make_stock([Pallet(name="A", size=31, arrival=0)], seed=16),
    )
    assert plan.assignments["string"].unique().to_list() == ["S2"]
    assert [f.check for f in plan.findings] == ["allocation-input-mixed"]


@pytest.mark.parametrize("spelling", ["north", "NORTH 144", " north 144 "])
def test_other_spellings_of_a_type_are_the_same_type(spelling: str) -> None:
    """The stock may name the type by any spelling the site knows."""
    stock = make_stock([Pallet(name="A", size=31, arrival=0, module_type=spelling)], seed=17)
    assert allocate(_site(1), stock=stock).strings_planned == 1
