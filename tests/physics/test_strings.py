"""Strings and inputs: Kirchhoff's sums, an independent program, and the signatures of faults."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pvmismatch.pvmismatch_lib.pvcell import PVcell
from pvmismatch.pvmismatch_lib.pvconstants import PVconstants
from pvmismatch.pvmismatch_lib.pvmodule import STD72, PVmodule
from pvmismatch.pvmismatch_lib.pvstring import PVstring
from pvmismatch.pvmismatch_lib.pvsystem import PVsystem
from scipy.optimize import brentq

from arraywright.arrays import FloatArray
from arraywright.errors import CallError
from arraywright.physics import (
    MaximumPower,
    SingleDiode,
    key_points,
    open_circuit_voltage,
    parallel_current,
    parallel_curve,
    parallel_maximum_power,
    short_circuit_current,
    string_current,
    string_curve,
    string_maximum_power,
    string_open_circuit_voltage,
    string_short_circuit_current,
    string_voltage,
    voltage_at_current,
)


def _modules(count: int, *, spread: float = 0.01, seed: int = 1) -> SingleDiode:
    rng = np.random.default_rng(seed)
    return SingleDiode(
        photocurrent_a=13.5 * (1.0 + spread * rng.standard_normal(count)),
        saturation_current_a=3e-11 * np.exp(0.1 * rng.standard_normal(count)),
        series_resistance_ohm=0.25 * (1.0 + spread * rng.standard_normal(count)),
        shunt_resistance_ohm=np.full(count, 400.0),
        diode_voltage_v=np.full(count, 1.85),
    )


def _plain_voltage(
    diode: SingleDiode, current_a: FloatArray, ratio: FloatArray, *, drop_v: float = 0.5
) -> FloatArray:
    """Voltage of one string at currents (k,), written down again from the solved diodes alone."""
    modules, parts = ratio.shape
    total = np.zeros_like(current_a)
    for part in range(parts):
        part_diode = SingleDiode(
            photocurrent_a=diode.photocurrent_a * ratio[:, part],
            saturation_current_a=diode.saturation_current_a,
            series_resistance_ohm=diode.series_resistance_ohm / parts,
            shunt_resistance_ohm=diode.shunt_resistance_ohm / parts,
            diode_voltage_v=diode.diode_voltage_v / parts,
        )
        each = voltage_at_current(part_diode, np.broadcast_to(current_a, (modules, len(current_a))))
        total += np.maximum(each, -drop_v).sum(axis=0)
    return total


def test_string_voltage_is_the_sum_over_sub_strings() -> None:
    """Voltages with shade and bypass diodes equal a plain sum over the solved diodes."""
    diode = _modules(8)
    ratio = np.ones((8, 3))
    ratio[2, 1], ratio[5] = 0.3, [0.8, 0.0, 0.6]
    current = np.linspace(-1.0, 15.0, 97)
    found = string_voltage(
        diode, current[None, :], offsets=[0, 8], substring_photocurrent_ratio=ratio
    )[0]
    np.testing.assert_allclose(found, _plain_voltage(diode, current, ratio), rtol=1e-11, atol=1e-9)


def test_alike_sub_strings_are_the_module() -> None:
    """With equal shares the sub-strings give the same as whole modules, bypassed or not."""
    diode = _modules(20)
    current = np.linspace(0.0, 14.5, 50)[None, :].repeat(2, axis=0)
    whole = string_voltage(diode, current, offsets=[0, 10, 20])
    parts = string_voltage(
        diode, current, offsets=[0, 10, 20], substring_photocurrent_ratio=np.ones((20, 3))
    )
    np.testing.assert_allclose(parts, whole, rtol=1e-12, atol=1e-10)


def test_current_is_the_inverse_of_voltage() -> None:
    """From any current to the voltage and back, also beyond Voc and in bypass steps."""
    diode = _modules(12)
    ratio = np.ones((12, 3))
    ratio[3], ratio[9, 0] = 0.5, 0.2
    current = np.linspace(-2.0, 13.3, 60)[None, :]
    volts = string_voltage(diode, current, offsets=[0, 12], substring_photocurrent_ratio=ratio)
    back = string_current(diode, volts, offsets=[0, 12], substring_photocurrent_ratio=ratio)
    np.testing.assert_allclose(back, current, atol=1e-9)
    below_all_drops = -12 * 3 * 0.5 - 1.0
    assert np.isnan(string_current(diode, below_all_drops, offsets=[0, 12])).all()
    with_lead = string_current(diode, below_all_drops, offsets=[0, 12], lead_resistance_ohm=0.5)
    assert string_voltage(diode, with_lead, offsets=[0, 12], lead_resistance_ohm=0.5)[0] == (
        pytest.approx(below_all_drops)
    )


def _grid_maximum(
    diode: SingleDiode, offsets: list[int], ratio: FloatArray, points: int = 4001
) -> FloatArray:
    top = np.max(short_circuit_current(diode)) * 1.2 + 0.5
    current = np.linspace(0.0, top, points)[None, :].repeat(len(offsets) - 1, axis=0)
    volts = string_voltage(diode, current, offsets=offsets, substring_photocurrent_ratio=ratio)
    return np.asarray(np.max(volts * current, axis=1))


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6), shaded=st.floats(0.0, 1.0), spread=st.floats(0.0, 0.05))
def test_the_global_maximum_is_found_under_any_shade(
    seed: int, shaded: float, spread: float
) -> None:
    """No point of a fine grid beats the maximum, and some grid point comes close to it."""
    rng = np.random.default_rng(seed)
    ratio = np.where(rng.random((16, 3)) < shaded, rng.random((16, 3)), 1.0)
    diode = _modules(16, spread=spread, seed=seed)
    found = string_maximum_power(diode, offsets=[0, 7, 16], substring_photocurrent_ratio=ratio)
    grid = _grid_maximum(diode, [0, 7, 16], ratio)
    assert np.all(found.pmp_w >= grid * (1.0 - 1e-12))
    np.testing.assert_allclose(found.pmp_w, grid, rtol=1e-4, atol=1e-6)
    np.testing.assert_allclose(found.pmp_w, found.vmp_v * found.imp_a)
    back = string_voltage(
        diode, found.imp_a, offsets=[0, 7, 16], substring_photocurrent_ratio=ratio
    )
    np.testing.assert_allclose(back, found.vmp_v, rtol=1e-10)


def test_the_lower_of_two_maxima_is_passed_over_on_either_side() -> None:
    """One third shaded: at weak shade the full length wins, at strong shade the bypassed one."""
    diode = _modules(9, spread=0.0)
    winners = []
    for share in (0.9, 0.2):
        ratio = np.ones((9, 3))
        ratio[:3] = share
        best = string_maximum_power(diode, offsets=[0, 9], substring_photocurrent_ratio=ratio)
        winners.append(float(best.imp_a[0]) / float(diode.photocurrent_a[0]))
    assert winners[0] < 0.9
    assert winners[1] > 0.9


def test_short_circuit_current_lets_the_voltages_cancel() -> None:
    """At the short-circuit current the voltages sum to zero, the weak module reversed."""
    diode = _modules(6, spread=0.03)
    isc = string_short_circuit_current(diode, offsets=[0, 6])
    assert string_voltage(diode, isc, offsets=[0, 6])[0] == pytest.approx(0.0, abs=1e-8)
    alone = short_circuit_current(diode)
    assert alone.min() < isc[0] < alone.max()
    assert voltage_at_current(diode, isc[0]).min() < 0.0
    ratio = np.ones((6, 3))
    plain = brentq(lambda i: _plain_voltage(diode, np.array([i]), ratio)[0], 10.0, 16.0)
    assert isc[0] == pytest.approx(plain, rel=1e-9)


def test_a_shorted_bypass_diode_takes_a_third_of_one_module() -> None:
    """The string's Voc falls by Voc of the module over its three sub-strings."""
    diode = _modules(28)
    shorted = np.zeros((28, 3), dtype=np.bool_)
    shorted[11, 2] = True
    healthy = string_open_circuit_voltage(diode, offsets=[0, 28])
    faulty = string_open_circuit_voltage(diode, offsets=[0, 28], substring_shorted=shorted)
    module = open_circuit_voltage(diode)[11]
    assert healthy[0] - faulty[0] == pytest.approx(module / 3.0, rel=1e-10)
    assert healthy[0] == pytest.approx(open_circuit_voltage(diode).sum(), rel=1e-12)


def test_added_resistance_lowers_the_slope_at_open_circuit_by_itself() -> None:
    """dV/dI at Voc falls by exactly the ohms of a bad connector; Voc and Isc hardly move."""
    diode = _modules(28)

    def slope(lead: float) -> float:
        v = string_voltage(
            diode, np.array([[-1e-3, 1e-3]]), offsets=[0, 28], lead_resistance_ohm=lead
        )
        return float((v[0, 1] - v[0, 0]) / 2e-3)

    assert slope(0.0) - slope(3.0) == pytest.approx(3.0, rel=1e-6)
    healthy = string_maximum_power(diode, offsets=[0, 28])
    faulty = string_maximum_power(diode, offsets=[0, 28], lead_resistance_ohm=3.0)
    lost = healthy.imp_a[0] ** 2 * 3.0
    assert healthy.pmp_w[0] - faulty.pmp_w[0] == pytest.approx(lost, rel=0.05)


def test_one_module_alone_is_itself() -> None:
    """A string of one module has the module's own key points."""
    diode = _modules(5)
    offsets = np.arange(6)
    own = key_points(diode)
    found = string_maximum_power(diode, offsets=offsets)
    np.testing.assert_allclose(found.pmp_w, own.pmp_w, rtol=1e-12)
    np.testing.assert_allclose(found.imp_a, own.imp_a, rtol=1e-8)
    np.testing.assert_allclose(
        string_short_circuit_current(diode, offsets=offsets), own.isc_a, rtol=1e-10
    )


def test_strings_of_unequal_length_and_types_stay_apart() -> None:
    """Each string of a mixed plant gives what it gives alone."""
    diode = _modules(30)
    offsets = np.array([0, 4, 16, 30])
    parts = np.repeat([3, 2, 6], [4, 12, 14])
    ratio = np.random.default_rng(2).uniform(0.4, 1.0, (30, 6))
    together = string_maximum_power(
        diode, offsets=offsets, bypass_substrings=parts, substring_photocurrent_ratio=ratio
    )
    for k, (first, last) in enumerate(itertools.pairwise(offsets)):
        count = int(parts[first])
        alone = string_maximum_power(
            diode.take(np.arange(first, last)),
            offsets=[0, last - first],
            bypass_substrings=count,
            substring_photocurrent_ratio=ratio[first:last, :count],
        )
        assert together.pmp_w[k] == pytest.approx(alone.pmp_w[0], rel=1e-12)


def test_curve_runs_from_short_to_open_circuit() -> None:
    """The curve starts at Isc, ends at Voc without current, and falls all the way."""
    diode = _modules(12)
    curve = string_curve(diode, offsets=[0, 5, 12], points=101)
    assert curve.voltage_v.shape == curve.current_a.shape == (2, 101)
    np.testing.assert_allclose(
        curve.current_a[:, 0], string_short_circuit_current(diode, offsets=[0, 5, 12])
    )
    np.testing.assert_allclose(curve.current_a[:, -1], 0.0, atol=1e-9)
    assert np.all(np.diff(curve.current_a, axis=1) < 0.0)
    best = string_maximum_power(diode, offsets=[0, 5, 12]).pmp_w
    power = np.max(curve.voltage_v * curve.current_a, axis=1)
    assert np.all((power <= best) & (power > 0.995 * best))


def test_darkness_gives_nothing_and_a_missing_value_stays_in_its_string() -> None:
    """No light, no power; one module without parameters leaves its neighbours sound."""
    dark = SingleDiode(
        photocurrent_a=np.zeros(4),
        saturation_current_a=np.full(4, 1e-10),
        series_resistance_ohm=np.full(4, 0.3),
        shunt_resistance_ohm=np.full(4, np.inf),
        diode_voltage_v=np.full(4, 1.6),
    )
    assert string_maximum_power(dark, offsets=[0, 4]).pmp_w[0] == pytest.approx(0.0, abs=1e-12)
    assert string_open_circuit_voltage(dark, offsets=[0, 4])[0] == 0.0
    assert parallel_maximum_power(dark, offsets=[0, 2, 4], input_offsets=[0, 2]).pmp_w[0] == (
        pytest.approx(0.0, abs=1e-12)
    )
    whole = _modules(12)
    broken = SingleDiode(
        photocurrent_a=np.where(np.arange(12) == 5, np.nan, whole.photocurrent_a),
        saturation_current_a=whole.saturation_current_a,
        series_resistance_ohm=whole.series_resistance_ohm,
        shunt_resistance_ohm=whole.shunt_resistance_ohm,
        diode_voltage_v=whole.diode_voltage_v,
    )
    offsets = [0, 4, 8, 12]
    assert np.isnan(string_maximum_power(broken, offsets=offsets).pmp_w).tolist() == [
        False,
        True,
        False,
    ]
    assert np.isnan(string_short_circuit_current(broken, offsets=offsets)).tolist() == [
        False,
        True,
        False,
    ]
    pair = parallel_maximum_power(broken, offsets=offsets, input_offsets=[0, 2, 3])
    assert np.isnan(pair.pmp_w).tolist() == [True, False]


@settings(max_examples=12, deadline=None)
@example(seed=15612, shaded=0.1875)  # Newton's method alone goes to and fro here
@given(seed=st.integers(0, 10**6), shaded=st.floats(0.0, 0.6))
def test_the_global_maximum_of_strings_in_parallel(seed: int, shaded: float) -> None:
    """No point of a fine grid of common voltages beats it; the sum is that of the strings."""
    rng = np.random.default_rng(seed)
    ratio = np.where(rng.random((18, 3)) < shaded, rng.random((18, 3)), 1.0)
    diode = _modules(18, seed=seed)
    offsets, inputs = [0, 6, 12, 18], [0, 2, 3]
    found = parallel_maximum_power(
        diode, offsets=offsets, input_offsets=inputs, substring_photocurrent_ratio=ratio
    )
    top = open_circuit_voltage(diode).sum() / 3.0
    volts = np.linspace(0.0, top, 501)
    each = string_current(
        diode,
        np.tile(volts, (3, 1)),
        offsets=offsets,
        substring_photocurrent_ratio=ratio,
    )
    together = np.stack([each[0] + each[1], each[2]])
    grid = np.max(volts * together, axis=1)
    assert np.all(found.pmp_w >= grid * (1.0 - 1e-11))
    np.testing.assert_allclose(found.pmp_w, grid, rtol=3e-3, atol=1e-6)
    total = parallel_current(
        diode,
        np.tile(volts, (2, 1)),
        offsets=offsets,
        input_offsets=inputs,
        substring_photocurrent_ratio=ratio,
    )
    np.testing.assert_allclose(total, together, atol=1e-8)
    at_best = parallel_current(
        diode,
        found.vmp_v,
        offsets=offsets,
        input_offsets=inputs,
        substring_photocurrent_ratio=ratio,
    )
    np.testing.assert_allclose(at_best, found.imp_a, atol=1e-8)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    lengths=st.lists(st.integers(1, 9), min_size=1, max_size=4),
    shaded=st.sampled_from((0.0, 0.1, 0.5)),
    lead_ohm=st.sampled_from((0.0, 2.0)),
)
def test_the_global_maximum_of_strings_of_unequal_lengths(
    *, seed: int, lengths: list[int], shaded: float, lead_ohm: float
) -> None:
    """No point of a fine grid beats it where open-circuit voltages differ, leads counted."""
    rng = np.random.default_rng(seed)
    offsets = [0, *np.cumsum(lengths).tolist()]
    count = offsets[-1]
    ratio = np.where(rng.random((count, 3)) < shaded, rng.random((count, 3)), 1.0)
    diode = _modules(count, seed=seed)
    inputs = [0, len(lengths)]
    found = parallel_maximum_power(
        diode,
        offsets=offsets,
        input_offsets=inputs,
        substring_photocurrent_ratio=ratio,
        lead_resistance_ohm=lead_ohm,
    )
    top = np.add.reduceat(open_circuit_voltage(diode), offsets[:-1]).max()
    volts = np.linspace(0.0, top, 801)
    grid = volts * parallel_current(
        diode,
        volts[None, :],
        offsets=offsets,
        input_offsets=inputs,
        substring_photocurrent_ratio=ratio,
        lead_resistance_ohm=lead_ohm,
    )
    assert found.pmp_w[0] >= grid.max() * (1.0 - 1e-11)
    assert found.pmp_w[0] == pytest.approx(grid.max(), rel=3e-3)


def test_a_short_string_takes_current_back_from_its_neighbours() -> None:
    """Nothing blocks reverse current: above its own Voc the short string draws from the input."""
    diode = _modules(38, spread=0.0)
    offsets = [0, 20, 38]
    voc = string_open_circuit_voltage(diode, offsets=offsets)
    between = 0.5 * (voc[0] + voc[1])
    each = string_current(diode, np.full(2, between), offsets=offsets)
    assert each[0] > 0.0 > each[1]
    curve = parallel_curve(diode, offsets=offsets, input_offsets=[0, 2], points=51)
    assert curve.voltage_v[0, -1] == pytest.approx(voc[0])
    assert curve.current_a[0, -1] < 0.0


def _independent_array(points: int) -> tuple[float, float, MaximumPower, MaximumPower]:
    """Two strings of eight modules by another program and by ours, healthy and shaded."""
    constants = PVconstants(npts=points)

    def cell(suns: float = 1.0) -> PVcell:
        # One diode and no breakdown: then both models state the same physics.
        return PVcell(Isat2_T0=1e-30, aRBD=0.0, VRBD=-20.0, Ee=suns, pvconst=constants)

    def module() -> PVmodule:
        return PVmodule(cell_pos=STD72, pvcells=cell(), pvconst=constants)

    def power(modules: list[PVmodule]) -> float:
        strings = [PVstring(8, modules, constants), PVstring(8, [module()] * 8, constants)]
        return float(PVsystem(pvconst=constants, numberStrs=2, pvstrs=strings, numberMods=8).Pmp)

    third, weak = module(), module()
    third.setSuns([0.2] * 24, cells=list(range(24)))
    weak.setSuns([0.6] * 72, cells=list(range(72)))
    healthy_w = power([module()] * 8)
    shaded_w = power([third, weak] + [module()] * 6)

    full = cell()
    diode = SingleDiode(
        photocurrent_a=np.full(16, full.Igen),
        saturation_current_a=np.full(16, full.Isat1),
        series_resistance_ohm=np.full(16, 72.0 * full.Rs),
        shunt_resistance_ohm=np.full(16, 72.0 * full.Rsh),
        diode_voltage_v=np.full(16, 72.0 * full.Vt),
    )
    ratio = np.ones((16, 3))
    ratio[0, 0] = cell(0.2).Igen / full.Igen
    ratio[1] = cell(0.6).Igen / full.Igen
    healthy = parallel_maximum_power(diode, offsets=[0, 8, 16], input_offsets=[0, 2])
    shaded = parallel_maximum_power(
        diode,
        offsets=[0, 8, 16],
        input_offsets=[0, 2],
        substring_photocurrent_ratio=ratio,
    )
    return healthy_w, shaded_w, healthy, shaded


def test_an_array_with_shade_agrees_with_an_independent_program() -> None:
    """Maximum power of 2 x 8 modules, healthy and shaded, is pvmismatch 4.1's to 1e-5."""
    healthy_w, shaded_w, healthy, shaded = _independent_array(points=2001)
    assert shaded_w < 0.9 * healthy_w
    assert healthy.pmp_w[0] == pytest.approx(healthy_w, rel=1e-5)
    assert shaded.pmp_w[0] == pytest.approx(shaded_w, rel=1e-5)


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        ({"offsets": [0, 3]}, "offsets-do-not-fit"),
        ({"offsets": [1, 4]}, "offsets-do-not-fit"),
        ({"offsets": []}, "offsets-do-not-fit"),
        ({"offsets": [0, 2, 2, 4]}, "group-is-empty"),
        ({"offsets": [0, 4], "bypass_substrings": 0}, "value-out-of-range"),
        ({"offsets": [0, 4], "bypass_substrings": [3, 3]}, "shapes-differ"),
        ({"offsets": [0, 4], "bypass_drop_v": -0.5}, "value-out-of-range"),
        ({"offsets": [0, 4], "lead_resistance_ohm": -1.0}, "value-out-of-range"),
        ({"offsets": [0, 4], "substring_photocurrent_ratio": np.ones((4, 2))}, "shapes-differ"),
        ({"offsets": [0, 4], "substring_shorted": np.zeros((3, 3))}, "shapes-differ"),
    ],
)
def test_calls_that_cannot_be_right_are_refused(arguments: dict[str, object], code: str) -> None:
    """Each wrong argument is named by its own code before anything is computed."""
    with pytest.raises(CallError) as caught:
        string_maximum_power(_modules(4), **arguments)  # type: ignore[arg-type]
    assert caught.value.code == code
    assert caught.value.remedy
