"""Air temperature year by year and month by month."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from arraywright.design import air_temperature_extremes, air_temperature_years, in_daylight
from arraywright.errors import CallError
from tests.design.weather_cases import invented_years, typical_year

MEANS = (10.0, 8.0, 12.5)


def test_years_are_counted_as_a_table_program_counts_them() -> None:
    """Grouping the hours by year and month with another library gives the same values."""
    weather = invented_years(2001, 2006, mean_c=MEANS)
    found = air_temperature_years(weather)
    hours = pl.DataFrame(
        {"time": weather.time, "air": weather.air_temp_c, "lit": in_daylight(weather)}
    ).with_columns(pl.col("time").dt.year().alias("year"), pl.col("time").dt.month().alias("month"))
    years = hours.group_by("year", maintain_order=True).agg(
        pl.col("air").min().alias("low"),
        pl.col("air").max().alias("high"),
        pl.col("air").filter("lit").min().alias("light"),
        pl.col("air")
        .filter(pl.col("month") == 7)
        .quantile(0.98, interpolation="linear")
        .alias("hot"),
    )
    assert found.hottest_month == 7
    assert found.years.tolist() == years["year"].to_list()
    for values, column in (
        (found.lowest_c, "low"),
        (found.highest_c, "high"),
        (found.lowest_daylight_c, "light"),
        (found.hottest_month_2_percent_c, "hot"),
    ):
        assert values == pytest.approx(years[column].to_numpy())
    months = hours.group_by("month").agg(
        pl.col("air").min().alias("low"),
        pl.col("air").mean().alias("mean"),
        pl.col("air").max().alias("high"),
    )
    months = months.sort("month")
    assert found.month_min_c == pytest.approx(months["low"].to_numpy())
    assert found.month_mean_c == pytest.approx(months["mean"].to_numpy())
    assert found.month_max_c == pytest.approx(months["high"].to_numpy())


def test_the_years_make_up_the_extremes_of_the_site() -> None:
    """What is drawn year by year is what the checks' values are the means and leasts of."""
    weather = invented_years(2001, 2004, mean_c=MEANS)
    years, whole = air_temperature_years(weather), air_temperature_extremes(weather)
    assert years.lowest_c.mean() == pytest.approx(whole.extreme_annual_mean_min_c)
    assert years.highest_c.mean() == pytest.approx(whole.extreme_annual_mean_max_c)
    assert years.lowest_daylight_c.min() == pytest.approx(whole.lowest_daylight_c)
    assert years.month_min_c.min() == pytest.approx(whole.lowest_c)
    assert years.hottest_month == whole.hottest_month


def test_a_typical_year_has_months_and_no_years() -> None:
    """Months picked from several years are no year whose extremes could be drawn."""
    found = air_temperature_years(typical_year())
    assert len(found.years) == 0
    assert np.isfinite(found.month_mean_c).all()


def test_part_of_a_year_leaves_months_open() -> None:
    """A month without values has none, and no air at all is refused."""
    weather = invented_years(2001, 2001)
    summer = np.where(weather.time < np.datetime64("2001-06-01"), np.nan, weather.air_temp_c)
    found = air_temperature_years(replace(weather, air_temp_c=summer))
    assert len(found.years) == 0
    assert np.isnan(found.month_min_c[:5]).all()
    assert np.isfinite(found.month_min_c[5:]).all()
    with pytest.raises(CallError, match="no air temperature"):
        air_temperature_years(replace(weather, air_temp_c=np.full(len(weather), np.nan)))
