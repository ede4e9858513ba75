"""The demo: the main job end to end, and what it found of what was put in."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from arraywright.demo.run import run_demo
from arraywright.demo.scenario import SCENARIO
from arraywright.errors import CallError
from arraywright.findings import Verdict, worst_verdict
from arraywright.procedures.allocate import allocate
from arraywright.procedures.commission import commission
from arraywright.procedures.hand_over import hand_over
from arraywright.procedures.receive import receive
from arraywright.procedures.report import NO_PROGRESS, Report
from arraywright.procedures.trace import trace
from arraywright.procedures.verify import verify
from arraywright.readers import read_site

FAULTS = 12
WRITTEN = "written"


def _now() -> datetime:
    return datetime(2026, 7, 1, 9, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Report]]:
    """Run the demo once; give its folder and its report, what it wrote copied beside."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ARRAYWRIGHT_HOME", str(tmp_path_factory.mktemp("home")))
        folder = tmp_path_factory.mktemp("demo") / "site"
        report = run_demo(folder, progress=NO_PROGRESS)
        shutil.copytree(folder / "out", folder.parent / WRITTEN)
        yield folder, report


def test_every_fault_put_in_is_found_and_no_sound_string_is_accused(
    demo: tuple[Path, Report],
) -> None:
    """The demo finds all that was put in, and raises no alarm beside it."""
    _, report = demo
    assert report.result["put_in"] == FAULTS
    assert report.result["found"] == FAULTS
    assert report.result["false_alarms"] == []
    assert report.exit_code == 0
    assert len(report.written) == len(set(report.written))


def test_plan_keeps_its_rules_and_few_openings(demo: tuple[Path, Report]) -> None:
    """Every string holds one class, and the plan opens no more pallets than order of arrival."""
    folder, _ = demo
    report = allocate(folder, person="lead", now=_now, progress=NO_PROGRESS)
    plans = report.result["plans"]
    assert isinstance(plans, list)
    by_kind = {plan["kind"]: plan for plan in plans}
    assert by_kind["plan"]["pallet_openings"] <= by_kind["arrival"]["pallet_openings"]
    assert by_kind["sorted"]["loss_w"] <= by_kind["plan"]["loss_w"]


def test_same_inputs_again_change_nothing(demo: tuple[Path, Report]) -> None:
    """Files handed in a second time leave record and documents as they were."""
    folder, _ = demo
    inputs = sorted((folder / "inputs").iterdir())
    tests = {"as-built.csv", "instruments.csv", "string-readings.csv", "iv-curves.csv"}
    tests |= {"inspections.csv", "bonding.csv", "thermograms.csv", "poles-to-earth.csv"}
    out = sorted(path for path in (folder / "out").glob("receiving*.pdf"))
    before = {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in out}
    again = receive(
        folder,
        [path for path in inputs if path.name not in tests],
        person="lead",
        now=_now,
        progress=NO_PROGRESS,
    )
    tested = commission(
        folder,
        [path for path in inputs if path.name in tests],
        person="lead",
        now=_now,
        progress=NO_PROGRESS,
    )
    assert again.unchanged
    assert {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in out} == before
    files = tested.result["files"]
    assert isinstance(files, list)
    assert all(table["known"] for table in files)


@pytest.mark.parametrize(
    ("subject", "kind"),
    [("F-S103", "string"), ("395212340000000175", "pallet"), ("TN2610101083", "module")],
)
def test_trace_tells_a_story_in_time(demo: tuple[Path, Report], subject: str, kind: str) -> None:
    """A string, a pallet and a serial each have a story whose events stand in order."""
    folder, _ = demo
    report = trace(folder, subject, now=_now, progress=NO_PROGRESS)
    assert report.result["kind"] == kind
    events = report.result["events"]
    assert isinstance(events, list)
    moments = [event["moment"] for event in events if event["moment"]]
    assert len(moments) >= 3
    assert moments == sorted(moments)


def test_trace_finds_a_serial_by_its_last_digits(demo: tuple[Path, Report]) -> None:
    """The end of a serial is enough when only one serial ends so."""
    folder, _ = demo
    report = trace(folder, "0101083", now=_now, progress=NO_PROGRESS)
    assert report.result["name"] == "TN2610101083"


def test_trace_of_nothing_known_says_so(demo: tuple[Path, Report]) -> None:
    """What nobody knows is a wrong call that names what is near."""
    folder, _ = demo
    with pytest.raises(CallError, match="F-S10"):
        trace(folder, "F-S10X", now=_now, progress=NO_PROGRESS)


def test_record_verifies(demo: tuple[Path, Report]) -> None:
    """Chains, signatures and files of the demo's record are whole."""
    folder, _ = demo
    report = verify(folder, now=_now, progress=NO_PROGRESS)
    assert worst_verdict(report.findings) is Verdict.PASS


def test_wrong_class_module_fails_its_string_and_stands_in_the_dossier_findings(
    demo: tuple[Path, Report],
) -> None:
    """A string that is wrongly built is not proven, whatever it reads."""
    folder, _ = demo
    strings = pl.read_csv(folder / "out" / "string-tests.csv")
    assert strings.filter(pl.col("string") == "F-S066")["verdict"].item() == "fail"
    hand_over(folder, person="lead", now=_now, progress=NO_PROGRESS)
    findings = json.loads((folder / "out" / "findings.json").read_text("utf-8"))
    assert "as-built-wrong-class" in json.dumps(findings)


def test_folder_of_somebody_else_is_never_touched(tmp_path: Path) -> None:
    """The demo refuses a folder it did not make and leaves it as it is."""
    (tmp_path / "precious.txt").write_text("mine", "utf-8")
    with pytest.raises(CallError, match="not made by the demo"):
        run_demo(tmp_path, progress=NO_PROGRESS)
    assert [path.name for path in tmp_path.iterdir()] == ["precious.txt"]


def test_earth_fault_is_placed_where_it_was_put(demo: tuple[Path, Report]) -> None:
    """From two voltages to earth its place is found within its interval, and its resistance.

    Independent: the voltages are made by Ohm's law with the meter in series with the fault.
    """
    folder, _ = demo
    (row,) = pl.read_csv(folder.parent / WRITTEN / "earth-faults.csv").to_dicts()
    assert row["string"] == f"F-S{SCENARIO.low_insulation_string:03d}"
    assert row["module"] == int(SCENARIO.earth_fault_position) + 1
    assert row["position_low"] < SCENARIO.earth_fault_position < row["position_high"]
    wide = 2.0 * row["fault_u_megohm"]
    assert row["fault_megohm"] == pytest.approx(SCENARIO.earth_fault_megohm, abs=wide)


def test_every_line_of_category_1_is_filled(demo: tuple[Path, Report]) -> None:
    """Nothing of the tests of every system is left untested; the shorted diode's box is warm."""
    folder, _ = demo
    sheets = pl.read_csv(folder.parent / WRITTEN / "test-sheets.csv")
    of_every_system = sheets.filter(pl.col("category") == 1)
    assert of_every_system["not_tested"].sum() == 0
    failed = of_every_system.filter(pl.col("failed") > 0)["test"].to_list()
    assert failed == ["polarity", "insulation resistance"]
    tests = pl.read_csv(folder.parent / WRITTEN / "site-tests.csv")
    warm = tests.filter(pl.col("verdict") != "pass")
    assert warm["subject"].to_list() == [f"F-S{SCENARIO.shorted_diode_string:03d}"]


def test_building_and_yard_are_planned_by_days(demo: tuple[Path, Report]) -> None:
    """Every string has a working day of the building, and the yard never holds too much."""
    folder, _ = demo
    days = pl.read_csv(folder.parent / WRITTEN / "yard-days.csv", try_parse_dates=True)
    assert days["day"].min() == SCENARIO.lots[0].delivered_on
    taken = days.filter(pl.col("taken_out") > 0)["day"].to_list()
    assert taken[0] == SCENARIO.building_start
    assert all(day.weekday() < 5 and day not in SCENARIO.holidays for day in taken)
    site = read_site(folder).site
    assert site is not None
    assert site.yard is not None
    room_m2 = sum(one.area_m2 for one in site.yard.areas)
    assert days.filter(pl.col("area_needed_m2") > room_m2).is_empty()
