"""I-V curves of strings against their modules."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from arraywright.arrays import FloatArray
from arraywright.commissioning.curve_steps import curve_steps
from arraywright.commissioning.curves import CurveResult, judge_curves
from arraywright.findings import Verdict
from tests.commissioning.invented import (
    NOON,
    NOW,
    make_curves,
    make_instruments,
    make_modules,
    make_site,
)

COUNT = 6
SITE = make_site(COUNT)
MODULES = make_modules(SITE, spread=0.004)
SOUND = make_curves(SITE, MODULES, irradiance_w_m2=850.0, cell_temp_c=50.0, noise_ratio=0.001)


def judged(points: pl.DataFrame, instruments: pl.DataFrame | None = None) -> CurveResult:
    """Judge curves of the small site."""
    return judge_curves(
        SITE,
        points=points,
        instruments=make_instruments() if instruments is None else instruments,
        modules=MODULES,
        now_utc=NOW,
    )


def _shaded(share: float, substrings: int) -> FloatArray:
    """Photocurrent of every sub-string; the first module of each string gets less."""
    ratio = np.ones((28 * COUNT, 3))
    ratio[::28, :substrings] = share
    return ratio


@pytest.mark.parametrize(
    ("irradiance_w_m2", "cell_temp_c", "tolerance"),
    [(1000.0, 25.0, 0.004), (850.0, 50.0, 0.008), (720.0, 45.0, 0.008), (450.0, 30.0, 0.010)],
)
def test_sound_curves_come_back_to_the_sum_of_their_modules(
    irradiance_w_m2: float, cell_temp_c: float, tolerance: float
) -> None:
    """Curves simulated module by module return to their flash power within 1 % at STC."""
    points = make_curves(
        SITE, MODULES, irradiance_w_m2=irradiance_w_m2, cell_temp_c=cell_temp_c, noise_ratio=0.001
    )
    found = judged(points)
    assert found.curves["verdict"].to_list() == ["pass"] * COUNT
    np.testing.assert_allclose(found.curves["deviation_ratio"].to_numpy(), 0.0, atol=tolerance)
    sums = MODULES.pmax_sum_w()
    np.testing.assert_allclose(found.curves["modules_pmax_w"].to_numpy(), sums, rtol=1e-12)
    assert (found.curves["mismatch_ratio"] > 0).all()
    assert (found.curves["mismatch_ratio"] < 0.001).all()
    assert all(f.verdict is Verdict.PASS for f in found.findings)
    far = found.curves["reasons"].list.len().to_list()
    assert far == [1 if irradiance_w_m2 < 700.0 else 0] * COUNT


def test_curve_parameters_at_standard_conditions() -> None:
    """Voc, Isc and fill factor at STC are those of the modules, the resistance its type's."""
    curves = judged(SOUND).curves
    voc = MODULES.voc_sum_v()
    np.testing.assert_allclose(curves["voc_stc_v"].to_numpy(), voc, rtol=0.005)
    np.testing.assert_allclose(curves["isc_stc_a"].to_numpy(), 13.9, rtol=0.01)
    product = curves["fill_factor_stc_ratio"] * curves["voc_stc_v"] * curves["isc_stc_a"]
    np.testing.assert_allclose(product.to_numpy(), curves["pmax_stc_w"].to_numpy(), rtol=1e-9)
    ratio = curves["series_resistance_ohm"] / curves["type_resistance_ohm"]
    assert ratio.is_between(0.6, 1.4).all()
    assert curves["procedure"].unique().to_list() == ["IEC 60891:2021 procedure 2"]


def test_uncertainty_of_power_at_standard_conditions_agrees_with_monte_carlo() -> None:
    """The spread of Pmax at STC under drawn irradiance and temperature errors is as stated."""
    draws = 400
    site = make_site(1)
    modules = make_modules(site)
    one = make_curves(site, modules, irradiance_w_m2=850.0, cell_temp_c=50.0)
    rng = np.random.default_rng(8)
    exact = make_instruments(
        irradiance_uncertainty_ratio=[None, 0.03, None, None],
        temperature_uncertainty_k=[None, None, 3.0, None],
    )
    stated = judge_curves(
        site, points=one, instruments=exact, modules=modules, now_utc=NOW
    ).curves.row(0, named=True)
    size = len(one)
    many = pl.concat([one] * draws).with_columns(
        measured_at=pl.lit(NOON) + pl.duration(seconds=pl.int_range(draws * size) // size),
        irradiance_w_m2=pl.Series(
            np.repeat(850.0 * (1 + 0.0320 * rng.standard_normal(draws)), size)
        ),
        module_temp_c=pl.Series(np.repeat(47.45 + 3.59 * rng.standard_normal(draws), size)),
    )
    loose = replace(site, commissioning=replace(site.commissioning, irradiance_change_ratio=1.0))
    drawn = judge_curves(loose, points=many, instruments=exact, modules=modules, now_utc=NOW)
    spread = float(drawn.curves["pmax_stc_w"].to_numpy().std())
    # irradiance 3 %, spectrum and angle 1 %, place 0.5 %; sensor 3 K, rise 1.3 K, string 1.5 K
    assert spread == pytest.approx(stated["pmax_stc_u_w"], rel=0.10)


@pytest.mark.parametrize(
    ("changes", "verdict", "words"),
    [
        ({"power_ratio": 0.85}, "fail", "off what the modules should give"),
        ({"substring_photocurrent_ratio": _shaded(0.5, 3)}, "review", "has a step"),
        ({"substring_photocurrent_ratio": _shaded(0.8, 3)}, "review", "has a step"),
        ({"lead_resistance_ohm": 8.0}, "review", "series resistance"),
    ],
)
def test_each_fault_of_a_curve_is_said(
    changes: dict[str, object], verdict: str, words: str
) -> None:
    """Lost power fails; a weaker module shows as a step, a poor connection as resistance."""
    points = make_curves(
        SITE,
        MODULES,
        irradiance_w_m2=850.0,
        cell_temp_c=50.0,
        noise_ratio=0.001,
        **changes,  # type: ignore[arg-type]
    )
    found = judged(points)
    assert found.curves["verdict"].to_list() == [verdict] * COUNT
    assert all(any(words in text for text in texts) for texts in found.curves["reasons"])
    assert all("never open a connector" in f.remedy for f in found.findings)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (pl.lit(None, dtype=pl.Float64).alias("irradiance_w_m2"), "irradiance is missing"),
        (pl.lit(350.0).alias("irradiance_w_m2"), "too low"),
        (pl.lit(None, dtype=pl.Float64).alias("module_temp_c"), "temperature"),
        (pl.lit("M7").alias("meter"), "meter is not named"),
        ((pl.col("measured_at") + dt.timedelta(days=30)).alias("measured_at"), "in the future"),
        ((pl.col("measured_at") - dt.timedelta(hours=10)).alias("measured_at"), "horizon"),
        (pl.lit("nowhere").alias("string"), "no string of this name"),
        ((-pl.col("current_a")).alias("current_a"), "delivers no power"),
        (
            (pl.col("irradiance_w_m2") + 0.8 * (pl.col("voltage_v") % 100)).alias(
                "irradiance_w_m2"
            ),
            "irradiance was moving",
        ),
    ],
)
def test_each_gate_stops_a_curve(change: pl.Expr, words: str) -> None:
    """A curve outside its conditions is not assessable, says why, and has no values at STC."""
    found = judged(SOUND.with_columns(change))
    assert found.curves["verdict"].unique().to_list() == ["not_assessable"]
    assert any(words in text for text in found.curves["reasons"][0])
    assert found.curves["pmax_stc_w"].null_count() == len(found.curves)
    assert all(f.remedy for f in found.findings)
    assert not found.curves["counts"].any()
    assert len(found.points) == len(SOUND)


def test_half_a_curve_is_not_assessable() -> None:
    """A curve that stops before its maximum has no maximum."""
    found = judged(SOUND.filter(pl.col("voltage_v") < 800.0))
    assert found.curves["verdict"].unique().to_list() == ["not_assessable"]


def test_newest_valid_curve_counts_and_points_are_kept_for_plotting() -> None:
    """A later invalid curve does not push the valid one aside; every point keeps its place."""
    later = SOUND.with_columns(
        measured_at=pl.col("measured_at") + dt.timedelta(hours=1),
        irradiance_w_m2=pl.lit(None, dtype=pl.Float64),
    )
    found = judged(pl.concat([later, SOUND]).sample(fraction=1.0, shuffle=True, seed=1))
    assert found.curves["counts"].to_list() == [True, False] * COUNT
    assert len(found.points) == 2 * len(SOUND)
    first = found.points.filter(pl.col("curve") == 0)
    assert first["voltage_v"].is_sorted()
    assert first["voltage_stc_v"].null_count() == 0
    assert found.points.filter(pl.col("curve") == 1)["voltage_stc_v"].null_count() == 120


def test_no_curves_give_empty_tables() -> None:
    """A site without curves gets tables without rows."""
    found = judged(SOUND.clear())
    assert (found.curves.height, found.points.height, found.findings) == (0, 0, ())


def test_step_depth_of_a_drawn_curve() -> None:
    """A flat curve has none; a corner cut inwards has the depth of plane geometry."""
    volts = np.array([0.0, 5.0, 5.0, 10.0, 0.0, 5.0, 10.0])
    amps = np.array([10.0, 10.0, 5.0, 0.0, 10.0, 8.0, 0.0])
    found = curve_steps(volts, amps, offsets=np.array([0, 4, 7]))
    # the point (0.5, 0.5) lies 0.5/sqrt(1.25) x 0.5 from the line from (0.5, 1) to (1, 0)
    np.testing.assert_allclose(found.depth_ratio, [0.25 / np.sqrt(1.25), 0.0], atol=1e-12)
    assert found.at_voltage_v[0] == 5.0
