"""What a park plan says on the terminal and in the picking lists' document."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, Literal

import polars as pl

from arraywright import __version__
from arraywright.allocation import PICKING_CAUTIONS
from arraywright.allocation.yard import YARD_CAUTIONS
from arraywright.dossier.allocation_worth import (
    Worth,
    class_rows,
    plan_rows,
    trade_rows,
    yard_rows,
)
from arraywright.dossier.blocks import Document
from arraywright.dossier.picking import picking_document
from arraywright.findings import Finding, Verdict
from arraywright.procedures.exports import csv_bytes
from arraywright.procedures.report import ReportTable
from arraywright.procedures.site_record import SiteRecord
from arraywright.records.entry import Entry

__all__ = ["allocation_csvs", "allocation_document", "allocation_tables"]

_CSVS: Final = {
    "picking-lists.csv": "picking",
    "allocation.csv": "assignments",
    "spares.csv": "spares",
    "yard-plan.csv": "yard_stacks",
    "yard-days.csv": "yard_days",
    "trade-off.csv": "trade_off",
    "piles.csv": "piles",
}
_SHOWN: Final = 30


def _worth(record: SiteRecord, entry: Entry, summary: Mapping[str, Any]) -> Worth:
    return Worth(
        summary=summary,
        classes=record.load_frame(entry, "classes"),
        trade_off=record.load_frame(entry, "trade_off"),
        yard_days=record.load_frame(entry, "yard_days"),
        yard_stacks=record.load_frame(entry, "yard_stacks"),
        yard_cautions=YARD_CAUTIONS,
    )


def _left_then_right(columns: int) -> tuple[Literal["left", "right"], ...]:
    others: list[Literal["left", "right"]] = ["right"] * (columns - 1)
    return ("left", *others)


def allocation_tables(
    record: SiteRecord, entry: Entry, summary: Mapping[str, Any]
) -> tuple[ReportTable, ...]:
    """Give the tables of a plan: plans, classes, ways to build, yard, pallets per drop point."""
    worth = _worth(record, entry, summary)
    money = str(summary["currency"])
    picking = record.load_frame(entry, "picking")
    per_drop = picking.group_by("drop_point", maintain_order=True).agg(
        pl.col("day").min(), pl.len().alias("openings"), pl.col("modules_taken").sum()
    )
    dated = bool(summary["dated"])
    yard = yard_rows(worth)
    tables = [
        ReportTable(
            title=f"Plans compared (money in {money} over {summary['life_years']:g} years)",
            headings=(
                "Plan",
                "Strings",
                "Inputs in part",
                "Openings",
                "Loss [W]",
                "Loss [%]",
                "Mismatch",
                "Handling",
                "Together",
            ),
            rows=plan_rows(worth),
            align=("left", *("right",) * 8),
        ),
        ReportTable(
            title="Classes (second order; least: proven for whole pallets)",
            headings=(
                "Class",
                "Strings",
                "Pallets",
                "Built",
                "Arrival [W]",
                "Plan [W]",
                "Whole [W]",
                "Least [W]",
                "Gap [%]",
            ),
            rows=class_rows(worth)[:_SHOWN],
            align=("left", "right", "right", "left", "right", "right", "right", "right", "right"),
            more=max(0, worth.classes.height - _SHOWN),
        ),
        ReportTable(
            title=f"Handling against mismatch ({money}, second order)",
            headings=("Way to build", "Loss [W]", "Mismatch", "Handling", "Together", ""),
            rows=trade_rows(worth),
            align=("left", *("right",) * 4, "left"),
        ),
        ReportTable(
            title="Yard",
            headings=yard.headings,
            rows=yard.rows[:_SHOWN],
            align=_left_then_right(len(yard.headings)),
            more=max(0, len(yard.rows) - _SHOWN),
        ),
        ReportTable(
            title="Pallets per drop point",
            headings=(
                "Drop point",
                *(("First built on",) if dated else ()),
                "Pallet openings",
                "Modules",
            ),
            rows=[
                (
                    str(row["drop_point"]),
                    *((str(row["day"]),) if dated else ()),
                    str(row["openings"]),
                    str(row["modules_taken"]),
                )
                for row in per_drop.head(_SHOWN).iter_rows(named=True)
            ],
            align=("left", *(("left",) if dated else ()), "right", "right"),
            more=max(0, per_drop.height - _SHOWN),
        ),
    ]
    return tuple(table for table in tables if table.rows)


def allocation_document(
    record: SiteRecord,
    entry: Entry,
    summary: Mapping[str, Any],
    *,
    findings: Sequence[Finding],
) -> Document:
    """Make the picking lists with what the plan is worth and how the yard is used."""
    return picking_document(
        site_name=record.site.name,
        time_zone=record.site.time_zone,
        made_at=entry.device_time,
        made_by=f"Arraywright {__version__}",
        worth=_worth(record, entry, summary),
        picking=record.load_frame(entry, "picking"),
        cautions=PICKING_CAUTIONS,
        findings=[one for one in findings if one.verdict is not Verdict.PASS],
    )


def allocation_csvs(record: SiteRecord, entry: Entry) -> dict[str, bytes]:
    """Give the tables that go with the plan, by file name; piles only where some are made."""
    frames = {name: record.load_frame(entry, key) for name, key in _CSVS.items()}
    return {
        name: csv_bytes(frame)
        for name, frame in frames.items()
        if name != "piles.csv" or not frame.is_empty()
    }
