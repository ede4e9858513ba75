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
from arraywright.findings import Finding, Verdict, group_findings

__all__ = [
    "balance_table",
    "findings_list",
    "pallet_blocks",
    "pallets_table",
    "receiving_report",
    "sampling_blocks",
]

_GRAVITY: Final = {"refuse": 0, "hold": 1, "accept": 2}
_ALIKE_SHOWN: Final = 20
_PALLETS_LISTED: Final = 1_500
_NOTES_LISTED: Final = 500
_LOTS_LISTED: Final = 100


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


def findings_list(findings: Sequence[Finding], *, none: str, listed_in: str) -> FindingList:
    """Give findings that are no passes; of those alike the first ones, the others counted.

    Args:
        findings: findings of any verdict.
        none: what is said when nothing is wrong.
        listed_in: where every one of them can be read.
    """
    told: list[Finding] = []
    for group in group_findings(
        (one for one in findings if one.verdict is not Verdict.PASS), each=_ALIKE_SHOWN
    ):
        told.extend(group.shown)
        if group.more:
            last = group.shown[-1]
            told.append(
                Finding(
                    check=last.check,
                    subject_kind=last.subject_kind,
                    subject="and others",
                    verdict=last.verdict,
                    message=f"{group.more:,} more of the same; each stands in {listed_in}.",
                    value=float(group.more),
                )
            )
    return FindingList(findings=tuple(told), none=none)


def _by_note(pallets: pl.DataFrame) -> Table:
    """Give how many pallets of each delivery note and class got which verdict."""
    keys = ["delivery_note", "module_type", "power_class_w", "current_class"]
    if pallets["delivery_note"].n_unique() > _NOTES_LISTED:
        keys = keys[1:]
    counted = (
        pallets.group_by(keys)
        .agg(
            *((pl.col("verdict") == word).sum().alias(word) for word in _GRAVITY),
            pl.col("modules_usable").sum(),
        )
        .sort(keys, nulls_last=True)
    )
    with_note = "delivery_note" in keys
    return Table(
        headings=(
            *(("Delivery note",) if with_note else ()),
            "Type",
            "Class",
            "Accepted",
            "Held",
            "Refused",
            "Usable modules",
        ),
        rows=[
            (
                *((str(row["delivery_note"] or "–"),) if with_note else ()),
                str(row["module_type"] or "–"),
                class_text(row["power_class_w"], row["current_class"]),
                number(row["accept"], 0),
                number(row["hold"], 0),
                number(row["refuse"], 0),
                number(row["modules_usable"], 0),
            )
            for row in counted.iter_rows(named=True)
        ],
        align=(*(("left",) if with_note else ()), "left", "left", *("right",) * 4),
        widths=(*((2.0,) if with_note else ()), 2, 1.4, 1, 1, 1, 1.4),
        caption="Pallets by delivery note and class."
        if with_note
        else "Pallets by class; pallets.csv holds each with its delivery note.",
    )


def pallet_blocks(pallets: pl.DataFrame) -> list[Block]:
    """Give the pallets: each of them, or of very many those not accepted and a count of all."""
    if pallets.height <= _PALLETS_LISTED:
        return [pallets_table(pallets)]
    open_pallets = pallets.filter(pl.col("verdict") != "accept")
    listed = open_pallets.sort(
        pl.col("verdict").replace_strict(_GRAVITY, default=0), "pallet"
    ).head(_PALLETS_LISTED)
    blocks: list[Block] = [_by_note(pallets)]
    if not listed.height:
        return blocks
    words = f"The {open_pallets.height:,} pallets that are not accepted:"
    if listed.height < open_pallets.height:
        words = (
            f"The first {listed.height:,} of {open_pallets.height:,} pallets that are not "
            "accepted, refused ones first; pallets.csv holds all:"
        )
    return [*blocks, Paragraph(text=words), pallets_table(listed)]


def _plans(lots: Sequence[Sequence[str]]) -> Table:
    """Give how many lots share each sampling plan."""
    counts: dict[tuple[str, ...], list[int]] = {}
    for row in lots:
        counts.setdefault(tuple(row[2:]), []).append(int(row[1]))
    return Table(
        headings=("Lots", "Modules a lot", "Class of defect", "AQL", "Code", "Sample", "Ac", "Re"),
        rows=[
            (
                f"{len(sizes):,}",
                str(min(sizes)) if min(sizes) == max(sizes) else f"{min(sizes)} to {max(sizes)}",
                *plan,
            )
            for plan, sizes in counts.items()
        ],
        align=("right", "right", "left", "right", "left", "right", "right", "right"),
        widths=(1, 1.6, 1.4, 0.8, 0.7, 0.9, 0.6, 0.6),
        caption="Lots by plan; inspection-lots.csv holds each lot.",
    )


def sampling_blocks(
    lots: Sequence[Sequence[str]], items: Sequence[Sequence[str]], cautions: Sequence[str]
) -> list[Block]:
    """Give the part about incoming inspection: the lots with their plans, and what to look for."""
    few = len({row[0] for row in lots}) <= _LOTS_LISTED
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
        )
        if few
        else _plans(lots),
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
            findings_list(
                findings,
                none="Nothing was found wrong.",
                listed_in="pallets.csv or discrepancies-for-supplier.csv",
            ),
            Heading(text="Pallets"),
            *pallet_blocks(pallets),
            *inspection,
        ),
    )
