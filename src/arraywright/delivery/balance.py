"""What was ordered against what is on site, class by class."""

from __future__ import annotations

from typing import Final

import polars as pl

from arraywright.delivery.evidence import evidence_rows
from arraywright.delivery.labels import show_class
from arraywright.delivery.pallet_checks import Given

__all__ = ["balance_evidence", "balance_order", "order_lines"]

_LABEL: Final = ("module_type", "power_class_w", "current_class")


def order_lines(order: pl.DataFrame) -> pl.DataFrame:
    """Give one row per type and class ordered, with modules added up, numbered ``line``."""
    return (
        order.filter(pl.col("module_type").is_not_null())
        .group_by(_LABEL)
        .agg(pl.col("modules").sum().alias("ordered"))
        .sort(_LABEL)
        .with_row_index("line")
    )


def balance_order(pallets: pl.DataFrame, lines: pl.DataFrame) -> pl.DataFrame:
    """Give per class: ordered, noted, delivered, accepted, missing and surplus modules.

    ``delivered`` are modules on pallets seen on site that were not refused, by label, else flash
    list, else note; ``accepted`` are usable modules on accepted pallets. What arrived outside any
    order line has rows of its own with ``ordered`` 0.
    """
    counted = pl.coalesce("modules_scan", "modules_flash", "modules_note").fill_null(0)
    sums = [
        pl.col("modules_note").fill_null(0).sum().alias("noted"),
        counted.filter(pl.col("seen") & (pl.col("verdict") != "refuse")).sum().alias("delivered"),
        pl.col("modules_usable").filter(pl.col("verdict") == "accept").sum().alias("accepted"),
    ]
    on_lines = pallets.filter(pl.col("line").is_not_null()).group_by("line").agg(sums)
    off_lines = (
        pallets.filter(pl.col("line").is_null())
        .group_by(_LABEL)
        .agg(sums)
        .with_columns(pl.lit(0, dtype=pl.Int64).alias("ordered"))
    )
    columns = [*_LABEL, "ordered", "noted", "delivered", "accepted"]
    both = pl.concat(
        [
            lines.join(on_lines, on="line", how="left", maintain_order="left").select(columns),
            off_lines.select(columns).sort(_LABEL, nulls_last=True),
        ],
        how="vertical_relaxed",
    ).with_columns(
        pl.col(name).fill_null(0).cast(pl.Int64)
        for name in ("ordered", "noted", "delivered", "accepted")
    )
    gap = pl.col("ordered") - pl.col("delivered")
    return both.with_columns(
        gap.clip(lower_bound=0).alias("missing"), (-gap).clip(lower_bound=0).alias("surplus")
    )


def balance_evidence(balance: pl.DataFrame, *, given: Given) -> list[pl.DataFrame]:
    """Give the evidence of order lines that have too few or too many modules on site.

    Without scans nothing is known to have arrived, and without an order nothing was due.
    """
    if not (given.order and given.scans):
        return []
    named = balance.with_columns(show_class(*(pl.col(name) for name in _LABEL)).alias("name"))
    found = pl.format("{} modules on site", pl.col("delivered"))
    required = pl.format("{} ordered", pl.col("ordered"))
    return [
        evidence_rows(
            named.filter(pl.col(gap) > 0),
            check,
            subject="name",
            found=found,
            required=required,
            value=pl.col("delivered"),
            limit=pl.col("ordered"),
        )
        for check, gap in (("order-short", "missing"), ("order-exceeded", "surplus"))
    ]
