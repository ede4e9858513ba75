"""Where modules are now: in which place of a string, or in the yard."""

from __future__ import annotations

import polars as pl

from arraywright.plant import PLACEMENTS
from arraywright.procedures.field_rows import field_rows
from arraywright.procedures.site_record import SiteRecord

__all__ = ["placements"]


def placements(record: SiteRecord) -> pl.DataFrame:
    """Give every module known to be in place: as-built lists, and what phones say.

    Where both name a place, the phone's entry counts: it was made where it happened.

    Returns:
        serial, string, place_in_string, placed_at, person and known_by, a place once.
    """
    columns = ("serial", "string", "place_in_string", "placed_at", "person")
    listed = record.rows(PLACEMENTS).select(columns).with_columns(known_by=pl.lit("list"))
    phones = (
        field_rows(record.journal, record.site)
        .placements.select(columns)
        .with_columns(known_by=pl.lit("phone"))
    )
    both = pl.concat([listed, phones], how="vertical_relaxed")
    places = record.site.positions.select("string", "place_in_string")
    return both.unique(["string", "place_in_string"], keep="last", maintain_order=True).join(
        places, on=["string", "place_in_string"], how="semi", maintain_order="left"
    )
