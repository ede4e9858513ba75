"""Where modules are now, in which place of a string or in the yard, and who looked at them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from arraywright.plant import PLACEMENTS
from arraywright.procedures.field_rows import MODULE_INSPECTED, body_of, field_rows, moment_of
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.site_record import SiteRecord

__all__ = ["Whereabouts", "count_where", "delivered_modules", "placements", "whereabouts"]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Whereabouts:
    """Where every module is, read once to be asked of many times.

    Attributes:
        modules: serial, pallet, module_type, string, place_in_string, position, structure and
            order (row of its position) of every module delivered or in place.
        inspections: serial, inspected, inspected_by and inspected_at, in the record's order.
        zone: the site's time zone.
    """

    modules: pl.DataFrame
    inspections: pl.DataFrame
    zone: str

    def of(
        self, *, serials: Collection[str] = (), names: Collection[str] = (), since: datetime
    ) -> pl.DataFrame:
        """Give modules, where they are now, and what the last inspection since a moment found.

        Args:
            serials: serials of modules; they are told even when the site knows none of them.
            names: pallets, strings, positions and structures, and serials the site knows.
            since: inspections before this moment do not count.

        Returns:
            serial, pallet, module_type, string, place_in_string, position, state (``placed``,
            ``yard`` or ``unknown``), inspected (``sound``, ``ask``, ``apart`` or null),
            inspected_by and inspected_at; in building order, then what is not in place.
        """
        wanted = sorted({*serials, *names})
        columns = ("serial", "pallet", "string", "position", "structure")
        chosen = self.modules.filter(
            pl.any_horizontal(pl.col(name).is_in(wanted) for name in columns)
        )
        strange = sorted({*serials} - {*chosen["serial"].to_list()})
        unknown = pl.DataFrame({"serial": strange}, schema={"serial": pl.String})
        looked = (
            self.inspections.filter(pl.col("inspected_at") >= since)
            .sort("inspected_at", maintain_order=True)
            .unique("serial", keep="last")
        )
        return (
            pl.concat([chosen, unknown], how="diagonal")
            .with_columns(
                state=pl.when(pl.col("string").is_not_null())
                .then(pl.lit("placed"))
                .when(pl.col("serial").is_in(strange))
                .then(pl.lit("unknown"))
                .otherwise(pl.lit("yard"))
            )
            .join(looked, on="serial", how="left")
            .sort("order", "pallet", "serial", nulls_last=True)
            .drop("order", "structure")
        )


def whereabouts(record: SiteRecord) -> Whereabouts:
    """Read where every module is now."""
    positions = record.site.positions.select(
        "string", "place_in_string", "position", "structure", order=pl.int_range(pl.len())
    )
    placed = (
        placements(record)
        .select("serial", "string", "place_in_string")
        .unique("serial", keep="last", maintain_order=True)
        .join(positions, on=["string", "place_in_string"], how="left", maintain_order="left")
    )
    modules = delivered_modules(record).unique("serial", keep="first", maintain_order=True)
    return Whereabouts(
        modules=modules.join(placed, on="serial", how="full", coalesce=True),
        inspections=_inspections(record),
        zone=record.site.time_zone,
    )


def _inspections(record: SiteRecord) -> pl.DataFrame:
    """Give every inspection of a module that stands."""
    found: list[dict[str, Any]] = []
    for entry in record.journal.live(kind=MODULE_INSPECTED):
        body = body_of(entry)
        if body is not None and body.get("result") in {"sound", "ask", "apart"}:
            found.append(
                {
                    "serial": entry.subject,
                    "inspected": body["result"],
                    "inspected_by": entry.person,
                    "inspected_at": moment_of(entry, body),
                }
            )
    return pl.DataFrame(
        found,
        schema={
            "serial": pl.String,
            "inspected": pl.String,
            "inspected_by": pl.String,
            "inspected_at": pl.Datetime("us", "UTC"),
        },
    )


def count_where(modules: pl.DataFrame) -> dict[str, int]:
    """Count modules of ``Whereabouts.of`` by where they are and what was found."""
    return {
        "modules": modules.height,
        "placed": int((modules["state"] == "placed").sum()),
        "yard": int((modules["state"] == "yard").sum()),
        "unknown": int((modules["state"] == "unknown").sum()),
        "inspected": int(modules["inspected"].is_not_null().sum()),
        "apart": int((modules["inspected"] == "apart").sum()),
    }
