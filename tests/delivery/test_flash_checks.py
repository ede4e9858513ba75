"""Each check of a flash row, provoked alone."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import polars as pl
import pytest

from arraywright.delivery import MODULE_CHECKS, ReceivingLimits, check_flash
from arraywright.delivery.tables import FLASH_LIST
from arraywright.findings import Verdict
from arraywright.plant import Site
from tests.delivery.making import changed, clean, frame, module_type, site

NO_LOTS = ReceivingLimits(lot_min_modules=10_000)
"""Limits with which no lot is large enough, so that one value can be wrong alone."""


def _wide() -> Site:
    """Give a site whose type has tolerances so wide that they hide nothing else."""
    return site(replace(module_type(), voc_tolerance_ratio=5.0, isc_tolerance_ratio=5.0))


def _reasons(
    rows: list[dict[str, Any]],
    at: Site | None = None,
    *,
    limits: ReceivingLimits = NO_LOTS,
    earlier_serials: pl.Series | None = None,
) -> dict[int, list[str]]:
    checks = check_flash(
        frame(FLASH_LIST, rows), at or site(), limits=limits, earlier_serials=earlier_serials
    )
    return {
        row["row"]: [check for check in MODULE_CHECKS if row[check]]
        for row in checks.rows.iter_rows(named=True)
        if row["set_aside"]
    }


def test_a_sound_list_sets_nothing_aside() -> None:
    """Sound rows pass every check, and each check says so once."""
    checks = check_flash(frame(FLASH_LIST, clean().flash), site(), earlier_serials=pl.Series([""]))
    assert not checks.rows["set_aside"].any()
    assert [finding.check for finding in checks.findings] == list(MODULE_CHECKS)
    assert {finding.verdict for finding in checks.findings} == {Verdict.PASS}


@pytest.mark.parametrize("value", [None, 0.0, -1.0, float("nan"), float("inf")])
@pytest.mark.parametrize("name", ["pmax_w", "voc_v", "isc_a", "vmp_v", "imp_a"])
def test_a_value_that_is_no_flash_value_is_only_that(name: str, value: float | None) -> None:
    """Missing, zero, negative and not-a-number are impossible, and nothing is concluded from it."""
    rows = changed(clean().flash, 3, **{name: value})
    assert _reasons(rows) == {3: ["flash-impossible-value"]}


ALONE: list[tuple[str, dict[str, Any]]] = [
    ("flash-imp-above-isc", {"isc_a": 13.60, "fill_factor_ratio": None}),
    ("flash-vmp-above-voc", {"voc_v": 44.1, "isc_a": 15.5, "fill_factor_ratio": None}),
    ("flash-pmax-product", {"pmax_w": 604.5}),
    ("flash-fill-factor-stated", {"fill_factor_ratio": 0.78}),
    ("flash-fill-factor-range", {"isc_a": 24.0, "fill_factor_ratio": None}),
    ("flash-power-class", {"pmax_w": 606.0, "vmp_v": 606.0 / 13.6}),
    ("flash-power-class", {"pmax_w": 599.0, "vmp_v": 599.0 / 13.6}),
    ("flash-current-class", {"imp_a": 13.85, "vmp_v": 601.0 / 13.85}),
    ("flash-class-unknown", {"power_class_w": 610.0}),
    ("flash-class-unknown", {"current_class": "M"}),
    ("serial-pattern", {"serial": "HR123"}),
    ("serial-missing", {"serial": None}),
    ("flash-no-pallet", {"pallet": " "}),
]


@pytest.mark.parametrize(("check", "values"), ALONE, ids=lambda value: str(value)[:40])
def test_each_check_finds_its_own_fault_and_no_other(check: str, values: dict[str, Any]) -> None:
    """One row spoiled in one way is set aside for exactly that reason, and no other row is."""
    assert _reasons(changed(clean().flash, 0, **values), _wide()) == {0: [check]}


@pytest.mark.parametrize(
    ("check", "values"),
    [
        ("flash-voc-tolerance", {"voc_v": 54.0, "fill_factor_ratio": None}),
        ("flash-voc-tolerance", {"voc_v": 50.0, "fill_factor_ratio": None}),
        ("flash-isc-tolerance", {"isc_a": 15.4, "fill_factor_ratio": None}),
    ],
)
def test_values_outside_the_data_sheet_are_set_aside(check: str, values: dict[str, Any]) -> None:
    """Voc and Isc are held against the data sheet's tolerance of the row's class."""
    assert _reasons(changed(clean().flash, 0, **values)) == {0: [check]}


def test_a_value_at_the_edge_of_the_tolerance_is_in() -> None:
    """Exactly three per cent above the data sheet's Voc is still within three per cent."""
    rows = changed(clean().flash, 0, voc_v=52.0 * 1.03, fill_factor_ratio=None)
    assert _reasons(rows) == {}


def test_rounding_of_a_printed_value_does_not_change_its_class() -> None:
    """A power printed as 599.96 belongs to 600 W when lists print a tenth of a watt."""
    rows = changed(clean().flash, 0, pmax_w=599.96, vmp_v=599.96 / 13.6)
    assert _reasons(rows) == {}
    strict = ReceivingLimits(lot_min_modules=10_000, power_rounding_w=0.0)
    assert _reasons(rows, limits=strict) == {0: ["flash-power-class"]}


def test_a_value_far_from_its_lot_is_set_aside_only_there() -> None:
    """Inside every tolerance but eighteen robust deviations off its lot: set aside for review."""
    rows = changed(clean().flash, 5, voc_v=52.9, fill_factor_ratio=None)
    assert _reasons(rows, limits=ReceivingLimits()) == {5: ["flash-far-from-lot"]}


def test_a_list_of_equal_values_flags_nothing() -> None:
    """With no spread at all, a last digit of difference is not far from the lot."""
    rows = [row | {"voc_v": 52.00, "fill_factor_ratio": None} for row in clean().flash]
    rows = changed(rows, 4, voc_v=52.01)
    assert _reasons(rows, limits=ReceivingLimits()) == {}


def test_a_serial_twice_with_other_content_sets_both_aside() -> None:
    """Nobody knows which row is the module's, so neither is planned with."""
    rows = clean().flash
    rows = changed(rows, 40, serial=f" {rows[2]['serial'].lower()} ")
    found = _reasons(rows)
    assert found == {2: ["serial-doubled-in-list"], 40: ["serial-doubled-in-list"]}


def test_a_serial_in_two_lists_is_told_from_one_in_one_list() -> None:
    """Across files it is another mistake with another person to ask."""
    rows = clean().flash
    rows = changed(rows, 40, serial=rows[2]["serial"], source_file="other.csv")
    assert _reasons(rows) == {
        2: ["serial-doubled-across-lists"],
        40: ["serial-doubled-across-lists"],
    }


def test_a_list_sent_twice_changes_nothing() -> None:
    """Rows repeated word for word in a second file are left out, counted, and hold nobody."""
    rows = clean().flash
    again = [row | {"source_file": "second.csv"} for row in rows]
    checks = check_flash(frame(FLASH_LIST, rows + again), site())
    assert checks.rows["repeated"].sum() == len(rows)
    assert not checks.rows["set_aside"].any()
    told = [finding for finding in checks.findings if finding.check == "flash-repeated"]
    assert [(finding.subject, finding.value) for finding in told] == [("second.csv", len(rows))]
    assert told[0].verdict is Verdict.REVIEW


def test_a_serial_received_earlier_is_set_aside() -> None:
    """The site's history counts, in whatever spelling it was written then."""
    rows = clean().flash
    earlier = pl.Series([rows[7]["serial"].lower(), "HR99999999"])
    assert _reasons(rows, earlier_serials=earlier) == {7: ["serial-doubled-in-history"]}


def test_without_history_the_check_is_not_assessable() -> None:
    """No history given is not a pass; an empty history is one."""
    flash = frame(FLASH_LIST, clean().flash)
    for earlier, verdict in (
        (None, Verdict.NOT_ASSESSABLE),
        (pl.Series([], dtype=pl.String), Verdict.PASS),
    ):
        findings = check_flash(flash, site(), earlier_serials=earlier).findings
        told = {finding.check: finding.verdict for finding in findings}
        assert told["serial-doubled-in-history"] is verdict


def test_a_class_the_list_does_not_state_is_taken_from_the_current() -> None:
    """Where the type is sorted by current, Imp gives the class; where it is not, none is made."""
    rows = [row | {"current_class": None} for row in clean().flash]
    derived = check_flash(frame(FLASH_LIST, rows), site()).rows
    assert derived["class_derived"].all()
    assert derived["current_class"].to_list() == [row["current_class"] for row in clean().flash]
    plain = check_flash(frame(FLASH_LIST, rows), site(module_type(with_currents=False))).rows
    assert plain["current_class"].null_count() == plain.height
    assert not plain["set_aside"].any()


def test_a_current_in_no_class_is_set_aside() -> None:
    """A module whose current no class of its type covers has no string to go to."""
    rows = changed(
        clean().flash, 0, imp_a=14.5, isc_a=15.2, vmp_v=601.0 / 14.5,
        current_class=None, fill_factor_ratio=None,
    )  # fmt: skip
    assert _reasons(rows) == {0: ["flash-current-class"]}


def test_a_pattern_only_python_knows_is_still_checked() -> None:
    """Look-ahead is valid in a site's pattern although the fast matcher does not have it."""
    ahead = site(replace(module_type(), serial_pattern=r"HR(?!9)[0-9]{8}"))
    rows = changed(clean().flash, 1, serial="HR90000001")
    assert _reasons(rows, ahead) == {1: ["serial-pattern"]}


def test_a_pattern_in_small_letters_fits_serials_in_any_case() -> None:
    """Serials are compared without regard to case, so their pattern is as well."""
    small = site(replace(module_type(), serial_pattern=r"hr[0-9]{8}"))
    rows = changed(clean().flash, 1, serial="Hr1234567")
    assert _reasons(rows, small) == {1: ["serial-pattern"]}


def test_types_are_matched_by_any_of_their_names_and_unknown_ones_are_kept() -> None:
    """Key, other spellings and case all mean the type; a foreign name stays as written."""
    rows = [
        row | {"module_type": name}
        for row, name in zip(
            clean().flash, ["HERON", "heron 72", "Heron-72/600", " crane 54 "], strict=False
        )
    ]
    checked = check_flash(frame(FLASH_LIST, rows), site()).rows
    assert checked["module_type"].to_list() == ["heron", "heron", "heron", "crane 54"]
    assert checked["type_known"].to_list() == [True, True, True, False]


def test_findings_name_value_limit_place_and_remedy() -> None:
    """A finding can be acted on without opening the list again."""
    rows = changed(clean().flash, 0, isc_a=13.60, fill_factor_ratio=None)
    checks = check_flash(frame(FLASH_LIST, rows), _wide(), limits=NO_LOTS)
    finding = next(held for held in checks.findings if held.check == "flash-imp-above-isc")
    assert (finding.subject, finding.value, finding.limit, finding.unit) == (
        rows[0]["serial"], 13.6, 13.6, "A",
    )  # fmt: skip
    assert str(finding.place) == "flash-0.csv, row 2"
    assert finding.remedy
    assert "Imp 13.6 A" in finding.message


def test_many_of_the_same_are_counted_and_not_listed() -> None:
    """Of 124 rows with the same fault ten are listed and the rest said in one finding."""
    rows = [row | {"fill_factor_ratio": 0.70} for row in clean().flash]
    limits = ReceivingLimits(findings_per_check=10)
    checks = check_flash(frame(FLASH_LIST, rows), site(), limits=limits)
    told = [held for held in checks.findings if held.check == "flash-fill-factor-stated"]
    assert len(told) == 11
    assert told[-1].value == 124
    assert "114 more" in told[-1].message
    assert checks.evidence.height == 124


def test_an_empty_list_gives_an_empty_answer() -> None:
    """No rows, no findings, no pass."""
    checks = check_flash(FLASH_LIST.empty(), site())
    assert checks.rows.height == 0
    assert checks.findings == ()
