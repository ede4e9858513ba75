"""Findings collected while reading, row findings capped and the rest counted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from arraywright.findings import Finding, Place, Verdict

__all__ = ["ROW_FINDINGS_PER_CHECK", "FindingLog", "shown"]

ROW_FINDINGS_PER_CHECK: Final = 1_000
_SHOWN_CHARACTERS: Final = 80


def shown(text: object) -> str:
    """Give a text from a file fit to be printed: one line, no control characters, cut short."""
    plain = "".join(c if c.isprintable() else " " for c in str(text)[: _SHOWN_CHARACTERS * 4])
    plain = " ".join(plain.split())
    return plain if len(plain) <= _SHOWN_CHARACTERS else plain[: _SHOWN_CHARACTERS - 3] + "..."


@dataclass(slots=True)
class _Rest:
    count: int = 0
    listed: int = 0
    verdict: Verdict = Verdict.REVIEW
    first_row: int = 0
    last_row: int = 0
    remedy: str = ""


@dataclass(slots=True, kw_only=True)
class FindingLog:
    """Collects the findings about one table of one file.

    Attributes:
        file: name of the file.
        sheet: sheet of a workbook, empty elsewhere.
    """

    file: str
    sheet: str = ""
    _findings: list[Finding] = field(default_factory=list)
    _rests: dict[str, _Rest] = field(default_factory=dict)

    def table(
        self,
        check: str,
        verdict: Verdict,
        *,
        message: str,
        remedy: str,
        row: int = 0,
        column: str = "",
        found: str = "",
        required: str = "",
    ) -> None:
        """Add a finding about the file, the sheet or a column as a whole."""
        self._findings.append(
            Finding(
                check=check,
                subject_kind="file",
                subject=self.file,
                verdict=verdict,
                message=message,
                remedy=remedy,
                found=shown(found),
                required=required,
                place=Place(file=self.file, sheet=self.sheet, row=row, column=shown(column)),
            )
        )

    def allowance(self, check: str) -> int:
        """Give how many more rows of a check are listed one by one."""
        rest = self._rests.get(check)
        return ROW_FINDINGS_PER_CHECK - (rest.listed if rest else 0)

    def rows(
        self,
        check: str,
        verdict: Verdict,
        *,
        rows: Sequence[int],
        found: Iterable[object],
        message: str,
        remedy: str,
        required: str,
        column: str = "",
    ) -> None:
        """Add one finding per row; beyond the allowance rows are counted.

        ``message`` may hold ``{row}`` and ``{found}``; ``found`` needs to give texts only for as
        many rows as ``allowance`` says.
        """
        rest = self._rests.setdefault(check, _Rest())
        take = min(len(rows), self.allowance(check))
        for row, text in zip(rows[:take], found, strict=False):
            seen = shown(text)
            self._findings.append(
                Finding(
                    check=check,
                    subject_kind="input",
                    subject=f"{self.file}, row {row}",
                    verdict=verdict,
                    message=message.replace("{row}", str(row)).replace("{found}", seen),
                    remedy=remedy,
                    found=seen,
                    required=required,
                    place=Place(
                        file=self.file, sheet=self.sheet, row=int(row), column=shown(column)
                    ),
                )
            )
        rest.listed += take
        if len(rows) > take:
            left = rows[take:]
            if rest.count == 0:
                rest.first_row = int(left[0])
                rest.verdict, rest.remedy = verdict, remedy
            if verdict is Verdict.FAIL:
                rest.verdict, rest.remedy = verdict, remedy
            rest.last_row = max(rest.last_row, int(left[-1]))
            rest.count += len(left)

    def close(self) -> tuple[Finding, ...]:
        """Give all findings, those that count the rows not listed at the end."""
        for check, rest in self._rests.items():
            if not rest.count:
                continue
            total = rest.count + rest.listed
            self._findings.append(
                Finding(
                    check=check,
                    subject_kind="file",
                    subject=self.file,
                    verdict=rest.verdict,
                    message=(
                        f"{total:,} values or rows have this fault; the first {rest.listed:,} are "
                        f"listed one by one, {rest.count:,} more stand in rows "
                        f"{rest.first_row} to {rest.last_row}."
                    ),
                    remedy=rest.remedy,
                    value=float(rest.count),
                    place=Place(file=self.file, sheet=self.sheet),
                )
            )
        self._rests.clear()
        return tuple(self._findings)
