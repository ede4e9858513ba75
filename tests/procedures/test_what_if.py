"""One quantity varied: every margin is the one that a call with that very value gives."""

from __future__ import annotations

import shutil
import tomllib
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pvlib
import pytest

from arraywright.design import Practice, check_design
from arraywright.errors import CallError
from arraywright.plant import Site
from arraywright.procedures import what_if_work
from arraywright.procedures.design_cases import design_cases
from arraywright.procedures.remember import Remembered
from arraywright.procedures.what_if import SAME_RATIO, Varied, parse_sweep, sweep_table
from arraywright.procedures.what_if_work import vary
from arraywright.readers.site import read_site
from tests.house.sources_page import ROOT

CHECKED = ROOT / "docs" / "examples" / "checked-site"
LENGTH = "layout.block.0.modules_per_string"
MODULE = "module_types.quarry540."
COEFFICIENTS = ("alpha_isc_per_k", "beta_voc_per_k", "beta_vmp_per_k", "gamma_pmax_per_k")
COUNT = 2001
_FOUND_AT_FEW_RATIO = 2e-3

Margins = dict[tuple[str, str], float]


def _leaves(held: object, path: tuple[str, ...] = ()) -> Iterator[tuple[str, object]]:
    if isinstance(held, dict):
        for key, inner in held.items():
            yield from _leaves(inner, (*path, key))
    elif isinstance(held, list):
        for number, inner in enumerate(held):
            yield from _leaves(inner, (*path, str(number)))
    else:
        yield ".".join(path), held


def _numeric_keys() -> dict[str, float]:
    """Give every key of the example that holds a number, with the number."""
    data = tomllib.loads((CHECKED / "site.toml").read_text(encoding="utf-8"))
    found = {
        key: float(value)
        for key, value in _leaves(data)
        if isinstance(value, int | float) and not isinstance(value, bool)
    }
    for name in COEFFICIENTS:
        text = data["module_types"]["quarry540"][name]
        found[MODULE + name] = float(text.removesuffix(" %/K")) / 100.0
    return found


KEYS = _numeric_keys()


def _site(folder: Path, **settings: object) -> Site | None:
    return read_site(folder, settings=settings).site


def _margins(folder: Path, settings: dict[str, object]) -> Margins | None:
    """Give the margin over limit of every check as a call with these settings tells it."""
    site = _site(folder, **settings)
    if site is None:
        return None
    found: Margins = {}
    for case in design_cases(site, folder=folder, remembered=REMEMBERED).cases:
        told = check_design(
            case.check,
            subject=case.subject,
            practice=Practice(site.design.practice),
            values=case.values,
        ).finding
        if told.margin is not None and told.limit is not None:
            for place in case.places:
                found[case.check.title, place] = told.margin / max(abs(told.limit), 1e-12)
    return found


REMEMBERED = Remembered()
DESCRIBED = _margins(CHECKED, {})


def _by_place(varied: Varied, index: int) -> Margins:
    """Take the names of lines apart: title, and every place it stands for."""
    found: Margins = {}
    for line in varied.lines:
        title, _, places = line.name.rpartition(", ")
        for place in places.split("; "):
            found[title, place] = float(line.margin_ratio[index])
    return found


def _agree(folder: Path, varied: Varied, index: int, described: Margins) -> int:
    """Hold a sweep against a call with the value set; give how many margins were compared."""
    key, value = varied.sweep.key, float(varied.sweep.values[index])
    single = _margins(folder, {key: int(value) if varied.sweep.whole else value})
    if single is None:
        assert varied.refused[index] or varied.open_values
        return 0
    assert not varied.refused[index]
    swept = _by_place(varied, index)
    # In between, margins may be off by what the sweep itself says that they are; what it found
    # at the few values it tried may be surpassed where cable lengths bend or are rounded up.
    allowed = 2.0 * SAME_RATIO
    if varied.deviation_ratio > SAME_RATIO:
        allowed = max(3.0 * varied.deviation_ratio, _FOUND_AT_FEW_RATIO)
    for at, ratio in single.items():
        if at in swept:
            assert swept[at] == pytest.approx(ratio, rel=allowed, abs=allowed), (key, value, at)
        else:
            # What is not varied does not rest on the quantity.
            assert ratio == pytest.approx(described[at], rel=1e-12, abs=1e-12), (key, value, at)
    assert {at for at, ratio in swept.items() if np.isfinite(ratio)} <= set(single)
    return len(single.keys() & swept.keys())


def _range_around(key: str, value: float) -> str:
    sweep = parse_sweep(f"{key}=0:1")
    if sweep.whole:
        return f"{key}={max(value - 2.0, 0.0):g}:{value + 2.0:g}"
    reach = 0.15 * abs(value) or 1.0
    return f"{key}={value - reach:.9f}:{value + reach:.9f}:{COUNT}"


@pytest.mark.parametrize("key", KEYS)
def test_a_sweep_gives_what_single_calls_give(key: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """For every number of the example, margins of a sweep are those with the value set."""
    assert DESCRIBED is not None
    # Few values worked out in full, so that what lies between them is put to the proof.
    monkeypatch.setattr(what_if_work, "_WORKED", (9, 9))
    monkeypatch.setattr(what_if_work, "_FIRST", (0.0, 0.45, 1.0))
    try:
        varied = vary(CHECKED, parse_sweep(_range_around(key, KEYS[key])), settings={})
    except CallError as error:
        # A number that no check rests on: no value of it may change any margin.
        assert error.code in ("sweep-changes-nothing", "sweep-all-refused")  # noqa: PT017
        low, high = _range_around(key, KEYS[key]).partition("=")[2].split(":")[:2]
        whole = parse_sweep(f"{key}=0:1").whole
        for text in (low, high):
            single = _margins(CHECKED, {key: int(text) if whole else float(text)})
            assert single is None or single == DESCRIBED
        return
    count = len(varied.sweep.values)
    index = np.random.default_rng(zlib.crc32(key.encode())).integers(count)
    assert _agree(CHECKED, varied, int(index), DESCRIBED) > 0 or varied.refused.any()


def test_most_numbers_of_a_site_can_be_varied() -> None:
    """Keys that name a number of the design are found to hold one, whole where it is a count."""
    assert len(KEYS) > 130
    assert parse_sweep(f"{LENGTH}=20:30").whole
    assert not parse_sweep("layout.block.0.pitch_m=5:15").whole


def test_the_length_of_strings_is_varied_beyond_what_the_layout_takes() -> None:
    """A layout takes few lengths of strings; voltages of the others are shown, and said so."""
    varied = vary(CHECKED, parse_sweep(f"{LENGTH}=20:30"), settings={})
    assert varied.sweep.values.tolist() == list(range(20, 31))
    assert varied.as_if
    assert any("another" in sentence for sentence in varied.sentences)
    assert any("11 different whole numbers" in sentence for sentence in varied.sentences)
    site = _site(CHECKED)
    assert site is not None
    for case in design_cases(site).cases:
        if case.check.key == "string-voc-cold-module" and "block A" in case.places:
            for index, modules in enumerate(varied.sweep.values):
                told = check_design(
                    case.check,
                    subject="",
                    practice=Practice.IEC,
                    values={**case.values, "modules": float(modules)},
                ).finding
                assert told.margin is not None
                assert told.limit is not None
                swept = _by_place(varied, index)[case.check.title, "block A"]
                assert swept == pytest.approx(told.margin / told.limit, rel=1e-12)
            return
    pytest.fail("the voltage of block A is checked")


def test_strings_of_one_design_are_varied_by_block() -> None:
    """Where two blocks are alike, another length in one of them changes that one alone."""
    one = "layout.block.1.inverter_type"
    settings = {
        one: "string_inverter",
        "layout.block.1.strings_per_input": 2,
        "layout.block.1.inputs_per_inverter": 6,
        "layout.block.1.strings_per_combiner_box": 0,
    }
    site = _site(CHECKED, **settings)
    assert site is not None
    varied = vary(CHECKED, parse_sweep("layout.block.1.modules_per_string=5:50"), settings=settings)
    lines = {line.name for line in varied.lines}
    voltage = {name for name in lines if name.startswith("String open-circuit voltage")}
    assert voltage
    assert all(name.endswith(", block B") for name in voltage)
    for index, modules in enumerate(varied.sweep.values):
        if not varied.refused[index]:
            single = _margins(CHECKED, {**settings, varied.sweep.key: int(modules)})
            assert single is not None
            for at, ratio in _by_place(varied, index).items():
                expected = single.get(at, np.nan)
                assert ratio == pytest.approx(expected, rel=1e-9, nan_ok=True), (modules, at)
    assert not varied.refused[varied.sweep.values == 10.0].any()


def test_many_values_between_those_worked_out_are_as_near_as_is_said() -> None:
    """Of 10,000 pitches, 40 by chance have the margins of single calls, within what is told."""
    assert DESCRIBED is not None
    varied = vary(CHECKED, parse_sweep("layout.block.0.pitch_m=6:20:10000"), settings={})
    assert varied.worked < 150
    assert 0.0 < varied.deviation_ratio < 1e-3
    for index in np.random.default_rng(7).integers(10_000, size=40):
        single = _margins(CHECKED, {varied.sweep.key: float(varied.sweep.values[index])})
        assert single is not None
        for at, ratio in _by_place(varied, int(index)).items():
            allowed = max(1.5 * varied.deviation_ratio, SAME_RATIO)
            assert ratio == pytest.approx(single[at], rel=allowed, abs=allowed)


def test_what_weather_gives_follows_the_quantity(tmp_path: Path) -> None:
    """Shade, cable loss and yield of the year are varied too, at values worked out in full."""
    folder = Path(shutil.copytree(CHECKED, tmp_path / "site"))
    shutil.copy(Path(pvlib.__file__).parent / "data" / "723170TYA.CSV", folder)
    with (folder / "site.toml").open("a", encoding="utf-8") as text:
        text.write('\n[weather]\nfiles = ["723170TYA.CSV"]\n')
    described = _margins(folder, {})
    assert described is not None
    sweep = parse_sweep("layout.block.0.pitch_m=9:13:5")
    varied = vary(folder, sweep, settings={}, remembered=REMEMBERED)
    titles = {line.name.rpartition(", ")[0] for line in varied.lines}
    assert any("shade" in title.casefold() for title in titles)
    for index in (1, 3):
        assert _agree(folder, varied, index, described) >= 3
    losses = vary(
        folder,
        parse_sweep("yield.soiling_ratio=0:0.1:3"),
        settings={},
        remembered=REMEMBERED,
    )
    assert any("first year" in one for one in losses.not_varied)
    assert _agree(folder, losses, 1, described) >= 1


def test_a_value_the_description_refuses_is_left_out_and_said() -> None:
    """Beyond what a tilt can be there is no margin, and the reason stands with it."""
    varied = vary(CHECKED, parse_sweep("layout.block.0.tilt_deg=80:100:21"), settings={})
    refused = varied.sweep.values[varied.refused]
    assert refused.min() == 90.0
    assert refused.max() == 100.0
    assert varied.open_values == 0
    for line in varied.lines:
        assert np.isnan(line.margin_ratio[varied.refused]).all()
        assert np.isfinite(line.margin_ratio[~varied.refused]).any()
    assert any("refuses 11 of the values" in sentence for sentence in varied.sentences)


def test_where_a_check_comes_or_goes_is_found_among_many_values() -> None:
    """One fuse rating of 3,001 says that there is none; just there its checks are not asked."""
    sweep = parse_sweep("design.string_fuse_a=0:30:3001")
    varied = vary(CHECKED, sweep, settings={})
    fuses = [line for line in varied.lines if np.isnan(line.margin_ratio[0])]
    assert fuses
    for line in fuses:
        assert np.isfinite(line.margin_ratio[1:]).all()


def test_a_descending_range_is_the_same_as_an_ascending_one() -> None:
    """From and to may stand either way round."""
    up, down = (
        parse_sweep("cables.string.area_mm2=4:10:7"),
        parse_sweep("cables.string.area_mm2=10:4:7"),
    )
    assert up.values.tolist() == down.values.tolist()


@pytest.mark.parametrize(
    ("sweep", "code"),
    [
        ("site.name=1:2", "sweep-no-number"),
        ("mounting.drainage_free=0:1", "sweep-no-number"),
        ("site.lattitude_deg=1:2", "sweep-key-unknown"),
        ("layout.block.9.tilt_deg=1:2", "sweep-key-unknown"),
        ("cables.drums.0.length_m=300:600:5", "sweep-changes-nothing"),
        ("site.latitude_deg=100:200:5", "sweep-all-refused"),
    ],
)
def test_what_cannot_be_varied_is_told_with_the_reason(sweep: str, code: str) -> None:
    """A key without a number, an unknown key and a range of nonsense are each told as such."""
    with pytest.raises(CallError) as told:
        vary(CHECKED, parse_sweep(sweep), settings={})
    assert told.value.code == code
    assert told.value.remedy


def test_the_table_says_where_each_check_holds() -> None:
    """The range in which a check holds agrees with the signs of its margins."""
    varied = vary(CHECKED, parse_sweep("cables.string.area_mm2=1:20:39"), settings={})
    rows = {row[0]: row for row in sweep_table(varied).rows}
    for line in varied.lines:
        holds = line.value[line.margin_ratio >= 0.0]
        assert rows[line.name][1] == (f"{holds.min():g}" if len(holds) else "nowhere")
