"""The cables of a design: schedule, cutting plan, sizes, loops of strings, bonding points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import polars as pl

from arraywright.design import (
    CableChoice,
    CableRuns,
    Drum,
    Practice,
    cable_quantities,
    cable_schedule,
    plan_cuts,
)
from arraywright.dossier.design_cables import CablePart
from arraywright.findings import Finding
from arraywright.plant import Site
from arraywright.procedures.check_cable_parts import cable_parts
from arraywright.procedures.design_cases import DesignCases
from arraywright.procedures.exports import csv_bytes, write_whole
from arraywright.procedures.report import ReportTable

__all__ = ["CableFiles", "cable_files"]

_SECTION_OF_ROLE: Final = {"string": "string", "extension": "string", "array": "array"}
_TARGET_GAP_RATIO: Final = 0.01
_WHAT_IF: Final = "-what-if"


@dataclass(frozen=True, slots=True, kw_only=True)
class CableFiles:
    """What came of the cables of a design.

    Attributes:
        tables: quantities by role and size, sizes, loops, bonding.
        sentences: what they come to.
        parts: sizes, loops and bonding for the report.
        findings: runs that fit no drum, and too few drums.
        result: plain data.
        written: files written.
    """

    tables: tuple[ReportTable, ...] = ()
    sentences: tuple[str, ...] = ()
    parts: tuple[CablePart, ...] = ()
    findings: tuple[Finding, ...] = ()
    result: dict[str, object] | None = None
    written: tuple[Path, ...] = ()


def _choices(site: Site, roles: Sequence[str]) -> dict[str, CableChoice] | None:
    choices = {}
    for role in roles:
        section = _SECTION_OF_ROLE[role]
        area = site.design.number(f"cables.{section}.area_mm2")
        material = site.design.values.get(f"cables.{section}.material")
        if area is None or material is None:
            return None
        choices[role] = CableChoice(area_mm2=area, material=str(material))
    return choices


def cable_files(
    site: Site, found: DesignCases, *, practice: Practice, out: Path, what_if: bool = False
) -> CableFiles:
    """Write what is to be told of the cables of a design, as far as it is described.

    Cable schedule (``cable-schedule.csv``) and, where drums are described, the cutting plan of
    string cables (``cutting-plan.csv``); drop and loss of every string (``string-cables.csv``),
    loops of strings (``string-loops.csv``) and bonding points of tables (``bonding-points.csv``).

    Args:
        site: the site.
        found: its checks with cable runs and weather.
        practice: whose sizes and tables count.
        out: folder to write to.
        what_if: whether other values than the described ones are asked about; the files then have
            ``-what-if`` in their names, so that nobody orders by them.
    """
    if not found.cases:
        return CableFiles()
    asked = _WHAT_IF if what_if else ""
    scheduled = _schedule(site, found.runs, practice=practice, out=out, asked=asked)
    more = cable_parts(site, found, practice=practice)
    written = list(scheduled.written)
    for name, frame in more.frames.items():
        written.append(write_whole(out / f"{name}{asked}.csv", csv_bytes(frame)))
    return CableFiles(
        tables=(
            *scheduled.tables,
            *(
                ReportTable(
                    title=part.title,
                    headings=part.table.headings,
                    rows=part.table.rows,
                    align=tuple("right" if one == "right" else "left" for one in part.table.align),
                )
                for part in more.parts
            ),
        ),
        sentences=(*scheduled.sentences, *more.sentences),
        parts=more.parts,
        findings=scheduled.findings,
        result={**(scheduled.result or {}), **more.result},
        written=tuple(written),
    )


def _schedule(
    site: Site, runs: CableRuns | None, *, practice: Practice, out: Path, asked: str
) -> CableFiles:
    if runs is None or runs.runs.is_empty():
        return CableFiles()
    choices = _choices(site, runs.runs["role"].unique().sort().to_list())
    if choices is None:
        return CableFiles()
    schedule = cable_schedule(runs.runs, cables=choices, practice=practice)
    quantities = cable_quantities(schedule)
    written = [write_whole(out / f"cable-schedule{asked}.csv", csv_bytes(schedule))]
    table = ReportTable(
        title="Cables",
        headings=("Role", "Size", "Material", "Runs", "Length [m]", "Longest [m]"),
        rows=[
            (
                str(row["role"]),
                str(row["size"]),
                str(row["material"]).replace("_", " "),
                str(row["runs"]),
                f"{row['length_m']:.0f}",
                f"{row['longest_m']:.1f}",
            )
            for row in quantities.iter_rows(named=True)
        ],
        align=("left", "left", "left", "right", "right", "right"),
    )
    result: dict[str, object] = {"quantities": quantities.to_dicts()}
    sentences: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    if site.design.drums:
        plan = plan_cuts(
            schedule.filter(pl.col("role") != "array").select("run", "length_m"),
            [
                Drum(
                    name=drum.name,
                    length_m=drum.length_m,
                    available=drum.available,
                    cost=drum.cost,
                )
                for drum in site.design.drums
            ],
            target_gap_ratio=_TARGET_GAP_RATIO,
        )
        written.append(write_whole(out / f"cutting-plan{asked}.csv", csv_bytes(plan.cuts)))
        left = f"{plan.left_m:.0f} m ({100.0 * plan.left_ratio:.1f} %) left over"
        best = "no plan needs less"
        if not plan.proven_best:
            best = f"at most {100.0 * plan.gap_ratio:.2f} % above what any plan needs"
        told = f"String cables are cut from {plan.drums.height} drums with {left}: {best}."
        sentences = (told,)
        findings = plan.findings
        result["cutting_plan"] = {
            "drums": plan.drums.height,
            "cost": plan.cost,
            "bound": plan.bound,
            "gap_ratio": plan.gap_ratio,
            "left_m": plan.left_m,
            "proven_best": plan.proven_best,
        }
    return CableFiles(
        tables=(table,),
        sentences=sentences,
        findings=findings,
        result=result,
        written=tuple(written),
    )
