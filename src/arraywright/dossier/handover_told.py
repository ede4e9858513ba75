"""Chapters of what people told: points settled, incidents, recalls."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import polars as pl

from arraywright.dossier.blocks import Block, Caution, Facts, Heading, Paragraph, Table
from arraywright.dossier.handover_parts import (
    PRINTED_ROWS,
    HandoverParts,
    IncidentPart,
    RecallPart,
    Settlement,
)
from arraywright.dossier.words import local_time, verdict_word

__all__ = ["incident_blocks", "recall_blocks", "settled_blocks", "told_facts"]

_TOLD_ONE_BY_ONE: Final = 60
_MODULES_PRINTED: Final = 120
_NAMES: Final = 40
_STATES: Final = {"placed": "in place", "yard": "in the yard", "unknown": "not known here"}
_INSPECTED: Final = {"sound": "sound", "ask": "to be asked", "apart": "set apart"}
_CAUTION: Final = (
    (
        "A module that fell, burned, stood in water or is called back can be live, leak or break "
        "although it looks sound."
    ),
    (
        "Modules in place are taken out isolated, never under load, by licensed people; what the "
        "maker writes decides."
    ),
)


def settled_blocks(parts: HandoverParts) -> list[Block]:
    """Give the part of open points about those that somebody settled."""
    if not parts.settled:
        return []
    zone = parts.site.time_zone
    shown = parts.settled[-PRINTED_ROWS:]
    left = len(parts.settled) - len(shown)
    return [
        Heading(text="Settled by a person", level=2),
        Paragraph(
            text="Whoever settles a point answers for it; the verdict of a check stays as it is. "
            "Every entry stands in the record under that person's name."
            + (f" The newest {len(shown)} are printed; all are in open-points.csv." if left else "")
        ),
        Table(
            headings=("Verdict", "About", "What was found or told", "Settled by", "Why"),
            rows=[
                (
                    verdict_word(one.finding.verdict.value),
                    f"{one.finding.subject_kind} {one.finding.subject}",
                    one.finding.message,
                    f"{one.settlement.person}, {local_time(one.settlement.at, zone)[:16]}",
                    _why(one.settlement),
                )
                for one in shown
            ],
            widths=(1.1, 1.5, 3.4, 1.5, 2.5),
            verdict_column=0,
        ),
    ]


def _why(settlement: Settlement) -> str:
    told = f" Inspected or done: {settlement.inspected}" if settlement.inspected else ""
    return f"{settlement.reason}{told}"


def told_facts(parts: HandoverParts) -> list[tuple[str, str]]:
    """Give what the summary says of settled points, incidents and recalls."""
    facts = []
    if parts.settled:
        facts.append(("Points settled", f"{len(parts.settled)}, each with who, when and why"))
    if parts.incidents:
        still = sum(one.settlement is None for one in parts.incidents)
        facts.append(("Incidents", f"{len(parts.incidents)}, of which {still} not settled"))
    standing = [one for one in parts.recalls if one.withdrawn is None]
    if standing:
        still = sum(one.settlement is None for one in standing)
        facts.append(("Recalls", f"{len(standing)}, of which {still} not settled"))
    return facts


def _module_blocks(modules: pl.DataFrame, *, zone: str, table: str) -> list[Block]:
    if modules.is_empty():
        return [Paragraph(text="No module is named, or none that this site knows.")]
    counts = dict(modules.group_by("state").len().rows())
    looked = modules["inspected"].is_not_null().sum()
    told = ", ".join(f"{counts[name]} {word}" for name, word in _STATES.items() if name in counts)
    blocks: list[Block] = [
        Paragraph(
            text=f"{modules.height} modules: {told}; {looked} were inspected since."
            + (
                f" {_MODULES_PRINTED} are printed; all are in {table}."
                if modules.height > _MODULES_PRINTED
                else ""
            )
        )
    ]
    rows = []
    for row in modules.head(_MODULES_PRINTED).iter_rows(named=True):
        where = (
            f"string {row['string']}, place {row['place_in_string']}"
            if row["state"] == "placed"
            else _STATES[row["state"]]
        )
        seen = (
            "–"
            if row["inspected"] is None
            else f"{_INSPECTED[row['inspected']]}, {row['inspected_by']}, "
            f"{local_time(row['inspected_at'], zone)[:16]}"
        )
        rows.append((row["serial"], row["pallet"] or "–", where, row["position"] or "–", seen))
    return [
        *blocks,
        Table(
            headings=("Serial", "Pallet", "Where it is now", "Position", "Inspected since"),
            rows=rows,
            widths=(2, 2, 2.2, 1.8, 2.4),
        ),
    ]


def _named(names: Sequence[str]) -> str:
    more = f" and {len(names) - _NAMES} more" if len(names) > _NAMES else ""
    return ", ".join(names[:_NAMES]) + more if names else "nothing"


def _settled(settlement: Settlement | None, zone: str) -> list[tuple[str, str]]:
    if settlement is None:
        return [("Settled", "no: it is open")]
    return [
        ("Inspected or done", settlement.inspected or "not said"),
        ("Settled", f"{settlement.person}, {local_time(settlement.at, zone)}"),
        ("Why", settlement.reason),
    ]


def _incident(one: IncidentPart, zone: str) -> list[Block]:
    facts = [
        ("What happened", one.told or "not told"),
        ("Told by", f"{one.person}, {local_time(one.at, zone)}, {one.source}"),
        ("About", _named(one.names)),
        *_settled(one.settlement, zone),
    ]
    if one.photos:
        facts.append(("Photographs by SHA-256", _named(one.photos)))
    return [
        Heading(text=f"{one.day}: {one.what}", level=2),
        Facts(pairs=tuple(facts)),
        *_module_blocks(one.modules, zone=zone, table="incidents.csv"),
    ]


def incident_blocks(parts: HandoverParts) -> list[Block]:
    """Give the chapter of incidents: what happened, which modules, where they are now."""
    heading = Heading(text="Incidents")
    if not parts.incidents:
        return [heading, Paragraph(text="No incident stands in the record.")]
    zone = parts.site.time_zone
    blocks: list[Block] = [heading, Caution(lines=_CAUTION)]
    left = len(parts.incidents) - _TOLD_ONE_BY_ONE
    if left > 0:
        blocks.append(
            Paragraph(
                text=f"{_TOLD_ONE_BY_ONE} of {len(parts.incidents)} incidents are told here, open "
                "ones before; all are in incidents.csv."
            )
        )
    for one in parts.incidents[:_TOLD_ONE_BY_ONE]:
        blocks += _incident(one, zone)
    return blocks


def _recall(one: RecallPart, zone: str) -> list[Block]:
    facts = [
        ("What the maker says", one.reason),
        ("Entered by", f"{one.person}, {local_time(one.at, zone)}"),
        ("Chosen by", one.chosen),
    ]
    if one.undated:
        facts.append(("Left out", f"{one.undated} modules whose flash day is not known"))
    if one.withdrawn is not None:
        back = one.withdrawn
        facts.append(("Taken back", f"{back.person}, {local_time(back.at, zone)}: {back.reason}"))
        return [Heading(text="Recall taken back", level=2), Facts(pairs=tuple(facts))]
    return [
        Heading(text=f"Recall of {one.modules.height} modules", level=2),
        Facts(pairs=(*facts, *_settled(one.settlement, zone))),
        *_module_blocks(one.modules, zone=zone, table="recalls.csv"),
    ]


def recall_blocks(parts: HandoverParts) -> list[Block]:
    """Give the chapter of recalls; nothing when the maker never called modules back."""
    if not parts.recalls:
        return []
    zone = parts.site.time_zone
    blocks: list[Block] = [Heading(text="Recalls")]
    if not parts.incidents:
        blocks.append(Caution(lines=_CAUTION))
    if len(parts.recalls) > _TOLD_ONE_BY_ONE:
        blocks.append(
            Paragraph(
                text=f"{_TOLD_ONE_BY_ONE} of {len(parts.recalls)} recalls are told here; all are "
                "in recalls.csv."
            )
        )
    for one in parts.recalls[:_TOLD_ONE_BY_ONE]:
        blocks += _recall(one, zone)
    return blocks
