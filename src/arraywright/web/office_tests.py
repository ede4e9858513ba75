"""Test sessions and their signatures, as the record tells them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from arraywright.commissioning import STRING_READINGS
from arraywright.errors import CallError
from arraywright.findings import Verdict
from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.site_record import SiteRecord
from arraywright.procedures.standing import enter_anew
from arraywright.records.entry import Entry, parse_body

__all__ = [
    "SESSION_KINDS",
    "SESSION_SIGNED",
    "MeasuredSession",
    "measured_sessions",
    "sign_session",
]

SESSION_SIGNED: Final = "test_session_signed"
"""Kind of entry by which a tester signs the verdicts of a session."""

SESSION_KINDS: Final = (STRINGS_JUDGED, SESSION_SIGNED)
_SIGNED_COLUMNS: Final = (
    "string",
    "verdict",
    "verdict_standard",
    "verdict_measurement",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredSession:
    """What one person measured on one day.

    Attributes:
        key: day and person, joined by a blank.
        day: the day by the site's calendar, ``YYYY-MM-DD``.
        person: who measured.
        readings: how many readings.
        strings: names of the strings measured.
        counts: strings by verdict.
        digest: SHA-256 over the verdicts and readings of these strings as they stand.
        signed_by: who signed the session, empty when nobody did.
        signed_at: when.
        changed: strings whose verdict or readings are no longer those that were signed.
    """

    key: str
    day: str
    person: str
    readings: int
    strings: tuple[str, ...]
    counts: Mapping[str, int]
    digest: str
    signed_by: str = ""
    signed_at: str = ""
    changed: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Give it as plain data."""
        held = {name: getattr(self, name) for name in self.__slots__}
        return held | {
            "strings": list(self.strings),
            "counts": dict(self.counts),
            "changed": list(self.changed),
        }


def _row_digests(record: SiteRecord, judged: Entry) -> dict[str, str]:
    """Give a SHA-256 per string over its verdicts and every reading of it as handed in."""
    told: dict[str, list[object]] = {}
    for row in record.load_frame(judged, "strings").select(_SIGNED_COLUMNS).iter_rows():
        told[str(row[0])] = [row]
    # Empty columns are left out: a later program may know more of them.
    known = {column.name for column in STRING_READINGS.columns}
    for reading in record.load_frame(judged, "readings").iter_rows(named=True):
        held = {key: reading[key] for key in reading if key in known and reading[key] is not None}
        told.setdefault(str(reading["string"]), []).append(
            json.dumps(held, default=str, sort_keys=True)
        )
    for rows in told.values():
        rows.sort(key=str)
    return {
        name: hashlib.sha256(json.dumps(rows, default=str).encode()).hexdigest()
        for name, rows in told.items()
    }


def _digest(digests: Mapping[str, str], names: Sequence[str]) -> str:
    told = [[name, digests.get(name, "")] for name in sorted(names)]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()


def measured_sessions(record: SiteRecord) -> list[MeasuredSession]:
    """List the test sessions, the newest first, with who signed them and what changed since."""
    judged = record.latest(STRINGS_JUDGED)
    if judged is None:
        return []
    strings = record.load_frame(judged, "strings")
    digests = _row_digests(record, judged)
    verdicts = dict(strings.select("string", "verdict").iter_rows())
    readings = record.load_frame(judged, "readings").filter(pl.col("measured_at").is_not_null())
    grouped = (
        readings.with_columns(
            day=pl.col("measured_at").dt.convert_time_zone(record.site.time_zone).dt.date(),
            person=pl.col("person").fill_null(""),
        )
        .group_by("day", "person")
        .agg(pl.col("string").unique().sort(), pl.len().alias("readings"))
        .sort("day", "person", descending=True)
    )
    signed = {entry.subject: entry for entry in record.journal.live(kind=SESSION_SIGNED)}
    sessions = []
    for row in grouped.iter_rows(named=True):
        names = [name for name in row["string"] if name in digests]
        key = f"{row['day'].isoformat()} {row['person']}".strip()
        counts = {verdict.value: 0 for verdict in Verdict}
        for name in names:
            counts[verdicts[name]] += 1
        entry = signed.get(key)
        sessions.append(
            MeasuredSession(
                key=key,
                day=row["day"].isoformat(),
                person=row["person"],
                readings=row["readings"],
                strings=tuple(names),
                counts=counts,
                digest=_digest(digests, names),
                signed_by="" if entry is None else entry.person,
                signed_at="" if entry is None else entry.device_time.isoformat(),
                changed=() if entry is None else _changed(entry, digests, names),
            )
        )
    return sessions


def _changed(entry: Entry, digests: Mapping[str, str], names: Sequence[str]) -> tuple[str, ...]:
    signed: dict[str, str] = parse_body(entry.body)["strings"]
    both = sorted({*signed, *names})
    return tuple(name for name in both if signed.get(name) != digests.get(name))


def sign_session(record: SiteRecord, key: str, *, digest: str) -> Entry:
    """Sign the verdicts of a session as they stand, in place of an earlier signature.

    Args:
        record: the open site, in the tester's name.
        key: the session.
        digest: the digest of the session that the tester saw; another one is not signed.

    Raises:
        CallError: there is no such session, or it changed since it was looked at.
    """
    session = next((one for one in measured_sessions(record) if one.key == key), None)
    if session is None or session.digest != digest:
        raise CallError(
            "session-changed",
            f"The session {key[:200]!r} is not as it was when it was looked at.",
            "Open the page anew, look at it and sign again.",
        )
    judged = record.latest(STRINGS_JUDGED)
    if judged is None:
        raise AssertionError("there is a session, so there are verdicts")
    digests = _row_digests(record, judged)
    body = {
        "digest": session.digest,
        "judged": judged.uuid,
        "strings": {name: digests[name] for name in session.strings},
    }
    return enter_anew(record, SESSION_SIGNED, about=("test session", key), body=body)
