"""Settlements: who said that an open point is settled, when, why, and what was looked at."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from arraywright.dossier.handover_parts import Settlement
from arraywright.findings import Finding
from arraywright.procedures.site_record import SiteRecord
from arraywright.procedures.standing import enter_anew
from arraywright.records.entry import Entry, parse_body

__all__ = ["POINT_SETTLED", "enter_settlement", "settlements"]

POINT_SETTLED: Final = "office_point_settled"
"""Kind of entry by which a person settles an open point with a reason."""

_SUBJECT: Final = "open point"
_MOST: Final = 2_000


def settlements(record: SiteRecord) -> dict[str, Settlement]:
    """Give the settlement that stands of every point settled, by the point's key."""
    found = {}
    for entry in record.journal.live(kind=POINT_SETTLED):
        body = parse_body(entry.body)
        if body["reason"]:
            found[entry.subject] = Settlement(
                person=entry.person,
                at=entry.device_time,
                reason=str(body["reason"]),
                inspected=str(body.get("inspected", "")),
            )
    return found


def enter_settlement(
    record: SiteRecord, key: str, *, finding: Finding, told: Mapping[str, str]
) -> Entry:
    """Enter that a point is settled, or open again when no reason is told.

    Args:
        record: the open site, in the name of who settles.
        key: the point's key.
        finding: what is settled.
        told: ``reason``, and ``inspected`` where something was.
    """
    body = {name: text.strip()[:_MOST] for name, text in told.items()} | {
        "check": finding.check,
        "subject_kind": finding.subject_kind,
        "subject": finding.subject,
        "message": finding.message,
    }
    return enter_anew(record, POINT_SETTLED, about=(_SUBJECT, key), body=body)
