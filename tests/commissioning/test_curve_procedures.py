"""Procedure 4 of IEC 60891 and the maximum power by procedures 1 and 4."""

from __future__ import annotations

import importlib
from typing import Any

import numpy as np
import polars as pl
import pytest

from arraywright.arrays import FloatArray, IntArray, offsets_from_lengths
from arraywright.commissioning.curve_fit import fit_curves
from arraywright.commissioning.curve_procedures import (
    power_by_procedure_1,
    power_by_procedure_4,
    procedure_4_2021,
)
from arraywright.errors import CallError
from arraywright.physics import measured_key_points
from arraywright.physics.uncertainty import Quantity
from tests.published_values import DATA, published

OUTDOOR = published("outdoor-iv-3585")
GIVEN = OUTDOOR["inputs"]
CELLS = 36


def _outdoor() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, IntArray]:
    """Irradiance, temperature, voltages, currents and offsets of the curves above 700 W/m2."""
    folder = DATA / "outdoor_iv_3585"
    conditions = pl.read_parquet(folder / "conditions.parquet").sort("curve")
    conditions = conditions.filter(
        pl.col("effective_irradiance_w_m2").is_between(
            GIVEN["irradiance_low_w_m2"], GIVEN["irradiance_high_w_m2"], closed="none"
        )
    )
    points = (
        pl.read_parquet(folder / "points.parquet")
        .join(conditions.select("curve"), on="curve", how="semi")
        .sort("curve", maintain_order=True)
    )
    lengths = points.group_by("curve").len().sort("curve")["len"].to_numpy().astype(np.int64)
    return (
        conditions["effective_irradiance_w_m2"].to_numpy(),
        conditions["cell_temp_c"].to_numpy(),
        points["voltage_v"].to_numpy(),
        points["current_a"].to_numpy(),
        offsets_from_lengths(lengths),
    )


LIGHT, TEMP, VOLTS, AMPS, OFFSETS = _outdoor()


def test_procedure_4_agrees_with_independent_code() -> None:
    """The same curve, series resistance and Isc give the other code's points at STC."""
    other = importlib.import_module("ivcorrection.main")
    for k in (10, 1500, 3000):
        v, i = (values[OFFSETS[k] : OFFSETS[k + 1]] for values in (VOLTS, AMPS))
        theirs = other.get_corrected_IV_P4(
            {"v": {0: v}, "i": {0: i}, "G": LIGHT[k : k + 1], "T": TEMP[k : k + 1]},
            alpha_isc_abs=GIVEN["alpha_isc_a_per_k"],
            N_cells=CELLS,
        )
        ours = procedure_4_2021(
            v,
            i,
            offsets=[0, len(v)],
            irradiance_w_m2=LIGHT[k],
            cell_temp_c=TEMP[k],
            alpha_isc_a_per_k=GIVEN["alpha_isc_a_per_k"],
            cells_in_series=CELLS,
            series_resistance_ohm=other.get_rs_sandia(v, i),
            isc_a=i.max(),
        )
        np.testing.assert_allclose(ours.voltage_v, theirs["v"][0], rtol=1e-12, atol=1e-12)
        np.testing.assert_allclose(ours.current_a, theirs["i"][0], rtol=1e-12, atol=1e-12)


def test_a_curve_at_the_target_is_left_alone() -> None:
    """At 1000 W/m2 and 25 degC nothing is moved; darkness is refused."""
    v, i = np.linspace(0.0, 22.0, 30), np.linspace(7.0, 0.0, 30)
    given: dict[str, Any] = {
        "offsets": [0, 30],
        "alpha_isc_a_per_k": 0.005,
        "cells_in_series": CELLS,
        "series_resistance_ohm": 0.25,
        "isc_a": 7.0,
    }
    same = procedure_4_2021(v, i, irradiance_w_m2=1000.0, cell_temp_c=25.0, **given)
    np.testing.assert_array_equal(same.voltage_v, v)
    np.testing.assert_array_equal(same.current_a, i)
    assert same.isc_a.tolist() == [7.0]
    with pytest.raises(CallError, match="above zero"):
        procedure_4_2021(v, i, irradiance_w_m2=0.0, cell_temp_c=25.0, **given)


def _power(kind: int, light: FloatArray, temp: FloatArray, rs: FloatArray) -> FloatArray:
    """Pmax at STC of the outdoor curves by procedure 1 or 4, without uncertainty."""
    zero = np.zeros_like(light)
    raw = measured_key_points(VOLTS, AMPS, offsets=OFFSETS, reach_ratio=0.2)
    shared: dict[str, Any] = {
        "offsets": OFFSETS,
        "isc_a": raw.isc_a,
        "vmp_v": raw.vmp_v,
        "imp_a": raw.imp_a,
        "irradiance_w_m2": Quantity(value=light, standard_uncertainty=zero),
        "cell_temp_c": Quantity(value=temp, standard_uncertainty=zero),
        "alpha_isc_a_per_k": np.full_like(light, GIVEN["alpha_isc_a_per_k"]),
        "series_resistance_ohm": Quantity(value=rs, standard_uncertainty=zero),
    }
    if kind == 1:
        return power_by_procedure_1(
            VOLTS,
            AMPS,
            beta_voc_v_per_k=Quantity(
                value=zero + GIVEN["beta_voc_v_per_k"], standard_uncertainty=zero
            ),
            curve_correction_ohm_per_k=zero,
            **shared,
        ).pmax_w
    return power_by_procedure_4(VOLTS, AMPS, cells_in_series=zero + CELLS, **shared).pmax_w


def test_outdoor_curves_scatter_by_under_one_per_cent_at_stc() -> None:
    """Procedure 1 gives the published spread; procedure 4 with each curve's own Rs stays below."""
    first = _power(1, LIGHT, TEMP, np.full_like(LIGHT, GIVEN["series_resistance_ohm"]))
    spread = OUTDOOR["expected"]["pmp_spread_ratio"]
    tolerance = OUTDOOR["tolerance"]["spread_ratio"]
    assert first.std() / first.mean() == pytest.approx(spread, abs=tolerance)
    own = fit_curves(VOLTS, AMPS, offsets=OFFSETS)
    fourth = _power(4, LIGHT, TEMP, own.series_resistance_ohm)
    assert np.isfinite(fourth).all()
    assert fourth.std() / fourth.mean() < spread < 0.01


def test_stated_uncertainty_of_power_agrees_with_drawn_errors() -> None:
    """Drawn errors of light, temperature and series resistance spread Pmax as is stated."""
    rng = np.random.default_rng(6)
    k, draws = 1200, 600
    v, i = (values[OFFSETS[k] : OFFSETS[k + 1]] for values in (VOLTS, AMPS))
    many_v, many_i = np.tile(v, draws), np.tile(i, draws)
    offsets = offsets_from_lengths(np.full(draws, len(v)))
    raw = measured_key_points(many_v, many_i, offsets=offsets, reach_ratio=0.2)
    ones = np.ones(draws)
    u = {"g": 0.02 * LIGHT[k], "t": 2.0, "rs": 0.05, "beta": 0.004}

    def given(name: str, value: float, *, drawn: bool) -> Quantity:
        spread = u[name] * rng.standard_normal(draws) if drawn else 0.0
        return Quantity(value=value + spread * ones, standard_uncertainty=u[name] * ones)

    found = {}
    for drawn in (True, False):
        shared: dict[str, Any] = {
            "offsets": offsets,
            "isc_a": raw.isc_a,
            "vmp_v": raw.vmp_v,
            "imp_a": raw.imp_a,
            "irradiance_w_m2": given("g", float(LIGHT[k]), drawn=drawn),
            "cell_temp_c": given("t", float(TEMP[k]), drawn=drawn),
            "alpha_isc_a_per_k": 0.0054 * ones,
            "series_resistance_ohm": given("rs", 0.25, drawn=drawn),
        }
        found[drawn] = power_by_procedure_1(
            many_v,
            many_i,
            beta_voc_v_per_k=given("beta", -0.0774, drawn=drawn),
            curve_correction_ohm_per_k=0.0 * ones,
            **shared,
        )
    assert found[True].pmax_w.std() == pytest.approx(found[False].pmax_u_w[0], rel=0.10)
