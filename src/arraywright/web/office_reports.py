"""Defects, incidents and open points that phones reported, with their photographs."""

from __future__ import annotations

from typing import Any, Final

from arraywright.procedures.field_marks import marked_entries
from arraywright.procedures.photographs import photographs
from arraywright.procedures.site_record import SiteRecord
from arraywright.records import Entry, FileStore
from arraywright.records.entry import parse_body

__all__ = ["site_reports"]

_ALWAYS: Final = ("defect_reported", "incident_reported")
_SHOWN: Final = 100


def site_reports(record: SiteRecord) -> list[dict[str, Any]]:
    """List what somebody has to look at, the newest first, at most 100.

    Returns:
        key, kind, subject, person, at, told and photos (SHA-256 of those that are here) of each.
    """
    found = marked_entries(record.journal, always=_ALWAYS, most=_SHOWN)
    return [_told(entry, record.files) for entry in found]


def _told(entry: Entry, files: FileStore) -> dict[str, Any]:
    parsed = parse_body(entry.body)
    body = parsed if isinstance(parsed, dict) else {}
    words = [body.get(name) for name in ("severity", "incident_kind", "reason", "what", "note")]
    return {
        "key": entry.uuid,
        "kind": entry.kind,
        "subject": entry.subject,
        "person": entry.person,
        "at": entry.device_time.isoformat(),
        "told": ", ".join(one for one in words if isinstance(one, str) and one),
        "photos": list(photographs(body, files))[:12],
    }
