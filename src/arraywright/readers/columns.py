"""The columns of a recognised table as values, with what was assumed and what cannot be read."""

from __future__ import annotations

from collections.abc import Container, Mapping
from typing import Final

import numpy as np
import polars as pl

from arraywright.findings import Verdict
from arraywright.readers.assembly import Assembly
from arraywright.readers.headings import MatchedColumn
from arraywright.readers.numbers import MarkEvidence, convert_number, mark_evidence
from arraywright.readers.results import DecimalMark, UsedColumn
from arraywright.readers.sheets import column_name
from arraywright.readers.times import TimeHabits, convert_time, join_date_and_clock
from arraywright.readers.values import Converted, Problem, as_texts, convert_text
from arraywright.tables import Column

__all__ = ["convert_columns"]

_IDENTITIES: Final = frozenset(
    {"serial", "pallet", "order_number", "delivery_note", "instrument", "meter"}
)
_SAMPLE: Final = 20_000


def convert_columns(work: Assembly) -> None:
    """Turn every column that was found into values: texts first, then numbers, then times."""
    spec = work.seen.match.spec if work.seen.match is not None else None
    if spec is None:
        return
    by_name = {column.name: column for column in spec.columns}
    found = {name: by_name[name] for name in work.columns}
    for name, column in found.items():
        if column.kind == "text":
            raw = work.raw(work.columns[name])
            done = convert_text(
                raw,
                thorough=name in _IDENTITIES,
                from_cells=work.seen.sheet.file_format in ("xlsx", "ods"),
                sscc=name == "pallet",
            )
            _keep(work, column, work.columns[name], done)
    usable = {
        name: work.raw(work.columns[name])
        for name, column in found.items()
        if column.kind in ("number", "integer") and _usable(work, column, work.columns[name])
    }
    written = {name: raw for name, raw in usable.items() if raw.dtype == pl.String}
    marks = _marks(work, written, counts={n for n in written if by_name[n].kind == "integer"})
    points = _points_seen(work, written, by_name)
    for name, raw in usable.items():
        matched = work.columns[name]
        if matched.convert is None:
            continue
        done = convert_number(
            raw,
            column=by_name[name],
            mark=marks.get(name, work.mark),
            convert=matched.convert,
            unit=matched.unit,
            heading=matched.heading,
            from_cells=work.seen.sheet.file_format in ("xlsx", "ods"),
            forced=work.mapping is not None and work.mapping.decimal_mark is not None,
            groups=work.values.get("insulation_tester"),
            points_seen=points,
        )
        _keep(work, by_name[name], matched, done)
    for name, column in found.items():
        if column.kind in ("time", "date"):
            _convert_moment(work, column, work.columns[name])
    for name in work.seen.preamble:
        _fill_from_preamble(work, by_name[name])


def _points_seen(
    work: Assembly, written: Mapping[str, pl.Series], by_name: Mapping[str, Column]
) -> bool:
    """Tell whether a number of the table is surely written with a decimal point.

    Only asked for when a count looks like thousands; cells of a workbook say nothing.
    """
    counts = [raw for name, raw in written.items() if by_name[name].kind == "integer"]
    if not any(raw.str.contains(r"^\s*[-+]?\d{1,3}\.\d{3}\s*$").any() for raw in counts):
        return True
    if work.seen.sheet.file_format != "text":
        return False
    surely = r"^\s*[-+]?(?:\d*\.(?:\d{1,2}|\d{4,})|0\.\d+|\d{4,}\.\d+)\s*$"
    return any(raw.str.contains(surely).any() for raw in written.values())


def _marks(
    work: Assembly, numeric: Mapping[str, pl.Series], *, counts: Container[str]
) -> dict[str, DecimalMark]:
    """Decide the decimal mark of each column of texts."""
    forced = work.mapping.decimal_mark if work.mapping is not None else None
    if forced is not None:
        work.mark = forced
        return dict.fromkeys(numeric, forced)
    if not any(texts.str.contains(",", literal=True).any() for texts in numeric.values()):
        return dict.fromkeys(numeric, ".")
    evidence: dict[str, MarkEvidence] = {}
    for name, texts in numeric.items():
        step = max(1, len(texts) // _SAMPLE)
        evidence[name] = mark_evidence(
            texts.head(_SAMPLE).append(texts.gather_every(step)) if step > 1 else texts,
            count_points=work.seen.sheet.file_format == "text",
        )
    comma = sum(one.comma for one in evidence.values())
    point = sum(one.point for one in evidence.values())
    either = sum(one.either for name, one in evidence.items() if name not in counts)
    if comma or point:
        work.mark = "," if comma > point else "."
    elif either and work.seen.sheet.separator != ",":
        work.mark = ","
        work.log.table(
            "decimal-mark",
            Verdict.REVIEW,
            message="Every comma in the numbers stands before three digits: taken as the decimal "
            "mark, not as a mark for thousands.",
            remedy="Look at a few values; if this is wrong, name decimal_mark in a mapping file.",
        )
    return {
        name: "," if one.comma > one.point else "." if one.point > one.comma else work.mark
        for name, one in evidence.items()
    }


def _usable(work: Assembly, column: Column, matched: MatchedColumn) -> bool:
    if matched.convert is not None:
        return True
    work.unusable.append(column.name)
    unit = column.unit or "a number without unit"
    work.log.table(
        "unit-unknown",
        Verdict.FAIL if column.required else Verdict.REVIEW,
        message=f"The heading {matched.heading} gives the unit {matched.unit}, which is not known "
        f"for {column.meaning}: the column is not used.",
        remedy=f"Write the unit in the heading as {unit}, or map the column in a mapping file.",
        column=matched.heading,
        found=matched.unit,
        required=f"a unit that can be turned into {unit}",
    )
    return False


def _habits(work: Assembly) -> TimeHabits:
    mapping = work.mapping
    return TimeHabits(
        time_zone=(mapping.time_zone if mapping is not None else None) or work.time_zone,
        order=mapping.date_order if mapping is not None else None,
        language=work.seen.match.language if work.seen.match is not None else "",
        decimal_comma=work.mark == ",",
    )


def _convert_moment(work: Assembly, column: Column, matched: MatchedColumn) -> None:
    raw = work.raw(matched)
    if matched.clock_index >= 0:
        raw = join_date_and_clock(raw, work.body.frame[column_name(matched.clock_index)])
    done, order = convert_time(raw, column=column, habits=_habits(work), heading=matched.heading)
    work.order = work.order or order
    _keep(work, column, matched, done, shown_as=raw)


def _fill_from_preamble(work: Assembly, column: Column) -> None:
    value = work.seen.preamble[column.name]
    text = pl.Series([value.text], dtype=pl.String)
    matched = value.matched
    if column.kind == "text":
        done = convert_text(text, thorough=column.name in _IDENTITIES)
    elif column.kind in ("time", "date"):
        done, order = convert_time(
            text, column=column, habits=_habits(work), heading=matched.heading
        )
        work.order = work.order or order
    else:
        if not _usable(work, column, matched) or matched.convert is None:
            return
        evidence = mark_evidence(text, count_points=True)
        done = convert_number(
            text,
            column=column,
            mark="," if evidence.comma else work.mark,
            convert=matched.convert,
            unit=matched.unit,
            heading=matched.heading,
        )
    for problem in done.problems:
        work.log.table(
            problem.check,
            Verdict.FAIL if column.required and problem.lost else problem.verdict,
            message=problem.message.replace("{row}", str(value.row)).replace("{found}", value.text),
            remedy=problem.remedy,
            row=value.row,
            column=matched.heading,
            found=value.text,
            required=problem.required,
        )
    _log_notes(work, done, matched.heading)
    height = work.body.frame.height
    work.values[column.name] = pl.Series(
        column.name, done.values.cast(column.dtype).new_from_index(0, height)
    )
    work.used[column.name] = UsedColumn(
        heading=matched.heading,
        unit=matched.unit,
        factor=matched.convert.factor if matched.convert else 1.0,
        offset=matched.convert.offset if matched.convert else 0.0,
        place="preamble",
    )


def _log_notes(work: Assembly, done: Converted, heading: str) -> None:
    for note in done.notes:
        work.log.table(
            note.check,
            note.verdict,
            message=note.message,
            remedy=note.remedy,
            column=heading,
            found=note.found,
        )


def _log_problem(
    work: Assembly, problem: Problem, *, column: Column, heading: str, raw: pl.Series
) -> None:
    at = problem.at[~work.left_out[problem.at]]
    if not len(at):
        return
    texts = as_texts(raw.gather(at[: work.log.allowance(problem.check)])).fill_null("")
    work.log.rows(
        problem.check,
        Verdict.FAIL if column.required and problem.lost else problem.verdict,
        rows=work.rows_at(at),
        found=texts.to_list(),
        message=problem.message,
        required=problem.required,
        remedy=problem.remedy,
        column=heading,
    )


def _keep(
    work: Assembly,
    column: Column,
    matched: MatchedColumn,
    done: Converted,
    *,
    shown_as: pl.Series | None = None,
) -> None:
    raw = shown_as if shown_as is not None else work.raw(matched)
    for problem in done.problems:
        _log_problem(work, problem, column=column, heading=matched.heading, raw=raw)
    _log_notes(work, done, matched.heading)
    work.values[column.name] = done.values.rename(column.name)
    how = matched.convert
    work.used[column.name] = UsedColumn(
        heading=matched.heading,
        unit=matched.unit,
        factor=how.factor if how else 1.0,
        offset=how.offset if how else 0.0,
    )
    _check_empty(work, column, matched.heading, done)


def _check_empty(work: Assembly, column: Column, heading: str, done: Converted) -> None:
    """Say once that an optional value is empty in some rows of a column that is used."""
    if column.required or column.kind == "text":
        return
    empty = done.values.is_null().to_numpy() & ~work.left_out
    for problem in done.problems:
        if problem.lost:
            empty[problem.at] = False
    count = int(empty.sum())
    kept = int((~work.left_out).sum())
    if not count or count == kept:
        return
    first = work.rows_at(np.flatnonzero(empty)[:1])[0]
    work.log.table(
        "value-empty",
        Verdict.REVIEW,
        message=f"{count:,} of {kept:,} rows have nothing under {heading}, the first is row "
        f"{first}: they are used without it.",
        remedy="Fill in the values if they were measured.",
        row=first,
        column=heading,
        required=column.meaning,
    )
