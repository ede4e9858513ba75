"""Open points that phones entered: defects, incidents, wrong modules, values out of range."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final
from zoneinfo import ZoneInfo

from arraywright.findings import Finding, Verdict
from arraywright.plant import Site
from arraywright.procedures.field_marks import marked_entries
from arraywright.procedures.field_rows import (
    MODULE_INSPECTED,
    MODULE_PLACED,
    PLACEMENT_UNDONE,
    body_of,
    moment_of,
)
from arraywright.records.entry import Entry
from arraywright.records.journal import Journal

__all__ = ["FIELD_POINT_KINDS", "INCIDENT_REPORTED", "FieldPoint", "field_points"]

INCIDENT_REPORTED: Final = "incident_reported"
"""Kind of entry by which a phone reports an incident."""

FIELD_POINT_KINDS: Final = (
    "pallet_received",
    "pallet_opened",
    MODULE_INSPECTED,
    MODULE_PLACED,
    PLACEMENT_UNDONE,
    "position_skipped",
    "torque_checked",
    "string_connected",
    "defect_reported",
    INCIDENT_REPORTED,
    "cleaning_done",
)
"""Kinds of entry of phones that can leave something open."""

_SKIPPED: Final = "position_skipped"
_ALWAYS: Final = {"defect_reported", INCIDENT_REPORTED}
_READ_ALL: Final = (*sorted(_ALWAYS), _SKIPPED, MODULE_INSPECTED)
_GRAVE: Final = {"danger", "fire", "person_hurt"}
_SAYS: Final = {
    "pallet_received": "The pallet was not received as it should be",
    "pallet_opened": "The pallet was not in order when it was opened",
    MODULE_INSPECTED: "The module was not found sound",
    MODULE_PLACED: "The module was placed although it was judged wrong",
    "position_skipped": "The position was left out",
    "torque_checked": "The torque is outside its range",
    "string_connected": "The string is not wholly bonded",
    "defect_reported": "A defect was reported",
    INCIDENT_REPORTED: "An incident was reported",
    "cleaning_done": "The cleaning went beyond its limits",
}
_REMEDY: Final = {
    MODULE_PLACED: "Look at it on site: leave it with a decision, or exchange it. Isolated, never "
    "under load, by licensed people.",
    "torque_checked": "Check the bolts of this table again with a calibrated wrench.",
    "position_skipped": "Place a module there, or decide that it stays empty.",
}
_TOLD: Final = (
    "judgement",
    "reason",
    "severity",
    "incident_kind",
    "what",
    "condition",
    "bonding",
    "defects",
    "modules_counted",
    "modules_listed",
    "torque_nm",
    "pressure_bar",
    "range",
    "note",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldPoint:
    """What an entry of a phone leaves open.

    Attributes:
        uuid: the entry.
        finding: what is open.
    """

    uuid: str
    finding: Finding


def _is_open(entry: Entry, body: dict[str, Any]) -> bool:
    if entry.kind in _ALWAYS or entry.kind == _SKIPPED:
        return True
    if entry.kind == MODULE_INSPECTED:
        return body.get("result") in {"apart", "ask"}
    return body.get("open_point") is True


def _placed(journal: Journal) -> set[str]:
    """Positions that a module was placed in."""
    found = set()
    for entry in journal.live(kind=MODULE_PLACED):
        body = body_of(entry)
        if body is not None and isinstance(body.get("position"), str):
            found.add(body["position"])
    return found


def _words(value: object) -> str:
    return ", ".join(str(one) for one in value) if isinstance(value, list) else str(value)


def field_points(journal: Journal, site: Site) -> tuple[FieldPoint, ...]:
    """Give what live entries of phones leave open, in the record's order.

    A skipped position is open only until a module is placed there.
    """
    entries: list[tuple[Entry, dict[str, Any]]] = []
    for entry in reversed(marked_entries(journal, always=_READ_ALL)):
        body = body_of(entry)
        if entry.kind in FIELD_POINT_KINDS and body is not None:
            entries.append((entry, body))
    zone = ZoneInfo(site.time_zone)
    filled = _placed(journal) if any(one.kind == _SKIPPED for one, _ in entries) else set()
    known = set(site.positions["position"].to_list())
    found: list[FieldPoint] = []
    for entry, body in entries:
        if not _is_open(entry, body):
            continue
        if entry.kind == _SKIPPED and (entry.subject in filled or entry.subject not in known):
            continue
        told = "; ".join(f"{key} {_words(body[key])}" for key in _TOLD if body.get(key))
        grave = {body.get("severity"), body.get("incident_kind")} & _GRAVE
        failed = grave or body.get("result") == "apart" or entry.kind == MODULE_PLACED
        finding = Finding(
            check=entry.kind.replace("_", "-"),
            subject_kind=entry.subject_kind,
            subject=entry.subject,
            verdict=Verdict.FAIL if failed else Verdict.REVIEW,
            message=f"{_SAYS[entry.kind]} ({entry.person}, "
            f"{moment_of(entry, body).astimezone(zone):%Y-%m-%d %H:%M}"
            f"{', ' + body['position'] if isinstance(body.get('position'), str) else ''})"
            f"{': ' + told if told else ''}.",
            remedy=_REMEDY.get(entry.kind, "Look at it on site and decide."),
            found=told,
            basis="common-practice",
        )
        found.append(FieldPoint(uuid=entry.uuid, finding=finding))
    return tuple(found)
