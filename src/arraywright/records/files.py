"""Bulk data beside the journal: files named by the SHA-256 of their bytes."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import secrets
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from arraywright.errors import CallError, InputFileError, MachineError
from arraywright.findings import Finding, Verdict
from arraywright.records.entry import NamedFile

if sys.platform != "win32":
    import fcntl

__all__ = ["FileStore", "StoredFile"]

_CHUNK_BYTES: Final = 1 << 20
_HEX64: Final = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFile:
    """A file that is in the store.

    Attributes:
        sha256: SHA-256 of its bytes, 64 lower-case hexadecimal digits.
        size: its length in bytes.
        new: False when the same bytes were there already.
    """

    sha256: str
    size: int
    new: bool

    def named(self, name: str) -> dict[str, object]:
        """Give the object that names this file in the ``files`` list of an entry's body."""
        return {"name": name, "sha256": self.sha256, "size": self.size}


@contextlib.contextmanager
def _machine_errors(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if isinstance(error, MachineError):
            raise
        if error.errno in {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}:
            raise MachineError(
                "disk-full",
                f"There is no room left for files in {folder}.",
                "Free space on the disk and repeat: nothing half-written is kept.",
            ) from error
        raise MachineError(
            "files-not-writable",
            f"The files in {folder} cannot be read or written: {error.strerror or error}.",
            "Check that the folder exists and that you may read and write it.",
        ) from error


class FileStore:
    """Files named by the SHA-256 of their bytes: ``<folder>/ab/ab34...``.

    A file appears under its name only when every byte of it is on the disk; a program killed
    half-way leaves a file in ``<folder>/unfinished`` that the next ``put`` removes.
    """

    def __init__(self, folder: Path) -> None:
        """Use a folder, made on the first ``put``."""
        self.folder = folder
        self._unfinished = folder / "unfinished"
        self._swept = False

    def put_bytes(self, data: bytes) -> StoredFile:
        """Store bytes.

        Raises:
            MachineError: no room, or the folder cannot be written.
        """
        with _machine_errors(self.folder):
            return self._put(iter((data,)))

    def put_path(self, source: Path) -> StoredFile:
        """Store a copy of a file, read once in pieces of 1 MiB, whatever its length.

        Raises:
            InputFileError: the source cannot be read.
            MachineError: no room, or the folder cannot be written.
        """
        with contextlib.ExitStack() as stack:
            try:
                file = stack.enter_context(source.open("rb"))
            except OSError as error:
                raise InputFileError(
                    "file-not-readable",
                    f"The file {source} cannot be read: {error.strerror or error}.",
                    "Check its name and that you may read it.",
                ) from error
            with _machine_errors(self.folder):
                return self._put(_pieces(file, source))

    def path(self, sha256: str) -> Path:
        """Give the path under which a file is or would be.

        Raises:
            CallError: the text is no SHA-256.
        """
        if not _HEX64.fullmatch(sha256):
            raise CallError(
                "not-a-sha256",
                f"Found {sha256!r} as the name of a stored file.",
                "Give 64 lower-case hexadecimal digits.",
            )
        return self.folder / sha256[:2] / sha256

    def has(self, named: NamedFile) -> bool:
        """Tell whether a file is there with its length; its bytes are not read."""
        try:
            return self.path(named.sha256).stat().st_size == named.size
        except OSError:
            return False

    def verify_one(self, named: NamedFile) -> Finding | None:
        """Read a named file and give a finding when it is missing or its bytes differ."""
        path = self.path(named.sha256)
        shown = named.name or named.sha256[:12]
        try:
            with path.open("rb") as file:
                size, digest = _size_and_hash(file)
        except FileNotFoundError:
            return _failed(
                "record-file-missing",
                named.sha256,
                f"The file {shown} that the record names is not in {self.folder}.",
                "Copy it from another copy of the record, or put the original in again.",
            )
        except OSError as error:
            return _failed(
                "record-file-unreadable",
                named.sha256,
                f"The file {shown} cannot be read: {error.strerror or error}.",
                "Check the disk and the permissions of the folder.",
            )
        if digest != named.sha256 or size != named.size:
            return _failed(
                "record-file-changed",
                named.sha256,
                f"The file {shown} holds {size} bytes with SHA-256 {digest[:12]}..., the record "
                f"names {named.size} bytes with {named.sha256[:12]}...",
                "Put the original in again: it replaces the changed copy.",
            )
        return None

    def verify(self) -> list[Finding]:
        """Read every stored file and compare it with its name.

        One failing finding per file whose bytes differ from its name, else one that passes.
        """
        findings = []
        count = 0
        for path in self._stored():
            count += 1
            named = NamedFile(sha256=path.name, size=path.stat().st_size)
            if finding := self.verify_one(named):
                findings.append(finding)
        if not findings:
            findings.append(
                Finding(
                    check="record-files",
                    subject_kind="file",
                    subject=str(self.folder),
                    verdict=Verdict.PASS,
                    message=f"All {count} stored files hold the bytes they are named after.",
                    value=float(count),
                    basis="fips-180-4 6.2",
                )
            )
        return findings

    def sweep(self) -> int:
        """Remove what killed programs left half-written and give how many files that were.

        A file that a running program is writing stays: that program holds a lock on it.
        """
        removed = 0
        with _machine_errors(self.folder):
            if not self._unfinished.is_dir():
                return 0
            for path in sorted(self._unfinished.iterdir()):
                removed += _remove_if_abandoned(path)
        return removed

    def _stored(self) -> Iterator[Path]:
        if self.folder.is_dir():
            for shelf in sorted(self.folder.glob("[0-9a-f][0-9a-f]")):
                yield from (path for path in sorted(shelf.iterdir()) if _HEX64.fullmatch(path.name))

    def _put(self, pieces: Iterator[bytes]) -> StoredFile:
        self._unfinished.mkdir(parents=True, exist_ok=True)
        if not self._swept:
            self.sweep()
            self._swept = True
        temporary, handle = self._new_temporary()
        placed = False
        try:
            with os.fdopen(handle, "wb") as file:
                digest = hashlib.sha256()
                size = 0
                for piece in pieces:
                    digest.update(piece)
                    size += len(piece)
                    file.write(piece)
                file.flush()
                os.fsync(file.fileno())
                named = NamedFile(sha256=digest.hexdigest(), size=size)
                placed = self._needs_placing(named)
                if placed and os.name == "posix":
                    # Under the lock, so that nobody sweeps it between writing and placing.
                    self._place(temporary, named)
            if placed and os.name != "posix":
                self._place(temporary, named)
        finally:
            temporary.unlink(missing_ok=True)
        return StoredFile(sha256=named.sha256, size=named.size, new=placed)

    def _needs_placing(self, named: NamedFile) -> bool:
        # The bytes already there are read too: a good copy put in again heals a changed one.
        return not self.has(named) or self.verify_one(named) is not None

    def _place(self, temporary: Path, named: NamedFile) -> None:
        final = self.path(named.sha256)
        made_shelf = not final.parent.is_dir()
        final.parent.mkdir(exist_ok=True)
        if os.name == "posix":
            temporary.chmod(temporary.stat().st_mode & 0o444)
        temporary.replace(final)
        _sync_folder(final.parent)
        if made_shelf:
            _sync_folder(self.folder)
            _sync_folder(self.folder.parent)

    def _new_temporary(self) -> tuple[Path, int]:
        while True:
            path = self._unfinished / secrets.token_hex(16)
            flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY | getattr(os, "O_BINARY", 0)
            handle = os.open(path, flags, 0o666)
            if sys.platform == "win32":
                return path, handle
            fcntl.flock(handle, fcntl.LOCK_EX)
            if os.fstat(handle).st_nlink:
                return path, handle
            os.close(handle)  # another program swept it between making and locking


def _failed(check: str, sha256: str, message: str, remedy: str) -> Finding:
    return Finding(
        check=check,
        subject_kind="file",
        subject=sha256,
        verdict=Verdict.FAIL,
        message=message,
        remedy=remedy,
        basis="fips-180-4 6.2",
    )


def _pieces(file: BinaryIO, source: Path) -> Iterator[bytes]:
    while True:
        try:
            piece = file.read(_CHUNK_BYTES)
        except OSError as error:
            raise InputFileError(
                "file-not-readable",
                f"The file {source} cannot be read to its end: {error.strerror or error}.",
                "Copy it again from where it came.",
            ) from error
        if not piece:
            return
        yield piece


def _size_and_hash(file: BinaryIO) -> tuple[int, str]:
    digest = hashlib.sha256()
    size = 0
    while piece := file.read(_CHUNK_BYTES):
        digest.update(piece)
        size += len(piece)
    return size, digest.hexdigest()


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _remove_if_abandoned(path: Path) -> int:
    try:
        if sys.platform != "win32":
            with path.open("rb") as file:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                path.unlink()
        else:
            path.unlink()  # refused while another program has it open
    except (BlockingIOError, FileNotFoundError, PermissionError):
        return 0
    return 1
