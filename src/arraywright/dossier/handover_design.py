"""The chapter about the checks of the design before anything was built."""

from __future__ import annotations

from arraywright.dossier.blocks import Block, Heading, Paragraph, Table
from arraywright.dossier.handover_parts import HandoverParts
from arraywright.dossier.words import local_time
from arraywright.findings import Verdict

__all__ = ["design_blocks"]


def design_blocks(parts: HandoverParts) -> list[Block]:
    """Give the chapter about the checks of the design: when, by what, with what result."""
    heading = Heading(text="Design checks")
    if not parts.design:
        return [heading, Paragraph(text="No check of the design stands in the record.")]
    zone = parts.site.time_zone
    return [
        heading,
        Paragraph(
            text="String voltage, currents, cables, earthing, surge, loads, spacing and yield, "
            "checked from the description before building. The report of the last check, with "
            "every formula worked out, is carried inside this document. A check advises; it is no "
            "design, no approval and no permission."
        ),
        Table(
            headings=(
                "Checked",
                "By",
                "Practice",
                "Pass",
                "Fail",
                "Review",
                "Not assessable",
                "State",
                "SHA-256 of the report",
            ),
            rows=[
                (
                    local_time(one.at, zone),
                    one.person,
                    one.practice,
                    *(
                        str(one.counts.get(verdict, 0))
                        for verdict in (
                            Verdict.PASS,
                            Verdict.FAIL,
                            Verdict.REVIEW,
                            Verdict.NOT_ASSESSABLE,
                        )
                    ),
                    "in force" if one is parts.design[-1] else "superseded",
                    one.report_sha256,
                )
                for one in parts.design
            ],
            align=("left", "left", "left", *("right",) * 4, "left", "left"),
            widths=(1.5, 1.2, 0.9, 0.6, 0.6, 0.8, 1.1, 1.1, 3),
        ),
    ]
