"""Test sheets, inspections and earth faults on their way through commissioning to the dossier."""

from __future__ import annotations

import csv
import shutil
from datetime import timedelta
from pathlib import Path
from typing import Any, cast

import pytest

from arraywright.procedures.commission import commission
from arraywright.procedures.report import NO_PROGRESS, Report
from tests.dossier.making import NOON, PERSON, TestedSite, dossier, text_of


@pytest.fixture(scope="module")
def further(
    tested_site: TestedSite, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, Report, str]:
    """Hand in an earth fault and inspections; give folder, report and text of the dossier."""
    folder = tmp_path_factory.mktemp("further")
    site = folder / "site"
    shutil.copytree(tested_site.folder, site)
    later = NOON + timedelta(hours=1)
    faults = folder / "poles.csv"
    with faults.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(
            [
                ["String", "Time", "Voc [V]", "U + to earth [V]", "U - to earth [V]", "Meter"],
                ["R-S01", later.isoformat(), 396.0, 140.0, -256.0, "M-1"],
                ["R-S02", later.isoformat(), 396.0, 2.0, -1.0, "M-1"],
            ]
        )
    inspections = folder / "inspections.csv"
    with inspections.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(
            [
                [
                    *("Subject", "Test", "Time", "Result", "Temperature difference [K]"),
                    *("Irradiance [W/m2]", "Thermogram", "Instrument", "Person"),
                ],
                ["site", "Sichtprüfung", later.isoformat(), "ok", "", "", "", "", "Ida"],
                ["R-S01", "thermography", later.isoformat(), "", 28, 850, "IR-7.tif", "T-1", "Ida"],
            ]
        )
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ARRAYWRIGHT_HOME", str(folder / "home"))
        report = commission(
            site,
            [faults, inspections],
            person=PERSON,
            now=lambda: NOON + timedelta(days=1, hours=2),
            progress=NO_PROGRESS,
        )
        dossier(site)
    return site, report, text_of((site / "out" / "handover-dossier.pdf").read_bytes())


def test_an_earth_fault_fails_its_string_and_names_the_module(
    further: tuple[Path, Report, str],
) -> None:
    """The string fails whatever else it reads, and the place stands in table and dossier."""
    site, report, text = further
    held = cast("list[dict[str, Any]]", report.result["strings"])
    strings = {row["string"]: row for row in held}
    assert strings["R-S01"]["verdict"] == "fail"
    assert any("earth fault" in reason for reason in strings["R-S01"]["reasons"])
    assert not any("earth fault" in reason for reason in strings["R-S02"]["reasons"])
    with (site / "out" / "earth-faults.csv").open(encoding="utf-8", newline="") as file:
        rows = {row["string"]: row for row in csv.DictReader(file)}
    assert rows["R-S01"]["module"] == "4"
    assert rows["R-S02"]["state"] == "not-seen"
    assert "in module 4" in text
    assert "a second fault closes a circuit" in text


def test_the_sheets_hold_both_categories_and_say_what_is_not_tested(
    further: tuple[Path, Report, str],
) -> None:
    """Every test of the two categories has its line; what nobody tested is no pass."""
    site, _, text = further
    with (site / "out" / "test-sheets.csv").open(encoding="utf-8", newline="") as file:
        lines = {(row["clause"], row["of"]): row for row in csv.DictReader(file)}
    assert lines["5.2", "site"]["verdict"] == "pass"
    assert lines["6.6", "inverters"]["verdict"] == "not_tested"
    assert lines["7.3", "strings"]["failed"] == "1"
    assert "Category 1: tests of every system" in text
    assert "Category 2: tests of the expanded sequence" in text
    assert "not tested" in text
    assert "IR-7.tif" in text


def test_a_verdict_that_changed_is_told_with_its_chain(
    further: tuple[Path, Report, str],
) -> None:
    """The verdict before stays beside the one that supersedes it, each with its entry."""
    _, _, text = further
    _, chapter = text.split("Verdicts that changed", 1)
    chain = " ".join(chapter.split())
    assert "R-S01" in chain
    assert "then fail (" in chain
    assert chain.count("entry ") >= 2
    assert "superseded" in chain or "supersedes" in chain


def test_repeating_changes_nothing(further: tuple[Path, Report, str]) -> None:
    """Handing in nothing new leaves the verdicts as they stand and writes the same tables."""
    site, report, _ = further
    again = commission(
        site,
        [],
        person=PERSON,
        now=lambda: NOON + timedelta(days=1, hours=2),
        progress=NO_PROGRESS,
    )
    assert again.unchanged
    assert again.result["sheets"] == report.result["sheets"]
    assert len(again.written) == len(report.written)
