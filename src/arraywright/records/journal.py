"""The journal: entries are appended and merged, never changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Literal, Self, TypeVar

import sqlalchemy as sa

from arraywright.errors import CallError, RecordError
from arraywright.findings import Finding
from arraywright.records.entry import (
    DEVICE_INTRODUCED,
    DEVICE_SUBJECT,
    FIRST_PREVIOUS_HASH,
    Entry,
    NamedFile,
    NewEntry,
    content_weakness,
    entry_hash,
    entry_uuid,
    entry_weakness,
    format_time,
    json_body,
    named_files,
    parse_body,
    parse_time,
    receipt_hash,
)
from arraywright.records.files import FileStore
from arraywright.records.identity import DeviceIdentity, signature_holds
from arraywright.records.schema import ENTRIES
from arraywright.records.store import Store
from arraywright.records.verify import JournalSeal, verify_store

__all__ = ["FILES_FOLDER", "Journal", "MergeOutcome", "MergeResult", "Sought", "entry_from_row"]

FILES_FOLDER: Final = "record-files"
"""Name of the folder of bulk data beside a record's file."""

_PAGE: Final = 5_000
_ROW: Final = tuple(ENTRIES.c)
_Item = TypeVar("_Item")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sought:
    """What to look for before appending: a live entry of this kind about this subject."""

    kind: str
    subject_kind: str
    subject: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MergeResult:
    """What came of one foreign entry.

    Attributes:
        uuid: UUID as the entry gave it.
        status: ``added``, ``already_there`` or ``refused``.
        reason: why it was refused, empty otherwise.
    """

    uuid: str
    status: Literal["added", "already_there", "refused"]
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MergeOutcome:
    """What came of a merge, one result per entry given, in that order."""

    results: tuple[MergeResult, ...]

    def count(self, status: Literal["added", "already_there", "refused"]) -> int:
        """Count the entries of one status."""
        return sum(result.status == status for result in self.results)

    @property
    def refused(self) -> tuple[MergeResult, ...]:
        """The refused entries with their reasons."""
        return tuple(result for result in self.results if result.status == "refused")


@dataclass(slots=True)
class _Tip:
    """Where the journal ends while rows are being made."""

    server_order: int
    receipt: bytes


class Journal:
    """An append-only record of signed entries.

    Two programs may use one journal at the same time; writers wait for each other. A journal
    object itself belongs to one thread at a time.
    """

    def __init__(
        self,
        store: Store,
        *,
        device: DeviceIdentity,
        person: str,
        now: Callable[[], datetime],
        files: FileStore | None,
    ) -> None:
        """Use an open store; ``Journal.open`` is what programs call."""
        self.store = store
        self.files = files
        self.device = device
        self.person = person
        self._now = now

    @classmethod
    def open(
        cls,
        path_or_url: str | Path,
        *,
        device: DeviceIdentity,
        person: str,
        now: Callable[[], datetime],
        files: FileStore | None = None,
        create: bool = True,
        busy_timeout_s: float = 30.0,
    ) -> Journal:
        """Open a journal, making it when it is not there; nothing is appended by opening.

        Args:
            path_or_url: a file, usually ``record.sqlite`` in the site folder, or a URL
                ``postgresql://...``.
            device: who signs.
            person: who makes the entries.
            now: the clock, giving a time with its zone.
            files: where bulk data lie; ``record-files`` beside a file when None.
            create: make the journal when it is not there.
            busy_timeout_s: how long to wait for another program that is writing [s].

        Raises:
            CallError: the address is of no known kind, or the person's name cannot be used.
            MachineError: no access, locked for too long, no room, no driver.
            RecordError: not there (``create`` False), damaged, not a record, another version.
        """
        probe = NewEntry(kind="person", subject_kind="person", subject=person, body=b"{}")
        if weakness := content_weakness(probe):
            raise CallError(
                "person-name",
                f"Found {person!r} as the person: {weakness.replace('subject', 'the name')}.",
                "Give the name of the person who makes the entries.",
            )
        store = Store.open(path_or_url, create=create, busy_timeout_s=busy_timeout_s)
        if files is None and store.folder is not None:
            files = FileStore(store.folder / FILES_FOLDER)
        return cls(store, device=device, person=person, now=now, files=files)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the database."""
        self.store.close()

    def append(self, entries: Sequence[NewEntry], *, unless: Sought | None = None) -> list[Entry]:
        """Sign entries and append them in one transaction, all or nothing.

        The device's first entry in a journal introduces its public key and is written with them
        (it is not in the list returned). When the call returns, the entries are on the disk.

        Args:
            entries: what to append, in this order; all get the same device time.
            unless: append nothing when such a live entry is there already. Looked for in the
                same transaction, so that repeating a command, even from two programs at once,
                doubles nothing.

        Returns:
            The entries as written; an empty list when ``unless`` was found.

        Raises:
            RecordError: an entry's form is wrong, it names a file that is not stored, or it
                corrects an entry that is unknown or corrected already.
            MachineError: locked for too long, no room, no access.
        """
        for position, new in enumerate(entries, start=1):
            self._check_new(new, position)
        if not entries:
            return []
        moment = format_time(self._now())
        with self.store.write() as connection:
            if unless is not None and _is_there(connection, unless):
                return []
            self._check_superseded(connection, entries)
            head = connection.execute(
                sa.select(ENTRIES.c.sequence, ENTRIES.c.entry_hash)
                .where(ENTRIES.c.device == self.device.device)
                .order_by(ENTRIES.c.sequence.desc(), ENTRIES.c.entry_hash)
                .limit(1)
            ).one_or_none()
            sequence, previous = (head[0], bytes(head[1])) if head else (0, FIRST_PREVIOUS_HASH)
            to_write = list(entries) if head else [self._introduction(), *entries]
            tip = _read_tip(connection)
            written: list[Entry] = []
            for page in _pages(to_write):
                rows = []
                for new in page:
                    sequence += 1
                    row = self._signed_row(new, sequence=sequence, moment=moment, previous=previous)
                    previous = row["entry_hash"]
                    rows.append(_received(row, tip=tip, moment=moment))
                    written.append(entry_from_row(row))
                connection.execute(ENTRIES.insert(), rows)
        return written if head else written[1:]

    def merge(self, entries: Iterable[Entry]) -> MergeOutcome:
        """Add entries of other devices, in any order and as often as one likes.

        Each entry is checked by itself: form, hash, UUID and signature; the device's entry
        before it may arrive later. Entries are written in transactions of 5,000; when a merge
        is interrupted, repeat it.

        Raises:
            MachineError: locked for too long, no room, no access.
        """
        results: list[MergeResult] = []
        for page in _pages(entries):
            with self.store.write() as connection:
                results.extend(self._merge_page(connection, page))
        return MergeOutcome(results=tuple(results))

    def entries(
        self,
        *,
        kind: str | None = None,
        subject_kind: str | None = None,
        subject: str | None = None,
        after: int = 0,
        at_once: int = _PAGE,
    ) -> Iterator[Entry]:
        """Give entries in server order, superseded ones too.

        Args:
            kind: only this kind.
            subject_kind: only about this kind of subject.
            subject: only about this subject.
            after: only those with a greater server order: a cursor that misses nothing.
            at_once: how many are read in one transaction.

        Raises:
            RecordError: the record is damaged.
        """
        return self._select(_matching(kind, subject_kind, subject), after, at_once)

    def live(
        self,
        *,
        kind: str | None = None,
        subject_kind: str | None = None,
        subject: str | None = None,
        after: int = 0,
    ) -> Iterator[Entry]:
        """Give the entries that no other entry supersedes, in server order.

        Arguments and errors as for ``entries``.
        """
        return self._select([*_matching(kind, subject_kind, subject), ~is_superseded()], after)

    def find(self, uuid: str) -> Entry | None:
        """Give the entry with a UUID, None when it is not here."""
        with self.store.read() as connection:
            row = (
                connection.execute(sa.select(*_ROW).where(ENTRIES.c.uuid == uuid))
                .mappings()
                .one_or_none()
            )
        return None if row is None else entry_from_row(row)

    def seal(self) -> JournalSeal:
        """Give the count of entries and the last receipt, which together pin the whole journal.

        Written down elsewhere, for example in a handover dossier, they show years later that
        nothing up to here was changed, removed or put in between; see ``verify``.
        """
        with self.store.read() as connection:
            tip = _read_tip(connection)
        return JournalSeal(entries=tip.server_order, receipt=tip.receipt.hex())

    def missing_files(self) -> list[NamedFile]:
        """List the files that entries name and that are not stored here yet, each once."""
        wanted: dict[str, NamedFile] = {}
        for entry in self.entries():
            for named in named_files(parse_body(entry.body)):
                if self.files is None or not self.files.has(named):
                    wanted.setdefault(named.sha256, named)
        return list(wanted.values())

    def verify(self, *, seal: JournalSeal | None = None) -> list[Finding]:
        """Check everything: form, hashes, signatures, chains, gaps, receipts, guards, files.

        Args:
            seal: what ``seal`` gave earlier; that state must still be the beginning of the
                journal.

        Returns:
            Failing and doubtful findings, and one that passes per device and for the files.
            ``worst_verdict`` of them is pass only when everything verified.
        """
        return verify_store(self.store, files=self.files, seal=seal)

    def _check_new(self, new: NewEntry, position: int) -> None:
        weakness = content_weakness(new)
        if not weakness and new.kind == DEVICE_INTRODUCED:
            weakness = f"the kind {DEVICE_INTRODUCED} is written by the journal itself"
        if not weakness:
            for named in named_files(parse_body(new.body)):
                if self.files is None or not self.files.has(named):
                    weakness = f"it names the file {named.name or named.sha256}, not stored here"
        if weakness:
            raise RecordError(
                "entry-refused",
                f"Entry {position} of {new.subject_kind} {new.subject} is refused: {weakness}.",
                "Correct it and append again: nothing was written.",
            )

    def _check_superseded(self, connection: sa.Connection, entries: Sequence[NewEntry]) -> None:
        taken: set[str] = set()
        for new in entries:
            if new.supersedes is None:
                continue
            known = connection.execute(
                sa.select(is_superseded()).where(ENTRIES.c.uuid == new.supersedes)
            ).scalar()
            if known is None:
                raise RecordError(
                    "supersedes-unknown",
                    f"The entry {new.supersedes} that {new.subject_kind} {new.subject} is to "
                    "correct is not in this record.",
                    "Synchronise first, or name the entry that is to be corrected.",
                )
            if known or new.supersedes in taken:
                raise RecordError(
                    "superseded-already",
                    f"The entry {new.supersedes} of {new.subject_kind} {new.subject} has been "
                    "corrected already.",
                    "Look at the newer entry and correct that one if it is wrong too.",
                )
            taken.add(new.supersedes)

    def _introduction(self) -> NewEntry:
        fields = {
            "algorithm": "Ed25519",
            "label": self.device.label,
            "public_key": self.device.device,
        }
        return NewEntry(
            kind=DEVICE_INTRODUCED,
            subject_kind=DEVICE_SUBJECT,
            subject=self.device.device,
            body=json_body(fields),
        )

    def _signed_row(
        self, new: NewEntry, *, sequence: int, moment: str, previous: bytes
    ) -> dict[str, Any]:
        signed = entry_hash(
            device=self.device.device,
            sequence=sequence,
            person=self.person,
            device_time=moment,
            kind=new.kind,
            subject_kind=new.subject_kind,
            subject=new.subject,
            supersedes=new.supersedes,
            previous_hash=previous,
            body=new.body,
        )
        return {
            "uuid": entry_uuid(signed),
            "device": self.device.device,
            "sequence": sequence,
            "person": self.person,
            "device_time": moment,
            "kind": new.kind,
            "subject_kind": new.subject_kind,
            "subject": new.subject,
            "supersedes": new.supersedes,
            "body": new.body,
            "previous_hash": previous,
            "entry_hash": signed,
            "signature": self.device.sign(signed),
        }

    def _merge_page(self, connection: sa.Connection, page: list[Entry]) -> list[MergeResult]:
        weaknesses = [entry_weakness(entry) for entry in page]
        sound = [entry for entry, weakness in zip(page, weaknesses, strict=True) if not weakness]
        there = _signatures_there(connection, [entry.uuid for entry in sound])
        tip = _read_tip(connection)
        moment = format_time(self._now())
        rows: list[dict[str, Any]] = []
        results = []
        for entry, found in zip(page, weaknesses, strict=True):
            weakness = found
            known = None if weakness else there.get(entry.uuid)
            if (
                not weakness
                and known != entry.signature
                and not signature_holds(
                    entry.device, entry_hash=entry.entry_hash, signature=entry.signature
                )
            ):
                weakness = "the signature is not that of the device"
            if weakness:
                results.append(MergeResult(uuid=str(entry.uuid), status="refused", reason=weakness))
            elif known is not None:
                results.append(MergeResult(uuid=entry.uuid, status="already_there"))
            else:
                there[entry.uuid] = entry.signature
                rows.append(_received(_row_of(entry), tip=tip, moment=moment))
                results.append(MergeResult(uuid=entry.uuid, status="added"))
        if rows:
            connection.execute(ENTRIES.insert(), rows)
        return results

    def _select(
        self, conditions: list[sa.ColumnElement[bool]], after: int, at_once: int = _PAGE
    ) -> Iterator[Entry]:
        # One short transaction per page: no reader holds back the database for long, and
        # nothing can be missed because nothing is ever put in before the cursor.
        while True:
            with self.store.read() as connection:
                rows = (
                    connection.execute(
                        sa.select(*_ROW)
                        .where(ENTRIES.c.server_order > after, *conditions)
                        .order_by(ENTRIES.c.server_order)
                        .limit(at_once)
                    )
                    .mappings()
                    .all()
                )
            for row in rows:
                yield entry_from_row(row)
            if len(rows) < at_once:
                return
            after = rows[-1]["server_order"]


def is_superseded(up_to: int | None = None) -> sa.ColumnElement[bool]:
    """Give the SQL condition that some entry supersedes a row of ``ENTRIES``."""
    newer = ENTRIES.alias("newer")
    query = sa.select(sa.literal(1)).where(newer.c.supersedes == ENTRIES.c.uuid)
    if up_to is not None:
        query = query.where(newer.c.server_order <= up_to)
    return query.correlate(ENTRIES).exists()


def entry_from_row(row: Mapping[Any, Any]) -> Entry:
    """Make an entry from a mapping of all columns of ``ENTRIES``.

    Raises:
        RecordError: the row cannot be read, so the record is damaged.
    """
    try:
        return Entry(
            uuid=row["uuid"],
            device=row["device"],
            sequence=row["sequence"],
            person=row["person"],
            device_time=parse_time(row["device_time"]),
            kind=row["kind"],
            subject_kind=row["subject_kind"],
            subject=row["subject"],
            body=bytes(row["body"]),
            previous_hash=bytes(row["previous_hash"]),
            entry_hash=bytes(row["entry_hash"]),
            signature=bytes(row["signature"]),
            supersedes=row["supersedes"],
            received_time=parse_time(row["received_time"]),
            server_order=row["server_order"],
        )
    except (ValueError, TypeError) as error:
        raise RecordError(
            "record-damaged",
            f"Entry {row['server_order']} of the record cannot be read: {error}.",
            "Verify the record to see what else is damaged, then restore a copy.",
        ) from error


def _row_of(entry: Entry) -> dict[str, Any]:
    return {
        "uuid": entry.uuid,
        "device": entry.device,
        "sequence": entry.sequence,
        "person": entry.person,
        "device_time": format_time(entry.device_time),
        "kind": entry.kind,
        "subject_kind": entry.subject_kind,
        "subject": entry.subject,
        "supersedes": entry.supersedes,
        "body": entry.body,
        "previous_hash": entry.previous_hash,
        "entry_hash": entry.entry_hash,
        "signature": entry.signature,
    }


def _received(row: dict[str, Any], *, tip: _Tip, moment: str) -> dict[str, Any]:
    tip.server_order += 1
    tip.receipt = receipt_hash(
        server_order=tip.server_order,
        received_time=moment,
        entry=row["entry_hash"],
        signature=row["signature"],
        previous_receipt=tip.receipt,
    )
    row["server_order"] = tip.server_order
    row["received_time"] = moment
    row["receipt"] = tip.receipt
    return row


def _read_tip(connection: sa.Connection) -> _Tip:
    last = connection.execute(
        sa.select(ENTRIES.c.server_order, ENTRIES.c.receipt)
        .order_by(ENTRIES.c.server_order.desc())
        .limit(1)
    ).one_or_none()
    return _Tip(0, bytes(32)) if last is None else _Tip(last[0], bytes(last[1]))


def _signatures_there(connection: sa.Connection, uuids: list[str]) -> dict[str, bytes]:
    there = {}
    for start in range(0, len(uuids), 500):
        query = sa.select(ENTRIES.c.uuid, ENTRIES.c.signature).where(
            ENTRIES.c.uuid.in_(uuids[start : start + 500])
        )
        there.update({uuid: bytes(signature) for uuid, signature in connection.execute(query)})
    return there


def _is_there(connection: sa.Connection, sought: Sought) -> bool:
    conditions = _matching(sought.kind, sought.subject_kind, sought.subject)
    query = sa.select(sa.literal(1)).select_from(ENTRIES)
    return (
        connection.execute(query.where(*conditions, ~is_superseded()).limit(1)).first() is not None
    )


def _matching(
    kind: str | None, subject_kind: str | None, subject: str | None
) -> list[sa.ColumnElement[bool]]:
    conditions: list[sa.ColumnElement[bool]] = []
    if subject is not None:
        conditions.append(ENTRIES.c.subject == subject)
    if subject_kind is not None:
        conditions.append(ENTRIES.c.subject_kind == subject_kind)
    if kind is not None:
        # A subject has few entries, a kind may have millions: with both given the database must
        # not walk the kind, which it does when the column stands alone.
        column = ENTRIES.c.kind if subject is None else sa.func.coalesce(ENTRIES.c.kind, "")
        conditions.append(column == kind)
    return conditions


def _pages(items: Iterable[_Item]) -> Iterator[list[_Item]]:
    remaining = iter(items)
    while page := list(islice(remaining, _PAGE)):
        yield page
