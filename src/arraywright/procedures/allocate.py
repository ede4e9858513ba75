"""Allocating: accepted modules into strings, and the picking lists for the crews."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final, cast, get_args

import polars as pl

from arraywright import __version__
from arraywright.allocation.park import plan_park
from arraywright.allocation.park_result import ParkMode, ParkPlan
from arraywright.dossier.render import render_pdf
from arraywright.errors import CallError, RecordError
from arraywright.plant import PLACEMENTS
from arraywright.procedures.allocate_dates import Dated, stock_with_days
from arraywright.procedures.allocate_report import (
    allocation_csvs,
    allocation_document,
    allocation_tables,
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
class _Planned:
    entry: Entry
    new: bool


def _frozen(record: SiteRecord) -> pl.DataFrame | None:
    placements = record.rows(PLACEMENTS)
    if placements.is_empty():
        return None
    return (
        placements.sort("placed_at", nulls_last=False)
        .unique(["string", "place_in_string"], keep="last", maintain_order=True)
        .select("string", "place_in_string", "serial")
    )


def _plan(record: SiteRecord, mode: ParkMode, progress: Progress) -> _Planned:
    # Before anything else is read: what another command appends later is then noticed.
    previous = record.latest(ALLOCATION_PLANNED)
    reconciled = record.latest(DELIVERY_RECONCILED)
    if reconciled is None:
        raise CallError(
            "nothing-received",
            f"Nothing has been received at {record.site.name} yet.",
            "Receive the delivery files first: arraywright receive SITE FILE...",
        )
    placements = record.received(PLACEMENTS)
    inputs = [
        f"{parse_body(reconciled.body)['inputs_sha256']} reconciliation",
        f"{record.description_sha256} description",
        *(f"{entry.entry_hash.hex()} placements" for entry in placements),
        f"{mode} mode",
        __version__,
    ]
    if previous is not None and parse_body(previous.body)["inputs_sha256"] == digest_of(inputs):
        return _Planned(entry=previous, new=False)
    dated = stock_with_days(
        record,
        modules=record.load_frame(reconciled, "modules"),
        pallets=record.load_frame(reconciled, "pallets"),
        evidence=[reconciled, *placements],
    )
    result = _park(record, dated, mode=mode, progress=progress)
    progress.stage("writing the record")
    entry = record.new_result(
        ALLOCATION_PLANNED,
        inputs=inputs,
        frames=plan_frames(record.site, result, stock=dated.stock),
        findings=(*result.findings, *dated.findings),
        summary=plan_summary(result),
        previous=previous,
    )
    return _Planned(
        entry=record.append_result([entry], kind=ALLOCATION_PLANNED, previous=previous), new=True
    )


def _park(record: SiteRecord, dated: Dated, *, mode: ParkMode, progress: Progress) -> ParkPlan:
    told: list[str] = []

    def tell(stage: str, _: float) -> None:
        if told[-1:] != [stage]:
            told.append(stage)
            progress.stage(stage)

    tell("choosing the classes of inputs", 0.0)
    return plan_park(
        record.site,
        stock=dated.stock,
        days=dated.days,
        frozen=_frozen(record),
        mode=mode,
        tell=tell,
    )


def _write(record: SiteRecord, entry: Entry, summary: dict[str, Any]) -> tuple[Path, ...]:
    document = allocation_document(record, entry, summary, findings=record.load_findings(entry))
    out = record.out
    csvs = allocation_csvs(record, entry)
    if "piles.csv" not in csvs:
        # what an earlier plan wanted sorted is not wanted any more
        (out / "piles.csv").unlink(missing_ok=True)
    return (
        write_whole(out / "picking-lists.pdf", render_pdf(document, made_at=entry.device_time)),
        *(write_whole(out / name, data) for name, data in csvs.items()),
    )


def allocate(
    folder: Path,
    *,
    mode: str = "auto",
    person: str,
    now: Callable[[], datetime],
    progress: Progress,
) -> Report:
    """Plan which module goes into which string, and write the picking lists.

    What as-built lists say is built in already stays where it is.

    Args:
        folder: the site folder.
        mode: how strings are filled: ``auto`` takes what costs least, the others one way.
        person: who plans.
        now: the clock.
        progress: where stages are told.

    Raises:
        ArraywrightError: nothing was received yet; the description or the machine is at fault.
    """
    if mode not in PLAN_MODES:
        raise CallError(
            "mode-unknown",
            f"Found mode {mode!r}; known are {', '.join(PLAN_MODES)}.",
            "Give one of them.",
        )
    asked = cast("ParkMode", mode)
    progress.stage("reading the site description")
    with open_site(folder, person=person, now=now) as record:
        try:
            planned = _plan(record, asked, progress)
        except RecordError as error:
            # Another command recorded a plan meanwhile: look again.
            if error.code != "superseded-already":
                raise
            planned = _plan(record, asked, progress)
        entry = planned.entry
        summary = parse_body(entry.body)["summary"]
        progress.stage("writing the picking lists")
        written = _write(record, entry, summary)
        sentences = [*summary["sentences"], summary["yard"]["sentence"]]
        if not planned.new:
            sentences.append("Nothing is new since the last plan: the record is unchanged.")
        return Report(
            command="allocate",
            site=record.site.name,
            summary=tuple(sentences),
            tables=allocation_tables(record, entry, summary),
            findings=record.load_findings(entry),
            result={
                **summary,
                "classes": record.load_frame(entry, "classes").to_dicts(),
                "trade_off": record.load_frame(entry, "trade_off").to_dicts(),
                "yard_days": record.load_frame(entry, "yard_days").to_dicts(),
                "picking": record.load_frame(entry, "picking").to_dicts(),
            },
            written=written,
            unchanged=not planned.new,
        )
