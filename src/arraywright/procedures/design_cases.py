"""Which design checks are asked of a site, of what, and with which numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from arraywright.design import (
    CABLE_CHECKS,
    CURRENT_CHECKS,
    EARTHING_CHECKS,
    MECHANICAL_CHECKS,
    NEEDS_CABLE_DEVICE,
    NEEDS_COMBINER_BOX,
    NEEDS_STRING_FUSES,
    NEEDS_SURGE_DEVICES,
    SPACING_CHECKS,
    SURGE_CHECKS,
    VOLTAGE_CHECKS,
    CableRuns,
    DesignCheck,
    FirstYear,
    Practice,
    Weather,
    evaluate_check,
)
from arraywright.design.extremes import CHECKS as EXTREME_CHECKS
from arraywright.design.yield_checks import CHECKS as YIELD_CHECKS
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site
from arraywright.procedures.design_inputs import Found, Subject, find_input
from arraywright.procedures.design_planes import planes_of
from arraywright.procedures.design_subjects import StringDesign, runs_of, string_designs
from arraywright.procedures.design_weather import WeatherValues, weather_values
from arraywright.procedures.remember import Remembered
from arraywright.readers.weather import Stamp, read_weather

__all__ = ["ALL_CHECKS", "DesignCase", "DesignCases", "design_cases"]

ALL_CHECKS: Final = (
    *EXTREME_CHECKS,
    *VOLTAGE_CHECKS,
    *CURRENT_CHECKS,
    *CABLE_CHECKS,
    *SURGE_CHECKS,
    *EARTHING_CHECKS,
    *MECHANICAL_CHECKS,
    *SPACING_CHECKS,
    *YIELD_CHECKS,
)
"""Every check of both practices, in the order they are told."""
_ASKED_WITH: Final = {
    "table-mass": "mounting.table_mass_max_kg",
    "table-weight-area": "mounting.weight_max_pa",
    "yield-clipping": "yield.clipping_max_ratio",
    "yield-promised": "yield.promised_kwh_per_kw",
}
"""Checks that are asked only where a limit is described."""
_BETWEEN_ROWS: Final = frozenset({"row-pitch", "row-aisle", "shade-loss"})
_CLASS_INPUTS: Final = frozenset({"voc_v", "isc_a", "vmp_v", "imp_a"})
_CLASS_WORDS: Final = ", class "
_NAMES_SHOWN: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignCase:
    """A check with its subject and numbers.

    Attributes:
        check: the check.
        subject: what it is asked of, in words.
        values: inputs by name; None where the description says nothing.
        keys: dotted key in the description of each input that comes from one as it is.
        places: where the subject is, in words that stay the same when its numbers are varied.
    """

    check: DesignCheck
    subject: str
    places: tuple[str, ...]
    values: Mapping[str, float | None]
    keys: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignCases:
    """Everything that is checked of a design.

    Attributes:
        cases: a case per check and distinct subject, in the order they are told.
        each: the same before subjects with the very same numbers were put together, each with
            keys of its own, and one for every power class; for asking what another value at a
            key would do.
        findings: what keeps checks from being asked, and what limits the weather's use.
        runs: cable runs of the layout; None when it is not said where cables end.
        year: yield of the first year; None without weather or stated losses.
        strings: the distinct string designs.
        weather: what hourly weather says; None without weather.
    """

    cases: tuple[DesignCase, ...]
    each: tuple[DesignCase, ...]
    findings: tuple[Finding, ...]
    runs: CableRuns | None
    year: FirstYear | None
    strings: tuple[StringDesign, ...]
    weather: WeatherValues | None


def design_cases(
    site: Site,
    *,
    folder: Path | None = None,
    weather: Weather | None = None,
    remembered: Remembered | None = None,
) -> DesignCases:
    """Give every check of the site's practice with its subjects and numbers.

    Strings that are alike, blocks that are alike and types that are alike in what a check asks
    share a case. Of several power classes the worst for the check counts; of cables the string
    with the greatest drop.

    Args:
        site: the site.
        folder: its folder, in which the weather files it names lie.
        weather: hourly weather instead of those files.
        remembered: results of the same weather for other numbers of the site.

    Raises:
        InputFileError: a weather file cannot be read.
        CallError: the weather has no air temperature at all.
    """
    if not site.design.practice:
        return DesignCases(
            cases=(),
            each=(),
            findings=(_no_practice(site),),
            runs=None,
            year=None,
            strings=(),
            weather=None,
        )
    practice = Practice(site.design.practice)
    planes = planes_of(site)
    found_weather, findings = _weather(site, folder, weather, remembered or Remembered())
    runs, told = runs_of(site)
    strings = string_designs(site, runs)
    routes = [one.lengths.get("dc_route_length_m") for one in strings]
    known = [route for route in routes if route is not None]
    subjects = {
        "strings": [_of_strings(site, one) for one in strings],
        "planes": [
            Subject(name=one.name, places=(one.name,), module_type=one.module_type, plane=one)
            for one in planes
        ],
        "modules": [
            Subject(name=key, places=(key,), module_type=key)
            for key in dict.fromkeys(one.module_type for one in strings)
        ],
        "inverters": [
            Subject(name=key, places=(key,), inverter_type=key)
            for key in dict.fromkeys(one.inverter_type for one in strings)
        ],
        "site": [Subject(name=site.name, places=(site.name,))],
    }
    asker = _Asker(
        site=site,
        practice=practice,
        weather=found_weather,
        longest_route_m=max(known) if known and len(known) == len(routes) else None,
    )
    cases: list[DesignCase] = []
    each: list[DesignCase] = []
    for check in ALL_CHECKS:
        if practice in check.basis and not _not_asked(check, site):
            asked = [one for one in subjects[_kind(check)] if _concerns(check, one)]
            found = [asker.cases(check, one) for one in asked]
            each += [case for held in found for case in held]
            cases += _joined([_worst(held) for held in found])
    return DesignCases(
        cases=tuple(cases),
        each=tuple(each),
        findings=(*findings, *told),
        runs=runs,
        year=None if found_weather is None else found_weather.year,
        strings=strings,
        weather=found_weather,
    )


def _no_practice(site: Site) -> Finding:
    return Finding(
        check="design-practice",
        subject_kind="site",
        subject=site.name,
        verdict=Verdict.NOT_ASSESSABLE,
        message="No design check can be made; the description does not say by which family of "
        "standards the site is built (design.practice).",
        remedy='Write practice = "iec" or practice = "nec" below [design].',
        found="nothing",
        required="iec or nec",
        basis="common-practice",
    )


_STAMPS: Final[dict[str, Stamp]] = {"start": "start", "middle": "middle", "end": "end"}


def _weather(
    site: Site, folder: Path | None, weather: Weather | None, remembered: Remembered
) -> tuple[WeatherValues | None, tuple[Finding, ...]]:
    planes = planes_of(site)
    if weather is not None:
        found = weather_values(site, weather, planes=planes, remembered=remembered)
        return found, found.findings
    if folder is None or not site.design.weather_files:
        return None, ()
    reading = remembered.ask(
        read_weather,
        [folder / name for name in site.design.weather_files],
        time_zone=site.time_zone,
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        elevation_m=site.elevation_m,
        stamp=_STAMPS.get(site.design.word("weather.stamp") or ""),
    )
    found = weather_values(
        site,
        reading.weather,
        planes=planes,
        stated_mean_min_c=None if reading.stated is None else reading.stated.mean_min_c,
        remembered=remembered,
    )
    return found, (*reading.findings, *found.findings)


def _of_strings(site: Site, one: StringDesign) -> Subject:
    places = [f"block {site.design.blocks[number].name}" for number in one.blocks]
    return Subject(
        name=one.name,
        places=(*places, one.name) if one.in_tables else tuple(places),
        module_type=one.module_type,
        inverter_type=one.inverter_type,
        strings=one,
    )


def _kind(check: DesignCheck) -> str:
    """Tell what a check is asked of, from where its inputs stand."""
    keys = [one.key for one in check.inputs]

    def any_in(*starts: str) -> bool:
        return any(key.startswith(starts) for key in keys)

    if any_in("layout.block.") or check.subject_kind in ("string", "combiner box"):
        return "strings"
    if any_in("layout.block[]"):
        return "planes"
    if any_in("module_types.") and any_in("inverter_types."):
        return "strings"
    if any_in("module_types."):
        return "modules"
    return "inverters" if any_in("inverter_types.") or check.subject_kind == "inverter" else "site"


def _not_asked(check: DesignCheck, site: Site) -> bool:
    """Tell whether the description says that there is nothing to be checked."""
    limit = _ASKED_WITH.get(check.key)
    if limit is not None and site.design.number(limit) is None:
        return True
    none_fitted = {
        "design.string_fuse_a": NEEDS_STRING_FUSES | {"string-cable-protection"},
        "design.array_device_a": NEEDS_CABLE_DEVICE - {"string-cable-protection"},
        "design.surge_devices_fitted": NEEDS_SURGE_DEVICES,
    }
    return any(
        check.key in checks and site.design.number(key) == 0.0
        for key, checks in none_fitted.items()
    )


def _concerns(check: DesignCheck, subject: Subject) -> bool:
    """Tell whether a check is asked of a subject at all."""
    if check.key in NEEDS_COMBINER_BOX or check.key.startswith("combiner-"):
        return subject.strings is not None and subject.strings.strings_in_box > 0
    if check.key in _BETWEEN_ROWS:
        return subject.plane is not None and subject.plane.several_rows
    if check.key == "module-gap":
        return subject.plane is not None and subject.plane.rows * subject.plane.columns > 1
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asker:
    site: Site
    practice: Practice
    weather: WeatherValues | None
    longest_route_m: float | None

    def cases(self, check: DesignCheck, subject: Subject) -> list[DesignCase]:
        """Give the case of a check and a subject, one for each power class where they differ."""
        if subject.module_type is None or not any(
            one.name in _CLASS_INPUTS for one in check.inputs
        ):
            return [self._case(check, subject)]
        classes = self.site.module_types[subject.module_type].power_classes
        if len(classes) == 1:
            return [self._case(check, subject)]
        return [
            self._case(
                check,
                replace(
                    subject,
                    power_class=number,
                    name=f"{subject.name}{_CLASS_WORDS}{held.power_w:g} W",
                ),
            )
            for number, held in enumerate(classes)
        ]

    def _case(self, check: DesignCheck, subject: Subject) -> DesignCase:
        found: dict[str, Found] = {
            one.name: find_input(
                one,
                site=self.site,
                practice=self.practice,
                subject=subject,
                weather=self.weather,
                longest_route_m=self.longest_route_m,
            )
            for one in check.inputs
        }
        return DesignCase(
            check=check,
            subject=subject.name,
            places=subject.places,
            values={name: held.value for name, held in found.items()},
            keys={
                name: held.key
                for name, held in found.items()
                if held.key and held.value is not None
            },
        )


def _worst(cases: Sequence[DesignCase]) -> DesignCase:
    """Give the case with the least margin of those of one subject's power classes."""
    if len(cases) == 1:
        return cases[0]
    check = cases[0].check
    values: dict[str, np.ndarray[tuple[int], np.dtype[np.float64]]] = {}
    for one in check.inputs:
        held = [case.values[one.name] for case in cases]
        if any(value is None for value in held):
            # What is not known is not known of any class: none of them is the worst.
            subject, _, _ = cases[0].subject.rpartition(_CLASS_WORDS)
            return replace(cases[0], subject=subject)
        values[one.name] = np.array(held, dtype=np.float64)
    outcome = evaluate_check(check, values)
    ratio = outcome.margin / np.maximum(np.abs(outcome.limit), 1e-12)
    return cases[int(np.argmin(np.where(np.isfinite(ratio), ratio, -np.inf)))]


def _joined(cases: Sequence[DesignCase]) -> list[DesignCase]:
    """Give one case for all subjects with the very same numbers, named after all of them."""
    alike: dict[tuple[float | None, ...], list[DesignCase]] = {}
    for case in cases:
        alike.setdefault(tuple(case.values.values()), []).append(case)
    return [
        replace(
            held[0],
            subject=_names([one.subject for one in held]),
            places=tuple(dict.fromkeys(place for one in held for place in one.places)),
        )
        for held in alike.values()
    ]


def _names(names: Sequence[str]) -> str:
    shown = list(dict.fromkeys(names))
    if len(shown) <= _NAMES_SHOWN:
        return "; ".join(shown)
    rest = len(shown) - _NAMES_SHOWN + 1
    return f"{'; '.join(shown[: _NAMES_SHOWN - 1])}; and {rest} more"
