"""Checking a design: findings, formulas worked out, other values set, one quantity varied."""

from __future__ import annotations

import re
import shutil
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

import numpy as np
import polars as pl
import pvlib
import pytest

from arraywright.errors import ArraywrightError, CallError
from arraywright.findings import Verdict
from arraywright.procedures.check import check
from arraywright.procedures.report import NO_PROGRESS, Report
from arraywright.procedures.site_record import DescriptionError
from tests.design.weather_cases import invented_years
from tests.dossier.making import text_of
from tests.house.sources_page import ROOT

CHECKED = ROOT / "docs" / "examples" / "checked-site"
LENGTH = "layout.block.0.modules_per_string"


def _now() -> datetime:
    return datetime(2026, 3, 2, 10, tzinfo=UTC)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a copy of the fully described example."""
    return Path(shutil.copytree(CHECKED, tmp_path / "site"))


@pytest.fixture(scope="module")
def described(tmp_path_factory: pytest.TempPathFactory) -> Report:
    """Give the report of the example as it is described, made once."""
    folder = Path(shutil.copytree(CHECKED, tmp_path_factory.mktemp("described") / "site"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ARRAYWRIGHT_HOME", str(folder.parent / "home"))
        return _check(folder)


def _check(folder: Path, *settings: str, sweep: str | None = None) -> Report:
    return check(folder, settings=settings, sweep=sweep, now=_now, progress=NO_PROGRESS)


def _report_text(folder: Path) -> str:
    _check(folder)
    return text_of((folder / "out" / "design-checks.pdf").read_bytes())


def _verdicts(report: Report, key: str) -> set[Verdict]:
    return {one.verdict for one in report.findings if one.check == key}


def test_every_check_tells_its_formula_with_numbers(folder: Path) -> None:
    """What was worked out shows formula, numbers, basis; the report is written."""
    report = _check(folder)
    checks = report.result["checks"]
    assert isinstance(checks, list)
    assert len(checks) > 40
    for one in checks:
        assert one["formula"]
        assert one["basis"]
        if one["verdict"] != "not_assessable":
            assert one["worked"].startswith(one["formula"])
    assert (folder / "out" / "design-checks.pdf").read_bytes().startswith(b"%PDF")
    assert any("no permission" in sentence for sentence in report.summary)


def test_worst_margin_stands_first(folder: Path) -> None:
    """Failed checks come first, then what could not be worked out, then by margin."""
    report = _check(folder, "site.design_min_air_temp_c=-60")
    checks = report.result["checks"]
    assert isinstance(checks, list)
    order = {"fail": 0, "not_assessable": 1, "review": 2, "pass": 3}
    places = [order[one["verdict"]] for one in checks]
    assert places == sorted(places)


def test_colder_place_breaks_the_voltage_and_exit_code_tells(folder: Path) -> None:
    """A colder design minimum turns the cold voltage from pass to fail, and only for that call."""
    assert Verdict.FAIL not in _verdicts(_check(folder), "string-voc-cold-module")
    colder = _check(folder, "site.design_min_air_temp_c=-70")
    assert Verdict.FAIL in _verdicts(colder, "string-voc-cold-module")
    assert colder.exit_code == 1
    assert Verdict.FAIL not in _verdicts(_check(folder), "string-voc-cold-module")


def test_sweep_agrees_with_single_calls(folder: Path) -> None:
    """A margin of the sweep is the margin of a call with that value set."""
    report = _check(folder, sweep="site.design_min_air_temp_c=-40:0:5")
    table = pl.read_csv(folder / "out" / "what-if.csv")
    assert table["site.design_min_air_temp_c"].to_list() == [-40.0, -30.0, -20.0, -10.0, 0.0]
    sweep = report.result["sweep"]
    assert isinstance(sweep, dict)
    single = _check(folder, "site.design_min_air_temp_c=-30")
    checks = single.result["checks"]
    assert isinstance(checks, list)
    worst: dict[str, float] = {}
    for name, ratio in sweep["margin_ratio"].items():
        assert table[name].to_list() == pytest.approx(ratio)
        title, _, _ = name.rpartition(", ")
        worst[title] = min(worst.get(title, ratio[1]), ratio[1])
    found: dict[str, list[float]] = {one["title"]: [] for one in checks}
    for one in checks:
        if one["verdict"] != "not_assessable":
            found[one["title"]].append(one["margin"] / max(abs(one["limit"]), 1e-12))
    assert len(worst) >= 5
    for title, ratio in worst.items():
        assert ratio == pytest.approx(min(found[title]), rel=1e-9), title


@pytest.mark.parametrize(
    "sweep",
    ["", "nothing", "a=1", "a=1:1", "a=1:2:1", "a=1:2:9999999", "a=x:y", "site.name=1:2"],
)
def test_sweep_that_makes_no_sense_is_a_wrong_call(folder: Path, sweep: str) -> None:
    """What cannot be varied is told with what is required."""
    with pytest.raises(CallError) as told:
        _check(folder, sweep=sweep)
    assert told.value.remedy


@pytest.mark.parametrize(
    "setting",
    [
        "",
        "x",
        "=3",
        "x=",
        "site.latitude_deg=north",
        "site.lattitude_deg=3",
        "layout.block.99.rows=2",
    ],
)
def test_setting_that_makes_no_sense_is_refused(folder: Path, setting: str) -> None:
    """A value that the description could not hold is refused as one in the file would be."""
    with pytest.raises(ArraywrightError) as told:
        _check(folder, setting)
    assert isinstance(told.value, CallError | DescriptionError) or told.value.remedy


def test_site_that_names_no_practice_is_not_passed(tmp_path: Path) -> None:
    """Without a practice nothing is checked, and that is no pass."""
    shutil.copy(ROOT / "docs/examples/small-site/site.toml", tmp_path)
    report = _check(tmp_path)
    assert [one.verdict for one in report.findings] == [Verdict.NOT_ASSESSABLE]


def test_cables_are_listed_and_cut_from_drums(folder: Path) -> None:
    """Every run stands in the schedule once, and every string cable is cut from a drum once."""
    report = _check(folder)
    schedule = pl.read_csv(folder / "out" / "cable-schedule.csv")
    cuts = pl.read_csv(folder / "out" / "cutting-plan.csv")
    assert schedule["run"].is_unique().all()
    wanted = schedule.filter(pl.col("role") != "array")["run"].sort()
    assert cuts["run"].sort().to_list() == wanted.to_list()
    cables = report.result["cables"]
    assert isinstance(cables, dict)
    assert cables["cutting_plan"]["cost"] >= cables["cutting_plan"]["bound"]


def test_weather_gives_the_first_year_and_its_checks(folder: Path) -> None:
    """With a weather file the yield is worked out and the checks that need it are assessable."""
    typical = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    shutil.copy(typical, folder)
    with (folder / "site.toml").open("a", encoding="utf-8") as text:
        text.write('\n[weather]\nfiles = ["723170TYA.CSV"]\n')
    report = _check(folder)
    assert _verdicts(report, "yield-promised") != {Verdict.NOT_ASSESSABLE}
    assert _verdicts(report, "shade-loss") == {Verdict.PASS}
    year = report.result["first_year"]
    assert isinstance(year, dict)
    left = [step["left_kwh"] for step in year["waterfall"]]
    assert left[-1] == pytest.approx(year["energy_kwh"], rel=1e-9)
    assert any(sentence.startswith("First year:") for sentence in report.summary)


# The sun of the invented weather stands highest at 12 UTC; at the example's place 57 min before.
_SOLAR_NOON_MIN = 57
_NEC_ARTICLES = {
    "690.7": "greatest voltage",
    "690.8": "currents and conductors",
    "690.9": "overcurrent protection",
    "690.13": "disconnecting means",
    "690.45": "size of the equipment grounding conductor",
    "250.122": "its table",
    "250.120": "its protection against damage",
    "110.14": "temperature of terminals",
    "310.15": "ambient temperature",
}


def _with_real_years(folder: Path) -> None:
    """Put two invented whole years of weather beside the description."""
    weather = invented_years(2001, 2002)
    time = weather.time - np.timedelta64(_SOLAR_NOON_MIN, "m")
    pl.DataFrame(
        {
            "time": [f"{one}Z" for one in np.datetime_as_string(time, unit="m")],
            "GHI [W/m2]": weather.ghi_w_m2.round(1),
            "air temperature [degC]": weather.air_temp_c.round(2),
            "wind speed [m/s]": weather.wind_m_s,
        }
    ).write_csv(folder / "years.csv")
    with (folder / "site.toml").open("a", encoding="utf-8") as text:
        text.write('\n[weather]\nfiles = ["years.csv"]\nstamp = "middle"\n')


def test_nec_practice_is_assessed_whole_and_cites_its_articles(folder: Path) -> None:
    """Built by the NEC, the example leaves no check open and every article is asked for.

    Articles are those of NFPA 70 (2023) that the checks' docstrings and data files cite.
    """
    _with_real_years(folder)
    # The example's 240 mm2 carry a little less at 75 degC terminals than they must without pause.
    report = _check(folder, "design.practice=nec", "cables.array.area_mm2=300")
    checks = cast("list[dict[str, Any]]", report.result["checks"])
    assert report.result["practice"] == "nec"
    assert not [
        (one["check"], one["message"])
        for one in checks
        if one["verdict"] in ("fail", "not_assessable")
    ]
    assert {one["family"] for one in checks} == {
        *("voltage", "current", "cable", "earthing", "surge", "mechanical", "spacing", "yield")
    }
    assert not [one for one in checks if one["basis"].startswith(("iec-62548", "iec-60364"))]
    clauses = [one["basis"] for one in checks if one["basis"].startswith("nec-")]
    assert all(re.search(r"nec-2023 .*\d{3}(\.\d+)?", clause) for clause in clauses)
    cited = set(re.findall(r"\b\d{3}\.\d+", " ".join(clauses)))
    assert cited >= set(_NEC_ARTICLES)
    text = text_of((folder / "out" / "design-checks-what-if.pdf").read_bytes())
    assert "Checked by the NEC practice" in text


def test_the_cable_too_small_by_the_nec_alone_is_found(folder: Path, described: Report) -> None:
    """The example's cable behind the box passes by the IEC's tables and not by the NEC's column."""
    assert Verdict.FAIL not in {one.verdict for one in described.findings}
    by_nec = _check(folder, "design.practice=nec")
    assert [one.check for one in by_nec.findings if one.verdict is Verdict.FAIL] == [
        "array-cable-continuous"
    ]


def test_real_years_are_told_year_by_year(folder: Path) -> None:
    """Table, JSON and document show each year's extremes beside what the design reckons with."""
    _with_real_years(folder)
    report = _check(folder)
    extremes = cast("dict[str, Any]", report.result["site_extremes"])
    # By the invented years' formula the coldest hour is the mean of 10 degC less 15 K, and the
    # place's standard time moves an hour of the year's end at most into the next.
    assert [one["year"] for one in extremes["air"]["years"]] == [2001, 2002]
    assert [one["lowest_c"] for one in extremes["air"]["years"]] == pytest.approx([-5.0, -5.0])
    assert extremes["air"]["extreme_annual_mean_min_c"] == pytest.approx(-5.0)
    assert extremes["cells"]["highest_c"] > extremes["air"]["highest_c"]
    rows = {row[0]: row[1:] for row in _table(report, "Site extremes")}
    assert rows["Extreme annual mean minimum"] == ("-5.0", "weather files, 2 whole years, mean")
    lengths = cast("list[dict[str, Any]]", report.result["string_lengths"])
    assert all(one["hours_below"] is not None for held in lengths for one in held["lengths"])
    text = text_of((folder / "out" / "design-checks.pdf").read_bytes())
    assert "By the weather of years.csv" in text
    assert "2001 -5.0" in re.sub(r"\s+", " ", text)


def _table(report: Report, title: str) -> list[tuple[str, ...]]:
    found = next(table for table in report.tables if table.title.startswith(title))
    return [tuple(row) for row in found.rows]


def test_questions_show_no_quantities_and_stand_last(folder: Path, described: Report) -> None:
    """An answered question has no value, limit or margin to look at, and is no narrow margin."""
    rows = _table(described, "Checks")
    questions = [row for row in rows if row[0] == "Drainage holes of the frames"]
    assert questions == [
        ("Drainage holes of the frames", "Quarry field", "–", "–", "–", "", "pass")
    ]
    assert {row[2] for row in rows[-4:]} == {"–"}
    text = re.sub(r"\s+", " ", _report_text(folder))
    assert "whether rails and clamps leave the frames' drainage holes free: yes" in text
    assert "1 - d <= 0" not in text
    flooded = _table(_check(folder, "mounting.drainage_free=no"), "Checks")
    assert flooded[0][0] == "Drainage holes of the frames"
    assert flooded[0][-1] == "fail"


def test_remedies_name_each_missing_key_once(described: Report) -> None:
    """What is missing twice is asked for once."""
    lacking = [one for one in described.findings if one.check == "dc-cable-loss"]
    assert {one.remedy for one in lacking} == {"Describe weather.files."}
    for one in described.findings:
        keys = one.remedy.removeprefix("Describe ").removesuffix(".").split(", ")
        assert max(Counter(keys).values()) == 1


def test_several_subjects_share_their_words(described: Report) -> None:
    """What two string designs have in common is written once in the table."""
    rows = _table(described, "Checks")
    subjects = {row[1] for row in rows}
    assert "25 x quarry540 on string_inverter / central, class 545 W" in subjects
    assert not any("combiner box" in one for one in subjects)
    assert max(map(len, subjects)) < 60
