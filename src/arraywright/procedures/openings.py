"""Looking for a fault inside a string: what was opened and read, and what to open next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from typing import Any, Final

import polars as pl

from arraywright.commissioning.budget import STRING_CAUSES
from arraywright.commissioning.choice import cause_column
from arraywright.commissioning.isolation import (
    NextOpening,
    StringIsolation,
    found_module,
    next_opening,
    observe,
)
from arraywright.commissioning.string_modules import string_modules
from arraywright.commissioning.suspects import suspect_isolation
from arraywright.errors import CallError
from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.placed import only_strings
from arraywright.procedures.site_record import SiteRecord
from arraywright.records.entry import Entry, NewEntry, json_body, parse_body

__all__ = [
    "OPENING_WITHDRAWN",
    "STRING_OPENED",
    "IsolationSearch",
    "Opening",
    "isolation_search",
    "opening_of",
    "record_opening",
    "string_openings",
    "with_openings",
    "withdraw_opening",
]

STRING_OPENED: Final = "office_string_opened"
"""Kind of entry that says what both parts of an opened string read."""

OPENING_WITHDRAWN: Final = "office_opening_withdrawn"
"""Kind of entry that takes such readings back."""

_OTHER_LIGHT_U_RATIO: Final = 0.05
_ADDS_UP_RATIO: Final = 0.15
_MOST_V: Final = 5000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """One connector opened, and what both parts read.

    Attributes:
        uuid: the entry that says so.
        person: who entered it.
        at: when.
        reading_at: moment of the reading of the whole string it was opened for, as text.
        after_module: modules on the positive side of the connector.
        first_v: reading of the part on the positive side [V].
        rest_v: reading of the other part [V].
        whole_v: reading of the whole string just before [V]; None where it was not read.
    """

    uuid: str
    person: str
    at: datetime
    reading_at: str
    after_module: int
    first_v: float
    rest_v: float
    whole_v: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class IsolationSearch:
    """The search for the faulty module of one string, as far as it has come.

    Attributes:
        string: name of the string.
        serials: its modules from the positive end, empty texts where not known.
        read_v: reading of the whole string that called it [V].
        reading_at: its moment, as text.
        openings: connectors opened since, in order.
        before: connectors opened for earlier readings; they no longer count.
        unfitting: openings whose parts do not add up to the string, by entry.
        state: what is known now.
        advice: the connector to open next; None when opening tells no more.
        module: module the fault sits in, from 1 at the positive end; None while not known.
    """

    string: str
    serials: tuple[str, ...]
    read_v: float
    reading_at: str
    openings: tuple[Opening, ...]
    before: tuple[Opening, ...]
    unfitting: tuple[str, ...]
    state: StringIsolation
    advice: NextOpening | None
    module: int | None


def opening_of(entry: Entry) -> Opening:
    """Read an entry of the kind ``STRING_OPENED``."""
    body = parse_body(entry.body)
    return Opening(
        uuid=entry.uuid,
        person=entry.person,
        at=entry.device_time,
        reading_at=str(body["reading_at"]),
        after_module=int(body["after_module"]),
        first_v=float(body["first_v"]),
        rest_v=float(body["rest_v"]),
        whole_v=None if body["whole_v"] is None else float(body["whole_v"]),
    )


def string_openings(record: SiteRecord, string: str) -> tuple[Opening, ...]:
    """Give the openings of a string that were not taken back, in the order they were entered."""
    live = record.journal.live(kind=STRING_OPENED, subject_kind="string", subject=string)
    return tuple(opening_of(entry) for entry in live)


def isolation_search(
    record: SiteRecord, judged: Entry, row: Mapping[str, Any]
) -> IsolationSearch | None:
    """Say how far the search in a string has come, from what was entered; None when none is due.

    It is a pure function of the verdict and of the openings entered for its reading: a later
    reading of the whole string begins it anew, because the string may have been mended.

    Args:
        record: the record of the site.
        judged: the entry of the verdict.
        row: the string's row of its frame ``strings``.

    Raises:
        RecordError: a stored file is missing or changed.
    """
    if row.get("open_after_module") is None or cause_column("none") not in row:
        return None
    string = str(row["string"])
    placed = record.scan_frame(judged, "placed").filter(pl.col("string") == string).collect()
    modules = string_modules(
        only_strings(record.site, [string]), placed=placed if placed.height else None
    )
    module_type = record.site.module_types[str(row["module_type"])]
    state = suspect_isolation(
        modules.voc_v,
        level_v=float(row["voc_session_v"]),
        causes={name: row[cause_column(name)] or 0.0 for name in STRING_CAUSES},
        bypass_substrings=module_type.bypass_substrings,
    )
    read_v, reading_at = float(row["voc_v"]), row["voc_measured_at"].isoformat()
    entered = string_openings(record, string)
    openings = tuple(one for one in entered if one.reading_at == reading_at)
    state, unfitting = with_openings(state, openings, read_v=read_v)
    return IsolationSearch(
        string=string,
        serials=tuple(modules.serial.to_list()),
        read_v=read_v,
        reading_at=reading_at,
        openings=openings,
        before=tuple(one for one in entered if one.reading_at != reading_at),
        unfitting=unfitting,
        state=state,
        advice=next_opening(state),
        module=found_module(state),
    )


def with_openings(
    state: StringIsolation, openings: Sequence[Opening], *, read_v: float
) -> tuple[StringIsolation, tuple[str, ...]]:
    """Learn from openings one after the other; give what is then known, and what did not fit.

    Where the whole string was read just before, both parts are brought to the light and
    temperature of its first reading by the ratio of the two readings: the fault is in both, so it
    drops out. Otherwise only the difference of the parts tells. Parts whose sum is more than 15 %
    off the whole, 30 % where that was not read again, are not believed (common practice: then a
    meter, a lead or a figure was wrong).

    Args:
        state: what was known before.
        openings: the openings, in order.
        read_v: reading of the whole string that called it.

    Source: common-practice
    """
    unfitting = []
    for one in openings:
        scale = 1.0 if one.whole_v is None else read_v / one.whole_v
        first_v, rest_v = one.first_v * scale, one.rest_v * scale
        most = _ADDS_UP_RATIO if one.whole_v is not None else 2.0 * _ADDS_UP_RATIO
        if abs((first_v + rest_v) / read_v - 1.0) > most:
            unfitting.append(one.uuid)
            continue
        wide = {} if one.whole_v is not None else {"common_u_ratio": _OTHER_LIGHT_U_RATIO}
        state = observe(
            state, after_module=one.after_module, first_v=first_v, rest_v=rest_v, **wide
        )
    return state, tuple(unfitting)


def _search(record: SiteRecord, string: str) -> IsolationSearch:
    judged = record.latest(STRINGS_JUDGED)
    found = None
    if judged is not None:
        rows = record.scan_frame(judged, "strings").filter(pl.col("string") == string).collect()
        if rows.height:
            found = isolation_search(record, judged, rows.row(0, named=True))
    if found is None:
        raise CallError(
            "search-not-open",
            f"No fault is looked for inside a string {string[:100]!r}.",
            "Open the page of the string: it says what its readings call for.",
        )
    return found


def _volts(value: float | None, what: str) -> None:
    if value is not None and not (isfinite(value) and 0.0 <= value <= _MOST_V):
        raise CallError(
            "reading-impossible",
            f"The {what} reads {value} V.",
            f"Give volts from 0 to {_MOST_V:g}, with the meter's leads the right way round.",
        )


def record_opening(
    record: SiteRecord,
    string: str,
    *,
    after_module: int,
    first_v: float,
    rest_v: float,
    whole_v: float | None,
) -> Entry:
    """Enter what both parts of an opened string read.

    Args:
        record: the record of the site, in the tester's name.
        string: name of the string.
        after_module: modules on the positive side of the connector.
        first_v: reading of the part on the positive side.
        rest_v: reading of the other part.
        whole_v: reading of the whole string just before; None where it was not read.

    Raises:
        CallError: nothing is looked for in the string, there is no such connector, or a reading
            is impossible.
    """
    search = _search(record, string)
    for value, what in ((first_v, "+ side"), (rest_v, "- side"), (whole_v, "whole string")):
        _volts(value, what)
    if max(first_v, rest_v) <= 0.0 or whole_v == 0.0:
        raise CallError(
            "reading-impossible",
            "The parts read nothing at all.",
            "Look whether the meter was connected and in its range for volts of direct current.",
        )
    if not 0 < after_module < len(search.serials):
        raise CallError(
            "connector-unknown",
            f"There is no connector after module {after_module} of {len(search.serials)}.",
            f"Give a number from 1 to {len(search.serials) - 1}.",
        )
    body = {
        "reading_at": search.reading_at,
        "after_module": after_module,
        "first_v": first_v,
        "rest_v": rest_v,
        "whole_v": whole_v,
    }
    entry = NewEntry(
        kind=STRING_OPENED, subject_kind="string", subject=string, body=json_body(body)
    )
    return record.journal.append([entry])[0]


def withdraw_opening(record: SiteRecord, string: str, *, uuid: str) -> Entry:
    """Take back what was entered of an opening, by an entry in its place.

    Raises:
        CallError: there is no such opening of this string.
        RecordError: it was taken back already.
    """
    known = {one.uuid for one in string_openings(record, string)}
    if uuid not in known:
        raise CallError(
            "opening-unknown",
            "There is no such opening, or it was taken back already.",
            "Open the page of the string anew.",
        )
    entry = NewEntry(
        kind=OPENING_WITHDRAWN,
        subject_kind="string",
        subject=string,
        body=json_body({"opening": uuid}),
        supersedes=uuid,
    )
    return record.journal.append([entry])[0]
