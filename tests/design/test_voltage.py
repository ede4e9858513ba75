"""String voltage against worked examples, tables and an independent single-diode model."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st
from pvlib import pvsystem

from arraywright.design.extremes import cell_temp_from_nominal
from arraywright.design.string_window import hours_outside_window, string_length_range
from arraywright.design.voltage import (
    module_diode,
    module_voc_by_model,
    table_voltage_factor,
    voltage_at_temperature,
)
from arraywright.errors import CallError
from arraywright.physics import ReferenceDiode, voc_coefficient
from tests.published_values import published

EXAMPLES = published("string-voltage-examples")
MODULE = {
    "isc_a": 13.98,
    "voc_v": 49.8,
    "imp_a": 13.12,
    "vmp_v": 41.95,
    "alpha_isc_per_k": 0.00048,
    "beta_voc_per_k": -0.00265,
}
DIODE = module_diode(**MODULE)


def _pvlib_key_points(
    reference: ReferenceDiode, irradiance_w_m2: np.ndarray, cell_temp_c: np.ndarray
) -> dict[str, np.ndarray]:
    diode = pvsystem.calcparams_desoto(
        irradiance_w_m2,
        cell_temp_c,
        alpha_sc=reference.alpha_isc_a_per_k[0],
        a_ref=reference.diode_voltage_v[0],
        I_L_ref=reference.photocurrent_a[0],
        I_o_ref=reference.saturation_current_a[0],
        R_sh_ref=reference.shunt_resistance_ohm[0],
        R_s=reference.series_resistance_ohm[0],
        EgRef=reference.bandgap_ev[0],
        dEgdT=reference.bandgap_slope_per_k[0],
    )
    found: dict[str, np.ndarray] = pvsystem.singlediode(*diode)
    return found


def _most(module_v: float, limit_v: float) -> int:
    found = string_length_range(
        voc_cold_v=module_v,
        vmp_cold_v=1.0,
        vmp_hot_v=1e9,
        voc_hot_v=1e9,
        max_system_voltage_v=limit_v,
        max_voltage_v=np.inf,
        mppt_min_v=1.0,
        mppt_max_v=np.inf,
        start_voltage_v=1.0,
    )
    assert found.most_by_module[0] == found.most_safe[0]
    return int(found.most_by_module[0])


@pytest.mark.parametrize("example", EXAMPLES["cold"], ids=lambda one: one["place"])
def test_cold_voltage_by_coefficient_is_that_of_the_worked_examples(
    example: dict[str, float],
) -> None:
    """Module voltage and greatest number in series come out as printed."""
    module_v = float(
        voltage_at_temperature(
            example["voc_v"],
            coefficient_per_k=example["beta_voc_per_k"],
            cell_temp_c=example["min_air_temp_c"],
        )
    )
    assert module_v == pytest.approx(example["module_voc_v"], abs=example["tolerance_v"])
    most = _most(module_v, example["limit_v"])
    assert most == example["most"]
    if "string_voc_v" in example:
        assert most * module_v == pytest.approx(
            example["string_voc_v"], abs=example["string_tolerance_v"]
        )


@pytest.mark.parametrize("example", EXAMPLES["table"], ids=lambda one: one["place"])
def test_cold_voltage_by_table_is_that_of_the_worked_examples(example: dict[str, float]) -> None:
    """The table's factor gives the printed voltage and number in series."""
    module_v = example["voc_v"] * float(table_voltage_factor(example["min_air_temp_c"]))
    assert module_v == pytest.approx(example["module_voc_v"], abs=example["tolerance_v"])
    assert _most(module_v, example["limit_v"]) == example["most"]


@pytest.mark.parametrize("example", EXAMPLES["hot"], ids=lambda one: one["place"])
def test_hot_voltage_and_least_number_are_those_of_the_worked_examples(
    example: dict[str, float],
) -> None:
    """Vmp in the heat and the least number in series come out as printed."""
    module_v = float(
        voltage_at_temperature(
            example["vmp_v"],
            coefficient_per_k=example["beta_vmp_per_k"],
            cell_temp_c=example["max_cell_temp_c"],
        )
    )
    assert module_v == pytest.approx(example["module_vmp_v"], abs=example["tolerance_v"])
    found = string_length_range(
        voc_cold_v=50.0,
        vmp_cold_v=45.0,
        vmp_hot_v=module_v,
        voc_hot_v=45.0,
        max_system_voltage_v=1000.0,
        max_voltage_v=1000.0,
        mppt_min_v=example["mppt_min_v"],
        mppt_max_v=1000.0,
        start_voltage_v=100.0,
    )
    assert found.least[0] == found.least_by_mppt[0] == example["least"]


@pytest.mark.parametrize("example", EXAMPLES["nmot"], ids=lambda one: one["place"])
def test_cell_temperature_by_nmot_is_that_of_the_worked_example(
    example: dict[str, float],
) -> None:
    """The rise over the air is that of the example."""
    temp_c = cell_temp_from_nominal(
        example["air_temp_c"],
        nmot_c=example["nmot_c"],
        irradiance_w_m2=example["irradiance_w_m2"],
    )
    assert float(temp_c) == pytest.approx(example["cell_temp_c"], abs=example["tolerance_k"])


def test_every_row_of_the_table_is_found() -> None:
    """All thirteen rows give their factor at both ends, a fraction between rows the colder one."""
    held = published("nec-690-7-table")
    found = table_voltage_factor(held["inputs"]["min_air_temp_c"])
    np.testing.assert_array_equal(found, held["expected"]["factor"])


def test_table_ends_where_the_code_ends() -> None:
    """Warm sites need no factor, colder ones than the table are not guessed."""
    found = table_voltage_factor([25.0, 40.0, 24.5, -40.0, -40.5, np.nan])
    np.testing.assert_array_equal(found, [1.0, 1.0, 1.02, 1.25, np.nan, np.nan])


def test_model_voltage_agrees_with_an_independent_solver() -> None:
    """Voc by the single-diode model is pvlib's for the same parameters, from dawn to full sun."""
    irradiance, temp_c = np.meshgrid([50.0, 200.0, 1000.0, 1200.0], [-35.0, -10.0, 25.0, 75.0])
    voc_v = module_voc_by_model(
        **MODULE, irradiance_w_m2=irradiance.ravel(), cell_temp_c=temp_c.ravel()
    )
    outside = _pvlib_key_points(DIODE, irradiance.ravel(), temp_c.ravel())
    np.testing.assert_allclose(voc_v, outside["v_oc"], rtol=1e-9)


def test_model_keeps_the_data_sheet() -> None:
    """At STC the model gives the data sheet's Voc and follows its coefficient, however unusual."""
    voc_v = module_voc_by_model(**MODULE, irradiance_w_m2=1000.0, cell_temp_c=25.0)
    assert voc_v[0] == pytest.approx(MODULE["voc_v"], rel=1e-6)
    for beta_per_k in (-0.0012, MODULE["beta_voc_per_k"], -0.0060):
        diode = module_diode(**(MODULE | {"beta_voc_per_k": beta_per_k}))
        assert voc_coefficient(diode)[0] == pytest.approx(beta_per_k * MODULE["voc_v"], rel=1e-6)


def test_impossible_modules_have_no_voltage() -> None:
    """Values that are not a module's give nan beside sound neighbours, never an exception."""
    changed = MODULE | {"imp_a": np.array([13.12, 14.5, 13.12])}
    voc_v = module_voc_by_model(**changed, irradiance_w_m2=1000.0, cell_temp_c=25.0)
    assert np.isfinite(voc_v).tolist() == [True, False, True]
    alone = module_voc_by_model(
        **(MODULE | {"imp_a": 14.5}), irradiance_w_m2=1000.0, cell_temp_c=25.0
    )
    assert np.isnan(alone).all()


@settings(max_examples=40, deadline=None)
@drawn(
    temps_c=st.lists(st.floats(-40.0, 45.0), min_size=2, max_size=20),
    irradiance_w_m2=st.floats(20.0, 1200.0),
)
def test_colder_never_lowers_voc(temps_c: list[float], irradiance_w_m2: float) -> None:
    """By coefficient, table and model alike, Voc falls with temperature."""
    temp_c = np.sort(np.asarray(temps_c))
    by_coefficient = voltage_at_temperature(
        MODULE["voc_v"], coefficient_per_k=MODULE["beta_voc_per_k"], cell_temp_c=temp_c
    )
    by_model = module_voc_by_model(**MODULE, irradiance_w_m2=irradiance_w_m2, cell_temp_c=temp_c)
    for voc_v in (by_coefficient, table_voltage_factor(temp_c), by_model):
        assert np.all(np.diff(voc_v) <= 1e-9)


@settings(max_examples=40, deadline=None)
@drawn(
    voc_cold_v=st.floats(10.0, 80.0),
    limit_v=st.floats(100.0, 2000.0),
    low_v=st.floats(50.0, 900.0),
)
def test_range_keeps_its_limits(voc_cold_v: float, limit_v: float, low_v: float) -> None:
    """The longest string stays within the limit, one more does not; likewise the shortest."""
    hot_v = 0.7 * voc_cold_v
    found = string_length_range(
        voc_cold_v=voc_cold_v,
        vmp_cold_v=0.85 * voc_cold_v,
        vmp_hot_v=hot_v,
        voc_hot_v=hot_v,
        max_system_voltage_v=limit_v,
        max_voltage_v=limit_v + 5.0,
        mppt_min_v=low_v,
        mppt_max_v=limit_v,
        start_voltage_v=low_v - 5.0,
    )
    most, least = int(found.most_safe[0]), int(found.least[0])
    assert most * voc_cold_v <= limit_v * (1.0 + 1e-6) < (most + 1) * voc_cold_v * (1.0 + 2e-6)
    assert least * hot_v >= low_v * (1.0 - 1e-6) > (least - 1) * hot_v * (1.0 - 2e-6)


def test_range_of_many_variants_and_of_unknown_voltages() -> None:
    """Variants broadcast; an unknown voltage allows no length."""
    found = string_length_range(
        voc_cold_v=[54.2, np.nan],
        vmp_cold_v=46.0,
        vmp_hot_v=35.0,
        voc_hot_v=43.0,
        max_system_voltage_v=1500.0,
        max_voltage_v=1100.0,
        mppt_min_v=500.0,
        mppt_max_v=1000.0,
        start_voltage_v=550.0,
        system_voltage_limit_v=[1000.0, 1500.0],
    )
    assert found.most_by_module.tolist() == [27, 0]
    assert found.most_by_inverter.tolist() == [20, 0]
    assert found.most_by_place.tolist() == [18, 0]
    assert found.most_by_mppt.tolist() == [21, 21]
    assert found.least_by_mppt.tolist() == [15, 15]
    assert found.least_by_start.tolist() == [13, 13]
    assert found.most.tolist() == [18, 0]


def _invented_year() -> tuple[np.ndarray, np.ndarray]:
    hour = np.arange(8760)
    day = np.sin(2.0 * np.pi * (hour % 24 - 6) / 24.0)
    season = -np.cos(2.0 * np.pi * hour / 8760.0)
    irradiance = np.clip(day, 0.0, None) * (600.0 + 400.0 * season)
    temp_c = 8.0 + 17.0 * season + 6.0 * day + 0.03 * irradiance
    return irradiance, temp_c


def test_hours_outside_the_window_agree_with_counting_in_an_independent_model() -> None:
    """Hours below, above and over the voltage are those counted hour by hour with pvlib."""
    irradiance, temp_c = _invented_year()
    lengths = np.array([12, 16, 20, 24, 28])
    found = hours_outside_window(
        DIODE,
        irradiance_w_m2=irradiance,
        cell_temp_c=temp_c,
        modules=lengths,
        mppt_min_v=640.0,
        mppt_max_v=1000.0,
        max_voltage_v=1300.0,
    )
    lit = irradiance > 0.0
    outside = _pvlib_key_points(DIODE, irradiance[lit], temp_c[lit])
    counted = irradiance[lit] >= 50.0
    vmp_v = np.asarray(outside["v_mp"])[counted]
    voc_v = np.asarray(outside["v_oc"])
    assert found.light == counted.sum()
    for index, length in enumerate(lengths):
        assert found.below[index] == pytest.approx(np.sum(length * vmp_v < 640.0))
        assert found.above[index] == pytest.approx(np.sum(length * vmp_v > 1000.0))
        assert found.over[index] == pytest.approx(np.sum(length * voc_v > 1300.0))
    assert found.below[0] > 0.0
    assert found.above[-1] > 0.0
    assert found.over[-1] > 0.0
    np.testing.assert_allclose(found.highest_voc_v, lengths * voc_v.max(), rtol=1e-9)
    np.testing.assert_allclose(found.lowest_vmp_v, lengths * vmp_v.min(), rtol=1e-6)
    assert np.all(np.diff(found.below) <= 0.0)
    assert np.all(np.diff(found.above) >= 0.0)


def test_gaps_in_the_weather_are_left_out_and_told() -> None:
    """Missing steps lower the assessed share, and two years count as one."""
    irradiance, temp_c = _invented_year()

    def ask(irradiance_w_m2: np.ndarray, cell_temp_c: np.ndarray) -> tuple[float, float]:
        found = hours_outside_window(
            DIODE,
            irradiance_w_m2=irradiance_w_m2,
            cell_temp_c=cell_temp_c,
            modules=[16],
            mppt_min_v=640.0,
            mppt_max_v=1000.0,
            max_voltage_v=1300.0,
        )
        return float(found.below[0]), found.assessed_ratio

    once, all_known = ask(irradiance, temp_c)
    twice, _ = ask(np.tile(irradiance, 2), np.tile(temp_c, 2))
    assert all_known == 1.0
    assert twice == pytest.approx(once)
    _, share = ask(np.where(np.arange(8760) < 876, np.nan, irradiance), temp_c)
    assert share == pytest.approx(0.9)


def test_weather_that_does_not_fit_is_refused() -> None:
    """Series of unlike length and series without any reading are named."""
    limits = {"mppt_min_v": 500.0, "mppt_max_v": 1000.0, "max_voltage_v": 1500.0}
    with pytest.raises(CallError) as unlike:
        hours_outside_window(
            DIODE, irradiance_w_m2=[1.0, 2.0], cell_temp_c=[1.0], modules=[20], **limits
        )
    assert unlike.value.code == "shapes-differ"
    with pytest.raises(CallError) as empty:
        hours_outside_window(
            DIODE, irradiance_w_m2=[np.nan], cell_temp_c=[1.0], modules=[20], **limits
        )
    assert empty.value.code == "no-readings"
