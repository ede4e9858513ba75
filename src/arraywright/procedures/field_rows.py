"""What the entries of phones say, as rows: placements, string readings, modules set apart."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import polars as pl

from arraywright.commissioning import STRING_READINGS
from arraywright.plant import Site
from arraywright.plant.tables import PLACEMENTS
from arraywright.records.conflicts import SUBJECT, Exclusive
from arraywright.records.entry import Entry, parse_body
from arraywright.records.journal import Journal

__all__ = [
    "MODULES_RECALLED",
    "MODULE_INSPECTED",
    "MODULE_PLACED",
    "PLACEMENT_RULES",
    "PLACEMENT_UNDONE",
    "STRING_TESTED",
    "FieldRows",
    "body_of",
    "field_rows",
    "figure_of",
    "moment_of",
]

MODULE_PLACED: Final = "module_placed"
MODULE_INSPECTED: Final = "module_inspected"
PLACEMENT_UNDONE: Final = "placement_undone"
"""Kind of entry that takes a placement back."""

MODULES_RECALLED: Final = "office_modules_recalled"
STRING_TESTED: Final = "string_tested"

PLACEMENT_RULES: Final = {
    MODULE_PLACED: Exclusive(space="placement", left="position", right=SUBJECT),
}
"""A position holds one module and a module sits in one position; an entry of a placement whose
position is null claims nothing."""

_MOST_OFFSET_S: Final = 400 * 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldRows:
    """What live entries of phones say.

    Attributes:
        placements: frame of ``plant.PLACEMENTS`` with ``position`` and ``uuid`` beside it, one
            row per live placement whose position the site has.
        readings: frame of ``commissioning.STRING_READINGS`` with ``uuid`` beside it.
        set_apart: reason by serial of modules that an inspection set apart.
        recalled: reason by serial of modules that were recalled.
        unreadable: UUIDs of entries whose body does not say what their kind must say.
    """

    placements: pl.DataFrame
    readings: pl.DataFrame
    set_apart: dict[str, str]
    recalled: dict[str, str]
    unreadable: tuple[str, ...]


def body_of(entry: Entry) -> dict[str, Any] | None:
    """Give the body of an entry as an object; None where it holds no such thing."""
    body = None
    with contextlib.suppress(ValueError):
        body = parse_body(entry.body)
    return body if isinstance(body, dict) else None


def _bodies(
    journal: Journal, kind: str, unreadable: list[str], after: int
) -> Iterator[tuple[Entry, dict[str, Any]]]:
    for entry in journal.live(kind=kind, after=after):
        body = body_of(entry)
        if body is None:
            unreadable.append(entry.uuid)
        else:
            yield entry, body


def moment_of(entry: Entry, body: dict[str, Any]) -> datetime:
    """Give when it happened: the phone's clock, put right by the offset the phone knew of."""
    offset = body.get("clock_offset_s", 0.0)
    known = isinstance(offset, (int, float)) and not isinstance(offset, bool)
    if not known or not abs(offset) <= _MOST_OFFSET_S:
        return entry.device_time
    return entry.device_time + timedelta(seconds=float(offset))


def figure_of(value: object) -> float | None:
    """Give a number that an entry holds; None for anything else, and for one beyond all measure."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    with contextlib.suppress(OverflowError):
        return float(value)
    return None


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None


def _reading(entry: Entry, body: dict[str, Any]) -> dict[str, Any]:
    given = body.get("reading")
    held = given if isinstance(given, dict) else {}
    row: dict[str, Any] = {}
    for column in STRING_READINGS.columns:
        value = held.get(column.name)
        row[column.name] = figure_of(value) if column.kind == "number" else _text(value)
    row |= {
        "string": entry.subject,
        "measured_at": moment_of(entry, body),
        "person": entry.person,
        "source_file": f"entry {entry.uuid}",
        "source_row": None,
        "uuid": entry.uuid,
    }
    return row


def field_rows(journal: Journal, site: Site, *, after: int = 0) -> FieldRows:
    """Read the live entries that phones made.

    Entries that contradict each other are all given: which one is right is for a person to say.

    Args:
        journal: the record.
        site: the site; placements on positions it does not have are left out.
        after: only entries after this server order.
    """
    unreadable: list[str] = []
    placed: list[dict[str, Any]] = []
    for entry, body in _bodies(journal, MODULE_PLACED, unreadable, after):
        position = body.get("position")
        if position is None:
            continue
        if not isinstance(position, str):
            unreadable.append(entry.uuid)
            continue
        placed.append(
            {
                "serial": entry.subject,
                "position": position,
                "placed_at": moment_of(entry, body),
                "person": entry.person,
                "source_file": f"entry {entry.uuid}",
                "source_row": None,
                "uuid": entry.uuid,
            }
        )
    schema = dict(PLACEMENTS.schema)
    rows = pl.DataFrame(
        placed,
        schema={
            "serial": pl.String,
            "position": pl.String,
            "placed_at": schema["placed_at"],
            "person": pl.String,
            "source_file": pl.String,
            "source_row": pl.UInt32,
            "uuid": pl.String,
        },
    )
    places = site.positions.select("position", "string", "place_in_string")
    placements = rows.join(places, on="position", how="inner", maintain_order="left").select(
        *schema, "position", "uuid"
    )
    readings = pl.DataFrame(
        [_reading(*held) for held in _bodies(journal, STRING_TESTED, unreadable, after)],
        schema={**STRING_READINGS.schema, "uuid": pl.String},
    )
    set_apart = {}
    for entry, body in _bodies(journal, MODULE_INSPECTED, unreadable, after):
        if body.get("result") == "apart":
            found = body.get("defects")
            told = found if isinstance(found, list) else []
            set_apart[entry.subject] = ", ".join(str(one) for one in told) or "inspection"
    recalled = {}
    for _, body in _bodies(journal, MODULES_RECALLED, unreadable, after):
        serials = body.get("serials")
        for serial in serials if isinstance(serials, list) else []:
            recalled[str(serial)] = str(body.get("reason") or "recalled")
    return FieldRows(
        placements=placements,
        readings=readings,
        set_apart=set_apart,
        recalled=recalled,
        unreadable=tuple(unreadable),
    )
