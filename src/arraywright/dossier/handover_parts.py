"""What a handover dossier is made of: the tables and sentences each chapter needs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import polars as pl

from arraywright.dossier.blocks import Block
from arraywright.dossier.curve_plots import CurvePanel
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site

__all__ = [
    "PRINTED_FINDINGS",
    "PRINTED_ROWS",
    "DeliveryPart",
    "DesignCheckPart",
    "FileUsed",
    "HandoverParts",
    "IncidentPart",
    "PlanPart",
    "RecallPart",
    "SettledPoint",
    "Settlement",
    "TestPart",
]

PRINTED_ROWS: Final = 1000
"""Rows of one table printed at most; setting a table takes time by the square of its rows. Above,
only what did not pass is printed row by row, and all rows are in the attached tables."""
PRINTED_FINDINGS: Final = 400
"""Open points printed one by one at most; all of them are in the attached findings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FileUsed:
    """One file that the record or the description rests on.

    Attributes:
        name: name of the file, with its sheet.
        holds: kind of table in words.
        sha256: digest of the file's bytes.
        rows: rows found, as printed.
        state: ``in force``, ``superseded`` or ``withdrawn``, with the day it was received.
    """

    name: str
    holds: str
    sha256: str
    rows: str
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryPart:
    """What was received.

    Attributes:
        at: moment of the reconciliation.
        pallets: pallets of a reconciliation.
        balance: order balance of a reconciliation.
        inspection: the part about incoming inspection.
        findings: findings of reading and reconciling.
    """

    at: datetime
    pallets: pl.DataFrame
    balance: pl.DataFrame
    inspection: tuple[Block, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignCheckPart:
    """A check of the design before building.

    Attributes:
        at: moment of the check.
        person: who checked.
        practice: family of standards, in words.
        counts: number of findings by verdict.
        report: bytes of its report.
        report_sha256: digest of the report.
        findings: what came of it.
    """

    at: datetime
    person: str
    practice: str
    counts: Mapping[Verdict, int]
    report: bytes
    report_sha256: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanPart:
    """The allocation.

    Attributes:
        at: moment of the plan.
        sentence: what the plan is worth.
        plans: name, loss [W], loss ratio and pallet openings of each plan compared.
        mismatch_inputs: predicted mismatch per MPPT input of the plan.
        spares: modules kept as spares.
        unplanned: strings without modules, with the reason.
        findings: shortages and what was set aside.
    """

    at: datetime
    sentence: str
    plans: tuple[tuple[str, float, float, int], ...]
    mismatch_inputs: pl.DataFrame
    spares: pl.DataFrame
    unplanned: pl.DataFrame
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TestPart:
    """The string tests.

    Attributes:
        at: moment of judging.
        strings: one row per string, of ``commissioning.judge``.
        readings: one row per reading.
        curves: one row per I-V curve.
        panels: curves to be drawn, gravest first.
        instruments: every instrument of the lists.
        method: how strings were judged, in words.
        curve_method: how I-V curves were judged, in words.
        findings: findings of reading and judging.
        sheets: lines of the test sheets; None in records of earlier versions.
        site_tests: tests and inspections that came as rows; None likewise.
        earth_faults: readings of pole-to-earth voltages; None likewise.
        history: every verdict of a string that differs from the one before: ``string``, ``at``,
            ``person``, ``entry``, ``before``, ``after``, ``because``; None where not gathered.
    """

    __test__ = False

    at: datetime
    strings: pl.DataFrame
    readings: pl.DataFrame
    curves: pl.DataFrame
    panels: tuple[CurvePanel, ...]
    instruments: pl.DataFrame
    method: str
    curve_method: str
    findings: tuple[Finding, ...]
    sheets: pl.DataFrame | None = None
    site_tests: pl.DataFrame | None = None
    earth_faults: pl.DataFrame | None = None
    history: pl.DataFrame | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Settlement:
    """That a point is settled.

    Attributes:
        person: who settled it.
        at: when, by the clock of who entered it.
        reason: why, in that person's words.
        inspected: what was inspected or done, in that person's words; empty where not said.
    """

    person: str
    at: datetime
    reason: str
    inspected: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SettledPoint:
    """A finding that is not a pass, and who settled it.

    Attributes:
        finding: what was found or told.
        settlement: who settled it, when and why.
        entered: whether a person told it, and no check found it.
    """

    finding: Finding
    settlement: Settlement
    entered: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class IncidentPart:
    """Something that happened to modules.

    Attributes:
        day: when, ``YYYY-MM-DD``.
        what: what happened, in a few words.
        told: what happened, in the person's words.
        person: who entered it.
        at: when it was entered.
        source: where it was entered, in words.
        names: what it is about, as given.
        photos: SHA-256 of the photographs.
        modules: frame of the modules with where they are now: serial, pallet, string,
            place_in_string, position, state, inspected, inspected_by and inspected_at.
        settlement: who settled it; None while it is open.
    """

    day: str
    what: str
    told: str
    person: str
    at: datetime
    source: str
    names: tuple[str, ...]
    photos: tuple[str, ...]
    modules: pl.DataFrame
    settlement: Settlement | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RecallPart:
    """Modules that their maker calls back.

    Attributes:
        reason: what the maker says.
        chosen: by what the modules were chosen, in words.
        undated: modules left out because the day of their flash is not known.
        person: who entered it.
        at: when.
        modules: frame as in ``IncidentPart``.
        settlement: who said that all is done; None while it is open.
        withdrawn: who took it back, when and why; None while it stands.
    """

    reason: str
    chosen: str
    undated: int
    person: str
    at: datetime
    modules: pl.DataFrame
    settlement: Settlement | None
    withdrawn: Settlement | None


@dataclass(frozen=True, slots=True, kw_only=True)
class HandoverParts:
    """Everything a handover dossier tells.

    Attributes:
        site: the site.
        made_at: moment of making.
        made_by: software and version.
        person: who makes the dossier.
        description_findings: what reading the description noted, defaults taken included.
        record_findings: what is to be said of the record itself, for example results out of date.
        files: files of the description and every file received.
        seal_entries: entries of the record before the dossier was entered.
        seal_receipt: last receipt of the record then.
        delivery: what was received; None when nothing was.
        plan: the allocation; None when there is none.
        tests: the string tests; None when nothing was tested.
        placed: string, place_in_string, serial, pallet, class, flashed values and known_by, empty
            when nobody knows which module sits where.
        known_by: what that rests on, in words.
        design: every check of the design before building, the one in force last.
        entered: what people told that nobody has settled: defects, incidents, recalls, points that
            phones left open.
        settled: what somebody settled, the newest settlement last.
        incidents: every incident, the newest first, open ones before.
        recalls: every recall likewise, those taken back last.
    """

    site: Site
    made_at: datetime
    made_by: str
    person: str
    description_findings: tuple[Finding, ...]
    record_findings: tuple[Finding, ...]
    files: tuple[FileUsed, ...]
    seal_entries: int
    seal_receipt: str
    delivery: DeliveryPart | None
    plan: PlanPart | None
    tests: TestPart | None
    placed: pl.DataFrame
    known_by: str
    design: tuple[DesignCheckPart, ...] = ()
    entered: tuple[Finding, ...] = ()
    settled: tuple[SettledPoint, ...] = ()
    incidents: tuple[IncidentPart, ...] = ()
    recalls: tuple[RecallPart, ...] = ()

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Every finding of every check, and what people told that nobody has settled."""
        return (
            *self.entered,
            *self.record_findings,
            *self.description_findings,
            *(self.design[-1].findings if self.design else ()),
            *(() if self.delivery is None else self.delivery.findings),
            *(() if self.plan is None else self.plan.findings),
            *(() if self.tests is None else self.tests.findings),
        )

    @property
    def open_ones(self) -> tuple[Finding, ...]:
        """Every finding that is not a pass and that nobody has settled, each once."""
        settled = {one.finding for one in self.settled if not one.entered}
        held = dict.fromkeys(one for one in self.findings if one.verdict is not Verdict.PASS)
        return tuple(one for one in held if one not in settled)
