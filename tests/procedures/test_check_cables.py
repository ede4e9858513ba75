"""Cable sizes with their cost, loops of strings and bonding points in the check of a design."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pvlib
import pytest

from arraywright.design import Practice
from arraywright.dossier.blocks import Heading, Table
from arraywright.dossier.design_cables import cable_blocks
from arraywright.plant import CablePrice, Site
from arraywright.procedures.check import check
from arraywright.procedures.check_bonding import bonding_of
from arraywright.procedures.check_cable_parts import CableParts, cable_parts
from arraywright.procedures.check_cable_sizes import cable_sizes, other_size_name
from arraywright.procedures.check_loops import loops_of
from arraywright.procedures.design_cases import design_cases
from arraywright.procedures.report import NO_PROGRESS, Report
from arraywright.readers import read_site
from tests.design.weather_cases import invented_years
from tests.house.sources_page import ROOT
from tests.published_values import published

CHECKED = ROOT / "docs" / "examples" / "checked-site"
TYPICAL = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
DIRECT, BOXED = "25 x quarry540 on string_inverter", "25 x quarry540 on central"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the fully described example with a year of weather, checked once."""
    held = tmp_path_factory.mktemp("cables") / "site"
    shutil.copytree(CHECKED, held)
    shutil.copy(TYPICAL, held)
    with (held / "site.toml").open("a", encoding="utf-8") as text:
        text.write(f'\n[weather]\nfiles = ["{TYPICAL.name}"]\n')
    return held


@pytest.fixture(scope="module")
def report(folder: Path) -> Report:
    """Give its report."""
    return _check(folder)


def _check(folder: Path, *settings: str) -> Report:
    return check(
        folder,
        settings=settings,
        now=lambda: datetime(2026, 3, 2, 10, tzinfo=UTC),
        progress=NO_PROGRESS,
    )


def _cables(report: Report) -> dict[str, Any]:
    held = report.result["cables"]
    assert isinstance(held, dict)
    return held


def _sizes(report: Report, role: str, of: str) -> list[dict[str, Any]]:
    return [one for one in _cables(report)["sizes"] if (one["role"], one["of"]) == (role, of)]


def _checked(report: Report, key: str, of: str) -> dict[str, Any]:
    checks = report.result["checks"]
    assert isinstance(checks, list)
    (found,) = [one for one in checks if one["check"] == key and of in one["subject"]]
    return dict(found)


def _site(**settings: object) -> Site:
    dotted = {key.replace("__", "."): value for key, value in settings.items()}
    site = read_site(CHECKED, settings=dotted).site
    assert site is not None
    return site


def _parts(site: Site, practice: Practice = Practice.IEC) -> CableParts:
    return cable_parts(site, design_cases(site), practice=practice)


def test_described_size_says_what_the_checks_say(report: Report) -> None:
    """Ampacity, drop and yearly drop of the size that is built are the numbers of the checks."""
    for of in (DIRECT, BOXED):
        (own,) = [one for one in _sizes(report, "string", of) if one["chosen"]]
        ampacity = _checked(report, "string-cable-ampacity", of)
        assert (own["carries_a"], own["must_carry_a"]) == (ampacity["value"], ampacity["limit"])
        assert own["drop_percent"] == _checked(report, "dc-voltage-drop", of)["value"]
        assert own["yearly_drop_percent"] == _checked(report, "dc-cable-loss", of)["value"]
        assert own["ampacity_fits"]
        assert own["drop_fits"]


def test_next_size_says_what_a_site_built_with_it_would(folder: Path, report: Report) -> None:
    """The row of another size is what the site checked with that size says of it."""
    described = (folder / "out" / "cable-schedule.csv").read_bytes()
    thin = _check(folder, "cables.string.area_mm2=4")
    # What is asked about is no list to order by: it has files of its own.
    assert (folder / "out" / "cable-schedule.csv").read_bytes() == described
    asked = pl.read_csv(folder / "out" / "cable-schedule-what-if.csv")
    assert set(asked["size"]) == {"4 mm2", "240 mm2"}
    assert {path.name for path in thin.written} >= {
        "bonding-points-what-if.csv",
        "string-loops-what-if.csv",
        "cutting-plan-what-if.csv",
    }
    for of in (DIRECT, BOXED):
        sizes = _sizes(report, "string", of)
        assert [one["area_mm2"] for one in sizes] == [4.0, 6.0, 10.0]
        told = sizes[0]
        (own,) = [one for one in _sizes(thin, "string", of) if one["chosen"]]
        for name in ("carries_a", "drop_percent", "yearly_drop_percent", "loss_kwh", "cost"):
            assert told[name] == pytest.approx(own[name], rel=1e-12), name


def test_payback_by_hand(report: Report) -> None:
    """Price of the metres against worth of the energy, both ways round, at 0.08 a kWh."""
    down, own, up = _sizes(report, "string", BOXED)
    metres = own["conductor_m"]
    assert up["cost_difference"] == pytest.approx((1.45 - 0.85) * metres)
    assert down["cost_difference"] == pytest.approx((0.62 - 0.85) * metres)
    for other in (down, up):
        saved = own["loss_kwh"] - other["loss_kwh"]
        assert other["saved_value"] == pytest.approx(0.08 * saved)
        assert other["payback_years"] == pytest.approx(other["cost_difference"] / (0.08 * saved))
    assert down["saved_kwh"] < 0.0 < up["saved_kwh"]
    assert own["payback_years"] is None
    (_, alone) = _sizes(report, "array", BOXED)
    assert alone["cost"] == pytest.approx(4.8 * alone["conductor_m"])
    shown = [row for table in report.tables for row in table.rows if "10 mm2" in row]
    assert any(f"{up['payback_years']:.1f}" in row for row in shown)


def test_yearly_loss_is_that_of_every_run_of_the_schedule(folder: Path, report: Report) -> None:
    """Ohm's law on each line of the cable schedule, warmed by hand to 70 degC, gives the loss."""
    schedule = pl.read_csv(folder / "out" / "cable-schedule.csv")
    inputs = _checked(report, "dc-cable-loss", BOXED)["inputs"]
    held = {one["name"]: one["value"] for one in inputs}
    hours, imp = held["loss_equivalent_h"], 13.04
    loss = 0.0
    for row in schedule.iter_rows(named=True):
        per_k = 0.00403 if row["material"] == "aluminium" else 0.00393
        current = imp * (12 if row["role"] == "array" else 1)
        loss += row["resistance_ohm"] * (1.0 + per_k * 50.0) * current**2 * hours / 1000.0
    drops = _cables(report)["voltage_drop"]
    assert sum(one["loss_kwh"] for one in drops) == pytest.approx(loss, rel=1e-9)
    chosen = [one["loss_kwh"] for one in _cables(report)["sizes"] if one["chosen"]]
    assert sum(chosen) == pytest.approx(loss, rel=1e-9)
    assert sum(one["strings"] for one in drops) == 36


def test_drop_weighted_with_energy_is_loss_over_energy(report: Report) -> None:
    """The yearly drop of all strings is what stays in the cables over what the modules give."""
    inputs = {
        one["name"]: one["value"] for one in _checked(report, "dc-cable-loss", DIRECT)["inputs"]
    }
    (drop,) = [one for one in _cables(report)["voltage_drop"] if one["of"] == DIRECT]
    energy = 12 * 25 * 41.80 * 13.04 * inputs["charge_equivalent_h"] / 1000.0
    assert drop["mean_year_percent"] == pytest.approx(100.0 * drop["loss_kwh"] / energy)
    assert drop["mean_percent"] < drop["greatest_percent"]
    assert drop["mean_year_percent"] < drop["mean_percent"]


def test_every_string_has_its_drop_and_loss(folder: Path, report: Report) -> None:
    """Each string's numbers follow by hand from its runs; together they are those of the design."""
    strings = pl.read_csv(folder / "out" / "string-cables.csv")
    schedule = pl.read_csv(folder / "out" / "cable-schedule.csv")
    assert strings["string"].n_unique() == strings.height == 36
    inputs = {
        one["name"]: one["value"] for one in _checked(report, "dc-cable-loss", BOXED)["inputs"]
    }
    box = schedule.filter(pl.col("from") == "B-B02")["resistance_ohm"].to_numpy().sum()
    own = schedule.filter(pl.col("string") == "B-S24")["resistance_ohm"].to_numpy().sum()
    ohm = own * (1.0 + 0.00393 * 50.0) + 12 * box * (1.0 + 0.00403 * 50.0)
    held = strings.filter(pl.col("string") == "B-S24").row(0, named=True)
    assert held["drop_percent"] == pytest.approx(100.0 * ohm * 13.04 / (25 * 41.80), rel=1e-9)
    assert held["loss_kwh"] == pytest.approx(
        ohm * 13.04**2 * inputs["loss_equivalent_h"] / 1000.0, rel=1e-9
    )
    ratio = inputs["loss_equivalent_h"] / inputs["charge_equivalent_h"]
    assert held["yearly_drop_percent"] == pytest.approx(held["drop_percent"] * ratio)
    assert strings["loss_kwh"].to_numpy().sum() == pytest.approx(
        sum(one["loss_kwh"] for one in _cables(report)["voltage_drop"])
    )
    greatest = max(one["greatest_percent"] for one in _cables(report)["voltage_drop"])
    assert strings["drop_percent"].to_numpy().max() == pytest.approx(greatest)


def test_planes_keep_their_own_hours() -> None:
    """Strings of two tilts lose by the hours of their own plane, not by those of the sunnier."""
    site = _site(layout__block__0__tilt_deg=60)
    weather = replace(
        invented_years(2010, 2011), latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg
    )
    found = design_cases(site, weather=weather)
    assert found.weather is not None
    hours = found.weather.hours_by_plane
    assert hours[(60.0, 180.0)] != hours[(25.0, 180.0)]
    drops = cable_sizes(site, found, practice=Practice.IEC).drops
    assert found.runs is not None
    ohm_per_m = 3.39e-3 * (1.0 + 0.00393 * 50.0)
    metres = (
        found.runs.runs.filter(
            (pl.col("role") == "string") & pl.col("string").str.starts_with("A")
        )["length_m"]
        .to_numpy()
        .sum()
    )
    (direct,) = [one for one in drops if one.of.startswith(DIRECT)]
    assert direct.loss_kwh == pytest.approx(
        ohm_per_m * metres * 13.04**2 * hours[(60.0, 180.0)][0] / 1000.0
    )


def test_what_nobody_said_is_a_dash_and_names_its_key() -> None:
    """Without prices, energy price and weather the comparison stands, with the keys it lacks."""
    site = _site()
    values = {key: held for key, held in site.design.values.items() if "energy_price" not in key}
    site = replace(site, design=replace(site.design, values=values, prices=()))
    found = _parts(site)
    sizes = found.result["sizes"]
    assert isinstance(sizes, list)
    for one in sizes:
        assert one["ampacity_fits"] is not None
        for name in ("loss_kwh", "cost", "cost_difference", "saved_value", "payback_years"):
            assert one[name] is None, name
    told = found.sentences[0]
    for key in ("cables.prices", "cables.energy_price", "weather.files", "price of 10 mm2"):
        assert key in told
    cost = next(part for part in found.parts if "costs" in part.title)
    assert {row[-1] for row in cost.table.rows} == {"–"}


def test_cable_that_is_too_thin_is_told_and_the_next_up_fits() -> None:
    """A string cable below its fuse fails by ampacity and protection; the next size up holds."""
    site = _site(cables__string__area_mm2=1.5, design__string_fuse_a=20)
    found = design_cases(site)
    sizes = [
        one
        for one in cable_sizes(site, found, practice=Practice.IEC).sizes
        if one.role == "string" and one.of.startswith(DIRECT)
    ]
    fits = [(one.area_mm2, one.ampacity_fits, one.protection_fits) for one in sizes]
    # Table A.3 of EN 50618, two cables touching: 24, 33, 44 A; two circuits together 0.8.
    assert fits[-2:] == [(1.5, False, False), (2.5, True, True)]


def test_price_of_the_material_goes_before_one_for_any() -> None:
    """A price said for aluminium is not taken for copper."""
    site = _site()
    prices = (
        CablePrice(area_mm2=6.0, material="", metre_price=1.0),
        CablePrice(area_mm2=6.0, material="tinned_copper", metre_price=2.0),
        CablePrice(area_mm2=10.0, material="aluminium", metre_price=3.0),
    )
    site = replace(site, design=replace(site.design, prices=prices))
    sizes = cable_sizes(site, design_cases(site), practice=Practice.IEC).sizes
    (six,) = [one for one in sizes if one.of.startswith(DIRECT) and one.area_mm2 == 6.0]
    assert six.conductor_m is not None
    assert six.cost == pytest.approx(2.0 * six.conductor_m)
    assert [one.cost for one in sizes if one.area_mm2 == 10.0] == [None, None]


def test_sizes_stand_in_both_practices() -> None:
    """The other practice's size has at least the same area, by ASTM B258."""
    held = published("astm-b258-sizes")["equivalent"]
    for area, size in zip(held["iec_area_mm2"], held["nec_size"], strict=True):
        assert other_size_name(area, practice=Practice.IEC) == f"{size} AWG"
    site = _site(design__practice="nec", cables__string__area_mm2=5.26)
    sizes = cable_sizes(site, design_cases(site), practice=Practice.NEC).sizes
    told = [(one.size, one.other) for one in sizes if one.of.startswith(DIRECT)]
    assert told == [("12 AWG", "4 mm2"), ("10 AWG", "6 mm2"), ("8 AWG", "10 mm2")]
    assert other_size_name(1e4, practice=Practice.IEC) == "–"


def test_no_larger_size_is_said() -> None:
    """Where the table of sizes ends, it is told rather than left out silently."""
    site = _site()
    fits = next(part for part in _parts(site).parts if "below and above" in part.title)
    assert any("no size above 240 mm2" in sentence for sentence in fits.sentences)


def test_loops_of_every_string_and_the_other_way(folder: Path, report: Report) -> None:
    """Twenty-four spaces of 1.154 m at 0.3 m a string; leapfrogged one space; stroke by hand."""
    loops = pl.read_csv(folder / "out" / "string-loops.csv")
    assert loops.height == 36
    area = 24 * 1.154 * 0.3
    lines = _cables(report)["loops"]["lines"]
    chain = [one for one in lines if one["described"]]
    leaps = [one for one in lines if not one["described"]]
    assert {one["route"] for one in chain} == {"daisy-chain"}
    assert {one["route"] for one in leaps} == {"leapfrog"}
    assert [one["total_m2"] for one in chain] == pytest.approx([12 * area, 24 * area], rel=1e-6)
    assert [one["greatest_m2"] for one in leaps] == pytest.approx([1.154 * 0.3] * 2, rel=1e-6)
    assert loops["loop_area_m2"].sum() == pytest.approx(36 * area, rel=1e-6)
    # 2e-7 x 8.309 m2 x 25 kA / 0.25 us / 100 m
    assert chain[0]["greatest_voltage_v"] == pytest.approx(2e-7 * area * 1e11 / 100.0, rel=1e-6)
    assert _cables(report)["loops"]["basis"].startswith("iec-60364-7-712")
    # Two leads of 1.4 m reach over one module, 2.308 m, not over a longer lead-less gap.
    assert all(one["leads_reach"] for one in leaps)


def test_leapfrog_begins_at_the_nearer_end(folder: Path, report: Report) -> None:
    """Both ends at the nearer module make each string's cable shorter than one from each end."""
    lines = _cables(report)["loops"]["lines"]
    schedule = pl.read_csv(folder / "out" / "cable-schedule.csv").filter(pl.col("role") == "string")
    for of, block in ((DIRECT, "A"), (BOXED, "B")):
        chain, leaps = [one for one in lines if one["of"] == of]
        own = schedule.filter(pl.col("string").str.starts_with(block))
        assert chain["string_cable_m"] == pytest.approx(own["length_m"].to_numpy().sum())
        # By hand: twice the shorter pole, and one space more for the second end at most.
        shorter = own.group_by("string").agg(pl.col("length_m").min())["length_m"].to_numpy().sum()
        strings = own["string"].n_unique()
        assert (
            2.0 * shorter
            <= leaps["string_cable_m"]
            <= 2.0 * shorter + strings * 1.154 * 1.05 + 0.1 * strings
        )


def test_leads_too_short_for_leaps_are_told() -> None:
    """Leads of 1.1 m do not reach the module after the next, and the extensions are counted."""
    site = _site(cables__module_lead_m=1.1)
    loops = loops_of(site, design_cases(site))
    assert [one.leads_reach for one in loops.lines] == [True, False, True, False]
    long = loops_of(_site(), design_cases(_site()))
    for one, other in zip(loops.lines[1::2], long.lines[1::2], strict=True):
        assert one.string_cable_m is not None
        assert other.string_cable_m is not None
        assert one.string_cable_m > other.string_cable_m


def test_bonding_points_of_the_site_and_its_order(folder: Path, report: Report) -> None:
    """Eighteen tables of fifty frames; conductor, links and main conductor add up."""
    tables = pl.read_csv(folder / "out" / "bonding-points.csv")
    held = _cables(report)["bonding"]
    assert tables["structure"].n_unique() == tables.height == 18
    assert tables["bonding_points"].to_list() == [51] * 18
    (line,) = held["tables"]
    assert (line["table_type"], line["tables"], line["modules"]) == ("2 x 25 quarry540", 18, 50)
    order = {one["item"]: one for one in held["order"]}
    assert order["lugs on the frames"]["count"] == 900
    along = (2 * 24 * 1.154 + 2.278 + 0.02) * 1.05 + 1.0
    assert tables["conductor_m"].to_list() == pytest.approx([along] * 18, abs=5e-3)
    assert order["conductor along the tables"]["length_m"] == pytest.approx(
        tables["conductor_m"].sum()
    )
    links = order["links from table to table in a row"]
    assert links["count"] == 9
    assert links["length_m"] == pytest.approx(9 * (1.134 + 0.5) * 1.05, abs=5e-3)
    assert order["earthing conductor together"]["length_m"] == pytest.approx(
        tables["conductor_m"].sum() + links["length_m"] + 160.0
    )
    assert order["main earthing conductor"]["note"] == "25 mm2 copper (at least 3 AWG)"


@pytest.mark.parametrize(
    ("way", "more", "jumpers"),
    [
        ("jumpers", {"earthing__jumper_m": 0.25}, 18 * 49 + 9),
        # Rails of 12 m under 28.85 m: three lengths, two joints, on four rails.
        ("clamps", {"earthing__jumper_m": 0.25}, 18 * 2 * 4 + 9),
    ],
)
def test_jumpers_of_the_site(way: str, more: dict[str, object], jumpers: int) -> None:
    """Jumpers within the tables and from table to table are counted together."""
    bonding = bonding_of(_site(earthing__frame_bonding=way, **more), practice=Practice.IEC)
    (line,) = [one for one in bonding.order if "jumpers" in one.item]
    assert line.count == jumpers
    assert line.length_m == pytest.approx(0.25 * jumpers)


def _without(*keys: str) -> Site:
    site = _site()
    values = {key: held for key, held in site.design.values.items() if key not in keys}
    return replace(site, design=replace(site.design, values=values))


def _told(sentences: Sequence[str], words: str) -> bool:
    return any(words in sentence for sentence in sentences)


def test_bonding_that_is_not_described_stays_open() -> None:
    """Points are counted from the frames alone; what needs the way of bonding is a dash."""
    bonding = bonding_of(
        _without(
            "earthing.frame_bonding",
            "earthing.main_conductor_m",
            "module_types.quarry540.earthing_holes",
        ),
        practice=Practice.IEC,
    )
    assert [(one.bonding_points, one.jumpers, one.conductor_m) for one in bonding.lines] == [
        (51, None, None)
    ]
    for words in (
        "earthing.frame_bonding",
        "earthing.main_conductor_m",
        "module_types.quarry540.earthing_holes",
    ):
        assert _told(bonding.sentences, words), words
    assert _told(bonding.sentences, "licensed electrician")


def test_more_bonds_than_holes_are_counted_and_never_drilled() -> None:
    """Too few holes fail a check; the list says that no frame is drilled."""
    bonding = bonding_of(
        _site(earthing__bonds_per_module=4, module_types__quarry540__earthing_holes=2),
        practice=Practice.IEC,
    )
    assert bonding.lines[0].module_bonds == 200
    assert _told(bonding.sentences, "Never drill")


def test_report_has_the_chapter(report: Report) -> None:
    """Every table stands in the report under a heading of its own, as on the screen."""
    site = _site()
    parts = _parts(site).parts
    blocks = cable_blocks(parts)
    headings = [block.text for block in blocks if isinstance(block, Heading)]
    assert headings[1:] == [part.title for part in parts]
    assert [block for block in blocks if isinstance(block, Table)] == [part.table for part in parts]
    assert cable_blocks(()) == ()
    titles = {table.title for table in report.tables}
    assert {part.title for part in parts} <= titles


def test_site_without_a_practice_writes_nothing(tmp_path: Path) -> None:
    """Nobody asked for checks: no list of cables or bonding is made up."""
    shutil.copy(ROOT / "docs/examples/small-site/site.toml", tmp_path)
    held = _check(tmp_path)
    assert "cables" not in held.result or not held.result["cables"]
    assert not (tmp_path / "out" / "bonding-points.csv").exists()
