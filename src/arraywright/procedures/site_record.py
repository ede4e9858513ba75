"""A site folder opened: its description, its record, and the tables handed in so far."""

from __future__ import annotations

import hashlib
import io
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import polars as pl

from arraywright import __version__
from arraywright.errors import InputFileError, MachineError, RecordError
from arraywright.findings import Finding, Place, Verdict
from arraywright.plant import Site
from arraywright.readers.site import SiteReading, read_site
from arraywright.records.entry import Entry, NewEntry, json_body, named_files, parse_body
from arraywright.records.files import FileStore
from arraywright.records.identity import DeviceIdentity
from arraywright.records.journal import FILES_FOLDER, Journal, Sought
from arraywright.tables import TableSpec

__all__ = [
    "FILE_RECEIVED",
    "FILE_WITHDRAWN",
    "RECORD_FILE",
    "RECORD_URL_VARIABLE",
    "DescriptionError",
    "SiteRecord",
    "checked_reading",
    "digest_of",
    "finding_from_dict",
    "open_site",
    "record_place",
]

RECORD_FILE: Final = "record.sqlite"
RECORD_URL_VARIABLE: Final = "ARRAYWRIGHT_RECORD_URL"
"""Environment variable that names the PostgreSQL server of a site's record."""

OUT_FOLDER: Final = "out"
FILE_RECEIVED: Final = "file_received"
FILE_WITHDRAWN: Final = "file_withdrawn"


class DescriptionError(InputFileError):
    """The site description has mistakes; all of them are in ``findings``."""

    def __init__(self, message: str, findings: tuple[Finding, ...]) -> None:
        super().__init__(
            "site-description-refused", message, "Correct the places named and repeat the command."
        )
        self.findings = findings


def finding_from_dict(held: Mapping[str, Any]) -> Finding:
    """Give back a finding that was stored as plain data."""
    fields = dict(held)
    if isinstance(fields.get("place"), dict):
        fields["place"] = Place(**fields["place"])
    fields["verdict"] = Verdict(fields["verdict"])
    return Finding(**fields)


def _changed(entry: Entry, name: str) -> RecordError:
    return RecordError(
        "record-file-changed",
        f"The file {name} that the entry {entry.uuid} ({entry.kind}) names cannot be read.",
        "Copy it from another copy of the site folder; arraywright verify tells what is changed.",
    )


def _frame_bytes(frame: pl.DataFrame) -> bytes:
    plain = frame.with_columns(pl.col(pl.Categorical).cast(pl.String))
    buffer = io.BytesIO()
    plain.write_parquet(buffer, compression="zstd", statistics=False)
    return buffer.getvalue()


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteRecord:
    """An open site folder.

    Attributes:
        folder: the site folder.
        site: the description.
        description_findings: what reading the description noted, mistakes excluded.
        description_inputs: name and SHA-256 of each file of the description.
        journal: the open journal.
        files: the bulk data beside it.
        now: the clock.
    """

    folder: Path
    site: Site
    description_findings: tuple[Finding, ...]
    description_inputs: tuple[tuple[str, str], ...]
    journal: Journal
    files: FileStore
    now: Callable[[], datetime]

    @property
    def out(self) -> Path:
        """The folder for what is written for people; made when it is not there."""
        path = self.folder / OUT_FOLDER
        try:
            path.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise MachineError(
                "folder-not-writable",
                f"The folder {path} cannot be made: {error.strerror or error}.",
                "Check that nothing else has this name and that you may write there.",
            ) from error
        return path

    @property
    def description_sha256(self) -> str:
        """One digest over all files of the description."""
        return digest_of([f"{name} {sha}" for name, sha in self.description_inputs])

    def store_frame(self, name: str, frame: pl.DataFrame) -> dict[str, object]:
        """Store rows as Parquet; give what an entry's ``files`` says of them."""
        return self.store_bytes(f"{name}.parquet", _frame_bytes(frame))

    def store_bytes(self, name: str, data: bytes) -> dict[str, object]:
        """Store bytes; give what an entry's ``files`` says of them."""
        stored = self.files.put_bytes(data)
        return {"name": name, "sha256": stored.sha256, "size": stored.size}

    def store_findings(self, findings: Sequence[Finding]) -> dict[str, object]:
        """Store findings as JSON; give what an entry's ``files`` says of them."""
        text = json.dumps([finding.as_dict() for finding in findings], ensure_ascii=False)
        return self.store_bytes("findings.json", text.encode())

    def _path_of(self, entry: Entry, name: str) -> Path:
        for named in named_files(parse_body(entry.body)):
            if named.name == name:
                if not self.files.has(named):
                    raise RecordError(
                        "record-file-missing",
                        f"The file {name} that the entry {entry.uuid} ({entry.kind}) names is not "
                        f"in {self.files.folder}, or not whole.",
                        "Copy it from another copy of the site folder; arraywright verify lists "
                        "all that are missing.",
                    )
                return self.files.path(named.sha256)
        raise InputFileError(
            "record-file-not-named",
            f"The entry {entry.uuid} ({entry.kind}) names no file {name}.",
            "Check the record with: arraywright verify.",
        )

    def load_frame(self, entry: Entry, name: str) -> pl.DataFrame:
        """Read rows an entry names.

        Raises:
            RecordError: the stored file is missing or changed.
        """
        path = self._path_of(entry, f"{name}.parquet")
        try:
            return pl.read_parquet(path)
        except (pl.exceptions.PolarsError, OSError) as error:
            raise _changed(entry, name) from error

    def load_bytes(self, entry: Entry, name: str) -> bytes:
        """Read a file an entry names, as it was stored.

        Raises:
            RecordError: the stored file is missing or changed.
        """
        path = self._path_of(entry, name)
        try:
            return path.read_bytes()
        except OSError as error:
            raise _changed(entry, name) from error

    def scan_frame(self, entry: Entry, name: str) -> pl.LazyFrame:
        """Read rows an entry names, lazily."""
        return pl.scan_parquet(self._path_of(entry, f"{name}.parquet"))

    def load_findings(self, entry: Entry) -> tuple[Finding, ...]:
        """Read the findings an entry names.

        Raises:
            RecordError: the stored file is missing or changed.
        """
        path = self._path_of(entry, "findings.json")
        try:
            return tuple(finding_from_dict(one) for one in json.loads(path.read_bytes()))
        except (ValueError, TypeError, KeyError, OSError) as error:
            raise _changed(entry, "findings") from error

    def latest(self, kind: str) -> Entry | None:
        """Give the newest live entry of a kind about this site, or None."""
        newest = None
        for entry in self.journal.live(kind=kind):
            newest = entry
        return newest

    def received(self, spec: TableSpec | None = None) -> list[Entry]:
        """Give the live entries of files handed in, of one kind of table or of all."""
        entries = list(self.journal.live(kind=FILE_RECEIVED))
        if spec is None:
            return entries
        return [entry for entry in entries if parse_body(entry.body)["table"] == spec.kind]

    def rows(self, spec: TableSpec, *, entries: Sequence[Entry] | None = None) -> pl.DataFrame:
        """Give all rows of one kind of table handed in so far, under the table's schema."""
        chosen = self.received(spec) if entries is None else entries
        frames = [self.load_frame(entry, "rows") for entry in chosen]
        if not frames:
            return spec.empty()
        return pl.concat([spec.completed(frame) for frame in frames], how="vertical")

    def new_result(
        self,
        kind: str,
        *,
        inputs: Sequence[str],
        frames: Mapping[str, pl.DataFrame],
        findings: Sequence[Finding],
        summary: Mapping[str, object],
        previous: Entry | None,
    ) -> NewEntry:
        """Make the entry of a result: its inputs' digest, its tables, its findings."""
        listed = self.store_bytes("inputs.json", json.dumps(sorted(inputs)).encode())
        body = {
            "software": f"arraywright {__version__}",
            "inputs_sha256": digest_of(inputs),
            "summary": dict(summary),
            "files": [
                listed,
                self.store_findings(findings),
                *(self.store_frame(name, frame) for name, frame in frames.items()),
            ],
        }
        return NewEntry(
            kind=kind,
            subject_kind="site",
            subject=self.site.name,
            body=json_body(body),
            supersedes=None if previous is None else previous.uuid,
        )

    def append_result(
        self, entries: Sequence[NewEntry], *, kind: str, previous: Entry | None
    ) -> Entry:
        """Append entries of which the last is a result of a kind; give that one.

        Two commands at the same moment never both append a result on the same ground: whoever
        comes second is refused and has to look at the record again.

        Raises:
            RecordError: another command was first (``superseded-already``).
            MachineError: the record cannot be written.
        """
        first = Sought(kind=kind, subject_kind="site", subject=self.site.name)
        written = self.journal.append(entries, unless=first if previous is None else None)
        if not written:
            raise RecordError(
                "superseded-already",
                "Another command recorded a result at the same moment.",
                "Repeat the command.",
            )
        return written[-1]


def digest_of(inputs: Sequence[str]) -> str:
    """Give one digest of a set of inputs, whatever their order."""
    return hashlib.sha256(json.dumps(sorted(inputs)).encode()).hexdigest()


def record_place(folder: Path) -> str | Path:
    """Give where a site's record is: the server that the environment names, else the folder."""
    return os.environ.get(RECORD_URL_VARIABLE) or folder / RECORD_FILE


def checked_reading(folder: Path, reading: SiteReading | None = None) -> tuple[SiteReading, Site]:
    """Read a site's description and give it with its site, when nothing in it is wrong.

    Raises:
        DescriptionError: the description has mistakes; all of them are told.
        InputFileError: there is no site description.
    """
    reading = read_site(folder) if reading is None else reading
    wrong = tuple(one for one in reading.findings if one.verdict is Verdict.FAIL)
    if reading.site is None or wrong:
        raise DescriptionError(
            f"The description in {folder} has {len(wrong)} "
            f"mistake{'s' if len(wrong) != 1 else ''}.",
            reading.findings,
        )
    return reading, reading.site


@contextmanager
def open_site(
    folder: Path,
    *,
    person: str,
    now: Callable[[], datetime],
    create: bool = True,
    reading: SiteReading | None = None,
) -> Iterator[SiteRecord]:
    """Open a site folder for a piece of work.

    Args:
        folder: the site folder.
        person: who does the work.
        now: the clock.
        create: whether a record is made where there is none.
        reading: the description, when it has just been read.

    Raises:
        DescriptionError: the description has mistakes; all of them are told.
        InputFileError: there is no site description.
        MachineError: the folder or the record cannot be read or written.
    """
    reading, site = checked_reading(folder, reading)
    files = FileStore(folder / FILES_FOLDER)
    with Journal.open(
        record_place(folder),
        device=DeviceIdentity.load_or_create(),
        person=person,
        now=now,
        files=files,
        create=create,
    ) as journal:
        yield SiteRecord(
            folder=folder,
            site=site,
            description_findings=reading.findings,
            description_inputs=reading.inputs,
            journal=journal,
            files=files,
            now=now,
        )
