"""Where modules are now, in which place of a string or in the yard, and who looked at them."""

from __future__ import annotations

import contextlib
from collections.abc import Collection
from datetime import datetime
from typing import Any

import polars as pl

from arraywright.plant import PLACEMENTS
from arraywright.procedures.field_rows import MODULE_INSPECTED, field_rows, moment_of
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.site_record import SiteRecord
from arraywright.records.entry import parse_body

__all__ = ["count_where", "delivered_modules", "modules_now", "placements"]


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


def delivered_modules(record: SiteRecord) -> pl.DataFrame:
    """Give serial, pallet and module_type of every module of the deliveries."""
    entry = record.latest(DELIVERY_RECONCILED)
    if entry is None:
        return pl.DataFrame(schema=dict.fromkeys(("serial", "pallet", "module_type"), pl.String))
    return record.load_frame(entry, "modules").select("serial", "pallet", "module_type")


def modules_now(
    record: SiteRecord,
    *,
    serials: Collection[str] = (),
    names: Collection[str] = (),
    since: datetime,
) -> pl.DataFrame:
    """Give modules, where they are now, and what the last inspection since a moment found.

    Args:
        record: the open site.
        serials: serials of modules; they are told even when the site knows none of them.
        names: pallets, strings, positions and structures, and serials the site knows.
        since: inspections before this moment do not count.

    Returns:
        serial, pallet, module_type, string, place_in_string, position, state (``placed``, ``yard``
        or ``unknown``), inspected (``sound``, ``ask``, ``apart`` or null), inspected_by and
        inspected_at; in building order, then what is not in place.
    """
    wanted = sorted({*serials, *names})
    positions = record.site.positions.select("string", "place_in_string", "position", "structure")
    placed = (
        placements(record)
        .select("serial", "string", "place_in_string")
        .unique("serial", keep="last", maintain_order=True)
        .join(positions, on=["string", "place_in_string"], how="left", maintain_order="left")
    )
    modules = delivered_modules(record).unique("serial", keep="first", maintain_order=True)
    joined = modules.join(placed, on="serial", how="full", coalesce=True)
    columns = ("serial", "pallet", "string", "position", "structure")
    chosen = joined.filter(pl.any_horizontal(pl.col(name).is_in(wanted) for name in columns))
    strange = sorted({*serials} - {*chosen["serial"].to_list()})
    chosen = pl.concat(
        [chosen, pl.DataFrame({"serial": strange}, schema={"serial": pl.String})], how="diagonal"
    ).with_columns(
        state=pl.when(pl.col("string").is_not_null())
        .then(pl.lit("placed"))
        .when(pl.col("serial").is_in(strange))
        .then(pl.lit("unknown"))
        .otherwise(pl.lit("yard"))
    )
    order = positions.select("string", "place_in_string", _order=pl.int_range(pl.len()))
    looked = _inspections(record, set(chosen["serial"].to_list()), since)
    return (
        chosen.join(order, on=["string", "place_in_string"], how="left")
        .join(looked, on="serial", how="left")
        .sort("_order", "pallet", "serial", nulls_last=True)
        .drop("_order", "structure")
    )


def _inspections(record: SiteRecord, serials: Collection[str], since: datetime) -> pl.DataFrame:
    """Give the last inspection of each of these modules since a moment."""
    found: dict[str, dict[str, Any]] = {}
    for entry in record.journal.live(kind=MODULE_INSPECTED):
        if entry.subject not in serials:
            continue
        body = None
        with contextlib.suppress(ValueError):
            body = parse_body(entry.body)
        if not isinstance(body, dict) or body.get("result") not in {"sound", "ask", "apart"}:
            continue
        at = moment_of(entry, body)
        known = found.get(entry.subject)
        if at >= since and (known is None or known["inspected_at"] <= at):
            found[entry.subject] = {
                "serial": entry.subject,
                "inspected": body["result"],
                "inspected_by": entry.person,
                "inspected_at": at,
            }
    return pl.DataFrame(
        list(found.values()),
        schema={
            "serial": pl.String,
            "inspected": pl.String,
            "inspected_by": pl.String,
            "inspected_at": pl.Datetime("us", "UTC"),
        },
    )


def count_where(modules: pl.DataFrame) -> dict[str, int]:
    """Count modules of ``modules_now`` by where they are and what was found."""
    return {
        "modules": modules.height,
        "placed": int((modules["state"] == "placed").sum()),
        "yard": int((modules["state"] == "yard").sum()),
        "unknown": int((modules["state"] == "unknown").sum()),
        "inspected": int(modules["inspected"].is_not_null().sum()),
        "apart": int((modules["inspected"] == "apart").sum()),
    }
