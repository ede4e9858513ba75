"""Air temperature of a place year by year and month by month, for people to look at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.design.extremes import EXCEEDED_RATIO, _hottest_month, _whole_years
from arraywright.design.weather import Weather, in_daylight, local_calendar
from arraywright.errors import CallError

__all__ = ["AirTemperatureYears", "air_temperature_years"]

_MONTHS: Final = range(1, 13)


@dataclass(frozen=True, slots=True, kw_only=True)
class AirTemperatureYears:
    """Air temperature year by year and month by month.

    Attributes:
        years: calendar years with at least nine tenths of their intervals, shape (years,); empty
            for a typical year.
        lowest_c: least value of each year [degC], shape (years,).
        lowest_daylight_c: least value of an interval of each year with daylight [degC]; nan
            without daylight.
        highest_c: greatest value of each year [degC].
        hottest_month: month with the highest mean of the whole weather, 1 to 12.
        hottest_month_2_percent_c: value that 2 % of that month's hours of each year exceed
            [degC]; nan where a year lacks the month.
        month_min_c: least value of each month over all of the weather [degC], shape (12,); nan
            for a month without values.
        month_mean_c: mean of each month [degC], shape (12,).
        month_max_c: greatest value of each month [degC], shape (12,).
    """

    years: IntArray
    lowest_c: FloatArray
    lowest_daylight_c: FloatArray
    highest_c: FloatArray
    hottest_month: int
    hottest_month_2_percent_c: FloatArray
    month_min_c: FloatArray
    month_mean_c: FloatArray
    month_max_c: FloatArray


def _least(air: FloatArray, chosen: BoolArray) -> float:
    return float(air[chosen].min()) if chosen.any() else float("nan")


def _two_percent(air: FloatArray, chosen: BoolArray) -> float:
    return float(np.quantile(air[chosen], 1.0 - EXCEEDED_RATIO)) if chosen.any() else float("nan")


def air_temperature_years(weather: Weather) -> AirTemperatureYears:
    """Least and greatest air temperatures [degC] of every year, and of every month.

    The same values as those of ``air_temperature_extremes``, whose means and leasts they are.
    Months and years are those of the place's standard time.

    Raises:
        CallError: ``weather-empty`` when no interval has an air temperature.

    Source: ashrae-fundamentals-climate (monthly 2 % values, from memory)
    """
    known = np.isfinite(weather.air_temp_c)
    if not known.any():
        raise CallError(
            "weather-empty",
            "Found no air temperature in the weather; required: at least one.",
            "Give a file with air temperatures.",
        )
    calendar = local_calendar(weather)
    air, year, month = weather.air_temp_c[known], calendar.year[known], calendar.month[known]
    lit = in_daylight(weather)[known]
    hottest = _hottest_month(air, month)
    years = _whole_years(weather, calendar.year, known)
    each = [year == one for one in years]
    months = [air[month == one] for one in _MONTHS]
    nothing = float("nan")
    return AirTemperatureYears(
        years=years,
        lowest_c=np.array([air[one].min() for one in each], dtype=np.float64),
        lowest_daylight_c=np.array([_least(air, one & lit) for one in each], dtype=np.float64),
        highest_c=np.array([air[one].max() for one in each], dtype=np.float64),
        hottest_month=hottest,
        hottest_month_2_percent_c=np.array(
            [_two_percent(air, one & (month == hottest)) for one in each], dtype=np.float64
        ),
        month_min_c=np.array([one.min() if len(one) else nothing for one in months]),
        month_mean_c=np.array([one.mean() if len(one) else nothing for one in months]),
        month_max_c=np.array([one.max() if len(one) else nothing for one in months]),
    )
