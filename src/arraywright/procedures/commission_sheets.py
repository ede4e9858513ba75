"""What commissioning judges beside readings and curves: earth faults, inspections, test sheets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import polars as pl

from arraywright.commissioning import CommissioningResult, CurveResult, StringModules
from arraywright.commissioning.earth_fault_report import judge_earth_faults
from arraywright.commissioning.sheets import sheets_of_tests
from arraywright.commissioning.site_tests import judge_site_tests
from arraywright.findings import Finding
from arraywright.plant import Site
from arraywright.procedures.exports import csv_bytes
from arraywright.procedures.site_record import SiteRecord
from arraywright.records.entry import Entry, named_files, parse_body

__all__ = ["FURTHER_FRAMES", "FurtherTests", "further_frames", "further_tables", "further_tests"]

FURTHER_FRAMES: Final = ("earth_faults", "site_tests", "sheets")
"""Names of the tables an entry of verdicts holds beside strings, readings and curves."""

_FILES: Final = {
    "sheets": "test-sheets.csv",
    "site_tests": "site-tests.csv",
    "earth_faults": "earth-faults.csv",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FurtherTests:
    """Earth faults, tests that came as rows, and the sheets of everything.

    Attributes:
        strings: the strings with what earth faults say of them.
        frames: tables to be stored, by the names of ``FURTHER_FRAMES``.
        findings: what a site lead should know.
        method: how earth faults were located, in words.
    """

    strings: pl.DataFrame
    frames: Mapping[str, pl.DataFrame]
    findings: tuple[Finding, ...]
    method: str


def further_tests(
    site: Site,
    *,
    strings: pl.DataFrame,
    result: CommissioningResult,
    curves: CurveResult,
    readings: pl.DataFrame,
    tests: pl.DataFrame,
    instruments: pl.DataFrame,
    modules: StringModules,
    now: datetime,
    not_before: datetime | None,
) -> FurtherTests:
    """Locate earth faults, judge tests that came as rows, and fill the sheets.

    A string with an earth fault that counts fails, or is for review, whatever else it reads.
    """
    faults = judge_earth_faults(
        site,
        readings=readings,
        instruments=instruments,
        modules=modules,
        now_utc=now,
        not_before_utc=not_before,
    )
    judged = judge_site_tests(
        site,
        tests=tests,
        instruments=instruments,
        modules=modules,
        now_utc=now,
        not_before_utc=not_before,
    )
    with_faults = _with_faults(strings, faults.faults)
    sheets = sheets_of_tests(
        site,
        strings=with_faults,
        readings=result.readings,
        curves=curves.curves,
        tests=judged.tests,
    )
    return FurtherTests(
        strings=with_faults,
        frames={"earth_faults": faults.faults, "site_tests": judged.tests, "sheets": sheets},
        findings=(*faults.findings, *judged.findings),
        method=faults.method if faults.faults.height else "",
    )


def _with_faults(strings: pl.DataFrame, faults: pl.DataFrame) -> pl.DataFrame:
    told = faults.filter(pl.col("counts") & (pl.col("state") == "located")).select(
        "string", _fault=pl.col("verdict"), _fault_words=pl.col("words")
    )
    graver = (
        pl.when((pl.col("_fault") == "fail") | (pl.col("verdict") == "fail"))
        .then(pl.lit("fail"))
        .when(pl.col("_fault") == "review")
        .then(pl.lit("review"))
        .otherwise(pl.col("verdict"))
    )
    empty = pl.lit([], dtype=pl.List(pl.String))
    said = pl.when(pl.col("_fault").is_not_null()).then(pl.concat_list("_fault_words"))
    return (
        strings.join(told, on="string", how="left", maintain_order="left")
        .with_columns(
            verdict=pl.when(pl.col("_fault").is_not_null())
            .then(graver)
            .otherwise(pl.col("verdict")),
            reasons=pl.concat_list(said.fill_null(empty), pl.col("reasons")),
        )
        .drop("_fault", "_fault_words")
    )


def further_frames(record: SiteRecord, entry: Entry) -> dict[str, pl.DataFrame]:
    """Give the stored tables of an entry, those that it has; entries of earlier versions lack some.

    Raises:
        RecordError: a stored file is missing or changed.
    """
    held = {named.name for named in named_files(parse_body(entry.body))}
    return {
        name: record.load_frame(entry, name) for name in FURTHER_FRAMES if f"{name}.parquet" in held
    }


def further_tables(
    frames: Mapping[str, pl.DataFrame], *, always: Sequence[str] = ("sheets",)
) -> list[tuple[str, bytes]]:
    """Give names and contents of the tables to be written; empty ones only where always wanted."""
    return [
        (_FILES[name], csv_bytes(frame))
        for name, frame in frames.items()
        if frame.height or name in always
    ]
