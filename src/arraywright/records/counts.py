"""What a record holds of each device, for comparing two copies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import sqlalchemy as sa

from arraywright.records.entry import NamedFile, named_files, parse_body
from arraywright.records.schema import ENTRIES
from arraywright.records.store import Database

__all__ = ["DeviceCount", "device_counts", "files_named_by", "receipt_at"]

_PAGE: Final = 5_000
_FILES_MARK: Final = b'"files"'


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceCount:
    """What is held of one device.

    Attributes:
        device: device id.
        entries: how many entries.
        last_sequence: the greatest number among them, 0 when there are none.
        last_hash: entry hash of that one in hexadecimal digits, empty when there is none.
        gaps: first and last number of every run of entries that is missing before it.
    """

    device: str
    entries: int
    last_sequence: int
    last_hash: str
    gaps: tuple[tuple[int, int], ...]


def device_counts(store: Database, devices: Sequence[str]) -> dict[str, DeviceCount]:
    """Count what is held of some devices, by device id."""
    with store.read() as connection:
        return {device: _count(connection, device) for device in dict.fromkeys(devices)}


def files_named_by(store: Database, devices: Sequence[str]) -> list[NamedFile]:
    """List the files that entries of some devices name, each once."""
    found: dict[str, NamedFile] = {}
    for device in dict.fromkeys(devices):
        after = 0
        while True:
            query = (
                sa.select(ENTRIES.c.server_order, ENTRIES.c.body)
                .where(ENTRIES.c.device == device, ENTRIES.c.server_order > after)
                .order_by(ENTRIES.c.server_order)
                .limit(_PAGE)
            )
            with store.read() as connection:
                rows = connection.execute(query).all()
            for _, held in rows:
                body = bytes(held)
                if _FILES_MARK in body:
                    for named in named_files(parse_body(body)):
                        found.setdefault(named.sha256, named)
            if len(rows) < _PAGE:
                break
            after = rows[-1][0]
    return list(found.values())


def receipt_at(store: Database, server_order: int) -> bytes | None:
    """Give the receipt of the entry with a server order; None when there is none."""
    with store.read() as connection:
        held = connection.execute(
            sa.select(ENTRIES.c.receipt).where(ENTRIES.c.server_order == server_order)
        ).scalar()
    return None if held is None else bytes(held)


def _count(connection: sa.Connection, device: str) -> DeviceCount:
    own = ENTRIES.c.device == device
    entries = connection.execute(
        sa.select(sa.func.count()).select_from(ENTRIES).where(own)
    ).scalar_one()
    last = connection.execute(
        sa.select(ENTRIES.c.sequence, ENTRIES.c.entry_hash)
        .where(own)
        .order_by(ENTRIES.c.sequence.desc(), ENTRIES.c.entry_hash)
        .limit(1)
    ).one_or_none()
    before = sa.func.lag(ENTRIES.c.sequence, 1, 0).over(order_by=ENTRIES.c.sequence)
    steps = sa.select(ENTRIES.c.sequence.label("number"), before.label("before")).where(own)
    step = steps.subquery()
    jumps = connection.execute(
        sa.select(step.c.before, step.c.number)
        .where(step.c.number > step.c.before + 1)
        .order_by(step.c.number)
    ).all()
    return DeviceCount(
        device=device,
        entries=entries,
        last_sequence=last[0] if last else 0,
        last_hash=bytes(last[1]).hex() if last else "",
        gaps=tuple((int(low) + 1, int(high) - 1) for low, high in jumps),
    )
