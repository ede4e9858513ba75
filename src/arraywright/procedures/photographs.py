"""Photographs that entries name."""

from __future__ import annotations

from typing import Any, Final

from arraywright.records import FileStore
from arraywright.records.entry import named_files

__all__ = ["photo_kind", "photographs"]

_KINDS: Final = (
    (b"\xff\xd8\xff", "image/jpeg"),
    (b"\x89PNG\r\n\x1a\n", "image/png"),
    (b"RIFF", "image/webp"),
)


def photo_kind(beginning: bytes) -> str | None:
    """Tell which kind of picture bytes begin like; None for anything else."""
    for mark, kind in _KINDS:
        if beginning.startswith(mark) and (kind != "image/webp" or beginning[8:12] == b"WEBP"):
            return kind
    return None


def photographs(body: dict[str, Any], files: FileStore) -> tuple[str, ...]:
    """Give the SHA-256 of every file that an entry names and that has arrived."""
    return tuple(one.sha256 for one in named_files(body) if files.has(one))
