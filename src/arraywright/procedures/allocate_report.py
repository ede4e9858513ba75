"""What a park plan says on the terminal and in the picking lists' document."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, Literal

import polars as pl

from arraywright import __version__
from arraywright.allocation import PICKING_CAUTIONS
from arraywright.allocation.explain import Explanation
from arraywright.allocation.yard import YARD_CAUTIONS
from arraywright.dossier.allocation_worth import (
    Worth,
    class_rows,
    plan_rows,
    trade_rows,
    yard_rows,
)
from arraywright.dossier.blocks import Document
from arraywright.dossier.picking import change_rows, picking_document
from arraywright.findings import Finding, Verdict
from arraywright.procedures.exports import csv_bytes
from arraywright.procedures.report import ReportTable
from arraywright.procedures.site_record import SiteRecord
from arraywright.records.entry import Entry

__all__ = [
    "SOMETIMES_WRITTEN",
    "allocation_csvs",
    "allocation_document",
    "allocation_tables",
    "explanation_tables",
]

_CSVS: Final = {
    "picking-lists.csv": "picking",
    "allocation.csv": "assignments",
    "spares.csv": "spares",
    "yard-plan.csv": "yard_stacks",
    "yard-days.csv": "yard_days",
    "trade-off.csv": "trade_off",
    "piles.csv": "piles",
    "changes.csv": "changes",
    "reserved.csv": "reserved",
}
SOMETIMES_WRITTEN: Final = ("piles.csv", "changes.csv", "reserved.csv")
"""Tables that are written only when there is something in them."""
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
        _changes_table(record.load_frame(entry, "changes"), dated=dated),
        _reserved_table(record.load_frame(entry, "reserved")),
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


def _changes_table(changes: pl.DataFrame, *, dated: bool) -> ReportTable:
    shown = changes.head(_SHOWN)
    return ReportTable(
        title="What changes for the crews",
        headings=("Drop point", "String", *(("Day",) if dated else ()), "Was", "Is", "Why"),
        rows=change_rows(shown, dated=dated),
        more=changes.height - shown.height,
    )


def _reserved_table(reserved: pl.DataFrame) -> ReportTable:
    """Give the modules of each class by what becomes of them."""
    counts = ("here", "to_come", "next_days", "later_known", "later_to_come", "over")
    return ReportTable(
        title="Kept of each class (modules)",
        headings=(
            "Class",
            "Known",
            "To come",
            "These days",
            "Known, for later",
            "To come, for later",
            "Over",
        ),
        rows=[
            (
                f"{row['module_type']} {row['power_class_w']:g} W {row['current_class']}".strip(),
                *(str(row[name]) for name in counts),
            )
            for row in reserved.iter_rows(named=True)
        ],
        align=_left_then_right(7),
    )


def explanation_tables(held: Explanation, currency: str) -> tuple[ReportTable, ...]:
    """Give what a string gets, and what others in the place of its pallets would cost."""
    return (
        ReportTable(
            title=f"What {held.string} gets",
            headings=(
                "Pallet",
                "Here since",
                "Modules",
                "Mean current of them [A]",
                "Of the pallet [A]",
                "Opened as no.",
            ),
            rows=[
                (
                    share.pallet,
                    str(share.arrived),
                    str(share.modules),
                    f"{share.mean_imp_a:.3f}",
                    f"{share.pallet_mean_imp_a:.3f}",
                    str(share.opened_as),
                )
                for share in held.pallets
            ],
            align=("left", "left", "right", "right", "right", "right"),
        ),
        ReportTable(
            title=f"Others in their place ({held.tried:,} exchanges worked out)",
            headings=("Pallet", "Other", "Planned for", "Loss more [W]", f"Worth [{currency}]"),
            rows=[
                (
                    one.pallet,
                    one.other,
                    one.other_string or "left over",
                    f"{one.loss_w:+.2f}",
                    f"{one.money:+.2f}",
                )
                for one in held.exchanges
            ],
            align=("left", "left", "left", "right", "right"),
        ),
    )


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
        changes=record.load_frame(entry, "changes"),
        picking=record.load_frame(entry, "picking"),
        cautions=PICKING_CAUTIONS,
        findings=[one for one in findings if one.verdict is not Verdict.PASS],
    )


def allocation_csvs(record: SiteRecord, entry: Entry) -> dict[str, bytes]:
    """Give the tables that go with the plan, by file name."""
    frames = {name: record.load_frame(entry, key) for name, key in _CSVS.items()}
    return {
        name: csv_bytes(frame)
        for name, frame in frames.items()
        if name not in SOMETIMES_WRITTEN or not frame.is_empty()
    }
