"""What the shape of a curve says, and the gates of a sweep."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from arraywright.arrays import FloatArray
from arraywright.commissioning.curve_causes import DEPARTURES, CurvePriors
from arraywright.commissioning.curve_steps import curve_steps
from arraywright.commissioning.curve_sweeps import sweep_hysteresis
from arraywright.commissioning.curves import CurveResult, judge_curves
from tests.commissioning.invented import (
    NOW,
    make_curves,
    make_instruments,
    make_modules,
    make_site,
)

COUNT = 4
SITE = make_site(COUNT)
MODULES = make_modules(SITE, spread=0.003)
COLUMNS = ["p_" + one.key.replace("-", "_") for one in DEPARTURES]


def judged(points: pl.DataFrame, priors: CurvePriors | None = None) -> CurveResult:
    """Judge curves of the small site with a sensor of 1 %."""
    return judge_curves(
        SITE,
        points=points,
        instruments=make_instruments(irradiance_uncertainty_ratio=[None, 0.01, None, None]),
        modules=MODULES,
        now_utc=NOW,
        priors=priors,
    )


def simulated(**changes: object) -> pl.DataFrame:
    """Give curves at 900 W/m2 and 45 degC with 0.1 % noise."""
    return make_curves(
        SITE,
        MODULES,
        irradiance_w_m2=900.0,
        cell_temp_c=45.0,
        noise_ratio=0.001,
        **changes,  # type: ignore[arg-type]
    )


def _half(substrings: int) -> FloatArray:
    """Photocurrent of every sub-string; sub-strings at the end of each string get half."""
    ratio = np.ones((28 * COUNT, 3))
    ratio[27::28, : min(substrings, 3)] = 0.5
    ratio[26::28, : max(substrings - 3, 0)] = 0.5
    return ratio


def test_sound_curves_show_no_departure() -> None:
    """A sound curve passes, is one diode and has a probability of being sound near one."""
    curves = judged(simulated()).curves
    assert curves["verdict"].to_list() == ["pass"] * COUNT
    assert curves["fit"].to_list() == ["one diode"] * COUNT
    assert (curves["p_sound"] > 0.97).all()
    assert curves["cause"].to_list() == [""] * COUNT
    for name in COLUMNS:
        assert (curves[name] < 0.02).all(), name


@pytest.mark.parametrize(
    ("changes", "column"),
    [
        ({"power_ratio": 0.80}, "p_low_current"),
        ({"lead_resistance_ohm": 12.0}, "p_series_resistance"),
        ({"substring_photocurrent_ratio": _half(3)}, "p_step"),
    ],
)
def test_each_departure_is_named_and_no_other(changes: dict[str, object], column: str) -> None:
    """A clear departure is nearly certain, others are not made up, and advice follows."""
    curves = judged(simulated(**changes)).curves
    assert (curves[column] > 0.95).all()
    for name in COLUMNS:
        if name != column:
            assert (curves[name].fill_null(0.0) < 0.3).all(), name
    place = COLUMNS.index(column)
    assert curves["check_next"].to_list() == [DEPARTURES[place].check_next] * COUNT
    assert set(curves["verdict"]) <= {"review", "fail"}


def test_two_modules_too_few_lower_the_voltage() -> None:
    """Curves without two modules' voltage are called low in voltage and do not pass."""
    points = simulated().with_columns(voltage_v=pl.col("voltage_v") * 26.0 / 28.0)
    curves = judged(points).curves
    assert (curves["p_low_voltage"] > 0.95).all()
    assert set(curves["verdict"]) <= {"review", "fail"}


def test_the_step_counts_the_bypassed_sub_strings() -> None:
    """The voltage missing at a step says to within one how many sub-strings are bypassed."""
    for substrings in (2, 3, 4, 6):
        curves = judged(simulated(substring_photocurrent_ratio=_half(substrings))).curves
        found = curves["step_substrings"].to_numpy()
        assert np.max(np.abs(found - substrings)) <= 1.0


def test_priors_move_the_probabilities_the_way_they_should() -> None:
    """Where low current is held to be common, the same curve is called low sooner."""
    points = simulated(power_ratio=0.96)
    few = judged(points, CurvePriors(low_current_ratio=0.001)).curves["p_low_current"]
    many = judged(points, CurvePriors(low_current_ratio=0.3)).curves["p_low_current"]
    assert (many > few).all()
    assert (few > 0.0).all()
    assert (many < 1.0).all()


def test_procedures_1_2_and_4_agree_within_their_uncertainties() -> None:
    """The three procedures give the same Pmax at STC, and each says how sure it is."""
    curves = judged(simulated()).curves
    for name in ("pmax_stc_1", "pmax_stc_4"):
        apart = (curves[f"{name}_w"] - curves["pmax_stc_w"]).abs()
        assert (
            apart < 2.0 * (curves[f"{name}_u_w"] ** 2 + curves["pmax_stc_u_w"] ** 2).sqrt()
        ).all()
        assert (apart < 0.02 * curves["pmax_stc_w"]).all()


def test_a_stray_point_makes_no_step() -> None:
    """One point far off, above or below, leaves a concave curve without a step."""
    volts = np.linspace(0.0, 40.0, 41)
    amps = 9.0 * (1.0 - (volts / 40.0) ** 12)
    for stray in (0.8, 1.2):
        off = amps.copy()
        off[12] *= stray
        found = curve_steps(volts, off, offsets=np.array([0, 41]))
        assert found.depth_ratio[0] < 1e-3


def _there_and_back(lag: float) -> pl.DataFrame:
    """Curves swept up and then down, the falling sweep too high in current by a lag."""
    up = simulated().with_columns(point_s=pl.int_range(pl.len()).over("string") * 0.01)
    down = simulated().with_columns(
        point_s=2.4 - pl.int_range(pl.len()).over("string") * 0.01,
        current_a=pl.col("current_a") * (1.0 + lag),
    )
    return pl.concat([up, down])


def test_a_sweep_that_the_cells_did_not_follow_is_not_assessable() -> None:
    """Rising and falling sweeps that differ by 3 % stop a curve; equal ones do not."""
    slow = judged(_there_and_back(0.0)).curves
    assert slow["verdict"].to_list() == ["pass"] * COUNT
    assert (slow["hysteresis_ratio"].abs() < 0.005).all()
    fast = judged(_there_and_back(0.03)).curves
    assert fast["verdict"].to_list() == ["not_assessable"] * COUNT
    assert all("sweep" in texts[0] for texts in fast["reasons"])
    assert judged(simulated()).curves["hysteresis_ratio"].null_count() == COUNT


def test_hysteresis_of_a_drawn_sweep() -> None:
    """The difference of the largest powers over their mean; nothing without both directions."""
    volts = np.concatenate([np.arange(10.0), np.arange(10.0)[::-1]])
    amps = np.concatenate([np.full(10, 1.0), np.full(10, 1.1)])
    time = np.arange(20.0)
    offsets = np.array([0, 20])
    found = sweep_hysteresis(volts, amps, time_s=time, offsets=offsets)
    # 9 W going up; going down the first point after the turn stands at 8 V
    assert found[0] == pytest.approx((9.0 - 8.8) / 8.9)
    assert np.isnan(sweep_hysteresis(volts, amps, time_s=np.full(20, np.nan), offsets=offsets))
    assert np.isnan(sweep_hysteresis(np.arange(20.0), amps, time_s=time, offsets=offsets))


def test_a_noisy_curve_is_not_assessable() -> None:
    """Points that scatter by several per cent carry no verdict."""
    points = make_curves(SITE, MODULES, irradiance_w_m2=900.0, cell_temp_c=45.0, noise_ratio=0.05)
    curves = judged(points).curves
    assert curves["verdict"].to_list() == ["not_assessable"] * COUNT
    assert curves["p_sound"].null_count() == COUNT
