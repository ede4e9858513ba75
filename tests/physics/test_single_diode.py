"""The single-diode solvers against precise curves and against another library."""

from __future__ import annotations

import csv
import json
from decimal import Decimal, localcontext
from pathlib import Path
from typing import Any

import numpy as np
import pvlib
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import constants

from arraywright.arrays import FloatArray
from arraywright.errors import CallError
from arraywright.physics import (
    SingleDiode,
    current_at_voltage,
    key_points,
    maximum_power,
    open_circuit_voltage,
    short_circuit_current,
    voltage_at_current,
)
from tests.published_values import published

TESTS = Path(__file__).parents[1]
PRECISE = published("pvlib-precise-iv")
TOLERANCE = PRECISE["tolerance"]


def _precise() -> list[tuple[SingleDiode, dict[str, Any]]]:
    pairs = []
    inputs = PRECISE["inputs"]
    for curves, parameters in zip(inputs["curves"], inputs["parameters"], strict=True):
        document = json.loads((TESTS / "data" / curves).read_text("utf-8"))
        with (TESTS / "data" / parameters).open(encoding="utf-8", newline="") as lines:
            rows = {int(row["Index"]): row for row in csv.DictReader(lines)}
        for curve in document["IV Curves"]:
            row = rows[curve["Index"]]
            thermal_v = constants.k * float(curve["Temperature"]) / constants.e
            diode = SingleDiode(
                photocurrent_a=np.array([float(row["photocurrent"])]),
                saturation_current_a=np.array([float(row["saturation_current"])]),
                series_resistance_ohm=np.array([float(row["resistance_series"])]),
                shunt_resistance_ohm=np.array([float(row["resistance_shunt"])]),
                diode_voltage_v=np.array(
                    [float(row["n"]) * int(row["cells_in_series"]) * thermal_v]
                ),
            )
            pairs.append((diode, curve))
    return pairs


CURVES = _precise()


def _diode(**values: FloatArray | float) -> SingleDiode:
    given_values: dict[str, Any] = {
        "photocurrent_a": 9.0,
        "saturation_current_a": 1e-10,
        "series_resistance_ohm": 0.3,
        "shunt_resistance_ohm": 400.0,
        "diode_voltage_v": 1.6,
    }
    return SingleDiode(**(given_values | values))


def test_all_precise_curves_are_there() -> None:
    """No curve of the two sets is left out of the checks."""
    assert len(CURVES) == PRECISE["expected"]["curve_count"]
    assert all(len(curve["Voltages"]) == 100 for _, curve in CURVES)


@pytest.mark.parametrize("number", range(len(CURVES)))
def test_currents_and_voltages_of_a_precise_curve(number: int) -> None:
    """Each printed point is met in both directions."""
    diode, curve = CURVES[number]
    voltage_v = np.array(curve["Voltages"], dtype=float)
    current_a = np.array(curve["Currents"], dtype=float)
    ours_a = current_at_voltage(diode, voltage_v)
    lit = current_a > 0.0
    np.testing.assert_allclose(ours_a[lit], current_a[lit], rtol=TOLERANCE["current_ratio"])
    np.testing.assert_allclose(
        ours_a, current_a, rtol=0.0, atol=TOLERANCE["current_of_isc_ratio"] * current_a[0]
    )
    np.testing.assert_allclose(
        voltage_at_current(diode, current_a),
        voltage_v,
        rtol=0.0,
        atol=TOLERANCE["voltage_of_voc_ratio"] * voltage_v[-1],
    )


@pytest.mark.parametrize("number", range(len(CURVES)))
def test_key_points_of_a_precise_curve(number: int) -> None:
    """Isc, Voc and the maximum are met to the last digits of double precision."""
    diode, curve = CURVES[number]
    points = key_points(diode)
    for ours, printed in (
        (points.isc_a, "i_sc"),
        (points.voc_v, "v_oc"),
        (points.imp_a, "i_mp"),
        (points.vmp_v, "v_mp"),
        (points.pmp_w, "p_mp"),
    ):
        np.testing.assert_allclose(ours, [float(curve[printed])], rtol=TOLERANCE["key_point_ratio"])


modules = st.fixed_dictionaries(
    {
        "photocurrent_a": st.floats(-6.0, 2.0).map(lambda x: 10.0**x),
        "saturation_current_a": st.floats(-20.0, -5.0).map(lambda x: 10.0**x),
        "series_resistance_ohm": st.one_of(
            st.just(0.0), st.floats(-4.0, 1.5).map(lambda x: 10.0**x)
        ),
        "shunt_resistance_ohm": st.one_of(
            st.just(np.inf), st.floats(0.0, 6.0).map(lambda x: 10.0**x)
        ),
        "diode_voltage_v": st.floats(-2.0, 1.5).map(lambda x: 10.0**x),
    }
)


def _as_pvlib(values: dict[str, float]) -> dict[str, float]:
    return {
        "photocurrent": values["photocurrent_a"],
        "saturation_current": values["saturation_current_a"],
        "resistance_series": values["series_resistance_ohm"],
        "resistance_shunt": values["shunt_resistance_ohm"],
        "nNsVth": values["diode_voltage_v"],
    }


@settings(max_examples=300, deadline=None)
@given(values=modules, share=st.floats(-1.0, 1.0))
def test_any_current_and_voltage_agree_with_another_library(
    values: dict[str, float], share: float
) -> None:
    """From starlight to concentration, with and without resistances, Lambert's W agrees."""
    diode = _diode(**values)
    voc_v = open_circuit_voltage(diode)
    voltage_v = share * voc_v
    lift_v = values["series_resistance_ohm"] * values["photocurrent_a"] + voltage_v[0]
    assume(lift_v / values["diode_voltage_v"] < 600.0)  # beyond, the other library overflows
    theirs_a = pvlib.pvsystem.i_from_v(voltage_v, **_as_pvlib(values), method="lambertw")
    scale_a = np.maximum(np.abs(theirs_a), values["photocurrent_a"])
    ours_a = current_at_voltage(diode, voltage_v)
    np.testing.assert_allclose(ours_a / scale_a, theirs_a / scale_a, rtol=0.0, atol=1e-9)
    current_a = share * values["photocurrent_a"]
    with np.errstate(over="ignore"):
        theirs_v = pvlib.pvsystem.v_from_i(current_a, **_as_pvlib(values), method="lambertw")
    scale_v = np.maximum(np.abs(theirs_v), voc_v)
    ours_v = voltage_at_current(diode, current_a)
    np.testing.assert_allclose(ours_v / scale_v, theirs_v / scale_v, rtol=0.0, atol=1e-9)


def _excess_a(values: dict[str, float], *, voltage_v: float, current_a: Decimal) -> Decimal:
    """What the equation's right side exceeds the current by, in 60 digits."""
    il, i0, rs, a = (
        Decimal(values[name])
        for name in (
            "photocurrent_a",
            "saturation_current_a",
            "series_resistance_ohm",
            "diode_voltage_v",
        )
    )
    shunt = values["shunt_resistance_ohm"]
    junction = Decimal(voltage_v) + current_a * rs
    leak = junction / Decimal(shunt) if np.isfinite(shunt) else Decimal(0)
    return il - i0 * ((junction / a).exp() - 1) - leak - current_a


@settings(max_examples=300, deadline=None)
@given(values=modules, share=st.floats(-2.0, 1.5))
def test_any_current_solves_the_equation_in_sixty_digits(
    values: dict[str, float], share: float
) -> None:
    """The exact current lies within 1e-11 of ours, since the equation changes sign there."""
    diode = _diode(**values)
    voltage_v = float(share * open_circuit_voltage(diode)[0])
    assume(voltage_v / values["diode_voltage_v"] < 600.0)
    ours_a = float(current_at_voltage(diode, voltage_v)[0])
    within = Decimal(1e-11 * max(abs(ours_a), values["photocurrent_a"]))
    with localcontext(prec=60):
        above = _excess_a(values, voltage_v=voltage_v, current_a=Decimal(ours_a) + within)
        below = _excess_a(values, voltage_v=voltage_v, current_a=Decimal(ours_a) - within)
    assert above < 0 < below


@settings(max_examples=300, deadline=None)
@given(values=modules)
def test_any_maximum_agrees_with_another_library(values: dict[str, float]) -> None:
    """The maximum is the one that a bracketing search of another library finds."""
    theirs = pvlib.pvsystem.max_power_point(**_as_pvlib(values), method="brentq")
    ours = maximum_power(_diode(**values))
    np.testing.assert_allclose(ours.pmp_w, theirs["p_mp"], rtol=1e-9)


@settings(max_examples=300, deadline=None)
@given(values=modules)
def test_no_point_beside_the_maximum_gives_more(values: dict[str, float]) -> None:
    """Power falls on both sides of the maximum, seen by the other solver."""
    diode = _diode(**values)
    best = maximum_power(diode)
    beside_v = best.vmp_v[:, None] * np.array([[0.9, 0.99, 1.01, 1.1]])
    assert np.all(beside_v * current_at_voltage(diode, beside_v) < best.pmp_w)


@settings(max_examples=300, deadline=None)
@given(values=modules)
def test_current_falls_when_voltage_rises(values: dict[str, float]) -> None:
    """Voltage over current is monotone from generator to load, and the way back is the same."""
    diode = _diode(**values)
    isc_a = float(short_circuit_current(diode)[0])
    current_a = np.linspace(-1.0, 1.0, 41) * isc_a
    voltage_v = voltage_at_current(diode, current_a)
    assert np.all(np.diff(voltage_v) < 0.0)
    np.testing.assert_allclose(
        current_at_voltage(diode, voltage_v), current_a, rtol=0.0, atol=1e-9 * isc_a
    )


def test_current_above_short_circuit_needs_a_negative_voltage() -> None:
    """A shaded module that its string drives follows its shunt and its series resistance."""
    diode = _diode()
    current_a = np.array([9.5, 10.0, 12.0])
    slope_ohm = np.diff(voltage_at_current(diode, current_a)) / np.diff(current_a)
    assert np.all(voltage_at_current(diode, current_a) < 0.0)
    np.testing.assert_allclose(slope_ohm, -(400.0 + 0.3), rtol=1e-9)


def test_the_dark_gives_zeros_and_no_nan() -> None:
    """Zero photocurrent with an infinite shunt is a module at night, not an error."""
    night = _diode(photocurrent_a=0.0, shunt_resistance_ohm=np.inf)
    points = key_points(night)
    for value in (points.isc_a, points.voc_v, points.imp_a, points.vmp_v, points.pmp_w):
        assert value.tolist() == [0.0]
    assert voltage_at_current(night, 1.0).tolist() == [-np.inf]
    assert voltage_at_current(night, -1.0)[0] > 0.0
    assert current_at_voltage(night, 30.0)[0] < 0.0


def test_one_missing_parameter_spoils_only_its_own_module() -> None:
    """A missing value stays with the module it belongs to."""
    diode = _diode(photocurrent_a=np.array([9.0, np.nan, 9.0]))
    power = maximum_power(diode)
    assert np.isnan(power.pmp_w).tolist() == [False, True, False]
    assert np.isnan(open_circuit_voltage(diode)).tolist() == [False, True, False]
    assert np.isnan(short_circuit_current(diode)).tolist() == [False, True, False]
    assert power.pmp_w[0] == power.pmp_w[2]


def test_a_diode_with_a_wrong_sign_has_no_maximum() -> None:
    """Parameters that no diode has give nan, never a plausible power."""
    diode = _diode(
        photocurrent_a=np.array([-1.0, 9.0, 9.0, 9.0]),
        series_resistance_ohm=np.array([0.3, -0.3, 0.3, 0.3]),
        shunt_resistance_ohm=np.array([400.0, 400.0, -400.0, 400.0]),
        diode_voltage_v=np.array([1.6, 1.6, 1.6, 0.0]),
    )
    assert np.isnan(maximum_power(diode).pmp_w).all()


def test_shapes_of_answers_follow_shapes_of_questions() -> None:
    """Scalars, one value per module and rows of values per module are all understood."""
    three = _diode(photocurrent_a=np.array([8.0, 9.0, 10.0]))
    assert len(three) == 3
    assert current_at_voltage(three, 30.0).shape == (3,)
    assert current_at_voltage(three, np.full(3, 30.0)).shape == (3,)
    grid_v = np.linspace(0.0, 40.0, 15).reshape(3, 5)
    grid_a = current_at_voltage(three, grid_v)
    assert grid_a.shape == (3, 5)
    single_a = current_at_voltage(three.take(1), grid_v[1])
    np.testing.assert_array_equal(single_a, grid_a[1])
    np.testing.assert_array_equal(
        three.take(three.photocurrent_a > 8.5).photocurrent_a, [9.0, 10.0]
    )
    np.testing.assert_array_equal(three.take(slice(1, None)).photocurrent_a, [9.0, 10.0])


def test_many_and_few_modules_get_the_same_answers() -> None:
    """A module's answer does not depend on how many others are asked about beside it."""
    rng = np.random.default_rng(20_201)
    many = _diode(photocurrent_a=rng.uniform(1.0, 12.0, 2_000))
    few = many.take(slice(100))
    for ask in (open_circuit_voltage, short_circuit_current):
        np.testing.assert_array_equal(ask(many)[:100], ask(few))
    np.testing.assert_array_equal(maximum_power(many).pmp_w[:100], maximum_power(few).pmp_w)
    np.testing.assert_array_equal(key_points(many).vmp_v[:100], key_points(few).vmp_v)


def test_shapes_that_do_not_fit_are_refused_with_a_remedy() -> None:
    """A wrong length is a wrong call and says what would be right."""
    two = _diode(photocurrent_a=np.array([8.0, 9.0]))
    with pytest.raises(CallError, match=r"required: a scalar, \(2,\) or \(2, k\)") as refused:
        current_at_voltage(two, np.zeros(3))
    assert refused.value.code == "shapes-differ"
    with pytest.raises(CallError, match="one length"):
        _diode(photocurrent_a=np.zeros(2), diode_voltage_v=np.ones(3))
