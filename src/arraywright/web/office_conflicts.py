"""Placements that contradict each other, both stories told, settled by a further entry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from arraywright.errors import CallError
from arraywright.procedures.field_rows import MODULE_PLACED, PLACEMENT_RULES, PLACEMENT_UNDONE
from arraywright.procedures.site_record import SiteRecord
from arraywright.records import SUBJECT, ConflictsProjection, Entry, NewEntry, ProjectionRunner
from arraywright.records.entry import json_body, parse_body

__all__ = ["ShownConflict", "placement_conflicts", "withdraw_placement"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownConflict:
    """Live entries that contradict each other.

    Attributes:
        side: ``position``, ``serial``, or ``other`` for an entry that cannot be read.
        value: the position or serial that is named twice.
        stories: uuid, person, serial, position and at of each entry.
    """

    side: str
    value: str
    stories: tuple[dict[str, Any], ...]


def _story(entry: Entry) -> dict[str, Any]:
    body = parse_body(entry.body)
    return {
        "uuid": entry.uuid,
        "person": entry.person,
        "serial": entry.subject,
        "position": str(body.get("position", "")) if isinstance(body, dict) else "",
        "at": entry.device_time.isoformat(),
    }


def placement_conflicts(record: SiteRecord) -> list[ShownConflict]:
    """List placements that contradict each other."""
    projection = ConflictsProjection(PLACEMENT_RULES)
    ProjectionRunner(record.journal, [projection]).catch_up()
    shown = []
    for one in projection.conflicts(record.journal):
        entries = [record.journal.find(uuid) for uuid in one.uuids]
        side = {SUBJECT: "serial", "position": "position"}.get(one.side, "other")
        shown.append(
            ShownConflict(
                side=side,
                value=one.value or one.uuids[0],
                stories=tuple(_story(entry) for entry in entries if entry is not None),
            )
        )
    return shown


def withdraw_placement(record: SiteRecord, uuid: str, *, reason: str) -> Entry:
    """Take back that a module was placed, by an entry in place of the one that says so.

    Raises:
        CallError: there is no such placement, or no reason is given.
        RecordError: it was taken back already.
    """
    entry = record.journal.find(uuid)
    if entry is None or entry.kind != MODULE_PLACED or not reason.strip():
        raise CallError(
            "placement-unknown",
            "There is no such placement, or no reason is given.",
            "Open the page anew and say why.",
        )
    body = {"position": _story(entry)["position"], "reason": reason.strip()[:2000]}
    return record.journal.append(
        [
            NewEntry(
                kind=PLACEMENT_UNDONE,
                subject_kind=entry.subject_kind,
                subject=entry.subject,
                body=json_body(body),
                supersedes=uuid,
            )
        ]
    )[0]
