"""Single-diode parameters fitted to curves that others made."""

from __future__ import annotations

import csv
import json

import numpy as np
import polars as pl
import pvlib
import pytest
from scipy import constants

from arraywright.arrays import FloatArray, offsets_from_lengths
from arraywright.commissioning.curve_fit import CurveFitStatus, fit_curves
from arraywright.errors import CallError
from arraywright.physics import SingleDiode, key_points, string_curve
from tests.published_values import DATA, published

POINTS = 100


def _listed(every: int) -> dict[str, FloatArray]:
    """Single-diode parameters of listed modules, by row number only."""
    table = pvlib.pvsystem.retrieve_sam("CECMod")
    names = ("I_L_ref", "I_o_ref", "R_s", "R_sh_ref", "a_ref")
    return {name: table.loc[name].to_numpy(dtype=float)[::every] for name in names}


def _curves(five: dict[str, FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Voltages and currents of modules by pvlib's solver, (modules, points)."""
    parameters = list(five.values())
    voc = pvlib.singlediode.bishop88_v_from_i(0.0, *parameters, method="newton")
    volts = voc[:, None] * np.linspace(0.0, 1.0, POINTS)
    wide = [np.repeat(one, POINTS) for one in parameters]
    amps = pvlib.singlediode.bishop88_i_from_v(volts.ravel(), *wide, method="newton")
    return volts, amps.reshape(volts.shape)


LISTED = _listed(25)
VOLTS, AMPS = _curves(LISTED)
OFFSETS = offsets_from_lengths(np.full(len(VOLTS), POINTS))


def test_parameters_of_listed_modules_are_recovered_from_their_curves() -> None:
    """Curves that pvlib computes for listed modules give back all five parameters."""
    found = fit_curves(VOLTS.ravel(), AMPS.ravel(), offsets=OFFSETS)
    assert (found.status == CurveFitStatus.FITTED).all()
    for name, values in (
        ("I_L_ref", found.photocurrent_a),
        ("I_o_ref", found.saturation_current_a),
        ("R_s", found.series_resistance_ohm),
        ("R_sh_ref", found.shunt_resistance_ohm),
        ("a_ref", found.diode_voltage_v),
    ):
        np.testing.assert_allclose(values, LISTED[name], rtol=1e-8, err_msg=name)
    np.testing.assert_allclose(found.isc_a, AMPS[:, 0], rtol=1e-10)
    np.testing.assert_allclose(found.voc_v, VOLTS[:, -1], rtol=1e-10)
    np.testing.assert_allclose(key_points(found.diode()).voc_v, found.voc_v, rtol=1e-10)


def test_stated_uncertainties_cover_the_errors_of_noisy_curves() -> None:
    """With 0.1 % noise in current and voltage the errors scatter as the fit says."""
    rng = np.random.default_rng(3)
    volts = VOLTS + 0.001 * VOLTS[:, -1:] * rng.standard_normal(VOLTS.shape)
    amps = AMPS + 0.001 * AMPS[:, :1] * rng.standard_normal(AMPS.shape)
    found = fit_curves(volts.ravel(), amps.ravel(), offsets=OFFSETS)
    assert found.is_one_diode.all()
    np.testing.assert_allclose(np.median(found.residual_ratio), 0.001, rtol=0.05)
    diode_slope = 1.0 / (
        LISTED["I_o_ref"] / LISTED["a_ref"] * np.exp(VOLTS[:, -1] / LISTED["a_ref"])
        + 1.0 / LISTED["R_sh_ref"]
    )
    shunt = VOLTS[:, -1] / AMPS[:, 0] / LISTED["R_sh_ref"]
    for errors, u in (
        (found.series_resistance_ohm - LISTED["R_s"], found.series_resistance_u_ohm),
        (found.diode_voltage_v - LISTED["a_ref"], found.diode_voltage_u_v),
        (found.voc_slope_ohm - LISTED["R_s"] - diode_slope, found.voc_slope_u_ohm),
        (found.shunt_conductance_ratio - shunt, found.shunt_conductance_u_ratio),
    ):
        z = errors / u
        assert 0.92 < z.std() < 1.10
        assert abs(z.mean()) < 0.15
        assert 0.92 < np.mean(np.abs(z) < 1.96) < 0.97


@pytest.mark.parametrize("number", [1, 2])
def test_precise_curves_give_their_parameters(number: int) -> None:
    """Curves of many printed digits give back the parameters printed beside them."""
    folder = DATA / "precise_iv"
    sets = folder / f"precise_iv_curves_parameter_sets{number}.csv"
    with sets.open(encoding="utf-8", newline="") as lines:
        rows = {int(row["Index"]): row for row in csv.DictReader(lines)}
    text = (folder / f"precise_iv_curves{number}.json").read_text("utf-8")
    curves = json.loads(text)["IV Curves"]
    volts = [np.array(curve["Voltages"], dtype=float) for curve in curves]
    amps = [np.array(curve["Currents"], dtype=float) for curve in curves]
    found = fit_curves(
        np.concatenate(volts),
        np.concatenate(amps),
        offsets=offsets_from_lengths(np.array([len(one) for one in volts])),
    )
    assert found.is_one_diode.all()
    for place, curve in enumerate(curves):
        row = rows[curve["Index"]]
        thermal_v = constants.k * float(curve["Temperature"]) / constants.e
        given = float(row["n"]) * int(row["cells_in_series"]) * thermal_v
        assert found.photocurrent_a[place] == pytest.approx(float(row["photocurrent"]), rel=1e-7)
        assert found.diode_voltage_v[place] == pytest.approx(given, rel=1e-7)
        resistance = float(row["resistance_series"])
        assert found.series_resistance_ohm[place] == pytest.approx(resistance, rel=1e-6, abs=1e-9)
        shunt = float(row["resistance_shunt"])
        assert found.shunt_resistance_ohm[place] == pytest.approx(shunt, rel=1e-6)


def test_outdoor_curves_of_one_module_show_one_series_resistance() -> None:
    """3,585 measured curves give the series resistance that narrows them best, at any light."""
    folder = DATA / "outdoor_iv_3585"
    points = pl.read_parquet(folder / "points.parquet").sort("curve", maintain_order=True)
    lengths = points.group_by("curve").len().sort("curve")["len"].to_numpy().astype(np.int64)
    light = (
        pl.read_parquet(folder / "conditions.parquet")
        .sort("curve")["effective_irradiance_w_m2"]
        .to_numpy()
    )
    found = fit_curves(
        points["voltage_v"].to_numpy(),
        points["current_a"].to_numpy(),
        offsets=offsets_from_lengths(lengths),
    )
    assert found.is_one_diode.mean() > 0.999
    best = published("outdoor-iv-3585")["inputs"]["series_resistance_ohm"]
    for low, high in ((300.0, 500.0), (500.0, 700.0), (700.0, 1000.0), (1000.0, 1300.0)):
        band = (light > low) & (light < high)
        middle = np.median(found.series_resistance_ohm[band])
        assert middle == pytest.approx(best, rel=0.02), (low, high)
        scatter = found.series_resistance_ohm[band].std()
        assert scatter < 0.07 * best, (low, high)


def test_a_curve_with_a_step_is_not_one_diode() -> None:
    """Half a module in shade makes a curve that one diode cannot describe, and it is said."""
    diode = SingleDiode(
        photocurrent_a=np.full(4, 9.0),
        saturation_current_a=np.full(4, 3e-10),
        series_resistance_ohm=np.full(4, 0.3),
        shunt_resistance_ohm=np.full(4, 400.0),
        diode_voltage_v=np.full(4, 1.59),
    )
    share = np.ones((4, 3))
    share[0] = 0.6
    curve = string_curve(
        diode, offsets=np.array([0, 4]), points=POINTS, substring_photocurrent_ratio=share
    )
    found = fit_curves(curve.voltage_v[0], curve.current_a[0], offsets=np.array([0, POINTS]))
    assert found.status.tolist() == [CurveFitStatus.NOT_ONE_DIODE]
    assert found.residual_ratio[0] > 2.5 * found.noise_ratio[0] > 0.0


def test_what_is_no_curve_has_no_parameters() -> None:
    """Too few points, missing values and a curve without power are not fitted."""
    nan = np.full(20, np.nan)
    volts = np.concatenate([np.linspace(0, 40, 9), nan, np.linspace(0, 40, 20)])
    amps = np.concatenate([np.linspace(9, 0, 9), nan, np.full(20, -1.0)])
    found = fit_curves(volts, amps, offsets=np.array([0, 9, 29, 49]))
    assert found.status.tolist() == [CurveFitStatus.NOT_FITTED] * 3
    assert np.isnan(found.series_resistance_ohm).all()
    assert np.isnan(found.shunt_resistance_ohm).all()
    assert len(fit_curves([], [], offsets=[0]).status) == 0
    with pytest.raises(CallError, match="two flat arrays"):
        fit_curves([1.0, 2.0], [1.0], offsets=[0, 2])
