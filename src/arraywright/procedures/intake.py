"""Taking in files: read once, kept as given and as rows; what is known already changes nothing."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from arraywright.errors import CallError, InputFileError
from arraywright.findings import Finding, Verdict
from arraywright.procedures.report import Progress, ReportTable
from arraywright.procedures.site_record import FILE_RECEIVED, SiteRecord
from arraywright.readers.mapping import read_mapping
from arraywright.readers.results import ColumnMapping, TableReading
from arraywright.readers.tables import read_tables
from arraywright.records.entry import Entry, NewEntry, json_body, parse_body
from arraywright.tables import TableSpec

__all__ = ["Intake", "intake_table", "take_in"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenTable:
    """One table of a file handed in now.

    Attributes:
        file: name of the file.
        sheet: sheet of a workbook, empty elsewhere.
        table: kind of table in words.
        rows_in: rows found.
        rows_accepted: rows that can be used.
        rows_reported: rows that cannot, each with a finding.
        known: whether it stood in the record already.
    """

    file: str
    sheet: str
    table: str
    rows_in: int
    rows_accepted: int
    rows_reported: int
    known: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """What came of taking in files.

    Attributes:
        tables: every table of the files handed in now.
        entries: entries to append for what is new.
        live: entries of earlier files that still stand.
        frames: rows of the new tables, by kind.
        findings: findings about the files handed in now.
        refused: whether a file could not be used at all.
    """

    tables: tuple[TakenTable, ...]
    entries: tuple[NewEntry, ...]
    live: tuple[Entry, ...]
    frames: tuple[tuple[TableSpec, pl.DataFrame], ...]
    findings: tuple[Finding, ...]
    refused: bool

    @property
    def inputs(self) -> list[str]:
        """Digests of the rows of every table that stands, new ones included."""
        bodies = [parse_body(entry.body) for entry in self.live]
        bodies += [parse_body(entry.body) for entry in self.entries if entry.kind == FILE_RECEIVED]
        return [
            f"{named['sha256']} {body['table']}"
            for body in bodies
            for named in body["files"]
            if named["name"] == "rows.parquet"
        ]

    def rows(self, record: SiteRecord, spec: TableSpec) -> pl.DataFrame:
        """Give all rows of one kind of table: earlier ones that stand, and new ones."""
        earlier = record.rows(
            spec,
            entries=[entry for entry in self.live if parse_body(entry.body)["table"] == spec.kind],
        )
        new = [frame for held, frame in self.frames if held.kind == spec.kind]
        cast = [frame.cast(spec.schema) for frame in new]  # type: ignore[arg-type]
        return pl.concat([earlier, *cast])


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except IsADirectoryError as error:
        raise InputFileError(
            "file-is-a-folder",
            f"Found the folder {path}; required: a file.",
            "Name the files in it.",
        ) from error
    except OSError as error:
        raise InputFileError(
            "file-not-readable",
            f"The file {path} cannot be read: {error.strerror or error}.",
            "Check its name and that you may read it.",
        ) from error


def _refusal(path: Path, error: InputFileError) -> Finding:
    return Finding(
        check="input-file",
        subject_kind="file",
        subject=path.name,
        verdict=Verdict.FAIL,
        message=error.message,
        remedy=error.remedy,
    )


def _subject(sha256: str, sheet: str) -> str:
    return f"{sha256} {sheet}".strip()


def _replaced_entry(live: Sequence[Entry], name: str) -> list[Entry]:
    found = [entry for entry in live if parse_body(entry.body)["file"] == name]
    if not found:
        known = sorted({str(parse_body(entry.body)["file"]) for entry in live})
        raise CallError(
            "file-to-replace-unknown",
            f"No file named {name} stands in the record.",
            f"Name one of: {', '.join(known) or 'none has been handed in yet'}.",
        )
    return found


def _new_entry(
    record: SiteRecord, reading: TableReading, *, raw: dict[str, object], supersedes: str | None
) -> NewEntry:
    dialect = reading.dialect
    body = {
        "file": reading.file_name,
        "sheet": dialect.sheet,
        "sha256": reading.sha256,
        "table": reading.spec.kind,
        "rows_in": reading.rows_in,
        "rows_accepted": reading.rows_accepted,
        "rows_reported": reading.rows_reported,
        "read_as": {
            "format": dialect.file_format,
            "encoding": dialect.encoding,
            "separator": dialect.separator,
            "decimal_mark": dialect.decimal_mark,
            "heading_row": dialect.heading_row,
        },
        "files": [
            raw,
            record.store_frame("rows", reading.frame),
            record.store_findings(reading.findings),
        ],
    }
    return NewEntry(
        kind=FILE_RECEIVED,
        subject_kind="file",
        subject=_subject(reading.sha256, dialect.sheet),
        body=json_body(body),
        supersedes=supersedes,
    )


def _known(entry: Entry, titles: dict[str, str]) -> TakenTable:
    body = parse_body(entry.body)
    return TakenTable(
        file=body["file"],
        sheet=body["sheet"],
        table=titles.get(body["table"], body["table"]),
        rows_in=body["rows_in"],
        rows_accepted=body["rows_accepted"],
        rows_reported=body["rows_reported"],
        known=True,
    )


class _Taker:
    """Goes through the files one by one and gathers what they hold."""

    def __init__(
        self,
        record: SiteRecord,
        *,
        specs: Sequence[TableSpec],
        columns: ColumnMapping | None,
        live: list[Entry],
        to_replace: list[Entry],
    ) -> None:
        self._record = record
        self._specs = specs
        self._columns = columns
        self._live = live
        self._to_replace = to_replace
        self._titles = {spec.kind: spec.title for spec in specs}
        self._by_sha: dict[str, list[Entry]] = {}
        for entry in live:
            self._by_sha.setdefault(str(parse_body(entry.body)["sha256"]), []).append(entry)
        self._seen: set[str] = set()
        self._tables: list[TakenTable] = []
        self._entries: list[NewEntry] = []
        self._frames: list[tuple[TableSpec, pl.DataFrame]] = []
        self._findings: list[Finding] = []
        self._refused = False

    def take(self, path: Path) -> None:
        """Take in one file; what is wrong with it becomes findings."""
        try:
            sha256 = _sha256(path)
            if sha256 in self._seen:
                return
            self._seen.add(sha256)
            if sha256 in self._by_sha:
                self._take_known(self._by_sha[sha256])
                return
            readings = read_tables(
                path,
                self._specs,
                mapping=self._columns,
                time_zone=self._record.site.time_zone,
            )
        except InputFileError as error:
            self._findings.append(_refusal(path, error))
            self._refused = True
            return
        for reading in readings:
            self._take_reading(path, reading)

    def _take_known(self, entries: Sequence[Entry]) -> None:
        for entry in entries:
            self._tables.append(_known(entry, self._titles))
            self._findings.extend(self._record.load_findings(entry))

    def _take_reading(self, path: Path, reading: TableReading) -> None:
        self._findings.extend(reading.findings)
        self._tables.append(
            TakenTable(
                file=reading.file_name,
                sheet=reading.dialect.sheet,
                table=reading.spec.title,
                rows_in=reading.rows_in,
                rows_accepted=reading.rows_accepted,
                rows_reported=reading.rows_reported,
                known=False,
            )
        )
        if not reading.recognised:
            self._refused = True
            return
        stored = self._record.files.put_path(path)
        raw: dict[str, object] = {
            "name": path.name,
            "sha256": stored.sha256,
            "size": stored.size,
        }
        supersedes = None
        if self._to_replace:
            older = self._to_replace.pop(0)
            self._live.remove(older)
            supersedes = older.uuid
        self._entries.append(_new_entry(self._record, reading, raw=raw, supersedes=supersedes))
        self._frames.append((reading.spec, reading.frame))

    def intake(self) -> Intake:
        """Give what was gathered; tables a replaced file had in excess are withdrawn."""
        if self._frames:
            for older in self._to_replace:
                self._live.remove(older)
                self._entries.append(
                    NewEntry(
                        kind="file_withdrawn",
                        subject_kind="file",
                        subject=older.subject,
                        body=json_body({"file": parse_body(older.body)["file"]}),
                        supersedes=older.uuid,
                    )
                )
        return Intake(
            tables=tuple(self._tables),
            entries=tuple(self._entries),
            live=tuple(self._live),
            frames=tuple(self._frames),
            findings=tuple(self._findings),
            refused=self._refused,
        )


def take_in(
    record: SiteRecord,
    paths: Sequence[Path],
    *,
    specs: Sequence[TableSpec],
    mapping: Path | None,
    replaced: str | None,
    progress: Progress,
) -> Intake:
    """Read the files that are new and make their entries; nothing is appended yet.

    Raises:
        CallError: the file to be replaced is unknown, or several files are to replace one.
        InputFileError: the mapping file cannot be used.
    """
    live = list(record.received())
    to_replace: list[Entry] = []
    if replaced is not None:
        if len(paths) != 1:
            raise CallError(
                "one-file-replaces-one",
                f"Found {len(paths)} files to replace {replaced}; required: one.",
                "Give the files one by one.",
            )
        to_replace = _replaced_entry(live, replaced)
    taker = _Taker(
        record,
        specs=specs,
        columns=None if mapping is None else read_mapping(mapping),
        live=live,
        to_replace=to_replace,
    )
    for path in paths:
        progress.stage(f"reading {path.name}")
        taker.take(path)
    return taker.intake()


def intake_table(intake: Intake) -> ReportTable:
    """Give the table of the files handed in now, for people."""
    return ReportTable(
        title="Files",
        headings=("File", "Holds", "Rows", "Used", "Reported", "Record"),
        rows=[
            (
                f"{one.file} ({one.sheet})" if one.sheet else one.file,
                one.table,
                str(one.rows_in),
                str(one.rows_accepted),
                str(one.rows_reported),
                "known already" if one.known else "new",
            )
            for one in intake.tables
        ],
        align=("left", "left", "right", "right", "right", "left"),
    )
