"""Tests and inspections of combiner boxes, inverters, strings and the site, row by row."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import FloatArray, IntArray
from arraywright.commissioning.causes import CAUTION
from arraywright.commissioning.choice import verdict_words
from arraywright.commissioning.continuity import continuity_verdict
from arraywright.commissioning.frames import checked_now, number, seconds, shaped
from arraywright.commissioning.instruments import instruments_of_readings
from arraywright.commissioning.insulation import InsulationWeather, array_insulation
from arraywright.commissioning.site_test_kinds import (
    SITE_TEST_KINDS,
    THERMOGRAM_FAIL_K,
    THERMOGRAM_IRRADIANCE_MIN_W_M2,
    THERMOGRAM_REVIEW_K,
    named_test,
    plain_word,
    result_of,
)
from arraywright.commissioning.standard import FAIL, NOT_ASSESSABLE, PASS, REVIEW
from arraywright.commissioning.string_modules import StringModules, aligned_modules
from arraywright.commissioning.tables import INSTRUMENTS, SITE_TESTS
from arraywright.findings import Finding, Place, Verdict
from arraywright.plant import Site

__all__ = ["SiteTestResult", "judge_site_tests", "subjects_of"]

_EARLIEST: Final = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteTestResult:
    """Verdicts on tests and inspections that came as rows.

    Attributes:
        tests: one row per entry, in order of subject, test and time: the entry, ``key`` of its
            test, ``kind`` of its subject, ``verdict``, ``counts`` (newest valid of its subject and
            test), ``words``.
        findings: one per entry that counts and did not pass, and per entry that cannot be used.
    """

    tests: pl.DataFrame
    findings: tuple[Finding, ...]


def subjects_of(site: Site) -> dict[str, str]:
    """Give what can be tested on a site by name: its kind, in the order of building."""
    out: dict[str, str] = {"site": "site"}
    for column, kind in (
        ("inverter", "inverter"),
        ("combiner_box", "combiner box"),
        ("string", "string"),
    ):
        for name in site.strings[column].drop_nulls().unique(maintain_order=True).to_list():
            out.setdefault(str(name), kind)
    return out


def judge_site_tests(
    site: Site,
    *,
    tests: pl.DataFrame,
    instruments: pl.DataFrame,
    modules: StringModules,
    now_utc: dt.datetime,
    not_before_utc: dt.datetime | None = None,
) -> SiteTestResult:
    """Judge tests and inspections that came as rows.

    A row has a result, a value, or both; the graver counts. A test that is measured needs its
    value and a listed instrument within its calibration; a result alone does not make it pass.
    Not assessable are rows of an unknown subject or test, of a test that is not made on such a
    subject, without time or from the future, with a result that is not understood, and two rows of
    one subject, test and moment that contradict each other.

    Args:
        site: the site.
        tests: frame of ``SITE_TESTS``.
        instruments: frame of ``INSTRUMENTS``.
        modules: the modules of every string of the site.
        now_utc: the present moment.
        not_before_utc: moment before which nothing can have been tested.

    Raises:
        CallError: a column is missing or a time has no zone.

    Source: iec-62446-1 5, 6 and 7, memory; common-practice
    """
    frame = shaped(tests, SITE_TESTS).sort(
        [column.name for column in SITE_TESTS.columns], nulls_last=True
    )
    kinds = subjects_of(site)
    keys = [named_test(one) for one in frame["test"].to_list()]
    of = [kinds.get(str(one), "") for one in frame["subject"].to_list()]
    now_s = checked_now(now_utc, "now_utc")
    earliest_s = checked_now(not_before_utc or _EARLIEST, "not_before_utc")
    verdicts, words = _by_value(
        site, frame, keys=keys, instruments=instruments, own=aligned_modules(site, modules)
    )
    time_s = seconds(frame, "measured_at")
    for row, (key, kind) in enumerate(zip(keys, of, strict=True)):
        stop = _stop(key, kind, time_s=float(time_s[row]), now_s=now_s, earliest_s=earliest_s)
        if stop:
            verdicts[row], words[row] = NOT_ASSESSABLE, stop
    for row in _contradicted(frame, keys, verdicts):
        verdicts[row], words[row] = (
            NOT_ASSESSABLE,
            "two entries of one moment contradict each other",
        )
    table = frame.with_columns(
        key=pl.Series(keys, dtype=pl.String),
        kind=pl.Series(of, dtype=pl.String),
        verdict=verdict_words(np.array(verdicts, dtype=np.int64)),
        words=pl.Series(words, dtype=pl.String),
    )
    table = table.with_columns(counts=_newest(table))
    return SiteTestResult(tests=table, findings=_findings(table))


def _stop(key: str, kind: str, *, time_s: float, now_s: float, earliest_s: float) -> str:
    """Say what keeps an entry from counting at all."""
    if not key:
        return "the test is not one that is known"
    if not kind:
        return "the site has nothing of this name"
    held = next(one for one in SITE_TEST_KINDS if one.key == key)
    if kind not in held.of:
        return f"this test is not made on a {kind}"
    if not np.isfinite(time_s):
        return "the time is missing"
    if time_s > now_s:
        return "the entry lies in the future"
    if time_s < earliest_s:
        return "the entry is older than the modules can have been on site"
    return ""


def _by_value(
    site: Site,
    frame: pl.DataFrame,
    *,
    keys: list[str],
    instruments: pl.DataFrame,
    own: StringModules,
) -> tuple[list[int], list[str]]:
    """Verdict number and words of each row by its result and value."""
    days = frame.with_columns(
        local_day=pl.col("measured_at").dt.convert_time_zone(site.time_zone).dt.date()
    )
    held = instruments_of_readings(
        shaped(instruments, INSTRUMENTS),
        days,
        column="instrument",
        fields=("resistance_uncertainty_ratio",),
    )
    u = held.uncertainty["resistance_uncertainty_ratio"]
    ohm = number(frame, "earth_continuity_ohm")
    limit = site.commissioning.earth_continuity_max_ohm
    continuity = continuity_verdict(ohm, limit_ohm=limit, resistance_u_ratio=u)
    insulation = _insulation(site, frame, keys=keys, own=own, u=u)
    verdicts: list[int] = []
    words: list[str] = []
    for row, key in enumerate(keys):
        said, number_of = result_of(frame["result"][row])
        if number_of is None:
            verdicts.append(NOT_ASSESSABLE)
            words.append(said)
            continue
        found: tuple[int, str] | None = None
        if key == "continuity":
            found = int(continuity[row]), f"{ohm[row]:g} ohm, allowed {limit:g} ohm"
            if not np.isfinite(ohm[row]):
                found = NOT_ASSESSABLE, "the resistance is missing"
        elif key in {"insulation", "insulation-wet"}:
            found = insulation[row]
        elif key == "thermogram":
            found = _thermogram(frame, row)
        if found is not None and found[0] != FAIL and not (held.known[row] and held.covered[row]):
            state = "not within its calibration" if held.known[row] else "not listed"
            found = NOT_ASSESSABLE, f"the instrument is {state}"
        measured, text = (PASS, "") if found is None else found
        if found is None and number_of == NOT_ASSESSABLE:
            verdicts.append(NOT_ASSESSABLE)
            words.append("the result is missing")
            continue
        verdicts.append(FAIL if FAIL in {number_of, measured} else measured)
        words.append("; ".join(one for one in (said, text, frame["remark"][row] or "") if one))
    return verdicts, words


def _insulation(
    site: Site, frame: pl.DataFrame, *, keys: list[str], own: StringModules, u: FloatArray
) -> list[tuple[int, str]]:
    """Verdict and words of each row as an insulation test of the strings under its subject."""
    voc, power, lengths = own.voc_sum_v(), own.pmax_sum_w() / 1000.0, own.lengths
    area = np.array(
        [
            site.module_types[key].length_mm * site.module_types[key].width_mm / 1e6
            for key in own.module_type.to_list()
        ]
    )
    members = _members(site)
    pos, neg = number(frame, "riso_pos_megohm"), number(frame, "riso_neg_megohm")
    at_v = number(frame, "riso_test_voltage_v")
    out: list[tuple[int, str]] = []
    for row, key in enumerate(keys):
        index = members.get(str(frame["subject"][row]), np.zeros(0, dtype=np.int64))
        if key not in {"insulation", "insulation-wet"} or len(index) == 0:
            out.append((NOT_ASSESSABLE, "the strings it belongs to are not known"))
            continue
        wet = key == "insulation-wet" or plain_word(frame["weather"][row]) in {
            "wet",
            "nass",
            "humedo",
        }
        found = array_insulation(
            float(np.fmin(pos[row], neg[row])),
            test_voltage_v=at_v[row],
            voc_stc_v=float(voc[index].max()),
            power_kw=float(power[index].sum()),
            area_m2=float(area[index].max()),
            modules=int(lengths[index].sum()),
            weather=InsulationWeather.WET if wet else InsulationWeather.DRY,
            resistance_u_ratio=u[row],
        )
        value = float(np.fmin(pos[row], neg[row]))
        figures = (
            f"{value:g} Mohm, required {found.limit_megohm[0]:g} Mohm"
            f"{', wet' if wet else ''}; {lengths[index].sum()} sound modules in parallel may show "
            f"{found.parallel_megohm[0]:.2g} Mohm"
            if np.isfinite(value)
            else ""
        )
        text = "; ".join(one for one in (figures, found.reason[0]) if one)
        verdict = int(found.verdict[0])
        if verdict != FAIL and np.isnan(pos[row]) != np.isnan(neg[row]):
            verdict, text = NOT_ASSESSABLE, f"only one pole was tested; {text}"
        out.append((verdict, text))
    return out


def _members(site: Site) -> dict[str, IntArray]:
    """Places of the strings under each string, combiner box and inverter, by its name."""
    out: dict[str, list[int]] = {}
    for column in ("inverter", "combiner_box", "string"):
        own: dict[str, list[int]] = {}
        for place, name in enumerate(site.strings[column].to_list()):
            if name is not None:
                own.setdefault(str(name), []).append(place)
        for name, places in own.items():
            out.setdefault(name, places)
    return {name: np.array(places, dtype=np.int64) for name, places in out.items()}


def _thermogram(frame: pl.DataFrame, row: int) -> tuple[int, str]:
    """Verdict and words of a thermogram: the excess temperature brought to 1000 W/m2."""
    above, light = frame["hotter_by_k"][row], frame["irradiance_w_m2"][row]
    if not frame["reference"][row]:
        return NOT_ASSESSABLE, "the thermogram itself is not referred to"
    if above is None:
        return NOT_ASSESSABLE, "the temperature above like places is missing"
    if light is None or not light >= THERMOGRAM_IRRADIANCE_MIN_W_M2:
        return NOT_ASSESSABLE, "the irradiance is missing or below 600 W/m2"
    at_stc = float(above) * 1000.0 / float(light)
    text = f"{at_stc:.0f} K above like places at 1000 W/m2, see {frame['reference'][row]}"
    if at_stc >= THERMOGRAM_FAIL_K:
        return FAIL, text
    return (REVIEW if at_stc >= THERMOGRAM_REVIEW_K else PASS), text


def _contradicted(frame: pl.DataFrame, keys: list[str], verdicts: list[int]) -> list[int]:
    """Rows whose subject, test and moment another row has with another verdict."""
    seen: dict[tuple[object, ...], set[int]] = {}
    heads = list(zip(frame["subject"].to_list(), keys, frame["measured_at"].to_list(), strict=True))
    # several thermograms of one subject and moment are several places
    for head, verdict in zip(heads, verdicts, strict=True):
        if head[1] != "thermogram":
            seen.setdefault(head, set()).add(verdict)
    return [row for row, head in enumerate(heads) if len(seen.get(head, ())) > 1]


def _newest(table: pl.DataFrame) -> pl.Series:
    """Say which rows are of the newest valid moment of their subject and test."""
    valid = pl.col("verdict") != "not_assessable"
    newest = pl.when(valid).then(pl.col("measured_at")).max().over("subject", "key")
    return table.select(counts=(valid & (pl.col("measured_at") == newest)).fill_null(value=False))[
        "counts"
    ]


def _findings(table: pl.DataFrame) -> tuple[Finding, ...]:
    out: list[Finding] = []
    named = {kind.key: kind for kind in SITE_TEST_KINDS}
    for row in table.iter_rows(named=True):
        verdict = Verdict(row["verdict"])
        if verdict is Verdict.PASS or (verdict is not Verdict.NOT_ASSESSABLE and not row["counts"]):
            continue
        kind = named.get(str(row["key"]))
        what = kind.words if kind is not None else f"test '{row['test']}'"
        remedy = (
            f"Put it right and test again. {CAUTION}"
            if verdict is not Verdict.NOT_ASSESSABLE
            else "Correct the entry, or test again with a calibrated instrument."
        )
        place = row["source_file"]
        out.append(
            Finding(
                check=f"test-{row['key'] or 'unknown'}",
                subject_kind=str(row["kind"] or "input"),
                subject=str(row["subject"] or "without name"),
                verdict=verdict,
                message=f"{row['subject'] or 'Without name'}, {what}: {row['words']}.",
                remedy=remedy,
                basis=f"iec-62446-1 {kind.clause}" if kind is not None else "iec-62446-1",
                place=None
                if place is None
                else Place(file=str(place), row=int(row["source_row"] or 0)),
            )
        )
    return tuple(out)
