"""Descriptions read into sites; what is wrong in them found, all at once, with its line."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from arraywright.errors import ArraywrightError, InputFileError
from arraywright.findings import Finding, Verdict
from arraywright.plant import Commissioning, Site, check_site
from arraywright.readers import SiteReading, read_site
from tests.published_values import published

ROOT = Path(__file__).parents[2]
SMALL = (ROOT / "docs/examples/small-site/site.toml").read_text(encoding="utf-8")
_FENCE = re.search(
    r"```toml\n(.*?)```", (ROOT / "docs/site-folder.md").read_text(encoding="utf-8"), re.DOTALL
)
assert _FENCE is not None
LARGE = _FENCE.group(1)
WITH_TABLES = SMALL.replace(
    "[[layout.block]]",
    '[layout]\nstructures = "a.csv"\npositions = "b.csv"\nstrings = "c.csv"\n[[layout.block]]',
)

Read = Callable[[str], SiteReading]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Give a function that reads a description from its text."""

    def of(text: str) -> SiteReading:
        (tmp_path / "site.toml").write_text(text, encoding="utf-8")
        return read_site(tmp_path)

    return of


def _site(reading: SiteReading) -> Site:
    assert reading.site is not None, [str(f.place) + f.message for f in _bad(reading)]
    return reading.site


def _bad(reading: SiteReading) -> list[Finding]:
    return [f for f in reading.findings if f.verdict is not Verdict.PASS]


def _changed(text: str, old: str, new: str) -> str:
    assert text.count(old) >= 1, old
    return text.replace(old, new, 1)


def test_the_examples_are_read_without_a_complaint(read: Read) -> None:
    """Whoever starts from an example starts from a description that is right."""
    for text, modules in ((SMALL, 40), (LARGE, 4200)):
        reading = read(text)
        site = _site(reading)
        assert _bad(reading) == []
        assert site.positions.height == modules
        assert check_site(site)[0].verdict is Verdict.PASS


def test_values_arrive_where_they_belong(read: Read) -> None:
    """Numbers, texts and classes of the description stand in the site."""
    site = _site(read(LARGE))
    assert (site.name, site.latitude_deg, site.time_zone) == ("Long Meadow", -31.62, "Etc/GMT-2")
    ridge = site.module_types["ridge"]
    assert ridge.names == ("RIDGE-72", "Ridge 72 HC")
    assert [c.power_w for c in ridge.power_classes] == [545.0, 550.0]
    # The first class ends where the second begins; the second ends where the file says.
    assert [(c.pmax_min_w, c.pmax_max_w) for c in ridge.power_classes] == [
        (545.0, 550.0),
        (550.0, 555.5),
    ]
    assert [c.name for c in ridge.current_classes] == ["L", "M", "H"]
    assert ridge.torque_max_nm == 22.0
    assert site.inverter_types["field"].ac_power_w == 350_000.0
    assert site.spares[0].modules == 12
    assert site.commissioning.irradiance_min_w_m2 == 500.0
    assert site.module_type_key(" ridge 72 hc ") == "ridge"


def test_inputs_are_named_with_their_hash(read: Read) -> None:
    """The dossier can prove which description was read."""
    expected = hashlib.sha256(SMALL.encode()).hexdigest()
    assert read(SMALL).inputs == (("site.toml", expected),)


@pytest.mark.parametrize(
    ("key", "written", "per_k"),
    [
        # kind independent: division by the STC value by hand, Voc 39.6 V, Isc 14.02 A, 440 W.
        ("beta_voc_per_k", '"-0.25 %/K"', -0.0025),
        ("beta_voc_per_k", '"-0,25 %/°C"', -0.0025),
        ("beta_voc_per_k", '"-99 mV/K"', -0.0025),
        ("beta_voc_per_k", '"-0.099 V/degC"', -0.0025),
        ("beta_voc_per_k", "-0.0025", -0.0025),
        ("alpha_isc_per_k", '"7.01 mA/K"', 0.0005),
        ("alpha_isc_per_k", '"+500 ppm/K"', 0.0005),
        ("gamma_pmax_per_k", '"-1.32 W/K"', -0.003),
        ("gamma_pmax_per_k", '"\u22120.30 % / K"', -0.003),
    ],
)
def test_coefficients_are_read_in_any_unit_of_data_sheets(
    read: Read, key: str, written: str, per_k: float
) -> None:
    """Per cent, absolute and plain coefficients come out relative per kelvin."""
    text = re.sub(rf"{key} = .*", lambda _: f"{key} = {written}", SMALL)
    module_type = _site(read(text)).module_types["mill440"]
    assert getattr(module_type, key) == pytest.approx(per_k, rel=1e-12)


def test_defaults_of_common_practice_are_applied_and_listed(read: Read) -> None:
    """A silent description gets the usual torque, range and stacks, and says so quietly."""
    reading = read(SMALL)
    mill = _site(reading).module_types["mill440"]
    usual = published("common-practice-site")["expected"]
    assert {name: getattr(mill, name) for name in usual} == usual
    noted = {f.subject: f for f in reading.findings if f.check == "site-default"}
    torque = noted["module_types.mill440.torque_min_nm"]
    assert (torque.verdict, torque.value, torque.unit) == (Verdict.PASS, 18.0, "N.m")
    assert torque.basis == "common-practice"
    assert "commissioning.irradiance_min_w_m2" in noted


def test_a_value_that_is_given_is_not_listed_as_a_default(read: Read) -> None:
    """Only what the program chose itself is listed."""
    text = _changed(SMALL, "mass_kg = 21.5", "mass_kg = 21.5\ntorque_min_nm = 12")
    noted = [f.subject for f in read(text).findings if f.check == "site-default"]
    assert "module_types.mill440.torque_min_nm" not in noted
    assert "module_types.mill440.torque_max_nm" in noted


def test_without_a_section_the_tests_are_asked_as_the_room_says(read: Read) -> None:
    """Defaults written down for people and defaults of the program are the same."""
    assert _site(read(SMALL)).commissioning == Commissioning()


MISTAKES = [
    ("voc_v = 39.6", "vco_v = 39.6", "site-unknown-key", "vco_v"),
    ("voc_v = 39.6", 'voc_v = "39.6 V"', "site-value", "voc_v"),
    ("voc_v = 39.6", "voc_v = true", "site-value", "voc_v"),
    ("voc_v = 39.6", "voc_v = nan", "site-value", "voc_v"),
    ("voc_v = 39.6", "voc_v = 3960", "site-value", "voc_v"),
    ("voc_v = 39.6", "voc_v = 33.0", "site-order", "vmp_v"),
    ("isc_a = 14.02", "isc_a = 13.2", "site-order", "imp_a"),
    ("power_w = 440", "power_w = 450", "site-power", "power_w"),
    ("power_w = 440", "power_w = 440\npmax_max_w = 440", "site-class-range", "power_w"),
    ("cells_in_series = 54", "cells_in_series = 54.5", "site-value", "cells_in_series"),
    ("cells_in_series = 54", "cells_in_series = 2", "site-substrings", "bypass_substrings"),
    ('"-0.25 %/K"', '"0.25 %/K"', "site-value", "beta_voc_per_k"),
    ('"-0.25 %/K"', "-0.25", "site-value", "beta_voc_per_k"),
    ('"-0.25 %/K"', '"-99 mA/K"', "site-value", "beta_voc_per_k"),
    ('"-0.25 %/K"', '"-0.25 %/h"', "site-value", "beta_voc_per_k"),
    ("length_mm = 1762", "length_mm = 1000", "site-order", "width_mm"),
    ("mass_kg = 21.5", "mass_kg = 21500", "site-value", "mass_kg"),
    ("mass_kg = 21.5", "mass_kg = 21.5\ntorque_min_nm = 30", "site-order", "torque_min_nm"),
    ("mass_kg = 21.5", "mass_kg = 21.5\nvoc_tolerance_ratio = 3", "site-value", "voc_tolerance"),
    ("series_fuse_a = 25", "series_fuse_a = 10", "site-series-fuse", "series_fuse_a"),
    (
        "max_system_voltage_v = 1500",
        "max_system_voltage_v = 30",
        "site-system-voltage",
        "max_system_voltage_v",
    ),
    ('"MY[0-9]{10}"', '"MY[0-9{10}"', "site-pattern", "serial_pattern"),
    ('"MY[0-9]{10}"', '"a{99999999999}"', "site-pattern", "serial_pattern"),
    ('["MILL 440", "MY-440-H"]', '"MILL 440"', "site-value", "names"),
    ("latitude_deg = 47.3", "latitude_deg = 147.3", "site-value", "latitude_deg"),
    ("Etc/GMT-1", "Etc/GMT-25", "site-time-zone", "time_zone"),
    ("Etc/GMT-1", "../../etc/passwd", "site-time-zone", "time_zone"),
    (
        "design_min_air_temp_c = -18",
        "design_min_air_temp_c = 38",
        "site-order",
        "design_min_air_temp_c",
    ),
    ('name = "Carport at the mill yard"', 'name = ""', "site-value", "name"),
    ('name = "Carport at the mill yard"', 'name = "a\\u001bb"', "site-value", "name"),
    ("mppt_min_v = 160", "mppt_min_v = 1050", "site-order", "mppt_min_v"),
    ("mppt_max_v = 1000", "mppt_max_v = 1200", "site-order", "mppt_max_v"),
    ("input_max_isc_a = 24", "input_max_isc_a = 12", "site-order", "input_max_current_a"),
    ('module_type = "mill440"', 'module_type = "mill404"', "site-module-type-unknown", "module_t"),
    ('"two_inputs"\nrows', '"tow_inputs"\nrows', "site-inverter-type-unknown", "inverter_type"),
    ('"leapfrog"', '"leap-frog"', "site-value", "string_pattern"),
    ("modules_per_string = 20", "modules_per_string = 9", "layout-string-fits", "modules_per"),
    ("inputs_per_inverter = 2", "inputs_per_inverter = 3", "layout-inputs-per-inverter", "inputs"),
    ("\nstrings_per_input = 1\ni", "\nstrings_per_input = 2\ni", "layout-strings-per", "strings_p"),
    ("rows_of_tables = 1", "rows_of_tables = 2", "layout-pitch", "[layout.block]"),
    ("modules = 2", "modules = 2\npower_class_w = 450", "site-spare-class", "power_class_w"),
    ("modules = 2", 'modules = 2\ncurrent_class = "H"', "site-spare-class", "current_class"),
    ("modules = 2", "modules = -2", "site-value", "modules"),
]


@pytest.mark.parametrize(("old", "new", "check", "on_line"), MISTAKES)
def test_a_mistake_is_found_on_its_line(
    read: Read, old: str, new: str, check: str, on_line: str
) -> None:
    """Each mistake alone fails with file, line, key, found, required and a remedy."""
    text = _changed(SMALL, old, new)
    reading = read(text)
    assert reading.site is None
    failing = [f for f in reading.findings if f.verdict is Verdict.FAIL]
    # A key misspelt is a missing key as well; nothing else may follow from one mistake.
    (finding,) = [f for f in failing if f.check != "site-missing-key"]
    assert finding.check.startswith(check)
    assert finding.place is not None
    assert finding.place.file == "site.toml"
    assert on_line in text.splitlines()[finding.place.row - 1]
    assert finding.place.key
    assert finding.found
    assert finding.required
    assert finding.remedy


@pytest.mark.parametrize(
    ("old", "new", "check"),
    [
        ("cells_in_series = 54", "cells_in_series = 108", "site-cell-voltage"),
        ("bypass_substrings = 3", "bypass_substrings = 4", "site-substrings"),
        ("longitude_deg = 11.2", "longitude_deg = -111.2", "site-longitude"),
        (
            "power_w = 440\nvoc_v = 39.6\nisc_a = 14.02\nvmp_v = 33.2\nimp_a = 13.26",
            "power_w = 240\nvoc_v = 39.6\nisc_a = 14.02\nvmp_v = 24\nimp_a = 10",
            "site-fill-factor",
        ),
    ],
)
def test_what_is_unusual_is_to_be_looked_at(read: Read, old: str, new: str, check: str) -> None:
    """Values that can be true but rarely are do not stop the work."""
    reading = read(_changed(SMALL, old, new))
    assert [(f.check, f.verdict) for f in _bad(reading)] == [(check, Verdict.REVIEW)]
    assert reading.site is not None


def test_every_mistake_is_reported_at_once(read: Read) -> None:
    """Ten mistakes in one file are ten findings after one reading."""
    text = SMALL
    for old, new in (
        ("latitude_deg = 47.3", "latitude_deg = 147.3"),
        ("Etc/GMT-1", "Etc/GTM-1"),
        ("voc_v = 39.6", "voc = 39.6"),
        ('"-0.25 %/K"', '"0.25 %/K"'),
        ("mass_kg = 21.5", 'mass_kg = "heavy"'),
        ("mppt_min_v = 160", "mppt_min_v = 1050"),
        ("string_pattern = ", "stringpattern = "),
        ("modules = 2", "modules = -2"),
        ("[[spares]]", "[commissioning]\ntolerance_ratio = 5\n[[spares]]"),
    ):
        text = _changed(text, old, new)
    found = _bad(read(text))
    rows = [f.place.row for f in found if f.place is not None]
    assert rows == sorted(rows)
    keys = {f.place.key for f in found if f.place is not None}
    assert keys == {
        "site.latitude_deg",
        "site.time_zone",
        "module_types.mill440.voc",
        "module_types.mill440.voc_v",
        "module_types.mill440.beta_voc_per_k",
        "module_types.mill440.mass_kg",
        "inverter_types.two_inputs.mppt_min_v",
        "layout.block[1].stringpattern",
        "spares[1].modules",
        "commissioning.tolerance_ratio",
    }


@pytest.mark.parametrize(
    ("old", "wrong", "near"),
    [
        ("voc_v =", "Voc_V =", "voc_v"),
        ("voc_v =", "voc =", "voc_v"),
        ("length_mm =", "length_m =", "length_mm"),
        ("[site]", "[sites]", "site"),
        ("elevation_m =", "elevaton_m =", "elevation_m"),
    ],
)
def test_an_unknown_key_names_the_nearest_known_one(
    read: Read, old: str, wrong: str, near: str
) -> None:
    """A slip of the finger is answered with the key that was meant."""
    found = [f for f in read(_changed(SMALL, old, wrong)).findings if f.check == "site-unknown-key"]
    assert [f.required for f in found] == [near]
    assert f"Did you mean {near}?" in found[0].remedy


def test_a_missing_key_is_named_with_its_unit(read: Read) -> None:
    """Who forgot a value is told what is missing, in which unit, and where to write it."""
    found = _bad(read(_changed(SMALL, "nmot_c = 43\n", "")))
    assert [f.check for f in found] == ["site-missing-key"]
    assert "[degC]" in found[0].required
    assert "[module_types.mill440]" in found[0].remedy


@pytest.mark.parametrize("section", ["site", "module_types", "inverter_types", "layout"])
def test_a_missing_section_is_named(read: Read, section: str) -> None:
    """Nothing is taken for granted: a description without a section says which."""
    parts = re.split(r"\n(?=\[)", SMALL)
    text = "\n".join(p for p in parts if not re.search(rf"^\[\[?{section}\b", p, re.MULTILINE))
    assert text != SMALL
    checks = {(f.check, f.subject) for f in _bad(read(text))}
    assert ("site-missing-section", section) in checks


@pytest.mark.parametrize(
    "text",
    [
        "site = 3",
        "site = [1, 2]",
        "module_types = []",
        "module_types = 'x'",
        "layout = 3",
        "[layout]\nblock = 3",
        "[layout]\nblock = [3]",
        "[layout]",
        "spares = {}",
        "commissioning = 1",
        "[module_types]\nnorth = 4",
        "[module_types.north]\npower_classes = 4",
        "[module_types.north]\npower_classes = []",
        "[module_types.north]\ncurrent_classes = {a = 1}",
        "[inverter_types]\n'' = {}",
        "",
    ],
)
def test_sections_of_the_wrong_shape_are_findings(read: Read, text: str) -> None:
    """A number where a table belongs is answered, never a crash."""
    reading = read(text)
    assert reading.site is None
    assert all(f.remedy and f.place for f in _bad(reading))


def test_classes_that_overlap_or_fall_are_refused(read: Read) -> None:
    """Power and current classes rise and do not overlap, so that a module has one class."""
    text = _changed(LARGE, "imp_min_a = 13.05", "imp_min_a = 13.00")
    text = _changed(text, "power_w = 545\n", "power_w = 545\npmax_max_w = 551\n")
    found = {f.place.key: f.check for f in _bad(read(text)) if f.place}
    assert found == {
        "module_types.ridge.current_classes[2].imp_min_a": "site-class-order",
        "module_types.ridge.power_classes[2].power_w": "site-class-order",
    }


def test_one_name_stands_for_one_type(read: Read) -> None:
    """A spelling that two types share could put a module in the wrong one."""
    start = SMALL.index("[module_types.mill440]")
    end = SMALL.index("[inverter_types")
    twin = SMALL[start:end].replace("mill440", "mill440b")
    found = _bad(read(SMALL + "\n" + twin))
    assert {f.check for f in found} == {"site-type-name"}


def test_blocks_that_lie_on_each_other_are_found(read: Read) -> None:
    """Two blocks with one corner would put two modules in one place."""
    block = SMALL[SMALL.index("[[layout.block]]") : SMALL.index("[[spares]]")]
    text = SMALL + "\n" + block.replace('"C"', '"D"')
    found = _bad(read(text))
    assert {f.check for f in found} == {"layout-coordinates-doubled"}
    assert len(found) == 40


@pytest.mark.parametrize(
    ("text", "row", "column"),
    [
        ("[site]\nname = \n", 2, "8"),
        ("[site]\nname = 'a'\nname = 'b'\n", 3, ""),
        ("[site\n", 1, ""),
        ("a = [\n", 2, ""),
    ],
)
def test_text_that_is_not_toml_names_line_and_column(
    read: Read, text: str, row: int, column: str
) -> None:
    """A syntax error is one finding at its place."""
    (finding,) = read(text).findings
    assert finding.check == "site-syntax"
    assert finding.place is not None
    assert finding.place.row == row
    assert column in finding.place.column


def test_a_text_nested_without_end_is_a_finding(read: Read) -> None:
    """Rubbish cannot exhaust the reader."""
    assert read("a = " + "[" * 100_000).findings[0].check == "site-syntax"


def test_a_byte_order_mark_and_windows_line_ends_are_taken(tmp_path: Path) -> None:
    """Files saved by common editors are read as they are."""
    raw = b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode()
    (tmp_path / "site.toml").write_bytes(raw)
    assert read_site(tmp_path).site is not None


def test_what_is_no_site_folder_is_an_input_error(tmp_path: Path) -> None:
    """A folder or file that is not there or no text is said with its remedy."""
    with pytest.raises(InputFileError) as missing:
        read_site(tmp_path / "nowhere")
    assert missing.value.code == "site-folder-missing"
    with pytest.raises(InputFileError) as empty:
        read_site(tmp_path)
    assert empty.value.code == "site-file-missing"
    path = tmp_path / "site.toml"
    path.mkdir()
    with pytest.raises(InputFileError) as folder:
        read_site(tmp_path)
    assert folder.value.code == "site-file-not-a-file"
    path.rmdir()
    path.write_bytes("name = 'Hof'".encode("utf-16"))
    with pytest.raises(InputFileError) as encoding:
        read_site(tmp_path)
    assert encoding.value.code == "site-file-encoding"
    with pytest.raises(InputFileError) as file:
        read_site(path)
    assert file.value.code == "site-folder-not-a-folder"


NASTY = st.sampled_from(
    [
        "0x" + "f" * 5000,
        "-1e308",
        "inf",
        "nan",
        "true",
        "''",
        "'\\u0000'",
        '"\\U0001F600"',
        "1979-05-27",
        "07:32:00",
        "[]",
        "[[1], ['a']]",
        "{}",
        "{a = {b = 1}}",
        "9" * 300,
        "-0.0",
        '"""\n\n"""',
        '"-0.27 %/K"',
        '"%/K"',
        '"' + "9" * 500 + ' %/K"',
        "'" + "x" * 5000 + "'",
    ]
)


@st.composite
def _mutated(draw: st.DrawFn) -> str:
    lines = draw(st.sampled_from([SMALL, LARGE, WITH_TABLES])).splitlines()
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(lines) - 1))
        kind = draw(st.integers(0, 6))
        if kind == 0:
            del lines[at]
        elif kind == 1:
            lines.insert(at, lines[draw(st.integers(0, len(lines) - 1))])
        elif kind == 2:
            lines[at] = lines[at].split("=")[0] + "= " + draw(NASTY)
        elif kind == 3:
            lines[at] = draw(st.text(max_size=12)) + lines[at]
        elif kind == 4:
            cut = draw(st.integers(0, len(lines[at])))
            lines[at] = lines[at][:cut] + draw(st.text(max_size=3)) + lines[at][cut + 1 :]
        elif kind == 5:
            lines[at] = f'"{at}".' + lines[at]
        else:
            number = str(draw(st.integers(-3, 10**9)))
            lines[at] = re.sub(r"(?<== )[-0-9.]+", number, lines[at])
        if not lines:
            break
    return "\n".join(lines)


def _answer(folder: Path, raw: bytes) -> SiteReading | ArraywrightError:
    (folder / "site.toml").write_bytes(raw)
    try:
        return read_site(folder)
    except ArraywrightError as error:
        return error


@given(text=_mutated())
@settings(
    max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_mutated_descriptions_never_crash_the_reader(tmp_path: Path, text: str) -> None:
    """Whatever a file holds, the answer is findings or an error with a remedy."""
    reading = _answer(tmp_path, text.encode("utf-8", "surrogatepass"))
    if isinstance(reading, ArraywrightError):
        return
    fails = any(f.verdict is Verdict.FAIL for f in reading.findings)
    assert (reading.site is None) == fails
    for finding in _bad(reading):
        assert finding.remedy
        assert str(finding.as_dict()).isprintable()


@given(raw=st.binary(max_size=200))
@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_bytes_are_answered(tmp_path: Path, raw: bytes) -> None:
    """Bytes that are no description never give a site."""
    reading = _answer(tmp_path, raw)
    if isinstance(reading, ArraywrightError):
        assert reading.code == "site-file-encoding"
    else:
        assert reading.site is None
