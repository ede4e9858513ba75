"""Each reason a pallet is held or refused for, provoked alone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import polars as pl
import pytest

from arraywright.delivery import RULES, ReceivingLimits, reconcile
from arraywright.delivery.tables import DELIVERY_NOTE, FLASH_LIST, ORDER, PALLET_SCANS
from arraywright.errors import CallError
from arraywright.findings import Verdict
from tests.delivery.making import (
    MODULES,
    Delivery,
    changed,
    clean,
    flash_row,
    frame,
    module_type,
    reasons,
    receive,
    site,
    sscc,
    verdicts,
)

FIRST, SECOND = sscc(1), sscc(2)
Rows = list[dict[str, Any]]


def _without(rows: Rows, *pallets: str) -> Rows:
    return [row for row in rows if row["pallet"] not in pallets]


def _of(rows: Rows, name: str, /, **values: Any) -> Rows:
    return [row | values if row["pallet"] == name else row for row in rows]


def _everywhere(delivery: Delivery, name: str, /, **values: Any) -> Delivery:
    return delivery.but(
        notes=_of(delivery.notes, name, **values),
        scans=_of(delivery.scans, name, **values),
        flash=_of(delivery.flash, name, **values),
    )


def _mixed(delivery: Delivery) -> Delivery:
    other = flash_row(0, pallet=FIRST, power=605.0, current="L", row=2)
    return delivery.but(flash=[other, *delivery.flash[1:]])


def _bad(delivery: Delivery, count: int) -> Delivery:
    rows = delivery.flash
    for place in range(count):
        rows = changed(rows, place, voc_v=0.0)
    return delivery.but(flash=rows)


def _scan_again(delivery: Delivery, **values: Any) -> Delivery:
    early = dt.datetime(2031, 4, 2, 5, 0, tzinfo=dt.UTC)
    again = delivery.scans[0] | {"scanned_at": early, "source_row": 99} | values
    return delivery.but(scans=[*delivery.scans, again])


PROVOKE: dict[str, Callable[[Delivery], Delivery]] = {
    "pallet-foreign-type": lambda d: _everywhere(d, FIRST, module_type="Crane 54"),
    "pallet-not-ordered": lambda d: d.but(order=d.order[1:]),
    "pallet-damaged": lambda d: d.but(scans=_of(d.scans, FIRST, condition="corner crushed")),
    "pallet-missing": lambda d: d.but(scans=_without(d.scans, FIRST)),
    "pallet-surplus": lambda d: d.but(notes=_without(d.notes, FIRST)),
    "pallet-count": lambda d: d.but(scans=_of(d.scans, FIRST, modules=30)),
    "pallet-class-conflict": lambda d: d.but(scans=_of(d.scans, FIRST, power_class_w=605.0)),
    "pallet-mixed": _mixed,
    "pallet-doubled": lambda d: d.but(
        notes=[*d.notes, d.notes[0] | {"delivery_note": "N-9", "source_row": 9}]
    ),
    "pallet-scans-disagree": lambda d: _scan_again(d, modules=30),
    "pallet-sscc": lambda d: _everywhere(d, FIRST, pallet=FIRST[:-1] + "9"),
    "pallet-order-unknown": lambda d: d.but(notes=_of(d.notes, FIRST, order_number="O-77")),
    "pallet-bad-flash": lambda d: _bad(d, 2),
    "pallet-not-seen": lambda d: d.but(
        notes=_of(d.notes, FIRST, delivery_note="N-8"), scans=_without(d.scans, FIRST)
    ),
    "pallet-announced": lambda d: d.but(
        notes=_without(d.notes, FIRST), scans=_without(d.scans, FIRST)
    ),
    "pallet-no-flash": lambda d: d.but(flash=_without(d.flash, FIRST)),
    "pallet-type-unstated": lambda d: _everywhere(
        d, FIRST, module_type=None, power_class_w=None, current_class=None
    ),
}
REFUSED = {"pallet-foreign-type", "pallet-not-ordered"}


def test_a_clean_delivery_is_accepted_whole() -> None:
    """Where all four tables agree nothing is held, nothing set aside, and nothing to be told."""
    result = receive(clean(8), earlier_serials=pl.Series([], dtype=pl.String))
    assert set(verdicts(result).values()) == {"accept"}
    assert result.modules["usable"].all()
    assert result.discrepancies.height == 0
    assert {finding.verdict for finding in result.findings} == {Verdict.PASS}
    assert result.order_balance["missing"].sum() == result.order_balance["surplus"].sum() == 0
    assert result.order_balance["accepted"].sum() == 8 * MODULES


@pytest.mark.parametrize("check", PROVOKE)
def test_each_reason_comes_alone_and_touches_one_pallet(check: str) -> None:
    """One thing wrong with one pallet gives that reason and its verdict, and no other pallet."""
    result = receive(PROVOKE[check](clean()))
    assert list(reasons(result).values()) == [[check]]
    held = [verdict for verdict in verdicts(result).values() if verdict != "accept"]
    assert held == ["refuse" if check in REFUSED else "hold"]
    told = [finding for finding in result.findings if finding.check == check]
    assert len(told) == 1
    assert told[0].verdict is RULES[check].verdict
    assert told[0].place is not None
    assert told[0].remedy
    in_list = result.discrepancies.filter(pl.col("check") == check)
    assert in_list.height == (1 if RULES[check].supplier else 0)


def test_every_pallet_rule_is_provoked_by_some_test() -> None:
    """No rule stands in the table that no test can reach."""
    elsewhere = {"pallet-doubled-serials", "pallet-no-note", "pallet-no-order"}
    rules = {rule.check for rule in RULES.values() if rule.subject_kind == "pallet"}
    assert rules == set(PROVOKE) | elsewhere


EMPTY: dict[str, tuple[str, str, str]] = {
    "order": ("order-given", "pallet-no-order", "order"),
    "notes": ("note-given", "pallet-no-note", "delivery_notes"),
    "scans": ("scan-given", "pallet-not-seen", "pallet_scans"),
    "flash": ("flash-given", "pallet-no-flash", "flash_list"),
}


@pytest.mark.parametrize("table", EMPTY)
def test_a_missing_table_is_said_once_and_never_a_pass(table: str) -> None:
    """Without one of the four tables every pallet is held, and the table is named once."""
    check, reason, _ = EMPTY[table]
    result = receive(clean().but(**{table: []}))
    assert set(verdicts(result).values()) == {"hold"}
    assert all(held == [reason] for held in reasons(result).values())
    told = [finding for finding in result.findings if finding.check == check]
    assert [finding.verdict for finding in told] == [Verdict.NOT_ASSESSABLE]
    passed = {f.check for f in result.findings if f.verdict is Verdict.PASS}
    assert reason not in passed


def test_nothing_at_all_gives_four_things_not_assessable() -> None:
    """Four empty tables are no delivery and no error."""
    result = receive(Delivery(order=[], notes=[], scans=[], flash=[]))
    assert result.pallets.height == result.modules.height == 0
    assert {finding.verdict for finding in result.findings} == {Verdict.NOT_ASSESSABLE}


NEEDS = {
    "order": {"pallet-not-ordered", "pallet-order-unknown", "pallet-no-order"},
    "notes": {
        "pallet-missing",
        "pallet-surplus",
        "pallet-doubled",
        "pallet-order-unknown",
        "pallet-not-seen",
        "pallet-announced",
        "pallet-no-note",
    },
    "scans": {"pallet-damaged", "pallet-missing", "pallet-surplus", "pallet-not-seen"},
    "flash": {
        "pallet-mixed",
        "pallet-bad-flash",
        "pallet-doubled-serials",
        "pallet-announced",
        "pallet-no-flash",
    },
}


@pytest.mark.parametrize("table", NEEDS)
def test_a_check_without_its_table_never_passes(table: str) -> None:
    """Each check that needs a table passes with it and says nothing good without it."""

    def passed(delivery: Delivery) -> set[str]:
        return {f.check for f in receive(delivery).findings if f.verdict is Verdict.PASS}

    assert NEEDS[table] <= passed(clean())
    assert not NEEDS[table] & passed(clean().but(**{table: []}))


def test_own_numbers_of_the_maker_are_no_passed_check() -> None:
    """Where no number is an SSCC, no check digit has been found right."""
    own = _everywhere(clean(1), FIRST, pallet="PAL 7")
    passed = {f.check for f in receive(own).findings if f.verdict is Verdict.PASS}
    assert "pallet-sscc" not in passed


def test_many_wrong_check_digits_are_a_makers_own_numbers() -> None:
    """Twelve pallets of eighteen digits, none fitting: own numbers, said once, nobody held."""
    delivery = clean(12)
    for number in range(1, 13):
        right = sscc(number)
        wrong = right[:-1] + str((int(right[-1]) + 1) % 10)
        delivery = _everywhere(delivery, right, pallet=wrong)
    result = receive(delivery)
    assert set(verdicts(result).values()) == {"accept"}
    told = [f for f in result.findings if f.check == "pallet-numbers-own"]
    assert [(f.verdict, f.value) for f in told] == [(Verdict.REVIEW, 12.0)]


def test_a_number_marked_as_sscc_is_held_to_it_among_own_numbers() -> None:
    """Who writes (00) means an SSCC, whatever the other numbers are."""
    delivery = clean(12)
    for number in range(1, 13):
        right = sscc(number)
        mark = "(00)" if number == 1 else ""
        wrong = right[:-1] + str((int(right[-1]) + 1) % 10)
        delivery = _everywhere(delivery, right, pallet=mark + wrong)
    assert list(reasons(receive(delivery)).values()) == [["pallet-sscc"]]


def test_a_note_without_a_number_is_told_by_its_file() -> None:
    """Of two notes without a number only the one being unloaded can miss a pallet."""
    delivery = clean(4)
    notes = [row | {"delivery_note": None} for row in delivery.notes]
    result = receive(delivery.but(notes=notes, scans=_without(delivery.scans[:2], FIRST)))
    assert reasons(result) == {
        FIRST: ["pallet-missing"],
        sscc(3): ["pallet-not-seen"],
        sscc(4): ["pallet-not-seen"],
    }


def test_without_scans_the_damage_check_does_not_pass() -> None:
    """What no one has looked at is not sound."""
    result = receive(clean().but(scans=[]))
    passed = {f.check for f in result.findings if f.verdict is Verdict.PASS}
    assert not passed & {"pallet-damaged", "pallet-missing", "pallet-surplus"}


@pytest.mark.parametrize("other", ["other.csv", "flash-0.csv"])
def test_doubled_serials_hold_both_pallets(other: str) -> None:
    """A serial on two pallets is a question about both."""
    rows = clean().flash
    rows = changed(rows, MODULES + 3, serial=rows[2]["serial"], source_file=other)
    result = receive(clean().but(flash=rows))
    assert reasons(result) == {
        FIRST: ["pallet-doubled-serials"],
        SECOND: ["pallet-doubled-serials"],
    }
    assert result.modules.filter(~pl.col("usable"))["serial"].to_list() == [rows[2]["serial"]] * 2


def test_a_serial_of_the_history_holds_its_pallet() -> None:
    """A module that was received before cannot arrive again without a question."""
    result = receive(clean(), earlier_serials=pl.Series([clean().flash[0]["serial"]]))
    assert reasons(result) == {FIRST: ["pallet-doubled-serials"]}


def test_one_bad_module_is_set_aside_and_its_pallet_accepted() -> None:
    """Below the stated share the module alone pays: one of 31 is 3.2 %."""
    result = receive(_bad(clean(), 1))
    assert set(verdicts(result).values()) == {"accept"}
    assert result.modules.filter(~pl.col("usable")).height == 1
    assert result.order_balance["accepted"].sum() == 4 * MODULES - 1
    strict = ReceivingLimits(bad_flash_ratio=0.0, bad_flash_min_modules=1)
    assert reasons(receive(_bad(clean(), 1), limits=strict)) == {FIRST: ["pallet-bad-flash"]}


@pytest.mark.parametrize(
    ("modules", "bad", "verdict"),
    [(10, 1, "accept"), (10, 2, "hold"), (31, 2, "hold"), (31, 1, "accept")],
)
def test_share_and_number_decide_together(modules: int, bad: int, verdict: str) -> None:
    """One bad module never holds a pallet of ten, two do: more than 5 % and at least two."""
    delivery = _bad(clean(1), bad)
    cut = delivery.but(
        notes=_of(delivery.notes, FIRST, modules=modules),
        scans=_of(delivery.scans, FIRST, modules=modules),
        flash=delivery.flash[:modules],
    )
    assert verdicts(receive(cut)) == {FIRST: verdict}


def test_two_bad_modules_of_many_are_overlooked() -> None:
    """Two of 62 are 3.2 %: set aside, and the pallet accepted."""
    delivery = clean(1)
    more = [
        flash_row(100 + place, pallet=FIRST, power=600.0, current="L", row=100 + place)
        for place in range(MODULES)
    ]
    large = _bad(delivery, 2).but(
        notes=_of(delivery.notes, FIRST, modules=2 * MODULES),
        scans=_of(delivery.scans, FIRST, modules=2 * MODULES),
    )
    result = receive(large.but(flash=large.flash + more))
    assert verdicts(result) == {FIRST: "accept"}
    assert result.modules["usable"].sum() == 2 * MODULES - 2


def test_a_pallet_whose_only_module_is_bad_is_held() -> None:
    """A pallet of which nothing is left to use is not accepted, however small it is."""
    delivery = clean(1)
    single = delivery.but(
        notes=_of(delivery.notes, FIRST, modules=1),
        scans=_of(delivery.scans, FIRST, modules=1),
        flash=changed(delivery.flash[:1], 0, voc_v=0.0),
    )
    assert reasons(receive(single)) == {FIRST: ["pallet-bad-flash"]}


def test_a_foreign_pallet_nobody_announced_is_refused_and_not_held_as_surplus() -> None:
    """Scanned, on no note, of a type the site does not have: refused, for that one reason."""
    label = {
        "pallet": "STRAY 1", "module_type": "Crane 54", "power_class_w": 400.0, "modules": 36,
        "condition": "ok", "source_file": "scans.csv", "source_row": 50,
    }  # fmt: skip
    result = receive(clean().but(scans=[*clean().scans, label]))
    assert verdicts(result)["STRAY1"] == "refuse"
    assert reasons(result) == {"STRAY1": ["pallet-foreign-type", "pallet-no-flash"]}


def test_a_surplus_pallet_of_unknown_content_is_held() -> None:
    """A label without type is no ground to refuse; it is held until someone reads a module."""
    label = {"pallet": "STRAY 1", "source_file": "scans.csv", "source_row": 50}
    result = receive(clean().but(scans=[*clean().scans, label]))
    assert verdicts(result)["STRAY1"] == "hold"
    assert reasons(result)["STRAY1"] == [
        "pallet-surplus", "pallet-no-flash", "pallet-type-unstated",
    ]  # fmt: skip


def test_wrong_goods_under_a_right_note_are_refused() -> None:
    """The label counts before the note: what stands there was not ordered."""
    delivery = clean()
    wrong = delivery.but(
        order=delivery.order[1:], notes=_of(delivery.notes, FIRST, current_class="H")
    )
    assert verdicts(receive(wrong))[FIRST] == "refuse"


def test_spellings_of_a_pallet_number_are_one_pallet() -> None:
    """Spaces, (00) and case on note, label and list do not make three pallets of one."""
    delivery = clean(1)
    spelt = delivery.but(
        notes=_of(delivery.notes, FIRST, pallet=f"(00) {FIRST[:9]} {FIRST[9:]}"),
        scans=_of(delivery.scans, FIRST, pallet=f"]C100{FIRST}"),
    )
    assert verdicts(receive(spelt)) == {FIRST: "accept"}
    plain = _everywhere(delivery, FIRST, pallet="pal-7").but(
        scans=_of(delivery.scans, FIRST, pallet=" PAL-7 ")
    )
    assert verdicts(receive(plain)) == {"PAL-7": "accept"}


@pytest.mark.parametrize("condition", [None, "", " ", "OK", "In Ordnung", "sin daños", "good"])
def test_words_for_sound_are_no_damage(condition: str | None) -> None:
    """The usual words for sound in three languages, and silence, hold nothing."""
    delivery = clean()
    result = receive(delivery.but(scans=_of(delivery.scans, FIRST, condition=condition)))
    assert verdicts(result)[FIRST] == "accept"


def test_a_damaged_scan_is_not_undone_by_a_later_sound_one() -> None:
    """Damage once seen stays until a person settles it."""
    result = receive(_scan_again(clean(), condition="strap torn"))
    assert reasons(result) == {FIRST: ["pallet-damaged"]}
    told = next(f for f in result.findings if f.check == "pallet-damaged")
    assert told.found == "strap torn"


def test_the_same_note_sent_twice_changes_nothing() -> None:
    """A line repeated word for word, in another file, is the same line."""
    delivery = clean()
    again = [row | {"source_file": "copy.csv"} for row in delivery.notes]
    result = receive(delivery.but(notes=delivery.notes + again))
    assert set(verdicts(result).values()) == {"accept"}
    assert result.pallets["modules_note"].to_list() == [MODULES] * 4


def test_an_order_by_type_alone_takes_any_class() -> None:
    """Where the order names no class, none can be wrong."""
    order = [clean().order[0] | {"power_class_w": None, "current_class": "", "modules": 124}]
    result = receive(clean().but(order=order))
    assert set(verdicts(result).values()) == {"accept"}
    assert result.order_balance.select("ordered", "delivered", "missing").row(0) == (124, 124, 0)


def test_the_line_that_names_most_counts() -> None:
    """With a line by class and a line by type, a pallet counts under its class."""
    order = [
        clean().order[0] | {"modules": MODULES},
        clean().order[0] | {"power_class_w": None, "current_class": None, "modules": 200},
    ]
    balance = receive(clean().but(order=order)).order_balance
    by_class = balance.filter(pl.col("power_class_w") == 600.0).row(0, named=True)
    by_type = balance.filter(pl.col("power_class_w").is_null()).row(0, named=True)
    assert (by_class["delivered"], by_class["missing"]) == (MODULES, 0)
    assert (by_type["delivered"], by_type["missing"]) == (3 * MODULES, 200 - 3 * MODULES)


def test_a_class_nobody_stated_is_not_a_wrong_class() -> None:
    """The order names current classes, the papers do not: held to be read, not refused."""
    delivery = _everywhere(clean(), FIRST, current_class=None)
    plain = site(module_type(with_currents=False))
    result = receive(delivery, plain)
    assert verdicts(result)[FIRST] == "hold"
    assert reasons(result)[FIRST] == ["pallet-type-unstated"]


def test_too_few_and_too_many_are_said_with_the_numbers() -> None:
    """The balance tells what is missing and what came on top, and does not hold pallets for it."""
    delivery = clean()
    order = changed(changed(delivery.order, 0, modules=50), 1, modules=20)
    result = receive(delivery.but(order=order))
    assert set(verdicts(result).values()) == {"accept"}
    gaps = {
        row["current_class"]: (row["missing"], row["surplus"])
        for row in result.order_balance.filter(pl.col("power_class_w") == 600.0).iter_rows(
            named=True
        )
    }
    assert gaps == {"L": (19, 0), "H": (0, 11)}
    told = {f.check: (f.value, f.limit) for f in result.findings if f.check.startswith("order-")}
    assert told == {"order-short": (31.0, 50.0), "order-exceeded": (31.0, 20.0)}


def test_refused_goods_do_not_count_as_delivered() -> None:
    """What goes back to the supplier does not fill the order."""
    result = receive(PROVOKE["pallet-not-ordered"](clean()))
    off = result.order_balance.filter(pl.col("ordered") == 0).row(0, named=True)
    assert (off["noted"], off["delivered"], off["accepted"]) == (MODULES, 0, 0)


def test_a_flash_list_without_classes_takes_them_from_the_label() -> None:
    """Type and classes that only the label states are the modules' too, and are checked."""
    delivery = clean()
    bare = [
        row | {"module_type": None, "power_class_w": None, "current_class": None}
        for row in delivery.flash
    ]
    result = receive(delivery.but(flash=bare))
    assert set(verdicts(result).values()) == {"accept"}
    assert result.modules["power_class_w"].null_count() == 0
    weak = receive(delivery.but(flash=changed(bare, 0, pmax_w=590.0, vmp_v=590.0 / 13.6)))
    bad = weak.modules.filter(~pl.col("usable")).row(0, named=True)
    assert "flash-power-class" in bad["reason"]


def test_the_discrepancy_list_says_what_where_and_what_is_required() -> None:
    """The supplier can find the line without asking back."""
    result = receive(PROVOKE["pallet-count"](clean()))
    told = result.discrepancies.row(0, named=True)
    assert told["pallet"] == FIRST
    assert told["found"] == "note 31, label 30, flash list 31"
    assert told["required"] == "the same number on all"
    assert told["place"] == "note-1.csv, row 2"


def test_a_frame_without_its_columns_is_a_mistake_of_the_caller() -> None:
    """A table of another kind is refused with the names of what is missing."""
    with pytest.raises(CallError, match="serial"):
        reconcile(
            site(),
            order=ORDER.empty(),
            delivery_notes=DELIVERY_NOTE.empty(),
            pallet_scans=PALLET_SCANS.empty(),
            flash_list=FLASH_LIST.empty().drop("serial"),
        )


def test_files_read_one_by_one_may_be_concatenated() -> None:
    """Categorical file names from separate readings come together without error."""
    delivery = clean()
    flash = pl.concat(
        [frame(FLASH_LIST, delivery.flash[:62]), frame(FLASH_LIST, delivery.flash[62:])]
    )
    result = reconcile(
        site(),
        order=frame(ORDER, delivery.order),
        delivery_notes=frame(DELIVERY_NOTE, delivery.notes),
        pallet_scans=frame(PALLET_SCANS, delivery.scans),
        flash_list=flash,
    )
    assert set(verdicts(result).values()) == {"accept"}
