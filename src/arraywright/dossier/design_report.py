"""The report of the checks before building: every formula with its numbers put in."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from datetime import datetime
from itertools import groupby
from typing import Final

from arraywright.design import CheckedDesign, FirstYear
from arraywright.design.mounting_questions import YES_OR_NO
from arraywright.dossier.blocks import (
    Block,
    Caution,
    Document,
    Facts,
    Figure,
    FindingList,
    Heading,
    Paragraph,
    Table,
)
from arraywright.dossier.design_cables import CablePart, cable_blocks
from arraywright.dossier.design_extremes import SiteExtremes, extremes_blocks
from arraywright.dossier.design_lengths import StringLengths, string_length_blocks
from arraywright.dossier.plots import SweepLine, margins_plot, sweep_plot
from arraywright.dossier.words import local_time, number, percent, significant, verdict_word
from arraywright.findings import Verdict
from arraywright.sources import source_title

__all__ = [
    "CHECKS_ALIGN",
    "CHECKS_HEADINGS",
    "DESIGN_CAUTION",
    "checks_rows",
    "checks_table",
    "design_report",
    "margin_ratio",
    "subject_words",
    "sweep_report",
    "worst_first",
]

DESIGN_CAUTION: Final = (
    "These checks advise. They are no design, no approval and no permission to build or to work.",
    "Local codes, the makers' instructions and licensed people decide, and may ask for more.",
    "A check that could not be worked out is not passed; see what is missing.",
)
_FAMILIES: Final = {
    "climate": "Design temperatures",
    "voltage": "String voltage",
    "current": "Currents and protection",
    "cable": "Cables",
    "earthing": "Earthing and bonding",
    "surge": "Surge protection",
    "mechanical": "Loads and mounting",
    "spacing": "Spacing and shade",
    "yield": "First-year yield",
}


_ORDER: Final = (Verdict.FAIL, Verdict.NOT_ASSESSABLE, Verdict.REVIEW, Verdict.PASS)
_LABEL_CHARS: Final = 74
_SUBJECT_CHARS: Final = 110
_DRAWN: Final = 24

CHECKS_HEADINGS: Final = ("Check", "Of", "Value", "Limit", "Margin", "Unit", "Verdict")
CHECKS_ALIGN: Final = ("left", "left", "right", "right", "right", "left", "left")


def margin_ratio(checked: CheckedDesign) -> float:
    """Margin over limit [1]; nan where there is none, as for a question."""
    finding = checked.finding
    if checked.check.question or finding.margin is None or finding.limit is None:
        return math.nan
    if finding.limit == 0.0:
        return 0.0 if finding.margin == 0.0 else math.copysign(1.0, finding.margin)
    return finding.margin / abs(finding.limit)


def worst_first(checked: Iterable[CheckedDesign]) -> list[CheckedDesign]:
    """Give the checks with failed ones first, then by the margin, the smallest first.

    What has no margin stands behind what has one of the same verdict.
    """

    def weight(one: CheckedDesign) -> tuple[int, float]:
        ratio = margin_ratio(one)
        return _ORDER.index(one.finding.verdict), math.inf if math.isnan(ratio) else ratio

    return sorted(checked, key=weight)


def subject_words(subject: str) -> str:
    """Say what several subjects share only once: ``25 x a on b / c`` for two that differ in b, c.

    Args:
        subject: names of subjects, parted by semicolons.
    """
    names = [name.split(" ") for name in subject.split("; ")]
    if len(names) < 2 or names[-1][0] == "and":
        return subject
    shortest = min(len(name) for name in names)
    head = 0
    while head < shortest and len({name[head] for name in names}) == 1:
        head += 1
    tail = 0
    while tail < shortest - head and len({name[-1 - tail] for name in names}) == 1:
        tail += 1
    middles = [" ".join(name[head : len(name) - tail]) for name in names]
    if not head + tail or not all(middles):
        return subject
    # A comma behind each of the differing words belongs to what follows them all.
    comma = "," if all(middle.endswith(",") for middle in middles) else ""
    between = " / ".join(middle.removesuffix(",") if comma else middle for middle in middles)
    last = names[0][len(names[0]) - tail :]
    return " ".join([*names[0][:head], between + comma, *last])


def _label(one: CheckedDesign) -> str:
    title = textwrap.shorten(_title(one), _LABEL_CHARS, placeholder=" ...")
    words = subject_words(one.finding.subject)
    return f"{title}\n{textwrap.shorten(words, _LABEL_CHARS, placeholder=' ...')}"


def _title(one: CheckedDesign) -> str:
    title = one.check.title
    return title[:1].upper() + title[1:]


def _quantities(one: CheckedDesign) -> tuple[str, str, str]:
    """Give value, limit and margin; a question has none to show."""
    if one.check.question:
        return (significant(None),) * 3
    finding = one.finding
    return significant(finding.value), significant(finding.limit), significant(finding.margin)


def checks_rows(checked: Sequence[CheckedDesign]) -> list[tuple[str, ...]]:
    """Give a row for each check, the worst margin first."""
    return [
        (
            _title(one),
            subject_words(one.finding.subject),
            *_quantities(one),
            "" if one.check.unit == "1" else one.check.unit,
            verdict_word(one.finding.verdict.value),
        )
        for one in worst_first(checked)
    ]


def checks_table(checked: Sequence[CheckedDesign]) -> Table:
    """Give the checks as a table, the worst margin first."""
    return Table(
        headings=CHECKS_HEADINGS,
        rows=[
            (title, textwrap.shorten(subject, _SUBJECT_CHARS, placeholder=" ..."), *others)
            for title, subject, *others in checks_rows(checked)
        ],
        align=CHECKS_ALIGN,
        widths=(3.2, 2.6, 0.8, 0.8, 0.9, 0.8, 1.4),
        verdict_column=6,
    )


def _answers(one: CheckedDesign) -> list[tuple[str, str]]:
    """Give what was asked with its answer, in place of a formula; nothing when not answered."""
    return [
        ("Answered", f"{held.meaning.removesuffix(YES_OR_NO)}: {'yes' if value else 'no'}")
        for held, value in one.values
    ]


def _worked_blocks(checked: Sequence[CheckedDesign]) -> list[Block]:
    blocks: list[Block] = []
    names = list(_FAMILIES)
    by_family = sorted(checked, key=lambda one: names.index(one.check.family))
    for family, held in groupby(by_family, key=lambda one: one.check.family):
        blocks.append(Heading(text=_FAMILIES[family]))
        for one in worst_first(held):
            finding = one.finding
            pairs = [("Verdict", f"{verdict_word(finding.verdict.value)}: {finding.message}")]
            if one.check.question:
                pairs += _answers(one)
            else:
                pairs.append(("Formula", one.check.formula))
                pairs += [("With numbers", one.worked)] if one.worked else []
            pairs.append(("Basis", source_title(finding.basis)))
            if finding.remedy:
                pairs.append(("To do", finding.remedy))
            blocks += [
                Heading(text=f"{_title(one)}, {subject_words(finding.subject)}", level=3),
                Facts(pairs=tuple(pairs), together=True),
            ]
    return blocks


def _year_blocks(year: FirstYear) -> list[Block]:
    """Give the chapter about the first year: result, losses step by step, uncertainty."""
    return [
        Heading(text="Yield of the first year"),
        Facts(
            pairs=(
                ("Energy at the meter", f"{number(year.energy_kwh, 0)} kWh"),
                ("Per power at STC", f"{number(year.specific_yield_kwh_kw, 0)} kWh/kW"),
                ("Performance ratio", number(year.performance_ratio, 3)),
                (
                    "Standard uncertainty (k=1)",
                    f"{100.0 * year.standard_uncertainty_ratio:.1f} %",
                ),
                ("Exceeded with 90 %", f"{number(year.energy_90_kwh, 0)} kWh"),
            )
        ),
        Table(
            headings=("Step", "Change [kWh]", "Change [%]", "Left [kWh]"),
            rows=[
                (
                    step.title,
                    number(step.printed_change_kwh, 0),
                    percent(step.change_ratio),
                    number(step.printed_left_kwh, 0),
                )
                for step in year.waterfall
            ],
            align=("left", "right", "right", "right"),
            widths=(4, 1.2, 1, 1.2),
            caption="From the light on the horizontal to the meter; the changes add up exactly.",
        ),
        Paragraph(text=year.method),
        FindingList(findings=year.findings, none="Nothing to be looked at."),
    ]


def design_report(
    *,
    site_name: str,
    time_zone: str,
    practice: str,
    made_at: datetime,
    made_by: str,
    checked: Sequence[CheckedDesign],
    extremes: SiteExtremes | None = None,
    lengths: Sequence[StringLengths] = (),
    year: FirstYear | None = None,
    cables: Sequence[CablePart] = (),
) -> Document:
    """Make the report of all checks of a design, formulas worked out so that one can follow.

    Args:
        site_name: name of the site.
        time_zone: IANA name of the site's time zone.
        practice: the practice checked by, in words.
        made_at: moment of the checks.
        made_by: software and version.
        checked: the checks.
        extremes: how cold and how hot the site gets, and what the design reckons with.
        lengths: how long strings may be and how long they are built.
        year: yield of the first year, where weather and losses are described.
        cables: cable sizes, loops of strings and bonding points.
    """
    counts = {
        verdict: sum(one.finding.verdict is verdict for one in checked) for verdict in Verdict
    }
    return Document(
        title="Checks before building",
        site=site_name,
        made_at=local_time(made_at, time_zone),
        made_by=made_by,
        contents=True,
        blocks=(
            Heading(text="Summary"),
            Paragraph(
                text=f"Checked by the {practice} practice: {counts[Verdict.PASS]} pass, "
                f"{counts[Verdict.FAIL]} fail, {counts[Verdict.REVIEW]} to be reviewed, "
                f"{counts[Verdict.NOT_ASSESSABLE]} not assessable."
            ),
            Caution(lines=DESIGN_CAUTION),
            checks_table(checked),
            Figure(
                svg=margins_plot(
                    [
                        (_label(one), margin_ratio(one), one.finding.verdict.value)
                        for one in worst_first(checked)
                        if not math.isnan(margin_ratio(one))
                    ][:_DRAWN]
                ),
                caption=f"Margin over limit; below zero the limit is broken. At most {_DRAWN} are "
                "drawn, failed checks and then the smallest margins first.",
            ),
            *([] if extremes is None else extremes_blocks(extremes)),
            *string_length_blocks(lengths),
            *_worked_blocks(checked),
            *cable_blocks(cables),
            *([] if year is None else _year_blocks(year)),
        ),
    )


def sweep_report(
    *,
    site_name: str,
    time_zone: str,
    made_at: datetime,
    made_by: str,
    key: str,
    lines: Sequence[SweepLine],
    rows: Sequence[Sequence[str]],
    notes: Sequence[str] = (),
) -> Document:
    """Make the report of a sweep of one described quantity.

    Args:
        site_name: name of the site.
        time_zone: IANA name of the site's time zone.
        made_at: moment of the sweep.
        made_by: software and version.
        key: the quantity swept.
        lines: margin of each check over the quantity.
        rows: per check: name, values that hold, margin at the least and greatest value.
        notes: what one must know to read the margins.
    """
    return Document(
        title="What if",
        site=site_name,
        made_at=local_time(made_at, time_zone),
        made_by=made_by,
        blocks=(
            Paragraph(text=f"{key} is varied; everything else stays as described."),
            *(Paragraph(text=note) for note in notes),
            Caution(lines=DESIGN_CAUTION),
            Figure(
                svg=sweep_plot(key, lines),
                caption=f"Margin over limit against {key}; below zero the limit is broken.",
            ),
            Table(
                headings=("Check", "Holds from", "to", "Margin at least value", "at greatest"),
                rows=rows,
                align=("left", "right", "right", "right", "right"),
                widths=(4, 1, 1, 1.2, 1),
            ),
        ),
    )
