"""What a description says of building dates and of the yard, read or refused."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from arraywright.findings import Verdict
from arraywright.plant import Building, LaydownArea, Yard
from arraywright.readers import SiteReading, read_site

ROOT = Path(__file__).parents[2]
SMALL = (ROOT / "docs/examples/small-site/site.toml").read_text(encoding="utf-8")
BUILDING = """
[building]
start = 2027-03-01
strings_per_day = 12.5
crews = 3
working_days = ["monday", "Tuesday", "saturday"]
holidays = [2027-03-29, "2027-05-01"]
"""
YARD = """
[yard]
aisle_ratio = 0.4
lift_mass_max_kg = 1800

[[yard.areas]]
name = "East"
x_m = 40
y_m = -12.5
area_m2 = 900

[[yard.areas]]
name = "Gate"
x_m = 0
y_m = 0
area_m2 = 300
"""


def _read(folder: Path, text: str) -> SiteReading:
    (folder / "site.toml").write_text(SMALL + text, encoding="utf-8")
    return read_site(folder)


def test_building_and_yard_are_read_as_written(tmp_path: Path) -> None:
    """Days, pace, areas and limits come out as they stand in the file."""
    reading = _read(tmp_path, BUILDING + YARD)
    site = reading.site
    assert site is not None, [f.message for f in reading.findings]
    assert site.building == Building(
        start=date(2027, 3, 1),
        strings_per_day=12.5,
        crews=3,
        working_days=(0, 1, 5),
        holidays=(date(2027, 3, 29), date(2027, 5, 1)),
    )
    assert site.yard == Yard(
        areas=(
            LaydownArea(name="East", x_m=40.0, y_m=-12.5, area_m2=900.0),
            LaydownArea(name="Gate", x_m=0.0, y_m=0.0, area_m2=300.0),
        ),
        aisle_ratio=0.4,
        lift_mass_max_kg=1800.0,
    )
    defaults = {f.subject for f in reading.findings if f.check == "site-default"}
    assert {"yard.stack_max", "yard.pallet_width_mm"} <= defaults
    assert "yard.aisle_ratio" not in defaults


def test_a_description_silent_about_both_has_neither(tmp_path: Path) -> None:
    """Nothing is assumed about dates and yard where the description says nothing."""
    site = _read(tmp_path, "").site
    assert site is not None
    assert site.building is None
    assert site.yard is None


@pytest.mark.parametrize(
    ("text", "check", "key"),
    [
        (BUILDING.replace("2027-03-01", "2027-02-30", 1), "site-syntax", ""),
        (BUILDING.replace("2027-03-01", '"next week"', 1), "site-value", "building.start"),
        (BUILDING.replace("2027-03-01", "2027-03-01T08:00:00", 1), "site-value", "building.start"),
        (BUILDING.replace("strings_per_day = 12.5\n", ""), "site-missing-key", "building"),
        (BUILDING.replace("12.5", "0"), "site-value", "building.strings_per_day"),
        (BUILDING.replace('"monday"', '"mondag"'), "site-value", "building.working_days"),
        (
            BUILDING.replace('["monday", "Tuesday", "saturday"]', "[]"),
            "site-value",
            "building.working_days",
        ),
        (BUILDING.replace("[2027-03-29", "[29"), "site-value", "building.holidays"),
        (YARD.replace("Gate", "east"), "site-name-twice", "yard.areas"),
        (YARD.replace("area_m2 = 300", ""), "site-missing-key", "yard.areas"),
        (YARD.replace("1800", "18"), "site-value", "yard.lift_mass_max_kg"),
        (YARD.replace("aisle_ratio", "isle_ratio"), "site-unknown-key", "yard.isle_ratio"),
    ],
)
def test_what_is_wrong_is_found_at_its_key(tmp_path: Path, text: str, check: str, key: str) -> None:
    """Every mistake in the two sections gives no site and names its key."""
    reading = _read(tmp_path, text)
    assert reading.site is None
    failing = [f for f in reading.findings if f.verdict is Verdict.FAIL]
    assert [f.check for f in failing] == [check]
    assert key in (failing[0].place.key if failing[0].place else "")


def test_a_date_set_from_outside_is_read_like_one_in_the_file(tmp_path: Path) -> None:
    """Asking what another start would do needs no change of the file."""
    (tmp_path / "site.toml").write_text(SMALL + BUILDING, encoding="utf-8")
    site = read_site(tmp_path, settings={"building.start": "2027-04-05"}).site
    assert site is not None
    assert site.building is not None
    assert site.building.start == date(2027, 4, 5)
