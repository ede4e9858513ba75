"""Open points: every finding that is not a pass, of checks and of people, and who settled it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from arraywright.dossier.handover_parts import Settlement
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.procedures.allocate import ALLOCATION_PLANNED
from arraywright.procedures.check_record import DESIGN_CHECKED
from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.field_points import FIELD_POINT_KINDS, field_points
from arraywright.procedures.field_rows import MODULES_RECALLED
from arraywright.procedures.incidents import INCIDENT, incident_points
from arraywright.procedures.recalls import RECALL_KINDS, recall_points
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.settlements import POINT_SETTLED, enter_settlement, settlements
from arraywright.procedures.site_record import FILE_RECEIVED, FILE_WITHDRAWN, SiteRecord
from arraywright.records.entry import Entry

__all__ = [
    "CHECKED_KINDS",
    "POINT_KINDS",
    "OpenPoint",
    "checked_findings",
    "entered_points",
    "open_points",
    "point_key",
    "settle_point",
]

CHECKED_KINDS: Final = (
    DESIGN_CHECKED,
    FILE_RECEIVED,
    FILE_WITHDRAWN,
    DELIVERY_RECONCILED,
    ALLOCATION_PLANNED,
    STRINGS_JUDGED,
)
"""Kinds of entry that bring findings of checks, or take them away."""

_ENTERED_KINDS: Final = (*FIELD_POINT_KINDS, INCIDENT, *RECALL_KINDS, POINT_SETTLED)
"""Kinds of entry that bring what people told, settle it, or take it back."""

POINT_KINDS: Final = (*CHECKED_KINDS, *_ENTERED_KINDS)
"""Kinds of entry that change what is open."""

_GRAVITY: Final = (Verdict.FAIL, Verdict.REVIEW, Verdict.NOT_ASSESSABLE)


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenPoint:
    """A finding that is not a pass.

    Attributes:
        key: the entry of who told it; of a check's finding, a digest of check, subject and
            message: the same point keeps it.
        origin: kind of the entry it comes from; ``description``; ``phone``.
        finding: the finding.
        entered: whether a person told it, and no check found it.
        settlement: who settled it, when and why; None when nobody did.
    """

    key: str
    origin: str
    finding: Finding
    entered: bool = False
    settlement: Settlement | None = None

    @property
    def settled_by(self) -> str:
        """Who settled it; empty when nobody did."""
        return "" if self.settlement is None else self.settlement.person

    @property
    def reason(self) -> str:
        """Why it is settled; empty when it is not."""
        return "" if self.settlement is None else self.settlement.reason


def point_key(finding: Finding) -> str:
    """Give the key of a check's finding: the same point keeps it."""
    told = [finding.check, finding.subject_kind, finding.subject, finding.message]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:32]


def checked_findings(record: SiteRecord) -> dict[Finding, str]:
    """Give every finding of every check as it stands, each once, with where it comes from."""
    gathered: dict[Finding, str] = {}
    for finding in record.description_findings:
        gathered.setdefault(finding, "description")
    for entry in record.received():
        for finding in record.load_findings(entry):
            gathered.setdefault(finding, FILE_RECEIVED)
    for kind in (DESIGN_CHECKED, DELIVERY_RECONCILED, ALLOCATION_PLANNED, STRINGS_JUDGED):
        latest = record.latest(kind)
        for finding in () if latest is None else record.load_findings(latest):
            gathered.setdefault(finding, kind)
    return gathered


def entered_points(record: SiteRecord) -> Iterator[OpenPoint]:
    """Give what people told that is open until somebody settles it, settlements left out."""
    for one in field_points(record.journal, record.site):
        yield OpenPoint(key=one.uuid, origin="phone", finding=one.finding, entered=True)
    for origin, told in (
        (INCIDENT, incident_points(record)),
        (MODULES_RECALLED, recall_points(record)),
    ):
        for uuid, finding in told:
            yield OpenPoint(key=uuid, origin=origin, finding=finding, entered=True)


def open_points(
    record: SiteRecord, *, checked: dict[Finding, str] | None = None
) -> list[OpenPoint]:
    """List everything that is not a pass, gravest first, settled ones last.

    A finding of checks is told once; what people told is told once for each time they told it.

    Args:
        record: the open site.
        checked: what ``checked_findings`` gives, when it has been read already.
    """
    gathered = checked_findings(record) if checked is None else checked
    points = [
        OpenPoint(key=point_key(finding), origin=origin, finding=finding)
        for finding, origin in gathered.items()
        if finding.verdict is not Verdict.PASS
    ]
    return _ordered(record, [*points, *entered_points(record)])


def _ordered(record: SiteRecord, points: Sequence[OpenPoint]) -> list[OpenPoint]:
    settled = settlements(record)
    told = [
        OpenPoint(
            key=one.key,
            origin=one.origin,
            finding=one.finding,
            entered=one.entered,
            settlement=settled.get(one.key),
        )
        for one in points
    ]
    return sorted(
        told,
        key=lambda one: (one.settlement is not None, _GRAVITY.index(one.finding.verdict)),
    )


def settle_point(record: SiteRecord, key: str, *, reason: str, inspected: str = "") -> Entry:
    """Settle an open point by an entry that says why; an empty reason opens it again.

    Args:
        record: the open site, in the name of who settles.
        key: the point.
        reason: why it is settled.
        inspected: what was inspected or done.

    Raises:
        CallError: there is no such point.
    """
    point = next((one for one in open_points(record) if one.key == key), None)
    if point is None:
        raise CallError("point-unknown", "There is no such open point.", "Open the list anew.")
    told = {"reason": reason} | ({"inspected": inspected} if inspected.strip() else {})
    return enter_settlement(record, key, finding=point.finding, told=told)
