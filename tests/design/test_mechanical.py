"""Loads, clamps, gaps and weight against published values, and every check's three outcomes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from arraywright.design import Practice, check_design, evaluate_check
from arraywright.design import mounting as mt
from arraywright.design import plane_loads as pl
from arraywright.design import wind_snow as ws
from arraywright.design.check import DesignCheck
from arraywright.design.mechanical import CHECKS
from arraywright.errors import CallError
from arraywright.findings import Verdict
from arraywright.sources import SOURCES
from tests.published_values import published

GUIDE = published("steel-buildings-3")
RATINGS = published("test-and-design-load")
HEAT = published("openstax-college-physics")

PLACE: dict[str, float] = {
    "basic_wind_m_s": 26.0,
    "height_m": 3.0,
    "roughness_length_m": 0.05,
    "least_height_m": 2.0,
    "orography_ratio": 1.0,
    "power_exponent_ratio": 9.5,
    "gradient_height_m": 274.32,
    "topography_ratio": 1.0,
    "directionality_ratio": 0.85,
    "ground_snow_pa": 1000.0,
    "snow_exposure_ratio": 1.0,
    "snow_thermal_ratio": 1.0,
    "snow_importance_ratio": 1.0,
    "snow_slope_ratio": 1.0,
    "sliding_hindered_ratio": 0.0,
    "snow_with_wind_ratio": 0.5,
    "wind_with_snow_ratio": 0.6,
    "tilt_deg": 25.0,
    "press_coefficient_ratio": 1.0,
    "lift_coefficient_ratio": -1.2,
    "test_down_pa": 3600.0,
    "test_up_pa": 2400.0,
    "clamp_position_mm": 450.0,
    "zone_from_mm": 300.0,
    "zone_to_mm": 550.0,
    "torque_nm": 20.0,
    "torque_min_nm": 18.0,
    "torque_max_nm": 24.0,
    "module_gap_mm": 20.0,
    "side_mm": 1134.0,
    "least_gap_mm": 10.0,
    "module_expansion_per_k": mt.ALUMINIUM_EXPANSION_PER_K,
    "rail_length_m": 6.0,
    "rail_gap_mm": 20.0,
    "rail_expansion_per_k": mt.ALUMINIUM_EXPANSION_PER_K,
    "least_air_c": -20.0,
    "greatest_air_c": 38.0,
    "sun_heating_k": 30.0,
    "drainage_free_ratio": 1.0,
    "over_joint_ratio": 0.0,
    "corrosive_near_ratio": 0.0,
    "corrosion_confirmed_ratio": 0.0,
    "flammable_near_ratio": 0.0,
    "modules": 28.0,
    "module_mass_kg": 28.5,
    "structure_mass_kg": 420.0,
    "table_mass_max_kg": 1500.0,
    "area_m2": 70.0,
    "weight_max_pa": 250.0,
}
"""A sound mounting; each check fails with the change below."""
MISTAKES: dict[str, dict[str, float]] = {
    "module-load-down": {"ground_snow_pa": 8000.0},
    "module-load-up": {"test_up_pa": 300.0},
    "clamp-zone": {"clamp_position_mm": 250.0},
    "clamp-torque": {"torque_nm": 25.0},
    "module-gap": {"module_gap_mm": 8.0},
    "rail-length": {"rail_length_m": 12.0},
    "drainage-free": {"drainage_free_ratio": 0.0},
    "module-over-joint": {"over_joint_ratio": 1.0},
    "corrosive-surroundings": {"corrosive_near_ratio": 1.0},
    "flammable-surroundings": {"flammable_near_ratio": 1.0},
    "table-mass": {"table_mass_max_kg": 1200.0},
    "table-weight-area": {"weight_max_pa": 120.0},
}
ALL = [(check, practice) for check in CHECKS for practice in check.basis]


def _id(held: object) -> str:
    return held.key if isinstance(held, DesignCheck) else str(held)


def test_test_load_and_design_load_of_printed_tables() -> None:
    """The design loads that manuals print beside their test loads come out."""
    found = mt.design_load(np.array(RATINGS["inputs"]["test_load_pa"]))
    np.testing.assert_allclose(
        found, RATINGS["expected"]["design_load_pa"], atol=RATINGS["tolerance"]["load_pa"]
    )


@pytest.mark.parametrize("case", HEAT["case"], ids=lambda case: str(case["length_mm"]))
def test_movement_by_heat_of_the_textbook(case: dict[str, float]) -> None:
    """The textbook's bridge and the article's wire move as printed; the rail length inverts it."""
    found = mt.thermal_movement(
        case["length_mm"], range_k=case["range_k"], expansion_per_k=case["expansion_per_k"]
    )
    assert float(found) == pytest.approx(case["movement_mm"], abs=case["tolerance_mm"])
    back = mt.greatest_rail_length(
        found, range_k=case["range_k"], expansion_per_k=case["expansion_per_k"]
    )
    assert float(back) == pytest.approx(case["length_mm"] / 1000.0)


def test_press_of_wind_and_snow_of_the_design_guide() -> None:
    """Peak pressure and snow of the guide, put together by hand, are the check's value."""
    terrain = ws.terrain_category(GUIDE["wind"]["inputs"]["terrain"])
    values = PLACE | {
        "basic_wind_m_s": GUIDE["wind"]["inputs"]["basic_wind_m_s"],
        "height_m": GUIDE["wind"]["inputs"]["height_m"],
        "roughness_length_m": terrain.roughness_length_m,
        "least_height_m": terrain.least_height_m,
        "ground_snow_pa": GUIDE["snow"]["inputs"]["ground_snow_pa"][0],
        "tilt_deg": GUIDE["snow"]["inputs"]["tilt_deg"][0],
    }
    wind = GUIDE["wind"]["expected"]["peak_velocity_pressure_pa"]
    snow = GUIDE["snow"]["expected"]["load_pa"][0] * np.cos(np.radians(values["tilt_deg"])) ** 2
    check = next(one for one in CHECKS if one.key == "module-load-down")
    held = evaluate_check(check, {name: np.asarray(value) for name, value in values.items()})
    slack = GUIDE["wind"]["tolerance"]["peak_pa"] + GUIDE["snow"]["tolerance"]["load_pa"]
    assert float(held.value[0]) == pytest.approx(wind + 0.5 * snow, abs=slack)
    assert float(held.limit[0]) == pytest.approx(2400.0)


@pytest.mark.parametrize("practice", list(Practice))
@pytest.mark.parametrize("upwards", [False, True])
def test_steps_end_at_the_value_of_the_check(practice: Practice, upwards: bool) -> None:  # noqa: FBT001
    """The steps shown to the engineer are those the verdict rests on, each with its source."""
    values = {name: np.asarray(value) for name, value in PLACE.items()}
    steps = pl.load_steps(values, practice=practice, upwards=upwards)
    key = "module-load-up" if upwards else "module-load-down"
    check = next(one for one in CHECKS if one.key == key and practice in one.basis)
    assert float(steps[-1].value[0]) == float(evaluate_check(check, values).value[0])
    assert all(step.basis.partition(" ")[0] in SOURCES for step in steps)
    symbols = [step.symbol for step in steps]
    assert len(set(symbols)) == len(symbols)


def test_combinations_of_both_practices() -> None:
    """Each load leads once; lifting wind relieves no snow, pressing wind lifts nothing."""
    parts = {"snow_with_wind_ratio": 0.5, "wind_with_snow_ratio": 0.6}
    assert float(pl.combined_press(1000.0, snow_pa=200.0, **parts)) == pytest.approx(1100.0)
    assert float(pl.combined_press(200.0, snow_pa=1000.0, **parts)) == pytest.approx(1120.0)
    assert float(pl.combined_press(-900.0, snow_pa=1000.0, **parts)) == pytest.approx(1000.0)
    assert float(pl.allowable_press(1000.0, snow_pa=0.0)) == pytest.approx(600.0)
    assert float(pl.allowable_press(0.0, snow_pa=800.0)) == pytest.approx(800.0)
    assert float(pl.allowable_press(1000.0, snow_pa=500.0)) == pytest.approx(825.0)
    assert float(pl.allowable_lift(-1000.0)) == pytest.approx(600.0)
    assert float(pl.allowable_lift(1000.0)) == 0.0
    np.testing.assert_array_equal(pl.snow_with_wind_ratio(np.array([300.0, 1400.0])), [0.5, 0.7])


@pytest.mark.parametrize(("check", "practice"), ALL, ids=_id)
def test_checks_pass_fail_and_ask(check: DesignCheck, practice: Practice) -> None:
    """Each check passes a sound mounting, fails with its mistake, and names the key it lacks."""
    values: dict[str, float | None] = {one.name: PLACE[one.name] for one in check.inputs}
    good = check_design(check, subject="block north", practice=practice, values=values)
    assert good.finding.verdict is Verdict.PASS, good.finding.message
    assert good.worked.startswith(check.formula)
    bad = check_design(
        check, subject="block north", practice=practice, values=values | MISTAKES[check.key]
    )
    assert bad.finding.verdict is Verdict.FAIL
    assert bad.finding.margin is not None
    assert bad.finding.margin < 0.0
    assert bad.finding.remedy
    assert bad.finding.basis.partition(" ")[0] in SOURCES
    for lacking in check.inputs:
        asked = check_design(
            check, subject="block north", practice=practice, values=values | {lacking.name: None}
        )
        assert asked.finding.verdict is Verdict.NOT_ASSESSABLE
        assert lacking.key in asked.finding.remedy


def test_each_practice_is_asked_everything_once() -> None:
    """No key stands twice in one practice, and both have the same keys."""
    keys = {
        practice: [check.key for check in CHECKS if practice in check.basis]
        for practice in Practice
    }
    for held in keys.values():
        assert len(set(held)) == len(held)
    assert set(keys[Practice.IEC]) == set(keys[Practice.NEC]) == set(MISTAKES)
    iec_load = next(one for one in CHECKS if one.key == "module-load-up")
    with pytest.raises(CallError, match="does not belong"):
        check_design(iec_load, subject="x", practice=Practice.NEC, values={})


def test_confirmed_parts_may_stand_in_corrosive_air() -> None:
    """With the makers' confirmation corrosive air is no failure."""
    check = next(one for one in CHECKS if one.key == "corrosive-surroundings")
    held = check_design(
        check,
        subject="block north",
        practice=Practice.IEC,
        values={"corrosive_near_ratio": 1.0, "corrosion_confirmed_ratio": 1.0},
    )
    assert held.finding.verdict is Verdict.PASS


def test_a_value_outside_its_formula_is_never_a_pass() -> None:
    """A table higher than the wind formula reaches is not assessable."""
    check = next(one for one in CHECKS if one.key == "module-load-up")
    held = check_design(
        check,
        subject="block north",
        practice=Practice.IEC,
        values={one.name: PLACE[one.name] for one in check.inputs} | {"height_m": 250.0},
    )
    assert held.finding.verdict is Verdict.NOT_ASSESSABLE


@given(
    wind=st.floats(0.0, 60.0),
    gust=st.floats(0.0, 20.0),
    snow=st.floats(0.0, 5000.0),
    fall=st.floats(0.0, 2000.0),
    practice=st.sampled_from(list(Practice)),
)
def test_more_wind_or_snow_never_leaves_more_margin(
    wind: float, gust: float, snow: float, fall: float, practice: Practice
) -> None:
    """The margin of the press falls with both loads, that of the lift with the wind."""
    values = {name: np.asarray(value) for name, value in PLACE.items()} | {
        "basic_wind_m_s": np.array([wind, wind + gust, wind]),
        "ground_snow_pa": np.array([snow, snow, snow + fall]),
    }
    for check in CHECKS:
        if check.key.startswith("module-load") and practice in check.basis:
            margin = evaluate_check(check, values).margin
            assert margin[1] <= margin[0] + 1e-6
            assert margin[2] <= margin[0] + 1e-6


@given(
    length=st.floats(0.5, 30.0),
    longer=st.floats(0.0, 30.0),
    cold=st.floats(-50.0, 10.0),
    colder=st.floats(0.0, 20.0),
)
def test_longer_rails_and_colder_winters_never_leave_more_margin(
    length: float, longer: float, cold: float, colder: float
) -> None:
    """The rail's margin falls with its length and with the range of temperature."""
    check = next(one for one in CHECKS if one.key == "rail-length")
    values = {name: np.asarray(value) for name, value in PLACE.items()} | {
        "rail_length_m": np.array([length, length + longer, length]),
        "least_air_c": np.array([cold, cold, cold - colder]),
    }
    margin = evaluate_check(check, values).margin
    assert margin[1] <= margin[0]
    assert margin[2] <= margin[0]


def test_ten_thousand_variants_at_once() -> None:
    """A sweep over wind and tilt broadcasts through every step."""
    rng = np.random.default_rng(5)
    values = {name: np.asarray(value) for name, value in PLACE.items()} | {
        "basic_wind_m_s": rng.uniform(15.0, 40.0, 10_000),
        "tilt_deg": rng.uniform(0.0, 60.0, 10_000),
    }
    for check in CHECKS:
        held = evaluate_check(check, values)
        assert held.margin.shape in {(1,), (10_000,)}
        assert np.isfinite(held.margin).all()
    load = next(one for one in CHECKS if one.key == "module-load-down")
    one = 4321
    single = evaluate_check(
        load, {name: held if held.ndim == 0 else held[one] for name, held in values.items()}
    )
    assert evaluate_check(load, values).value[one] == pytest.approx(single.value[0], rel=1e-12)


def test_weight_of_a_table() -> None:
    """Twenty-eight modules of 28.5 kg on 420 kg of steel over 70 m2 weigh 170.6 Pa."""
    mass = mt.table_mass(28, module_mass_kg=28.5, structure_mass_kg=420.0)
    assert float(mass) == 1218.0
    assert float(mt.weight_per_area(mass, area_m2=70.0)) == pytest.approx(170.64, abs=0.005)
    assert np.isnan(mt.weight_per_area(mass, area_m2=0.0))
    assert np.isnan(mt.greatest_rail_length(20.0, range_k=0.0, expansion_per_k=23e-6))


def _clamping(name: str, side: str, zone: tuple[float, float], loads: tuple[float, float]) -> Any:
    return mt.Clamping(
        name=name,
        side=side,  # type: ignore[arg-type]
        from_mm=zone[0],
        to_mm=zone[1],
        test_down_pa=loads[0],
        test_up_pa=loads[1],
    )


def test_the_way_of_clamping_decides_what_a_module_bears() -> None:
    """The narrow, stronger zone comes before the wide one, and each bears its rated load only."""
    narrow = _clamping("narrow", "long", (240.0, 340.0), (5400.0, 2400.0))
    wide = _clamping("wide", "long", (0.0, 450.0), (2400.0, 2400.0))
    short = _clamping("short", "short", (0.0, 260.0), (1800.0, 1800.0))
    ways = (wide, short, narrow)
    assert mt.clampings_at(ways, side="long", position_mm=300.0) == (narrow, wide)
    assert mt.clampings_at(ways, side="long", position_mm=400.0) == (wide,)
    assert mt.clampings_at(ways, side="short", position_mm=300.0) == ()
    assert mt.clampings_that_bear(ways, press_pa=1600.0, lift_pa=1000.0) == (wide, narrow)
    assert mt.clampings_that_bear(ways, press_pa=1601.0, lift_pa=1000.0) == (narrow,)
    assert mt.clampings_that_bear(ways, press_pa=1000.0, lift_pa=1700.0) == ()
