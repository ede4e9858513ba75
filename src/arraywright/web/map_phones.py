"""What phones entered, for the map: read once, then only what is new."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl
import sqlalchemy as sa

from arraywright.commissioning import STRING_READINGS
from arraywright.procedures.field_rows import MODULE_PLACED, STRING_TESTED, field_rows
from arraywright.procedures.site_record import SiteRecord
from arraywright.records.schema import ENTRIES

__all__ = ["PhoneRows", "phone_rows"]

_KINDS: Final = (MODULE_PLACED, STRING_TESTED)


@dataclass(frozen=True, slots=True, kw_only=True)
class PhoneRows:
    """What live entries of phones say of places and strings.

    Attributes:
        order: the last entry that is in it.
        placements: ``string``, ``place_in_string``, ``serial``, ``placed_at``.
        readings: frame of ``commissioning.STRING_READINGS``.
    """

    order: int
    placements: pl.DataFrame
    readings: pl.DataFrame


def phone_rows(record: SiteRecord, before: PhoneRows | None = None) -> PhoneRows:
    """Read what phones entered.

    Args:
        record: the open site.
        before: what was read of the same site before; only what is new is read then, unless an
            entry in it has been corrected since.
    """
    order = record.journal.seal().entries
    if before is not None and _corrected(record, before.order):
        before = None
    said = field_rows(record.journal, record.site, after=0 if before is None else before.order)
    placements = said.placements.select("string", "place_in_string", "serial", "placed_at")
    readings = said.readings.select(list(STRING_READINGS.schema))
    if before is not None:
        placements = pl.concat([before.placements, placements])
        readings = pl.concat([before.readings, readings])
    return PhoneRows(order=order, placements=placements, readings=readings)


def _corrected(record: SiteRecord, order: int) -> bool:
    """Say whether an entry of a phone up to an order was corrected after it."""
    newer, older = ENTRIES.alias("newer"), ENTRIES.alias("older")
    query = (
        sa.select(older.c.uuid)
        .join_from(newer, older, older.c.uuid == newer.c.supersedes)
        .where(
            newer.c.server_order > order,
            older.c.server_order <= order,
            older.c.kind.in_(_KINDS),
        )
        .limit(1)
    )
    with record.journal.store.read() as connection:
        return connection.execute(query).first() is not None
