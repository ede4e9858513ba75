"""What hourly weather says for the design checks of a site."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import FloatArray
from arraywright.design import (
    AirTemperatureExtremes,
    AirTemperatureYears,
    FirstYear,
    PlaneConditions,
    Weather,
    YieldInverter,
    YieldLosses,
    YieldPlane,
    YieldUncertainty,
    air_temperature_extremes,
    air_temperature_years,
    design_temperature_inputs,
    equivalent_hours_h,
    first_year,
    hours_of_mean_year,
    module_diode,
    plane_conditions,
    shade_of_year,
)
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.physics import ReferenceDiode
from arraywright.plant import ModuleType, PowerClass, Site
from arraywright.procedures.design_planes import Plane, few_planes
from arraywright.procedures.remember import Remembered

__all__ = ["WeatherValues", "middle_class", "plane_of_year", "string_planes", "weather_values"]

_STC_W_M2: Final = 1000.0
_ALBEDO_RATIO: Final = 0.2
_NO_LOSSES: Final = YieldLosses(
    shading_ratio=0.0,
    soiling_ratio=0.0,
    light_induced_ratio=0.0,
    mismatch_ratio=0.0,
    dc_cable_stc_ratio=0.0,
    ac_cable_ratio=0.0,
    unavailable_ratio=0.0,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherValues:
    """Inputs of checks that rest on hourly weather.

    Attributes:
        of_site: inputs by name that hold for the whole site.
        hours_by_plane: hours at rated current with the year's ohmic loss, and with its charge,
            by tilt and azimuth [h].
        shade_by_plane: energy lost to shade of the row before by name of the plane [1].
        year: yield of the first year; None when its losses are not described.
        findings: what limits the use of the weather.
        weather: the weather itself.
        extremes: what it says of the coldest and the hottest air.
        years: the same year by year and month by month.
        whole: whether it covers a year, so that hours of a year can be counted.
        stated_mean_min_c: mean of the yearly minima that the head of a file states [degC].
    """

    of_site: Mapping[str, float | None]
    hours_by_plane: Mapping[tuple[float, float], tuple[float, float]]
    shade_by_plane: Mapping[str, float]
    year: FirstYear | None
    findings: tuple[Finding, ...]
    weather: Weather
    extremes: AirTemperatureExtremes
    years: AirTemperatureYears
    whole: bool
    stated_mean_min_c: float | None


def plane_of_year(
    site: Site,
    weather: Weather,
    *,
    tilt_deg: float,
    azimuth_deg: float,
    module_type: ModuleType,
    remembered: Remembered,
) -> PlaneConditions:
    """Give light and cell temperature of new, clean modules in a plane, interval by interval.

    Args:
        site: the site.
        weather: hourly weather of the place.
        tilt_deg: tilt of the plane.
        azimuth_deg: direction it faces.
        module_type: module type, whose rear counts where the description says so.
        remembered: results of the same weather for other numbers of the site.

    Raises:
        CallError: the weather cannot be used.
    """
    return remembered.ask(
        plane_conditions,
        weather,
        YieldPlane(
            tilt_deg=tilt_deg,
            azimuth_deg=azimuth_deg,
            module=_diode(module_type),
            modules_in_series=1,
            strings=1,
            bifaciality_ratio=module_type.bifaciality_ratio,
            rear_irradiance_ratio=_rear(site, module_type),
        ),
        losses=_NO_LOSSES,
        albedo_ratio=np.asarray(_albedo(site)),
    )


def middle_class(module_type: ModuleType) -> PowerClass:
    """Give the class in the middle, for what is asked of the plant as a whole."""
    return module_type.power_classes[len(module_type.power_classes) // 2]


def weather_values(
    site: Site,
    weather: Weather,
    *,
    planes: Sequence[Plane],
    stated_mean_min_c: float | None = None,
    remembered: Remembered | None = None,
) -> WeatherValues:
    """Work out everything the checks ask of the weather.

    Args:
        site: the site.
        weather: hourly weather of the place.
        planes: planes of the site.
        stated_mean_min_c: mean of the yearly minima that the head of a weather file states.
        remembered: results of the same weather for other numbers of the site.

    What the weather cannot give, because it does not cover a year, is told by a finding.

    Raises:
        CallError: the weather has no air temperature at all.
    """
    remembered = remembered or Remembered()
    extremes = remembered.ask(air_temperature_extremes, weather)
    years = remembered.ask(air_temperature_years, weather)
    of_site = design_temperature_inputs(extremes, stated_mean_min_c=stated_mean_min_c)
    try:
        hours = remembered.ask(hours_of_mean_year, weather)
    except CallError as error:
        return WeatherValues(
            of_site=of_site,
            hours_by_plane={},
            shade_by_plane={},
            year=None,
            findings=(*extremes.findings, _not_a_year(site, error)),
            weather=weather,
            extremes=extremes,
            years=years,
            whole=False,
            stated_mean_min_c=stated_mean_min_c,
        )
    year, told = _first_year(site, weather, remembered)
    if year is not None:
        of_site |= {
            "clipping_ratio": year.clipping_ratio,
            "specific_yield_kwh_kw": year.specific_yield_kwh_kw,
            "yield_uncertainty_ratio": year.standard_uncertainty_ratio,
        }
    return WeatherValues(
        of_site=of_site,
        hours_by_plane=_equivalent_hours(site, weather, hours, remembered=remembered),
        shade_by_plane=_shade(site, weather, planes, remembered=remembered),
        year=year,
        findings=(*extremes.findings, *told, *(year.findings if year is not None else ())),
        weather=weather,
        extremes=extremes,
        years=years,
        whole=True,
        stated_mean_min_c=stated_mean_min_c,
    )


def _not_a_year(site: Site, error: CallError) -> Finding:
    return Finding(
        check="weather-year",
        subject_kind="site",
        subject=site.name,
        verdict=Verdict.NOT_ASSESSABLE,
        message=f"Shade, cable loss and yield of a year cannot be worked out: {error.message}",
        remedy=error.remedy,
        basis="common-practice",
    )


def _diode(module_type: ModuleType) -> ReferenceDiode:
    held = middle_class(module_type)
    return module_diode(
        isc_a=held.isc_a,
        voc_v=held.voc_v,
        imp_a=held.imp_a,
        vmp_v=held.vmp_v,
        alpha_isc_per_k=module_type.alpha_isc_per_k,
        beta_voc_per_k=module_type.beta_voc_per_k,
    )


def _albedo(site: Site) -> float:
    told = site.design.number("yield.albedo_ratio")
    return _ALBEDO_RATIO if told is None else told


def _rear(site: Site, module_type: ModuleType) -> float:
    told = site.design.number("design.rear_irradiance_ratio")
    return told if told is not None and module_type.bifaciality_ratio > 0.0 else 0.0


def string_planes(site: Site) -> pl.DataFrame:
    """Give ``string``, ``tilt_deg`` and ``azimuth_deg`` of each string's first module."""
    first = site.positions.filter(pl.col("place_in_string") == 1).select("string", "structure")
    return first.join(
        few_planes(site.structures).select("structure", "tilt_deg", "azimuth_deg"), on="structure"
    ).select("string", "tilt_deg", "azimuth_deg")


def _equivalent_hours(
    site: Site, weather: Weather, hours: FloatArray, *, remembered: Remembered
) -> dict[tuple[float, float], tuple[float, float]]:
    """Give T2 and T1 of each plane, with current in proportion to the light; common practice."""
    module_type = next(iter(site.module_types.values()))
    diode = _diode(module_type)
    use = hours > 0.0
    found: dict[tuple[float, float], tuple[float, float]] = {}
    planes = few_planes(site.structures).select("tilt_deg", "azimuth_deg").unique().sort(pl.all())
    for tilt, azimuth in planes.rows():
        light = remembered.ask(
            plane_conditions,
            weather,
            YieldPlane(
                tilt_deg=tilt,
                azimuth_deg=azimuth,
                module=diode,
                modules_in_series=1,
                strings=1,
            ),
            losses=_NO_LOSSES,
            albedo_ratio=np.asarray(_albedo(site)),
        )
        current = np.nan_to_num(light.effective_w_m2[use])
        found[(tilt, azimuth)] = equivalent_hours_h(
            current, duration_h=hours[use], rated_current_a=_STC_W_M2
        )
    return found


def _shade(
    site: Site, weather: Weather, planes: Sequence[Plane], *, remembered: Remembered
) -> dict[str, float]:
    found: dict[str, float] = {}
    for plane in planes:
        if plane.pitch_m is None or plane.slope_length_m is None:
            continue
        shade = remembered.ask(
            shade_of_year,
            weather.time,
            step_min=weather.interval_min,
            latitude_deg=site.latitude_deg,
            longitude_deg=site.longitude_deg,
            beam_normal_w_m2=weather.dni_w_m2,
            diffuse_level_w_m2=weather.dhi_w_m2,
            tilt_deg=plane.tilt_deg,
            azimuth_deg=plane.azimuth_deg,
            slope_length_m=plane.slope_length_m,
            pitch_m=plane.pitch_m,
            module_rows=plane.rows,
            blocks_per_module=_blocks_per_module(site, plane),
        )
        loss = shade.loss_along_ratio if plane.along_rows else shade.loss_across_ratio
        if np.isfinite(loss[0]):
            found[plane.name] = float(loss[0])
    return found


def _blocks_per_module(site: Site, plane: Plane) -> int:
    if plane.upright is False:
        return site.module_types[plane.module_type].bypass_substrings
    half_cut = site.design.number(f"module_types.{plane.module_type}.half_cut")
    return 2 if plane.upright and half_cut else 1


def _first_year(
    site: Site, weather: Weather, remembered: Remembered
) -> tuple[FirstYear | None, tuple[Finding, ...]]:
    if not any(key.startswith("yield.") for key in site.design.values):
        return None, ()
    ratios = {held.name: site.design.number(f"yield.{held.name}") for held in fields(YieldLosses)}
    used = site.strings["inverter_type"].unique().sort().to_list()
    efficiency = {key: site.design.number(f"inverter_types.{key}.efficiency_ratio") for key in used}
    missing = [f"yield.{name}" for name, ratio in ratios.items() if ratio is None]
    missing += [
        f"inverter_types.{key}.efficiency_ratio" for key, held in efficiency.items() if held is None
    ]
    if missing:
        finding = Finding(
            check="yield-not-described",
            subject_kind="site",
            subject=site.name,
            verdict=Verdict.NOT_ASSESSABLE,
            message=f"The first year's yield cannot be worked out; the description does not say "
            f"{', '.join(missing)}.",
            remedy="State these losses; what is not known must be chosen knowingly.",
            basis="common-practice",
        )
        return None, (finding,)
    stated = {
        held.name: site.design.number(f"yield.uncertainty.{held.name}")
        for held in fields(YieldUncertainty)
    }
    year = remembered.ask(
        first_year,
        weather,
        _inverters(site, {key: held for key, held in efficiency.items() if held is not None}),
        losses=YieldLosses(**{name: held for name, held in ratios.items() if held is not None}),
        albedo_ratio=np.asarray(_albedo(site)),
        uncertainty=YieldUncertainty(
            **{name: held for name, held in stated.items() if held is not None}
        ),
    )
    return year, ()


def _inverters(site: Site, efficiency: Mapping[str, float]) -> list[YieldInverter]:
    """Give the inverters of the site, those with alike strings together."""
    strings = (
        site.strings.select("string", "inverter", "inverter_type", "module_type", "modules")
        .join(string_planes(site), on="string")
        .group_by("inverter", "inverter_type", "module_type", "modules", "tilt_deg", "azimuth_deg")
        .agg(pl.len().alias("count"))
        .sort(pl.all())
    )
    kinds: dict[tuple[tuple[str, str, int, float, float, int], ...], int] = {}
    for (_,), frame in strings.group_by(["inverter"], maintain_order=True):
        alike = tuple(frame.drop("inverter").rows())
        kinds[alike] = kinds.get(alike, 0) + 1
    diodes = {key: _diode(held) for key, held in site.module_types.items()}
    found: list[YieldInverter] = []
    for rows, count in kinds.items():
        inverter_type = site.inverter_types[rows[0][0]]
        found.append(
            YieldInverter(
                planes=tuple(
                    YieldPlane(
                        tilt_deg=tilt,
                        azimuth_deg=azimuth,
                        module=diodes[module_type],
                        modules_in_series=modules,
                        strings=strings_of,
                        bifaciality_ratio=site.module_types[module_type].bifaciality_ratio,
                        rear_irradiance_ratio=_rear(site, site.module_types[module_type]),
                    )
                    for _, module_type, modules, tilt, azimuth, strings_of in rows
                ),
                count=count,
                ac_power_w=inverter_type.ac_power_w,
                efficiency_ratio=efficiency[inverter_type.key],
                mppt_min_v=inverter_type.mppt_min_v,
                mppt_max_v=inverter_type.mppt_max_v,
            )
        )
    return found
