"""What a person sees in the terminal, and the one JSON document on standard output."""

from __future__ import annotations

import json
import math
import sys
import time
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from typing import Any, Final

from rich.cells import cell_len
from rich.console import Console
from rich.status import Status
from rich.table import Table
from rich.text import Text

from arraywright.findings import Finding, Verdict, group_findings
from arraywright.procedures.report import Progress, Report, ReportTable

__all__ = ["print_findings", "print_json", "print_report", "show_progress"]

_LOOKS: Final = {
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
_ALIKE_SHOWN: Final = 3
_BETWEEN: Final = 2
_LEAST_WORDS: Final = 12
"""Columns that words need at least to be read when they are folded."""
_PIPED_WIDTH: Final = 1_000
"""Columns to lay out in where nobody's window sets a limit: nothing is folded there."""


def _jsonable(value: Any) -> Any:
    """Give plain data; a number that is none (infinite, not a number) becomes null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _jsonable(held) for key, held in value.items()}
    if isinstance(value, list | tuple):
        return [_jsonable(held) for held in value]
    if isinstance(value, datetime | date):
        return value.isoformat()
    if value is None or isinstance(value, str | bool | int):
        return value
    return str(value)


def print_json(document: object) -> None:
    """Print one JSON document and nothing else, whole or not at all."""
    plain = _jsonable(document)
    text = json.dumps(plain, ensure_ascii=False, indent=2, allow_nan=False)
    try:
        text.encode(sys.stdout.encoding or "utf-8")
    except UnicodeEncodeError:
        text = json.dumps(plain, ensure_ascii=True, indent=2, allow_nan=False)
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _visible(sign: str) -> str:
    return (
        sign
        if unicodedata.category(sign) not in {"Cc", "Cf", "Cs", "Co"}
        else "\N{REPLACEMENT CHARACTER}"
    )


def _plain(text: object) -> str:
    """Give text that cannot steer a terminal: control characters and halves are replaced."""
    held = str(text)
    if held.isprintable():
        return held
    return "".join(sign if sign == "\n" else _visible(sign) for sign in held)


class _ShownProgress:
    def __init__(self, console: Console, status: Status) -> None:
        self._console = console
        self._status = status
        self._began = time.monotonic()
        self._title = ""

    def stage(self, title: str) -> None:
        """Show the stage that begins and how long the one before took."""
        self.close()
        self._title = _plain(title)
        self._began = time.monotonic()
        self._status.update(Text(f"{self._title} ..."))

    def close(self) -> None:
        if self._title:
            seconds = time.monotonic() - self._began
            self._console.print(Text(f"  {self._title} ({seconds:.1f} s)", style="dim"))
            self._title = ""


@contextmanager
def show_progress(*, quiet: bool) -> Iterator[Progress]:
    """Show stages on standard error while work goes on."""
    console = Console(stderr=True, quiet=quiet, highlight=False, soft_wrap=True)
    with console.status("starting ...") as status:
        progress = _ShownProgress(console, status)
        yield progress
        progress.close()


def _standard_output() -> Console:
    """Give standard output: as wide as the window, or unfolded into a file or another program."""
    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=_PIPED_WIDTH)
    return console


def _say(console: Console, text: Text) -> None:
    console.print(text, soft_wrap=not console.is_terminal)


def _sign(word: str) -> Text:
    colour, sign = _LOOKS.get(word, ("", ""))
    return Text(f"{sign} {word}".strip(), style=colour)


def _longest(lines: Sequence[str]) -> int:
    return max((cell_len(line) for line in lines), default=0)


def _column_widths(table: ReportTable, *, width: int) -> list[int | None]:
    """Give the columns widths so that words are folded before a number or a verdict is.

    None leaves a column to itself: everywhere when the table fits, or when there is no room for
    words beside the numbers.
    """
    columns = range(len(table.headings))
    cells = [0 for _ in columns]
    for row in table.rows:
        for index, cell in enumerate(row):
            drawn = _sign(cell).plain if index == table.verdict_column else _plain(cell)
            cells[index] = max(cells[index], _longest(drawn.split("\n")))
    headings = [_plain(heading) for heading in table.headings]
    whole = [max(cells[index], cell_len(headings[index])) for index in columns]
    room = width - _BETWEEN * (len(cells) - 1)
    if sum(whole) <= room:
        return [None for _ in columns]
    least = [max(cells[index], _longest(headings[index].split())) for index in columns]
    words = [
        index
        for index in columns
        if whole[index] > _LEAST_WORDS
        and index != table.verdict_column
        and not (table.align and table.align[index] == "right")
    ]
    room -= sum(least[index] for index in columns if index not in words)
    if not words or room < _LEAST_WORDS * len(words):
        return [None for _ in columns]
    widths: list[int | None] = list(least)
    # The narrowest first: what they leave over goes to the wider ones.
    for place, index in enumerate(sorted(words, key=lambda one: whole[one])):
        share = min(whole[index], room // (len(words) - place))
        widths[index] = share
        room -= share
    return widths


def _draw_table(console: Console, table: ReportTable) -> None:
    if not table.rows:
        _say(console, Text(f"{_plain(table.title)}: none"))
        console.print()
        return
    drawn = Table(
        title=Text(_plain(table.title), style="bold"),
        title_justify="left",
        box=None,
        pad_edge=False,
    )
    widths = _column_widths(table, width=console.width)
    for index, heading in enumerate(table.headings):
        align = table.align[index] if table.align else "left"
        drawn.add_column(
            Text(_plain(heading)),
            justify=align,
            overflow="fold",
            header_style="bold",
            width=widths[index],
        )
    for row in table.rows:
        drawn.add_row(
            *(
                _sign(cell) if index == table.verdict_column else Text(_plain(cell))
                for index, cell in enumerate(row)
            )
        )
    console.print(drawn)
    if table.more:
        _say(console, Text(f"and {table.more:,} more rows; see the files written or --json"))
    console.print()


def _draw_finding(console: Console, finding: Finding, *, remedy: bool) -> None:
    line = _sign(finding.verdict.value.replace("_", " "))
    line.append("  ")
    subject, message = f"{finding.subject_kind} {finding.subject}", finding.message
    if not message.casefold().startswith(subject.casefold()):
        line.append(f"{_plain(subject)}: ", style="bold")
    line.append(_plain(message))
    _say(console, line)
    details = []
    if finding.place is not None:
        details.append(f"at: {finding.place}")
    told = finding.found in finding.message and finding.required in finding.message
    if (finding.found or finding.required) and not told:
        details.append(f"found: {finding.found or 'nothing'}; required: {finding.required}")
    if finding.remedy and remedy:
        details.append(f"to do: {finding.remedy}")
    for detail in details:
        _say(console, Text(f"      {_plain(detail)}", style="dim"))


def print_findings(findings: Sequence[Finding], *, all_findings: bool) -> None:
    """Print findings that are not passes, gravest first, on standard output.

    What says the same of many subjects is shown for the first three and counted.
    """
    console = _standard_output()
    wanted = [finding for finding in findings if finding.verdict is not Verdict.PASS]
    for group in group_findings(wanted, each=len(wanted) if all_findings else _ALIKE_SHOWN):
        for index, finding in enumerate(group.shown):
            last = index == len(group.shown) - 1
            _draw_finding(console, finding, remedy=all_findings or last)
        if group.more:
            _say(
                console,
                Text(f"      and {group.more:,} more of the same; --all shows every one", "dim"),
            )
    if wanted:
        console.print()


def print_report(report: Report, *, all_findings: bool) -> None:
    """Print a report for people on standard output."""
    console = _standard_output()
    for table in report.tables:
        _draw_table(console, table)
    print_findings(report.findings, all_findings=all_findings)
    for sentence in report.summary:
        _say(console, Text(_plain(sentence)))
    for path in report.written:
        console.print(Text(f"written: {_plain(path)}"), soft_wrap=True)
