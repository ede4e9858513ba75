"""Cell temperature: two weather models through another library, the back, and Voc."""

from __future__ import annotations

import numpy as np
import pytest
from pvlib import temperature

from arraywright.arrays import FloatArray
from arraywright.errors import CallError
from arraywright.physics import (
    MOUNTINGS,
    ReferenceDiode,
    from_air,
    from_back_surface,
    from_voc,
    open_circuit_voltage,
    translate,
)
from tests.published_values import published

MODULE = ReferenceDiode(
    photocurrent_a=np.array([9.45]),
    saturation_current_a=np.array([3.2e-10]),
    series_resistance_ohm=np.array([0.3]),
    shunt_resistance_ohm=np.array([400.0]),
    diode_voltage_v=np.array([1.59]),
    alpha_isc_a_per_k=np.array([0.0057]),
)


def test_mountings_carry_the_published_coefficients() -> None:
    """Every mounting and its three coefficients are those that another library transcribed."""
    theirs = temperature.TEMPERATURE_MODEL_PARAMETERS["sapm"]
    assert set(theirs) == set(MOUNTINGS)
    for name, (a, b, rise) in MOUNTINGS.items():
        assert (theirs[name]["a"], theirs[name]["b"], theirs[name]["deltaT"]) == (a, b, rise)


def test_published_examples_of_both_models() -> None:
    """The values of the other library's own tests come out to their printed digits."""
    values = published("pvlib-cell-temperature")
    given, expected, slack = values["inputs"], values["expected"], values["tolerance"]["temp_k"]
    mounting = given.pop("mounting")
    sapm = from_air(mounting=mounting, **given)
    assert float(sapm.cell_temp_c) == pytest.approx(expected["sapm_c"], abs=slack)
    faiman = from_air("faiman", **given)
    assert float(faiman.cell_temp_c) == pytest.approx(expected["faiman_c"], abs=slack)


def test_the_two_models_agree_within_their_uncertainty() -> None:
    """On an open rack the two published models differ by no more than they admit (95 %)."""
    wind = np.linspace(1.0, 8.0, 15)
    irradiance = np.linspace(300.0, 1000.0, 15)[:, None]
    one = from_air(irradiance_w_m2=irradiance, air_temp_c=15.0, wind_m_s=wind)
    other = from_air("faiman", irradiance_w_m2=irradiance, air_temp_c=15.0, wind_m_s=wind)
    spread = np.hypot(one.standard_uncertainty_k, other.standard_uncertainty_k)
    assert one.cell_temp_c.shape == spread.shape == (15, 15)
    share = np.mean(np.abs(one.cell_temp_c - other.cell_temp_c) < 2.0 * spread)
    assert share > 0.9


def test_back_surface_adds_the_rise_in_proportion_to_the_light() -> None:
    """At 500 W/m2 half of the 3 K stand between back and cell; in the dark nothing does."""
    found = from_back_surface(np.array([40.0, 40.0]), np.array([500.0, 0.0]))
    np.testing.assert_allclose(found.cell_temp_c, [41.5, 40.0])
    np.testing.assert_allclose(found.standard_uncertainty_k, [np.hypot(1.0, 0.75), 1.0])


def _voc(irradiance: FloatArray, temp_c: FloatArray) -> FloatArray:
    return open_circuit_voltage(translate(MODULE, irradiance_w_m2=irradiance, cell_temp_c=temp_c))


def test_voc_gives_back_the_temperature_it_was_made_at() -> None:
    """Voc of a known module at many conditions yields its cell temperature to about 1 K."""
    grid = np.meshgrid(np.linspace(600.0, 1100.0, 8), np.linspace(0.0, 70.0, 8))
    irradiance, temp_c = grid[0].ravel(), grid[1].ravel()
    base = _voc(np.array([1000.0]), np.array([25.0]))[0]
    beta = (_voc(np.array([1000.0]), np.array([50.0]))[0] - base) / 25.0 / base
    found = from_voc(
        _voc(irradiance, temp_c),
        irradiance,
        voc_stc_v=base,
        beta_voc_per_k=beta,
        irradiance_factor_ratio=1.59 / base,
    )
    assert np.max(np.abs(found.cell_temp_c - temp_c)) < 1.1
    assert np.all(found.standard_uncertainty_k > 1.5)


def test_uncertainty_of_the_equivalent_temperature_is_that_of_many_draws() -> None:
    """The stated standard uncertainty is the scatter of the temperature over drawn inputs."""
    rng = np.random.default_rng(5)
    count = 200_000

    def drawn(value: float, ratio: float) -> FloatArray:
        return value * (1.0 + ratio * rng.standard_normal(count))

    stated = from_voc(35.2, 830.0, voc_stc_v=38.0, beta_voc_per_k=-0.003)
    exact = {
        "voc_uncertainty_ratio": 0.0,
        "voc_stc_uncertainty_ratio": 0.0,
        "irradiance_uncertainty_ratio": 0.0,
        "beta_uncertainty_ratio": 0.0,
    }
    many = from_voc(
        drawn(35.2, 0.003),
        drawn(830.0, 0.03),
        voc_stc_v=drawn(38.0, 0.005),
        beta_voc_per_k=drawn(-0.003, 0.05),
        **exact,
    )
    spread = float(many.cell_temp_c.std())
    assert float(stated.standard_uncertainty_k) == pytest.approx(spread, rel=0.02)
    assert not many.standard_uncertainty_k.any()


@pytest.mark.parametrize(
    ("voc", "irradiance", "beta"), [(-35.0, 800.0, -0.003), (35.0, 0.0, -0.003), (35.0, 800.0, 0.3)]
)
def test_impossible_inputs_are_refused(voc: float, irradiance: float, beta: float) -> None:
    """A reversed reading, no light, or a coefficient with the wrong sign is an error."""
    with pytest.raises(CallError, match="required"):
        from_voc(voc, irradiance, voc_stc_v=38.0, beta_voc_per_k=beta)


def test_unknown_names_are_refused_with_the_known_ones() -> None:
    """A wrong model or mounting names what there is."""
    with pytest.raises(CallError, match="sapm or faiman"):
        from_air("other", irradiance_w_m2=1.0, air_temp_c=1.0, wind_m_s=1.0)  # type: ignore[arg-type]
    with pytest.raises(CallError, match="open_rack_glass_glass"):
        from_air(irradiance_w_m2=1.0, air_temp_c=1.0, wind_m_s=1.0, mounting="roof")  # type: ignore[arg-type]
