"""Chapter of a handover dossier: the test sheets of IEC 62446-1, inspections, earth faults."""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from arraywright.commissioning.earth_fault import EARTH_FAULT_CAUTION
from arraywright.commissioning.site_test_kinds import SITE_TEST_KINDS
from arraywright.dossier.blocks import Block, Caution, Heading, Paragraph, Sideways, Table
from arraywright.dossier.handover_parts import PRINTED_ROWS, HandoverParts
from arraywright.dossier.words import local_time, number, verdict_word

__all__ = ["sheet_chapter"]

_TITLES: Final = {
    1: "Category 1: tests of every system",
    2: "Category 2: tests of the expanded sequence",
    0: "Tests beside the two categories",
}
_WORDS: Final = {kind.key: kind.words for kind in SITE_TEST_KINDS}
_GRAVITY: Final = {"fail": 0, "review": 1, "not_assessable": 2, "pass": 3}


def sheet_chapter(parts: HandoverParts) -> list[Block]:
    """Give the chapter of the test sheets; what is not tested is said, and is no pass."""
    part = parts.tests
    if part is None or part.sheets is None:
        return []
    zone = parts.site.time_zone
    blocks: list[Block] = [
        Heading(text="Test sheets"),
        Paragraph(
            text="What IEC 62446-1 asks to be tested, line by line, by the newest valid test of "
            "each subject. Clauses follow the contents of the standard; the texts of limits and "
            "the additional tests are from memory and are to be compared with it and with the "
            "contract. A subject without an entry is not tested, and that is no pass."
        ),
    ]
    sheets: list[Block] = []
    for category, title in _TITLES.items():
        lines = part.sheets.filter(pl.col("category") == category)
        if lines.height:
            sheets += [Heading(text=title, level=2), _sheet_table(lines, zone)]
    if sheets:
        blocks.append(Sideways(blocks=tuple(sheets)))
    return [*blocks, *_row_blocks(part.site_tests, zone), *_fault_blocks(part.earth_faults, zone)]


def _span(row: dict[str, Any], zone: str) -> str:
    first, last = (local_time(row[name], zone)[:10] for name in ("first", "last"))
    return first if first == last else f"{first} to {last}"


def _state(verdict: object) -> str:
    return "not tested" if verdict == "not_tested" else verdict_word(verdict)


def _sheet_table(lines: pl.DataFrame, zone: str) -> Table:
    return Table(
        headings=(
            "Clause",
            "Test",
            "Of",
            "Number",
            "Pass",
            "Fail",
            "Review",
            "Not assess.",
            "Not tested",
            "Required",
            "Conditions",
            "Instruments",
            "By, when",
            "Verdict",
        ),
        rows=[
            (
                str(row["clause"]),
                str(row["test"]),
                str(row["of"]),
                *(
                    number(row[name], 0)
                    for name in (
                        *("subjects", "passed", "failed", "review"),
                        *("not_assessable", "not_tested"),
                    )
                ),
                str(row["limit"]),
                str(row["conditions"] or "–"),
                str(row["instruments"] or "–"),
                ", ".join(one for one in (row["people"], _span(row, zone)) if one),
                _state(row["verdict"]),
            )
            for row in lines.iter_rows(named=True)
        ],
        align=("left", "left", "left", *("right",) * 6, *("left",) * 5),
        widths=(0.7, 2.1, 1.1, 0.85, 0.65, 0.6, 0.75, 0.8, 0.75, 2.3, 1.5, 1.6, 1.5, 1.3),
        verdict_column=13,
        caption="Not assessable: tested, but outside valid conditions, without calibration, or "
        "with a value missing.",
    )


def _row_blocks(tests: pl.DataFrame | None, zone: str) -> list[Block]:
    if tests is None or tests.is_empty():
        return []
    gravity = pl.col("verdict").replace_strict(_GRAVITY, default=0)
    shown = tests.sort(gravity, maintain_order=True)
    more = ""
    if tests.height > PRINTED_ROWS:
        more = f" {PRINTED_ROWS} of {tests.height} are printed, the gravest first."
    return [
        Heading(text="Inspections, functional tests and thermograms", level=2),
        Table(
            headings=("On", "Test", "When", "What was found", "Refers to", "Instrument", "Verdict"),
            rows=[
                (
                    str(row["subject"] or "–"),
                    _WORDS.get(str(row["key"]), str(row["test"] or "–")),
                    local_time(row["measured_at"], zone)[:16],
                    str(row["words"] or "–"),
                    str(row["reference"] or "–"),
                    ", ".join(str(one) for one in (row["instrument"], row["person"]) if one) or "–",
                    verdict_word(row["verdict"]),
                )
                for row in shown.head(PRINTED_ROWS).iter_rows(named=True)
            ],
            widths=(1.1, 2, 1.4, 3, 1.4, 1.3, 1.4),
            verdict_column=6,
            caption="Every entry, the newest valid one of each subject and test counts; all are in "
            f"the file site-tests.csv beside the record.{more}",
        ),
    ]


def _fault_blocks(faults: pl.DataFrame | None, zone: str) -> list[Block]:
    if faults is None or faults.is_empty():
        return []
    return [
        Heading(text="Earth faults", level=2),
        Caution(lines=(EARTH_FAULT_CAUTION,)),
        Table(
            headings=(
                "String",
                "Read at",
                "+ to earth [V]",
                "− to earth [V]",
                "Module",
                "Interval",
                "Serial",
                "Fault [MΩ]",
                "What it says",
                "Verdict",
            ),
            rows=[
                (
                    str(row["string"] or "without name"),
                    local_time(row["measured_at"], zone)[:16],
                    number(row["pos_earth_v"], 1),
                    number(row["neg_earth_v"], 1),
                    number(row["module"], 0),
                    "–"
                    if row["position"] is None
                    else f"{row['position_low']:.1f} to {row['position_high']:.1f}",
                    str(row["serial"] or "–"),
                    number(row["fault_megohm"], 3),
                    str(row["words"]),
                    verdict_word(row["verdict"]),
                )
                for row in faults.head(PRINTED_ROWS).iter_rows(named=True)
            ],
            align=("left", "left", *("right",) * 5, "right", "left", "left"),
            widths=(1.1, 1.3, 0.9, 0.9, 0.8, 1.2, 1.4, 0.8, 3, 1.3),
            verdict_column=9,
            caption="Module and interval are counted from the positive end of the string, in its "
            "modules' own Voc; the interval is twice the standard uncertainty either way. Two "
            "faults at once show as one between them.",
        ),
    ]
