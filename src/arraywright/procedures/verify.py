"""Verifying: whether the record is whole, unchanged and signed by who says so."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

from arraywright.findings import Finding, Verdict, worst_verdict
from arraywright.procedures.report import Progress, Report
from arraywright.procedures.site_record import open_site
from arraywright.records import Journal, Projection, ProjectionRunner

__all__ = ["verify"]


def _projection_findings(journal: Journal, projections: Sequence[Projection]) -> list[Finding]:
    """Make every projection anew and compare it with what stood there."""
    runner = ProjectionRunner(journal, projections)
    runner.catch_up()
    before = {one.name: runner.content_hash(one.name) for one in projections}
    runner.rebuild()
    findings = []
    for name, digest in before.items():
        same = runner.content_hash(name) == digest
        findings.append(
            Finding(
                check="record-projection",
                subject_kind="file",
                subject=name,
                verdict=Verdict.PASS if same else Verdict.FAIL,
                message=f"What was made of the entries ({name}) equals what they give anew."
                if same
                else f"What was made of the entries ({name}) was not what they give; it has been "
                "made anew.",
                remedy="" if same else "Find out who opened the database with another program.",
                basis="fips-180-4 6.2",
            )
        )
    return findings


def verify(
    folder: Path,
    *,
    now: Callable[[], datetime],
    progress: Progress,
    projections: Sequence[Projection] = (),
) -> Report:
    """Check chains, hashes, signatures, gaps and stored files of a site's record.

    Args:
        folder: the site folder.
        now: the clock.
        progress: where stages are told.
        projections: what is made of the entries, to be compared with what they give anew.

    Raises:
        ArraywrightError: there is no record, or it cannot be read.
    """
    with open_site(folder, person="verify", now=now, create=False) as record:
        progress.stage("verifying every entry and every file")
        findings = tuple(record.journal.verify())
        if projections and worst_verdict(findings) is Verdict.PASS:
            progress.stage("comparing what is made of the entries with what they give anew")
            findings += tuple(_projection_findings(record.journal, projections))
        seal = record.journal.seal()
        sound = worst_verdict(findings) is Verdict.PASS
        return Report(
            command="verify",
            site=record.site.name,
            summary=(
                "The record verifies: nothing is missing, changed or unsigned."
                if sound
                else "The record does NOT verify; see the findings.",
                f"Seal: {seal.entries} entries, {seal.receipt}.",
                "Written down elsewhere, the seal proves later that nothing so far was changed.",
            ),
            findings=findings,
            result={"entries": seal.entries, "receipt": seal.receipt},
        )
