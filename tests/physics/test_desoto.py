"""The translation to any irradiance and temperature against another library."""

from __future__ import annotations

import numpy as np
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.arrays import FloatArray
from arraywright.errors import CallError
from arraywright.physics import (
    ReferenceDiode,
    key_points,
    open_circuit_voltage,
    translate,
    voc_coefficient,
    with_voc_coefficient,
)


def _reference(count: int = 1) -> ReferenceDiode:
    spread = np.linspace(0.9, 1.1, count) if count > 1 else np.ones(1)
    return ReferenceDiode(
        photocurrent_a=9.45 * spread,
        saturation_current_a=3.2e-10 * spread,
        series_resistance_ohm=0.3 * spread,
        shunt_resistance_ohm=126.0 / spread,
        diode_voltage_v=1.59 * spread,
        alpha_isc_a_per_k=0.0057 * spread,
    )


def _voc_slope(reference: ReferenceDiode, step_k: float = 0.02) -> FloatArray:
    warm = translate(reference, irradiance_w_m2=1000.0, cell_temp_c=25.0 + step_k)
    cool = translate(reference, irradiance_w_m2=1000.0, cell_temp_c=25.0 - step_k)
    return (open_circuit_voltage(warm) - open_circuit_voltage(cool)) / (2.0 * step_k)


@settings(max_examples=100, deadline=None)
@given(
    irradiance=st.floats(0.001, 1500.0),
    temp_c=st.floats(-60.0, 120.0),
    bandgap_ev=st.floats(1.0, 1.7),
    slope=st.floats(-0.0005, 0.0),
)
def test_translated_parameters_agree_with_another_library(
    irradiance: float, temp_c: float, bandgap_ev: float, slope: float
) -> None:
    """All five parameters are those of the other library, from dusk to noon, frost to heat."""
    ours = translate(
        ReferenceDiode(
            photocurrent_a=np.array([9.45]),
            saturation_current_a=np.array([3.2e-10]),
            series_resistance_ohm=np.array([0.3]),
            shunt_resistance_ohm=np.array([126.0]),
            diode_voltage_v=np.array([1.59]),
            alpha_isc_a_per_k=np.array([0.0057]),
            bandgap_ev=np.array([bandgap_ev]),
            bandgap_slope_per_k=np.array([slope]),
        ),
        irradiance_w_m2=irradiance,
        cell_temp_c=temp_c,
    )
    theirs = pvlib.pvsystem.calcparams_desoto(
        irradiance, temp_c, 0.0057, 1.59, 9.45, 3.2e-10, 126.0, 0.3, bandgap_ev, slope
    )
    for mine, other in zip(
        (
            ours.photocurrent_a,
            ours.saturation_current_a,
            ours.series_resistance_ohm,
            ours.shunt_resistance_ohm,
            ours.diode_voltage_v,
        ),
        theirs,
        strict=True,
    ):
        np.testing.assert_allclose(mine, other, rtol=1e-12)


def test_reference_condition_changes_nothing() -> None:
    """At 1000 W/m2 and 25 degC the parameters are the given ones, for each module its own."""
    reference = _reference(5)
    same = translate(reference, irradiance_w_m2=1000.0, cell_temp_c=25.0)
    np.testing.assert_array_equal(same.photocurrent_a, reference.photocurrent_a)
    np.testing.assert_array_equal(same.saturation_current_a, reference.saturation_current_a)
    np.testing.assert_array_equal(same.shunt_resistance_ohm, reference.shunt_resistance_ohm)


def test_zero_irradiance_is_the_dark() -> None:
    """At night a module gives nothing, and nothing is not a number missing."""
    night = translate(_reference(), irradiance_w_m2=np.array([0.0, 200.0]), cell_temp_c=5.0)
    points = key_points(night)
    assert points.pmp_w[0] == points.voc_v[0] == points.isc_a[0] == 0.0
    assert points.pmp_w[1] > 0.0


def test_one_module_is_meant_everywhere() -> None:
    """One module's parameters serve a whole series of weather."""
    series = translate(
        _reference(), irradiance_w_m2=np.array([200.0, 600.0, 1000.0]), cell_temp_c=40.0
    )
    power_w = key_points(series).pmp_w
    assert power_w.shape == (3,)
    assert np.all(np.diff(power_w) > 0.0)


def test_impossible_questions_are_refused() -> None:
    """A negative irradiance and lengths that differ are wrong calls."""
    with pytest.raises(CallError, match="-3 W/m2"):
        translate(_reference(), irradiance_w_m2=np.array([10.0, -3.0]), cell_temp_c=25.0)
    with pytest.raises(CallError, match="2 modules"):
        translate(_reference(2), irradiance_w_m2=np.ones(3), cell_temp_c=25.0)
    with pytest.raises(CallError, match="2 modules"):
        with_voc_coefficient(_reference(2), beta_voc_v_per_k=np.full(3, -0.1))


def test_voltage_coefficient_is_the_slope_of_the_translation() -> None:
    """The closed form is what a small warming and cooling show."""
    reference = _reference(7)
    np.testing.assert_allclose(voc_coefficient(reference), _voc_slope(reference), rtol=1e-7)


@settings(max_examples=50, deadline=None)
@given(beta=st.floats(-0.25, -0.05))
def test_a_wanted_voltage_coefficient_is_followed(beta: float) -> None:
    """With an effective bandgap the curve at STC stays and Voc follows the wanted slope."""
    reference = _reference(3)
    changed = with_voc_coefficient(reference, beta_voc_v_per_k=beta)
    np.testing.assert_allclose(_voc_slope(changed), beta, rtol=1e-6)
    stc = translate(changed, irradiance_w_m2=1000.0, cell_temp_c=25.0)
    np.testing.assert_array_equal(key_points(stc).pmp_w, key_points(reference.at_reference()).pmp_w)
