"""Commissioning: readings, curves and as-built lists in; a verdict on every string out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import UTC, datetime, time
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl

from arraywright import __version__
from arraywright.commissioning import (
    INSTRUMENTS,
    IV_POINTS,
    STRING_READINGS,
    CommissioningResult,
    CurveResult,
    judge,
    judge_curves,
)
from arraywright.commissioning.tables import SITE_TESTS
from arraywright.delivery import DELIVERY_NOTE
from arraywright.dossier.words import local_time, number, percent, verdict_word
from arraywright.errors import RecordError
from arraywright.findings import Finding, Verdict
from arraywright.plant import PLACEMENTS
from arraywright.procedures.allocate import ALLOCATION_PLANNED
from arraywright.procedures.commission_advice import next_steps
from arraywright.procedures.commission_sheets import (
    further_frames,
    further_tables,
    further_tests,
)
from arraywright.procedures.exports import csv_bytes, write_whole
from arraywright.procedures.intake import Intake, intake_table, take_in
from arraywright.procedures.placed import WhatIsWhere, what_is_where
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.report import Progress, Report, ReportTable
from arraywright.procedures.site_record import SiteRecord, digest_of, open_site
from arraywright.records.entry import Entry, parse_body

__all__ = ["COMMISSIONING_TABLES", "STRINGS_JUDGED", "commission"]

STRINGS_JUDGED: Final = "strings_judged"
COMMISSIONING_TABLES: Final = (STRING_READINGS, INSTRUMENTS, IV_POINTS, SITE_TESTS, PLACEMENTS)
_TRIES: Final = 5
_SHOWN: Final = 40


def _first_delivery(record: SiteRecord) -> datetime | None:
    """Give the start of the day of the first delivery; nothing can have been tested before."""
    days = record.rows(DELIVERY_NOTE)["delivered_on"].drop_nulls()
    if days.is_empty():
        return None
    first = days.min()
    if not isinstance(first, datetime) and first is not None:
        zone = ZoneInfo(record.site.time_zone)
        return datetime.combine(first, time(0), tzinfo=zone).astimezone(UTC)  # type: ignore[arg-type]
    return None


def _inputs(record: SiteRecord, intake: Intake) -> list[str]:
    inputs = [*intake.inputs, f"{record.description_sha256} description", __version__]
    for kind in (DELIVERY_RECONCILED, ALLOCATION_PLANNED):
        entry = record.latest(kind)
        if entry is not None:
            inputs.append(f"{parse_body(entry.body)['inputs_sha256']} {kind}")
    return inputs


def _judged(
    record: SiteRecord, intake: Intake, *, previous: Entry | None, progress: Progress
) -> tuple[Entry, bool]:
    """Judge everything that stands and append it, or give what stands already."""
    inputs = _inputs(record, intake)
    if (
        previous is not None
        and not intake.entries
        and parse_body(previous.body)["inputs_sha256"] == digest_of(inputs)
    ):
        return previous, False
    progress.stage("finding out which module sits where")
    where = what_is_where(record, intake.rows(record, PLACEMENTS))
    progress.stage("computing what each string should give, and judging it")
    instruments = intake.rows(record, INSTRUMENTS)
    result = judge(
        record.site,
        readings=intake.rows(record, STRING_READINGS),
        instruments=instruments,
        modules=where.modules,
        now_utc=record.now(),
        not_before_utc=_first_delivery(record),
    )
    progress.stage("bringing I-V curves to standard test conditions")
    curves = judge_curves(
        record.site,
        points=intake.rows(record, IV_POINTS),
        instruments=instruments,
        modules=where.modules,
        now_utc=record.now(),
        not_before_utc=_first_delivery(record),
    )
    progress.stage("locating earth faults and filling the test sheets")
    further = further_tests(
        record.site,
        strings=_with_as_built(result.strings, where),
        result=result,
        curves=curves,
        readings=intake.rows(record, STRING_READINGS),
        tests=intake.rows(record, SITE_TESTS),
        instruments=instruments,
        modules=where.modules,
        now=record.now(),
        not_before=_first_delivery(record),
    )
    strings = further.strings
    findings = (
        *(() if where.as_built is None else where.as_built.findings),
        *result.findings,
        *curves.findings,
        *further.findings,
    )
    progress.stage("writing the record")
    entry = record.new_result(
        STRINGS_JUDGED,
        inputs=inputs,
        frames={
            "strings": strings,
            "readings": result.readings,
            "placed": where.placed,
            "curves": curves.curves,
            "curve_points": curves.points,
            "instruments": instruments,
            **further.frames,
        },
        findings=findings,
        summary=_summary(strings, result, where, curves=curves),
        previous=previous,
    )
    return record.append_result(
        [*intake.entries, entry], kind=STRINGS_JUDGED, previous=previous
    ), True


def _with_as_built(strings: pl.DataFrame, where: WhatIsWhere) -> pl.DataFrame:
    """Let a string fail that as-built lists say is wrongly built, whatever it reads."""
    wrong: dict[str, list[str]] = {}
    for finding in () if where.as_built is None else where.as_built.findings:
        if finding.verdict is Verdict.FAIL and finding.subject_kind == "string":
            wrong.setdefault(finding.subject, []).append(f"as-built list: {finding.message}")
    said = pl.DataFrame(
        {"string": list(wrong), "_wrong": list(wrong.values())},
        schema={"string": pl.String, "_wrong": pl.List(pl.String)},
    )
    empty = pl.lit([], dtype=pl.List(pl.String))
    return (
        strings.join(said, on="string", how="left", maintain_order="left")
        .with_columns(
            as_built_verdict=pl.when(pl.col("_wrong").is_not_null())
            .then(pl.lit("fail"))
            .otherwise(pl.lit("pass" if where.as_built is not None else "not_assessable")),
            verdict=pl.when(pl.col("_wrong").is_not_null())
            .then(pl.lit("fail"))
            .otherwise(pl.col("verdict")),
            reasons=pl.concat_list(pl.col("_wrong").fill_null(empty), pl.col("reasons")),
        )
        .drop("_wrong")
    )


def _summary(
    strings: pl.DataFrame, result: CommissioningResult, where: WhatIsWhere, *, curves: CurveResult
) -> dict[str, Any]:
    return {
        "strings": strings.height,
        **{
            verdict: strings.filter(pl.col("verdict") == verdict).height
            for verdict in ("pass", "fail", "review", "not_assessable")
        },
        "curves": curves.curves.height,
        "method": result.method,
        "curve_method": curves.method,
        "known_by": where.known_by,
        "as_planned": None if where.as_built is None else where.as_built.as_planned,
        "otherwise": None if where.as_built is None else where.as_built.otherwise,
    }


def _strings_table(strings: pl.DataFrame, zone: str) -> ReportTable:
    wanted = strings.filter(pl.col("verdict") != "pass")
    shown = wanted.head(_SHOWN)
    return ReportTable(
        title="Strings not passed",
        headings=(
            "String",
            "Read",
            "Voc [V]",
            "expected",
            "dev.",
            "Isc [A]",
            "expected",
            "dev.",
            "Standard",
            "Measurement",
            "Joint",
            "Verdict",
        ),
        rows=[
            (
                str(row["string"]),
                local_time(row["measured_at"], zone)[11:19] or "–",
                number(row["voc_v"], 1),
                number(row["voc_expected_v"], 1),
                percent(row["voc_deviation_ratio"]),
                number(row["isc_a"], 2),
                number(row["isc_expected_a"], 2),
                percent(row["isc_deviation_ratio"]),
                verdict_word(row["verdict_standard"]),
                verdict_word(row["verdict_measurement"]),
                verdict_word(row["session_verdict"]),
                verdict_word(row["verdict"]),
            )
            for row in shown.iter_rows(named=True)
        ],
        align=("left", "left", *("right",) * 6, "left", "left", "left", "left"),
        verdict_column=11,
        more=wanted.height - shown.height,
    )


def _sentences(summary: dict[str, Any], intake: Intake, *, new: bool) -> tuple[str, ...]:
    known = sum(table.known for table in intake.tables)
    sentences = [
        (
            f"{summary['pass']} of {summary['strings']} strings pass, {summary['fail']} fail, "
            f"{summary['review']} need review, {summary['not_assessable']} are not assessable."
        ),
        f"Which module sits where is known by: {summary['known_by']}.",
    ]
    if known:
        sentences.append(
            f"{known} of {len(intake.tables)} tables stood in the record already and changed "
            "nothing."
        )
    if not new:
        sentences.append("Nothing is new: the record is unchanged.")
    if intake.refused:
        sentences.append("At least one file could not be used; it was left out as a whole.")
    return tuple(sentences)


def _write(record: SiteRecord, entry: Entry, findings: Sequence[Finding]) -> tuple[Path, ...]:
    out = record.out
    told = pl.DataFrame(
        [
            (one.check, one.subject_kind, one.subject, one.verdict.value, one.message, one.remedy)
            for one in findings
        ],
        schema=["check", "subject_kind", "subject", "verdict", "message", "remedy"],
        orient="row",
    )
    return (
        write_whole(out / "string-tests.csv", csv_bytes(record.load_frame(entry, "strings"))),
        write_whole(out / "iv-curves.csv", csv_bytes(record.load_frame(entry, "curves"))),
        write_whole(out / "test-findings.csv", csv_bytes(told)),
        *(
            write_whole(out / name, data)
            for name, data in further_tables(further_frames(record, entry))
        ),
    )


def commission(
    folder: Path,
    files: Sequence[Path],
    *,
    mapping: Path | None = None,
    replaced: str | None = None,
    person: str,
    now: Callable[[], datetime],
    progress: Progress,
) -> Report:
    """Judge every string from all readings, curves, instruments and as-built lists so far.

    Arguments and safety as for ``receive``.

    Raises:
        ArraywrightError: the site description, the call or the machine is at fault.
    """
    progress.stage("reading the site description")
    with open_site(folder, person=person, now=now) as record:
        for attempt in range(_TRIES):
            # Before anything else is read: what another command appends later is then noticed.
            previous = record.latest(STRINGS_JUDGED)
            intake = take_in(
                record,
                files,
                specs=COMMISSIONING_TABLES,
                mapping=mapping,
                replaced=replaced,
                progress=progress,
            )
            try:
                entry, new = _judged(record, intake, previous=previous, progress=progress)
                break
            except RecordError as error:
                # Another command recorded verdicts meanwhile: look again at all of it.
                if error.code != "superseded-already" or attempt == _TRIES - 1:
                    raise
        findings = (*intake.findings, *record.load_findings(entry))
        strings = record.load_frame(entry, "strings")
        curves = record.load_frame(entry, "curves")
        progress.stage("writing the tables")
        written = _write(record, entry, findings)
        summary = parse_body(entry.body)["summary"]
        advice = next_steps(record, strings)
        return Report(
            command="commission",
            site=record.site.name,
            summary=(*_sentences(summary, intake, new=new), *advice.sentences),
            tables=(
                intake_table(intake),
                _strings_table(strings, record.site.time_zone),
                *advice.tables,
            ),
            findings=findings,
            result={
                "files": [asdict(table) for table in intake.tables],
                "counts": summary,
                "strings": strings.to_dicts(),
                "curves": curves.to_dicts(),
                "retest": advice.result,
                **{name: frame.to_dicts() for name, frame in further_frames(record, entry).items()},
            },
            written=written,
            input_refused=intake.refused,
            unchanged=not new,
        )
