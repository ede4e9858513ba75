"""What phones, incidents and recalls add to the story of a serial, a pallet or a string."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any, Final

import polars as pl

from arraywright.dossier.words import number
from arraywright.procedures.field_rows import (
    MODULE_INSPECTED,
    MODULE_PLACED,
    PLACEMENT_UNDONE,
    STRING_TESTED,
    body_of,
    figure_of,
    moment_of,
)
from arraywright.procedures.incidents import incidents
from arraywright.procedures.recalls import recalls
from arraywright.procedures.site_record import SiteRecord
from arraywright.procedures.story_parts import StoryEvent, StoryPart, story_part
from arraywright.procedures.where_now import whereabouts
from arraywright.records.entry import Entry

__all__ = ["field_events", "misfortunes"]

_COLUMN_OF: Final = {"module": "serial", "pallet": "pallet", "string": "string"}


def _text(body: dict[str, Any], name: str) -> str:
    held = body.get(name)
    return held if isinstance(held, str) else ""


def _told(words: str, *own: str) -> str:
    """Put what a person wrote behind a sentence."""
    held = ", ".join(one for one in own if one)
    return f"{words} ({held})" if held else words


def _part(entry: Entry, body: dict[str, Any]) -> StoryPart | None:
    """Give what an entry of a phone says; None for kinds that tell nothing of a subject."""
    note = _text(body, "note")
    if entry.kind == "pallet_received":
        counted, condition = figure_of(body.get("modules_counted")), _text(body, "condition")
        sentence = f"received: {number(counted, 0)} modules counted, condition {condition}"
        return story_part(
            "phone_received",
            _told(sentence, note),
            modules=counted,
            condition=condition,
            note=note,
        )
    if entry.kind == "pallet_opened":
        return story_part("phone_opened", _told("opened", note), note=note)
    if entry.kind == MODULE_INSPECTED:
        result, defects = _text(body, "result"), body.get("defects")
        found = len(defects) if isinstance(defects, list) else 0
        return story_part(
            "phone_inspected",
            _told(f"inspected: {result or 'no result'}, {found} defects", note),
            result=result,
            defects=found,
            note=note,
        )
    if entry.kind == MODULE_PLACED:
        position, reason = _text(body, "position"), _text(body, "reason")
        return story_part(
            "phone_placed",
            _told(f"placed at position {position}", reason),
            position=position,
            note=reason,
        )
    if entry.kind == PLACEMENT_UNDONE:
        return story_part("phone_undone", "its placement was taken back")
    if entry.kind == "string_connected":
        bonding = _text(body, "bonding")
        sentence = _told(f"connectors and bonding checked: {bonding}", note)
        return story_part("phone_connected", sentence, bonding=bonding, note=note)
    if entry.kind == STRING_TESTED:
        given = body.get("reading")
        reading = given if isinstance(given, dict) else {}
        voc_v, isc_a = figure_of(reading.get("voc_v")), figure_of(reading.get("isc_a"))
        sentence = f"tested by phone: Voc {number(voc_v, 1)} V, Isc {number(isc_a, 2)} A"
        return story_part("phone_tested", sentence, voc_v=voc_v, isc_a=isc_a)
    if entry.kind == "defect_reported":
        severity, what = _text(body, "severity"), _text(body, "what")
        sentence = _told(f"defect reported: {severity}", what)
        return story_part("phone_defect", sentence, severity=severity, note=what)
    return None


def field_events(record: SiteRecord, *, kind: str, name: str) -> Iterator[StoryEvent]:
    """Tell what phones entered about a subject, also what was taken back later.

    Args:
        record: the record of the site.
        kind: ``module``, ``pallet`` or ``string``.
        name: the subject.
    """
    for entry in record.journal.entries(subject_kind=kind, subject=name):
        body = body_of(entry) or {}
        part = _part(entry, body)
        if part is not None:
            yield StoryEvent(
                moment=moment_of(entry, body), parts=(part,), who=entry.person, entry=entry.uuid
            )


def _names(record: SiteRecord, kind: str, name: str) -> set[str]:
    """Give a subject's own name, and the serials, pallets and places its modules have now."""
    modules = whereabouts(record).modules.filter(pl.col(_COLUMN_OF[kind]) == name)
    names = {name}
    for column in ("serial", "pallet", "string", "position", "structure"):
        names |= {str(one) for one in modules[column].drop_nulls().to_list()}
    return names


def _event(moment: datetime | None, part: StoryPart, *, who: str, entry: str) -> StoryEvent:
    return StoryEvent(moment=moment, parts=(part,), who=who, entry=entry)


def misfortunes(record: SiteRecord, *, kind: str, name: str) -> Iterator[StoryEvent]:
    """Tell incidents and recalls that touch a subject, or a module of it.

    Args:
        record: the record of the site.
        kind: ``module``, ``pallet`` or ``string``.
        name: the subject.
    """
    happened, called = incidents(record), recalls(record)
    if not happened and not called:
        return
    names = _names(record, kind, name)
    for one in happened:
        if names.isdisjoint((*one.names, *one.serials)):
            continue
        sentence = _told(f"incident: {one.what}", one.told)
        part = story_part("incident", sentence, what=one.what, note=one.told)
        yield _event(one.at, part, who=one.person, entry=one.key)
        if one.settlement is not None:
            sentence = _told("incident settled", one.settlement.reason)
            part = story_part("incident_settled", sentence, note=one.settlement.reason)
            yield _event(one.settlement.at, part, who=one.settlement.person, entry=one.key)
    for recall in called:
        if names.isdisjoint(recall.serials):
            continue
        sentence = _told("recalled by the maker", recall.reason)
        part = story_part("recalled", sentence, note=recall.reason)
        yield _event(recall.at, part, who=recall.person, entry=recall.key)
        if recall.withdrawn_by:
            sentence = _told("recall taken back", recall.withdrawn_reason)
            part = story_part("recall_withdrawn", sentence, note=recall.withdrawn_reason)
            yield _event(recall.withdrawn_at, part, who=recall.withdrawn_by, entry=recall.key)
        if recall.settlement is not None:
            sentence = _told("recall settled", recall.settlement.reason)
            part = story_part("recall_settled", sentence, note=recall.settlement.reason)
            yield _event(recall.settlement.at, part, who=recall.settlement.person, entry=recall.key)
