"""From which day each pallet may be used, as far as notes, scans and orders tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final
from zoneinfo import ZoneInfo

import polars as pl

from arraywright.allocation.build_dates import StockDays, stock_days
from arraywright.delivery import DELIVERY_NOTE, ORDER, PALLET_SCANS, normal_pallet
from arraywright.findings import Finding, Verdict
from arraywright.procedures.site_record import SiteRecord
from arraywright.records.entry import Entry

__all__ = ["Dated", "stock_with_days"]

_ONLY_NOT_HERE: Final = ("pallet-not-seen", "pallet-announced", "pallet-no-note")
"""Reasons that say no more than that a pallet has not come yet."""
_CLASS: Final = ("module_type", "power_class_w", "current_class")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dated:
    """Stock that may be planned with, and when.

    Attributes:
        stock: usable modules on accepted pallets, and on announced ones where dates are described.
        days: from which day each pallet may be used.
        announced: pallets that are planned with though they have not come.
        findings: announced pallets that could not be planned with.
    """

    stock: pl.DataFrame
    days: StockDays
    announced: int
    findings: tuple[Finding, ...]


def _planning_day(record: SiteRecord, evidence: Sequence[Entry]) -> date:
    """Give the day of the newest entry the plan rests on, at the site."""
    zone = ZoneInfo(record.site.time_zone)
    return max(entry.device_time.astimezone(zone).date() for entry in evidence)


def _expected(record: SiteRecord, pallets: pl.DataFrame) -> pl.DataFrame:
    """Give ``pallet``, ``noted_on``, ``scanned_on`` and ``ordered_for`` of every pallet."""
    notes = (
        record.rows(DELIVERY_NOTE)
        .select(pallet=normal_pallet(pl.col("pallet")), noted_on=pl.col("delivered_on"))
        .drop_nulls()
        .group_by("pallet")
        .agg(pl.col("noted_on").max())
    )
    scans = (
        record.rows(PALLET_SCANS)
        .select(
            pallet=normal_pallet(pl.col("pallet")),
            scanned_on=pl.col("scanned_at").dt.convert_time_zone(record.site.time_zone).dt.date(),
        )
        .drop_nulls()
        .group_by("pallet")
        .agg(pl.col("scanned_on").min())
    )
    keys = {
        name: record.site.module_type_key(name) or name
        for name in record.rows(ORDER)["module_type"].drop_nulls().unique().to_list()
    }
    orders = (
        record.rows(ORDER)
        .filter(pl.col("deliver_on").is_not_null())
        .select(
            pl.col("module_type").replace(keys),
            pl.col("power_class_w").round(1),
            pl.col("current_class").fill_null(""),
            "deliver_on",
        )
        .group_by(_CLASS)
        .agg(pl.col("deliver_on").max().alias("ordered_for"))
    )
    return (
        pallets.with_columns(
            pl.col("power_class_w").round(1), pl.col("current_class").fill_null("")
        )
        .join(notes, on="pallet", how="left", maintain_order="left")
        .join(scans, on="pallet", how="left", maintain_order="left")
        .join(orders, on=list(_CLASS), how="left", maintain_order="left", nulls_equal=True)
    )


def _announced() -> pl.Expr:
    told = pl.col("reasons").list.len() > 0
    only = pl.col("reasons").list.eval(pl.element().is_in(list(_ONLY_NOT_HERE))).list.all()
    return (pl.col("verdict") == "hold") & told & only


def _overdue(pallets: pl.DataFrame, planning_day: date) -> tuple[Finding, ...]:
    if pallets.is_empty():
        return ()
    names = ", ".join(pallets["pallet"].sort().head(3).to_list())
    more = f" and {pallets.height - 3} more" if pallets.height > 3 else ""
    return (
        Finding(
            check="allocation-announced",
            subject_kind="site",
            subject="stock",
            verdict=Verdict.REVIEW,
            message=f"{pallets.height} pallets are announced without a day after {planning_day} on "
            f"which they are expected, and were left out: {names}{more}.",
            remedy="Ask the supplier for the day, and receive a delivery note that names it.",
            value=float(pallets.height),
            unit="pallets",
        ),
    )


def stock_with_days(
    record: SiteRecord,
    *,
    modules: pl.DataFrame,
    pallets: pl.DataFrame,
    evidence: Sequence[Entry],
) -> Dated:
    """Give what may be planned with, and from which day.

    An accepted pallet is here since the day of its delivery note, or else of its scan. Where
    building dates are described, a pallet that is held for no other reason than that it has not
    come is planned with from the day its delivery note or else its order names. The planning day
    is that of the newest entry in ``evidence``, so that the same record gives the same plan.
    """
    planning_day = _planning_day(record, evidence)
    dated = record.site.building is not None or (
        "build_date" in record.site.strings.columns
        and record.site.strings["build_date"].is_not_null().any()
    )
    known = _expected(record, pallets)
    here = known.filter(pl.col("verdict") == "accept").select(
        "pallet",
        "arrival",
        day=pl.min_horizontal(
            pl.coalesce("noted_on", "scanned_on", pl.lit(planning_day)), pl.lit(planning_day)
        ),
        announced=pl.lit(value=False),
    )
    coming = known.filter(_announced()).select(
        "pallet",
        "arrival",
        day=pl.coalesce("noted_on", "ordered_for"),
        announced=pl.lit(value=True),
    )
    expected = coming.filter(
        (pl.col("day") > planning_day).fill_null(value=False) & pl.lit(value=dated)
    )
    usable = pl.concat([here, expected])
    stock = modules.filter(pl.col("usable")).join(
        usable.select("pallet", "arrival"), on="pallet", how="inner", maintain_order="left"
    )
    late = coming.join(expected, on="pallet", how="anti") if dated else coming.clear()
    return Dated(
        stock=stock,
        days=stock_days(planning_day, usable.select("pallet", "day", "announced")),
        announced=expected.height,
        findings=_overdue(late, planning_day),
    )
