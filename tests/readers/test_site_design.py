"""What a description says for the checks before steel goes up, read, refused or left out."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from arraywright import design
from arraywright.design import yield_checks
from arraywright.design.extremes import CHECKS as EXTREME_CHECKS
from arraywright.errors import InputFileError
from arraywright.findings import Verdict
from arraywright.plant import DesignData, Site
from arraywright.readers import SiteReading, read_site
from arraywright.readers.site_design_keys import (
    FRAME_BONDING_WORDS,
    LAYING_WORDS,
    MATERIAL_WORDS,
)
from arraywright.readers.site_keys import SECTIONS
from arraywright.readers.site_settings import with_settings

ROOT = Path(__file__).parents[2]
SMALL = (ROOT / "docs/examples/small-site/site.toml").read_text(encoding="utf-8")
CHECKS = (
    *design.VOLTAGE_CHECKS,
    *design.CURRENT_CHECKS,
    *design.SURGE_CHECKS,
    *design.CABLE_CHECKS,
    *design.EARTHING_CHECKS,
    *design.MECHANICAL_CHECKS,
    *design.SPACING_CHECKS,
    *EXTREME_CHECKS,
    *yield_checks.CHECKS,
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
    assert reading.site is not None, [f.message for f in reading.findings]
    return reading.site


def _failing(reading: SiteReading) -> list[tuple[str, str]]:
    return [
        (f.check, f.place.key if f.place else "")
        for f in reading.findings
        if f.verdict is Verdict.FAIL
    ]


def _stands_in_the_description(dotted: str) -> bool:
    path, _, name = dotted.rpartition(".")
    sections = (path, f"{path}[]", path.replace("[]", "") + "[]")
    known = any(
        section in SECTIONS and name in [key.name for key in SECTIONS[section].keys]
        for section in sections
    )
    return known or dotted in SECTIONS


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: f"{check.key}-{len(check.inputs)}")
def test_every_input_of_a_check_can_be_described(check: design.DesignCheck) -> None:
    """A check that lacks an input names a key, and that key is one the description may have."""
    for one in check.inputs:
        named = re.findall(r"[a-z][a-z_]*(?:\[\])?(?:\.[A-Za-z][A-Za-z0-9_]*(?:\[\])?)+", one.key)
        assert named, one.key
        for dotted in named:
            assert _stands_in_the_description(dotted), (check.key, dotted)


def test_words_are_those_of_the_cable_tables() -> None:
    """The words of the description stand in the order of the tables of the cables."""
    assert design.LAYINGS == LAYING_WORDS
    assert design.MATERIALS == MATERIAL_WORDS
    assert design.FRAME_BONDINGS == FRAME_BONDING_WORDS


def test_a_site_that_asks_for_no_check_has_no_design(read: Read) -> None:
    """Without the new sections nothing is taken, and nothing is noted, for the checks."""
    reading = read(SMALL)
    noted = [f.subject for f in reading.findings if f.check == "site-default"]
    assert not any("least_gap" in key or "beta_vmp" in key for key in noted)
    found = _site(reading).design
    assert (found.practice, dict(found.values), found.drums) == ("", {}, ())
    assert [block.name for block in found.blocks] == ["C"]
    assert found.class_keys == {"mill440": ("module_types.mill440",)}
    assert DesignData().number("design.string_fuse_a") is None


def test_defaults_come_with_the_section_and_are_noted(read: Read) -> None:
    """Whoever asks for checks gets the usual values, each told as a default."""
    reading = read(SMALL + '\n[design]\npractice = "iec"\n')
    found = _site(reading).design
    assert found.practice == "iec"
    assert found.number("design.dawn_irradiance_w_m2") == 200.0
    assert found.number("design.string_fuse_a") is None
    assert found.word("cables.string.material") == "tinned_copper"
    # The coefficient of Vmp is that of Pmax, -0.30 %/K in the example, until it is given.
    assert found.number("module_types.mill440.beta_vmp_per_k") == pytest.approx(-0.003)
    noted = {f.subject: f for f in reading.findings if f.check == "site-default"}
    assert noted["design.dawn_irradiance_w_m2"].value == 200.0
    assert "tinned_copper" in noted["cables.string.material"].message
    assert "module_types.mill440.beta_vmp_per_k" in noted
    assert not any(key.startswith("yield") for key in noted)


def test_sections_arrive_where_they_belong(read: Read) -> None:
    """Numbers, words, yes and no, drums, destinations and clampings stand in the design."""
    text = SMALL.replace(
        "[inverter_types.two_inputs]",
        """[[module_types.mill440.clampings]]
name = "long sides"
side = "long"
from_mm = 300
to_mm = 450
test_down_pa = 5400
test_up_pa = 2400

[inverter_types.two_inputs]
backfeed_a = 0""",
    ).replace("gamma_pmax", 'beta_vmp_per_k = "-0.0996 V/K"\ngamma_pmax')
    found = _site(
        read(
            text
            + """
[cables]
slack_ratio = 0.1
[cables.string]
area_mm2 = 6
[[cables.drums]]
name = "500 m"
length_m = 500
[[cables.prices]]
area_mm2 = 6
metre_price = 0.85
[[cables.prices]]
area_mm2 = 6
material = "aluminium"
metre_price = 0.4
[[cables.destinations]]
name = "C-I01"
x_m = 3
y_m = -4
[earthing]
frame_bonding = "jumpers"
conductor_aluminium = true
lightning_protection = "no"
[mounting]
clamping = "long sides"
[weather]
files = ["a.epw"]
"""
        )
    ).design
    assert found.number("cables.slack_ratio") == 0.1
    assert found.number("cables.string.area_mm2") == 6.0
    assert found.number("inverter_types.two_inputs.backfeed_a") == 0.0
    assert found.number("earthing.conductor_aluminium") == 1.0
    assert found.number("earthing.lightning_protection") == 0.0
    # -0.0996 V/K of the 33.2 V at maximum power are -0.3 %/K.
    assert found.number("module_types.mill440.beta_vmp_per_k") == pytest.approx(-0.003)
    assert [(drum.name, drum.length_m, drum.available) for drum in found.drums] == [
        ("500 m", 500.0, None)
    ]
    assert [(one.name, one.x_m, one.y_m) for one in found.destinations] == [("C-I01", 3.0, -4.0)]
    assert [(one.area_mm2, one.material, one.metre_price) for one in found.prices] == [
        (6.0, "", 0.85),
        (6.0, "aluminium", 0.4),
    ]
    assert found.word("earthing.frame_bonding") == "jumpers"
    (clamping,) = found.clampings["mill440"]
    assert (clamping.side, clamping.to_mm, clamping.test_up_pa) == ("long", 450.0, 2400.0)
    assert found.weather_files == ("a.epw",)
    # Sections nobody described, in a description that asks for no check, give nothing.
    assert found.number("spacing.aisle_min_m") is None


@pytest.mark.parametrize(
    ("added", "check", "key"),
    [
        ('[design]\npractise = "iec"', "site-unknown-key", "design.practise"),
        ('[design]\npractice = "ul"', "site-value", "design.practice"),
        ("[design]\nend_of_life_voltage_ratio = 95", "site-value", "design.end_of_life_volt"),
        ("[design]\nsurge_devices_fitted = 2", "site-value", "design.surge_devices_fitted"),
        ("[cables.strings]\narea_mm2 = 6", "site-unknown-key", "cables.strings"),
        ("[cables]\nstring = 6", "site-not-a-table", "cables.string"),
        ('[cables.string]\nlaying = "burried"', "site-value", "cables.string.laying"),
        ("[[cables.drums]]\nlength_m = 500", "site-missing-key", "cables.drums[1].name"),
        (
            '[cables]\ndrums = [{name = "a", length_m = 5}, {name = "A", length_m = 9}]',
            "site-name-twice",
            "cables.drums[2].name",
        ),
        (
            "[cables]\nprices = [{area_mm2 = 6, metre_price = 1}, {area_mm2 = 6, metre_price = 2}]",
            "site-price-twice",
            "cables.prices[2].area_mm2",
        ),
        ("[[cables.prices]]\narea_mm2 = 6", "site-missing-key", "cables.prices[1].metre_price"),
        ('[earthing]\nframe_bonding = "clips"', "site-value", "earthing.frame_bonding"),
        ("design = 5", "site-not-a-table", "design"),
        ('[weather]\nfiles = ["../a.epw"]', "site-table-outside", "weather.files"),
        ("[yield.uncertainty]\nsnow = 0.1", "site-unknown-key", "yield.uncertainty.snow"),
    ],
)
def test_mistakes_are_found_with_their_key(read: Read, added: str, check: str, key: str) -> None:
    """Unknown keys, wrong words and numbers out of range are refused, each with its place."""
    text = added + "\n" + SMALL if "=" in added.partition("\n")[0] else SMALL + "\n" + added + "\n"
    found = _failing(read(text))
    assert [one[0] for one in found] == [check], found
    assert found[0][1].startswith(key)


def test_a_clamping_nobody_described_is_refused(read: Read) -> None:
    """What is built must be one of the ways the maker tested."""
    clamping = (
        '[[module_types.mill440.clampings]]\nname = "long sides"\nside = "long"\nfrom_mm = 450\n'
        "to_mm = 300\ntest_down_pa = 5400\ntest_up_pa = 2400\n[inverter_types.two_inputs]"
    )
    text = SMALL.replace("[inverter_types.two_inputs]", clamping)
    assert _failing(read(text)) == [("site-order", "module_types.mill440.clampings[1].from_mm")]
    text = text.replace("from_mm = 450", "from_mm = 250")
    text += '\n[mounting]\nclamping = "long side"\n'
    reading = read(text)
    assert _failing(reading) == [("site-clamping-unknown", "mounting.clamping")]
    assert any(f.remedy == "Did you mean long sides?" for f in reading.findings)


def test_settings_stand_in_place_of_the_file(tmp_path: Path) -> None:
    """A value set from outside counts as if it stood in the file, and is checked like it."""
    (tmp_path / "site.toml").write_text(SMALL, encoding="utf-8")
    reading = read_site(
        tmp_path,
        settings={
            "design.practice": "nec",
            "layout.block.0.modules_per_string": 10,
            "module_types.mill440.voc_v": 40,
            "loads.terrain_category": 0,
            "cables.string.area_mm2": 4,
            "weather.files": "a.epw, b.epw",
        },
    )
    site = _site(reading)
    assert site.design.practice == "nec"
    assert site.strings.height == 4
    assert site.module_types["mill440"].power_classes[0].voc_v == 40.0
    assert site.design.word("loads.terrain_category") == "0"
    assert site.design.number("cables.string.area_mm2") == 4.0
    assert site.design.weather_files == ("a.epw", "b.epw")
    wrong = read_site(tmp_path, settings={"site.latitude_deg": 95})
    assert _failing(wrong) == [("site-value", "site.latitude_deg")]
    assert (tmp_path / "site.toml").read_text(encoding="utf-8") == SMALL


@pytest.mark.parametrize(
    ("dotted", "words"),
    [
        ("desgin.practice", "Did you mean design?"),
        ("design.practise", "Did you mean practice?"),
        ("layout.block.modules_per_string", "0 to 0"),
        ("layout.block.1.tilt_deg", "0 to 0"),
        ("cables.drums.0.length_m", "Describe one first."),
        ("module_types.mill400.voc_v", "Did you mean mill440?"),
        ("module_types.mill440", "mill440"),
        ("latitude_deg", "section.key"),
        ("site.", "section.key"),
        ("site.latitude_deg.x", "latitude_deg"),
        ("cables.string", "area_mm2"),
    ],
)
def test_settings_that_cannot_be_are_refused(tmp_path: Path, dotted: str, words: str) -> None:
    """A key no description can have is refused with what would be right."""
    (tmp_path / "site.toml").write_text(SMALL, encoding="utf-8")
    with pytest.raises(InputFileError) as caught:
        read_site(tmp_path, settings={dotted: 1})
    assert caught.value.code == "setting-unknown"
    assert dotted in caught.value.message
    assert words in caught.value.message + caught.value.remedy


def test_a_type_with_dots_in_its_name_can_be_set() -> None:
    """Names of types are the person's own; quoted or not, they are found."""
    data = {"module_types": {"mill-4.40": {"voc_v": 39.6}}}
    for dotted in ("module_types.mill-4.40.voc_v", 'module_types."mill-4.40".voc_v'):
        assert with_settings(data, {dotted: 41}) == {"module_types": {"mill-4.40": {"voc_v": 41}}}
    assert data["module_types"]["mill-4.40"]["voc_v"] == 39.6


@given(dotted=st.text(max_size=40) | st.from_regex(r"[a-z_.\"0-9\[\]]{0,30}", fullmatch=True))
def test_any_text_as_a_key_is_set_or_refused(dotted: str) -> None:
    """Nothing a person writes as a key ends in anything but an answer."""
    data: dict[str, object] = {"layout": {"block": [{}]}}
    try:
        found = with_settings(data, {dotted: 1})
    except InputFileError:
        return
    assert found != data
