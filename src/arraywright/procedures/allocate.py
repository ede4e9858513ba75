"""Allocating: accepted modules into strings, and the picking lists for the crews."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final, cast, get_args

from arraywright import __version__
from arraywright.allocation.explain import Explanation, explain_string
from arraywright.allocation.park_result import ParkMode
from arraywright.dossier.render import render_pdf
from arraywright.errors import CallError, RecordError
from arraywright.plant import PLACEMENTS
from arraywright.procedures.allocate_dates import Dated, stock_with_days
from arraywright.procedures.allocate_make import MadePlan, make_plan
from arraywright.procedures.allocate_report import (
    SOMETIMES_WRITTEN,
    allocation_csvs,
    allocation_document,
    allocation_tables,
    explanation_tables,
)
from arraywright.procedures.allocate_results import plan_frames, plan_summary
from arraywright.procedures.exports import write_whole
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.report import Progress, Report
from arraywright.procedures.site_record import SiteRecord, digest_of, open_site
from arraywright.records.entry import Entry, parse_body

__all__ = ["ALLOCATION_PLANNED", "PLAN_MODES", "allocate"]

ALLOCATION_PLANNED: Final = "allocation_planned"
PLAN_MODES: Final[tuple[str, ...]] = get_args(ParkMode)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What was asked for."""

    mode: ParkMode | None
    replan: bool
    in_progress: tuple[str, ...]
    ahead: int | None
    explain: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Planned:
    """The plan that stands; ``explanation`` where one was asked for."""

    entry: Entry
    new: bool
    explanation: Explanation | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ground:
    """What a plan rests on."""

    reconciled: Entry
    placements: list[Entry]

    def inputs(self, record: SiteRecord, mode: ParkMode) -> list[str]:
        return [
            f"{parse_body(self.reconciled.body)['inputs_sha256']} reconciliation",
            f"{record.description_sha256} description",
            *(f"{entry.entry_hash.hex()} placements" for entry in self.placements),
            f"{mode} mode",
            __version__,
        ]

    def dated(self, record: SiteRecord) -> Dated:
        return stock_with_days(
            record,
            modules=record.load_frame(self.reconciled, "modules"),
            pallets=record.load_frame(self.reconciled, "pallets"),
            evidence=[self.reconciled, *self.placements],
        )


def _ground(record: SiteRecord) -> _Ground:
    reconciled = record.latest(DELIVERY_RECONCILED)
    if reconciled is None:
        raise CallError(
            "nothing-received",
            f"Nothing has been received at {record.site.name} yet.",
            "Receive the delivery files first: arraywright receive SITE FILE...",
        )
    return _Ground(reconciled=reconciled, placements=record.received(PLACEMENTS))


def _plan(record: SiteRecord, asked: _Asked, progress: Progress) -> _Planned:
    # Before anything else is read: what another command appends later is then noticed.
    previous = record.latest(ALLOCATION_PLANNED)
    ground = _ground(record)
    if asked.replan and previous is None:
        raise CallError(
            "nothing-planned",
            f"Nothing has been planned at {record.site.name} yet: there is nothing to keep.",
            "Plan first: arraywright allocate SITE.",
        )
    held = {} if previous is None else parse_body(previous.body)["summary"]
    mode: ParkMode = asked.mode or (held.get("mode", "auto") if asked.replan else "auto")
    base = ground.inputs(record, mode)
    if asked.ahead is not None:
        base = [*base, f"{asked.ahead} days ahead"]
    same = held.get("base_sha256") == digest_of(base)
    if previous is not None and same and (asked.replan or held["replan_of"] is None):
        return _standing(record, previous, ground, asked, progress)
    before = previous if asked.replan else None
    dated = ground.dated(record)
    made = make_plan(
        record,
        dated,
        mode=mode,
        reconciled=ground.reconciled,
        before=before,
        in_progress=asked.in_progress,
        ahead=asked.ahead,
        progress=progress,
    )
    if asked.ahead is not None and not made.result.days.described:
        raise CallError(
            "ahead-without-dates",
            "Days ahead are asked for, but nothing says when strings are built.",
            "Describe [building] in site.toml, or a build_date in the table of strings.",
        )
    # before anything is recorded: a string nobody knows is a mistake of the call
    explanation = _explained(made, asked)
    progress.stage("writing the record")
    changed = [] if before is None else [f"{before.entry_hash.hex()} plan before"]
    entry = record.new_result(
        ALLOCATION_PLANNED,
        inputs=[*base, *changed, *(f"{one} in progress" for one in asked.in_progress)],
        frames=plan_frames(
            record.site,
            made.result,
            stock=made.stock,
            changes=made.changes,
            reserved=made.reserved,
        ),
        findings=(*made.result.findings, *made.findings, *dated.findings),
        summary={
            **plan_summary(made.result),
            "base_sha256": digest_of(base),
            "replan_of": None if before is None else before.uuid,
            "in_progress": list(asked.in_progress),
            "days_ahead": asked.ahead,
        },
        previous=previous,
    )
    return _Planned(
        entry=record.append_result([entry], kind=ALLOCATION_PLANNED, previous=previous),
        new=True,
        explanation=explanation,
    )


def _standing(
    record: SiteRecord, entry: Entry, ground: _Ground, asked: _Asked, progress: Progress
) -> _Planned:
    """Give the plan that stands; it is worked out again, the same, where it is to be explained."""
    if asked.explain is None:
        return _Planned(entry=entry, new=False, explanation=None)
    held = parse_body(entry.body)["summary"]
    before = None if held["replan_of"] is None else record.journal.find(held["replan_of"])
    dated = ground.dated(record)
    made = make_plan(
        record,
        dated,
        mode=held["mode"],
        reconciled=ground.reconciled,
        before=before,
        in_progress=tuple(held["in_progress"]),
        ahead=held.get("days_ahead"),
        progress=progress,
    )
    return _Planned(entry=entry, new=False, explanation=_explained(made, asked))


def _explained(made: MadePlan, asked: _Asked) -> Explanation | None:
    if asked.explain is None:
        return None
    return explain_string(made.result, asked.explain, stock=made.stock)


def _write(record: SiteRecord, entry: Entry, summary: dict[str, Any]) -> tuple[Path, ...]:
    document = allocation_document(record, entry, summary, findings=record.load_findings(entry))
    out = record.out
    csvs = allocation_csvs(record, entry)
    for name in SOMETIMES_WRITTEN:
        if name not in csvs:
            # what an earlier plan wanted is not wanted any more
            (out / name).unlink(missing_ok=True)
    return (
        write_whole(out / "picking-lists.pdf", render_pdf(document, made_at=entry.device_time)),
        *(write_whole(out / name, data) for name, data in csvs.items()),
    )


def allocate(
    folder: Path,
    *,
    mode: str | None = None,
    replan: bool = False,
    in_progress: Sequence[str] = (),
    ahead: int | None = None,
    explain: str | None = None,
    person: str,
    now: Callable[[], datetime],
    progress: Progress,
) -> Report:
    """Plan which module goes into which string, and write the picking lists.

    What as-built lists say is built in already stays where it is.

    Args:
        folder: the site folder.
        mode: how strings are filled: ``auto`` takes what costs least, the others one way. None
            for ``auto``, or that of the plan before when it is planned anew.
        replan: keep the plan before as far as it is worth, and list what changes for the crews.
        in_progress: strings whose picking is under way; with ``replan`` they stay as planned.
        ahead: days beyond the planning day that are planned, reckoning with what is ordered for
            the rest; None to plan all that is known.
        explain: a string to explain.
        person: who plans.
        now: the clock.
        progress: where stages are told.

    Raises:
        ArraywrightError: nothing was received yet; the description or the machine is at fault.
    """
    if mode is not None and mode not in PLAN_MODES:
        raise CallError(
            "mode-unknown",
            f"Found mode {mode!r}; known are {', '.join(PLAN_MODES)}.",
            "Give one of them.",
        )
    if in_progress and not replan:
        raise CallError(
            "in-progress-without-replan",
            "Strings in progress are named, but the plan is not to be kept.",
            "Give --replan too.",
        )
    asked = _Asked(
        mode=cast("ParkMode | None", mode),
        replan=replan,
        in_progress=tuple(dict.fromkeys(in_progress)),
        ahead=ahead,
        explain=explain,
    )
    progress.stage("reading the site description")
    with open_site(folder, person=person, now=now) as record:
        _check_strings(record, asked)
        try:
            planned = _plan(record, asked, progress)
        except RecordError as error:
            # Another command recorded a plan meanwhile: look again.
            if error.code != "superseded-already":
                raise
            planned = _plan(record, asked, progress)
        return _report(record, planned, progress)


def _check_strings(record: SiteRecord, asked: _Asked) -> None:
    known = set(record.site.strings["string"].to_list())
    for name in (*asked.in_progress, *([] if asked.explain is None else [asked.explain])):
        if name not in known:
            near = difflib.get_close_matches(name, sorted(known), n=1)
            raise CallError(
                "string-unknown",
                f"{record.site.name} has no string {name}.",
                f"Did you mean {near[0]}?" if near else "Give the name as the layout has it.",
            )


def _report(record: SiteRecord, planned: _Planned, progress: Progress) -> Report:
    entry = planned.entry
    summary = parse_body(entry.body)["summary"]
    progress.stage("writing the picking lists")
    written = _write(record, entry, summary)
    sentences = [*summary["sentences"], summary["yard"]["sentence"]]
    tables = allocation_tables(record, entry, summary)
    if not planned.new:
        sentences.append("Nothing is new since the last plan: the record is unchanged.")
    if planned.explanation is not None:
        sentences += planned.explanation.sentences
        tables = (*tables, *explanation_tables(planned.explanation, str(summary["currency"])))
    frames = ("changes", "reserved", "classes", "trade_off", "yard_days", "picking")
    return Report(
        command="allocate",
        site=record.site.name,
        summary=tuple(sentences),
        tables=tables,
        findings=record.load_findings(entry),
        result={
            **summary,
            **{name: record.load_frame(entry, name).to_dicts() for name in frames},
            "explanation": (None if planned.explanation is None else asdict(planned.explanation)),
        },
        written=written,
        unchanged=not planned.new,
    )
