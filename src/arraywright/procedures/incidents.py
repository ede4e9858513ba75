"""Incidents: a dropped pallet, a storm; which modules are affected and where they are now."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl

from arraywright.dossier.handover_parts import Settlement
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.procedures.field_points import INCIDENT_REPORTED
from arraywright.procedures.field_rows import body_of, moment_of
from arraywright.procedures.photographs import photographs
from arraywright.procedures.settlements import settlements
from arraywright.procedures.site_record import SiteRecord
from arraywright.procedures.where_now import Whereabouts, delivered_modules
from arraywright.records.entry import Entry, NewEntry, json_body, parse_body

__all__ = [
    "INCIDENT",
    "INCIDENT_KINDS",
    "INCIDENT_WHATS",
    "Incident",
    "affected_modules",
    "incident_points",
    "incidents",
    "record_incident",
]

INCIDENT: Final = "office_incident"
"""Kind of entry of something that happened to modules, entered in the office."""

INCIDENT_KINDS: Final = (INCIDENT, INCIDENT_REPORTED)
"""Kinds of entry that tell an incident."""

INCIDENT_WHATS: Final = ("dropped", "storm", "water", "fire", "person_hurt", "theft", "other")
_GRAVE: Final = {"fire", "person_hurt"}
_MOST_NAMES: Final = 2_000
_NAMED_KINDS: Final = {"module", "pallet", "string", "position", "structure"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Incident:
    """Something that happened to modules.

    Attributes:
        key: the entry that tells it.
        origin: ``office`` or ``phone``.
        what: one of ``INCIDENT_WHATS``.
        day: when, ``YYYY-MM-DD`` by the site's calendar.
        told: what happened, in the person's words.
        names: pallets, strings, tables and serials that are affected, as given.
        serials: serials that a phone read, as given.
        subject: what it happened to, as a phone says; the incident's own name in the office.
        person: who entered it.
        at: when it was entered.
        photos: SHA-256 of every photograph that has arrived.
        settlement: who settled it, when, why and what was inspected; None while it is open.
    """

    key: str
    origin: str
    what: str
    day: str
    told: str
    names: tuple[str, ...]
    serials: tuple[str, ...]
    subject: str
    person: str
    at: datetime
    photos: tuple[str, ...]
    settlement: Settlement | None

    def as_dict(self) -> dict[str, Any]:
        """Give it as plain data."""
        settled = self.settlement
        held = {
            name: getattr(self, name)
            for name in ("key", "origin", "what", "day", "told", "subject", "person")
        }
        return held | {
            "names": [*self.names, *self.serials],
            "at": self.at.isoformat(),
            "photos": list(self.photos),
            "settled_by": "" if settled is None else settled.person,
            "settled_at": None if settled is None else settled.at.isoformat(),
            "reason": "" if settled is None else settled.reason,
            "inspected": "" if settled is None else settled.inspected,
        }


def _of_office(entry: Entry, settled: Settlement | None) -> Incident:
    body = parse_body(entry.body)
    return Incident(
        key=entry.uuid,
        origin="office",
        what=body["what"],
        day=body["day"],
        told=body["told"],
        names=tuple(body["names"]),
        serials=(),
        subject=entry.subject,
        person=entry.person,
        at=entry.device_time,
        photos=(),
        settlement=settled,
    )


def _texts(value: object) -> tuple[str, ...]:
    held = value if isinstance(value, list) else []
    return tuple(one for one in held if isinstance(one, str) and one)[:_MOST_NAMES]


def _of_phone(record: SiteRecord, entry: Entry, settled: Settlement | None) -> Incident:
    """Give what a phone told; what its entry says amiss is left out, the incident never is."""
    body = body_of(entry) or {}
    what, told = body.get("incident_kind"), body.get("what")
    note = body.get("note")
    at = moment_of(entry, body)
    return Incident(
        key=entry.uuid,
        origin="phone",
        what=what if isinstance(what, str) and what in INCIDENT_WHATS else "other",
        day=at.astimezone(ZoneInfo(record.site.time_zone)).date().isoformat(),
        told=" ".join(one for one in (told, note) if isinstance(one, str) and one),
        names=(entry.subject,) if entry.subject_kind in _NAMED_KINDS else (),
        serials=_texts(body.get("serials")),
        subject=f"{entry.subject_kind} {entry.subject}",
        person=entry.person,
        at=at,
        photos=photographs(body, record.files),
        settlement=settled,
    )


def incidents(record: SiteRecord) -> list[Incident]:
    """List the incidents that office and phones told, the newest first, open ones before."""
    settled = settlements(record)
    found = [_of_office(entry, settled.get(entry.uuid)) for entry in _live(record, INCIDENT)]
    found += [
        _of_phone(record, entry, settled.get(entry.uuid))
        for entry in _live(record, INCIDENT_REPORTED)
    ]
    found.sort(key=lambda one: (one.day, one.at), reverse=True)
    return sorted(found, key=lambda one: one.settlement is not None)


def _live(record: SiteRecord, kind: str) -> list[Entry]:
    return list(record.journal.live(kind=kind))


def incident_points(record: SiteRecord) -> list[tuple[str, Finding]]:
    """Give what incidents entered in the office leave open: the entry, and the finding."""
    return [
        (
            one.key,
            Finding(
                check="incident-reported",
                subject_kind="incident",
                subject=one.subject,
                verdict=Verdict.FAIL if one.what in _GRAVE else Verdict.REVIEW,
                message=f"An incident was entered ({one.person}, {one.day}): "
                f"{one.what.replace('_', ' ')}; {one.told.rstrip('.')}.",
                remedy="Look at the modules it is about and decide.",
                found=", ".join(one.names[:20]),
                basis="common-practice",
            ),
        )
        for one in (_of_office(entry, None) for entry in _live(record, INCIDENT))
    ]


def record_incident(
    record: SiteRecord, *, what: str, day: date, told: str, names: list[str]
) -> Entry:
    """Enter an incident.

    Raises:
        CallError: it is of no known kind, nothing is told, or no name given is known.
    """
    known = _known(record)
    unknown = [name for name in names if name not in known]
    if what not in INCIDENT_WHATS or not told.strip() or not names or unknown:
        raise CallError(
            "incident-not-told",
            "The incident is not told wholly"
            + (f": not known are {', '.join(unknown[:10])}." if unknown else "."),
            "Say what happened, and name pallets, strings, tables or serials of this site, one a "
            "line.",
        )
    number = sum(1 for _ in record.journal.entries(kind=INCIDENT)) + 1
    body = {
        "what": what,
        "day": day.isoformat(),
        "told": told.strip()[:4000],
        "names": names[:_MOST_NAMES],
    }
    return record.journal.append(
        [
            NewEntry(
                kind=INCIDENT,
                subject_kind="incident",
                subject=f"{day.isoformat()} {number}",
                body=json_body(body),
            )
        ]
    )[0]


def _known(record: SiteRecord) -> set[str]:
    modules = delivered_modules(record)
    return {
        *record.site.strings["string"].to_list(),
        *record.site.positions["structure"].drop_nulls().to_list(),
        *modules["serial"].drop_nulls().to_list(),
        *modules["pallet"].drop_nulls().to_list(),
    }


def affected_modules(incident: Incident, where: Whereabouts) -> pl.DataFrame:
    """Give the modules an incident is about, where they are now, and who looked at them since.

    Args:
        incident: the incident; inspections count from its day.
        where: where the site's modules are.

    Returns:
        frame of ``Whereabouts.of``.
    """
    began = datetime.combine(date.fromisoformat(incident.day), time(0), tzinfo=ZoneInfo(where.zone))
    return where.of(serials=incident.serials, names=incident.names, since=began.astimezone(UTC))
