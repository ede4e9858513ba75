"""Key points of measured curves against another library, and curves that are not fit."""

from __future__ import annotations

import numpy as np
import pytest

from arraywright.errors import CallError
from arraywright.physics import CurveGate, SingleDiode, key_points, measured_key_points
from arraywright.physics import current_at_voltage as current_of
from tests.published_values import published

VALUES = published("pvlib-astm-e1036")
RATIO = VALUES["tolerance"]["ratio"]


def _diode(count: int = 1) -> SingleDiode:
    return SingleDiode(
        photocurrent_a=np.linspace(9.0, 10.0, count),
        saturation_current_a=np.full(count, 3e-10),
        series_resistance_ohm=np.full(count, 0.3),
        shunt_resistance_ohm=np.full(count, 300.0),
        diode_voltage_v=np.full(count, 1.6),
    )


def test_key_points_are_those_of_another_library() -> None:
    """All six key points of the example agree to the digits that are given."""
    found = measured_key_points(
        VALUES["inputs"]["voltage_v"],
        VALUES["inputs"]["current_a"],
        offsets=[0, len(VALUES["inputs"]["voltage_v"])],
    )
    for name, expected in VALUES["expected"].items():
        assert getattr(found, name)[0] == pytest.approx(expected, rel=RATIO), name
    assert found.gate[0] == CurveGate.FIT


def test_samples_on_the_axes_are_taken_as_they_are() -> None:
    """A sample close enough to zero voltage or current is Isc or Voc itself, in any order."""
    v = VALUES["inputs"]["voltage_v"] + VALUES["inputs"]["more_voltage_v"]
    i = VALUES["inputs"]["current_a"] + VALUES["inputs"]["more_current_a"]
    found = measured_key_points(v, i, offsets=[0, len(v)])
    for name, expected in VALUES["expected_with_more"].items():
        assert getattr(found, name)[0] == pytest.approx(expected, rel=RATIO), name


def test_many_curves_of_unequal_length_with_gaps() -> None:
    """Key points of exact curves are those of the diode, each on its own, gaps left out."""
    diode = _diode(5)
    voc = key_points(diode).voc_v
    lengths = np.array([60, 80, 101, 70, 90])
    volts = [np.linspace(-0.5, top + 0.5, n) for top, n in zip(voc, lengths, strict=True)]
    amps = [current_of(diode.take([k]), row) for k, row in enumerate(volts)]
    amps[2][7] = np.nan
    offsets = np.concatenate([[0], np.cumsum(lengths)])
    found = measured_key_points(np.concatenate(volts), np.concatenate(amps), offsets=offsets)
    exact = key_points(diode)
    assert np.all(found.gate == CurveGate.FIT)
    np.testing.assert_allclose(found.isc_a, exact.isc_a, rtol=1e-4)
    np.testing.assert_allclose(found.voc_v, exact.voc_v, rtol=1e-3)
    np.testing.assert_allclose(found.pmp_w, exact.pmp_w, rtol=5e-4)
    np.testing.assert_allclose(found.vmp_v, exact.vmp_v, rtol=5e-3)
    np.testing.assert_allclose(found.isc_slope_ohm, 300.3, rtol=0.02)


def test_added_series_resistance_raises_the_slope_at_voc_by_itself() -> None:
    """A bad connector of 0.4 ohm shows as 0.4 ohm at open circuit, whatever the curve's noise."""
    diode = _diode()
    voc = key_points(diode).voc_v[0]
    v = np.linspace(0.0, voc + 0.2, 120)
    i = current_of(diode, v)
    noise = np.random.default_rng(3).normal(0.0, 0.01, v.shape)
    offsets = [0, len(v)]
    healthy = measured_key_points(v + noise, i, offsets=offsets)
    added = measured_key_points(v + noise - 0.4 * i, i, offsets=offsets)
    assert added.voc_slope_ohm[0] - healthy.voc_slope_ohm[0] == pytest.approx(0.4, rel=1e-9)


def test_a_tracer_resting_at_open_circuit_does_not_upset_voc() -> None:
    """Many samples on top of each other at the end of a sweep leave Voc and slope sound."""
    diode = _diode()
    exact = key_points(diode)
    v = np.linspace(0.0, exact.voc_v[0] - 0.1, 60)
    i = current_of(diode, v)
    jitter = np.random.default_rng(4).normal(0.0, 2e-4, (2, 8))
    v = np.concatenate([v, v[-1] + jitter[0]])
    i = np.concatenate([i, i[-1] + jitter[1]])
    found = measured_key_points(v, i, offsets=[0, len(v)])
    assert found.gate[0] == CurveGate.FIT
    assert found.voc_v[0] == pytest.approx(exact.voc_v[0], rel=2e-3)
    assert 0.3 < found.voc_slope_ohm[0] < 0.7


def _curve() -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], ...]:
    v = np.linspace(-0.5, key_points(_diode()).voc_v[0] + 0.3, 100)
    return v, current_of(_diode(), v)


def test_unfit_curves_say_why() -> None:
    """Each gate catches its own kind of curve and leaves nan what cannot be known."""
    v, i = _curve()
    shaky = i.copy()
    shaky[40] *= 0.8
    cases = {
        CurveGate.TOO_FEW_POINTS: (v[::15], i[::15]),
        CurveGate.NO_POWER: (v, -np.abs(i)),
        CurveGate.NOT_MONOTONE: (v, shaky),
        CurveGate.DOES_NOT_REACH_ZERO_VOLTAGE: (v[v > 8.0], i[v > 8.0]),
        CurveGate.DOES_NOT_REACH_ZERO_CURRENT: (v[i > 5.0], i[i > 5.0]),
    }
    lengths = [len(pair[0]) for pair in cases.values()]
    found = measured_key_points(
        np.concatenate([pair[0] for pair in cases.values()]),
        np.concatenate([pair[1] for pair in cases.values()]),
        offsets=np.concatenate([[0], np.cumsum(lengths)]),
    )
    assert [CurveGate(int(gate)) for gate in found.gate] == list(cases)
    assert np.isnan(found.pmp_w[:3]).all()
    assert np.isnan(found.isc_a[3])
    assert np.isfinite(found.pmp_w[3])
    assert np.isnan(found.voc_v[4])
    assert np.isfinite(found.isc_a[4])
    assert np.isnan(found.fill_factor_ratio).all()


def test_a_curve_that_ends_before_its_maximum_gives_no_maximum() -> None:
    """Power still rising at the last point is not taken for the maximum."""
    v, i = _curve()
    keep = v < 0.6 * v[-1]
    found = measured_key_points(v[keep], i[keep], offsets=[0, int(keep.sum())])
    assert CurveGate.MAXIMUM_NOT_COVERED in CurveGate(int(found.gate[0]))
    assert np.isnan(found.pmp_w[0])
    assert np.isfinite(found.isc_a[0])


def test_no_curves_and_empty_curves_are_fine() -> None:
    """Nothing in, nothing out; a curve without points has too few of them."""
    assert len(measured_key_points([], [], offsets=[0]).gate) == 0
    assert measured_key_points([], [], offsets=[0, 0]).gate[0] == CurveGate.TOO_FEW_POINTS


@pytest.mark.parametrize("offsets", [[0, 3], [1, 4], [0, 5, 4], []])
def test_offsets_that_do_not_fit_are_refused(offsets: list[int]) -> None:
    """Offsets that lose or invent points are an error, not a guess."""
    with pytest.raises(CallError, match="required"):
        measured_key_points([0.0, 1.0, 2.0, 3.0], [1.0, 1.0, 1.0, 0.0], offsets=offsets)
