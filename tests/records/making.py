"""Devices, clocks and entries for tests of the record."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from arraywright.records import DeviceIdentity, Journal, NewEntry, json_body

START = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)


def device(seed: int) -> DeviceIdentity:
    """Give the device of a seed, always the same one."""
    return DeviceIdentity.from_seed(bytes([seed]) * 32, label=f"tablet {seed}")


def clock(start: datetime = START) -> Callable[[], datetime]:
    """Give a clock that moves on by a second at every look."""
    moments = iter(start + timedelta(seconds=second) for second in range(10_000_000))
    return lambda: next(moments)


def opened(path: Path, seed: int = 1, **options: Any) -> Journal:
    """Open a journal with the device of a seed."""
    return Journal.open(path, device=device(seed), person=f"Person {seed}", now=clock(), **options)


def placed(serial: str, position: str, *, supersedes: str | None = None) -> NewEntry:
    """Make the entry that a module sits in a position."""
    return NewEntry(
        kind="module_placed",
        subject_kind="module",
        subject=serial,
        body=json_body({"position": position, "serial": serial}),
        supersedes=supersedes,
    )


def tamper(path: Path, statement: str, values: tuple[object, ...] = ()) -> None:
    """Change a record the way another program could, guards taken away for the moment."""
    with closing(sqlite3.connect(path)) as connection:
        query = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
        guards = connection.execute(query).fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(statement, values)
        for _, text in guards:
            connection.execute(text)
        connection.commit()
