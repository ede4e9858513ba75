"""Which design checks are asked of a site, of what, and with which numbers."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from arraywright.design import Practice, Weather, check_design, evaluate_check
from arraywright.errors import InputFileError
from arraywright.findings import Verdict
from arraywright.plant import Site
from arraywright.procedures.design_cases import ALL_CHECKS, DesignCase, DesignCases, design_cases
from arraywright.procedures.design_inputs import WORKED_INPUTS
from arraywright.procedures.design_planes import few_planes, planes_of
from arraywright.readers import read_site
from tests.design.weather_cases import TMY3_FILE, invented_years

EXAMPLES = Path(__file__).parents[2] / "docs/examples"
CHECKED = EXAMPLES / "checked-site"
CLASS_VALUES = ("voc_v", "isc_a", "vmp_v", "imp_a")
TEXT = (CHECKED / "site.toml").read_text(encoding="utf-8")


def _site(folder: Path = CHECKED, **settings: object) -> Site:
    dotted = {key.replace("__", "."): value for key, value in settings.items()}
    reading = read_site(folder, settings=dotted)
    assert reading.site is not None, [f.message for f in reading.findings]
    return reading.site


def _written(folder: Path, text: str) -> Site:
    (folder / "site.toml").write_text(text, encoding="utf-8")
    return _site(folder)


def _weather(site: Site) -> Weather:
    return replace(
        invented_years(2010, 2011),
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
    )


def _of(found: DesignCases, key: str) -> list[DesignCase]:
    return [case for case in found.cases if case.check.key == key]


def _verdict(case: DesignCase, practice: Practice = Practice.IEC) -> Verdict:
    checked = check_design(case.check, subject=case.subject, practice=practice, values=case.values)
    return checked.finding.verdict


@pytest.mark.parametrize("practice", list(Practice))
def test_a_site_described_in_full_leaves_no_check_open(practice: Practice) -> None:
    """The example describes everything: every check of either practice can be worked out."""
    site = _site(design__practice=practice.value)
    found = design_cases(site, weather=_weather(site))
    open_ = [case.check.key for case in found.cases if _verdict(case, practice) == "not_assessable"]
    assert open_ == []
    asked = {case.check.key for case in found.cases}
    assert asked == {check.key for check in ALL_CHECKS if practice in check.basis}
    assert found.runs is not None
    assert found.year is not None


def test_the_example_passes_by_its_own_practice() -> None:
    """The invented field is built as the checks would have it, so that it may be started from."""
    site = _site()
    found = design_cases(site, weather=_weather(site))
    assert [
        (case.check.key, case.subject) for case in found.cases if _verdict(case) == "fail"
    ] == []


def test_without_a_practice_nothing_is_asked_and_the_key_is_named() -> None:
    """A site that does not say by which standards it is built passes no check by silence."""
    found = design_cases(_site(EXAMPLES / "small-site"))
    assert found.cases == ()
    (finding,) = found.findings
    assert finding.verdict is Verdict.NOT_ASSESSABLE
    assert "design.practice" in finding.message


def test_without_weather_what_rests_on_it_is_not_assessable() -> None:
    """Missing weather is never a pass."""
    found = design_cases(_site())
    open_ = {case.check.key for case in found.cases if _verdict(case) is Verdict.NOT_ASSESSABLE}
    assert open_ == {
        "design-min-air-temp",
        "design-max-air-temp",
        "dc-cable-loss",
        "shade-loss",
        "yield-clipping",
        "yield-promised",
    }


def test_weather_files_lie_in_the_site_folder(tmp_path: Path) -> None:
    """The files a description names are read, and a typical year gives no design minimum."""
    (tmp_path / "typical.csv").write_bytes(TMY3_FILE.read_bytes())
    text = TEXT.replace("latitude_deg = 46.9", "latitude_deg = 36.1")
    text = text.replace("longitude_deg = 14.3", "longitude_deg = -79.95")
    text = text.replace('"Etc/GMT-1"', '"Etc/GMT+5"').replace(
        "elevation_m = 480", "elevation_m = 273"
    )
    text += '\n[weather]\nfiles = ["typical.csv"]\n'
    found = design_cases(_written(tmp_path, text), folder=tmp_path)
    open_ = [case.check.key for case in found.cases if _verdict(case) is Verdict.NOT_ASSESSABLE]
    assert open_ == ["design-min-air-temp"]
    assert "weather-typical-year" in {finding.check for finding in found.findings}
    assert found.year is not None
    # GHI of 1566 kWh/m2 in this file, a tilt of 25 deg and losses as stated: common practice.
    assert 1000.0 < found.year.specific_yield_kwh_kw < 1700.0
    (tmp_path / "typical.csv").unlink()
    with pytest.raises(InputFileError):
        design_cases(_site(tmp_path), folder=tmp_path)


def test_half_a_year_of_weather_is_no_year() -> None:
    """Weather with months missing stops nothing else, and no yearly figure is made of it."""
    site = _site()
    whole = _weather(site)
    use = slice(0, 4000)
    half = replace(
        whole,
        time=whole.time[use],
        ghi_w_m2=whole.ghi_w_m2[use],
        dni_w_m2=whole.dni_w_m2[use],
        dhi_w_m2=whole.dhi_w_m2[use],
        air_temp_c=whole.air_temp_c[use],
        wind_m_s=whole.wind_m_s[use],
    )
    found = design_cases(site, weather=half)
    assert "weather-year" in {finding.check for finding in found.findings}
    assert found.year is None
    for key in ("dc-cable-loss", "shade-loss", "yield-clipping"):
        assert _verdict(_of(found, key)[0]) is Verdict.NOT_ASSESSABLE
    assert _verdict(_of(found, "string-voc-cold-module")[0]) is Verdict.PASS


def test_losses_that_are_not_stated_keep_the_yield_open() -> None:
    """No loss of the yield is guessed."""
    site = _site()
    held = dict(site.design.values)
    del held["yield.soiling_ratio"], held["inverter_types.central.efficiency_ratio"]
    site = replace(site, design=replace(site.design, values=held))
    found = design_cases(site, weather=_weather(site))
    (finding,) = [one for one in found.findings if one.check == "yield-not-described"]
    assert "yield.soiling_ratio" in finding.message
    assert "inverter_types.central.efficiency_ratio" in finding.message
    assert _verdict(_of(found, "yield-promised")[0]) is Verdict.NOT_ASSESSABLE


def test_tables_that_follow_the_ground_are_told_in_whole_degrees() -> None:
    """A hundred directions of a degree or two are a few planes, not a hundred reports."""
    site = _site()
    tilts = np.linspace(20.0, 22.0, site.structures.height)
    rolling = pl.concat([site.structures] * 4).with_columns(
        pl.Series("tilt_deg", np.linspace(20.0, 22.0, 4 * site.structures.height))
    )
    assert few_planes(rolling)["tilt_deg"].unique().sort().to_list() == [20.0, 21.0, 22.0]
    few = site.structures.with_columns(pl.Series("tilt_deg", tilts))
    assert few_planes(few)["tilt_deg"].to_list() == tilts.tolist()


def test_a_site_that_says_only_its_practice_is_told_what_to_describe() -> None:
    """Checks that lack something name keys; those that lack nothing are worked out."""
    found = design_cases(_site(EXAMPLES / "small-site", design__practice="iec"))
    verdicts = {case.check.key: _verdict(case) for case in found.cases}
    # 20 x 39.6 V x (1 + 0.0025 x 43) = 877 V, below the 1100 V of the inverter.
    assert verdicts["string-voc-cold-inverter"] is Verdict.PASS
    assert verdicts["string-cable-ampacity"] is Verdict.NOT_ASSESSABLE
    assert verdicts["drainage-free"] is Verdict.NOT_ASSESSABLE
    # One row of tables, no boxes, no limits of mass: these are not asked.
    for key in ("row-pitch", "shade-loss", "combiner-current", "array-cable-ampacity"):
        assert key not in verdicts
    for key in ("table-mass", "table-weight-area", "yield-promised"):
        assert key not in verdicts


def test_numbers_come_from_the_layout_and_the_data_sheet() -> None:
    """Inputs of a check are those of the strings as they are laid out, counted by hand."""
    found = design_cases(_site())
    # Block A: three rows of two tables of two rows of 25, strings of 25: twelve on six inputs.
    # Block B: six such rows, 24 strings on one input in two boxes of twelve.
    strings = {case.values["strings"] for case in _of(found, "input-operating-current")}
    assert strings == {2.0, 24.0}
    (box,) = _of(found, "combiner-current")
    assert box.values["strings_in_box"] == 12.0
    assert box.keys["strings_in_box"] == "layout.block.1.strings_per_combiner_box"
    # By the nominal temperature: 36 + (44 - 20) 1000/800 = 66 degC.
    hot = _of(found, "string-vmp-hot")[0]
    assert hot.values["max_cell_temp_c"] == pytest.approx(66.0)
    assert "max_cell_temp_c" not in hot.keys
    # Tables of 50 modules of 28.6 kg.
    (mass,) = _of(found, "table-mass")
    assert (mass.values["modules"], mass.values["module_mass_kg"]) == (50.0, 28.6)
    # Two modules of 2278 mm upright with 20 mm between them.
    (pitch,) = _of(found, "row-pitch")
    assert pitch.values["slope_length_m"] == pytest.approx(4.576)
    # Terrain II of EN 1991-1-4 table 4.1: z0 = 0.05 m, zmin = 2 m; snow with wind 0.5 to 1000 m.
    (down,) = _of(found, "module-load-down")
    assert (down.values["roughness_length_m"], down.values["least_height_m"]) == (0.05, 2.0)
    assert down.values["snow_with_wind_ratio"] == 0.5
    assert down.values["test_down_pa"] == 5400.0
    # 3 % of the voltage, in per cent; the longest gap lies across the long side.
    assert _of(found, "dc-voltage-drop")[0].values["drop_limit_percent"] == pytest.approx(3.0)
    assert _of(found, "module-gap")[0].values["side_mm"] == 2278.0
    # Plant on open ground, IEC 60364-7-712: L_crit = 200/Ng.
    (route,) = _of(found, "surge-route-length")
    assert route.values["installation_constant"] == 200.0


def test_cable_lengths_are_those_of_the_string_with_the_greatest_drop() -> None:
    """The longest way on the plan counts, both poles, by hand from the coordinates."""
    site = _site()
    found = design_cases(site)
    alone, boxed = _of(found, "dc-voltage-drop")
    assert alone.values["array_length_m"] == 0.0

    def length_m(x: float, y: float, to: tuple[float, float]) -> float:
        way = abs(x - to[0]) + abs(y - to[1])
        return float(np.ceil((way * 1.05 + 2.0) * 10.0 - 1e-6) / 10.0)

    places = {"A-I01": (30.0, -10.0), "B-B01": (62.0, -75.0), "B-B02": (62.0, -110.0)}
    # From the boxes to the inverter, both poles: 3 m and 15 m, 3 m and 20 m on the plan.
    behind = {"A-I01": 0.0, "B-B01": 2 * 20.9, "B-B02": 2 * 26.2}
    ends = site.positions.filter(pl.col("place_in_string").is_in([1, 25]))
    worst = {"A": (0.0, 0.0, 0.0), "B": (0.0, 0.0, 0.0)}
    for row in site.strings.iter_rows(named=True):
        to = row["combiner_box"] or row["inverter"]
        poles = ends.filter(pl.col("string") == row["string"]).select("x_m", "y_m").rows()
        own = sum(length_m(x, y, places[to]) for x, y in poles)
        # Aluminium has 1.6 times the resistance of copper; twelve strings share the box.
        drop = own / 6.0 + 12.0 * behind[to] * 1.6 / 240.0
        worst[row["string"][0]] = max(worst[row["string"][0]], (drop, own, behind[to]))
    assert alone.values["string_length_m"] == pytest.approx(worst["A"][1])
    assert boxed.values["string_length_m"] == pytest.approx(worst["B"][1])
    assert boxed.values["array_length_m"] == pytest.approx(worst["B"][2])


def test_described_lengths_go_before_those_of_the_layout() -> None:
    """Who has measured the longest cable is believed."""
    found = design_cases(_site(cables__string__length_m=90, design__dc_route_length_m=75))
    for case in _of(found, "dc-voltage-drop"):
        assert case.values["string_length_m"] == 90.0
        assert case.keys["string_length_m"] == "cables.string.length_m"
    assert _of(found, "surge-route-length")[0].values["dc_route_length_m"] == 75.0


def test_what_is_not_fitted_is_not_asked() -> None:
    """Zero for a fuse, a device or a surge protector says that there is none."""
    found = design_cases(
        _site(
            design__practice="nec",
            design__string_fuse_a=0,
            design__array_device_a=0,
            design__surge_devices_fitted=False,
        )
    )
    asked = {case.check.key for case in found.cases}
    for key in ("string-fuse-least", "string-fuse-most", "string-fuse-voltage", "surge-voltage"):
        assert key not in asked
    assert not {"string-cable-protection", "array-cable-protection"} & asked
    assert {"string-reverse-current", "array-cable-ampacity"} <= asked


@pytest.mark.parametrize("practice", list(Practice))
def test_of_several_power_classes_the_worst_counts(practice: Practice) -> None:
    """No class alone has a smaller margin than the case that stands for all."""
    site = _site(design__practice=practice.value)
    whole = [
        case
        for case in design_cases(site).cases
        if all(value is not None for value in case.values.values())
    ]
    (key,) = site.module_types
    module_type = site.module_types[key]
    compared = 0
    for number, power_class in enumerate(module_type.power_classes):
        alone = replace(
            site,
            module_types={key: replace(module_type, power_classes=(power_class,))},
            design=replace(site.design, class_keys={key: (site.design.class_keys[key][number],)}),
        )
        for case in design_cases(alone).cases:
            apart = {n: v for n, v in case.values.items() if n not in CLASS_VALUES}
            same = [
                _margin(one)
                for one in whole
                if one.check is case.check and all(one.values[n] == v for n, v in apart.items())
            ]
            if len(apart) < len(case.values) and same:
                assert _margin(case) >= min(same) - 1e-9, case.check.key
                compared += 1
    assert compared > 40


def _margin(case: DesignCase) -> float:
    values = {name: np.asarray(value) for name, value in case.values.items() if value is not None}
    outcome = evaluate_check(case.check, values)
    return float(outcome.margin[0] / max(abs(outcome.limit[0]), 1e-12))


def test_every_key_of_a_case_is_where_its_number_comes_from() -> None:
    """Another value at the key is the value the check then reckons with, so a sweep is true."""
    site = _site()
    found = design_cases(site)
    keys: dict[str, float] = {}
    for case in found.each:
        for name, key in case.keys.items():
            value = case.values[name]
            assert value is not None
            assert keys.setdefault(key, value) == value, key
    assert {"layout.block.0.pitch_m", "layout.block.1.pitch_m"} <= set(keys)
    left_out = set()
    for key, value in keys.items():
        for other in (value * 1.002, value * 0.998, value + 1.0, value - 1.0, 1.0 - value):
            number = int(other) if other == int(other) else other
            reading = read_site(CHECKED, settings={key: number})
            if reading.site is not None and other != value:
                break
        else:
            left_out.add(key)
            continue
        changed = design_cases(reading.site)
        now = {
            case.values[name]
            for case in changed.each
            for name, held in case.keys.items()
            if held == key
        }
        assert now in ({float(number)}, set()), key
        if not now:
            left_out.add(key)
    # Counts of the layout cannot be changed one by one: strings would no longer fit the tables.
    assert all(key.startswith("layout.block.") for key in left_out), left_out


def test_tables_give_the_planes_that_blocks_give(tmp_path: Path) -> None:
    """Rows, pitch, slope and gap worked out from coordinates are those of the block itself."""
    site = _site()
    for name in ("structures", "positions", "strings"):
        frame = getattr(site, name).drop("source_file", "source_row")
        frame.write_csv(tmp_path / f"{name}.csv")
    start, end = TEXT.index("[[layout.block]]"), TEXT.index("[design]")
    tables = (
        '[layout]\nstructures = "structures.csv"\npositions = "positions.csv"\n'
        'strings = "strings.csv"\n\n'
    )
    from_tables = _written(tmp_path, TEXT[:start] + tables + TEXT[end:])
    (plane,) = planes_of(from_tables)
    for block in planes_of(site):
        assert (plane.rows, plane.columns, plane.upright) == (2, 25, True)
        assert (plane.several_rows, plane.along_rows) == (True, True)
        assert plane.slope_length_m == pytest.approx(block.slope_length_m, abs=0.003)
        assert plane.module_gap_mm == pytest.approx(block.module_gap_mm, abs=2.0)
        assert (plane.tilt_deg, plane.azimuth_deg) == (block.tilt_deg, block.azimuth_deg)
    # Blocks A and B overlap across the rows: the least step of the two counts, at most the pitch.
    assert plane.pitch_m is not None
    assert plane.pitch_m <= 13.0 + 1e-9
    found = design_cases(from_tables)
    assert all(not key.startswith("layout") for case in found.cases for key in case.keys.values())
    assert {case.check.key for case in found.cases} == {
        case.check.key for case in design_cases(site).cases
    }


def test_a_landscape_table_is_seen_in_coordinates(tmp_path: Path) -> None:
    """Modules that lie are told from modules that stand."""
    text = TEXT.replace("tilt_deg = 25\n", 'tilt_deg = 25\norientation = "landscape"\n')
    text = text.replace("y_m = -60", "y_m = -200")
    site = _written(tmp_path, text)
    lying = planes_of(site)[0]
    assert lying.slope_length_m == pytest.approx(2.288)
    for name in ("structures", "positions", "strings"):
        frame = getattr(site, name).drop("source_file", "source_row")
        frame.write_csv(tmp_path / f"{name}.csv")
    start, end = text.index("[[layout.block]]"), text.index("[design]")
    tables = '[layout]\nstructures = "structures.csv"\npositions = "positions.csv"\n'
    tables += 'strings = "strings.csv"\n\n'
    (plane,) = planes_of(_written(tmp_path, text[:start] + tables + text[end:]))
    assert plane.upright is False
    assert plane.slope_length_m == pytest.approx(2.288, abs=0.003)
    assert plane.pitch_m == pytest.approx(13.0, abs=0.06)


def test_every_worked_input_belongs_to_a_check() -> None:
    """No rule for an input outlives the check that asked for it."""
    names = {one.name for check in ALL_CHECKS for one in check.inputs}
    assert set(WORKED_INPUTS) <= names


def test_a_name_without_coordinates_is_told(tmp_path: Path) -> None:
    """An inverter nobody placed keeps its cables without length, and a finding says so."""
    text = TEXT.replace('name = "B-B02"\nx_m = 62', 'name = "B-B03"\nx_m = 62')
    found = design_cases(_written(tmp_path, text))
    assert [f.subject for f in found.findings] == ["B-B02"]
    assert [case.values["string_length_m"] is None for case in _of(found, "dc-voltage-drop")] == [
        False,
        True,
    ]
    assert _of(found, "surge-route-length")[0].values["dc_route_length_m"] is None
    lead = design_cases(_written(tmp_path, TEXT.replace("module_lead_m = 1.4\n", "")))
    assert "cables.module_lead_m" in lead.findings[0].message
    assert _verdict(_of(lead, "dc-voltage-drop")[0]) is Verdict.NOT_ASSESSABLE


def test_seventy_thousand_strings_are_seconds(tmp_path: Path) -> None:
    """A park of a gigawatt is checked while one waits."""
    text = TEXT.replace("rows_of_tables = 3", "rows_of_tables = 1750")
    text = text.replace("tables_per_row = 2", "tables_per_row = 20", 1)
    text = text.replace("y_m = -60", "y_m = -60000").replace(
        "[[cables.destinations]]",
        "\n".join(
            f'[[cables.destinations]]\nname = "A-I{number:04d}"\nx_m = 250\ny_m = {-4 * number}\n'
            for number in range(2, 5835)
        )
        + "[[cables.destinations]]",
        1,
    )
    site = _written(tmp_path, text.replace('"A-I01"', '"A-I0001"'))
    assert site.strings.height > 70_000
    begin = time.perf_counter()
    found = design_cases(site)
    assert time.perf_counter() - begin < 10.0
    assert found.findings == ()
    assert len(found.cases) < 100
    assert _of(found, "dc-voltage-drop")[0].values["string_length_m"] is not None
