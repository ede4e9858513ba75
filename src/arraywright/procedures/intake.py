"""Taking in files: read once, kept as given and as rows; what is known already changes nothing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Final

import polars as pl

from arraywright.dossier.words import number
from arraywright.errors import CallError, InputFileError
from arraywright.findings import Finding, Verdict
from arraywright.procedures.given_files import (
    about_reading,
    check_name,
    printable,
    refusal,
    sha256_of,
)
from arraywright.procedures.report import Progress, ReportTable
from arraywright.procedures.site_record import FILE_RECEIVED, FILE_WITHDRAWN, SiteRecord
from arraywright.readers.mapping import read_mapping
from arraywright.readers.results import ColumnMapping, TableReading
from arraywright.readers.tables import read_tables
from arraywright.records.entry import Entry, NewEntry, json_body, parse_body
from arraywright.tables import TableSpec

__all__ = ["Intake", "TakenTable", "intake_table", "take_in"]

_SHOWN_DIGITS: Final = 12
_DIGEST: Final = re.compile(r"[0-9a-f]{8,64}")


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
        known_as: name under which it stands there, when that is another one.
        replaced: whether another file has been received in its place, so that it is not used.
    """

    file: str
    sheet: str
    table: str
    rows_in: int
    rows_accepted: int
    rows_reported: int
    known: bool
    known_as: str = ""
    replaced: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """What came of taking in files.

    Attributes:
        tables: every table of the files handed in now.
        entries: entries to append for what is new.
        live: entries of earlier files, of the tables asked for, that still stand.
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


def _subject(sha256: str, sheet: str) -> str:
    return f"{sha256} {sheet}".strip()


def _named(entry: Entry, name: str) -> bool:
    """Tell whether a file is meant by its name, or by the beginning of its SHA-256."""
    body = parse_body(entry.body)
    return bool(
        body["file"] == name
        or (_DIGEST.fullmatch(name) is not None and str(body["sha256"]).startswith(name))
    )


def _sha_of(entry: Entry) -> str:
    return str(parse_body(entry.body)["sha256"])


def _to_replace(
    live: Sequence[Entry], history: Sequence[Entry], *, name: str, new_sha256: str
) -> list[Entry]:
    """Give the entries of the one file that is to be replaced; none when that was done before.

    Raises:
        CallError: no file of that name stands, or several different ones do.
    """
    found = [entry for entry in live if _named(entry, name) and _sha_of(entry) != new_sha256]
    digests = sorted({_sha_of(entry) for entry in found})
    if len(digests) > 1:
        raise CallError(
            "file-to-replace-ambiguous",
            f"{len(digests)} different files named {name} stand in the record.",
            "Name the one to be replaced by the beginning of its SHA-256 instead: "
            f"{', '.join(digest[:_SHOWN_DIGITS] for digest in digests)}.",
        )
    stands = any(_sha_of(entry) == new_sha256 for entry in live)
    if not found and not (stands and any(_named(entry, name) for entry in history)):
        known = sorted({str(parse_body(entry.body)["file"]) for entry in live})
        raise CallError(
            "file-to-replace-unknown",
            f"No file named {name} stands in the record.",
            f"Name one of: {', '.join(known) or 'none has been handed in yet'}.",
        )
    return found


def _mapping_body(mapping: ColumnMapping | None) -> dict[str, object] | None:
    """Give a mapping as it stands in the record; the name of its file says nothing."""
    if mapping is None:
        return None
    held = asdict(mapping)
    del held["file"]
    held["columns"] = dict(mapping.columns)
    return held


def _new_entry(
    record: SiteRecord,
    reading: TableReading,
    *,
    findings: Sequence[Finding],
    mapping: ColumnMapping | None,
    raw: dict[str, object],
    supersedes: str | None,
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
        "mapping": _mapping_body(mapping),
        "files": [
            raw,
            record.store_frame("rows", reading.frame),
            record.store_findings(findings),
        ],
    }
    return NewEntry(
        kind=FILE_RECEIVED,
        subject_kind="file",
        subject=_subject(reading.sha256, dialect.sheet),
        body=json_body(body),
        supersedes=supersedes,
    )


def _known(entry: Entry, name: str, titles: dict[str, str], *, replaced: bool) -> TakenTable:
    body = parse_body(entry.body)
    return TakenTable(
        file=name,
        sheet=body["sheet"],
        table=titles.get(body["table"], body["table"]),
        rows_in=body["rows_in"],
        rows_accepted=body["rows_accepted"],
        rows_reported=body["rows_reported"],
        known=True,
        known_as="" if body["file"] == name else body["file"],
        replaced=replaced,
    )


def _by_sha(entries: Sequence[Entry]) -> dict[str, list[Entry]]:
    found: dict[str, list[Entry]] = {}
    for entry in entries:
        found.setdefault(_sha_of(entry), []).append(entry)
    return found


class _Taker:
    """Goes through the files one by one and gathers what they hold."""

    def __init__(
        self,
        record: SiteRecord,
        *,
        specs: Sequence[TableSpec],
        columns: ColumnMapping | None,
        live: list[Entry],
        history: Sequence[Entry],
        replaced: str | None,
    ) -> None:
        self._record = record
        self._specs = specs
        self._columns = columns
        self._live = live
        self._history = history
        self._replaced = replaced
        self._to_replace: list[Entry] = []
        self._titles = {spec.kind: spec.title for spec in specs}
        self._standing = _by_sha(live)
        self._ever = _by_sha(history)
        self._seen: dict[str, list[TakenTable]] = {}
        self._tables: list[TakenTable] = []
        self._entries: list[NewEntry] = []
        self._frames: list[tuple[TableSpec, pl.DataFrame]] = []
        self._findings: list[Finding] = []
        self._refused = False

    def take(self, path: Path) -> None:
        """Take in one file; what is wrong with it becomes findings."""
        try:
            check_name(path)
            sha256 = sha256_of(path)
            if sha256 in self._seen:
                self._tables.extend(
                    replace(table, file=path.name, known=True) for table in self._seen[sha256]
                )
                return
            before = len(self._tables)
            self._take(path, sha256)
            self._seen[sha256] = self._tables[before:]
        except InputFileError as error:
            if error.code == "mapping-not-valid":
                raise  # the fault of the mapping, not of the file it was given for
            self._findings.append(refusal(path, error))
            self._refused = True

    def _take(self, path: Path, sha256: str) -> None:
        self._to_replace = []
        if self._replaced is not None:
            self._to_replace = _to_replace(
                self._live, self._history, name=self._replaced, new_sha256=sha256
            )
        standing = self._standing.get(sha256, [])
        if standing and self._read_alike(standing):
            self._take_known(path, standing)
            self._withdraw()
            return
        self._to_replace.extend(standing)
        if not standing and sha256 in self._ever and self._replaced is None:
            self._take_replaced(path, self._ever[sha256])
            return
        readings = read_tables(
            path,
            self._specs,
            mapping=self._columns,
            time_zone=self._record.site.time_zone,
        )
        self._take_readings(path, sha256, readings)

    def _read_alike(self, entries: Sequence[Entry]) -> bool:
        """Tell whether a file was read as it would be now; a new mapping reads it anew."""
        wanted = _mapping_body(self._columns)
        return wanted is None or all(
            parse_body(entry.body).get("mapping") == wanted for entry in entries
        )

    def _take_known(self, path: Path, entries: Sequence[Entry]) -> None:
        for entry in entries:
            self._tables.append(_known(entry, path.name, self._titles, replaced=False))
            self._findings.extend(self._record.load_findings(entry))

    def _take_replaced(self, path: Path, entries: Sequence[Entry]) -> None:
        tables = {(table.sheet, table.table): table for table in (
            _known(entry, path.name, self._titles, replaced=True) for entry in entries
        )}  # fmt: skip
        self._tables.extend(tables.values())
        self._findings.append(
            Finding(
                check="file-replaced-earlier",
                subject_kind="file",
                subject=path.name,
                verdict=Verdict.REVIEW,
                message=f"Another file was received in place of {path.name}; it is not used.",
                remedy="Nothing, if that was right. To use it again, give it alone with "
                "--in-place-of and the name of the file that stands for it now.",
            )
        )

    def _take_readings(self, path: Path, sha256: str, readings: Sequence[TableReading]) -> None:
        stored = None
        if any(reading.recognised for reading in readings):
            stored = self._record.files.put_path(path)
        if any(reading.sha256 != sha256 for reading in readings) or (
            stored is not None and stored.sha256 != sha256
        ):
            raise InputFileError(
                "file-changed-meanwhile",
                f"The file {path} changed while it was being read.",
                "Wait until it is written completely, then give it again.",
            )
        for reading in readings:
            findings = (*reading.findings, *about_reading(reading))
            self._findings.extend(findings)
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
            elif stored is not None:
                self._keep(reading, findings, raw=stored.named(path.name))
        if stored is not None:
            self._withdraw()
            self._check_same_name(path, sha256)

    def _keep(
        self, reading: TableReading, findings: Sequence[Finding], *, raw: dict[str, object]
    ) -> None:
        supersedes = None
        if self._to_replace:
            older = self._to_replace.pop(0)
            self._live.remove(older)
            supersedes = older.uuid
        self._entries.append(
            _new_entry(
                self._record,
                reading,
                findings=findings,
                mapping=self._columns,
                raw=raw,
                supersedes=supersedes,
            )
        )
        self._frames.append((reading.spec, reading.frame))

    def _withdraw(self) -> None:
        """Withdraw the tables of the replaced file that no table of the new one stands for."""
        for older in self._to_replace:
            self._live.remove(older)
            self._entries.append(
                NewEntry(
                    kind=FILE_WITHDRAWN,
                    subject_kind="file",
                    subject=older.subject,
                    body=json_body({"file": parse_body(older.body)["file"]}),
                    supersedes=older.uuid,
                )
            )
        self._to_replace = []

    def _check_same_name(self, path: Path, sha256: str) -> None:
        """Point out a file whose name stands already: usually a corrected one."""
        for other in sorted({_sha_of(one) for one in self._live if _named(one, path.name)}):
            if other == sha256:
                continue
            self._findings.append(
                Finding(
                    check="file-name-twice",
                    subject_kind="file",
                    subject=path.name,
                    verdict=Verdict.REVIEW,
                    message=f"Another file named {path.name} stands in the record; both are used.",
                    remedy="If this one corrects the other, give it again with "
                    f"--in-place-of {other[:_SHOWN_DIGITS]}; else nothing.",
                    found=f"SHA-256 {sha256[:_SHOWN_DIGITS]}... and {other[:_SHOWN_DIGITS]}...",
                    required="one file of a name",
                )
            )

    def intake(self) -> Intake:
        """Give what was gathered."""
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
        CallError: the file to be replaced is unknown or ambiguous, or several files are to
            replace one.
        InputFileError: the mapping file cannot be used.
    """
    if replaced is not None and len(paths) != 1:
        raise CallError(
            "one-file-replaces-one",
            f"Found {len(paths)} files to replace {replaced}; required: one.",
            "Give the files one by one.",
        )
    kinds = {spec.kind for spec in specs}
    live = [entry for entry in record.received() if parse_body(entry.body)["table"] in kinds]
    history = [
        entry
        for entry in record.journal.entries(kind=FILE_RECEIVED)
        if parse_body(entry.body)["table"] in kinds
    ]
    taker = _Taker(
        record,
        specs=specs,
        columns=None if mapping is None else read_mapping(mapping),
        live=live,
        history=history,
        replaced=replaced,
    )
    for path in paths:
        progress.stage(f"reading {printable(path.name)}")
        taker.take(path)
    return taker.intake()


def _standing(table: TakenTable) -> str:
    if table.replaced:
        return "replaced earlier, not used"
    if not table.known:
        return "new" if table.rows_accepted or not table.rows_reported else "not used"
    return f"known already as {table.known_as}" if table.known_as else "known already"


def intake_table(intake: Intake) -> ReportTable:
    """Give the table of the files handed in now, for people."""
    return ReportTable(
        title="Files",
        headings=("File", "Holds", "Rows", "Used", "Reported", "Record"),
        rows=[
            (
                f"{one.file} ({one.sheet})" if one.sheet else one.file,
                one.table,
                number(one.rows_in, 0),
                number(one.rows_accepted, 0),
                number(one.rows_reported, 0),
                _standing(one),
            )
            for one in intake.tables
        ],
        align=("left", "left", "right", "right", "right", "left"),
    )
