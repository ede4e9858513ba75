"""A record copied as it stands, byte for byte in every row, from any database to any other."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from arraywright.errors import MachineError, RecordError
from arraywright.records.schema import ENTRIES
from arraywright.records.store import Database, Store

__all__ = ["copy_rows", "copy_sqlite", "copy_tables", "record_is_empty"]

_PAGE: Final = 5_000


def copy_sqlite(source: Path, target: Path) -> None:
    """Copy a database file that others may be writing, as it stands at one moment.

    Raises:
        MachineError: it cannot be read, or the copy cannot be written.
    """
    try:
        with (
            contextlib.closing(
                sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True, timeout=60)
            ) as here,
            contextlib.closing(sqlite3.connect(target)) as there,
        ):
            here.backup(there, pages=2_000, sleep=0.005)
    except sqlite3.Error as error:
        raise MachineError(
            "record-not-copied",
            f"{source} could not be copied to {target}: {error}.",
            "Check the room on the disk and your permission, and repeat.",
        ) from error


def record_is_empty(store: Store) -> bool:
    """Tell whether a record holds no entry."""
    with store.read() as connection:
        return connection.execute(sa.select(ENTRIES.c.uuid).limit(1)).first() is None


def copy_rows(source: Store, target: Store) -> int:
    """Copy every entry with its order, time of arrival and receipt; give how many.

    Entries that arrive meanwhile are left out: what is copied is the record up to one moment.

    Raises:
        RecordError: the target holds entries already.
        MachineError: a database failed.
    """
    if not record_is_empty(target):
        raise RecordError(
            "record-not-empty",
            f"The record {target.place} holds entries already.",
            "Copy into a new one: nothing in a record is ever replaced.",
        )
    with source.read() as connection:
        last = connection.execute(sa.select(sa.func.max(ENTRIES.c.server_order))).scalar() or 0
    after = 0
    while after < last:
        query = (
            sa.select(ENTRIES)
            .where(ENTRIES.c.server_order > after, ENTRIES.c.server_order <= last)
            .order_by(ENTRIES.c.server_order)
            .limit(_PAGE)
        )
        with source.read() as connection:
            rows = [dict(row) for row in connection.execute(query).mappings()]
        with target.write() as connection:
            connection.execute(ENTRIES.insert(), rows)
        after = rows[-1]["server_order"]
    return int(last)


def copy_tables(source: Database, target: Database, tables: Sequence[sa.Table]) -> None:
    """Copy whole tables in one transaction each way; the target's rows are replaced.

    Raises:
        MachineError: a database failed.
    """
    held: dict[str, list[Mapping[str, Any]]] = {}
    with source.read() as connection:
        for table in tables:
            held[table.name] = [
                dict(row) for row in connection.execute(sa.select(table)).mappings()
            ]
    with target.write() as connection:
        for table in tables:
            connection.execute(table.delete())
            if held[table.name]:
                connection.execute(table.insert(), held[table.name])
