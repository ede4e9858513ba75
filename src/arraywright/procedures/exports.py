"""Tables and documents written for people, whole or not at all."""

from __future__ import annotations

import contextlib
import os
import time
from pathlib import Path
from typing import Final

import polars as pl

from arraywright.errors import MachineError

__all__ = ["csv_bytes", "write_whole"]

_ABANDONED_S: Final = 3600.0
_DANGEROUS: Final = ("=", "+", "-", "@", "\t", "\r")


def csv_bytes(frame: pl.DataFrame) -> bytes:
    """Give a table as CSV (UTF-8); text that a spreadsheet would run as a formula is quoted."""
    plain = frame.with_columns(
        pl.col(pl.Categorical).cast(pl.String),
        pl.col(pl.List(pl.String)).list.join(", "),
    )
    guarded = plain.with_columns(
        pl.when(pl.any_horizontal(pl.col(name).str.starts_with(mark) for mark in _DANGEROUS))
        .then(pl.lit("'") + pl.col(name))
        .otherwise(pl.col(name))
        .alias(name)
        for name, dtype in plain.schema.items()
        if dtype == pl.String
    )
    return guarded.write_csv(datetime_format="%Y-%m-%dT%H:%M:%SZ").encode()


def _remove_abandoned(path: Path) -> None:
    """Remove what commands that were killed long ago left half-written beside a file."""
    oldest = time.time() - _ABANDONED_S
    with contextlib.suppress(OSError):
        for left in path.parent.glob(f".{path.name}.*"):
            if left.stat().st_mtime < oldest:
                left.unlink()


def write_whole(path: Path, data: bytes) -> Path:
    """Write a file so that it is there whole or not at all; give its path.

    Raises:
        MachineError: no room, or the folder cannot be written.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}")
    _remove_abandoned(path)
    try:
        temporary.write_bytes(data)
        temporary.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise MachineError(
            "file-not-writable",
            f"The file {path} cannot be written: {error.strerror or error}.",
            "Check that the disk has room and that you may write there.",
        ) from error
    return path
