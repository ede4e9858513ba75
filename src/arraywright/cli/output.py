"""What a person sees in the terminal, and the one JSON document on standard output."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime

from rich.console import Console
from rich.status import Status
from rich.table import Table

from arraywright.findings import Finding, Verdict
from arraywright.procedures.report import Progress, Report, ReportTable

__all__ = ["print_findings", "print_json", "print_report", "show_progress"]

_LOOKS = {
    "pass": ("green", "●"),
    "accept": ("green", "●"),
    "consistent": ("green", "●"),
    "fail": ("red", "✕"),
    "refuse": ("red", "✕"),
    "review": ("yellow", "▲"),
    "hold": ("yellow", "▲"),
    "deviates": ("yellow", "▲"),
    "not assessable": ("cyan", "○"),
    "not_assessable": ("cyan", "○"),
}
_ORDER = (Verdict.FAIL, Verdict.REVIEW, Verdict.NOT_ASSESSABLE)
_FINDINGS_SHOWN = 25


def _plain(value: object) -> object:
    if isinstance(value, datetime | date):
        return value.isoformat()
    return str(value)


def print_json(document: object) -> None:
    """Print one JSON document and nothing else."""
    json.dump(document, sys.stdout, ensure_ascii=False, indent=2, default=_plain, allow_nan=False)
    sys.stdout.write("\n")


class _ShownProgress:
    def __init__(self, console: Console, status: Status) -> None:
        self._console = console
        self._status = status
        self._began = time.monotonic()
        self._title = ""

    def stage(self, title: str) -> None:
        """Show the stage that begins and how long the one before took."""
        self.close()
        self._title = title
        self._began = time.monotonic()
        self._status.update(f"{title} ...")

    def close(self) -> None:
        if self._title:
            seconds = time.monotonic() - self._began
            self._console.print(f"  {self._title} ({seconds:.1f} s)", style="dim", markup=False)
            self._title = ""


@contextmanager
def show_progress(*, quiet: bool) -> Iterator[Progress]:
    """Show stages on standard error while work goes on."""
    console = Console(stderr=True, quiet=quiet, highlight=False)
    with console.status("starting ...") as status:
        progress = _ShownProgress(console, status)
        yield progress
        progress.close()


def _sign(word: str) -> str:
    colour, sign = _LOOKS.get(word, ("", ""))
    return f"[{colour}]{sign} {word}[/]" if colour else word


def _escape(text: str) -> str:
    return text.replace("[", "\\[")


def _draw_table(console: Console, table: ReportTable) -> None:
    drawn = Table(title=_escape(table.title), title_justify="left", title_style="bold", box=None)
    for index, heading in enumerate(table.headings):
        align = table.align[index] if table.align else "left"
        drawn.add_column(_escape(heading), justify=align, overflow="fold", header_style="bold")
    for row in table.rows:
        drawn.add_row(
            *(
                _sign(cell) if index == table.verdict_column else _escape(cell)
                for index, cell in enumerate(row)
            )
        )
    console.print(drawn)
    if table.more:
        console.print(f"  and {table.more} more rows; see the files written or --json")
    console.print()


def _draw_finding(console: Console, finding: Finding) -> None:
    console.print(
        f"{_sign(finding.verdict.value.replace('_', ' '))}  "
        f"[bold]{_escape(finding.subject_kind)} {_escape(finding.subject)}[/]: "
        f"{_escape(finding.message)}"
    )
    details = []
    if finding.place is not None:
        details.append(f"at: {finding.place}")
    told = finding.found in finding.message and finding.required in finding.message
    if (finding.found or finding.required) and not told:
        details.append(f"found: {finding.found or 'nothing'}; required: {finding.required}")
    if finding.remedy:
        details.append(f"to do: {finding.remedy}")
    for detail in details:
        console.print(f"      {_escape(detail)}", style="dim")


def print_findings(findings: Sequence[Finding], *, all_findings: bool) -> None:
    """Print findings that are not passes, gravest first, on standard output."""
    console = Console(highlight=False)
    ordered = [finding for verdict in _ORDER for finding in findings if finding.verdict is verdict]
    shown = ordered if all_findings else ordered[:_FINDINGS_SHOWN]
    for finding in shown:
        _draw_finding(console, finding)
    if len(ordered) > len(shown):
        console.print(
            f"... and {len(ordered) - len(shown)} more findings; show them with --all, "
            "or read them with --json"
        )
    if ordered:
        console.print()


def print_report(report: Report, *, all_findings: bool) -> None:
    """Print a report for people on standard output."""
    console = Console(highlight=False)
    for table in report.tables:
        _draw_table(console, table)
    print_findings(report.findings, all_findings=all_findings)
    for sentence in report.summary:
        console.print(_escape(sentence))
    for path in report.written:
        console.print(f"written: {path}", markup=False, soft_wrap=True)
