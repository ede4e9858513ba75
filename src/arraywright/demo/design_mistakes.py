"""Ten mistakes put into the design of the demo site, and what the checks say of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from arraywright.demo.prepare import prepare
from arraywright.demo.scenario import SCENARIO
from arraywright.demo.story import story_clock
from arraywright.findings import Finding, Verdict
from arraywright.procedures.check import check
from arraywright.procedures.exports import write_whole
from arraywright.procedures.report import Progress, Report, ReportTable

__all__ = ["DESIGN_MISTAKES", "DesignMistake", "description_with", "run_design_mistakes"]

_LIST: Final = "design-mistakes.txt"


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignMistake:
    """One mistake, as lines of the description that are changed.

    Attributes:
        what: the mistake in a few words.
        changes: each line of the sound description and the line in its place; the sound line
            stands in the description once.
        checks: keys of the checks that fail by it.
        remedy: words the remedy of the first of them must hold.
    """

    what: str
    changes: tuple[tuple[str, str], ...]
    checks: tuple[str, ...]
    remedy: str


DESIGN_MISTAKES: Final = (
    DesignMistake(
        what="two modules too many in every string for the coldest morning",
        changes=(
            ("columns = 26", "columns = 28"),
            ("modules_per_string = 26", "modules_per_string = 28"),
        ),
        checks=(
            "string-voc-cold-module",
            "string-voc-cold-inverter",
            "string-voc-cold-place",
            "string-voc-cold-model",
            "string-voc-dawn-model",
            "string-fuse-voltage",
            "disconnector-voltage",
            "surge-voltage",
        ),
        remedy="fewer modules in series",
    ),
    DesignMistake(
        what="an inverter whose MPPT window begins above the strings on a hot noon",
        changes=(("mppt_min_v = 600", "mppt_min_v = 1040"),),
        checks=("string-vmp-hot",),
        remedy="an inverter with another window",
    ),
    DesignMistake(
        what="two strings on an input that carries less than their current",
        changes=(("input_max_current_a = 40", "input_max_current_a = 26"),),
        checks=("input-operating-current",),
        remedy="fewer strings on one input",
    ),
    DesignMistake(
        what="a string fuse above the module's greatest fuse",
        changes=(("string_fuse_a = 25", "string_fuse_a = 32"),),
        checks=("string-fuse-most",),
        remedy="a smaller fuse",
    ),
    DesignMistake(
        what="twenty string circuits touching in one hot duct",
        changes=(("circuits = 2", "circuits = 20"),),
        checks=("string-cable-ampacity",),
        remedy="next size up",
    ),
    DesignMistake(
        what="a protective conductor of the inverter too thin for its line conductors",
        changes=(("inverter_protective_mm2 = 120", "inverter_protective_mm2 = 50"),),
        checks=("protective-conductor-size",),
        remedy="a thicker one",
    ),
    DesignMistake(
        what="surge protective devices that let through more than the inverter withstands",
        changes=(("surge_protection_level_v = 4400", "surge_protection_level_v = 5600"),),
        checks=("surge-protection-level",),
        remedy="a lower protection level",
    ),
    DesignMistake(
        what="clamp bolts tightened beyond the maker's range",
        changes=(("torque_nm = 20", "torque_nm = 28"),),
        checks=("clamp-torque",),
        remedy="inside the range",
    ),
    DesignMistake(
        what="rows too near to each other for the winter sun",
        changes=(("pitch_m = 10.5", "pitch_m = 8"),),
        checks=("row-pitch",),
        remedy="Widen the pitch to",
    ),
    DesignMistake(
        what="modules clamped at their short sides where the snow asks for more",
        changes=(
            ('clamping = "long sides, quarter points"', 'clamping = "short sides"'),
            ("clamp_position_mm = 500", "clamp_position_mm = 250"),
        ),
        checks=("module-load-down",),
        remedy="a clamping or rail position the maker tested for more",
    ),
)
"""Each fails its own checks and no others."""


def description_with(sound: str, mistakes: Sequence[DesignMistake]) -> str:
    """Give the description with these mistakes in it.

    Raises:
        ValueError: a line to change does not stand in the sound description exactly once.
    """
    lines = sound.splitlines(keepends=True)
    for mistake in mistakes:
        for old, new in mistake.changes:
            at = [number for number, line in enumerate(lines) if line.rstrip("\n") == old]
            if len(at) != 1:
                raise ValueError(f"'{old}' stands {len(at)} times in the description, not once")
            lines[at[0]] = f"{new}\n"
    return "".join(lines)


def _failing(findings: Sequence[Finding]) -> dict[str, Finding]:
    return {one.check: one for one in findings if one.verdict is Verdict.FAIL}


def _row(mistake: DesignMistake, failing: dict[str, Finding]) -> tuple[str, ...]:
    told = failing.get(mistake.checks[0])
    if told is None:
        return mistake.what, "NO", "not found", ""
    return mistake.what, "yes", told.message, told.remedy


def _is_found(mistake: DesignMistake, failing: dict[str, Finding]) -> bool:
    return (
        all(key in failing for key in mistake.checks)
        and mistake.remedy in failing[mistake.checks[0]].remedy
    )


def run_design_mistakes(folder: Path, *, progress: Progress) -> Report:
    """Write the demo site with ten mistakes in its design, check it, and compare.

    The findings of the report tell of the demo itself: a mistake that was not found with its
    remedy, or a failing check that no mistake explains, fails.

    Raises:
        CallError: the folder is in use.
        ArraywrightError: the machine is at fault.
    """
    progress.stage("writing the site with mistakes in its design")
    prepare(folder, SCENARIO, change=lambda text: description_with(text, DESIGN_MISTAKES))
    listed = "\n".join(f"- {one.what}" for one in DESIGN_MISTAKES)
    write_whole(folder / _LIST, f"Mistakes put into the design of site.toml:\n{listed}\n".encode())
    checked = check(folder, now=story_clock(SCENARIO).now, progress=progress)
    failing = _failing(checked.findings)
    explained = {key for one in DESIGN_MISTAKES for key in one.checks}
    found = [one for one in DESIGN_MISTAKES if _is_found(one, failing)]
    invented = [one for key, one in failing.items() if key not in explained]
    findings = [
        Finding(
            check="demo-mistake-not-found",
            subject_kind="site",
            subject=one.checks[0],
            verdict=Verdict.FAIL,
            message=f"{one.what} was put in and not found with its remedy.",
            remedy="This is a defect of the program; please report it.",
        )
        for one in DESIGN_MISTAKES
        if one not in found
    ]
    findings += [
        Finding(
            check="demo-mistake-invented",
            subject_kind=one.subject_kind,
            subject=one.subject,
            verdict=Verdict.FAIL,
            message=f"Nothing was put in that explains: {one.message}",
            remedy="This is a defect of the program; please report it.",
        )
        for one in invented
    ]
    return Report(
        command="demo",
        site=SCENARIO.site_name,
        summary=(
            f"{len(found)} of {len(DESIGN_MISTAKES)} mistakes put into the design were found.",
            f"{len(invented)} failing checks are explained by none of them.",
            f"The site stands in {folder}; open out/design-checks.pdf.",
            f"Try: arraywright check {folder} --set layout.block.0.pitch_m=11",
        ),
        tables=(
            ReportTable(
                title="Put in and found",
                headings=("Put in", "Found", "What the check says", "What to do"),
                rows=[_row(one, failing) for one in DESIGN_MISTAKES],
            ),
        ),
        findings=tuple(findings),
        result={
            "put_in": len(DESIGN_MISTAKES),
            "found": len(found),
            "invented": sorted(one.check for one in invented),
            "mistakes": [
                {
                    "mistake": one.what,
                    "checks": list(one.checks),
                    "found": one in found,
                    "finding": None
                    if (told := failing.get(one.checks[0])) is None
                    else told.as_dict(),
                }
                for one in DESIGN_MISTAKES
            ],
        },
        written=checked.written,
    )
