"""Tracing: the whole story of a serial, a pallet or a string, in time."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl

from arraywright.commissioning import IV_POINTS, STRING_READINGS
from arraywright.delivery import DELIVERY_NOTE, FLASH_LIST, PALLET_SCANS, normal_pallet
from arraywright.dossier.words import class_text, local_time, number, percent, verdict_word
from arraywright.errors import CallError
from arraywright.findings import Place, Verdict
from arraywright.plant import PLACEMENTS
from arraywright.procedures.allocate import ALLOCATION_PLANNED
from arraywright.procedures.check_record import DESIGN_CHECKED, check_words
from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.decisions import PALLET_DECIDED
from arraywright.procedures.field_story import field_events, misfortunes
from arraywright.procedures.openings import OPENING_WITHDRAWN, STRING_OPENED, opening_of
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.report import Progress, Report, ReportTable
from arraywright.procedures.site_record import SiteRecord, open_site
from arraywright.procedures.story_parts import StoryEvent, StoryPart, kept_fields, story_part
from arraywright.records.entry import Entry, parse_body
from arraywright.tables import TableSpec

__all__ = ["story_of", "trace"]

_NO_TIME: Final = datetime(1, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Subject:
    kind: str
    name: str


def _rows(
    record: SiteRecord, spec: TableSpec, condition: pl.Expr
) -> Iterator[tuple[Entry, dict[str, Any]]]:
    """Give the rows of every live table of a kind that fulfil a condition, with their entry."""
    for entry in record.received(spec):
        for row in record.scan_frame(entry, "rows").filter(condition).collect().to_dicts():
            yield entry, row


def _place(row: dict[str, Any]) -> Place:
    return Place(file=str(row["source_file"]), row=int(row["source_row"] or 0))


def _day(record: SiteRecord, day: date | None) -> datetime | None:
    if day is None:
        return None
    zone = ZoneInfo(record.site.time_zone)
    return datetime.combine(day, time(0), tzinfo=zone).astimezone(UTC)


def _changes(
    record: SiteRecord,
    kind: str,
    frame: str,
    condition: pl.Expr,
    *,
    say: Callable[[list[dict[str, Any]]], list[StoryPart]],
) -> Iterator[StoryEvent]:
    """Say what each result of a kind said of a subject, whenever that changed."""
    before: list[str] = []
    for entry in record.journal.entries(kind=kind):
        rows = record.scan_frame(entry, frame).filter(condition).collect().to_dicts()
        says = tuple(say(rows))
        sentences = [part.sentence for part in says]
        if says and sentences != before:
            yield StoryEvent(
                moment=entry.device_time, parts=says, who=entry.person, entry=str(entry.uuid)
            )
            before = sentences


def _pallet_events(record: SiteRecord, pallet: str) -> Iterator[StoryEvent]:
    same = normal_pallet(pl.col("pallet")) == pallet
    for entry, row in _rows(record, DELIVERY_NOTE, same):
        yield StoryEvent(
            moment=_day(record, row["delivered_on"]) or entry.device_time,
            parts=(
                story_part(
                    "noted",
                    f"delivery note {row['delivery_note'] or 'without number'}: {row['modules']} "
                    f"modules {row['module_type']} "
                    f"{class_text(row['power_class_w'], row['current_class'])}",
                    **kept_fields(row, "delivery_note", "modules", "module_type"),
                    **kept_fields(row, "power_class_w", "current_class"),
                ),
            ),
            who=entry.person,
            place=_place(row),
        )
    for entry, row in _rows(record, PALLET_SCANS, same):
        yield StoryEvent(
            moment=row["scanned_at"] or entry.device_time,
            parts=(
                story_part(
                    "scanned",
                    f"label scanned: {number(row['modules'], 0)} modules, "
                    f"condition {row['condition'] or 'not stated'}",
                    **kept_fields(row, "modules", "condition"),
                ),
            ),
            who=row["person"] or entry.person,
            place=_place(row),
        )
    for entry in record.journal.entries(kind=PALLET_DECIDED, subject_kind="pallet", subject=pallet):
        body = parse_body(entry.body)
        yield StoryEvent(
            moment=entry.device_time,
            parts=(
                story_part(
                    "decided",
                    f"decided: {body['verdict']} ({body['reason']})",
                    **kept_fields(body, "verdict", "reason"),
                ),
            ),
            who=entry.person,
            entry=str(entry.uuid),
        )

    def say(rows: list[dict[str, Any]]) -> list[StoryPart]:
        if not rows:
            return []
        reasons = ", ".join(rows[0]["reasons"])
        sentence = f"pallet verdict: {rows[0]['verdict']}" + (f" ({reasons})" if reasons else "")
        return [story_part("pallet_judged", sentence, **kept_fields(rows[0], "verdict", "reasons"))]

    yield from _changes(record, DELIVERY_RECONCILED, "pallets", pl.col("pallet") == pallet, say=say)
    yield from field_events(record, kind="pallet", name=pallet)


def _serial_events(record: SiteRecord, serial: str) -> Iterator[StoryEvent]:
    same = pl.col("serial") == serial
    pallets: set[str] = set()
    for _, row in _rows(record, FLASH_LIST, same):
        if row["pallet"]:
            spelled = pl.DataFrame({"pallet": [row["pallet"]]})
            pallets.add(str(spelled.select(normal_pallet(pl.col("pallet"))).item()))
        yield StoryEvent(
            moment=row["flashed_at"],
            parts=(
                story_part(
                    "flashed",
                    f"flashed by the maker: Pmax {number(row['pmax_w'], 2)} W, "
                    f"Voc {number(row['voc_v'], 3)} V, Isc {number(row['isc_a'], 3)} A, "
                    f"Vmp {number(row['vmp_v'], 3)} V, Imp {number(row['imp_a'], 3)} A; "
                    f"class {class_text(row['power_class_w'], row['current_class'])}; "
                    f"packed on pallet {row['pallet'] or 'not stated'}",
                    **kept_fields(row, "pmax_w", "voc_v", "isc_a", "vmp_v", "imp_a"),
                    **kept_fields(row, "power_class_w", "current_class", "pallet"),
                ),
            ),
            who="",
            place=_place(row),
        )
    for pallet in sorted(pallets):
        yield from _pallet_events(record, pallet)
    yield from _changes(
        record,
        DELIVERY_RECONCILED,
        "modules",
        same,
        say=lambda rows: [
            story_part("usable", "module usable")
            if row["usable"]
            else story_part("set_aside", f"module set aside: {row['reason']}", reason=row["reason"])
            for row in rows
        ],
    )
    yield from _changes(
        record,
        ALLOCATION_PLANNED,
        "assignments",
        same,
        say=lambda rows: [
            story_part(
                "planned",
                f"planned for string {row['string']}, place {row['place_in_string']}, "
                f"position {row['position']}",
                **kept_fields(row, "string", "place_in_string", "position"),
            )
            for row in rows
        ],
    )
    strings: set[str] = set()
    for entry, row in _rows(record, PLACEMENTS, same):
        strings.add(row["string"])
        yield StoryEvent(
            moment=row["placed_at"] or entry.device_time,
            parts=(
                story_part(
                    "built",
                    f"built into string {row['string']}, place {row['place_in_string']}",
                    **kept_fields(row, "string", "place_in_string"),
                ),
            ),
            who=row["person"] or entry.person,
            place=_place(row),
        )
    judged = record.latest(STRINGS_JUDGED)
    if judged is not None and not strings:
        placed = record.scan_frame(judged, "placed").filter(same).collect()
        strings = set(placed["string"].to_list())
    yield from _as_built_events(record, serial)
    yield from field_events(record, kind="module", name=serial)
    for string in sorted(strings):
        yield from _verdict_events(record, string)


def _as_built_events(record: SiteRecord, subject: str) -> Iterator[StoryEvent]:
    """Tell what as-built lists were found to contradict about a subject, when that was found."""
    told: set[str] = set()
    for entry in record.journal.entries(kind=STRINGS_JUDGED):
        for finding in record.load_findings(entry):
            if not finding.check.startswith("as-built-") or finding.message in told:
                continue
            if finding.subject == subject or subject in finding.message:
                told.add(finding.message)
                yield StoryEvent(
                    moment=entry.device_time,
                    parts=(
                        story_part(
                            "contradicted",
                            f"as-built list: {finding.message}",
                            finding=finding.as_dict(),
                        ),
                    ),
                    who=entry.person,
                    place=finding.place,
                    entry=str(entry.uuid),
                )


def _verdict_events(record: SiteRecord, string: str) -> Iterator[StoryEvent]:
    def say(rows: list[dict[str, Any]]) -> list[StoryPart]:
        if not rows or rows[0]["readings"] == 0:
            return []
        row = rows[0]
        reasons = "; ".join(row["reasons"])
        sentence = f"string {string}: verdict {verdict_word(row['verdict'])}" + (
            f" ({reasons})" if reasons else ""
        )
        return [
            story_part(
                "string_judged", sentence, **kept_fields(row, "string", "verdict", "reasons")
            )
        ]

    yield from _changes(record, STRINGS_JUDGED, "strings", pl.col("string") == string, say=say)


def _design_events(record: SiteRecord) -> Iterator[StoryEvent]:
    for entry in record.journal.entries(kind=DESIGN_CHECKED):
        summary = parse_body(entry.body)["summary"]
        counts = kept_fields(summary, "practice", *(verdict.value for verdict in Verdict))
        yield StoryEvent(
            moment=entry.device_time,
            parts=(story_part("design_checked", check_words(summary), **counts),),
            who=entry.person,
            entry=str(entry.uuid),
        )


def _string_events(record: SiteRecord, string: str) -> Iterator[StoryEvent]:
    same = pl.col("string") == string
    yield from _design_events(record)

    def planned(rows: list[dict[str, Any]]) -> list[StoryPart]:
        if not rows:
            return []
        pallets = sorted({str(row["pallet"]) for row in rows})
        sentence = f"planned: {len(rows)} modules from pallet {', '.join(pallets)}"
        return [story_part("string_planned", sentence, modules=len(rows), pallets=pallets)]

    yield from _changes(record, ALLOCATION_PLANNED, "assignments", same, say=planned)
    placements = [row | {"entry": entry} for entry, row in _rows(record, PLACEMENTS, same)]
    if placements:
        moments = [row["placed_at"] for row in placements if row["placed_at"] is not None]
        people = sorted({row["person"] for row in placements if row["person"]})
        yield StoryEvent(
            moment=max(moments, default=placements[0]["entry"].device_time),
            parts=(
                story_part(
                    "string_built",
                    f"as-built list: {len(placements)} modules in place",
                    modules=len(placements),
                ),
            ),
            who=", ".join(people),
            place=_place(placements[0]),
        )
    for entry, row in _rows(record, STRING_READINGS, same):
        yield StoryEvent(
            moment=row["measured_at"] or entry.device_time,
            parts=(
                story_part(
                    "read",
                    f"read: Voc {number(row['voc_v'], 1)} V, Isc {number(row['isc_a'], 2)} A at "
                    f"{number(row['irradiance_w_m2'], 0)} W/m2, module "
                    f"{number(row['module_temp_c'], 1)} degC; insulation + "
                    f"{number(row['riso_pos_megohm'], 2)}, - "
                    f"{number(row['riso_neg_megohm'], 2)} Mohm; "
                    f"earth continuity {number(row['earth_continuity_ohm'], 2)} ohm",
                    **kept_fields(row, "voc_v", "isc_a", "irradiance_w_m2", "module_temp_c"),
                    **kept_fields(
                        row, "riso_pos_megohm", "riso_neg_megohm", "earth_continuity_ohm"
                    ),
                ),
            ),
            who=row["person"] or entry.person,
            place=_place(row),
        )
    moments_of_curves: dict[Any, dict[str, Any]] = {}
    for _, row in _rows(record, IV_POINTS, same):
        moments_of_curves.setdefault(row["measured_at"], row)
    for moment, row in moments_of_curves.items():
        yield StoryEvent(
            moment=moment,
            parts=(story_part("curve_taken", "I-V curve taken"),),
            who="",
            place=_place(row),
        )
    yield from _opening_events(record, string)
    yield from _curve_verdicts(record, string)
    yield from _as_built_events(record, string)
    yield from field_events(record, kind="string", name=string)
    yield from _verdict_events(record, string)


def _opening_events(record: SiteRecord, string: str) -> Iterator[StoryEvent]:
    """Tell what parts of the opened string read, also what was taken back later."""
    journal = record.journal
    for entry in journal.entries(kind=STRING_OPENED, subject_kind="string", subject=string):
        one = opening_of(entry)
        whole = "" if one.whole_v is None else f" of {number(one.whole_v, 1)} V"
        yield StoryEvent(
            moment=entry.device_time,
            parts=(
                story_part(
                    "string_opened",
                    f"opened after module {one.after_module} from the positive end: + side "
                    f"{number(one.first_v, 1)} V, - side {number(one.rest_v, 1)} V{whole}",
                    after_module=one.after_module,
                    first_v=one.first_v,
                    rest_v=one.rest_v,
                    whole_v=one.whole_v,
                ),
            ),
            who=entry.person,
            entry=str(entry.uuid),
        )
    for entry in journal.entries(kind=OPENING_WITHDRAWN, subject_kind="string", subject=string):
        yield StoryEvent(
            moment=entry.device_time,
            parts=(story_part("opening_withdrawn", "readings of an opening taken back"),),
            who=entry.person,
            entry=str(entry.uuid),
        )


def _curve_verdicts(record: SiteRecord, string: str) -> Iterator[StoryEvent]:
    yield from _changes(
        record,
        STRINGS_JUDGED,
        "curves",
        pl.col("string") == string,
        say=lambda rows: [
            story_part(
                "curve_judged",
                f"curve verdict {verdict_word(row['verdict'])}: Pmax "
                f"{percent(row['deviation_ratio'])} against its modules' flash values",
                **kept_fields(row, "verdict", "deviation_ratio"),
            )
            for row in rows
        ],
    )


def _find(record: SiteRecord, asked: str) -> _Subject:
    wanted = asked.strip()
    strings = record.site.strings["string"].to_list()
    for string in strings:
        if wanted.casefold() == string.casefold():
            return _Subject(kind="string", name=string)
    pallet = str(
        pl.DataFrame({"pallet": [wanted]}).select(normal_pallet(pl.col("pallet"))).item() or ""
    )
    reconciled = record.latest(DELIVERY_RECONCILED)
    near: list[str] = difflib.get_close_matches(wanted, strings, n=3)
    if reconciled is not None:
        pallets = record.load_frame(reconciled, "pallets")["pallet"].to_list()
        if pallet in pallets:
            return _Subject(kind="pallet", name=pallet)
        serials = record.scan_frame(reconciled, "modules").select("serial")
        if serials.filter(pl.col("serial") == wanted).collect().height:
            return _Subject(kind="module", name=wanted)
        ending = serials.filter(pl.col("serial").str.ends_with(wanted.upper())).unique().head(4)
        found = ending.collect()["serial"].to_list()
        if len(found) == 1:
            return _Subject(kind="module", name=str(found[0]))
        near += found or difflib.get_close_matches(wanted, pallets, n=2)
    raise CallError(
        "subject-unknown",
        f"Neither a serial, nor a pallet, nor a string of this site is named {wanted}.",
        f"Did you mean {', '.join(near)}?" if near else "Check the number on label or list.",
    )


_STORIES: Final = {
    "module": _serial_events,
    "pallet": _pallet_events,
    "string": _string_events,
}


def _contents(record: SiteRecord, subject: _Subject) -> ReportTable | None:
    """Give the modules of a pallet or a string, with where they are."""
    plan = record.latest(ALLOCATION_PLANNED)
    judged = record.latest(STRINGS_JUDGED)
    reconciled = record.latest(DELIVERY_RECONCILED)
    if subject.kind == "string":
        if judged is not None:
            frame = record.scan_frame(judged, "placed")
        elif plan is not None:
            frame = record.scan_frame(plan, "assignments")
        else:
            return None
        rows = frame.filter(pl.col("string") == subject.name).sort("place_in_string").collect()
        return ReportTable(
            title=f"Modules of string {subject.name}",
            headings=("Place", "Serial", "Pallet"),
            rows=[
                (str(row["place_in_string"]), str(row["serial"]), str(row["pallet"] or "–"))
                for row in rows.to_dicts()
            ],
            align=("right", "left", "left"),
        )
    if subject.kind == "pallet" and reconciled is not None:
        modules = (
            record.scan_frame(reconciled, "modules")
            .filter(pl.col("pallet") == subject.name)
            .collect()
        )
        where = pl.DataFrame(schema={"serial": pl.String, "string": pl.String})
        if judged is not None:
            where = record.load_frame(judged, "placed").select("serial", "string")
        elif plan is not None:
            where = record.load_frame(plan, "assignments").select("serial", "string")
        joined = modules.join(
            where.unique("serial", keep="first"), on="serial", how="left", maintain_order="left"
        )
        return ReportTable(
            title=f"Modules of pallet {subject.name}",
            headings=("Serial", "Pmax [W]", "Usable", "String"),
            rows=[
                (
                    str(row["serial"]),
                    number(row["pmax_w"], 2),
                    "yes" if row["usable"] else f"no: {row['reason']}",
                    str(row["string"] or "–"),
                )
                for row in joined.to_dicts()
            ],
            align=("left", "right", "left", "left"),
        )
    return None


def trace(folder: Path, subject: str, *, now: Callable[[], datetime], progress: Progress) -> Report:
    """Tell the whole story of a serial, a pallet or a string, in time.

    A serial may be given by its last characters when they are unique.

    Raises:
        CallError: nothing of that name is known.
        ArraywrightError: the site description or the machine is at fault.
    """
    progress.stage("reading the record")
    with open_site(folder, person="trace", now=now, create=False) as record:
        return story_of(record, subject)


def story_of(record: SiteRecord, subject: str) -> Report:
    """Tell the whole story of a serial, a pallet or a string from an open record.

    Raises:
        CallError: nothing of that name is known.
    """
    found = _find(record, subject)
    told = (
        *_STORIES[found.kind](record, found.name),
        *misfortunes(record, kind=found.kind, name=found.name),
    )
    events = sorted(told, key=lambda one: one.moment or _NO_TIME)
    zone = record.site.time_zone
    contents = _contents(record, found)
    story = ReportTable(
        title=f"Story of {found.kind} {found.name}",
        headings=("When", "What", "Who", "Stands in"),
        rows=[(local_time(one.moment, zone), one.what, one.who, one.source) for one in events],
    )
    return Report(
        command="trace",
        site=record.site.name,
        summary=(f"{len(events)} things are known of {found.kind} {found.name}.",),
        tables=(story,) if contents is None else (story, contents),
        result={
            "kind": found.kind,
            "name": found.name,
            "events": [one.as_dict() for one in events],
        },
    )
