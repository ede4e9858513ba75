"""Open points: what failed, needs review or could not be assessed, told once and together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from arraywright.dossier.blocks import Block, FindingList, Heading, Paragraph, Table
from arraywright.dossier.handover_parts import PRINTED_FINDINGS, HandoverParts
from arraywright.dossier.handover_told import settled_blocks
from arraywright.dossier.words import verdict_word
from arraywright.findings import Finding, Verdict

__all__ = ["gathered_findings", "open_findings", "open_points_blocks", "spans_of"]

_TOGETHER_FROM: Final = 4
_NAMES_SHOWN: Final = 40
_GRAVEST_FIRST: Final = (Verdict.FAIL, Verdict.REVIEW, Verdict.NOT_ASSESSABLE)


def open_findings(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Give every finding that is not a pass, each once, gravest first."""
    once = dict.fromkeys(one for one in findings if one.verdict is not Verdict.PASS)
    return tuple(sorted(once, key=lambda one: _GRAVEST_FIRST.index(one.verdict)))


def _without_name(finding: Finding) -> str:
    """Give the sentence of a finding without the name of its subject."""
    opening = f"{finding.subject_kind.capitalize()} {finding.subject}"
    for start in (f"{opening}: ", f"{opening} "):
        if finding.message.startswith(start):
            rest = finding.message.removeprefix(start)
            return rest[:1].upper() + rest[1:]
    if finding.subject:
        return finding.message.replace(finding.subject, "…")
    return finding.message


def spans_of(names: Sequence[str], order: Mapping[str, int]) -> str:
    """Give names in building order; strings that follow each other are told as a span.

    Args:
        names: names, each once.
        order: place of each string in building order; other names come behind.
    """
    spans: list[list[str]] = []
    for name in sorted(names, key=lambda one: order.get(one, len(order))):
        place = order.get(name)
        if spans and place is not None and order.get(spans[-1][-1]) == place - 1:
            spans[-1].append(name)
        else:
            spans.append([name])
    told = [span[0] if len(span) == 1 else f"{span[0]} to {span[-1]}" for span in spans]
    shown = ", ".join(told[:_NAMES_SHOWN])
    left = sum(len(span) for span in spans[_NAMES_SHOWN:])
    return f"{shown} and {left} more" if left else shown


def gathered_findings(
    findings: Sequence[Finding], *, order: Mapping[str, int]
) -> tuple[Finding, ...]:
    """Put findings together that say the same of several subjects, naming them all.

    Args:
        findings: findings of any kind.
        order: place of each string in building order, so that neighbours are told as a span.
    """
    groups: dict[tuple[str, ...], list[Finding]] = {}
    for finding in findings:
        key = (
            finding.check,
            finding.subject_kind,
            finding.verdict.value,
            _without_name(finding),
            finding.remedy,
            finding.basis,
        )
        groups.setdefault(key, []).append(finding)
    out: list[Finding] = []
    for (check, kind, verdict, sentence, remedy, basis), held in groups.items():
        if len(held) < _TOGETHER_FROM:
            out.extend(held)
            continue
        out.append(
            Finding(
                check=check,
                subject_kind=f"{len({one.subject for one in held})} x {kind}:",
                subject=spans_of(list(dict.fromkeys(one.subject for one in held)), order),
                verdict=Verdict(verdict),
                message=f"– {sentence}",
                remedy=remedy,
                basis=basis,
            )
        )
    return tuple(out)


def _count_table(findings: Sequence[Finding]) -> Table:
    counts: dict[tuple[str, str], int] = {}
    for finding in findings:
        key = (verdict_word(finding.verdict.value), finding.check)
        counts[key] = counts.get(key, 0) + 1
    return Table(
        headings=("Verdict", "Check", "Findings"),
        rows=[(verdict, check, str(count)) for (verdict, check), count in counts.items()],
        align=("left", "left", "right"),
        widths=(1, 3, 1),
        verdict_column=0,
        caption="Open points by check, all of them.",
    )


def open_points_blocks(parts: HandoverParts) -> list[Block]:
    """Give the chapter of open points."""
    blocks: list[Block] = [Heading(text="Open points")]
    missing = []
    if parts.delivery is None:
        missing.append("No delivery has been received.")
    if parts.plan is None:
        missing.append("No allocation has been planned.")
    if parts.placed.is_empty():
        missing.append("It is not known which module sits where.")
    if parts.tests is None:
        missing.append(f"None of the {parts.site.strings.height} strings has been tested.")
    elif parts.tests.curves.is_empty():
        missing.append("No I-V curve has been taken.")
    blocks.extend(Paragraph(text=sentence) for sentence in missing)
    open_ones = open_findings(parts.open_ones)
    order = {name: place for place, name in enumerate(parts.site.strings["string"].to_list())}
    told = gathered_findings(open_ones, order=order)
    if len(told) > PRINTED_FINDINGS:
        blocks += [
            Paragraph(
                text=f"Of {len(open_ones)} open points the gravest {PRINTED_FINDINGS} entries are "
                "printed; every one is in the attached file open-points.csv."
            ),
            _count_table(open_ones),
        ]
        told = told[:PRINTED_FINDINGS]
    none = "Nothing else is open." if missing else "Nothing is open."
    for verdict, title in (
        (Verdict.FAIL, "Failed"),
        (Verdict.REVIEW, "To be reviewed"),
        (Verdict.NOT_ASSESSABLE, "Not assessable"),
    ):
        chosen = tuple(one for one in told if one.verdict is verdict)
        if chosen:
            blocks += [Heading(text=title, level=2), FindingList(findings=chosen)]
    if not told:
        blocks.append(Paragraph(text=none))
    return [*blocks, *settled_blocks(parts)]
