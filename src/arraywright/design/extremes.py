"""Design temperatures of air and cells from hourly weather, and whether a site states enough."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.design.check import DesignCheck, Input, Practice, Values
from arraywright.design.weather import Weather, in_daylight, local_calendar
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.physics import from_air

__all__ = [
    "CHECKS",
    "AirTemperatureExtremes",
    "CellTemperatureExtremes",
    "air_temperature_extremes",
    "cell_temp_from_nominal",
    "cell_temperature_extremes",
    "design_temperature_inputs",
    "return_period_extreme",
]

WHOLE_YEAR_RATIO: Final = 0.9
"""Share of a year's intervals from which its least and greatest values count; common practice."""
ENOUGH_YEARS: Final = 10
"""Years from which a mean of yearly extremes is worth its name; common practice."""
EXCEEDED_RATIO: Final = 0.02
"""Share of the hottest month's hours that are warmer than its design value."""
EULER: Final = 0.5772
NOMINAL_IRRADIANCE_W_M2: Final = 800.0
NOMINAL_AIR_TEMP_C: Final = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AirTemperatureExtremes:
    """What hourly weather says of the coldest and the hottest air.

    Attributes:
        years: calendar years with at least nine tenths of their intervals, shape (years,); empty
            for a typical year.
        annual_min_c: least value of each year [degC], shape (years,).
        annual_max_c: greatest value of each year [degC], shape (years,).
        extreme_annual_mean_min_c: mean of the yearly minima [degC]; nan for a typical year.
        extreme_annual_mean_max_c: mean of the yearly maxima [degC]; nan for a typical year.
        sd_min_k: standard deviation of the yearly minima [K]; nan below two years.
        sd_max_k: standard deviation of the yearly maxima [K]; nan below two years.
        lowest_c: least value in the weather [degC].
        highest_c: greatest value in the weather [degC].
        lowest_daylight_c: least value of an interval with daylight [degC].
        hottest_month: month with the highest mean, 1 to 12.
        hottest_month_2_percent_c: value that 2 % of the hottest month's hours exceed [degC].
        typical: whether the weather is a typical year, whose minimum is no design minimum.
        intervals: intervals with an air temperature.
        findings: what limits the use of these values.
    """

    years: IntArray
    annual_min_c: FloatArray
    annual_max_c: FloatArray
    extreme_annual_mean_min_c: float
    extreme_annual_mean_max_c: float
    sd_min_k: float
    sd_max_k: float
    lowest_c: float
    highest_c: float
    lowest_daylight_c: float
    hottest_month: int
    hottest_month_2_percent_c: float
    typical: bool
    intervals: int
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CellTemperatureExtremes:
    """What hourly weather says of the coldest and the hottest cells.

    Attributes:
        lowest_daylight_c: least cell temperature of an interval with daylight [degC].
        highest_c: greatest cell temperature [degC].
        hottest_month: month with the highest mean air temperature, 1 to 12.
        hottest_month_2_percent_c: cell temperature that 2 % of the hottest month's hours of
            daylight exceed [degC].
        standard_uncertainty_k: standard uncertainty of a single cell temperature [K].
        basis: source key and clause of the model.
    """

    lowest_daylight_c: float
    highest_c: float
    hottest_month: int
    hottest_month_2_percent_c: float
    standard_uncertainty_k: float
    basis: str


def return_period_extreme(
    mean_c: npt.ArrayLike,
    *,
    sd_k: npt.ArrayLike,
    return_years: npt.ArrayLike,
    side: Literal["minimum", "maximum"],
) -> FloatArray:
    """Air temperature [degC] that is passed once in so many years, from the yearly extremes.

    ``T = M + I F s`` with ``F = -(sqrt(6)/pi) (0.5772 + ln(ln(n/(n - 1))))``, I = 1 for maxima
    and -1 for minima: the extremes of the years follow Gumbel's distribution.

    Args:
        mean_c: mean M of the yearly extremes.
        sd_k: their standard deviation s.
        return_years: n, above one.
        side: which of the two.

    Raises:
        CallError: ``value-out-of-range`` for a return period of a year or less.

    Source: ashrae-fundamentals-climate equation for n-year return periods, from memory; it
    reproduces the printed values of epw-design-conditions.
    """
    years = np.asarray(return_years, dtype=np.float64)
    if np.any(years <= 1.0):
        raise CallError(
            "value-out-of-range",
            f"Found a return period of {np.min(years):g} years; required: above one.",
            "Give for example 20.",
        )
    factor = -math.sqrt(6.0) / math.pi * (EULER + np.log(np.log(years / (years - 1.0))))
    sign = 1.0 if side == "maximum" else -1.0
    spread: FloatArray = sign * factor * np.asarray(sd_k, dtype=np.float64)
    return np.asarray(mean_c, dtype=np.float64) + spread


def cell_temp_from_nominal(
    air_temp_c: npt.ArrayLike,
    *,
    nmot_c: npt.ArrayLike,
    irradiance_w_m2: npt.ArrayLike = 1000.0,
) -> FloatArray:
    """Cell temperature [degC] from the nominal operating temperature on the data sheet.

    ``T = Ta + (NMOT - 20) G/800``: the rise over the air at 800 W/m2, 20 degC and wind of 1 m/s
    in an open rack, in proportion to the irradiance. Little wind is so reckoned with; close to a
    roof the rise is greater.

    Args:
        air_temp_c: air temperature, any shape.
        nmot_c: nominal module operating temperature, or the older NOCT.
        irradiance_w_m2: irradiance in the plane.

    Source: iec-61215-nmot (conditions of the nominal temperature); the proportion is
    common-practice
    """
    rise = np.asarray(nmot_c, dtype=np.float64) - NOMINAL_AIR_TEMP_C
    suns = np.asarray(irradiance_w_m2, dtype=np.float64) / NOMINAL_IRRADIANCE_W_M2
    cell: FloatArray = np.asarray(air_temp_c, dtype=np.float64) + rise * suns
    return cell


def _whole_years(weather: Weather, year: IntArray, known: BoolArray) -> IntArray:
    if weather.typical:
        return np.zeros(0, dtype=np.int64)
    years, counts = np.unique(year[known], return_counts=True)
    least = WHOLE_YEAR_RATIO * 8760.0 * 60.0 / weather.interval_min
    return np.asarray(years[counts >= least], dtype=np.int64)


def _hottest_month(air: FloatArray, month: IntArray) -> int:
    sums = np.bincount(month, weights=air, minlength=13)
    counts = np.bincount(month, minlength=13)
    with np.errstate(invalid="ignore"):
        means = np.where(counts > 0, sums / np.maximum(counts, 1), -np.inf)
    return int(np.argmax(means[1:])) + 1


def _finding(check: str, verdict: Verdict, message: str, remedy: str, value: float) -> Finding:
    return Finding(
        check=check,
        subject_kind="site",
        subject="weather",
        verdict=verdict,
        message=message,
        remedy=remedy,
        value=value,
        unit="degC",
        basis="ashrae-fundamentals-climate",
    )


def _limits_of_use(
    weather: Weather, years: IntArray, lowest_c: float, months: int
) -> tuple[Finding, ...]:
    found: list[Finding] = []
    if weather.typical:
        found.append(
            _finding(
                "weather-typical-year",
                Verdict.NOT_ASSESSABLE,
                f"The weather is a typical year; its least hour, {lowest_c:.1f} degC, is not a "
                "design minimum: typical months are picked so that they leave out the extremes.",
                "Give hourly air temperatures of ten or more real years, or state the design "
                "minimum with its source.",
                lowest_c,
            )
        )
    elif not len(years):
        found.append(
            _finding(
                "weather-without-whole-year",
                Verdict.NOT_ASSESSABLE,
                "No calendar year is covered to nine tenths, so that no yearly minimum can be "
                "taken.",
                "Give whole calendar years.",
                lowest_c,
            )
        )
    elif len(years) < ENOUGH_YEARS:
        found.append(
            _finding(
                "weather-few-years",
                Verdict.REVIEW,
                f"The yearly extremes rest on {len(years)} whole years; {ENOUGH_YEARS} or more "
                "are usual.",
                "Give more years, or hold the values against a published station near by.",
                lowest_c,
            )
        )
    if months < 12:
        found.append(
            _finding(
                "weather-not-a-year",
                Verdict.NOT_ASSESSABLE,
                f"The weather covers {months} of the 12 months; the coldest or the hottest may "
                "be missing.",
                "Give at least a whole year.",
                lowest_c,
            )
        )
    return tuple(found)


def air_temperature_extremes(weather: Weather) -> AirTemperatureExtremes:
    """Least and greatest air temperatures [degC] that a design can rest on, from hourly weather.

    The extreme annual mean minimum is the mean over the years of each year's least value; the
    lowest hour in daylight is the least value of intervals in which the sun is up at any time;
    the 2 % value of the hottest month is exceeded by 2 % of that month's hours over all years. A
    typical year gives the last two and its own least value, but no extreme annual mean: its
    minimum is no design minimum.

    Raises:
        CallError: ``weather-empty`` when no interval has an air temperature.

    Source: ashrae-fundamentals-climate (extreme annual mean and monthly 2 % values, from memory)
    """
    known = np.isfinite(weather.air_temp_c)
    if not known.any():
        raise CallError(
            "weather-empty",
            "Found no air temperature in the weather; required: at least one.",
            "Give a file with air temperatures.",
        )
    calendar = local_calendar(weather)
    air = weather.air_temp_c[known]
    years = _whole_years(weather, calendar.year, known)
    lows = np.array([air[calendar.year[known] == one].min() for one in years])
    highs = np.array([air[calendar.year[known] == one].max() for one in years])
    lit = in_daylight(weather) & known
    hottest = _hottest_month(air, calendar.month[known])
    in_hottest = air[calendar.month[known] == hottest]
    lowest = float(air.min())
    return AirTemperatureExtremes(
        years=years,
        annual_min_c=lows,
        annual_max_c=highs,
        extreme_annual_mean_min_c=float(lows.mean()) if len(years) else math.nan,
        extreme_annual_mean_max_c=float(highs.mean()) if len(years) else math.nan,
        sd_min_k=float(lows.std(ddof=1)) if len(years) > 1 else math.nan,
        sd_max_k=float(highs.std(ddof=1)) if len(years) > 1 else math.nan,
        lowest_c=lowest,
        highest_c=float(air.max()),
        lowest_daylight_c=float(weather.air_temp_c[lit].min()) if lit.any() else math.nan,
        hottest_month=hottest,
        hottest_month_2_percent_c=float(np.quantile(in_hottest, 1.0 - EXCEEDED_RATIO)),
        typical=weather.typical,
        intervals=int(known.sum()),
        findings=_limits_of_use(weather, years, lowest, len(np.unique(calendar.month[known]))),
    )


def cell_temperature_extremes(
    weather: Weather,
    plane_irradiance_w_m2: FloatArray,
    *,
    model: Literal["faiman", "sapm"] = "faiman",
    heat_loss_w_m2_k: float = 25.0,
    heat_loss_wind_w_s_m3_k: float = 6.84,
) -> CellTemperatureExtremes:
    """Coldest and hottest cell temperatures [degC] in daylight, from hourly weather.

    Args:
        weather: the weather.
        plane_irradiance_w_m2: irradiance in the plane of the modules, shape (hours,).
        model: model of ``physics.from_air``.
        heat_loss_w_m2_k: U0 of Faiman's model.
        heat_loss_wind_w_s_m3_k: U1 of Faiman's model.

    Raises:
        CallError: ``weather-without-light`` when no interval in daylight has irradiance, air
            temperature and wind.

    Source: faiman-2008 eq. 4, through ``physics.from_air``.
    """
    lit = in_daylight(weather) & np.isfinite(weather.air_temp_c) & np.isfinite(weather.wind_m_s)
    lit &= np.isfinite(plane_irradiance_w_m2)
    if not lit.any():
        raise CallError(
            "weather-without-light",
            "Found no interval in daylight with irradiance, air temperature and wind.",
            "Give a file with irradiance.",
        )
    found = from_air(
        model,
        irradiance_w_m2=plane_irradiance_w_m2[lit],
        air_temp_c=weather.air_temp_c[lit],
        wind_m_s=weather.wind_m_s[lit],
        heat_loss_w_m2_k=heat_loss_w_m2_k,
        heat_loss_wind_w_s_m3_k=heat_loss_wind_w_s_m3_k,
    )
    month = local_calendar(weather).month
    known = np.isfinite(weather.air_temp_c)
    hottest = _hottest_month(weather.air_temp_c[known], month[known])
    cell = found.cell_temp_c
    in_hottest = cell[month[lit] == hottest]
    two_percent = np.quantile(in_hottest, 1.0 - EXCEEDED_RATIO) if len(in_hottest) else np.nan
    return CellTemperatureExtremes(
        lowest_daylight_c=float(cell.min()),
        highest_c=float(cell.max()),
        hottest_month=hottest,
        hottest_month_2_percent_c=float(two_percent),
        standard_uncertainty_k=float(np.max(found.standard_uncertainty_k)),
        basis=found.basis,
    )


def design_temperature_inputs(
    found: AirTemperatureExtremes, *, stated_mean_min_c: float | None = None
) -> dict[str, float | None]:
    """Give what ``CHECKS`` need from the weather, None where the weather cannot say it.

    A typical year, or weather without whole years, gives no minimum; then the mean of the yearly
    minima that a file's head states may stand in for the extreme annual mean minimum.

    Source: ashrae-fundamentals-climate (extreme annual mean values, from memory)
    """
    real = len(found.years) > 0

    def known(value: float, *, usable: bool) -> float | None:
        return value if usable and math.isfinite(value) else None

    mean_min = known(found.extreme_annual_mean_min_c, usable=real)
    return {
        "extreme_annual_mean_min_c": stated_mean_min_c if mean_min is None else mean_min,
        "lowest_daylight_c": known(found.lowest_daylight_c, usable=real),
        "hottest_month_2_percent_c": known(
            found.hottest_month_2_percent_c, usable=real or found.typical
        ),
    }


def _named(name: str) -> Input:
    return _INPUTS[name]


_INPUTS: Final = {
    one.name: one
    for one in (
        Input(
            name="design_min_air_temp_c",
            symbol="Tmin",
            unit="degC",
            meaning="least air temperature the design reckons with",
            key="site.design_min_air_temp_c",
        ),
        Input(
            name="design_max_air_temp_c",
            symbol="Tmax",
            unit="degC",
            meaning="greatest air temperature the design reckons with",
            key="site.design_max_air_temp_c",
        ),
        Input(
            name="extreme_annual_mean_min_c",
            symbol="Tmin,a",
            unit="degC",
            meaning="extreme annual mean minimum of the air temperature, from real years",
            key="weather.files",
        ),
        Input(
            name="lowest_daylight_c",
            symbol="Tmin,d",
            unit="degC",
            meaning="lowest air temperature of an hour in daylight, from real years",
            key="weather.files",
        ),
        Input(
            name="hottest_month_2_percent_c",
            symbol="T2%",
            unit="degC",
            meaning="air temperature that 2 % of the hottest month's hours exceed",
            key="weather.files",
        ),
    )
}


def _value(name: str) -> Callable[[Values], FloatArray]:
    def value(values: Values) -> FloatArray:
        return values[name]

    return value


_MIN_REMEDY: Final = (
    "Set site.design_min_air_temp_c to {limit} degC or less, then check the string length again; "
    "the code in force at the place decides which minimum counts."
)

CHECKS: Final[tuple[DesignCheck, ...]] = (
    DesignCheck(
        key="design-min-air-temp",
        family="voltage",
        title="Is the design minimum as low as the place gets in daylight",
        subject_kind="site",
        basis={Practice.IEC: "iec-62548-1 array voltage at the lowest expected temperature"},
        formula="Tmin <= Tmin,d",
        inputs=(_named("design_min_air_temp_c"), _named("lowest_daylight_c")),
        unit="degC",
        sense="at most",
        value=_value("design_min_air_temp_c"),
        limit=_value("lowest_daylight_c"),
        passing="The design minimum of {value} degC is no warmer than the coldest hour in "
        "daylight of the weather's years, {limit} degC.",
        failing="The design minimum of {value} degC is {margin} K warmer than the coldest hour in "
        "daylight of the weather's years, {limit} degC: strings would be too long for it.",
        remedy=_MIN_REMEDY,
    ),
    DesignCheck(
        key="design-min-air-temp",
        family="voltage",
        title="Is the design minimum as low as the extreme annual mean minimum",
        subject_kind="site",
        basis={Practice.NEC: "nec-2023 690.7(A) informational note"},
        formula="Tmin <= Tmin,a",
        inputs=(_named("design_min_air_temp_c"), _named("extreme_annual_mean_min_c")),
        unit="degC",
        sense="at most",
        value=_value("design_min_air_temp_c"),
        limit=_value("extreme_annual_mean_min_c"),
        passing="The design minimum of {value} degC is no warmer than the mean of the years' "
        "minima, {limit} degC.",
        failing="The design minimum of {value} degC is {margin} K warmer than the mean of the "
        "years' minima, {limit} degC: strings would be too long for it.",
        remedy=_MIN_REMEDY,
    ),
    DesignCheck(
        key="design-max-air-temp",
        family="voltage",
        title="Is the design maximum as high as the hottest month's 2 % value",
        subject_kind="site",
        basis={
            Practice.IEC: "common-practice",
            Practice.NEC: "nec-2023 310.15(B) ambient temperature",
        },
        formula="Tmax >= T2%",
        inputs=(_named("design_max_air_temp_c"), _named("hottest_month_2_percent_c")),
        unit="degC",
        sense="at least",
        value=_value("design_max_air_temp_c"),
        limit=_value("hottest_month_2_percent_c"),
        passing="The design maximum of {value} degC is no cooler than the value that 2 % of the "
        "hottest month's hours exceed, {limit} degC.",
        failing="The design maximum of {value} degC is {margin} K cooler than the value that 2 % "
        "of the hottest month's hours exceed, {limit} degC: voltage at noon and the current that "
        "cables bear would be reckoned too high.",
        remedy="Set site.design_max_air_temp_c to {limit} degC or more, then check strings and "
        "cables again.",
    ),
)
"""Checks of what the site states as its design temperatures; a typical year leaves the minima
out, so that they are not assessable from it."""
