"""Incidents: a dropped pallet, a storm; which modules are affected and where they are now."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import polars as pl

from arraywright.errors import CallError
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.site_record import SiteRecord
from arraywright.procedures.where_now import placements
from arraywright.records.entry import Entry, NewEntry, json_body, parse_body

__all__ = [
    "INCIDENT",
    "INCIDENT_WHATS",
    "Incident",
    "affected_modules",
    "incidents",
    "record_incident",
]

INCIDENT: Final = "office_incident"
"""Kind of entry of something that happened to modules."""

INCIDENT_WHATS: Final = ("dropped", "storm", "water", "fire", "theft", "other")
_MOST_NAMES: Final = 2_000
_SHOWN: Final = 2_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Incident:
    """Something that happened to modules.

    Attributes:
        key: its number, in the order in which incidents were entered.
        what: one of ``INCIDENT_WHATS``.
        day: when, ``YYYY-MM-DD``.
        told: what happened, in the person's words.
        names: pallets, strings and serials that are affected, as given.
        person: who entered it.
        at: when it was entered.
    """

    key: str
    what: str
    day: str
    told: str
    names: tuple[str, ...]
    person: str
    at: str


def _incident(entry: Entry) -> Incident:
    body = parse_body(entry.body)
    return Incident(
        key=entry.subject,
        what=body["what"],
        day=body["day"],
        told=body["told"],
        names=tuple(body["names"]),
        person=entry.person,
        at=entry.device_time.isoformat(),
    )


def incidents(record: SiteRecord) -> list[Incident]:
    """List the incidents, the newest first."""
    return [_incident(entry) for entry in record.journal.live(kind=INCIDENT)][::-1]


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
            "Say what happened, and name pallets, strings or serials of this site, one a line.",
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


def _modules(record: SiteRecord) -> pl.DataFrame:
    entry = record.latest(DELIVERY_RECONCILED)
    if entry is None:
        return pl.DataFrame(schema={"serial": pl.String, "pallet": pl.String})
    return record.load_frame(entry, "modules").select("serial", "pallet")


def _known(record: SiteRecord) -> set[str]:
    modules = _modules(record)
    return {
        *record.site.strings["string"].to_list(),
        *modules["serial"].drop_nulls().to_list(),
        *modules["pallet"].drop_nulls().to_list(),
    }


def affected_modules(record: SiteRecord, incident: Incident) -> list[dict[str, Any]]:
    """List the modules an incident is about and where they are now, at most 2,000.

    Returns:
        serial, pallet, string and place_in_string; without a string the module is in the yard.
    """
    names = list(incident.names)
    places = (
        placements(record)
        .select("serial", "string", "place_in_string")
        .unique("serial", keep="last", maintain_order=True)
    )
    joined = _modules(record).join(places, on="serial", how="full", coalesce=True)
    return (
        joined.filter(
            pl.col("serial").is_in(names)
            | pl.col("pallet").is_in(names)
            | pl.col("string").is_in(names)
        )
        .sort("string", "place_in_string", "pallet", "serial", nulls_last=True)
        .head(_SHOWN)
        .to_dicts()
    )
