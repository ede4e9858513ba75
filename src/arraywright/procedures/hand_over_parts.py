"""Gathering what a handover dossier tells from the record of a site."""

from __future__ import annotations

import json
from typing import Any, Final

import polars as pl

from arraywright import __version__
from arraywright.commissioning import (
    INSTRUMENTS,
    IV_POINTS,
    STRING_READINGS,
)
from arraywright.commissioning.tables import SITE_TESTS
from arraywright.delivery import DELIVERY_NOTE, FLASH_LIST, ORDER, PALLET_SCANS
from arraywright.dossier.allocation_worth import PLAN_NAMES
from arraywright.dossier.handover_parts import (
    DeliveryPart,
    DesignCheckPart,
    FileUsed,
    HandoverParts,
    PlanPart,
    TestPart,
)
from arraywright.dossier.words import local_time, number
from arraywright.findings import Finding, Verdict
from arraywright.plant import PLACEMENTS
from arraywright.procedures.allocate import ALLOCATION_PLANNED
from arraywright.procedures.check_record import DESIGN_CHECKED, DESIGN_REPORT
from arraywright.procedures.commission import COMMISSIONING_TABLES, STRINGS_JUDGED
from arraywright.procedures.commission_history import verdict_history
from arraywright.procedures.commission_sheets import further_frames
from arraywright.procedures.curve_panels import curve_panels
from arraywright.procedures.inspection import inspection_of
from arraywright.procedures.placed import what_is_where
from arraywright.procedures.receive import DELIVERY_RECONCILED, DELIVERY_TABLES
from arraywright.procedures.site_record import FILE_RECEIVED, SiteRecord
from arraywright.records.entry import Entry, named_files, parse_body

__all__ = ["gather_parts"]

_TITLES: Final = {
    spec.kind: spec.title
    for spec in (
        ORDER,
        DELIVERY_NOTE,
        PALLET_SCANS,
        FLASH_LIST,
        STRING_READINGS,
        INSTRUMENTS,
        IV_POINTS,
        SITE_TESTS,
        PLACEMENTS,
    )
}


def gather_parts(record: SiteRecord, *, person: str) -> HandoverParts:
    """Read from the record everything a handover dossier tells, as it stands now."""
    reconciled = record.latest(DELIVERY_RECONCILED)
    planned = record.latest(ALLOCATION_PLANNED)
    judged = record.latest(STRINGS_JUDGED)
    if judged is not None:
        placed = record.load_frame(judged, "placed")
        known_by = str(parse_body(judged.body)["summary"]["known_by"])
    else:
        where = what_is_where(record, record.rows(PLACEMENTS))
        placed, known_by = where.placed, where.known_by
    seal = record.journal.seal()
    return HandoverParts(
        site=record.site,
        made_at=record.now(),
        made_by=f"Arraywright {__version__}",
        person=person,
        description_findings=record.description_findings,
        record_findings=_out_of_date(record, reconciled, planned=planned, judged=judged),
        files=_files(record),
        seal_entries=seal.entries,
        seal_receipt=seal.receipt,
        delivery=None if reconciled is None else _delivery(record, reconciled),
        plan=None if planned is None else _plan(record, planned),
        tests=None if judged is None else _tests(record, judged, placed),
        placed=placed,
        known_by=known_by,
        design=tuple(
            _design(record, entry) for entry in record.journal.entries(kind=DESIGN_CHECKED)
        ),
    )


def _design(record: SiteRecord, entry: Entry) -> DesignCheckPart:
    summary: dict[str, Any] = parse_body(entry.body)["summary"]
    return DesignCheckPart(
        at=entry.device_time,
        person=entry.person,
        practice=str(summary["practice"]).upper(),
        counts={verdict: int(summary[verdict.value]) for verdict in Verdict},
        report=record.load_bytes(entry, DESIGN_REPORT),
        report_sha256=str(summary["report_sha256"]),
        findings=record.load_findings(entry),
    )


def _reading_findings(record: SiteRecord, kinds: tuple[str, ...]) -> tuple[Finding, ...]:
    """Give what was found when the files that stand were read."""
    return tuple(
        finding
        for entry in record.received()
        if parse_body(entry.body)["table"] in kinds
        for finding in record.load_findings(entry)
    )


def _delivery(record: SiteRecord, entry: Entry) -> DeliveryPart:
    return DeliveryPart(
        at=entry.device_time,
        pallets=record.load_frame(entry, "pallets"),
        balance=record.load_frame(entry, "order_balance"),
        inspection=inspection_of(record, entry).blocks,
        findings=(
            *_reading_findings(record, tuple(spec.kind for spec in DELIVERY_TABLES)),
            *record.load_findings(entry),
        ),
    )


def _plan(record: SiteRecord, entry: Entry) -> PlanPart:
    summary: dict[str, Any] = parse_body(entry.body)["summary"]
    return PlanPart(
        at=entry.device_time,
        sentence=str(summary["sentence"]),
        plans=tuple(
            (
                PLAN_NAMES.get(plan["kind"], str(plan["kind"])),
                float(plan["loss_w"]),
                float(plan["loss_ratio"]),
                int(plan["pallet_openings"]),
            )
            for plan in summary["plans"]
        ),
        mismatch_inputs=record.load_frame(entry, "mismatch_inputs"),
        spares=record.load_frame(entry, "spares"),
        unplanned=record.load_frame(entry, "unplanned"),
        findings=record.load_findings(entry),
    )


def _tests(record: SiteRecord, entry: Entry, placed: pl.DataFrame) -> TestPart | None:
    """Give the string tests; None when as-built lists alone were handed in, and no test."""
    readings = record.load_frame(entry, "readings")
    curves = record.load_frame(entry, "curves")
    further = further_frames(record, entry)
    rows = further.get("site_tests")
    if readings.is_empty() and curves.is_empty() and (rows is None or rows.is_empty()):
        return None
    summary = parse_body(entry.body)["summary"]
    return TestPart(
        at=entry.device_time,
        strings=record.load_frame(entry, "strings"),
        readings=readings,
        curves=curves,
        panels=curve_panels(
            record.site,
            curves=curves,
            points=record.load_frame(entry, "curve_points"),
            placed=placed,
        ),
        instruments=record.load_frame(entry, "instruments"),
        method=str(summary["method"]),
        curve_method=str(summary["curve_method"]),
        findings=(
            *_reading_findings(record, tuple(spec.kind for spec in COMMISSIONING_TABLES)),
            *record.load_findings(entry),
        ),
        history=verdict_history(record, kind=STRINGS_JUDGED),
        **further,
    )


def _files(record: SiteRecord) -> tuple[FileUsed, ...]:
    """Give every file of the description and every file handed in, superseded ones too."""
    live = {entry.uuid for entry in record.journal.live(kind=FILE_RECEIVED)}
    zone = record.site.time_zone
    used = [
        FileUsed(name=name, holds="site description", sha256=sha256, rows="–", state="in force")
        for name, sha256 in record.description_inputs
    ]
    for entry in record.journal.entries(kind=FILE_RECEIVED):
        body = parse_body(entry.body)
        state = "in force" if entry.uuid in live else "superseded, no longer used"
        used.append(
            FileUsed(
                name=f"{body['file']} ({body['sheet']})" if body["sheet"] else str(body["file"]),
                holds=_TITLES.get(body["table"], str(body["table"])),
                sha256=str(body["sha256"]),
                rows=number(body["rows_in"], 0),
                state=f"{state}; received {local_time(entry.device_time, zone)[:16]}",
            )
        )
    return tuple(used)


def _inputs_of(record: SiteRecord, entry: Entry) -> set[str]:
    for named in named_files(parse_body(entry.body)):
        if named.name == "inputs.json":
            return set(json.loads(record.files.path(named.sha256).read_bytes()))
    return set()


def _out_of_date(
    record: SiteRecord, reconciled: Entry | None, *, planned: Entry | None, judged: Entry | None
) -> tuple[Finding, ...]:
    """Point out results that rest on something that has changed since."""

    def line(entry: Entry | None, what: str) -> list[tuple[str, str]]:
        if entry is None:
            return []
        return [(f"{parse_body(entry.body)['inputs_sha256']} {what}", what)]

    description = (f"{record.description_sha256} description", "description")
    delivery, plan = DELIVERY_RECONCILED, ALLOCATION_PLANNED
    checks = (
        (record.latest(DESIGN_CHECKED), "The check of the design", "check", [description]),
        (reconciled, "The reconciliation of deliveries", "receive", [description]),
        (planned, "The allocation", "allocate", [description, *line(reconciled, "reconciliation")]),
        (
            judged,
            "The verdicts on strings",
            "commission",
            [description, *line(reconciled, delivery), *line(planned, plan)],
        ),
    )
    out = []
    for entry, what, command, wanted in checks:
        if entry is None:
            continue
        held = _inputs_of(record, entry)
        changed = [name.replace("_", " ") for text, name in wanted if text not in held]
        if changed:
            out.append(
                Finding(
                    check="result-out-of-date",
                    subject_kind="site",
                    subject=record.site.name,
                    verdict=Verdict.REVIEW,
                    message=f"{what} of {local_time(entry.device_time, record.site.time_zone)} "
                    f"rests on something that has changed since: {', '.join(changed)}.",
                    remedy=f"Repeat the command {command}, then this one.",
                    basis="common-practice",
                )
            )
    return tuple(out)
