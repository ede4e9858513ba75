"""First-year yield from hourly weather: energy by month, where it is lost, and how sure it is."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtri

from arraywright.arrays import FloatArray, IntArray
from arraywright.design.plane_light import DiffuseModifiers
from arraywright.design.weather import Weather
from arraywright.design.yield_chain import STEPS, Levels, Push, Sky, prepare, run_chain
from arraywright.design.yield_model import YieldInverter, YieldLosses, YieldUncertainty
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.physics import combined

__all__ = [
    "Contribution",
    "FirstYear",
    "LossStep",
    "exceeded_energy",
    "first_year",
]

ORDINARY_RATIO: Final = (0.60, 0.95)
"""Performance ratios outside this are looked at again; common practice."""
WHOLE_YEAR_RATIO: Final = 0.9
"""Share of a year's intervals from which its energy counts by itself; common practice."""
CLIPPING_REVIEW_RATIO: Final = 0.03
_STEP_RATIO: Final = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class LossStep:
    """One step of the loss waterfall.

    Attributes:
        key: key of the step, see ``STEPS``; ``horizontal`` for the start.
        title: words for people.
        change_kwh: change of the yearly energy in this step, negative for a loss [kWh].
        change_ratio: change over the energy before the step [1].
        left_kwh: yearly energy after the step [kWh].
        printed_change_kwh: change in whole kWh so that the printed column adds up exactly.
        printed_left_kwh: energy after the step in whole kWh, likewise.
    """

    key: str
    title: str
    change_kwh: float
    change_ratio: float
    left_kwh: float
    printed_change_kwh: int
    printed_left_kwh: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """What one stated uncertainty does to the yearly energy.

    Attributes:
        name: name of the quantity, as in ``YieldUncertainty``.
        stated: its standard uncertainty, a fraction or kelvin by the name's suffix.
        sensitivity: relative change of the energy per unit of the quantity.
        share_ratio: contribution to the relative standard uncertainty of the energy [1].
    """

    name: str
    stated: float
    sensitivity: float
    share_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstYear:
    """Yield of the first year, of a mean year of 8760 hours by the weather given.

    Attributes:
        monthly_energy_kwh: energy at the meter by month [kWh], shape (12,).
        monthly_plane_kwh_m2: irradiation in the planes by month, weighted with their power
            [kWh/m2], shape (12,).
        monthly_horizontal_kwh_m2: irradiation on the horizontal by month [kWh/m2], shape (12,).
        energy_kwh: energy at the meter in the year [kWh].
        power_stc_w: power of all modules at STC [W].
        specific_yield_kwh_kw: energy per power at STC [kWh/kW].
        performance_ratio: energy over power at STC x irradiation in the planes/1000 W/m2 [1].
        clipping_ratio: energy cut by the inverters' limit over what they would have given [1].
        clipping_hours: hours in the year in which any inverter is at its limit [h].
        outside_window_hours: hours in the year in which any string is outside the MPPT window
            while it gives power [h].
        waterfall: start and steps from the horizontal to the meter; the changes add up to the
            energy.
        standard_uncertainty_ratio: relative standard uncertainty of the energy [1].
        contributions: where it comes from.
        energy_90_kwh: energy exceeded with a probability of 90 % [kWh].
        years: whole calendar years in the weather, shape (years,); empty for a typical year.
        energy_by_year_kwh: energy of each of them [kWh], shape (years,).
        ac_power_w: power at the meter in each interval, before time out of service [W].
        hours: hours of the mean year for which each interval stands.
        method: how it was worked out, in words.
        findings: what is to be looked at.
    """

    monthly_energy_kwh: FloatArray
    monthly_plane_kwh_m2: FloatArray
    monthly_horizontal_kwh_m2: FloatArray
    energy_kwh: float
    power_stc_w: float
    specific_yield_kwh_kw: float
    performance_ratio: float
    clipping_ratio: float
    clipping_hours: float
    outside_window_hours: float
    waterfall: tuple[LossStep, ...]
    standard_uncertainty_ratio: float
    contributions: tuple[Contribution, ...]
    energy_90_kwh: float
    years: IntArray
    energy_by_year_kwh: FloatArray
    ac_power_w: FloatArray
    hours: FloatArray
    method: str
    findings: tuple[Finding, ...]


def _waterfall(energy_kwh: FloatArray) -> tuple[LossStep, ...]:
    printed = [round(float(level)) for level in energy_kwh]
    steps = [
        LossStep(
            key="horizontal",
            title="light on the horizontal at the modules' power",
            change_kwh=float(energy_kwh[0]),
            change_ratio=math.nan,
            left_kwh=float(energy_kwh[0]),
            printed_change_kwh=printed[0],
            printed_left_kwh=printed[0],
        )
    ]
    for at, (key, title) in enumerate(STEPS, start=1):
        before, after = float(energy_kwh[at - 1]), float(energy_kwh[at])
        steps.append(
            LossStep(
                key=key,
                title=title,
                change_kwh=after - before,
                change_ratio=(after - before) / before if before else math.nan,
                left_kwh=after,
                printed_change_kwh=printed[at] - printed[at - 1],
                printed_left_kwh=printed[at],
            )
        )
    return tuple(steps)


_PUSHES: Final = {
    "irradiation_ratio": "light",
    "year_to_year_ratio": "light",
    "transposition_ratio": "light",
    "module_power_ratio": "power",
    "soiling_ratio": "light",
    "snow_ratio": "light",
    "other_ratio": "power",
    "cell_temp_k": "warmer",
}


def _contributions(
    energy_of: Callable[[Push], float], uncertainty: YieldUncertainty, best_kwh: float
) -> tuple[Contribution, ...]:
    """Sensitivities by central differences of the whole chain, clipping included."""
    step_k = max(uncertainty.cell_temp_k, 0.5)
    pairs = {
        "light": (
            Push(light_ratio=1.0 + _STEP_RATIO),
            Push(light_ratio=1.0 - _STEP_RATIO),
            _STEP_RATIO,
        ),
        "power": (
            Push(power_ratio=1.0 + _STEP_RATIO),
            Push(power_ratio=1.0 - _STEP_RATIO),
            _STEP_RATIO,
        ),
        "warmer": (Push(warmer_k=step_k), Push(warmer_k=-step_k), step_k),
    }
    slopes = {
        name: (energy_of(above) - energy_of(below)) / (2.0 * step * best_kwh) if best_kwh else 0.0
        for name, (above, below, step) in pairs.items()
    }
    return tuple(
        Contribution(
            name=name,
            stated=getattr(uncertainty, name),
            sensitivity=slopes[kind],
            share_ratio=abs(slopes[kind]) * getattr(uncertainty, name),
        )
        for name, kind in _PUSHES.items()
    )


def exceeded_energy(
    energy_kwh: FloatArray, *, standard_uncertainty_ratio: FloatArray, confidence: float = 0.9
) -> FloatArray:
    """Energy [kWh] that is exceeded with a probability, from the best estimate.

    ``E (1 - z u)`` with z the normal distribution's quantile of the probability, 1.2816 for 90 %.

    Args:
        energy_kwh: best estimate, any shape.
        standard_uncertainty_ratio: relative standard uncertainty.
        confidence: probability of exceedance, between 0 and 1.

    Source: jcgm-100 annex G (normal distribution).
    """
    spread: FloatArray = 1.0 - ndtri(confidence) * np.asarray(standard_uncertainty_ratio)
    return np.asarray(energy_kwh, dtype=np.float64) * spread


def _by_year(sky: Sky, power_w: FloatArray) -> tuple[IntArray, FloatArray]:
    if sky.weather.typical:
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    years, counts = np.unique(sky.year[sky.use], return_counts=True)
    whole = years[counts >= WHOLE_YEAR_RATIO * 8760.0 * 60.0 / sky.weather.interval_min]
    sums = []
    for year in whole:
        held = sky.use & (sky.year == year)
        hours = sky.hours[held]
        sums.append(float(np.sum(power_w[held] * hours)) / float(hours.sum()) * 8.76)
    return np.asarray(whole, dtype=np.int64), np.array(sums)


def _findings(
    *, ratio: float, clipping_ratio: float, outside_h: float, assumed_ratio: float | None
) -> tuple[Finding, ...]:
    found: list[Finding] = []

    def add(check: str, message: str, remedy: str, value: float, unit: str) -> None:
        found.append(
            Finding(
                check=check,
                subject_kind="site",
                subject="yield",
                verdict=Verdict.REVIEW,
                message=message,
                remedy=remedy,
                value=value,
                unit=unit,
                basis="common-practice",
            )
        )

    if assumed_ratio is not None:
        add(
            "yield-uncertainty-assumed",
            f"The standard uncertainty of {100.0 * assumed_ratio:.1f} % rests on the figures of a "
            "published case study, not on this site's.",
            "State the uncertainties of this site's weather data, modules and losses.",
            100.0 * assumed_ratio,
            "%",
        )
    low, high = ORDINARY_RATIO
    if not low <= ratio <= high:
        add(
            "yield-performance-ratio",
            f"The performance ratio of {100.0 * ratio:.1f} % lies outside the {100.0 * low:.0f} "
            f"to {100.0 * high:.0f} % that sound plants have.",
            "Check modules per string, inverters, losses and the plane's direction.",
            100.0 * ratio,
            "%",
        )
    if outside_h > 0.0:
        add(
            "yield-outside-window",
            f"Strings are outside the MPPT window in {outside_h:,.0f} hours of the year while "
            "they give power.",
            "Look at the string length against both edges of the window.",
            outside_h,
            "h",
        )
    if clipping_ratio > CLIPPING_REVIEW_RATIO:
        add(
            "yield-much-clipping",
            f"The inverters cut {100.0 * clipping_ratio:.1f} % of the year's energy; hourly means "
            "hide short peaks, so that it will be rather more.",
            "Weigh larger inverters or fewer modules against their cost.",
            100.0 * clipping_ratio,
            "%",
        )
    return tuple(found)


def first_year(
    weather: Weather,
    inverters: Sequence[YieldInverter],
    *,
    losses: YieldLosses,
    albedo_ratio: FloatArray,
    uncertainty: YieldUncertainty | None = None,
    heat_loss_w_m2_k: float = 25.0,
    heat_loss_wind_w_s_m3_k: float = 6.84,
    diffuse: DiffuseModifiers | None = None,
) -> FirstYear:
    """Energy at the meter in the first year [kWh], its losses step by step and its uncertainty.

    In each interval, with the sun in its middle: light in the plane after Hay and Davies; less
    shade and dirt; the glass's modifier for the beam and, integrated over sky and ground, for
    diffuse light; light on the rear; cell temperature after Faiman; power of a module by its
    single-diode parameters, times the modules; the stated losses; the inverter's curve and
    limit. The spectrum is taken as that of STC and modules of a string as alike but for the
    stated mismatch. Hourly means hide short peaks: clipping comes out somewhat low.

    Args:
        weather: hourly weather of one or more years.
        inverters: all inverters of the plant, alike ones together.
        losses: losses that are stated.
        albedo_ratio: reflectance of the ground: one value, twelve monthly ones, or hourly.
        uncertainty: standard uncertainties; those of a published case study when left out.
        heat_loss_w_m2_k: U0 of Faiman's model.
        heat_loss_wind_w_s_m3_k: U1 of Faiman's model.
        diffuse: share of diffuse light that passes the glass; integrated when left out.

    Raises:
        CallError: ``no-inverters``; ``weather-too-coarse``, ``weather-incomplete``;
            ``shapes-differ`` for losses of another length.

    Source: hay-davies-1980; de-soto-2006; faiman-2008 eq. 4; dobos-2014 chapter 11; jcgm-100 5.1.
    """
    if not inverters:
        raise CallError(
            "no-inverters", "No inverter was given; required: at least one.", "Describe them."
        )
    sky = prepare(
        weather,
        [plane for inverter in inverters for plane in inverter.planes],
        albedo_ratio=albedo_ratio,
        diffuse=diffuse,
    )
    hours = sky.hours

    def run(push: Push) -> Levels:
        return run_chain(
            sky,
            inverters,
            losses,
            heat_loss_w_m2_k=heat_loss_w_m2_k,
            heat_loss_wind_w_s_m3_k=heat_loss_wind_w_s_m3_k,
            push=push,
        )

    levels = run(Push())
    yearly = levels.power_w @ hours / 1000.0
    energy = float(yearly[-1])
    contributions = _contributions(
        lambda push: float(run(push).power_w[-1] @ hours) / 1000.0,
        YieldUncertainty() if uncertainty is None else uncertainty,
        energy,
    )
    spread = float(combined(*(one.share_ratio for one in contributions)))
    power = sum(
        plane.power_stc_w * inverter.count for inverter in inverters for plane in inverter.planes
    )
    plane_wh = levels.plane_w * hours
    ratio = energy * 1000.0 / float(plane_wh.sum()) if plane_wh.sum() > 0.0 else math.nan
    clipping = 1.0 - float(yearly[13] / yearly[12]) if yearly[12] > 0.0 else 0.0
    outside_h = float(hours[levels.outside].sum())
    years, by_year = _by_year(sky, levels.power_w[-1])

    def monthly(watts: FloatArray) -> FloatArray:
        sums = np.bincount(sky.month, weights=watts * hours, minlength=13)[1:]
        return np.asarray(sums, dtype=np.float64) / 1000.0

    return FirstYear(
        monthly_energy_kwh=monthly(levels.power_w[-1]),
        monthly_plane_kwh_m2=monthly(levels.plane_w) * 1000.0 / power,
        monthly_horizontal_kwh_m2=monthly(sky.weather.ghi_w_m2),
        energy_kwh=energy,
        power_stc_w=power,
        specific_yield_kwh_kw=energy / (power / 1000.0),
        performance_ratio=ratio,
        clipping_ratio=clipping,
        clipping_hours=float(hours[levels.clipped].sum()),
        outside_window_hours=outside_h,
        waterfall=_waterfall(yearly),
        standard_uncertainty_ratio=spread,
        contributions=contributions,
        energy_90_kwh=float(
            exceeded_energy(np.asarray(energy), standard_uncertainty_ratio=np.asarray(spread))
        ),
        years=years,
        energy_by_year_kwh=by_year,
        ac_power_w=levels.power_w[14],
        hours=hours,
        method="hourly: Hay-Davies, glass modifier, Faiman, single diode, part-load inverter",
        findings=_findings(
            ratio=ratio,
            clipping_ratio=clipping,
            outside_h=outside_h,
            assumed_ratio=spread if uncertainty is None else None,
        ),
    )
