"""How long strings may be and how cold a site gets, as `check` tells and draws it."""

from __future__ import annotations

import functools
import shutil
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

from arraywright.design import Practice, evaluate_check
from arraywright.dossier.design_lengths import StringLengths
from arraywright.plant import Site
from arraywright.procedures.check import check
from arraywright.procedures.check_lengths import string_lengths
from arraywright.procedures.design_cases import DesignCases, design_cases
from arraywright.procedures.remember import Remembered
from arraywright.procedures.report import NO_PROGRESS, Report, ReportTable
from arraywright.readers.site import read_site
from tests.design.weather_cases import invented_years
from tests.dossier.making import text_of
from tests.house.sources_page import ROOT

CHECKED = ROOT / "docs" / "examples" / "checked-site"
VOLTAGE_CHECKS = (
    "string-voc-cold-module",
    "string-voc-cold-inverter",
    "string-voc-cold-place",
    "string-vmp-hot",
    "string-vmp-cold",
    "string-voc-start",
)
INVERTERS = ("string_inverter", "central")
REMEMBERED = Remembered()


def _now() -> datetime:
    return datetime(2026, 3, 2, 10, tzinfo=UTC)


def _site(**settings: object) -> Site:
    site = read_site(CHECKED, settings=settings).site
    assert site is not None
    return site


def _asked(site: Site, *, with_weather: bool) -> DesignCases:
    weather = invented_years(2001, 2001) if with_weather else None
    return design_cases(site, weather=weather, remembered=REMEMBERED)


def _lengths(site: Site, asked: DesignCases) -> list[StringLengths]:
    return list(
        string_lengths(
            site,
            asked.strings,
            practice=Practice.IEC,
            weather=asked.weather,
            remembered=REMEMBERED,
        )
    )


@functools.cache
def _example() -> tuple[Site, DesignCases, tuple[StringLengths, ...]]:
    site = _site(**{f"inverter_types.{key}.mppt_max_v": 1050 for key in INVERTERS})
    asked = _asked(site, with_weather=True)
    return site, asked, tuple(_lengths(site, asked))


def _folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(CHECKED, tmp_path / "site"))


@pytest.fixture(scope="module")
def described(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Report]:
    """Give the example as it is described, checked once, with its folder."""
    folder = _folder(tmp_path_factory.mktemp("described"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ARRAYWRIGHT_HOME", str(folder.parent / "home"))
        return folder, _without_weather(folder)


def _table(report: Report, title: str) -> ReportTable:
    return next(table for table in report.tables if table.title.startswith(title))


@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"site.design_min_air_temp_c": -44.5},
        {"inverter_types.central.mppt_max_v": 1190},
        {"inverter_types.string_inverter.start_voltage_v": 1043},
        {"design.end_of_life_voltage_ratio": 0.87},
        {"design.system_voltage_limit_v": 1000},
    ],
)
def test_allowed_lengths_are_those_at_which_every_check_holds(
    settings: Mapping[str, object],
) -> None:
    """Asking the checks themselves for every length gives the same range."""
    site = _site(**settings)
    asked = _asked(site, with_weather=False)
    for held in _lengths(site, asked):
        cases = [
            case
            for case in asked.each
            if case.check.key in VOLTAGE_CHECKS and f" {held.name}" in case.subject
        ]
        assert {case.check.key for case in cases} == set(VOLTAGE_CHECKS)
        modules = np.arange(1.0, 60.0)
        holds = np.ones(len(modules), dtype=bool)
        for case in cases:
            values = {name: np.asarray(value) for name, value in case.values.items()}
            holds &= evaluate_check(case.check, values | {"modules": modules}).margin >= 0.0
        assert modules[holds].tolist() == [
            float(one) for one in range(held.least, held.most + 1)
        ], settings


def test_voltages_drawn_are_those_of_the_checks() -> None:
    """The plot's voltage at the built length is the value its check tells."""
    _, asked, lengths = _example()
    for held in lengths:
        for key, module_v, worst in (
            ("string-voc-cold-module", held.voc_cold_v, max),
            ("string-vmp-cold", held.vmp_cold_v, max),
            ("string-vmp-hot", held.vmp_hot_v, min),
            ("string-voc-start", held.voc_hot_v, min),
        ):
            told = [
                float(
                    evaluate_check(
                        case.check,
                        {name: np.asarray(value) for name, value in case.values.items()},
                    ).value[0]
                )
                for case in asked.each
                if case.check.key == key and f" {held.name}" in case.subject
            ]
            assert held.built[0] * module_v == pytest.approx(worst(told), rel=1e-12)


def test_longer_strings_are_more_hours_above_and_fewer_below() -> None:
    """Hours above and over never fall with the length, hours below never rise; all within light."""
    _, _, lengths = _example()
    for held in lengths:
        hours = held.hours
        assert hours is not None
        assert hours.modules.tolist() == held.lengths.tolist()
        assert (np.diff(hours.above) >= 0.0).all()
        assert (np.diff(hours.over) >= 0.0).all()
        assert (np.diff(hours.below) <= 0.0).all()
        assert hours.above[-1] > 0.0
        assert hours.below[0] > 0.0
        assert max(hours.below.max(), hours.above.max()) <= hours.light < 4500.0


def test_of_several_planes_the_one_with_most_hours_counts() -> None:
    """Strings to the south and to the north have the greater hours of either."""
    site, asked, _ = _example()
    first = asked.strings[0]

    def hours_above(*azimuths: float) -> Any:
        designs = (replace(first, planes=tuple((60.0, one) for one in azimuths)),)
        (found,) = _lengths(site, replace(asked, strings=designs))
        assert found.hours is not None
        return found.hours.above

    south, north = hours_above(180.0), hours_above(0.0)
    assert not np.allclose(south, north)
    assert hours_above(180.0, 0.0) == pytest.approx(np.maximum(south, north))


def test_lengths_built_apart_from_what_is_allowed_are_shown_with_it() -> None:
    """The lengths looked at hold built and allowed ones, and neighbours of both."""
    site = _site(**{"layout.block.0.modules_per_string": 5})
    for held in _lengths(site, _asked(site, with_weather=False)):
        wanted = {*held.built, held.least, held.most}
        assert {near for one in wanted for near in (one - 1, one, one + 1)} <= set(
            held.lengths.tolist()
        )


def test_table_json_and_document_tell_the_same_lengths(described: tuple[Path, Report]) -> None:
    """Allowed range, built length and its neighbours stand in table, JSON and PDF."""
    folder, report = described
    table = _table(report, "Modules per string")
    listed = cast("list[dict[str, Any]]", report.result["string_lengths"])
    assert len(listed) == 2
    text = text_of((folder / "out" / "design-checks.pdf").read_bytes())
    for one in listed:
        rows = [row for row in table.rows if row[0] == one["of"]]
        assert [row[1] for row in rows] == ["24", "25, built", "26"]
        assert {row[2:4] for row in rows} == {(str(one["least"]), str(one["most"]))}
        assert f"Allowed are {one['least']} to {one['most']} modules per string" in text
        for length in one["lengths"]:
            assert length["allowed"] is (one["least"] <= length["modules"] <= one["most"])
            assert length["hours_above"] is None


def _without_weather(folder: Path) -> Report:
    return check(folder, now=_now, progress=NO_PROGRESS)


def test_without_weather_it_says_so_and_draws_no_extremes(described: tuple[Path, Report]) -> None:
    """Hours are dashes, and the described temperatures stand alone with their basis."""
    folder, report = described
    assert {cell for row in _table(report, "Modules per string").rows for cell in row[4:]} == {"–"}
    rows = _table(report, "Site extremes").rows
    assert [row[0] for row in rows] == [
        "Design minimum of the air",
        "Design maximum of the air",
        "Design maximum of the cells",
    ]
    assert rows[0][1:] == (
        "-20.0",
        "described: least and greatest hourly air temperature of 20 years, reanalysis",
    )
    extremes = cast("dict[str, Any]", report.result["site_extremes"])
    assert extremes["air"] is None
    text = text_of((folder / "out" / "design-checks.pdf").read_bytes())
    assert "No hourly weather is described" in text
    assert "would be outside the window is not known" in text


def test_a_limit_that_is_not_described_is_named(tmp_path: Path) -> None:
    """A range that leaves the code's limit out says that it does."""
    folder = _folder(tmp_path)
    path = folder / "site.toml"
    path.write_text(path.read_text().replace("system_voltage_limit_v = 1500\n", ""))
    report = _without_weather(folder)
    for one in cast("list[dict[str, Any]]", report.result["string_lengths"]):
        assert one["not_described"] == ["design.system_voltage_limit_v"]
    text = text_of((folder / "out" / "design-checks.pdf").read_bytes())
    assert "it is not described: design.system_voltage_limit_v" in text
