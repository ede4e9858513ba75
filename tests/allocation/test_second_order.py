"""The sum of squares the planner works with, against exact curves, another program and the law."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pvmismatch.pvmismatch_lib.pvcell import PVcell
from pvmismatch.pvmismatch_lib.pvconstants import PVconstants
from pvmismatch.pvmismatch_lib.pvmodule import STD72, PVmodule
from pvmismatch.pvmismatch_lib.pvstring import PVstring
from pvmismatch.pvmismatch_lib.pvsystem import PVsystem

from arraywright.allocation.second_order import (
    bucciarelli_factor,
    bucciarelli_loss_ratio,
    class_coordinates,
    curve_shape,
    predicted_parallel_loss,
    predicted_series_loss,
)
from arraywright.arrays import FloatArray, IntArray
from arraywright.errors import CallError
from arraywright.physics import (
    SingleDiode,
    current_at_voltage,
    fit_datasheet,
    fit_flash,
    key_points,
    parallel_mismatch,
    series_mismatch,
    voltage_at_current,
)
from tests.published_values import published

LAW = published("bucciarelli-1979")
PROMISED = 0.03
LENGTH = 26


def _flashed(count: int, *, seed: int, current: float, voltage: float, shape: float) -> SingleDiode:
    """Give modules fitted to invented flash values, as a plan has them."""
    rng = np.random.default_rng(seed)
    of_i, of_v, of_p = (1.0 + sd * rng.standard_normal(count) for sd in (current, voltage, shape))
    template = fit_datasheet(
        isc_a=13.98,
        voc_v=49.8,
        imp_a=13.12,
        vmp_v=41.95,
        alpha_isc_a_per_k=0.00048 * 13.98,
        beta_voc_v_per_k=-0.0027 * 49.8,
        cells_in_series=72.0,
    )
    fit = fit_flash(
        template.reference,
        isc_a=13.98 * of_i,
        voc_v=49.8 * of_v,
        imp_a=13.12 * of_i * of_p,
        vmp_v=41.95 * of_v * of_p,
    )
    return fit.reference.at_reference()


def _varied(count: int, *, seed: int, light: float, series: float, shunt: float) -> SingleDiode:
    """Give modules whose resistances vary too, shunts so unevenly that some are poor."""
    rng = np.random.default_rng(seed)
    return SingleDiode(
        photocurrent_a=13.98 * (1.0 + light * rng.standard_normal(count)),
        saturation_current_a=6e-12 * np.exp(0.08 * rng.standard_normal(count)),
        series_resistance_ohm=0.2 * (1.0 + series * rng.standard_normal(count)),
        shunt_resistance_ohm=150.0 * np.exp(shunt * rng.standard_normal(count)),
        diode_voltage_v=np.full(count, 1.75),
    )


CLASSES = {
    "narrow class": lambda n: _flashed(n, seed=1, current=0.0032, voltage=0.0036, shape=0.0012),
    "wide class": lambda n: _flashed(n, seed=2, current=0.008, voltage=0.005, shape=0.003),
    "unsorted": lambda n: _flashed(n, seed=3, current=0.012, voltage=0.005, shape=0.003),
    "resistances vary": lambda n: _varied(n, seed=4, light=0.004, series=0.05, shunt=0.1),
    "shunts vary much": lambda n: _varied(n, seed=5, light=0.004, series=0.05, shunt=0.25),
}


def _squares(x: FloatArray) -> FloatArray:
    rows = x.reshape(-1, LENGTH)
    return np.asarray(((rows - rows.mean(axis=1, keepdims=True)) ** 2).sum(axis=1))


@pytest.mark.parametrize("name", CLASSES)
def test_sum_of_squares_meets_the_exact_curves_over_random_strings(name: str) -> None:
    """Series and parallel loss of 600 random strings are within 3 % of the exact curves."""
    strings = 600
    diode = CLASSES[name](strings * LENGTH)
    offsets = np.arange(strings + 1) * LENGTH
    exact = parallel_mismatch(
        diode, offsets=offsets, input_offsets=np.arange(0, strings + 1, 2), bypass_substrings=3
    )
    exact_w = float((exact.sum_of_modules_w - exact.input_power_w).sum())
    held = class_coordinates(curve_shape(diode), modules_per_string=LENGTH)
    between = held.y.reshape(-1, 2, LENGTH).sum(axis=2)
    parallel_w = float(((between[:, 0] - between[:, 1]) ** 2).sum() / 2.0)
    predicted_w = float(_squares(held.x).sum()) + parallel_w
    assert predicted_w == pytest.approx(exact_w, rel=PROMISED)


@pytest.mark.parametrize("name", CLASSES)
def test_fourth_order_meets_each_string(name: str) -> None:
    """With third and fourth derivatives single strings are met, most of them to 3 %."""
    strings = 600
    diode = CLASSES[name](strings * LENGTH)
    offsets = np.arange(strings + 1) * LENGTH
    exact = series_mismatch(diode, offsets=offsets)
    exact_w = exact.sum_of_modules_w - exact.string_power_w
    predicted_w = predicted_series_loss(curve_shape(diode), offsets=offsets)
    assert float(predicted_w.sum()) == pytest.approx(float(exact_w.sum()), rel=PROMISED)
    assert float(np.mean(np.abs(predicted_w / exact_w - 1.0) < PROMISED)) > 0.8


def test_strings_sorted_by_current_are_met_too() -> None:
    """Where a plan has matched the modules, the small loss that is left is predicted as well."""
    strings = 400
    diode = CLASSES["narrow class"](strings * LENGTH)
    shape = curve_shape(diode)
    # matched in part: neighbours in current, then mixed within blocks of eight strings
    order = np.argsort(shape.imp_a).reshape(-1, 8 * LENGTH)
    mixed = np.random.default_rng(9).permuted(order, axis=1).ravel()
    offsets = np.arange(strings + 1) * LENGTH
    exact = series_mismatch(diode.take(mixed), offsets=offsets)
    exact_w = float((exact.sum_of_modules_w - exact.string_power_w).sum())
    held = class_coordinates(shape, modules_per_string=LENGTH)
    assert float(_squares(held.x[mixed]).sum()) == pytest.approx(exact_w, rel=0.05)


def test_derivatives_are_those_of_the_solved_curve() -> None:
    """Each derivative of power is the difference quotient of the curve as it is solved."""
    diode = CLASSES["resistances vary"](5)
    shape = curve_shape(diode)
    for row in range(5):
        one, step = diode.take([row]), 0.02
        around = shape.imp_a[row] + step * np.arange(-3, 4)
        power = around * voltage_at_current(one, around)
        polynomial = np.polynomial.Polynomial.fit(around - shape.imp_a[row], power, 6).convert()
        c = polynomial.coef
        scale = -np.array([c[2] * 2.0, c[3] * 6.0, c[4] * 24.0])
        assert c[1] == pytest.approx(0.0, abs=1e-5)
        np.testing.assert_allclose(
            scale, [shape.series_2[row], shape.series_3[row], shape.series_4[row]], rtol=2e-2
        )
        volts = shape.vmp_v[row] + 0.05 * np.arange(-3, 4)
        by_volt = volts * current_at_voltage(one, volts)
        bend = np.polynomial.Polynomial.fit(volts - shape.vmp_v[row], by_volt, 6).convert().coef[2]
        assert -2.0 * bend == pytest.approx(shape.parallel_2[row], rel=1e-3)


def _peak(volts: FloatArray, power: FloatArray) -> float:
    k = int(np.argmax(power))
    near = slice(k - 2, k + 3)
    cubic = np.polynomial.Polynomial.fit(volts[near], power[near], 3)
    tops = cubic.deriv().roots()
    top = tops[np.argmin(np.abs(tops - volts[k]))].real
    return float(cubic(top))


def test_one_site_agrees_with_an_independent_program() -> None:
    """Loss of 4 x 10 modules within and between strings is that of pvmismatch 4.1 to 3 %."""
    length, strings = 10, 4
    constants = PVconstants(npts=4001)
    rng = np.random.default_rng(5)
    modules, parameters = [], []
    for factor, more in zip(
        1.0 + 0.008 * rng.standard_normal(length * strings),
        1.0 + 0.03 * rng.standard_normal(length * strings),
        strict=True,
    ):
        # one diode and no breakdown: then both models state the same physics
        cell = PVcell(
            Isat2_T0=1e-30,
            aRBD=0.0,
            VRBD=-20.0,
            Isc0_T0=6.3056 * factor,
            Rs=0.00427 * more,
            pvconst=constants,
        )
        modules.append(PVmodule(cell_pos=STD72, pvcells=cell, pvconst=constants))
        parameters.append((cell.Igen, cell.Isat1, 72.0 * cell.Rs, 72.0 * cell.Rsh, 72.0 * cell.Vt))
    held = [PVstring(length, modules[k * length :][:length], constants) for k in range(strings)]
    system = PVsystem(pvconst=constants, numberStrs=strings, pvstrs=held, numberMods=length)
    alone_w = sum(_peak(one.Vmod, one.Pmod) for one in modules)
    strings_w = sum(_peak(one.Vstring, one.Pstring) for one in held)
    system_w = _peak(system.Vsys, system.Psys)

    light, dark, series, shunt, thermal = np.array(parameters).T
    diode = SingleDiode(
        photocurrent_a=light,
        saturation_current_a=dark,
        series_resistance_ohm=series,
        shunt_resistance_ohm=shunt,
        diode_voltage_v=thermal,
    )
    shape = curve_shape(diode)
    offsets = np.arange(strings + 1) * length
    between_w = predicted_parallel_loss(
        shape, offsets=offsets, input_offsets=np.array([0, strings])
    )
    within_w = predicted_series_loss(shape, offsets=offsets)
    assert float(within_w.sum()) == pytest.approx(alone_w - strings_w, rel=0.01)
    assert float(between_w.sum()) == pytest.approx(strings_w - system_w, rel=0.1)
    x = class_coordinates(shape, modules_per_string=length).x.reshape(strings, length)
    squares_w = float(((x - x.mean(axis=1, keepdims=True)) ** 2).sum())
    assert squares_w + float(between_w.sum()) == pytest.approx(alone_w - system_w, rel=PROMISED)


def _ideal(fill_factor: float, spread: FloatArray, *, of: str) -> SingleDiode:
    """Give cells without resistances of a fill factor, one quantity scattered."""
    c = bucciarelli_factor(fill_factor)
    light, a = 10.0, 1.0
    # at the maximum: Imp/IL = C/(1 + C) and Vmp = a C
    dark = light / (1.0 + c) * np.exp(-c)
    ones = np.ones_like(spread)
    return SingleDiode(
        photocurrent_a=light * (spread if of == "current" else ones),
        saturation_current_a=dark * (spread if of == "current" else ones),
        series_resistance_ohm=0.0 * ones,
        shunt_resistance_ohm=np.inf * ones,
        diode_voltage_v=a * (spread if of == "voltage" else ones),
    )


@pytest.mark.parametrize("fill_factor", LAW["inputs"]["fill_factor_ratio"])
def test_factor_belongs_to_the_fill_factor(fill_factor: float) -> None:
    """A cell made with the factor has, by the exact curve, the fill factor it was made for."""
    own = key_points(_ideal(fill_factor, np.ones(1), of="current"))
    assert float(own.fill_factor_ratio[0]) == pytest.approx(fill_factor, abs=2e-4)


@pytest.mark.parametrize("spread", LAW["inputs"]["spread_ratio"])
@pytest.mark.parametrize("count", LAW["inputs"]["count"])
def test_law_of_cells_in_series_is_reproduced(spread: float, count: int) -> None:
    """Exact strings of cells lose what the published law says, over spread and number."""
    rng = np.random.default_rng(count)
    strings = 20_000 // count
    factor = 1.0 + spread * rng.standard_normal(strings * count)
    factor = 1.0 + (factor - factor.mean()) * spread / factor.std()
    diode = _ideal(0.8, factor, of="current")
    loss = series_mismatch(diode, offsets=np.arange(strings + 1) * count, bypass_substrings=1)
    law = bucciarelli_loss_ratio(0.8, spread_ratio=spread, count=count)
    half, constant = LAW["formula"]["half"], LAW["formula"]["constant_ratio"]
    by_hand = half * (bucciarelli_factor(0.8) + constant) * spread**2 * (count - 1) / count
    assert law == pytest.approx(by_hand, rel=1e-12)
    assert float(loss.loss_ratio.mean()) == pytest.approx(law, rel=LAW["tolerance"]["ratio"])


@pytest.mark.parametrize("fill_factor", LAW["inputs"]["fill_factor_ratio"])
@pytest.mark.parametrize("of", ["current", "voltage"])
def test_law_holds_over_fill_factors_in_series_and_in_parallel(fill_factor: float, of: str) -> None:
    """The same law stands for currents in series and voltages in parallel, as derived."""
    count, strings, spread = 20, 1000, 0.005
    factor = 1.0 + spread * np.random.default_rng(3).standard_normal(strings * count)
    factor = 1.0 + (factor - factor.mean()) * spread / factor.std()
    diode = _ideal(fill_factor, factor, of=of)
    if of == "current":
        found = series_mismatch(diode, offsets=np.arange(strings + 1) * count).loss_ratio
    else:
        found = parallel_mismatch(
            diode,
            offsets=np.arange(strings * count + 1),
            input_offsets=np.arange(strings + 1) * count,
        ).loss_ratio
    law = bucciarelli_loss_ratio(fill_factor, spread_ratio=spread, count=count)
    assert float(found.mean()) == pytest.approx(law, rel=LAW["tolerance"]["ratio"])


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), gap=st.integers(0, 9))
def test_missing_flash_values_stand_at_the_mean(seed: int, gap: int) -> None:
    """A module without flash values gets no coordinate of its own and spoils no other."""
    diode = _flashed(60, seed=seed, current=0.004, voltage=0.004, shape=0.001)
    held = class_coordinates(curve_shape(diode), modules_per_string=6)
    light = diode.photocurrent_a.copy()
    rows: IntArray = np.arange(gap, 60, 10)
    light[rows] = np.nan
    part = SingleDiode(
        photocurrent_a=light,
        saturation_current_a=diode.saturation_current_a,
        series_resistance_ohm=diode.series_resistance_ohm,
        shunt_resistance_ohm=diode.shunt_resistance_ohm,
        diode_voltage_v=diode.diode_voltage_v,
    )
    less = class_coordinates(curve_shape(part), modules_per_string=6)
    assert less.unknown == len(rows)
    assert np.all(less.x[rows] == 0.0)
    kept = np.setdiff1d(np.arange(60), rows)
    assert float(np.mean(less.x[kept])) == pytest.approx(0.0, abs=1e-9)
    assert np.array_equal(np.argsort(less.x[kept]), np.argsort(held.x[kept]))


def test_calls_that_cannot_be_right_are_refused() -> None:
    """A wrong order, length or fill factor is named with a remedy."""
    shape = curve_shape(_flashed(4, seed=1, current=0.004, voltage=0.004, shape=0.001))
    with pytest.raises(CallError, match="Order 3"):
        predicted_series_loss(shape, offsets=np.array([0, 4]), order=3)
    with pytest.raises(CallError, match="at least one"):
        class_coordinates(shape, modules_per_string=0)
    with pytest.raises(CallError, match="fill factor"):
        bucciarelli_factor(0.99)
