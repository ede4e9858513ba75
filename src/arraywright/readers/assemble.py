"""From a recognised sheet to accepted rows and findings; no row is ever lost on the way."""

from __future__ import annotations

import polars as pl

from arraywright.findings import Verdict
from arraywright.readers.assembly import Assembly
from arraywright.readers.columns import convert_columns
from arraywright.readers.results import Dialect, TableReading
from arraywright.readers.rows import (
    reject_doubled,
    reject_missing,
    report_ragged,
    report_repeated_headings,
    report_totals,
)

__all__ = ["assemble"]


def _report_headings(work: Assembly) -> None:
    match = work.seen.match
    if match is None:
        return
    for at, name in match.doubled:
        work.log.table(
            "heading-doubled",
            Verdict.REVIEW,
            message=f"The headings {match.columns[name].heading} and {work.seen.headings[at]} may "
            f"both mean {name}: {match.columns[name].heading} is used.",
            remedy="If this is wrong, name the right heading in a mapping file.",
            row=work.seen.sheet.head[work.seen.heading_at].row,
            column=work.seen.headings[at],
        )
    for name, heading in match.unmapped:
        work.log.table(
            "mapping-heading-missing",
            Verdict.FAIL,
            message=f"The mapping file gives the heading {heading} for {name}, but the table has "
            "no such heading or column.",
            remedy="Correct the mapping file.",
            column=heading,
            found=", ".join(h for h in work.seen.headings if h),
            required=heading,
        )


def _report_damage(work: Assembly) -> None:
    damaged = work.seen.sheet.damaged
    if damaged:
        work.log.rows(
            "text-damaged",
            Verdict.REVIEW,
            rows=damaged,
            found=[""] * len(damaged),
            message="Line {row} holds bytes that are no text; they are shown as �.",
            required=f"text in {work.seen.sheet.encoding}",
            remedy="Export the file again as UTF-8 if names or serials are affected.",
        )


def assemble(work: Assembly) -> TableReading:
    """Turn a recognised sheet into accepted rows and findings."""
    match = work.seen.match
    if match is None:
        raise AssertionError  # pragma: no cover - only recognised sheets come here
    spec = match.spec
    _report_damage(work)
    _report_headings(work)
    report_ragged(work)
    report_repeated_headings(work)
    report_totals(work)
    convert_columns(work)
    reject_missing(work)
    reject_doubled(work)
    frame = _finished(work)
    ragged = len(work.body.ragged_rows)
    reported = int(work.left_out.sum()) + ragged
    sheet = work.seen.sheet
    units_at = work.seen.units_at
    return TableReading(
        spec=spec,
        frame=frame,
        findings=work.log.close(),
        rows_in=len(work.body.rows) + ragged,
        rows_accepted=frame.height,
        rows_reported=reported,
        file_name=work.file_name,
        sha256=work.sha256,
        dialect=Dialect(
            file_format=sheet.file_format,
            encoding=sheet.encoding,
            separator=sheet.separator,
            decimal_mark=work.mark,
            date_order=work.order or "",
            heading_row=sheet.head[work.seen.heading_at].row,
            units_row=sheet.head[units_at].row if units_at >= 0 else 0,
            sheet=sheet.name,
            language=match.language,
        ),
        columns=work.used,
        unused_headings=tuple(work.seen.headings[at] for at in match.unused),
    )


def _finished(work: Assembly) -> pl.DataFrame:
    match = work.seen.match
    if match is None:
        raise AssertionError  # pragma: no cover
    height = len(work.left_out)
    columns = [
        work.values[column.name].cast(column.dtype).rename(column.name)
        if column.name in work.values
        else pl.Series(column.name, dtype=column.dtype).extend_constant(None, height)
        for column in match.spec.columns
    ]
    file = pl.Series("source_file", [work.file_name], dtype=pl.Categorical()).new_from_index(
        0, height
    )
    frame = pl.DataFrame([*columns, file, pl.Series("source_row", work.body.rows)])
    if work.left_out.any():
        frame = frame.filter(pl.Series(~work.left_out))
    return frame
