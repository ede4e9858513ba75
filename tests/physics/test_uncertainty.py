"""Standard uncertainties against many draws and against the textbook's formulas."""

from __future__ import annotations

import numpy as np
import pytest

from arraywright.arrays import FloatArray
from arraywright.errors import CallError
from arraywright.physics import (
    Quantity,
    ReferenceDiode,
    combined,
    current_at_voltage,
    expanded,
    from_expanded,
    from_limits,
    key_points,
    measured_key_points,
    open_circuit_voltage,
    procedure_1_2021,
    propagate,
    string_open_circuit_voltage,
    translate,
    translate_short_circuit_current,
)

DRAWS = 40_000
RNG_SEED = 11


def _quantity(value: float, ratio: float) -> Quantity:
    return Quantity(value=np.array([value]), standard_uncertainty=np.array([abs(value) * ratio]))


def _draw(inputs: dict[str, Quantity], count: int = DRAWS) -> dict[str, FloatArray]:
    rng = np.random.default_rng(RNG_SEED)
    return {
        name: quantity.value + quantity.standard_uncertainty * rng.standard_normal(count)
        for name, quantity in inputs.items()
    }


def _reference(count: int, scale: FloatArray | float = 1.0) -> ReferenceDiode:
    return ReferenceDiode(
        photocurrent_a=np.full(count, 9.45),
        saturation_current_a=np.full(count, 3.2e-10) * scale,
        series_resistance_ohm=np.full(count, 0.3),
        shunt_resistance_ohm=np.full(count, 400.0),
        diode_voltage_v=np.full(count, 1.59),
        alpha_isc_a_per_k=np.full(count, 0.0057),
    )


def _string_voc(*, irradiance: FloatArray, temp: FloatArray) -> FloatArray:
    modules = 28
    strings = len(irradiance)
    diode = translate(
        _reference(strings * modules),
        irradiance_w_m2=np.repeat(irradiance, modules),
        cell_temp_c=np.repeat(temp, modules),
    )
    return string_open_circuit_voltage(diode, offsets=np.arange(strings + 1) * modules)


def test_string_voc_at_a_condition() -> None:
    """Voc of 28 modules at 800 W/m2 and 45 degC scatters over draws as propagated."""
    inputs = {
        "irradiance": _quantity(800.0, 0.03),
        "temp": Quantity(value=np.array([45.0]), standard_uncertainty=np.array([1.5])),
    }
    found = propagate(_string_voc, inputs)
    drawn = _string_voc(**_draw(inputs, 4000))
    assert found.standard_uncertainty[0] == pytest.approx(drawn.std(), rel=0.04)
    assert found.value[0] == pytest.approx(drawn.mean(), rel=2e-4)
    shares = found.shares()
    assert shares["temp"][0] > 0.8
    assert shares["temp"][0] + shares["irradiance"][0] == pytest.approx(1.0)


def _isc_at_stc(
    *, isc: FloatArray, irradiance: FloatArray, temp: FloatArray, alpha: FloatArray
) -> FloatArray:
    return translate_short_circuit_current(
        isc, irradiance_w_m2=irradiance, cell_temp_c=temp, alpha_isc_a_per_k=alpha
    )


def test_isc_at_stc() -> None:
    """The correction of a short-circuit current scatters over draws as propagated."""
    inputs = {
        "isc": _quantity(6.1, 0.005),
        "irradiance": _quantity(640.0, 0.02),
        "temp": Quantity(value=np.array([41.0]), standard_uncertainty=np.array([2.0])),
        "alpha": _quantity(0.0057, 0.2),
    }
    found = propagate(_isc_at_stc, inputs)
    drawn = _isc_at_stc(**_draw(inputs))
    assert found.standard_uncertainty[0] == pytest.approx(drawn.std(), rel=0.02)


CURVE_DIODE = translate(_reference(1), irradiance_w_m2=850.0, cell_temp_c=48.0)
CURVE_V = np.linspace(-0.3, float(key_points(CURVE_DIODE).voc_v[0]) + 0.4, 60)
CURVE_I = current_at_voltage(CURVE_DIODE, CURVE_V)


def _pmp_at_stc(
    *, irradiance: FloatArray, temp: FloatArray, beta: FloatArray, rs: FloatArray
) -> FloatArray:
    curves = len(np.broadcast_arrays(irradiance, temp, beta, rs)[0])
    offsets = np.arange(curves + 1) * len(CURVE_V)
    moved = procedure_1_2021(
        np.tile(CURVE_V, curves),
        np.tile(CURVE_I, curves),
        offsets=offsets,
        irradiance_w_m2=irradiance,
        cell_temp_c=temp,
        alpha_isc_a_per_k=0.0057,
        beta_voc_v_per_k=beta,
        series_resistance_ohm=rs,
        isc_a=float(key_points(CURVE_DIODE).isc_a[0]),
    )
    return measured_key_points(moved.voltage_v, moved.current_a, offsets=offsets).pmp_w


def test_maximum_power_translated_to_stc() -> None:
    """Pmax at STC from a measured curve scatters over draws of G, T, beta and Rs as propagated."""
    inputs = {
        "irradiance": _quantity(850.0, 0.02),
        "temp": Quantity(value=np.array([48.0]), standard_uncertainty=np.array([1.5])),
        "beta": _quantity(-0.13, 0.05),
        "rs": _quantity(0.35, 0.2),
    }
    found = propagate(_pmp_at_stc, inputs)
    drawn = _pmp_at_stc(**_draw(inputs, 4000))
    assert np.isfinite(drawn).all()
    assert found.standard_uncertainty[0] == pytest.approx(drawn.std(), rel=0.05)
    assert found.value[0] == pytest.approx(drawn.mean(), rel=1e-3)


def _sum(*, one: FloatArray, other: FloatArray) -> FloatArray:
    return one + other


@pytest.mark.parametrize(("correlation", "expected"), [(0.0, 5.0), (1.0, 7.0), (-1.0, 1.0)])
def test_correlated_inputs_of_a_sum(correlation: float, expected: float) -> None:
    """Uncertainties 3 and 4 add to 5, 7 or 1, as the GUM's equation 16 says."""
    inputs = {
        "one": Quantity(value=np.array([10.0]), standard_uncertainty=np.array([3.0])),
        "other": Quantity(value=np.array([20.0]), standard_uncertainty=np.array([4.0])),
    }
    found = propagate(_sum, inputs, correlations={("other", "one"): correlation})
    assert found.standard_uncertainty[0] == pytest.approx(expected)


def test_correlated_inputs_against_draws() -> None:
    """A product of two correlated inputs scatters over correlated draws as propagated."""
    rng = np.random.default_rng(RNG_SEED)
    z = rng.multivariate_normal([0.0, 0.0], [[1.0, 0.7], [0.7, 1.0]], size=DRAWS).T
    found = propagate(
        lambda a, b: a * b,
        {"a": _quantity(5.0, 0.02), "b": _quantity(3.0, 0.03)},
        correlations={("a", "b"): 0.7},
    )
    drawn = 5.0 * (1.0 + 0.02 * z[0]) * 3.0 * (1.0 + 0.03 * z[1])
    assert found.standard_uncertainty[0] == pytest.approx(drawn.std(), rel=0.02)


def test_budget_over_arrays_keeps_each_element_apart() -> None:
    """Thousands of strings at once give what each gives alone."""
    irradiance = np.linspace(600.0, 1000.0, 7)
    temp = np.linspace(20.0, 60.0, 7)

    def voc(*, g: FloatArray, t: FloatArray) -> FloatArray:
        return open_circuit_voltage(translate(_reference(len(g)), irradiance_w_m2=g, cell_temp_c=t))

    together = propagate(
        voc,
        {
            "g": Quantity(value=irradiance, standard_uncertainty=0.02 * irradiance),
            "t": Quantity(value=temp, standard_uncertainty=np.array(1.0)),
        },
    )
    for k in range(7):
        alone = propagate(
            voc,
            {
                "g": _quantity(float(irradiance[k]), 0.02),
                "t": Quantity(value=temp[[k]], standard_uncertainty=np.array([1.0])),
            },
        )
        assert together.standard_uncertainty[k] == pytest.approx(alone.standard_uncertainty[0])
        sensitivity = alone.sensitivities["t"][0]
        assert together.sensitivities["t"][k] == pytest.approx(sensitivity)
    assert np.all(together.sensitivities["t"] < 0.0)


def test_an_exact_input_contributes_nothing() -> None:
    """An input without uncertainty costs nothing and has no share."""
    found = propagate(
        _sum,
        {
            "one": Quantity(value=np.array([1.0]), standard_uncertainty=np.array([0.0])),
            "other": Quantity(value=np.array([2.0]), standard_uncertainty=np.array([0.5])),
        },
    )
    assert found.standard_uncertainty[0] == pytest.approx(0.5)
    assert found.contributions["one"][0] == 0.0
    assert found.shares()["other"][0] == 1.0


def test_everyday_conversions() -> None:
    """Certificates, accuracies and independent parts become standard uncertainties."""
    assert float(from_expanded(1.0)) == 0.5
    # GUM 4.3.7 note and 4.4.5: half width 1 has standard uncertainty 0.5774.
    assert float(from_limits(1.0)) == pytest.approx(0.57735, abs=1e-5)
    assert float(combined(3.0, 4.0, 12.0)) == pytest.approx(13.0)
    assert float(expanded(0.5, coverage_factor=3.0)) == 1.5


def test_wrong_correlations_are_refused() -> None:
    """Unknown names, impossible coefficients and impossible sets are errors."""
    inputs = {name: _quantity(1.0, 0.1) for name in ("a", "b", "c")}

    def total(*, a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
        return a + b + c

    with pytest.raises(CallError, match="one of a, b, c"):
        propagate(total, inputs, correlations={("a", "d"): 0.5})
    with pytest.raises(CallError, match="-1 to 1"):
        propagate(total, inputs, correlations={("a", "b"): 1.5})
    with pytest.raises(CallError, match="cannot hold together"):
        propagate(total, inputs, correlations={("a", "b"): 0.9, ("b", "c"): 0.9, ("a", "c"): -0.9})
    with pytest.raises(CallError, match="zero or more"):
        Quantity(value=np.array([1.0]), standard_uncertainty=np.array([-0.1]))
