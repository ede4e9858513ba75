"""The receiving report."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

import polars as pl

from arraywright.dossier.blocks import (
    Block,
    Caution,
    Document,
    FindingList,
    Heading,
    Paragraph,
    Table,
)
from arraywright.dossier.words import GENERAL_CAUTION, class_text, local_time, number
from arraywright.findings import Finding, Verdict

__all__ = ["balance_table", "pallets_table", "receiving_report", "sampling_blocks"]

_GRAVITY: Final = {"refuse": 0, "hold": 1, "accept": 2}


def balance_table(balance: pl.DataFrame) -> Table:
    """Give the order balance as a table."""
    return Table(
        headings=("Type", "Class", "Ordered", "Noted", "Seen", "Accepted", "Missing", "Surplus"),
        rows=[
            (
                str(row["module_type"]),
                class_text(row["power_class_w"], row["current_class"]),
                number(row["ordered"], 0),
                number(row["noted"], 0),
                number(row["delivered"], 0),
                number(row["accepted"], 0),
                number(row["missing"], 0),
                number(row["surplus"], 0),
            )
            for row in balance.iter_rows(named=True)
        ],
        align=("left", "left", *("right",) * 6),
        widths=(2, 1.4, 1, 1, 1, 1, 1, 1),
        caption="Modules by class.",
    )


def pallets_table(pallets: pl.DataFrame) -> Table:
    """Give the pallets as a table, refused and held ones first."""
    ordered = pallets.with_columns(
        pl.col("verdict").replace_strict(_GRAVITY, default=0).alias("_gravity")
    ).sort("_gravity", "delivery_note", "pallet", nulls_last=True)
    return Table(
        headings=(
            "Pallet",
            "Delivery note",
            "Class",
            "Note",
            "Scan",
            "Flash",
            "Usable",
            "Verdict",
            "Reasons",
        ),
        rows=[
            (
                str(row["pallet"]),
                str(row["delivery_note"] or "–"),
                class_text(row["power_class_w"], row["current_class"]),
                number(row["modules_note"], 0),
                number(row["modules_scan"], 0),
                number(row["modules_flash"], 0),
                number(row["modules_usable"], 0),
                str(row["verdict"]),
                ", ".join(row["reasons"]),
            )
            for row in ordered.iter_rows(named=True)
        ],
        align=("left", "left", "left", "right", "right", "right", "right", "left", "left"),
        widths=(2.6, 1.7, 1.3, 0.7, 0.7, 0.7, 0.8, 1.1, 2.2),
        verdict_column=7,
        caption="Modules on each pallet by delivery note, by scan and by flash list.",
    )


def sampling_blocks(
    lots: Sequence[Sequence[str]], items: Sequence[Sequence[str]], cautions: Sequence[str]
) -> list[Block]:
    """Give the part about incoming inspection: the lots with their plans, and what to look for."""
    return [
        Heading(text="Incoming inspection"),
        Paragraph(
            text="Each lot is inspected by a sample (ISO 2859-1, single sampling, normal "
            "inspection). Accept the lot while the modules found defective are not more than the "
            "accept number; from the reject number on, hold the whole lot."
        ),
        Caution(lines=tuple(cautions)),
        Table(
            headings=("Lot", "Modules", "Class of defect", "AQL", "Code", "Sample", "Ac", "Re"),
            rows=lots,
            align=("left", "right", "left", "right", "left", "right", "right", "right"),
            widths=(3, 1, 1.4, 0.8, 0.7, 0.9, 0.6, 0.6),
        ),
        Heading(text="What to look for on each module of the sample", level=2),
        Table(headings=("Part", "Look for", "Class of defect"), rows=items, widths=(1.2, 5, 1)),
    ]


def receiving_report(
    *,
    site_name: str,
    time_zone: str,
    made_at: datetime,
    made_by: str,
    files: Sequence[Sequence[str]],
    balance: pl.DataFrame,
    pallets: pl.DataFrame,
    findings: Sequence[Finding],
    inspection: Sequence[Block],
) -> Document:
    """Make the receiving report of everything received so far.

    Args:
        site_name: name of the site.
        time_zone: IANA name of the site's time zone.
        made_at: moment of the reconciliation reported.
        made_by: software and version.
        files: one row a file: name, what it holds, rows, used, reported.
        balance: order balance of a reconciliation.
        pallets: pallets of a reconciliation.
        findings: findings of reading and reconciling.
        inspection: the part about incoming inspection.
    """
    counts = {
        verdict: pallets.filter(pl.col("verdict") == verdict).height
        for verdict in ("accept", "hold", "refuse")
    }
    wrong = tuple(one for one in findings if one.verdict is not Verdict.PASS)
    return Document(
        title="Receiving report",
        site=site_name,
        made_at=local_time(made_at, time_zone),
        made_by=made_by,
        blocks=(
            Paragraph(
                text=f"{counts['accept']} pallets accepted, {counts['hold']} held, "
                f"{counts['refuse']} refused, of {pallets.height} that any list, note or scan "
                "names."
            ),
            Caution(lines=GENERAL_CAUTION),
            Heading(text="Files"),
            Table(
                headings=("File", "Holds", "Rows", "Used", "Reported"),
                rows=files,
                align=("left", "left", "right", "right", "right"),
                widths=(3, 2, 1, 1, 1),
            ),
            Heading(text="Order balance"),
            balance_table(balance),
            Heading(text="What is wrong"),
            FindingList(findings=wrong, none="Nothing was found wrong."),
            Heading(text="Pallets"),
            pallets_table(pallets),
            *inspection,
        ),
    )
