"""Verifying: whether the record is whole, unchanged and signed by who says so."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from arraywright.findings import Verdict, worst_verdict
from arraywright.procedures.report import Progress, Report
from arraywright.procedures.site_record import open_site

__all__ = ["verify"]


def verify(folder: Path, *, now: Callable[[], datetime], progress: Progress) -> Report:
    """Check chains, hashes, signatures, gaps and stored files of a site's record.

    Raises:
        ArraywrightError: there is no record, or it cannot be read.
    """
    with open_site(folder, person="verify", now=now, create=False) as record:
        progress.stage("verifying every entry and every file")
        findings = tuple(record.journal.verify())
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
