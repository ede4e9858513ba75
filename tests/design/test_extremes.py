"""Design temperatures from hourly weather against printed values and plain counting."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.design import (
    Practice,
    air_temperature_extremes,
    cell_temp_from_nominal,
    cell_temperature_extremes,
    check_design,
    design_temperature_inputs,
    in_daylight,
    return_period_extreme,
)
from arraywright.design.extremes import CHECKS
from arraywright.errors import CallError
from arraywright.findings import Verdict
from tests.design.weather_cases import invented_years, typical_year
from tests.published_values import published

HEADS = published("epw-design-conditions")
STATIONS = HEADS["inputs"]["stations"]
TYPICAL = published("tmy3-723170")


@pytest.mark.parametrize("at", range(len(STATIONS)), ids=[one["wmo"] for one in STATIONS])
def test_return_period_values_of_five_stations(at: int) -> None:
    """Mean and deviation give the 5, 10, 20 and 50 year values that weather files print."""
    station, years = STATIONS[at], HEADS["inputs"]["return_years"]
    low = return_period_extreme(
        station["mean_min_c"], sd_k=station["sd_min_k"], return_years=years, side="minimum"
    )
    high = return_period_extreme(
        station["mean_max_c"], sd_k=station["sd_max_k"], return_years=years, side="maximum"
    )
    # Factor of the deviation: (high - mean)/s; rounding of three printed numbers adds up.
    factor = (high - station["mean_max_c"]) / station["sd_max_k"]
    slack = HEADS["tolerance"]["printed"] * (2.0 + factor)
    assert np.all(np.abs(low - HEADS["expected"]["min_c"][at]) <= slack)
    assert np.all(np.abs(high - HEADS["expected"]["max_c"][at]) <= slack)


def test_a_typical_year_gives_its_extremes_but_no_design_minimum() -> None:
    """The open typical year has the extremes counted in it, and says it is no design minimum."""
    found = air_temperature_extremes(typical_year())
    slack = TYPICAL["tolerance"]["temp_k"]
    assert found.lowest_c == pytest.approx(TYPICAL["expected"]["lowest_c"], abs=slack)
    assert found.highest_c == pytest.approx(TYPICAL["expected"]["highest_c"], abs=slack)
    assert found.typical
    assert math.isnan(found.extreme_annual_mean_min_c)
    assert [one.check for one in found.findings] == ["weather-typical-year"]
    assert found.findings[0].verdict is Verdict.NOT_ASSESSABLE
    assert "-16.7" in found.findings[0].message


def test_means_of_yearly_extremes() -> None:
    """Ten years whose minima are known by their formula give their mean and deviation."""
    means = (10.0, 8.0, 12.0, 9.0, 11.0)
    found = air_temperature_extremes(invented_years(2001, 2010, mean_c=means))
    assert found.years.tolist() == list(range(2001, 2011))
    lowest = np.array([means[at % 5] - 15.0 for at in range(10)])
    assert found.annual_min_c == pytest.approx(lowest)
    assert found.extreme_annual_mean_min_c == pytest.approx(-5.0)
    assert found.sd_min_k == pytest.approx(np.std(lowest, ddof=1))
    assert found.extreme_annual_mean_max_c == pytest.approx(25.0, abs=0.01)
    assert found.hottest_month == 7
    assert found.findings == ()


def test_two_percent_of_the_hottest_month_is_counted() -> None:
    """Of the hottest month's hours 2 % are warmer than its design value."""
    weather = typical_year()
    found = air_temperature_extremes(weather)
    local = weather.time - np.timedelta64(300, "m")
    month = local.astype("datetime64[M]").astype(np.int64) % 12 + 1
    air = weather.air_temp_c[month == found.hottest_month]
    means = [weather.air_temp_c[month == one].mean() for one in range(1, 13)]
    assert int(np.argmax(means)) + 1 == found.hottest_month
    share = np.mean(air > found.hottest_month_2_percent_c)
    assert share == pytest.approx(0.02, abs=1.0 / len(air))


def test_the_coldest_night_is_not_the_coldest_light() -> None:
    """The hour of sunrise counts as light and the night before it does not."""
    weather = invented_years(2001, 2001)
    lit = in_daylight(weather)
    found = air_temperature_extremes(weather)
    assert found.lowest_daylight_c > found.lowest_c
    assert found.lowest_daylight_c == pytest.approx(weather.air_temp_c[lit].min())
    june = (weather.time >= np.datetime64("2001-06-21")) & (
        weather.time < np.datetime64("2001-06-22")
    )
    # At 40 degrees north the longest day lasts 15 h 01 min (any almanac): 04:31 to 19:32 by the
    # sun, that is 16 hours of which the sun is up at some time.
    assert lit[june].sum() == 16


def test_few_years_part_years_and_no_air_are_told() -> None:
    """Short or empty weather is never taken for a design basis."""
    three = air_temperature_extremes(invented_years(2001, 2003))
    assert [one.check for one in three.findings] == ["weather-few-years"]
    whole = invented_years(2001, 2001)
    half = replace(
        whole,
        **{
            name: getattr(whole, name)[:4000]
            for name in ("time", "ghi_w_m2", "dni_w_m2", "dhi_w_m2", "air_temp_c", "wind_m_s")
        },
    )
    checks = {one.check for one in air_temperature_extremes(half).findings}
    assert checks == {"weather-without-whole-year", "weather-not-a-year"}
    with pytest.raises(CallError, match="no air temperature"):
        air_temperature_extremes(replace(whole, air_temp_c=np.full(8760, np.nan)))


def test_cell_temperature_from_the_data_sheet() -> None:
    """At its own conditions a module has its nominal temperature, and 1000 W/m2 add a quarter."""
    # Definition of the nominal temperature: 800 W/m2, 20 degC.
    assert cell_temp_from_nominal(20.0, nmot_c=45.0, irradiance_w_m2=800.0) == 45.0
    assert cell_temp_from_nominal(35.0, nmot_c=45.0) == pytest.approx(35.0 + 25.0 * 1.25)


def test_cells_are_warmer_than_the_air_by_the_model() -> None:
    """The hottest cell follows from the hottest sunny hour by the model's own equation."""
    weather = typical_year()
    plane = weather.ghi_w_m2
    found = cell_temperature_extremes(weather, plane)
    by_hand = weather.air_temp_c + plane / (25.0 + 6.84 * weather.wind_m_s)
    assert found.highest_c == pytest.approx(by_hand.max())
    assert found.lowest_daylight_c >= air_temperature_extremes(weather).lowest_daylight_c
    assert found.hottest_month_2_percent_c < found.highest_c
    with pytest.raises(CallError, match="daylight"):
        cell_temperature_extremes(weather, np.full(len(weather), np.nan))


@settings(max_examples=40, deadline=None)
@given(
    mean=st.floats(-40.0, 50.0),
    spread=st.floats(0.1, 8.0),
    years=st.lists(st.floats(1.5, 500.0), min_size=2, max_size=2, unique=True),
)
def test_rarer_is_never_milder(mean: float, spread: float, years: list[float]) -> None:
    """A longer return period never gives a warmer minimum or a cooler maximum."""
    order = sorted(years)
    low = return_period_extreme(mean, sd_k=spread, return_years=order, side="minimum")
    high = return_period_extreme(mean, sd_k=spread, return_years=order, side="maximum")
    assert low[1] <= low[0]
    assert high[1] >= high[0]


def test_a_return_period_of_a_year_is_refused() -> None:
    """Every year is no return period."""
    with pytest.raises(CallError, match="above one"):
        return_period_extreme(0.0, sd_k=1.0, return_years=1.0, side="minimum")


def _inputs(**changed: float | None) -> dict[str, float | None]:
    base: dict[str, float | None] = {
        "design_min_air_temp_c": -12.0,
        "design_max_air_temp_c": 38.0,
        "extreme_annual_mean_min_c": -9.0,
        "lowest_daylight_c": -11.0,
        "hottest_month_2_percent_c": 33.0,
    }
    return base | changed


@pytest.mark.parametrize("practice", list(Practice))
@pytest.mark.parametrize(
    ("key", "changed", "named"),
    [
        ("design-min-air-temp", {"design_min_air_temp_c": -5.0}, "site.design_min_air_temp_c"),
        ("design-max-air-temp", {"design_max_air_temp_c": 30.0}, "site.design_max_air_temp_c"),
    ],
)
def test_design_temperatures_pass_fail_and_wait(
    practice: Practice, key: str, changed: dict[str, float], named: str
) -> None:
    """A cautious site passes, a careless one fails with the remedy, a silent one waits."""
    (check,) = [one for one in CHECKS if one.key == key and practice in one.basis]
    good = check_design(check, subject="site", practice=practice, values=_inputs())
    assert good.finding.verdict is Verdict.PASS
    assert good.worked
    bad = check_design(check, subject="site", practice=practice, values=_inputs(**changed))
    assert bad.finding.verdict is Verdict.FAIL
    assert named in bad.finding.remedy
    (name,) = changed
    silent = check_design(check, subject="site", practice=practice, values=_inputs(**{name: None}))
    assert silent.finding.verdict is Verdict.NOT_ASSESSABLE
    assert named in silent.finding.message


def test_practices_differ_in_what_minimum_counts() -> None:
    """A minimum between the two bases passes in one practice and fails in the other."""
    values = _inputs(design_min_air_temp_c=-10.0)
    verdicts = {}
    for check in CHECKS:
        for practice in check.basis:
            if check.key == "design-min-air-temp":
                found = check_design(check, subject="site", practice=practice, values=values)
                verdicts[practice] = found.finding.verdict
    assert verdicts == {Practice.IEC: Verdict.FAIL, Practice.NEC: Verdict.PASS}


def test_a_typical_year_is_no_basis_of_the_checks() -> None:
    """From a typical year the minima are not assessable, unless a file's head states one."""
    found = design_temperature_inputs(air_temperature_extremes(typical_year()))
    assert found["extreme_annual_mean_min_c"] is None
    assert found["lowest_daylight_c"] is None
    assert found["hottest_month_2_percent_c"] is not None
    site: dict[str, float | None] = {"design_min_air_temp_c": -20.0, "design_max_air_temp_c": 40.0}
    for check in CHECKS:
        for practice in check.basis:
            verdict = check_design(
                check, subject="site", practice=practice, values=site | found
            ).finding.verdict
            minimum = check.key == "design-min-air-temp"
            assert verdict is (Verdict.NOT_ASSESSABLE if minimum else Verdict.PASS)
    stated = design_temperature_inputs(
        air_temperature_extremes(typical_year()), stated_mean_min_c=-12.5
    )
    assert stated["extreme_annual_mean_min_c"] == -12.5
    real = design_temperature_inputs(
        air_temperature_extremes(invented_years(2001, 2010)), stated_mean_min_c=9.0
    )
    assert real["extreme_annual_mean_min_c"] == pytest.approx(-5.0)
    assert real["lowest_daylight_c"] is not None
