"""What was put into the demo against what was found, judged from the commands' own results."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from arraywright.demo.commissioning_files import TestDay
from arraywright.demo.delivery_files import FOREIGN_PALLET
from arraywright.demo.scenario import Scenario
from arraywright.findings import Finding, Verdict
from arraywright.procedures.report import Report, ReportTable

__all__ = ["Scored", "score", "score_table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scored:
    """One fault put in, and how it was found.

    Attributes:
        fault: what was put in.
        subject: where.
        found: whether it was found.
        by: the finding or verdict that tells of it; empty when it was not found.
    """

    fault: str
    subject: str
    found: bool
    by: str


def _pallets(report: Report) -> dict[str, dict[str, Any]]:
    held = report.result["pallets"]
    if not isinstance(held, list):
        raise TypeError("a receiving report holds a list of pallets")
    return {str(row["pallet"]): row for row in held}


def _strings(report: Report) -> dict[str, dict[str, Any]]:
    held = report.result["strings"]
    if not isinstance(held, list):
        raise TypeError("a commissioning report holds a list of strings")
    return {str(row["string"]): row for row in held}


def _by_pallet(row: dict[str, Any] | None, reason: str) -> tuple[bool, str]:
    if row is None or row["verdict"] == "accept" or reason not in row["reasons"]:
        return False, ""
    return True, f"{row['verdict']}: {', '.join(row['reasons'])}"


def _by_cause(row: dict[str, Any], cause: str, verdicts: Sequence[str]) -> tuple[bool, str]:
    found = row["verdict"] in verdicts and row["cause_key"] == cause
    return found, f"{row['verdict'].replace('_', ' ')}: {row['cause']}" if found else ""


def _by_finding(findings: Sequence[Finding], check: str, *words: str) -> tuple[bool, str]:
    for finding in findings:
        if finding.check == check and all(word in finding.message for word in words):
            return finding.verdict is Verdict.FAIL, finding.message
    return False, ""


def score(
    scenario: Scenario,
    *,
    pallets: dict[int, str],
    doubled: Sequence[str],
    strings: Sequence[str],
    day: TestDay,
    received: Report,
    commissioned: Report,
) -> list[Scored]:
    """Look up every fault put in among the results of the commands.

    Args:
        scenario: what was put in.
        pallets: pallet number by running number.
        doubled: the serials that stand on two pallets.
        strings: names of the strings in building order.
        day: what was truly built.
        received: report of receiving.
        commissioned: report of commissioning.
    """
    by_pallet = _pallets(received)
    by_string = _strings(commissioned)
    scored: list[Scored] = []

    def add(fault: str, subject: str, outcome: tuple[bool, str]) -> None:
        scored.append(Scored(fault=fault, subject=subject, found=outcome[0], by=outcome[1]))

    def string(number: int) -> tuple[str, dict[str, Any]]:
        return strings[number - 1], by_string[strings[number - 1]]

    short = pallets[scenario.short_pallet]
    add("pallet one module short", short, _by_pallet(by_pallet.get(short), "pallet-count"))
    add(
        "foreign pallet",
        FOREIGN_PALLET,
        _by_pallet(by_pallet.get(FOREIGN_PALLET), "pallet-foreign-type"),
    )
    wrong = pallets[scenario.wrong_class_pallet]
    add(
        "pallet of another class",
        wrong,
        _by_pallet(by_pallet.get(wrong), "pallet-class-conflict"),
    )
    for (first, second), serial in zip(scenario.doubled_pallets, doubled, strict=True):
        both = [
            _by_pallet(by_pallet.get(pallets[number]), "pallet-doubled-serials")
            for number in (first, second)
        ]
        add("doubled serial", serial, (all(found for found, _ in both), both[0][1]))
    name, row = string(scenario.reversed_string)
    add("reversed string", name, _by_cause(row, "string-reversed", ("fail",)))
    name, row = string(scenario.missing_module_string)
    add("module missing", name, _by_cause(row, "module-missing", ("fail", "review")))
    name, row = string(scenario.shorted_diode_string)
    add("shorted bypass diode", name, _by_cause(row, "bypass-diode-shorted", ("fail", "review")))
    name, row = string(scenario.low_insulation_string)
    low = row["insulation_verdict"] == "fail" and row["verdict"] == "fail"
    add(
        "low insulation",
        name,
        (low, f"fail: {'; '.join(row['reasons'])}" if low else ""),
    )
    serial = day.built.serial[
        int(day.built.offsets[scenario.low_insulation_string - 1])
        + int(scenario.earth_fault_position)
    ]
    add(
        "earth fault inside a string",
        f"{name} ({serial})",
        _by_finding(commissioned.findings, "string-earth-fault", serial, name),
    )
    add(
        "module of another class in a string",
        f"{day.wrong_string} ({day.wrong_serial})",
        _by_finding(
            commissioned.findings, "as-built-wrong-class", day.wrong_serial, day.wrong_string
        ),
    )
    lapsed = [string(number) for number in scenario.lapsed_strings]
    stopped = [
        row["verdict"] == "not_assessable" and any("calibration" in one for one in row["reasons"])
        for _, row in lapsed
    ]
    add(
        "lapsed instrument",
        f"{lapsed[0][0]} to {lapsed[-1][0]}",
        (all(stopped), "not assessable: calibration" if all(stopped) else ""),
    )
    return scored


def false_alarms(
    scenario: Scenario, *, strings: Sequence[str], day: TestDay, commissioned: Report
) -> list[str]:
    """List sound strings that did not pass."""
    faulty = {
        scenario.reversed_string,
        scenario.missing_module_string,
        scenario.shorted_diode_string,
        scenario.low_insulation_string,
        scenario.wrong_module_string,
        *scenario.lapsed_strings,
    }
    by_string = _strings(commissioned)
    return [
        f"{name} ({by_string[name]['verdict'].replace('_', ' ')})"
        for number, name in enumerate(strings, start=1)
        if number not in faulty
        and name != day.wrong_string
        and by_string[name]["verdict"] != "pass"
    ]


def score_table(scored: Sequence[Scored]) -> ReportTable:
    """Give the comparison as a table."""
    return ReportTable(
        title="Put in and found",
        headings=("Put in", "Where", "Found", "By"),
        rows=[
            (one.fault, one.subject, "yes" if one.found else "NO", one.by or "not found")
            for one in scored
        ],
    )
