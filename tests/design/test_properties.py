"""What must hold of every design, whatever its numbers, and of every conversion of units."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from arraywright import units
from arraywright.arrays import FloatArray
from arraywright.design import (
    CABLE_CHECKS,
    MATERIALS,
    VOLTAGE_CHECKS,
    DesignCheck,
    Practice,
    evaluate_check,
    module_voc_by_model,
    run_resistance_ohm,
    table_voltage_factor,
    voltage_at_temperature,
)
from tests.design import cable_cases, electrical_cases

STEPS = 40
RISE_RATIO = 1e-9
"""Room for rounding: a rise smaller than this share of the value is none."""

AT_MOST = [
    check
    for check in VOLTAGE_CHECKS
    if check.sense == "at most" and any(one.name == "modules" for one in check.inputs)
]
OF_COLD = [
    check
    for check in VOLTAGE_CHECKS
    if {"modules", "min_air_temp_c"} <= {one.name for one in check.inputs}
]
DROPS = [check for check in CABLE_CHECKS if check.key in ("dc-voltage-drop", "dc-cable-loss")]

MODULES = st.fixed_dictionaries(
    {
        "voc_v": st.floats(20.0, 80.0),
        "beta_voc_per_k": st.floats(-0.0045, -0.0015),
        "min_air_temp_c": st.floats(-40.0, 25.0),
        "dawn_irradiance_w_m2": st.floats(50.0, 1000.0),
        "system_voltage_limit_v": st.floats(600.0, 1500.0),
    }
)
AREAS = st.lists(st.floats(0.5, 1000.0), min_size=2, max_size=STEPS).map(sorted)
CABLES = st.fixed_dictionaries(
    {
        "imp_a": st.floats(0.5, 20.0),
        "modules": st.integers(5, 40).map(float),
        "strings_in_box": st.integers(0, 30).map(float),
        "conductor_temp_c": st.floats(20.0, 120.0),
        "string_length_m": st.floats(1.0, 2000.0),
        "array_length_m": st.floats(0.0, 2000.0),
        "string_area_mm2": st.floats(1.0, 50.0),
        "array_area_mm2": st.floats(1.0, 600.0),
        "string_material": st.sampled_from([float(at) for at in range(len(MATERIALS))]),
        "array_material": st.sampled_from([float(at) for at in range(len(MATERIALS))]),
    }
)


def _rises(values: FloatArray) -> FloatArray:
    """Give by how much each known value is above the one before, of its own size."""
    known = values[np.isfinite(values)]
    assert len(known) > 0
    return np.asarray(np.diff(known) / np.maximum(np.abs(known[1:]), 1e-9))


def _inputs(
    check: DesignCheck, sound: Mapping[str, float], changed: Mapping[str, object]
) -> dict[str, FloatArray]:
    held = {**sound, **changed}
    return {one.name: np.asarray(held[one.name], dtype=np.float64) for one in check.inputs}


def _scaled(module: Mapping[str, float]) -> dict[str, float]:
    """Give a module of another voltage with the others of its values to match."""
    ratio = module["voc_v"] / electrical_cases.SOUND["voc_v"]
    return {**module, "vmp_v": electrical_cases.SOUND["vmp_v"] * ratio}


@pytest.mark.parametrize("check", AT_MOST, ids=lambda check: check.key)
@given(module=MODULES)
def test_a_longer_string_never_has_more_room_below_a_voltage_limit(
    check: DesignCheck, module: dict[str, float]
) -> None:
    """Of every limit that a string's voltage must stay below, one more module takes margin."""
    length = np.arange(1.0, STEPS + 1.0)
    changed = {**_scaled(module), "modules": length}
    margin = evaluate_check(check, _inputs(check, electrical_cases.SOUND, changed)).margin
    known = margin[np.isfinite(margin)]
    assert (np.diff(known) <= RISE_RATIO * np.abs(known[1:])).all()
    # And it does take some: a margin that never moves would prove nothing.
    assert len(known) == 0 or known[0] > known[-1]


@pytest.mark.parametrize("check", OF_COLD, ids=lambda check: check.key)
@given(module=MODULES)
def test_a_colder_morning_never_lowers_the_voltage_checked(
    check: DesignCheck, module: dict[str, float]
) -> None:
    """Every value that rests on the coldest air is at least as high when that is colder."""
    changed = {**_scaled(module), "min_air_temp_c": np.linspace(-40.0, 25.0, STEPS)}
    value = evaluate_check(check, _inputs(check, electrical_cases.SOUND, changed)).value
    assert (_rises(value) <= RISE_RATIO).all()
    assert value[0] > value[-1]


@given(module=MODULES)
def test_a_colder_cell_never_lowers_the_voltage_by_either_way(module: dict[str, float]) -> None:
    """By coefficient, by the single-diode model and by the table, cold gives more voltage."""
    sound = {**electrical_cases.SOUND, **_scaled(module)}
    temp_c = np.linspace(-40.0, 75.0, STEPS)
    by_coefficient = voltage_at_temperature(
        sound["voc_v"], coefficient_per_k=sound["beta_voc_per_k"], cell_temp_c=temp_c
    )
    by_model = module_voc_by_model(
        voc_v=sound["voc_v"],
        isc_a=sound["isc_a"],
        vmp_v=sound["vmp_v"],
        imp_a=sound["imp_a"],
        alpha_isc_per_k=sound["alpha_isc_per_k"],
        beta_voc_per_k=sound["beta_voc_per_k"],
        irradiance_w_m2=sound["dawn_irradiance_w_m2"],
        cell_temp_c=temp_c,
    )
    for values in (by_coefficient, by_model, table_voltage_factor(temp_c)):
        if np.isfinite(values).any():
            assert (_rises(values) <= RISE_RATIO).all()


@pytest.mark.parametrize("name", ["string_area_mm2", "array_area_mm2"])
@pytest.mark.parametrize("check", DROPS, ids=lambda check: f"{check.key}-{'-'.join(check.basis)}")
@given(cable=CABLES, areas=AREAS)
@example(cable=dict(cable_cases.SOUND), areas=[3.31, 4.0, 5.26, 6.0, 8.37, 10.0])
def test_a_thicker_cable_never_drops_or_loses_more(
    check: DesignCheck, name: str, cable: dict[str, float], areas: list[float]
) -> None:
    """Whatever the sizes, listed or not: more copper never costs voltage or energy."""
    changed = {**cable, name: np.array(areas)}
    value = evaluate_check(check, _inputs(check, cable_cases.SOUND, changed)).value
    assert np.isfinite(value).all()
    assert (_rises(value) <= RISE_RATIO).all()
    if name == "string_area_mm2" and 2.0 * areas[0] < areas[-1] < 120.0:
        assert value[0] > value[-1]


@given(
    areas=AREAS,
    material=st.integers(0, len(MATERIALS) - 1),
    practice=st.sampled_from(list(Practice)),
    temp_c=st.floats(-20.0, 120.0),
)
def test_a_thicker_conductor_never_has_more_resistance(
    areas: list[float], material: int, practice: Practice, temp_c: float
) -> None:
    """Resistance falls with size, rises with length and, for metals, with temperature."""

    def ohm(**changed: object) -> FloatArray:
        held: dict[str, object] = {
            "area_mm2": np.array(areas),
            "conductor_length_m": 100.0,
            "conductor_temp_c": temp_c,
            **changed,
        }
        area = held.pop("area_mm2")
        return run_resistance_ohm(area, practice=practice, material=material, **held)  # type: ignore[arg-type]

    assert (_rises(ohm()) <= RISE_RATIO).all()
    assert (ohm(conductor_length_m=101.0) > ohm()).all()
    assert (ohm(conductor_temp_c=temp_c + 10.0) > ohm()).all()


CONVERSIONS: dict[str, Callable[[float], object]] = {
    name: getattr(units, name) for name in units.__all__ if "_to_" in name
}


def _back(name: str) -> str:
    """Give the name of the conversion that leads back."""
    source, _, target = name.partition("_to_")
    return f"{target}_to_{source}"


def test_every_conversion_has_one_that_leads_back() -> None:
    """No unit can be entered that could not be shown again."""
    assert len(CONVERSIONS) >= 10
    assert {_back(name) for name in CONVERSIONS} == set(CONVERSIONS)


@pytest.mark.parametrize("name", sorted(CONVERSIONS))
@given(value=st.floats(-1000.0, 1000.0))
def test_every_conversion_leads_back_to_where_it_began(name: str, value: float) -> None:
    """There and back again gives the same number, to the last digits that can be told."""
    if name.startswith("awg"):
        value /= 20.0
    elif name.startswith(("diameter", "area")):
        value = 1e-3 + abs(value)
    there = CONVERSIONS[name](value)
    again = float(CONVERSIONS[_back(name)](there))  # type: ignore[arg-type]
    assert again == pytest.approx(value, rel=1e-12, abs=1e-10)


def test_conversions_are_those_of_the_world() -> None:
    """Two inverse errors would lead back as well: one point of each is known."""
    assert units.degf_to_degc(212.0) == pytest.approx(100.0)  # boiling water, by definition
    assert float(units.celsius_to_kelvin(np.array(0.01))) == pytest.approx(273.16)
    assert units.newton_metre_to_foot_pound(1.3558179483314004) == pytest.approx(1.0)
    assert units.diameter_mm_to_awg(0.127) == pytest.approx(36.0)  # ASTM B258: 0.0050 in
    assert units.diameter_mm_to_awg(11.684) == pytest.approx(-3.0)  # ASTM B258: 4/0, 0.4600 in
