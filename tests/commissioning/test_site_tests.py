"""Tests and inspections that come as rows, and the sheets of IEC 62446-1."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.commissioning import IV_POINTS, STRING_READINGS, judge, judge_curves
from arraywright.commissioning.continuity import continuity_verdict
from arraywright.commissioning.sheets import NOT_TESTED, sheets_of_tests
from arraywright.commissioning.site_test_kinds import SITE_TEST_KINDS, named_test
from arraywright.commissioning.site_tests import SiteTestResult, judge_site_tests, subjects_of
from arraywright.commissioning.standard import FAIL, NOT_ASSESSABLE, PASS, REVIEW
from arraywright.commissioning.tables import SITE_TESTS
from arraywright.findings import Verdict
from tests.commissioning.invented import (
    NOON,
    NOW,
    make_instruments,
    make_modules,
    make_readings,
    make_site,
)

STRINGS = 6
BARE = make_site(STRINGS)
SITE = replace(
    BARE, strings=BARE.strings.with_columns(combiner_box=pl.Series(["B1"] * 3 + ["B2"] * 3))
)
MODULES = make_modules(SITE)
NAN = float("nan")


def rows(*entries: dict[str, Any]) -> pl.DataFrame:
    """Give entries of tests made at noon, as a table."""
    return pl.DataFrame(
        [{"measured_at": NOON} | entry for entry in entries],
        schema_overrides={
            name: dtype for name, dtype in SITE_TESTS.schema.items() if dtype != pl.Categorical
        },
        infer_schema_length=None,
    ).match_to_schema(SITE_TESTS.schema, missing_columns="insert", extra_columns="ignore")


def judged(*entries: dict[str, Any]) -> SiteTestResult:
    """Judge entries of the small site."""
    return judge_site_tests(
        SITE,
        tests=rows(*entries) if entries else pl.DataFrame(schema=SITE_TESTS.schema),
        instruments=make_instruments(),
        modules=MODULES,
        now_utc=NOW,
    )


CONTINUITY = {
    "subject": "B1",
    "test": "continuity",
    "earth_continuity_ohm": 0.2,
    "instrument": "R1",
}
INSULATION = {
    "subject": "B1",
    "test": "insulation",
    "riso_pos_megohm": 8.0,
    "riso_neg_megohm": 9.0,
    "riso_test_voltage_v": 1500.0,
    "instrument": "R1",
}
THERMOGRAM = {
    "subject": "S00001",
    "test": "thermogram",
    "hotter_by_k": 5.0,
    "irradiance_w_m2": 800.0,
    "reference": "IR-1.tif",
    "instrument": "T1",
}


@pytest.mark.parametrize(
    ("entry", "verdict", "words"),
    [
        ({"subject": "I1", "test": "loss of mains", "result": "OK"}, "pass", "in order"),
        ({"subject": "I1", "test": "loss of mains", "result": "n.i.O."}, "fail", "not in order"),
        ({"subject": "I1", "test": "loss of mains"}, "not_assessable", "result is missing"),
        (
            {"subject": "I1", "test": "loss of mains", "result": "?!x"},
            "not_assessable",
            "understood",
        ),
        ({"subject": "I1", "test": "moonlight", "result": "ok"}, "not_assessable", "not one that"),
        ({"subject": "B9", "test": "combiner box", "result": "ok"}, "not_assessable", "nothing of"),
        (
            {"subject": "S00001", "test": "loss of mains", "result": "ok"},
            "not_assessable",
            "not made",
        ),
        (CONTINUITY, "pass", "0.2 ohm"),
        (CONTINUITY | {"earth_continuity_ohm": 1.4}, "fail", "allowed 1 ohm"),
        (CONTINUITY | {"earth_continuity_ohm": 0.97}, "review", "0.97 ohm"),
        (CONTINUITY | {"earth_continuity_ohm": None, "result": "ok"}, "not_assessable", "missing"),
        (CONTINUITY | {"instrument": None}, "not_assessable", "not listed"),
        (CONTINUITY | {"result": "fail"}, "fail", "not in order"),
        (INSULATION, "pass", "84 sound modules"),
        (INSULATION | {"riso_pos_megohm": 0.01}, "fail", "too low"),
        (INSULATION | {"riso_pos_megohm": 0.5}, "not_assessable", "test in parts"),
        (INSULATION | {"riso_neg_megohm": None}, "not_assessable", "only one pole"),
        (INSULATION | {"riso_test_voltage_v": None}, "not_assessable", "test voltage"),
        (INSULATION | {"weather": "wet"}, "pass", "wet"),
        (THERMOGRAM, "pass", "6 K above"),
        (THERMOGRAM | {"hotter_by_k": 10.0}, "review", "12 K"),
        (THERMOGRAM | {"hotter_by_k": 20.0}, "fail", "25 K"),
        (THERMOGRAM | {"irradiance_w_m2": 500.0}, "not_assessable", "below 600"),
        (THERMOGRAM | {"hotter_by_k": None}, "not_assessable", "missing"),
        (THERMOGRAM | {"reference": None}, "not_assessable", "not referred"),
    ],
)
def test_each_entry_has_its_verdict_and_reason(
    entry: dict[str, Any], verdict: str, words: str
) -> None:
    """Results, limits, instruments, subjects and conditions decide, and are told."""
    found = judged(entry)
    assert found.tests["verdict"].to_list() == [verdict]
    assert words in found.tests["words"][0]
    assert found.tests["counts"].to_list() == [verdict != "not_assessable"]
    assert [one.verdict for one in found.findings] == (
        [] if verdict == "pass" else [Verdict(verdict)]
    )


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"measured_at": NOW + dt.timedelta(days=1)}, "future"),
        ({"measured_at": dt.datetime(1999, 1, 1, tzinfo=dt.UTC)}, "older"),
    ],
)
def test_an_impossible_moment_carries_no_verdict(change: dict[str, Any], words: str) -> None:
    """An entry from the future or from before the site is told and does not count."""
    found = judged(CONTINUITY | change)
    assert found.tests["verdict"].to_list() == ["not_assessable"]
    assert words in found.tests["words"][0]


def test_newest_valid_entry_counts_and_contradictions_do_not() -> None:
    """A retest takes the place of a failure; entries of one moment that differ do not count."""
    later = CONTINUITY | {"measured_at": NOON + dt.timedelta(hours=1)}
    found = judged(CONTINUITY | {"earth_continuity_ohm": 3.0}, later)
    assert dict(found.tests.select("verdict", "counts").iter_rows()) == {
        "fail": False,
        "pass": True,
    }
    assert found.findings == ()
    both = judged(CONTINUITY, CONTINUITY | {"earth_continuity_ohm": 3.0})
    assert both.tests["verdict"].to_list() == ["not_assessable"] * 2
    assert not both.tests["counts"].any()


def test_several_thermograms_of_one_subject_count_by_the_gravest() -> None:
    """Two places on one string in one moment both stand, and the sheet shows the worse."""
    found = judged(THERMOGRAM, THERMOGRAM | {"hotter_by_k": 30.0, "reference": "IR-2.tif"})
    assert found.tests["counts"].to_list() == [True, True]
    line = _sheet(found).filter(pl.col("test").str.contains("infrared")).row(0, named=True)
    assert (line["failed"], line["not_tested"]) == (1, STRINGS - 1)


def test_names_of_tests_are_understood_in_three_languages() -> None:
    """Every kind has its own spellings, none belongs to two kinds."""
    owner: dict[str, str] = {}
    for kind in SITE_TEST_KINDS:
        assert named_test(kind.key) == kind.key
        assert named_test(kind.words.upper()) == kind.key
        for word in kind.spellings:
            assert owner.setdefault(word, kind.key) == kind.key
    assert named_test("Sichtprüfung") == "inspection"
    assert named_test("Pérdida de red") == "functional-mains-loss"
    assert named_test(None) == ""
    assert list(subjects_of(SITE).values()).count("combiner box") == 2


@pytest.mark.parametrize(
    ("value", "limit", "lead", "u", "verdict"),
    [
        (0.5, 1.0, 0.0, 0.0, PASS),
        (1.2, 1.0, 0.0, 0.0, FAIL),
        (1.2, 1.0, 0.3, 0.0, PASS),
        (0.95, 1.0, 0.0, 0.05, REVIEW),
        (0.1, 1.0, 0.3, 0.05, NOT_ASSESSABLE),
        (NAN, 1.0, 0.0, 0.0, NOT_ASSESSABLE),
        (-0.1, 1.0, 0.0, 0.0, NOT_ASSESSABLE),
        (0.5, NAN, 0.0, 0.0, NOT_ASSESSABLE),
        (0.5, 1.0, 0.0, NAN, NOT_ASSESSABLE),
    ],
)
def test_continuity_takes_leads_and_doubt_into_account(
    value: float, limit: float, lead: float, u: float, verdict: int
) -> None:
    """The leads come off, the meter's doubt reviews, and what is missing is not assessable."""
    found = continuity_verdict(value, limit_ohm=limit, lead_ohm=lead, resistance_u_ratio=u)
    assert found.tolist() == [verdict]


def _sheet(found: SiteTestResult, readings: pl.DataFrame | None = None) -> pl.DataFrame:
    """Fill the sheets from readings and entries."""
    held = pl.DataFrame(schema=STRING_READINGS.schema) if readings is None else readings
    given: dict[str, Any] = {
        "instruments": make_instruments(),
        "modules": MODULES,
        "now_utc": NOW,
    }
    result = judge(SITE, readings=held, **given)
    curves = judge_curves(SITE, points=pl.DataFrame(schema=IV_POINTS.schema), **given)
    return sheets_of_tests(
        SITE,
        strings=result.strings,
        readings=result.readings,
        curves=curves.curves,
        tests=found.tests,
    )


def test_sheets_of_an_untested_site_hold_every_test_as_not_tested() -> None:
    """Both categories stand in full before anything is tested, and nothing passes."""
    sheet = _sheet(judged())
    assert set(sheet["verdict"]) == {NOT_TESTED}
    assert sheet["passed"].sum() == 0
    assert (sheet["not_tested"] == sheet["subjects"]).all()
    clauses = set(sheet.filter(pl.col("category") == 1)["clause"])
    assert clauses == {"5.2", "6.1", "6.2", "6.3", "6.4", "6.5", "6.6", "6.7"}
    assert set(sheet.filter(pl.col("category") == 2)["clause"]) == {"7.2", "7.3"}
    assert all(sheet["limit"])


def test_a_line_passes_only_when_every_subject_does() -> None:
    """A box left out leaves its line open; a failing one fails it; all in order pass."""
    one = {"subject": "B1", "test": "combiner box", "result": "ok"}
    other = {"subject": "B2", "test": "combiner box", "result": "ok"}
    for entries, verdict in (
        ((one,), "not_assessable"),
        ((one, other), "pass"),
        ((one, other | {"result": "fail"}), "fail"),
    ):
        sheet = _sheet(judged(*entries)).filter(pl.col("clause") == "6.3")
        assert sheet["verdict"].to_list() == [verdict]


def test_string_lines_tell_conditions_instruments_and_what_is_missing() -> None:
    """Readings fill the lines of the strings; a string without reading counts as not tested."""
    voc = MODULES.voc_sum_v() * 0.94
    readings = make_readings(SITE, expected_voc_v=voc, expected_isc_a=np.full(STRINGS, 11.2))
    sheet = _sheet(judged(), readings.head(STRINGS - 1))
    line = sheet.filter(pl.col("clause") == "6.4").row(0, named=True)
    assert line["not_tested"] == 1
    assert line["passed"] + line["failed"] == STRINGS - 1
    assert "800 W/m2" in line["conditions"]
    assert "M1" in line["instruments"]
    insulation = sheet.filter(pl.col("test") == "insulation resistance").row(0, named=True)
    assert insulation["limit"] == "1 Mohm at 1500 V"
    assert insulation["verdict"] == "not_assessable"


@settings(deadline=None, max_examples=60)
@given(
    entry=st.fixed_dictionaries(
        {
            "subject": st.sampled_from(["B1", "I1", "S00001", "site", "nothing"]),
            "test": st.sampled_from([kind.key for kind in SITE_TEST_KINDS] + ["", "moonlight"]),
            "result": st.sampled_from([None, "ok", "fail", "maybe"]),
            "earth_continuity_ohm": st.one_of(st.none(), st.floats(-1.0, 5.0)),
            "riso_pos_megohm": st.one_of(st.none(), st.floats(-1.0, 500.0)),
            "riso_neg_megohm": st.one_of(st.none(), st.floats(-1.0, 500.0)),
            "riso_test_voltage_v": st.one_of(st.none(), st.floats(0.0, 2000.0)),
            "hotter_by_k": st.one_of(st.none(), st.floats(-5.0, 60.0)),
            "irradiance_w_m2": st.one_of(st.none(), st.floats(0.0, 1200.0)),
            "reference": st.sampled_from([None, "IR-1.tif"]),
            "instrument": st.sampled_from([None, "R1", "unlisted"]),
        }
    )
)
def test_an_entry_with_something_missing_never_passes(entry: dict[str, Any]) -> None:
    """Whatever is left out, a pass has its result or its value, its instrument and its limits."""
    row = judged(entry).tests.row(0, named=True)
    if row["verdict"] != "pass":
        return
    kind = next(one for one in SITE_TEST_KINDS if one.key == row["key"])
    assert entry["result"] in {None, "ok"}
    if kind.measured:
        assert entry["instrument"] == "R1"
        assert entry[kind.measured] is not None
    else:
        assert entry["result"] == "ok"
    if kind.key == "continuity":
        assert 0.0 <= entry["earth_continuity_ohm"] <= 1.0
    if kind.key.startswith("insulation"):
        assert min(entry["riso_pos_megohm"], entry["riso_neg_megohm"]) >= 1.0
        assert entry["riso_test_voltage_v"] >= 0.99 * 1500.0
    if kind.key == "thermogram":
        assert entry["reference"]
        assert entry["irradiance_w_m2"] >= 600.0


def test_a_table_stored_before_a_column_was_thought_of_is_completed() -> None:
    """Older rows stand under the newer schema, with the new column empty."""
    older = pl.DataFrame({"string": ["S1"], "voltage_v": [1.0]})
    found = IV_POINTS.completed(older)
    assert found.schema == pl.Schema(IV_POINTS.schema)
    assert found["point_s"].to_list() == [None]
    assert found["voltage_v"].to_list() == [1.0]
