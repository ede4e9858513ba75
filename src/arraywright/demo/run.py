"""The demo: an invented site through the same procedures as the commands, then put in vs found."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Final

import polars as pl

from arraywright.demo.commissioning_files import write_test_files
from arraywright.demo.delivery_files import write_delivery_files
from arraywright.demo.modules import make_modules
from arraywright.demo.next_morning import write_next_morning
from arraywright.demo.prepare import prepare
from arraywright.demo.scenario import SCENARIO
from arraywright.demo.score import false_alarms, score, score_table
from arraywright.demo.story import story_clock
from arraywright.findings import Finding, Verdict
from arraywright.procedures.allocate import allocate
from arraywright.procedures.check import check
from arraywright.procedures.commission import commission
from arraywright.procedures.hand_over import hand_over
from arraywright.procedures.receive import receive
from arraywright.procedures.report import Progress, Report, ReportTable
from arraywright.procedures.trace import trace
from arraywright.readers import read_site

__all__ = ["run_demo"]

_PERSON: Final = "demo"


class _Prefixed:
    def __init__(self, progress: Progress, prefix: str) -> None:
        self._progress = progress
        self._prefix = prefix

    def stage(self, title: str) -> None:
        """Tell the stage with the step it belongs to."""
        self._progress.stage(f"{self._prefix}: {title}")


def _step(name: str, report: Report) -> tuple[str, str]:
    return name, report.summary[0]


def run_demo(folder: Path, *, progress: Progress) -> Report:
    """Write the demo site, do the main job on it, and say what was found of what was put in.

    The findings of the report tell of the demo itself: a fault that was not found, or an alarm on
    a sound string, fails.

    Raises:
        CallError: the folder is in use.
        ArraywrightError: the machine is at fault.
    """
    scenario = SCENARIO
    progress.stage("writing the site")
    prepare(folder, scenario)
    clock = story_clock(scenario)
    now = clock.now
    checked = check(folder, person=_PERSON, now=now, progress=_Prefixed(progress, "check"))
    progress.stage("writing the deliveries")
    modules = make_modules(scenario)
    inputs = folder / "inputs"
    files = write_delivery_files(inputs, scenario, modules)
    clock.turn_to(scenario.lots[-1].delivered_on, 16)
    received = receive(
        folder, files, person=_PERSON, now=now, progress=_Prefixed(progress, "receive")
    )
    clock.turn_to(scenario.lots[-1].delivered_on + timedelta(days=1), 7)
    allocated = allocate(folder, person=_PERSON, now=now, progress=_Prefixed(progress, "allocate"))
    progress.stage("building and testing the strings")
    site = read_site(folder).site
    if site is None:
        raise AssertionError("the demo's own description is sound")
    strings = site.strings["string"].to_list()
    plan = pl.read_csv(folder / "out" / "allocation.csv", schema_overrides={"pallet": pl.String})
    day = write_test_files(
        inputs,
        scenario,
        modules=modules,
        plan=plan,
        strings=strings,
        module_type=site.module_types[scenario.module_type],
    )
    clock.turn_to(scenario.test_day, 18)
    commission(
        folder,
        list(day.paths),
        person=_PERSON,
        now=now,
        progress=_Prefixed(progress, "commission"),
    )
    progress.stage("inspecting the site the morning after")
    clock.turn_to(scenario.test_day + timedelta(days=1), 13)
    commissioned = commission(
        folder,
        list(
            write_next_morning(
                inputs,
                scenario,
                built=day.built,
                inverters=site.strings["inverter"].unique(maintain_order=True).to_list(),
            )
        ),
        person=_PERSON,
        now=now,
        progress=_Prefixed(progress, "commission"),
    )
    clock.turn_to(scenario.test_day + timedelta(days=1), 15)
    handed = hand_over(folder, person=_PERSON, now=now, progress=_Prefixed(progress, "dossier"))
    traced = trace(folder, day.wrong_serial, now=now, progress=_Prefixed(progress, "trace"))
    numbers = dict(modules.select("pallet_number", "pallet").unique().iter_rows())
    doubled = [
        modules.filter((pl.col("pallet_number") == first) & (pl.col("stack_position") == 4))[
            "serial"
        ].item()
        for first, _ in scenario.doubled_pallets
    ]
    scored = score(
        scenario,
        pallets=numbers,
        doubled=doubled,
        strings=strings,
        day=day,
        received=received,
        commissioned=commissioned,
    )
    alarms = false_alarms(scenario, strings=strings, day=day, commissioned=commissioned)
    found = sum(one.found for one in scored)
    steps = [
        _step("check", checked),
        _step("receive", received),
        _step("allocate", allocated),
        _step("commission", commissioned),
        _step("dossier", handed),
        _step("trace", traced),
    ]
    findings = [
        Finding(
            check="demo-fault-not-found",
            subject_kind="site",
            subject=one.subject,
            verdict=Verdict.FAIL,
            message=f"{one.fault} at {one.subject} was put in and not found.",
            remedy="This is a defect of the program; please report it.",
        )
        for one in scored
        if not one.found
    ]
    findings += [
        Finding(
            check="demo-false-alarm",
            subject_kind="string",
            subject=alarm,
            verdict=Verdict.REVIEW,
            message=f"String {alarm} is sound and did not pass.",
            remedy="Nothing: chance, within the false alarms allowed, or a cloud.",
        )
        for alarm in alarms
    ]
    return Report(
        command="demo",
        site=scenario.site_name,
        summary=(
            f"{found} of {len(scored)} faults put in were found.",
            f"{len(alarms)} of {len(strings)} strings are sound and did not pass.",
            f"The invented site stands in {folder}; begin with out/handover-dossier.pdf.",
            f"Try: arraywright trace {folder} {strings[scenario.shorted_diode_string - 1]}",
        ),
        tables=(
            ReportTable(title="Steps", headings=("Step", "What came of it"), rows=steps),
            score_table(scored),
        ),
        findings=tuple(findings),
        result={
            "put_in": len(scored),
            "found": found,
            "false_alarms": alarms,
            "faults": [
                {"fault": one.fault, "subject": one.subject, "found": one.found, "by": one.by}
                for one in scored
            ],
        },
        written=tuple(
            dict.fromkeys(
                path
                for report in (checked, received, allocated, commissioned, handed)
                for path in report.written
            )
        ),
    )
