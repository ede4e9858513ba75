"""Entries of phones that somebody has to look at, found without reading all the others."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

import sqlalchemy as sa

from arraywright.records import Entry
from arraywright.records.journal import Journal, entry_from_row, is_superseded
from arraywright.records.schema import ENTRIES

__all__ = ["marked_entries"]

_MARK: Final = b'"open_point":true'


def marked_entries(
    journal: Journal, *, always: Collection[str], most: int | None = None
) -> list[Entry]:
    """Give live entries of these kinds, and those marked as an open point, the newest first.

    Args:
        journal: the record's journal.
        always: kinds that are given whether marked or not.
        most: how many at most; all when None.
    """
    store = journal.store
    marked = (
        sa.func.instr(ENTRIES.c.body, _MARK)
        if store.dialect == "sqlite"
        else sa.func.pg_catalog.position(ENTRIES.c.body, sa.cast(_MARK, sa.LargeBinary))
    )
    query = (
        sa.select(ENTRIES)
        .where(sa.or_(ENTRIES.c.kind.in_(always), marked > 0), ~is_superseded())
        .order_by(ENTRIES.c.server_order.desc())
        .limit(most)
    )
    with store.read() as connection:
        rows = connection.execute(query).mappings().all()
    return [entry_from_row(row) for row in rows]
