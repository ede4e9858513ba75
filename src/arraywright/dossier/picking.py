"""The picking lists: which pallet goes to which drop point, for which strings, in which order."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

import polars as pl

from arraywright.dossier.allocation_worth import (
    Worth,
    stack_blocks,
    worth_blocks,
    yard_blocks,
)
from arraywright.dossier.blocks import (
    Block,
    Caution,
    Document,
    FindingList,
    Heading,
    Paragraph,
    Table,
)
from arraywright.dossier.words import local_time, number
from arraywright.findings import Finding

__all__ = ["PRINTED_CHANGES", "PRINTED_PICKS", "change_rows", "picking_document", "plans_table"]

PRINTED_CHANGES: Final = 500
"""Strings with changes printed at most; the table beside holds all."""
PRINTED_PICKS: Final = 3000
"""Rows printed at most; drop points are built in order, and the table beside holds all."""


def plans_table(plans: Sequence[tuple[str, float, float, int]]) -> Table:
    """Give the plans as a table: name, loss [W], loss ratio, pallet openings."""
    return Table(
        headings=("Plan", "Mismatch loss [W at STC]", "Mismatch loss [%]", "Pallet openings"),
        rows=[
            (name, number(loss_w, 0), f"{100.0 * loss_ratio:.4f}", str(openings))
            for name, loss_w, loss_ratio, openings in plans
        ],
        align=("left", "right", "right", "right"),
        widths=(3, 1.4, 1.2, 1),
    )


def _picking_table(rows: pl.DataFrame) -> Table:
    dated, placed = (
        rows["day"].null_count() < rows.height,
        rows["stands"].null_count() < rows.height,
    )
    return Table(
        headings=(
            "No.",
            *(("Day",) if dated else ()),
            "Pallet",
            *(("Stands",) if placed else ()),
            "For strings",
            "Take",
            "Left",
            "Remark",
            "Done",
        ),
        rows=[
            (
                str(row["order"]),
                *((str(row["day"]),) if dated else ()),
                str(row["pallet"]),
                *((str(row["stands"] or ""),) if placed else ()),
                str(row["strings"]),
                str(row["modules_taken"]),
                str(row["modules_left"]),
                str(row["remark"] or ""),
                "☐",
            )
            for row in rows.iter_rows(named=True)
        ],
        align=(
            "right",
            *(("left",) if dated else ()),
            "left",
            *(("left",) if placed else ()),
            "left",
            "right",
            "right",
            "left",
            "center",
        ),
        widths=(
            0.5,
            *((1.3,) if dated else ()),
            2.4,
            *((1.8,) if placed else ()),
            2.7,
            0.6,
            0.6,
            2.6,
            0.6,
        ),
    )


def change_rows(changes: pl.DataFrame, *, dated: bool) -> list[tuple[str, ...]]:
    """Give what changes for the crews as printed rows."""
    return [
        (
            str(row["drop_point"]),
            str(row["string"]),
            *((str(row["day"] or "–"),) if dated else ()),
            str(row["was"] or "nothing"),
            str(row["now"] or "nothing"),
            str(row["why"]),
        )
        for row in changes.iter_rows(named=True)
    ]


def _change_blocks(changes: pl.DataFrame, *, dated: bool) -> list[Block]:
    if changes.is_empty():
        return []
    shown = changes.head(PRINTED_CHANGES)
    blocks: list[Block] = [
        Heading(text="What changes for the crews"),
        Table(
            headings=("Drop point", "String", *(("Day",) if dated else ()), "Was", "Is", "Why"),
            rows=change_rows(shown, dated=dated),
            widths=(1, 1, *((1.1,) if dated else ()), 2.4, 2.4, 2.6),
        ),
    ]
    if shown.height < changes.height:
        blocks.append(
            Paragraph(
                text=f"{changes.height - shown.height} more strings stand in changes.csv beside "
                "this document."
            )
        )
    return blocks


def picking_document(
    *,
    site_name: str,
    time_zone: str,
    made_at: datetime,
    made_by: str,
    worth: Worth,
    changes: pl.DataFrame,
    picking: pl.DataFrame,
    cautions: Sequence[str],
    findings: Sequence[Finding],
) -> Document:
    """Make the picking lists, one chapter a drop point, between worth and yard.

    Args:
        site_name: name of the site.
        time_zone: IANA name of the site's time zone.
        made_at: moment of the plan.
        made_by: software and version.
        worth: what the plan is worth, and the yard.
        changes: what changes for the crews since the plan before; empty when nothing does.
        picking: frame of the picking list with ``day`` and ``stands``.
        cautions: cautions for whoever works by the list.
        findings: shortages and what was set aside.
    """
    sentences = worth.summary["sentences"]
    blocks: list[Block] = [
        Paragraph(text=str(sentences[0])),
        Caution(lines=tuple(cautions)),
        *_change_blocks(changes, dated=bool(worth.summary["dated"])),
        Heading(text="Shortages and notes"),
        FindingList(findings=tuple(findings), none="Every string is planned."),
        *worth_blocks(worth),
        *yard_blocks(worth),
    ]
    printed = 0
    for (drop_point,), rows in picking.group_by("drop_point", maintain_order=True):
        shown = rows.head(PRINTED_PICKS - printed)
        if shown.is_empty():
            break
        printed += shown.height
        blocks += [Heading(text=f"Drop point {drop_point}"), _picking_table(shown)]
    if printed < picking.height:
        blocks.append(
            Paragraph(
                text=f"{picking.height - printed} more rows, in building order after these, stand "
                "in picking-lists.csv beside this document."
            )
        )
    return Document(
        title="Picking lists",
        site=site_name,
        made_at=local_time(made_at, time_zone),
        made_by=made_by,
        blocks=(*blocks, *stack_blocks(worth)),
    )
