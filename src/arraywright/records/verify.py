"""Checking a record: every hash, signature, chain, receipt, guard and file."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import sqlalchemy as sa

from arraywright.errors import RecordError
from arraywright.findings import Finding, Verdict
from arraywright.records.entry import (
    Entry,
    NamedFile,
    entry_weakness,
    format_time,
    named_files,
    parse_body,
    parse_time,
    receipt_hash,
)
from arraywright.records.files import FileStore
from arraywright.records.identity import signature_holds
from arraywright.records.schema import ENTRIES, GUARDS
from arraywright.records.store import Store

__all__ = ["JournalSeal", "verify_store"]

_PAGE: Final = 5_000
_HASHES: Final = "fips-180-4 6.2"
_SIGNATURES: Final = "rfc-8032 5.1.7"
_RESTORE: Final = "Keep this file as it is, restore a copy and merge what other devices hold."


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalSeal:
    """What pins a whole journal at one moment.

    Attributes:
        entries: how many entries it held.
        receipt: the last receipt, 64 lower-case hexadecimal digits.
    """

    entries: int
    receipt: str


def verify_store(
    store: Store, *, files: FileStore | None, seal: JournalSeal | None
) -> list[Finding]:
    """Check a whole record; ``Journal.verify`` is what programs call.

    Raises:
        MachineError: the machine or server failed while reading.
    """
    check = _Check(store=store, files=files, seal=seal)
    try:
        with store.read() as connection:
            check.run(connection)
    except RecordError as error:
        check.findings.append(_finding("record-damaged", store.place, error.message, _RESTORE))
    return check.findings


def _finding(
    check: str,
    subject: str,
    message: str,
    remedy: str,
    *,
    verdict: Verdict = Verdict.FAIL,
    basis: str = _HASHES,
    kind: str = "entry",
) -> Finding:
    return Finding(
        check=check,
        subject_kind=kind,
        subject=subject,
        verdict=verdict,
        message=message,
        remedy=remedy,
        basis=basis,
    )


class _Check:
    """One run over one record."""

    def __init__(self, *, store: Store, files: FileStore | None, seal: JournalSeal | None) -> None:
        self.store = store
        self.files = files
        self.seal = seal
        self.findings: list[Finding] = []
        self.counts: dict[str, int] = {}
        self.named: dict[NamedFile, str] = {}

    def run(self, connection: sa.Connection) -> None:
        """Check everything in one read transaction."""
        self._check_database(connection)
        self._check_guards(connection)
        self._check_rows(connection)
        self._check_chains(connection)
        self._check_forks(connection)
        self._check_superseded(connection)
        self._check_files()
        failed = any(finding.verdict is Verdict.FAIL for finding in self.findings)
        if not failed:
            self._say_what_passed()

    def _check_database(self, connection: sa.Connection) -> None:
        if self.store.dialect != "sqlite":
            return
        said = [
            str(row[0])
            for row in connection.exec_driver_sql("PRAGMA integrity_check(20)")
            if row[0] != "ok"
        ]
        for line in said:
            self.findings.append(
                _finding(
                    "record-damaged",
                    self.store.place,
                    f"The database itself is damaged: {line}",
                    _RESTORE,
                    kind="file",
                    basis="",
                )
            )

    def _check_guards(self, connection: sa.Connection) -> None:
        if self.store.dialect == "sqlite":
            query = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        else:
            query = (
                "SELECT tgname FROM pg_trigger WHERE tgrelid = 'record_entries'::regclass "
                "AND tgenabled <> 'D'"
            )
        there = {str(row[0]) for row in connection.exec_driver_sql(query)}
        for name in sorted(set(GUARDS) - there):
            self.findings.append(
                _finding(
                    "record-guards",
                    name,
                    f"The guard {name} that refuses changes has been removed from the database.",
                    "Find out who opened the database with another program, and why.",
                    kind="file",
                    basis="",
                )
            )

    def _check_rows(self, connection: sa.Connection) -> None:
        previous_receipt = bytes(32)
        expected_order = 1
        for row in _rows(connection):
            order = row["server_order"]
            weakness = _row_weakness(row)
            if not weakness and not signature_holds(
                row["device"], entry_hash=row["entry_hash"], signature=row["signature"]
            ):
                weakness = "the signature is not that of the device"
            if weakness:
                self.findings.append(
                    _finding(
                        "record-entry",
                        _shown(row["uuid"]),
                        f"Entry {order} of the record does not verify: {_shown(weakness)}.",
                        _RESTORE,
                        basis=_SIGNATURES if "signature" in weakness else _HASHES,
                    )
                )
            else:
                self.counts[row["device"]] = self.counts.get(row["device"], 0) + 1
                for named in named_files(parse_body(row["body"])):
                    self.named.setdefault(named, row["uuid"])
            previous_receipt = self._check_receipt(row, expected_order, previous_receipt)
            expected_order += 1
        if self.seal is not None and self.seal.entries >= expected_order:
            self.findings.append(
                _finding(
                    "record-seal",
                    self.store.place,
                    f"The seal tells of {self.seal.entries} entries, the record holds "
                    f"{expected_order - 1}: entries were removed.",
                    _RESTORE,
                    kind="file",
                )
            )

    def _check_receipt(
        self, row: dict[str, Any], expected_order: int, previous_receipt: bytes
    ) -> bytes:
        order = row["server_order"]
        receipt: bytes = row["receipt"]
        if order != expected_order and not any(
            finding.check == "record-order" for finding in self.findings
        ):
            self.findings.append(
                _finding(
                    "record-order",
                    _shown(row["uuid"]),
                    f"Found server order {order} where {expected_order} is due: an entry was "
                    "removed or renumbered.",
                    _RESTORE,
                )
            )
        expected = receipt_hash(
            server_order=order,
            received_time=row["received_time"],
            entry=row["entry_hash"],
            signature=row["signature"],
            previous_receipt=previous_receipt,
        )
        if receipt != expected:
            self.findings.append(
                _finding(
                    "record-receipt",
                    _shown(row["uuid"]),
                    f"The receipt of entry {order} does not follow from it and the one before: "
                    "its order, its time of arrival or its neighbours were changed.",
                    _RESTORE,
                )
            )
        if (
            self.seal is not None
            and order == self.seal.entries
            and receipt.hex() != self.seal.receipt
        ):
            self.findings.append(
                _finding(
                    "record-seal",
                    self.store.place,
                    f"The receipt of entry {order} is not the one in the seal: the record is "
                    "not the one that was sealed, or was changed before that entry.",
                    _RESTORE,
                    kind="file",
                )
            )
        return receipt

    def _check_chains(self, connection: sa.Connection) -> None:
        before = ENTRIES.alias("before")
        held = ENTRIES.alias("held")
        linked = (
            sa.select(sa.literal(1))
            .where(
                before.c.entry_hash == ENTRIES.c.previous_hash,
                before.c.device == ENTRIES.c.device,
                before.c.sequence == ENTRIES.c.sequence - 1,
            )
            .correlate(ENTRIES)
            .exists()
        )
        last_before = (
            sa.select(sa.func.max(held.c.sequence))
            .where(held.c.device == ENTRIES.c.device, held.c.sequence < ENTRIES.c.sequence)
            .correlate(ENTRIES)
            .scalar_subquery()
        )
        query = (
            sa.select(ENTRIES.c.uuid, ENTRIES.c.device, ENTRIES.c.sequence, last_before)
            .where(ENTRIES.c.sequence > 1, ~linked)
            .order_by(ENTRIES.c.device, ENTRIES.c.sequence)
        )
        for uuid, device, sequence, last in connection.execute(query):
            first_missing = (last or 0) + 1
            if first_missing < sequence:
                check = "record-gap"
                missing = (
                    f"entry {first_missing} is"
                    if first_missing == sequence - 1
                    else f"entries {first_missing} to {sequence - 1} are"
                )
                message = (
                    f"Of device {_shown(device)[:8]} {missing} missing before its entry "
                    f"{sequence}: not yet synchronised, or removed."
                )
                remedy = (
                    "Synchronise that device again, or merge another copy of the record; if none "
                    "holds them, the record is not complete."
                )
            else:
                check = "record-chain"
                message = (
                    f"Entry {sequence} of device {_shown(device)[:8]} does not follow from that "
                    "device's entry before it."
                )
                remedy = _RESTORE
            self.findings.append(_finding(check, _shown(uuid), message, remedy))

    def _check_forks(self, connection: sa.Connection) -> None:
        query = (
            sa.select(ENTRIES.c.device, ENTRIES.c.sequence, sa.func.count())
            .group_by(ENTRIES.c.device, ENTRIES.c.sequence, ENTRIES.c.previous_hash)
            .having(sa.func.count() > 1)
            .order_by(ENTRIES.c.device, ENTRIES.c.sequence)
        )
        for device, sequence, count in connection.execute(query):
            self.findings.append(
                _finding(
                    "record-fork",
                    _shown(device),
                    f"Device {_shown(device)[:8]} wrote {count} different entries with number "
                    f"{sequence}: its record was copied or restored, and both were used.",
                    "Nothing is lost: both are kept. Use one copy of the record from now on, and "
                    "compare what the two tell.",
                    verdict=Verdict.REVIEW,
                    kind="device",
                )
            )

    def _check_superseded(self, connection: sa.Connection) -> None:
        corrected = ENTRIES.alias("corrected")
        there = (
            sa.select(sa.literal(1))
            .where(corrected.c.uuid == ENTRIES.c.supersedes)
            .correlate(ENTRIES)
            .exists()
        )
        query = (
            sa.select(ENTRIES.c.uuid, ENTRIES.c.supersedes)
            .where(ENTRIES.c.supersedes.is_not(None), ~there)
            .order_by(ENTRIES.c.uuid)
        )
        for uuid, supersedes in connection.execute(query):
            self.findings.append(
                _finding(
                    "record-correction",
                    _shown(uuid),
                    f"This entry corrects entry {_shown(supersedes)}, which is not here.",
                    "Synchronise the other devices, or merge another copy of the record.",
                    verdict=Verdict.REVIEW,
                    basis="",
                )
            )

    def _check_files(self) -> None:
        if not self.named:
            return
        if self.files is None:
            self.findings.append(
                _finding(
                    "record-files",
                    self.store.place,
                    f"The record names {len(self.named)} files, and no folder of files is known.",
                    "Give the folder where they lie.",
                    verdict=Verdict.NOT_ASSESSABLE,
                    kind="file",
                )
            )
            return
        found = [self.files.verify_one(named) for named in self.named]
        failed = [finding for finding in found if finding is not None]
        self.findings.extend(failed)
        if not failed:
            self.findings.append(
                Finding(
                    check="record-files",
                    subject_kind="file",
                    subject=str(self.files.folder),
                    verdict=Verdict.PASS,
                    message=f"All {len(found)} files that the record names are there, unchanged.",
                    value=float(len(found)),
                    basis=_HASHES,
                )
            )

    def _say_what_passed(self) -> None:
        for device, count in sorted(self.counts.items()):
            self.findings.append(
                Finding(
                    check="record-entries",
                    subject_kind="device",
                    subject=device,
                    verdict=Verdict.PASS,
                    message=f"All {count} entries of device {device[:8]} verify: hash, "
                    "signature and chain.",
                    value=float(count),
                    basis=_SIGNATURES,
                )
            )
        if not self.counts:
            self.findings.append(
                _finding(
                    "record-entries",
                    self.store.place,
                    "The record holds no entry yet.",
                    "",
                    verdict=Verdict.PASS,
                    kind="file",
                )
            )


def _rows(connection: sa.Connection) -> Iterator[dict[str, Any]]:
    after: int | None = None
    while True:
        query = sa.select(ENTRIES).order_by(ENTRIES.c.server_order).limit(_PAGE)
        if after is not None:
            query = query.where(ENTRIES.c.server_order > after)
        rows = connection.execute(query).mappings().all()
        for row in rows:
            held: dict[str, Any] = {str(name): row[name] for name in row}
            for name in ("body", "previous_hash", "entry_hash", "signature", "receipt"):
                held[name] = bytes(held[name])
            yield held
        if len(rows) < _PAGE:
            return
        after = rows[-1]["server_order"]


def _row_weakness(row: dict[str, Any]) -> str:
    try:
        device_time = parse_time(row["device_time"])
    except ValueError:
        return "the device time cannot be read"
    entry = Entry(
        uuid=row["uuid"],
        device=row["device"],
        sequence=row["sequence"],
        person=row["person"],
        device_time=device_time,
        kind=row["kind"],
        subject_kind=row["subject_kind"],
        subject=row["subject"],
        body=row["body"],
        previous_hash=row["previous_hash"],
        entry_hash=row["entry_hash"],
        signature=row["signature"],
        supersedes=row["supersedes"],
    )
    if format_time(device_time) != row["device_time"]:
        return "the device time is not written as the record writes times"
    with contextlib.suppress(ValueError):
        parse_time(row["received_time"])
        return entry_weakness(entry)
    return "the time of arrival cannot be read"


def _shown(text: str) -> str:
    """Make damaged text printable: bytes that are no UTF-8 become backslash sequences."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
