"""Which rows are no rows of the table or cannot be used; each is reported, none is lost."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray
from arraywright.findings import Verdict
from arraywright.readers.assembly import Assembly
from arraywright.readers.headings import total_words
from arraywright.readers.sheets import column_name
from arraywright.readers.values import as_texts
from arraywright.tables import Column

__all__ = [
    "reject_doubled",
    "reject_missing",
    "report_ragged",
    "report_repeated_headings",
    "report_totals",
]

_REST_OF_TOTAL: Final = r"(?:\s*[:=(]|\s|$)"


def report_ragged(work: Assembly) -> None:
    """Report the lines that have another number of fields than the headings."""
    body = work.body
    if not len(body.ragged_rows):
        return
    wanted = len([heading for heading in work.seen.headings if heading])
    texts = body.ragged_texts(work.log.allowance("row-fields"))
    footer = [
        len(text) < 200
        and int(fields) == 1
        and int(row) > int(body.rows[-1] if len(body.rows) else 0)
        for text, fields, row in zip(texts, body.ragged_fields, body.ragged_rows, strict=False)
    ]
    opening = re.compile(_total_pattern(), re.IGNORECASE)
    kinds: dict[str, list[int]] = {"row-is-total": [], "row-is-note": [], "row-fields": []}
    for at, text in enumerate(texts):
        if opening.match(text.strip().lstrip('"')):
            kinds["row-is-total"].append(at)
        elif footer[at]:
            kinds["row-is-note"].append(at)
        else:
            kinds["row-fields"].append(at)
    rows = [int(row) for row in body.ragged_rows]
    for check, where in kinds.items():
        listed = [rows[at] for at in where]
        shown_texts = [texts[at] for at in where]
        if check == "row-is-total":
            _log_totals(work, listed, shown_texts)
        elif check == "row-is-note":
            work.log.rows(
                check,
                Verdict.REVIEW,
                rows=listed,
                found=shown_texts,
                message="Line {row} below the table is a note and no row: {found}",
                required="rows of the table",
                remedy="Nothing to do if it is a note.",
            )
        else:
            listed += rows[len(texts) :]
            counted = [f"{int(body.ragged_fields[at])} fields: {texts[at]}" for at in where]
            work.log.rows(
                check,
                Verdict.FAIL,
                rows=listed,
                found=counted,
                message="Line {row} does not have the number of fields of the headings, "
                f"{wanted}; it has {{found}}",
                required=f"{wanted} fields",
                remedy="Correct the line; a decimal comma or a separator inside a text needs "
                "quotes or another separator.",
            )


def _total_pattern() -> str:
    words = sorted(total_words(), key=len, reverse=True)
    spaced = [word.replace("grandtotal", r"grand\s*total") for word in words]
    spaced = [word.replace("totalgeneral", r"total\s*general") for word in spaced]
    spaced = [word.replace("subtotal", r"sub-?total") for word in spaced]
    return rf"^\W*(?:{'|'.join(spaced)}){_REST_OF_TOTAL}"


def _log_totals(work: Assembly, rows: Sequence[int], found: Sequence[str]) -> None:
    work.log.rows(
        "row-is-total",
        Verdict.REVIEW,
        rows=rows,
        found=found,
        message="Row {row} sums up and is no row of the table: {found}",
        required="rows of the table",
        remedy="Nothing to do if it is a sum.",
    )


def _first_texts(frame: pl.DataFrame) -> pl.Series:
    texts = [name for name in frame.columns if frame[name].dtype == pl.String]
    if not texts:
        return pl.Series([None] * frame.height, dtype=pl.String)
    filled = [pl.when(pl.col(name).str.len_bytes() > 0).then(pl.col(name)) for name in texts[:12]]
    return frame.select(pl.coalesce(filled).alias("first")).to_series()


def report_totals(work: Assembly) -> None:
    """Leave out rows that sum up."""
    first = _first_texts(work.body.frame)
    mask = first.str.contains(f"(?i){_total_pattern()}").fill_null(value=False).to_numpy()
    at = np.flatnonzero(mask & ~work.left_out)
    if len(at):
        work.left_out[at] = True
        texts = first.gather(at[: work.log.allowance("row-is-total")]).to_list()
        _log_totals(work, work.rows_at(at), texts)


def report_repeated_headings(work: Assembly) -> None:
    """Leave out rows that hold the headings again, and the units below them."""
    body = work.body
    if not len(body.rows):
        return
    again = np.ones(len(body.rows), dtype=np.bool_)
    compared = 0
    for column in work.columns.values():
        fields = body.frame[column_name(column.index)]
        heading = work.seen.headings[column.index]
        if fields.dtype != pl.String or not heading:
            continue
        compared += 1
        here = (fields == heading) | (fields.str.strip_chars() == heading)
        again &= here.fill_null(value=False).to_numpy()
        if not again.any():
            return
    if not compared:
        return
    at = np.flatnonzero(again)
    if work.seen.units_at >= 0:
        units = work.seen.sheet.head[work.seen.units_at].cells
        below = at[at + 1 < len(body.rows)] + 1
        same = [
            row
            for row in below.tolist()
            if tuple((cell or "").strip() for cell in body.frame.row(row))[: len(units)]
            == units[: body.frame.width]
        ]
        at = np.union1d(at, np.array(same, dtype=np.int64))
    work.left_out[at] = True
    work.log.rows(
        "headings-repeated",
        Verdict.REVIEW,
        rows=work.rows_at(at),
        found=["the headings"] * min(len(at), work.log.allowance("headings-repeated")),
        message="Row {row} holds the headings once more and is no row of the table.",
        required="rows of the table",
        remedy="Nothing to do.",
    )


def reject_missing(work: Assembly) -> None:
    """Leave out rows without a required value, and say which is missing where."""
    match = work.seen.match
    if match is None:
        return
    required = [column for column in match.spec.columns if column.required]
    absent: dict[str, BoolArray] = {}
    for column in required:
        held = work.values.get(column.name)
        absent[column.name] = (
            held.is_null().to_numpy() if held is not None else np.ones_like(work.left_out)
        )
    nothing = ~work.left_out
    some = np.zeros_like(work.left_out)
    for mask in absent.values():
        nothing &= mask
        some |= mask
    some &= ~work.left_out
    if len(required) > 1 and not work.unusable:
        _report_foreign(work, nothing)
    for column in required:
        if column.name in work.unusable:
            continue
        _report_missing(work, column, absent[column.name] & ~nothing & ~work.left_out)
        if len(required) == 1 or work.unusable:
            _report_missing(work, column, absent[column.name] & nothing & ~work.left_out)
    work.left_out |= some


def _report_foreign(work: Assembly, nothing: BoolArray) -> None:
    at = np.flatnonzero(nothing)
    if not len(at):
        return
    few = at[: work.log.allowance("row-not-of-table")]
    texts = [
        " | ".join(str(cell) for cell in work.body.frame.row(int(i)) if cell not in (None, ""))
        for i in few
    ]
    work.log.rows(
        "row-not-of-table",
        Verdict.FAIL,
        rows=work.rows_at(at),
        found=texts,
        message="Row {row} holds none of the required values: {found}",
        required="a row of the table",
        remedy="Nothing to do if it is a note; else correct the row.",
    )


def _report_missing(work: Assembly, column: Column, mask: BoolArray) -> None:
    matched = work.columns.get(column.name)
    if not mask.any() or matched is None:
        if mask.any():
            work.log.table(
                "value-missing",
                Verdict.FAIL,
                message=f"The value above the table for {column.meaning} cannot be used, so "
                f"{int(mask.sum()):,} rows lack it.",
                remedy="Correct that line.",
                required=column.meaning,
            )
        return
    texts = as_texts(work.raw(matched))
    empty = texts.is_null().to_numpy() & mask
    if matched.clock_index >= 0:
        clock = as_texts(work.body.frame[column_name(matched.clock_index)])
        empty = (texts.is_null() | clock.is_null()).to_numpy() & mask
    at = np.flatnonzero(empty)
    if not len(at):
        return
    work.log.rows(
        "value-missing",
        Verdict.FAIL,
        rows=work.rows_at(at),
        found=[""] * min(len(at), work.log.allowance("value-missing")),
        message=f"Row {{row}} has nothing under {matched.heading}.",
        required=column.meaning,
        remedy="Fill in the value or ask the sender for it.",
        column=matched.heading,
    )


def reject_doubled(work: Assembly) -> None:
    """Leave out rows identical to an earlier row."""
    match = work.seen.match
    if match is None or not len(work.left_out):
        return
    names = [column.name for column in match.spec.columns if column.name in work.values]
    identity = [name for name in match.spec.identity if name in work.values]
    if identity:
        keys = pl.DataFrame([work.values[name] for name in identity])
        whole = pl.DataFrame([work.values[name] for name in names])
    else:
        whole = work.body.frame
        keys = whole
    keys = keys.with_columns(pl.Series("at_", np.arange(len(work.left_out)))).filter(
        pl.Series(~work.left_out)
    )
    if keys.is_empty() or any(dtype.is_nested() for dtype in keys.dtypes):
        return
    fields = [name for name in keys.columns if name != "at_"]
    if len(fields) == 1:
        again = keys[fields[0]].is_duplicated()
    else:
        again = keys.select(pl.struct(fields).is_duplicated()).to_series()
    suspects = keys["at_"].filter(again).to_numpy()
    if not len(suspects):
        return
    candidates = whole.select(pl.all().gather(suspects))
    if any(dtype.is_nested() for dtype in candidates.dtypes):
        return
    first = candidates.select(pl.struct(pl.all()).is_first_distinct()).to_series().to_numpy()
    at = suspects[~first]
    if not len(at):
        return
    work.left_out[at] = True
    shown_name = identity[0] if identity else ""
    texts = (
        work.values[shown_name].gather(at[:1000]).cast(pl.String).fill_null("").to_list()
        if shown_name
        else ["the same line"] * min(len(at), 1000)
    )
    work.log.rows(
        "row-doubled",
        Verdict.REVIEW,
        rows=work.rows_at(at),
        found=texts,
        message="Row {row} ({found}) is identical to an earlier row and is used once.",
        required="each row once",
        remedy="Nothing to do unless the row was meant twice; then tell the lines apart.",
    )
