"""What is ordered and not known yet, for planning ahead."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl

from arraywright.allocation.ahead import COMING_COLUMNS
from arraywright.delivery import ORDER
from arraywright.procedures.site_record import SiteRecord

__all__ = ["coming_of"]

_LABEL = ["module_type", "power_class_w", "current_class"]


def _known(pallets: pl.DataFrame) -> dict[tuple[str, float, str], int]:
    """Count modules with flash values by class, refused pallets left out."""
    counted = (
        pallets.filter((pl.col("verdict") != "refuse") & (pl.col("modules_flash") > 0))
        .with_columns(
            pl.col("power_class_w").round(1),
            pl.col("current_class").fill_null("").str.strip_chars(),
        )
        .group_by(_LABEL)
        .agg(pl.col("modules_flash").sum())
    )
    return {(row[0], row[1], row[2]): int(row[3]) for row in counted.iter_rows()}


def _take(known: dict[tuple[str, float, str], int], line: dict[str, Any]) -> int:
    """Take what is known off an order line; a line without current class takes of any."""
    left = int(line["modules"])
    for kind in sorted(known):
        alike = kind[:2] == (line["module_type"], line["power_class_w"])
        if alike and line["current_class"] in ("", kind[2]):
            given = min(left, known[kind])
            known[kind] -= given
            left -= given
    return left


def coming_of(record: SiteRecord, pallets: pl.DataFrame, *, planning_day: date) -> pl.DataFrame:
    """Give what is ordered and of which no flash values are known, with the day it is due.

    What is known is taken off the lines that name its class first, then off those that name the
    power class alone, the line due first before others. A line without a day is due at once.
    """
    orders = record.rows(ORDER)
    keys = {
        name: record.site.module_type_key(name) or name
        for name in orders["module_type"].drop_nulls().unique().to_list()
    }
    lines = (
        orders.filter(pl.col("module_type").is_not_null() & pl.col("power_class_w").is_not_null())
        .select(
            pl.col("module_type").replace(keys),
            pl.col("power_class_w").round(1),
            pl.col("current_class").fill_null("").str.strip_chars(),
            "modules",
            day=pl.col("deliver_on").fill_null(planning_day),
        )
        .with_columns(by_power=pl.col("current_class") == "")
        .sort("by_power", "day", *_LABEL, maintain_order=True)
    )
    known = _known(pallets)
    rows = [{**line, "modules": _take(known, line)} for line in lines.iter_rows(named=True)]
    return (
        pl.DataFrame(rows, schema={**COMING_COLUMNS, "by_power": pl.Boolean})
        .filter(pl.col("modules") > 0)
        .drop("by_power")
        .sort("day", *_LABEL)
    )
