"""How long the strings of a site may be, and for how long each length would miss the window."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from arraywright.arrays import IntArray
from arraywright.design import (
    HoursOutsideWindow,
    Input,
    Practice,
    hours_outside_window,
    module_diode,
    string_length_range,
    voltage_at_temperature,
)
from arraywright.design import electrical_inputs as asked_for
from arraywright.dossier.design_lengths import (
    LENGTH_ALIGN,
    LENGTH_HEADINGS,
    StringLengths,
    length_rows,
)
from arraywright.plant import ModuleType, PowerClass, Site
from arraywright.procedures.design_inputs import Subject, find_input
from arraywright.procedures.design_subjects import StringDesign
from arraywright.procedures.design_weather import WeatherValues, plane_of_year
from arraywright.procedures.remember import Remembered
from arraywright.procedures.report import ReportTable

__all__ = ["length_table", "lengths_as_dicts", "string_lengths"]

_AROUND: Final = 40
_BEYOND: Final = 3
_NO_WEATHER: Final = (
    "No hourly weather is described (weather.files): how many hours of a year a string of each "
    "length would be outside the window is not known."
)
_NOT_A_YEAR: Final = (
    "The weather described does not give light, air temperature and wind all round the year: how "
    "many hours of a year a string of each length would be outside the window is not known."
)
_SIDES: Final = ("above", "below", "over")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    """Strings of one module type on one inverter type."""

    designs: tuple[StringDesign, ...]

    @property
    def planes(self) -> list[tuple[float, float]]:
        return sorted({plane for one in self.designs for plane in one.planes})


@dataclass(frozen=True, slots=True, kw_only=True)
class _Numbers:
    """Finds the numbers the checks of the same strings rest on."""

    site: Site
    practice: Practice
    weather: WeatherValues | None
    subject: Subject

    def number(self, one: Input, power_class: int = 0) -> float:
        found = find_input(
            one,
            site=self.site,
            practice=self.practice,
            subject=replace(self.subject, power_class=power_class),
            weather=self.weather,
            longest_route_m=None,
        )
        return math.nan if found.value is None else found.value

    def module_v(self, voltage: Input, *, beta: Input, temp: Input) -> list[float]:
        """Give a voltage of one module at a temperature, by power class."""
        module_type = self.site.module_types[self.subject.module_type or ""]
        return [
            float(
                voltage_at_temperature(
                    self.number(voltage, place),
                    coefficient_per_k=self.number(beta),
                    cell_temp_c=self.number(temp),
                )
            )
            for place in range(len(module_type.power_classes))
        ]


def _kinds(designs: Sequence[StringDesign]) -> list[_Kind]:
    found: dict[tuple[str, str], list[StringDesign]] = {}
    for one in designs:
        found.setdefault((one.module_type, one.inverter_type), []).append(one)
    return [_Kind(designs=tuple(held)) for held in found.values()]


def _lengths(built: Sequence[int], *, least: int, most: int) -> IntArray:
    """Give the lengths to look at: built and allowed ones and a few beyond."""
    low = min(built[0] - 1, max(least, built[0] - _AROUND)) - _BEYOND
    high = max(built[-1] + 1, min(most, built[-1] + _AROUND)) + _BEYOND
    return np.arange(max(1, low), high + 1, dtype=np.int64)


def _telling_classes(module_type: ModuleType) -> list[PowerClass]:
    """Give the classes in which a string's voltage is greatest and least."""
    classes = module_type.power_classes
    found = [
        max(classes, key=lambda one: one.voc_v),
        max(classes, key=lambda one: one.vmp_v),
        min(classes, key=lambda one: one.vmp_v),
    ]
    return [one for place, one in enumerate(found) if one not in found[:place]]


def _hours(
    site: Site,
    kind: _Kind,
    *,
    weather: WeatherValues,
    lengths: IntArray,
    window: tuple[float, float, float],
    remembered: Remembered,
) -> HoursOutsideWindow | None:
    """Give the hours of the plane and class where they are most; None without planes."""
    module_type = site.module_types[kind.designs[0].module_type]
    whole = weather.weather.lit_columns_whole
    classes = [
        module_diode(
            isc_a=held.isc_a,
            voc_v=held.voc_v,
            imp_a=held.imp_a,
            vmp_v=held.vmp_v,
            alpha_isc_per_k=module_type.alpha_isc_per_k,
            beta_voc_per_k=module_type.beta_voc_per_k,
        )
        for held in _telling_classes(module_type)
    ]
    planes = [
        plane_of_year(
            site,
            weather.weather,
            tilt_deg=tilt,
            azimuth_deg=azimuth,
            module_type=module_type,
            remembered=remembered,
        )
        for tilt, azimuth in kind.planes
    ]
    found = [
        hours_outside_window(
            diode,
            irradiance_w_m2=np.where(whole, light.effective_w_m2, np.nan),
            cell_temp_c=np.where(whole, light.cell_temp_c, np.nan),
            modules=lengths,
            mppt_min_v=window[0],
            mppt_max_v=window[1],
            max_voltage_v=window[2],
        )
        for light in planes
        for diode in classes
    ]
    if not found:
        return None
    return replace(
        found[0],
        **{side: np.max([getattr(one, side) for one in found], axis=0) for side in _SIDES},
        light=max(one.light for one in found),
        highest_voc_v=np.max([one.highest_voc_v for one in found], axis=0),
        lowest_vmp_v=np.min([one.lowest_vmp_v for one in found], axis=0),
        assessed_ratio=min(one.assessed_ratio for one in found),
    )


def _of_kind(
    site: Site,
    kind: _Kind,
    *,
    practice: Practice,
    weather: WeatherValues | None,
    remembered: Remembered,
) -> StringLengths:
    first = kind.designs[0]
    numbers = _Numbers(
        site=site,
        practice=practice,
        weather=weather,
        subject=Subject(
            name=first.name,
            places=(),
            module_type=first.module_type,
            inverter_type=first.inverter_type,
            strings=first,
        ),
    )
    end_of_life = numbers.number(asked_for.END_OF_LIFE)
    cold, hot = asked_for.MIN_TEMP, asked_for.MAX_CELL_TEMP
    voc_cold = max(numbers.module_v(asked_for.VOC, beta=asked_for.BETA, temp=cold))
    vmp_cold = max(numbers.module_v(asked_for.VMP, beta=asked_for.BETA_VMP, temp=cold))
    voc_hot = end_of_life * min(numbers.module_v(asked_for.VOC, beta=asked_for.BETA, temp=hot))
    vmp_hot = end_of_life * min(numbers.module_v(asked_for.VMP, beta=asked_for.BETA_VMP, temp=hot))
    module_limit = numbers.number(asked_for.MODULE_LIMIT)
    inverter_limit = numbers.number(asked_for.INVERTER_LIMIT)
    place_limit = numbers.number(asked_for.PLACE_LIMIT)
    mppt_min, mppt_max = numbers.number(asked_for.MPPT_MIN), numbers.number(asked_for.MPPT_MAX)
    start = numbers.number(asked_for.START)
    # What is not known bounds nothing here; the checks that need it are not assessable, and what
    # is missing is said beside the range.
    known = {
        "voc_cold_v": voc_cold,
        "vmp_cold_v": vmp_cold if math.isfinite(vmp_cold) else 0.0,
        "voc_hot_v": voc_hot,
        "vmp_hot_v": vmp_hot if math.isfinite(vmp_hot) else math.inf,
    }
    with np.errstate(divide="ignore"):
        bounds = string_length_range(
            **known,
            max_system_voltage_v=module_limit,
            max_voltage_v=inverter_limit,
            mppt_min_v=mppt_min,
            mppt_max_v=mppt_max,
            start_voltage_v=start,
            system_voltage_limit_v=place_limit if math.isfinite(place_limit) else math.inf,
        )
    built = tuple(sorted({one.modules for one in kind.designs}))
    lengths = _lengths(built, least=int(bounds.least[0]), most=int(bounds.most[0]))
    why = _NO_WEATHER if weather is None else ("" if weather.whole else _NOT_A_YEAR)
    hours = None
    if weather is not None and weather.whole:
        hours = _hours(
            site,
            kind,
            weather=weather,
            lengths=lengths,
            window=(
                mppt_min,
                mppt_max,
                float(np.nanmin([module_limit, inverter_limit, place_limit])),
            ),
            remembered=remembered,
        )
    unknown = [asked_for.PLACE_LIMIT] if not math.isfinite(place_limit) else []
    unknown += [] if math.isfinite(vmp_cold) else [asked_for.BETA_VMP]
    return StringLengths(
        module_type=first.module_type,
        inverter_type=first.inverter_type,
        built=built,
        lengths=lengths,
        voc_cold_v=voc_cold,
        vmp_cold_v=vmp_cold,
        voc_hot_v=voc_hot,
        vmp_hot_v=vmp_hot,
        max_system_voltage_v=module_limit,
        max_voltage_v=inverter_limit,
        system_voltage_limit_v=place_limit,
        mppt_min_v=mppt_min,
        mppt_max_v=mppt_max,
        start_voltage_v=start,
        bounds=bounds,
        hours=hours,
        why_no_hours=why,
        unknown=tuple(one.key.replace("NAME", first.module_type) for one in unknown),
    )


def string_lengths(
    site: Site,
    designs: Sequence[StringDesign],
    *,
    practice: Practice,
    weather: WeatherValues | None,
    remembered: Remembered,
) -> tuple[StringLengths, ...]:
    """Give allowed and built lengths of each module type on each inverter type.

    The cold voltages are those of the power class where they are greatest, the hot ones of the
    class where they are least, from the same numbers as the checks of the strings.

    Args:
        site: the site.
        designs: its distinct string designs.
        practice: family of standards.
        weather: what hourly weather says; None without weather.
        remembered: results of the same weather for other numbers of the site.
    """
    return tuple(
        _of_kind(site, kind, practice=practice, weather=weather, remembered=remembered)
        for kind in _kinds(designs)
    )


def length_table(lengths: Sequence[StringLengths]) -> ReportTable:
    """Give the allowed, the built and the neighbouring lengths as a table."""
    return ReportTable(
        title="Modules per string; hours a year with Vmp above or below the MPPT window, and with "
        "Voc over the limit",
        headings=LENGTH_HEADINGS,
        rows=[row for held in lengths for row in length_rows(held)],
        align=LENGTH_ALIGN,
    )


def lengths_as_dicts(lengths: Sequence[StringLengths]) -> list[dict[str, object]]:
    """Give the lengths as plain data; what is not known is null."""
    return [
        {
            "of": held.name,
            "module_type": held.module_type,
            "inverter_type": held.inverter_type,
            "built": list(held.built),
            "least": held.least,
            "most": held.most,
            "most_safe": int(held.bounds.most_safe[0]),
            "not_described": list(held.unknown),
            "module_voltages_v": {
                "voc_cold": held.voc_cold_v,
                "vmp_cold": held.vmp_cold_v,
                "voc_hot": held.voc_hot_v,
                "vmp_hot": held.vmp_hot_v,
            },
            "lengths": [
                {
                    "modules": modules,
                    "built": modules in held.built,
                    "allowed": held.least <= modules <= held.most,
                    **{
                        f"hours_{side}": None
                        if held.hours is None
                        else float(getattr(held.hours, side)[place])
                        for side in _SIDES
                    },
                }
                for place, modules in enumerate(held.lengths.tolist())
            ],
        }
        for held in lengths
    ]
