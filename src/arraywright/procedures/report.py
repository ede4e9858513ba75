"""What a procedure reports: sentences, tables, findings and data, the same on every surface."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, Protocol

from arraywright.findings import Finding, Verdict, count_verdicts

__all__ = ["NO_PROGRESS", "Progress", "Report", "ReportTable"]


class Progress(Protocol):
    """Where a procedure says how far it is."""

    def stage(self, title: str) -> None:
        """Say that a stage of the work begins; the one before is done."""


class _NoProgress:
    def stage(self, title: str) -> None:
        """Say nothing."""


NO_PROGRESS: Progress = _NoProgress()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportTable:
    """A table for people.

    Attributes:
        title: words over it.
        headings: one a column, with units.
        rows: printed text.
        align: alignment per column; all left when empty.
        verdict_column: index of the column of verdict words, or None.
        more: rows left out of the printed table, which ``result`` holds.
    """

    title: str
    headings: tuple[str, ...]
    rows: Sequence[Sequence[str]]
    align: tuple[Literal["left", "right"], ...] = ()
    verdict_column: int | None = None
    more: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What came of a command.

    Attributes:
        command: name of the command.
        site: name of the site.
        summary: sentences in order of weight.
        tables: tables for people.
        findings: everything checked that people should see.
        result: plain data of the result, for JSON.
        written: files written.
        input_refused: whether an input was so wrong that the work could not be done.
        unchanged: whether everything had been recorded before.
    """

    command: str
    site: str
    summary: tuple[str, ...]
    tables: tuple[ReportTable, ...] = ()
    findings: tuple[Finding, ...] = ()
    result: dict[str, object] = field(default_factory=dict)
    written: tuple[Path, ...] = ()
    input_refused: bool = False
    unchanged: bool = False

    @property
    def exit_code(self) -> int:
        """The exit code: 2 when an input is wrong, 1 when the array fails, else 0."""
        if self.input_refused:
            return 2
        return 1 if any(finding.verdict is Verdict.FAIL for finding in self.findings) else 0

    def as_dict(self) -> dict[str, object]:
        """Give the whole report as plain data, for JSON."""
        return {
            "command": self.command,
            "site": self.site,
            "exit_code": self.exit_code,
            "unchanged": self.unchanged,
            "summary": list(self.summary),
            "verdicts": {
                verdict.value: count for verdict, count in count_verdicts(self.findings).items()
            },
            "findings": [finding.as_dict() for finding in self.findings],
            "result": self.result,
            "written": [str(path) for path in self.written],
        }
