"""The one result type for everything that is checked."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

__all__ = [
    "Finding",
    "FindingGroup",
    "Place",
    "Verdict",
    "count_verdicts",
    "group_findings",
    "worst_verdict",
]


class Verdict(StrEnum):
    """What a check found; missing data is never a pass."""

    PASS = "pass"  # noqa: S105
    FAIL = "fail"
    REVIEW = "review"
    NOT_ASSESSABLE = "not_assessable"


_SEVERITY = {Verdict.PASS: 0, Verdict.NOT_ASSESSABLE: 1, Verdict.REVIEW: 2, Verdict.FAIL: 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where in an input something stands.

    Attributes:
        file: name of the file as the person gave it.
        sheet: sheet of a workbook, empty elsewhere.
        row: line of a text file or row of a sheet, counted from 1; 0 when the whole file is meant.
        column: heading or letter of the column, empty when the whole row is meant.
        key: dotted key of a description file, for example ``module_types.north.voc_v``.
    """

    file: str
    sheet: str = ""
    row: int = 0
    column: str = ""
    key: str = ""

    def __str__(self) -> str:
        parts = [self.file]
        if self.sheet:
            parts.append(f"sheet {self.sheet}")
        if self.row:
            parts.append(f"row {self.row}")
        if self.column:
            parts.append(f"column {self.column}")
        if self.key:
            parts.append(f"key {self.key}")
        return ", ".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What was checked, on which subject, and what came of it.

    Attributes:
        check: stable key of the check in lower case with hyphens, for example ``string-voc``.
        subject_kind: ``site``, ``module``, ``pallet``, ``position``, ``string``, ``input``,
            ``combiner box``, ``instrument``, ``lot``, ``file`` or ``description``.
        subject: the identity of the subject: serial, pallet number, string name, file name.
        verdict: pass, fail, review or not assessable.
        message: one sentence a site lead understands, with the numbers in it.
        remedy: what to do, empty for a pass.
        value: measured or computed value, in ``unit``.
        uncertainty: standard uncertainty of the value (coverage factor 1), in ``unit``.
        limit: the limit it is held against, in ``unit``.
        margin: distance to the limit, positive on the good side, in ``unit``.
        unit: unit of the four numbers as printed, for example ``V`` or ``%``.
        found: what stood in an input, as written there.
        required: what is required there, in words.
        basis: source key, and the clause behind a space, for example ``iec-62446-1 6.1``.
        place: where in an input it stands.
    """

    check: str
    subject_kind: str
    subject: str
    verdict: Verdict
    message: str
    remedy: str = ""
    value: float | None = None
    uncertainty: float | None = None
    limit: float | None = None
    margin: float | None = None
    unit: str = ""
    found: str = ""
    required: str = ""
    basis: str = ""
    place: Place | None = None

    def as_dict(self) -> dict[str, object]:
        """Give the finding as plain data, empty fields left out, for JSON and tables."""
        out: dict[str, object] = {}
        for name in self.__slots__:
            held = getattr(self, name)
            if held is None or held == "":
                continue
            if isinstance(held, Place):
                out[name] = {
                    part: getattr(held, part) for part in Place.__slots__ if getattr(held, part)
                }
            elif isinstance(held, Verdict):
                out[name] = held.value
            else:
                out[name] = held
        return out


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingGroup:
    """Findings that say the same of different subjects.

    Attributes:
        shown: the first of them.
        more: how many more there are.
    """

    shown: tuple[Finding, ...]
    more: int


def group_findings(findings: Iterable[Finding], *, each: int) -> list[FindingGroup]:
    """Put together what says the same: one check, one verdict, one kind of subject, one remedy.

    Gravest groups come first, otherwise the order of the findings is kept. ``each`` is how many
    findings of a group are given one by one.
    """
    groups: dict[tuple[int, str, str, str], list[Finding]] = {}
    for finding in findings:
        key = (
            -_SEVERITY[finding.verdict],
            finding.check,
            finding.subject_kind,
            finding.remedy,
        )
        groups.setdefault(key, []).append(finding)
    return [
        FindingGroup(shown=tuple(group[:each]), more=max(0, len(group) - each))
        for _, group in sorted(groups.items(), key=lambda held: held[0][0])
    ]


def worst_verdict(findings: Iterable[Finding]) -> Verdict:
    """Give the gravest verdict among findings; no finding at all is not assessable."""
    worst: Verdict | None = None
    for finding in findings:
        if worst is None or _SEVERITY[finding.verdict] > _SEVERITY[worst]:
            worst = finding.verdict
    return Verdict.NOT_ASSESSABLE if worst is None else worst


def count_verdicts(findings: Iterable[Finding]) -> dict[Verdict, int]:
    """Count the findings of each verdict, all four always present."""
    counts = dict.fromkeys(Verdict, 0)
    for finding in findings:
        counts[finding.verdict] += 1
    return counts
