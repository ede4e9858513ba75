"""Read a table that people have: which one it is, its rows, and what is wrong with it."""

from __future__ import annotations

import functools
import hashlib
import zoneinfo
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Final, TypeVar

from arraywright.errors import ArraywrightError, CallError, InputFileError
from arraywright.findings import Verdict
from arraywright.readers.assemble import assemble
from arraywright.readers.assembly import Assembly
from arraywright.readers.delimited import decode_text, text_sheets
from arraywright.readers.log import FindingLog
from arraywright.readers.recognise import Recognition, recognise
from arraywright.readers.results import UNKNOWN_TABLE, ColumnMapping, Dialect, TableReading
from arraywright.readers.sheets import Sheet
from arraywright.readers.workbook import parquet_sheet, workbook_kind, workbook_sheets
from arraywright.tables import TableSpec

__all__ = ["MAX_FILE_BYTES", "read_table", "read_tables", "sheets_of"]

MAX_FILE_BYTES: Final = 2 * 1024**3
"""A file larger than this is refused."""

_UNNAMED_FIELDS: Final = 50

T = TypeVar("T")

_OTHER_FORMATS: Final = {
    b"%PDF": "a PDF document",
    b"\xd0\xcf\x11\xe0": "a workbook of the old binary kind (.xls)",
    b"\x1f\x8b": "a file packed with gzip",
    b"7z\xbc\xaf": "a packed archive",
    b"Rar!": "a packed archive",
    b"\x89PNG": "an image",
    b"\xff\xd8\xff": "an image",
    b"GIF8": "an image",
    b"II*\x00": "an image",
    b"MM\x00*": "an image",
    b"{\\rtf": "a text document",
    b"SQLite format 3": "a database",
    b"\x7fELF": "a program",
    b"ARROW1": "an Arrow file",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _File:
    name: str
    sha256: str
    sheets: tuple[tuple[Sheet, ...], ...]


def _last_resort(work: Callable[[], T], *, name: str) -> T:
    """Turn what no reader foresaw into one clear error, so that nothing else leaves here."""
    try:
        return work()
    except (ArraywrightError, KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:
        raise InputFileError(
            "reader-failed",
            f"{name} could not be read: {type(error).__name__}.",
            "Save the table again as CSV and give that file; please report this file as a fault.",
        ) from error


def _check_size(path: Path, name: str) -> None:
    if path.is_dir():
        raise InputFileError(
            "file-is-folder",
            f"{name} is a folder, not a file.",
            "Give the files in it one by one.",
        )
    size = path.stat().st_size
    if size > MAX_FILE_BYTES:
        raise InputFileError(
            "file-too-large",
            f"{name} holds {size:,} bytes; at most {MAX_FILE_BYTES:,} are read.",
            "Split the table into several files.",
        )


def _read_bytes(path: Path) -> bytes:
    name = path.name or str(path)
    try:
        _check_size(path, name)
        data = path.read_bytes()
    except InputFileError:
        raise
    except FileNotFoundError as error:
        raise InputFileError(
            "file-not-found", f"There is no file {path}.", "Check the name and the folder."
        ) from error
    except PermissionError as error:
        raise InputFileError(
            "file-not-permitted",
            f"{name} may not be read by this user.",
            "Change its permissions or copy it to where you may read it.",
        ) from error
    except (OSError, ValueError) as error:
        raise InputFileError(
            "file-not-readable", f"{name} cannot be read: {error}.", "Check the disk and the name."
        ) from error
    if not data.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise InputFileError(
            "file-empty", f"{name} is empty.", "Export the table again or ask for it again."
        )
    return data


def _open(path: Path) -> _File:
    data = _read_bytes(path)
    name = path.name
    digest = hashlib.sha256(data).hexdigest()
    sheets: tuple[tuple[Sheet, ...], ...]
    if data.startswith(b"PAR1"):
        sheets = ((parquet_sheet(data, name=name),),)
    elif data.startswith(b"PK"):
        kind = workbook_kind(data, name=name)
        sheets = tuple((one,) for one in workbook_sheets(data, name=name, kind=kind))
    else:
        for magic, what in _OTHER_FORMATS.items():
            if data.startswith(magic):
                raise InputFileError(
                    "file-not-a-table",
                    f"{name} is {what}, whatever its name says.",
                    "Export the table as CSV, XLSX, ODS or Parquet and give that file.",
                )
        text = decode_text(data, name=name)
        sheets = (tuple(text_sheets(text, name=name)),)
    if not sheets:
        raise InputFileError(
            "file-empty", f"{name} holds no sheet.", "Save the workbook again or ask for it again."
        )
    return _File(name=name, sha256=digest, sheets=sheets)


def sheets_of(path: Path) -> tuple[tuple[Sheet, ...], ...]:
    """Give the sheets of a file, each in every way in which it can be split into fields.

    Raises:
        InputFileError: the file cannot be read as a table at all.
    """
    return _last_resort(lambda: _open(path).sheets, name=path.name)


def _check_call(
    specs: Sequence[TableSpec], mapping: ColumnMapping | None, time_zone: str
) -> Sequence[TableSpec]:
    if not specs:
        raise CallError("no-tables", "No kind of table was asked for.", "Name at least one.")
    if time_zone not in _zones():
        raise CallError(
            "time-zone-unknown",
            f"The time zone {time_zone!r} is not known.",
            "Give an IANA name such as Europe/Madrid.",
        )
    if mapping is None:
        return specs
    chosen = [spec for spec in specs if spec.kind == mapping.kind]
    known = [spec.kind for spec in specs]
    if not chosen:
        raise InputFileError(
            "mapping-not-valid",
            f"{mapping.file or 'The mapping'}, key kind: {mapping.kind!r} is none of the tables "
            f"read here: {', '.join(known)}.",
            "Correct kind in the mapping file.",
        )
    names = [column.name for column in chosen[0].columns]
    for name in mapping.columns:
        if name not in names:
            near = get_close_matches(name, names, n=1)
            hint = f" The nearest is {near[0]}." if near else ""
            raise InputFileError(
                "mapping-not-valid",
                f"{mapping.file or 'The mapping'}, key columns.{name}: the {chosen[0].title} has "
                f"no such column.{hint}",
                f"Use one of {', '.join(names)}.",
            )
    return chosen


@functools.cache
def _zones() -> frozenset[str]:
    return frozenset(zoneinfo.available_timezones())


def _describe(specs: Sequence[TableSpec]) -> str:
    return "; ".join(f"{spec.title}: {', '.join(spec.required)}" for spec in specs)


def _unrecognised(file: _File, seen: Recognition, specs: Sequence[TableSpec]) -> TableReading:
    """Give the reading of a sheet that is no table asked for: every row is reported at once."""
    sheet = seen.sheet
    log = FindingLog(file=file.name, sheet=sheet.name)
    rows = sheet.count()
    row = sheet.head[seen.heading_at].row if seen.heading_at >= 0 else 0
    if seen.rivals:
        check = "table-ambiguous"
        message = (
            f"The headings fit equally well as {' and as '.join(seen.rivals)}; none of the "
            f"{rows:,} rows can be used."
        )
    elif seen.match is not None:
        check = "table-not-recognised"
        message = (
            f"The file looks most like this table: {seen.match.spec.title}. It lacks "
            f"{', '.join(seen.missing)}; none of the {rows:,} rows can be used."
        )
    else:
        check = "table-not-recognised"
        message = f"No known headings were found; none of the {rows:,} rows can be used."
    if seen.headings:
        headings = [heading for heading in seen.headings if heading]
    else:
        fullest = max(sheet.head, key=lambda one: len([c for c in one.cells if c]), default=None)
        headings = [cell for cell in fullest.cells if cell] if fullest is not None else []
    log.table(
        check,
        Verdict.FAIL,
        message=message,
        remedy="Write a mapping file that names the kind of table and which heading holds which "
        "column, and give it with the file.",
        row=row,
        found=", ".join(headings),
        required=_describe(specs),
    )
    return TableReading(
        spec=UNKNOWN_TABLE,
        frame=UNKNOWN_TABLE.empty(),
        findings=log.close(),
        rows_in=rows,
        rows_accepted=0,
        rows_reported=rows,
        file_name=file.name,
        sha256=file.sha256,
        dialect=Dialect(
            file_format=sheet.file_format,
            encoding=sheet.encoding,
            separator=sheet.separator,
            sheet=sheet.name,
            heading_row=row,
        ),
        columns={},
        unused_headings=tuple(headings),
    )


def _widths(seen: Recognition) -> tuple[int, int]:
    headings = seen.headings
    least = len(headings)
    while least and not headings[least - 1]:
        least -= 1
    return max(least, 1), max(min(len(headings), least + _UNNAMED_FIELDS), 1)


def _reading(
    file: _File,
    seen: Recognition,
    specs: Sequence[TableSpec],
    *,
    mapping: ColumnMapping | None,
    time_zone: str,
) -> TableReading:
    if not seen.complete or seen.match is None:
        return _unrecognised(file, seen, specs)
    least, most = _widths(seen)
    if seen.sheet.file_format == "parquet":
        body = seen.sheet.body(0, least, most)
    else:
        body = seen.sheet.body(max(seen.heading_at, seen.units_at), least, most)
    return assemble(
        Assembly(
            seen=seen,
            body=body,
            log=FindingLog(file=file.name, sheet=seen.sheet.name),
            file_name=file.name,
            sha256=file.sha256,
            time_zone=time_zone,
            mapping=mapping,
        )
    )


def _skipped(file: _File, names: Sequence[str], *, tables: bool) -> tuple[FindingLog, str]:
    log = FindingLog(file=file.name)
    what = "hold a table that was not read" if tables else "hold no table that is known"
    log.table(
        "sheet-not-read",
        Verdict.FAIL if tables else Verdict.REVIEW,
        message=f"Sheets that {what}: {', '.join(names)}.",
        remedy="Name the sheet to be read, or read the whole workbook."
        if tables
        else "Nothing to do if they are notes; else write a mapping file.",
        found=", ".join(names),
    )
    return log, what


def _with_findings(reading: TableReading, log: FindingLog) -> TableReading:
    return TableReading(
        spec=reading.spec,
        frame=reading.frame,
        findings=(*reading.findings, *log.close()),
        rows_in=reading.rows_in,
        rows_accepted=reading.rows_accepted,
        rows_reported=reading.rows_reported,
        file_name=reading.file_name,
        sha256=reading.sha256,
        dialect=reading.dialect,
        columns=reading.columns,
        unused_headings=reading.unused_headings,
    )


def _recognise_all(
    file: _File, specs: Sequence[TableSpec], mapping: ColumnMapping | None
) -> list[Recognition]:
    return [
        recognise(sheets, specs, mapping=mapping, file_name=file.name) for sheets in file.sheets
    ]


def read_table(
    path: Path,
    specs: Sequence[TableSpec],
    *,
    mapping: ColumnMapping | None = None,
    time_zone: str,
    sheet: str | None = None,
) -> TableReading:
    """Read one table from a CSV, XLSX, ODS or Parquet file, whatever its dialect.

    Which of ``specs`` the file is, is found from its headings. A file that is none of them, or
    fits two equally well, gives a reading without rows and a failing finding. Of a workbook the
    first sheet that holds a table is read, or the one named; other tables in it are reported.

    Args:
        path: the file.
        specs: the tables it may be.
        mapping: which heading holds which column, for a file that is not recognised.
        time_zone: IANA zone of local times.
        sheet: name of the sheet of a workbook.

    Raises:
        InputFileError: the file cannot be read, is no table at all, or is too large.
        CallError: ``specs`` is empty or the time zone unknown.
    """
    specs = _check_call(specs, mapping, time_zone)

    def work() -> TableReading:
        file = _open(path)
        if sheet is not None:
            file = _only_sheet(file, sheet)
        seen = _recognise_all(file, specs, mapping)
        chosen = next((one for one in seen if one.complete), None)
        if chosen is None:
            chosen = max(seen, key=lambda one: one.score)
        reading = _reading(file, chosen, specs, mapping=mapping, time_zone=time_zone)
        others = [one.sheet.name for one in seen if one is not chosen and one.complete]
        blank = [
            one.sheet.name
            for one in seen
            if one is not chosen and not one.complete and one.sheet.head
        ]
        for names, tables in ((others, True), (blank, False)):
            if names:
                reading = _with_findings(reading, _skipped(file, names, tables=tables)[0])
        return reading

    return _last_resort(work, name=path.name)


def _only_sheet(file: _File, sheet: str) -> _File:
    chosen = tuple(sheets for sheets in file.sheets if sheets[0].name == sheet)
    if not chosen:
        names = [sheets[0].name for sheets in file.sheets]
        raise InputFileError(
            "sheet-not-found",
            f"{file.name} has no sheet {sheet!r}; it has {', '.join(names) or 'none'}.",
            "Name one of its sheets.",
        )
    return _File(name=file.name, sha256=file.sha256, sheets=chosen)


def read_tables(
    path: Path,
    specs: Sequence[TableSpec],
    *,
    mapping: ColumnMapping | None = None,
    time_zone: str,
) -> list[TableReading]:
    """Read every table of a file: one reading per sheet that holds one.

    Sheets without a known table are named in a finding of the first reading. A file without any
    table gives one reading without rows. Arguments and errors as for ``read_table``.
    """
    specs = _check_call(specs, mapping, time_zone)

    def work() -> list[TableReading]:
        file = _open(path)
        seen = _recognise_all(file, specs, mapping)
        tables = [one for one in seen if one.complete or one.rivals]
        if not tables:
            best = max(seen, key=lambda one: one.score)
            return [_reading(file, best, specs, mapping=mapping, time_zone=time_zone)]
        readings = [
            _reading(file, one, specs, mapping=mapping, time_zone=time_zone) for one in tables
        ]
        rest = [one.sheet.name for one in seen if one not in tables and one.sheet.head]
        if rest:
            readings[0] = _with_findings(readings[0], _skipped(file, rest, tables=False)[0])
        return readings

    return _last_resort(work, name=path.name)
