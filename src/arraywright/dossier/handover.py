"""The handover dossier: one document that stands up years later."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import polars as pl

from arraywright.commissioning import TESTS
from arraywright.commissioning.choice import TEST_NAMES
from arraywright.dossier.blocks import (
    Attachment,
    Block,
    Caution,
    Document,
    Facts,
    Heading,
    Paragraph,
    Table,
)
from arraywright.dossier.handover_back import (
    caution_blocks,
    input_blocks,
    instrument_blocks,
    method_blocks,
    readings_span,
    source_blocks,
)
from arraywright.dossier.handover_design import design_blocks
from arraywright.dossier.handover_open import open_points_blocks
from arraywright.dossier.handover_parts import HandoverParts, TestPart
from arraywright.dossier.handover_site import (
    delivery_blocks,
    place_blocks,
    plan_blocks,
    site_blocks,
)
from arraywright.dossier.handover_tests import curve_chapter, string_chapter
from arraywright.dossier.handover_told import incident_blocks, recall_blocks, told_facts
from arraywright.dossier.test_sheets import sheet_chapter
from arraywright.dossier.words import GENERAL_CAUTION, local_time, number, verdict_word
from arraywright.findings import Verdict

__all__ = ["handover_document"]

_VERDICTS: Final = ("pass", "fail", "review", "not_assessable")
_BELONGS: Final = (
    "single-line and wiring diagrams with cable types, lengths and protection",
    "data sheets and declarations of modules, inverters and other components",
    "structural and foundation documents",
    "how to switch off, and what to do in an emergency",
    "operation and maintenance, warranties and contacts",
    "test reports of the AC side, of earthing and of lightning and surge protection",
)


def handover_document(parts: HandoverParts, *, attachments: Sequence[Attachment]) -> Document:
    """Make the handover dossier; a part that is missing is said plainly in its chapter.

    Args:
        parts: everything the dossier tells.
        attachments: tables carried inside.
    """
    return Document(
        title="Handover dossier",
        site=parts.site.name,
        made_at=local_time(parts.made_at, parts.site.time_zone),
        made_by=parts.made_by,
        blocks=(
            *_summary_blocks(parts),
            *open_points_blocks(parts),
            *site_blocks(parts),
            *design_blocks(parts),
            *delivery_blocks(parts),
            *place_blocks(parts),
            *incident_blocks(parts),
            *recall_blocks(parts),
            *plan_blocks(parts),
            *sheet_chapter(parts),
            *string_chapter(parts),
            *curve_chapter(parts),
            *method_blocks(parts),
            *instrument_blocks(parts),
            *caution_blocks(),
            *input_blocks(parts),
            *source_blocks(parts),
        ),
        attachments=tuple(attachments),
        contents=True,
    )


def _counts(frame: pl.DataFrame, words: Sequence[str]) -> list[str]:
    counts = dict(frame.group_by("verdict").len().rows())
    return [str(counts.get(word, 0)) for word in words]


def _verdicts_table(parts: HandoverParts) -> Table:
    rows: list[tuple[str, ...]] = []
    if parts.delivery is not None:
        accept, hold, refuse = _counts(parts.delivery.pallets, ("accept", "hold", "refuse"))
        rows.append(
            (
                "Pallets",
                str(parts.delivery.pallets.height),
                f"{accept} accepted",
                f"{refuse} refused",
                f"{hold} held",
                "–",
            )
        )
    if parts.tests is not None:
        rows.append(
            (
                "Strings",
                str(parts.tests.strings.height),
                *_counts(parts.tests.strings, _VERDICTS),
            )
        )
        if not parts.tests.curves.is_empty():
            rows.append(
                (
                    "I-V curves",
                    str(parts.tests.curves.height),
                    *_counts(parts.tests.curves, _VERDICTS),
                )
            )
    findings = parts.findings
    rows.append(
        (
            "Findings of all checks",
            str(len(findings)),
            *(
                str(sum(one.verdict is verdict for one in findings))
                for verdict in (
                    Verdict.PASS,
                    Verdict.FAIL,
                    Verdict.REVIEW,
                    Verdict.NOT_ASSESSABLE,
                )
            ),
        )
    )
    return Table(
        headings=("", "In all", "Pass", "Fail", "Review", "Not assessable"),
        rows=rows,
        align=("left", *("right",) * 5),
        widths=(2, 1, 1.2, 1.2, 1.2, 1.4),
    )


def _tests_table(part: TestPart) -> Table:
    strings = part.strings
    rows = []
    for test in TESTS:
        held = strings[f"{test}_verdict"]
        rows.append(
            (
                TEST_NAMES[test].capitalize(),
                *(str(int((held == verdict).sum())) for verdict in ("pass", "fail")),
                str(int((held == "not_assessable").sum())),
            )
        )
    return Table(
        headings=("Test", "Strings that pass", "Strings that fail", "Without valid reading"),
        rows=rows,
        align=("left", *("right",) * 3),
        widths=(2, 1.2, 1.2, 1.4),
        caption="What was tested, by the standard's verdict of each test.",
    )


def _headline(parts: HandoverParts) -> str:
    total = parts.site.strings.height
    if parts.tests is None:
        return f"None of the {total} strings has been tested; the site is not proven."
    passed = parts.tests.strings.filter(pl.col("verdict") == "pass").height
    if passed == total:
        return f"All {total} strings are tested and pass."
    return f"{passed} of {total} strings are tested and pass; {total - passed} are not proven."


def _test_facts(parts: HandoverParts) -> list[tuple[str, str]]:
    part, zone = parts.tests, parts.site.time_zone
    if part is None:
        return [("Tests", "nothing tested yet")]
    span = readings_span(part.readings).row(0, named=True)
    read = part.strings.filter(pl.col("readings") > 0).height
    facts = [
        (
            "Tests",
            f"{span['count']} readings of {read} of {part.strings.height} strings"
            + (
                f", {local_time(span['first'], zone)} to {local_time(span['last'], zone)}"
                if span["count"]
                else ""
            ),
        )
    ]
    people = part.readings["person"].drop_nulls().unique().sort().to_list()
    if people:
        facts.append(("Read by", ", ".join(str(one) for one in people[:20])))
    return facts


def _summary_blocks(parts: HandoverParts) -> list[Block]:
    open_ones = parts.open_ones
    fails = sum(one.verdict is Verdict.FAIL for one in open_ones)
    delivery = (
        "nothing received"
        if parts.delivery is None
        else f"{parts.delivery.pallets.height} pallets, "
        f"{number(parts.delivery.pallets['modules_usable'].sum(), 0)} usable modules"
    )
    blocks: list[Block] = [
        Heading(text="Summary"),
        Paragraph(text=_headline(parts)),
        Facts(
            pairs=(
                ("Deliveries", delivery),
                ("Which module sits where", f"known by: {parts.known_by}"),
                *_test_facts(parts),
                (
                    "Open points",
                    f"{len(open_ones)}, of which {fails} failing; see the chapter Open points",
                ),
                *told_facts(parts),
            )
        ),
        _verdicts_table(parts),
    ]
    if parts.tests is not None:
        blocks.append(_tests_table(parts.tests))
        blocks += _worst(parts.tests)
    return [
        *blocks,
        Caution(lines=GENERAL_CAUTION),
        Heading(text="What belongs to a handover and is not in this document", level=2),
        Paragraph(
            text="Beside what stands here, IEC 62446-1 asks for more (from memory, to be compared "
            "with the standard and the contract): " + "; ".join(_BELONGS) + "."
        ),
        Heading(text="Signatures", level=2),
        Table(
            headings=("", "Name", "Date", "Signature"),
            rows=[(role, "", "", "") for role in ("Tested", "Handed over", "Taken over")],
            widths=(1, 2, 1, 2),
            row_height_mm=11.0,
            caption="This software signs its own record, not this document; people sign here.",
        ),
    ]


def _worst(part: TestPart) -> list[Block]:
    failing = part.strings.filter(pl.col("verdict") == "fail")
    if failing.is_empty():
        return []
    shown = failing.head(8)
    more = failing.height - shown.height
    return [
        Table(
            headings=("String", "Verdict", "Why"),
            rows=[
                (str(row["string"]), verdict_word(row["verdict"]), "; ".join(row["reasons"][:2]))
                for row in shown.iter_rows(named=True)
            ],
            widths=(1, 0.8, 5),
            verdict_column=1,
            caption="Strings that fail" + (f"; {more} more below." if more else "."),
        )
    ]
