"""Backup and restore of a whole site while it is in use, verified before they are called done."""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from arraywright import __version__
from arraywright.errors import CallError, MachineError, RecordError
from arraywright.findings import Finding, Verdict, worst_verdict
from arraywright.procedures.exports import write_whole
from arraywright.procedures.report import Progress, Report
from arraywright.procedures.site_record import RECORD_FILE
from arraywright.records import (
    FILES_FOLDER,
    DeviceIdentity,
    FileStore,
    Journal,
    JournalSeal,
    Store,
    named_files,
    parse_body,
)
from arraywright.records.copying import copy_rows, copy_sqlite, copy_tables
from arraywright.records.people import PEOPLE_FILE, People
from arraywright.records.people_tables import people_tables
from arraywright.web.job_store import WORK_FOLDER

__all__ = ["MANIFEST", "backup", "restore"]

MANIFEST: Final = "backup.json"
"""Name of the file that lists what a backup holds."""

_FORMAT: Final = 1
_OWN: Final = (RECORD_FILE, PEOPLE_FILE)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Copied:
    """What was copied: SHA-256 by path, and how many bytes were written."""

    digests: dict[str, str]
    written: int


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def _as_machine_errors(what: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if isinstance(error, MachineError):
            raise
        raise MachineError(
            "copy-failed",
            f"{what} could not be copied: {error.strerror or error}.",
            "Check the room on the disk and your permission, and repeat.",
        ) from error


def _plain_files(folder: Path) -> Iterator[Path]:
    """Give the files of a site but databases, stored files, the server's work, half-written."""
    for path in sorted(folder.rglob("*")):
        inner = path.relative_to(folder)
        own = (
            inner.parts[0] in {FILES_FOLDER, WORK_FOLDER}
            or inner.name.startswith(_OWN)
            or path.is_symlink()
        )
        if path.is_file() and not path.is_symlink() and not own and not inner.name.startswith("."):
            yield path


def _copy_file(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    temporary = target.with_name(f".{target.name}.{secrets.token_hex(4)}")
    try:
        shutil.copyfile(source, temporary)
        temporary.replace(target)
    finally:
        temporary.unlink(missing_ok=True)


def _copy_plain(source: Path, target: Path) -> _Copied:
    digests, written = {}, 0
    for path in _plain_files(source):
        inner = path.relative_to(source)
        with _as_machine_errors(str(inner)):
            _copy_file(path, target / inner)
            written += path.stat().st_size
            digests[inner.as_posix()] = _sha256(target / inner)
    return _Copied(digests=digests, written=written)


def _copy_stored(source: Path, target: Path, names: set[str]) -> tuple[int, list[str]]:
    """Copy stored files that are not there yet; give bytes written, and what is missing."""
    here, there = FileStore(source / FILES_FOLDER), FileStore(target / FILES_FOLDER)
    written, missing = 0, []
    for sha256 in sorted(names):
        held = there.path(sha256)
        if held.is_file() and _sha256(held) == sha256:
            continue
        found = here.path(sha256)
        if not found.is_file():
            missing.append(sha256)
            continue
        stored = there.put_path(found)
        written += stored.size
        if stored.sha256 != sha256:
            missing.append(sha256)
    return written, missing


def _named(journal: Journal) -> set[str]:
    return {
        named.sha256 for entry in journal.entries() for named in named_files(parse_body(entry.body))
    }


def _journal(store: Store, files: Path, now: Callable[[], datetime]) -> Journal:
    # Nothing is signed: a key of its own for this look is enough.
    nobody = DeviceIdentity.from_seed(os.urandom(32))
    return Journal(store, device=nobody, person="backup", now=now, files=FileStore(files))


def _check_target(target: Path) -> None:
    known = target / MANIFEST
    if target.exists() and not target.is_dir():
        raise CallError("backup-target", f"{target} is no folder.", "Name a folder.")
    if target.is_dir() and any(target.iterdir()) and not known.is_file():
        raise CallError(
            "backup-target",
            f"The folder {target} holds something that is no backup.",
            "Name an empty folder, or an earlier backup of this site.",
        )


def _copy_databases(
    site: Path, target: Path, *, record_url: str | None, now: Callable[[], datetime]
) -> None:
    fresh = target / f".{secrets.token_hex(4)}"
    fresh.mkdir()
    try:
        if record_url is None:
            copy_sqlite(site / RECORD_FILE, fresh / RECORD_FILE)
            if (site / PEOPLE_FILE).is_file():
                copy_sqlite(site / PEOPLE_FILE, fresh / PEOPLE_FILE)
        else:
            here, there = Store.open(record_url, create=False), Store.open(fresh / RECORD_FILE)
            try:
                copy_rows(here, there)
            finally:
                here.close()
                there.close()
            ours = People.open(record_url, now=now)
            theirs = People.open(fresh / PEOPLE_FILE, now=now)
            try:
                copy_tables(ours, theirs, people_tables.sorted_tables)
            finally:
                ours.close()
                theirs.close()
        with _as_machine_errors("the record"):
            for name in _OWN:
                for old in target.glob(f"{name}*"):
                    old.unlink()
                if (fresh / name).is_file():
                    (fresh / name).chmod(0o600)
                    (fresh / name).replace(target / name)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def backup(
    site: Path,
    target: Path,
    *,
    record_url: str | None = None,
    now: Callable[[], datetime],
    progress: Progress,
) -> Report:
    """Copy a site into a folder while it is in use, and verify the copy.

    The record is copied as it stands at one moment; what is entered meanwhile comes with the next
    backup. Given an earlier backup, only files that are not in it yet are copied.

    Args:
        site: the site folder.
        target: a new or empty folder, or an earlier backup.
        record_url: the PostgreSQL server of the record, None for the record in the folder.
        now: the clock.
        progress: where stages are told.

    Raises:
        ArraywrightError: the call is wrong, or the machine failed.
    """
    if record_url is None and not (site / RECORD_FILE).is_file():
        raise RecordError(
            "record-missing", f"There is no record in {site}.", "Check the site folder."
        )
    _check_target(target)
    with _as_machine_errors("the backup"):
        target.mkdir(mode=0o700, parents=True, exist_ok=True)
    progress.stage("copying the record as it stands now")
    _copy_databases(site, target, record_url=record_url, now=now)
    progress.stage("copying the files that entries name")
    store = Store.open(target / RECORD_FILE, create=False)
    try:
        journal = _journal(store, target / FILES_FOLDER, now)
        written, missing = _copy_stored(site, target, _named(journal))
        progress.stage("copying description, inputs and documents")
        plain = _copy_plain(site, target)
        progress.stage("verifying the copy")
        seal = journal.seal()
        findings = tuple(journal.verify(seal=seal))
    finally:
        store.close()
    manifest = {
        "format": _FORMAT,
        "software": f"arraywright {__version__}",
        "made": now().isoformat(),
        "entries": seal.entries,
        "receipt": seal.receipt,
        "missing_files": missing,
        "files": plain.digests,
        "databases": {name: _sha256(target / name) for name in _OWN if (target / name).is_file()},
    }
    write_whole(target / MANIFEST, json.dumps(manifest, ensure_ascii=False, indent=1).encode())
    sound = worst_verdict(findings) is Verdict.PASS
    return Report(
        command="backup",
        site=site.name,
        summary=(
            "The backup is whole and verifies."
            if sound
            else "The backup was written, but the record in it does NOT verify; see the findings.",
            f"{seal.entries} entries, {written + plain.written} bytes copied to {target}.",
            f"Seal: {seal.entries} entries, {seal.receipt}.",
            "It holds the people's password hashes: keep it where only few can read it.",
        ),
        findings=findings,
        result={"entries": seal.entries, "receipt": seal.receipt, "target": str(target)},
        written=(target / MANIFEST,),
    )


def _read_manifest(source: Path) -> dict[str, Any]:
    try:
        held = json.loads((source / MANIFEST).read_text("utf-8"))
    except (OSError, ValueError) as error:
        raise CallError(
            "no-backup", f"{source} holds no backup.", "Name a folder that backup wrote."
        ) from error
    if not isinstance(held, dict) or held.get("format") != _FORMAT:
        raise CallError(
            "backup-format", f"{source} is of another format.", "Use the program that wrote it."
        )
    return held


def _changed_files(source: Path, manifest: dict[str, Any]) -> list[Finding]:
    listed: dict[str, str] = manifest["files"] | manifest["databases"]
    findings = []
    for name, sha256 in listed.items():
        path = source / name
        if not path.is_file() or _sha256(path) != sha256:
            findings.append(
                Finding(
                    check="backup-file",
                    subject_kind="file",
                    subject=name,
                    verdict=Verdict.FAIL,
                    message=f"The file {name} of the backup is missing or was changed.",
                    remedy="Use another backup.",
                    basis="fips-180-4 6.2",
                )
            )
    return findings


def _restore_into_server(source: Path, record_url: str, now: Callable[[], datetime]) -> None:
    here, there = Store.open(source / RECORD_FILE, create=False), Store.open(record_url)
    try:
        copy_rows(here, there)
    finally:
        here.close()
        there.close()
    if (source / PEOPLE_FILE).is_file():
        ours, theirs = (
            People.open(source / PEOPLE_FILE, now=now),
            People.open(record_url, now=now),
        )
        try:
            copy_tables(ours, theirs, people_tables.sorted_tables)
        finally:
            ours.close()
            theirs.close()


def restore(
    source: Path,
    site: Path,
    *,
    record_url: str | None = None,
    now: Callable[[], datetime],
    progress: Progress,
) -> Report:
    """Make a site from a backup, in a new folder, and verify it.

    Args:
        source: the backup.
        site: a folder that is empty or not there.
        record_url: an empty database on a PostgreSQL server, None for a record in the folder.
        now: the clock.
        progress: where stages are told.

    Raises:
        ArraywrightError: the call is wrong, the backup was changed, or the machine failed.
    """
    manifest = _read_manifest(source)
    if site.exists() and (not site.is_dir() or any(site.iterdir())):
        raise CallError(
            "restore-target",
            f"The folder {site} is there already and not empty.",
            "Restore into a new folder, look at it, and then use it in place of the other.",
        )
    progress.stage("comparing the backup with its list")
    if changed := _changed_files(source, manifest):
        return Report(
            command="restore",
            site=site.name,
            summary=("Nothing was restored: the backup is not as it was written.",),
            findings=tuple(changed),
        )
    with _as_machine_errors("the site"):
        site.mkdir(parents=True, exist_ok=True)
    progress.stage("copying description, inputs and documents")
    for name in manifest["files"]:
        with _as_machine_errors(name):
            _copy_file(source / name, site / name)
    progress.stage("copying the record and the files that entries name")
    if record_url is None:
        for name in manifest["databases"]:
            with _as_machine_errors(name):
                _copy_file(source / name, site / name)
                (site / name).chmod(0o600 if name == PEOPLE_FILE else 0o644)
    else:
        _restore_into_server(source, record_url, now)
    place: str | Path = record_url or site / RECORD_FILE
    store = Store.open(place, create=False)
    try:
        journal = _journal(store, site / FILES_FOLDER, now)
        _copy_stored(source, site, _named(journal))
        progress.stage("verifying the site")
        seal = JournalSeal(entries=manifest["entries"], receipt=manifest["receipt"])
        findings = tuple(journal.verify(seal=seal))
    finally:
        store.close()
    sound = worst_verdict(findings) is Verdict.PASS
    return Report(
        command="restore",
        site=site.name,
        summary=(
            "The site is restored and verifies."
            if sound
            else "The site is restored, but its record does NOT verify; see the findings.",
            f"{seal.entries} entries as of {manifest['made']}.",
            "Devices compare with the server by themselves and send what it lacks.",
        ),
        findings=findings,
        result={"entries": seal.entries, "receipt": seal.receipt},
    )
