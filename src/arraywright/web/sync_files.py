"""Files that come in pieces, over a connection that breaks."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from arraywright.errors import CallError, MachineError
from arraywright.records import FileStore

__all__ = ["ArrivingFiles", "FileState", "PieceRefusal"]

_HEX64: Final = re.compile(r"[0-9a-f]{64}")
_KEPT_S: Final = 7 * 86_400
_FREE_BYTES: Final = 256 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class FileState:
    """How much of a file is there.

    Attributes:
        offset: bytes held.
        complete: whether it is there whole.
    """

    offset: int
    complete: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceRefusal:
    """Why a piece was not taken.

    Attributes:
        status: the HTTP status.
        code: stable key, as docs/sync.md lists them.
        reason: a sentence.
        offset: where the next piece must begin.
    """

    status: int
    code: str
    reason: str
    offset: int


class ArrivingFiles:
    """Pieces of files beside the store of files, put into it when they are whole."""

    def __init__(self, files: FileStore, *, most_bytes: int) -> None:
        """Use a store.

        Args:
            files: where whole files go.
            most_bytes: the greatest file.
        """
        self._files = files
        self._folder = files.folder / "arriving"
        self._most_bytes = most_bytes
        self._locks: dict[str, tuple[threading.Lock, int]] = {}
        self._guard = threading.Lock()

    def state(self, sha256: str) -> FileState:
        """Tell how much of a file is there.

        Raises:
            CallError: the text is no SHA-256.
        """
        whole = self._files.path(sha256)
        if whole.is_file():
            return FileState(offset=whole.stat().st_size, complete=True)
        part = self._part(sha256)
        return FileState(offset=part.stat().st_size if part.is_file() else 0, complete=False)

    def add(
        self, sha256: str, piece: bytes, *, offset: int, length: int
    ) -> FileState | PieceRefusal:
        """Add a piece; give what is there now, or why it was not taken.

        Args:
            sha256: SHA-256 of the whole file in hexadecimal digits.
            piece: the bytes.
            offset: where they begin.
            length: length of the whole file.

        Raises:
            CallError: the text is no SHA-256.
            MachineError: no room, or the folder cannot be written.
        """
        if not _HEX64.fullmatch(sha256):
            raise CallError(
                "not-a-sha256",
                "A file is named by 64 lower-case hexadecimal digits.",
                "Name it by its SHA-256.",
            )
        with self._alone(sha256):
            held = self.state(sha256)
            if held.complete:
                return held
            if refusal := self._refusal(piece, offset, length, held.offset):
                return refusal
            try:
                return self._write(sha256, piece, length=length, held=held.offset)
            except OSError as error:
                if isinstance(error, MachineError):
                    raise
                raise MachineError(
                    "files-not-writable",
                    f"The file cannot be written: {error.strerror or error}.",
                    "Send it again later.",
                ) from error

    def _refusal(self, piece: bytes, offset: int, length: int, held: int) -> PieceRefusal | None:
        if length > self._most_bytes:
            return PieceRefusal(
                status=413,
                code="file-too-large",
                reason=f"The file has {length} bytes, at most {self._most_bytes} are taken.",
                offset=0,
            )
        if offset != held or offset + len(piece) > length or (not piece and length):
            return PieceRefusal(
                status=409,
                code="offset-differs",
                reason=f"The piece begins at {offset} of {length}, and {held} bytes are held.",
                offset=held,
            )
        at = self._files.folder if self._files.folder.is_dir() else self._files.folder.parent
        if shutil.disk_usage(at).free < _FREE_BYTES + length:
            return PieceRefusal(
                status=507, code="disk-full", reason="The server has no room left.", offset=held
            )
        return None

    def _write(
        self, sha256: str, piece: bytes, *, length: int, held: int
    ) -> FileState | PieceRefusal:
        part = self._part(sha256)
        if not held:
            self._folder.mkdir(parents=True, exist_ok=True)
            self._sweep()
        with part.open("ab") as file:
            file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        size = part.stat().st_size
        if size < length:
            return FileState(offset=size, complete=False)
        with part.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        if digest == sha256:
            self._files.put_path(part)
        part.unlink()
        if digest != sha256:
            return PieceRefusal(
                status=422,
                code="file-differs",
                reason="The bytes that came do not have the SHA-256 named.",
                offset=0,
            )
        return FileState(offset=size, complete=True)

    def _part(self, sha256: str) -> Path:
        return self._folder / f"{sha256}.part"

    def _sweep(self) -> None:
        oldest = time.time() - _KEPT_S
        for path in self._folder.iterdir():
            if path.stat().st_mtime < oldest:
                path.unlink(missing_ok=True)

    @contextmanager
    def _alone(self, sha256: str) -> Iterator[None]:
        with self._guard:
            lock, users = self._locks.get(sha256, (threading.Lock(), 0))
            self._locks[sha256] = (lock, users + 1)
        try:
            with lock:
                yield
        finally:
            with self._guard:
                lock, users = self._locks[sha256]
                if users == 1:
                    del self._locks[sha256]
                else:
                    self._locks[sha256] = (lock, users - 1)
