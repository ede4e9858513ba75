"""Test sheets of IEC 62446-1: what was measured on what, its limit, and what is not tested."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from arraywright.commissioning.site_test_kinds import SITE_TEST_KINDS
from arraywright.commissioning.site_tests import subjects_of
from arraywright.plant import Site

__all__ = ["NOT_TESTED", "SHEET_COLUMNS", "sheets_of_tests"]

NOT_TESTED: Final = "not_tested"
"""Verdict of a row of a sheet of which nothing was tested; never a pass."""

SHEET_COLUMNS: Final = {
    "category": pl.Int64(),
    "clause": pl.String(),
    "test": pl.String(),
    "of": pl.String(),
    "subjects": pl.Int64(),
    "passed": pl.Int64(),
    "failed": pl.Int64(),
    "review": pl.Int64(),
    "not_assessable": pl.Int64(),
    "not_tested": pl.Int64(),
    "limit": pl.String(),
    "conditions": pl.String(),
    "instruments": pl.String(),
    "people": pl.String(),
    "first": pl.Datetime("us", "UTC"),
    "last": pl.Datetime("us", "UTC"),
    "verdict": pl.String(),
}
"""Columns of a sheet: category 1 or 2, 0 for tests beside them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _StringTest:
    """A test of strings that stands in their readings."""

    key: str
    clause: str
    words: str
    values: tuple[str, ...]
    instruments: tuple[str, ...]


_STRING_TESTS: Final = (
    _StringTest(
        key="continuity",
        clause="6.1",
        words="continuity of earthing and bonding conductors",
        values=("earth_continuity_ohm",),
        instruments=("insulation_tester", "meter"),
    ),
    _StringTest(
        key="polarity",
        clause="6.2",
        words="polarity",
        values=("polarity", "voc_v"),
        instruments=("meter",),
    ),
    _StringTest(
        key="voc",
        clause="6.4",
        words="open-circuit voltage",
        values=("voc_v",),
        instruments=("meter", "irradiance_sensor", "thermometer"),
    ),
    _StringTest(
        key="isc",
        clause="6.5",
        words="short-circuit current",
        values=("isc_a",),
        instruments=("meter", "irradiance_sensor", "thermometer"),
    ),
    _StringTest(
        key="insulation",
        clause="6.7",
        words="insulation resistance",
        values=("riso_pos_megohm", "riso_neg_megohm"),
        instruments=("insulation_tester",),
    ),
)
_ROW_SUBJECTS: Final = {
    "inspection": ("site",),
    "continuity": ("combiner box", "inverter"),
    "combiner-box": ("combiner box",),
    "functional-switchgear": ("inverter",),
    "functional-inverter": ("inverter",),
    "functional-mains-loss": ("inverter",),
    "insulation": ("combiner box",),
    "thermogram": ("string",),
    "insulation-wet": ("string",),
    "blocking-diode": ("combiner box",),
    "shade": ("site",),
}
"""On what each test that comes as rows is counted in the sheets; where it was made on something
else, that has a line of its own."""
_LINE_CAP: Final = 6


def sheets_of_tests(
    site: Site,
    *,
    strings: pl.DataFrame,
    readings: pl.DataFrame,
    curves: pl.DataFrame,
    tests: pl.DataFrame,
) -> pl.DataFrame:
    """Give the sheets of category 1 and 2 and of the tests beside them, a line per test.

    A subject counts by its newest valid test. ``not_tested`` are subjects without any entry of
    that test, ``not_assessable`` those whose entries carry no verdict. The line fails when one
    subject fails; it is ``not_tested`` when none was, not assessable while one is missing or has
    no verdict, for review when one is, and passes otherwise. A line without subjects is left out.

    Args:
        site: the site.
        strings: ``strings`` of ``judge``.
        readings: ``readings`` of ``judge``.
        curves: ``curves`` of ``judge_curves``.
        tests: ``tests`` of ``judge_site_tests``.

    Source: iec-62446-1 5, 6 and 7
    """
    lines = [_string_line(site, test, strings=strings, readings=readings) for test in _STRING_TESTS]
    lines.append(_curve_line(site, curves))
    lines += _row_lines(site, tests)
    order = {1: 0, 2: 1, 0: 2}
    kept = [line for line in lines if line["subjects"]]
    kept.sort(key=lambda line: (order[line["category"]], line["clause"]))
    return pl.DataFrame(kept, schema=SHEET_COLUMNS, orient="row")


def _line(counts: dict[str, int], **known: object) -> dict[str, Any]:
    """One line with its verdict."""
    subjects = sum(counts.values())
    if counts["failed"]:
        verdict = "fail"
    elif subjects and counts["not_tested"] == subjects:
        verdict = NOT_TESTED
    elif counts["not_tested"] or counts["not_assessable"]:
        verdict = "not_assessable"
    elif counts["review"]:
        verdict = "review"
    else:
        verdict = "pass" if subjects else NOT_TESTED
    return {"subjects": subjects, **counts, "verdict": verdict, **known}


def _counts(verdicts: list[str]) -> dict[str, int]:
    return {
        "passed": verdicts.count("pass"),
        "failed": verdicts.count("fail"),
        "review": verdicts.count("review"),
        "not_assessable": verdicts.count("not_assessable"),
        "not_tested": verdicts.count(NOT_TESTED),
    }


def _names(frame: pl.DataFrame, columns: tuple[str, ...]) -> str:
    """Names that stand in the columns, the first few of them."""
    found: set[str] = set()
    for column in columns:
        found |= {str(one) for one in frame[column].drop_nulls().unique().to_list()}
    shown = sorted(found)
    more = len(shown) - _LINE_CAP
    return ", ".join(shown[:_LINE_CAP]) + (f" and {more} more" if more > 0 else "")


def _range(frame: pl.DataFrame, column: str, *, unit: str, digits: int) -> str:
    held = frame[column].drop_nulls()
    if held.is_empty():
        return ""
    low, high = float(str(held.min())), float(str(held.max()))
    if round(low, digits) == round(high, digits):
        return f"{low:.{digits}f} {unit}"
    return f"{low:.{digits}f} to {high:.{digits}f} {unit}"


def _string_line(
    site: Site, test: _StringTest, *, strings: pl.DataFrame, readings: pl.DataFrame
) -> dict[str, Any]:
    tried = set(
        readings.filter(pl.any_horizontal(pl.col(list(test.values)).is_not_null()))["string"]
    )
    verdicts = [
        str(verdict) if str(verdict) != "not_assessable" or name in tried else NOT_TESTED
        for name, verdict in strings.select("string", f"{test.key}_verdict").iter_rows()
    ]
    counting = readings.filter(pl.col("counts_for").list.contains(test.key))
    conditions = ""
    if test.key in {"voc", "isc"}:
        conditions = ", ".join(
            one
            for one in (
                _range(counting, "irradiance_w_m2", unit="W/m2", digits=0),
                _range(counting, "cell_temp_c", unit="degC cell", digits=0),
            )
            if one
        )
    if test.key == "insulation":
        conditions = _range(counting, "riso_test_voltage_v", unit="V", digits=0)
    return _line(
        _counts(verdicts),
        category=1,
        clause=test.clause,
        test=test.words,
        of="strings",
        limit=_string_limit(site, test.key, strings),
        conditions=conditions,
        instruments=_names(counting, test.instruments),
        people=_names(counting, ("person",)),
        first=counting["measured_at"].min(),
        last=counting["measured_at"].max(),
    )


def _string_limit(site: Site, key: str, strings: pl.DataFrame) -> str:
    wanted = site.commissioning
    if key == "continuity":
        return f"at most {wanted.earth_continuity_max_ohm:g} ohm"
    if key == "polarity":
        return "right"
    if key == "insulation":
        bands = (
            strings.select("riso_limit_megohm", "riso_test_voltage_required_v").unique().sort("*")
        )
        return " or ".join(
            f"{least:g} Mohm at {volts:g} V" for least, volts in bands.drop_nulls().rows()
        )
    return f"within {100 * wanted.tolerance_ratio:g} % of its modules and of like strings"


def _curve_line(site: Site, curves: pl.DataFrame) -> dict[str, Any]:
    counting = curves.filter(pl.col("counts"))
    of_string = dict(counting.select("string", "verdict").iter_rows())
    tried = set(curves["string"].drop_nulls())
    verdicts = [
        str(of_string.get(name, "not_assessable" if name in tried else NOT_TESTED))
        for name in site.strings["string"].to_list()
    ]
    conditions = ", ".join(
        one
        for one in (
            _range(counting, "irradiance_w_m2", unit="W/m2", digits=0),
            _range(counting, "cell_temp_c", unit="degC cell", digits=0),
        )
        if one
    )
    return _line(
        _counts(verdicts),
        category=2,
        clause="7.2",
        test="I-V curve",
        of="strings",
        limit=f"Pmax at STC within {100 * site.commissioning.tolerance_ratio:g} % of its modules, "
        "no departure of its shape",
        conditions=conditions,
        instruments=_names(counting, ("meter", "irradiance_sensor", "thermometer")),
        people="",
        first=counting["measured_at"].min(),
        last=counting["measured_at"].max(),
    )


def _row_lines(site: Site, tests: pl.DataFrame) -> list[dict[str, Any]]:
    subjects = subjects_of(site)
    by_kind: dict[str, list[str]] = {}
    for name, kind_of_it in subjects.items():
        by_kind.setdefault(kind_of_it, []).append(name)
    lines = []
    for kind in SITE_TEST_KINDS:
        mine = tests.filter(pl.col("key") == kind.key)
        expected = _ROW_SUBJECTS[kind.key]
        met = {str(one) for one in mine["kind"].unique().to_list()} - set(expected)
        for of in (*expected, *(one for one in kind.of if one in met)):
            names = by_kind.get(of, [])
            entries = mine.filter(pl.col("kind") == of)
            if of not in expected:
                held = set(entries["subject"].to_list())
                names = [name for name in names if name in held]
            worst = _worst(entries)
            counting = entries.filter(pl.col("counts"))
            limit = kind.limit
            if kind.key == "continuity":
                limit = f"at most {site.commissioning.earth_continuity_max_ohm:g} ohm"
            lines.append(
                _line(
                    _counts([worst.get(name, NOT_TESTED) for name in names]),
                    category=kind.category,
                    clause=kind.clause,
                    test=kind.words,
                    of=_PLURALS[of],
                    limit=limit,
                    conditions=_conditions(counting),
                    instruments=_names(counting, ("instrument",)),
                    people=_names(counting, ("person",)),
                    first=counting["measured_at"].min(),
                    last=counting["measured_at"].max(),
                )
            )
    return lines


_PLURALS: Final = {
    "string": "strings",
    "combiner box": "combiner boxes",
    "inverter": "inverters",
    "site": "site",
}
_GRAVITY: Final = {"fail": 3, "review": 2, "pass": 1, "not_assessable": 0}


def _worst(entries: pl.DataFrame) -> dict[str, str]:
    """Verdict of each subject: the gravest of the entries that count, else that it has none."""
    out: dict[str, str] = {}
    for name, verdict, counts in entries.select("subject", "verdict", "counts").iter_rows():
        said = str(verdict) if counts else "not_assessable"
        if _GRAVITY[said] >= _GRAVITY.get(out.get(str(name), ""), -1):
            out[str(name)] = said
    return out


def _conditions(counting: pl.DataFrame) -> str:
    weather = sorted({str(one) for one in counting["weather"].drop_nulls().to_list()})
    return ", ".join(
        one
        for one in (
            _range(counting, "irradiance_w_m2", unit="W/m2", digits=0),
            _range(counting, "riso_test_voltage_v", unit="V", digits=0),
            *weather,
        )
        if one
    )
