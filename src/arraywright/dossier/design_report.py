"""The report of the checks before building: every formula with its numbers put in."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from datetime import datetime
from itertools import groupby
from typing import Final

from arraywright.design import CheckedDesign, FirstYear
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
from arraywright.dossier.plots import SweepLine, margins_plot, sweep_plot
from arraywright.dossier.words import local_time, number, percent, significant, verdict_word
from arraywright.findings import Verdict
from arraywright.sources import source_title

__all__ = [
    "DESIGN_CAUTION",
    "checks_table",
    "design_report",
    "margin_ratio",
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
_LABEL_CHARS: Final = 58
_SUBJECT_CHARS: Final = 64


def margin_ratio(checked: CheckedDesign) -> float:
    """Margin over limit [1]; nan where there is none."""
    finding = checked.finding
    if finding.margin is None or finding.limit is None:
        return math.nan
    if finding.limit == 0.0:
        return 0.0 if finding.margin == 0.0 else math.copysign(1.0, finding.margin)
    return finding.margin / abs(finding.limit)


def worst_first(checked: Iterable[CheckedDesign]) -> list[CheckedDesign]:
    """Give the checks with failed ones first, then by the margin, the smallest first."""

    def weight(one: CheckedDesign) -> tuple[int, float]:
        ratio = margin_ratio(one)
        return _ORDER.index(one.finding.verdict), 0.0 if math.isnan(ratio) else ratio

    return sorted(checked, key=weight)


def _label(one: CheckedDesign) -> str:
    return textwrap.shorten(
        f"{one.check.title}, {one.finding.subject}", _LABEL_CHARS, placeholder=" ..."
    )


def checks_table(checked: Sequence[CheckedDesign]) -> Table:
    """Give the checks as a table, the worst margin first."""
    ordered = worst_first(checked)
    return Table(
        headings=("Check", "Of", "Value", "Limit", "Margin", "Unit", "Verdict"),
        rows=[
            (
                one.check.title,
                textwrap.shorten(one.finding.subject, _SUBJECT_CHARS, placeholder=" ..."),
                significant(one.finding.value),
                significant(one.finding.limit),
                significant(one.finding.margin),
                "" if one.check.unit == "1" else one.check.unit,
                verdict_word(one.finding.verdict.value),
            )
            for one in ordered
        ],
        align=("left", "left", "right", "right", "right", "left", "left"),
        widths=(3, 2.6, 0.9, 0.9, 0.9, 0.8, 1.3),
        verdict_column=6,
    )


def _worked_blocks(checked: Sequence[CheckedDesign]) -> list[Block]:
    blocks: list[Block] = []
    names = list(_FAMILIES)
    by_family = sorted(checked, key=lambda one: names.index(one.check.family))
    for family, held in groupby(by_family, key=lambda one: one.check.family):
        blocks.append(Heading(text=_FAMILIES[family]))
        for one in worst_first(held):
            finding = one.finding
            pairs = [
                ("Verdict", f"{verdict_word(finding.verdict.value)}: {finding.message}"),
                ("Formula", one.check.formula),
            ]
            if one.worked:
                pairs.append(("With numbers", one.worked))
            pairs.append(("Basis", source_title(finding.basis)))
            if finding.remedy:
                pairs.append(("To do", finding.remedy))
            blocks += [
                Heading(text=f"{one.check.title}, {finding.subject}", level=2),
                Facts(pairs=tuple(pairs)),
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
    year: FirstYear | None = None,
) -> Document:
    """Make the report of all checks of a design, formulas worked out so that one can follow.

    Args:
        site_name: name of the site.
        time_zone: IANA name of the site's time zone.
        practice: the practice checked by, in words.
        made_at: moment of the checks.
        made_by: software and version.
        checked: the checks.
        year: yield of the first year, where weather and losses are described.
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
                    ][:40]
                ),
                caption="Margin over limit; below zero the limit is broken. At most 40 are drawn, "
                "the smallest margins first.",
            ),
            *_worked_blocks(checked),
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
