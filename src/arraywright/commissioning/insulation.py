"""Insulation limits by system voltage and size of the array, dry and wet, and leakage in parallel.

Dry: the values of IEC 62446-1 by system voltage. By size: a module of more than 0.1 m2 must reach
40 Mohm m2 in the insulation test of its type approval, dry and wet, so n strings of area A each
may lawfully show no more than 40 Mohm m2 / (n A) between them. A big array in parallel can
therefore read low with sound insulation everywhere; it is then to be tested in parts.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray, IntArray
from arraywright.commissioning.standard import (
    FAIL,
    NOT_ASSESSABLE,
    PASS,
    REVIEW,
    insulation_limits,
)
from arraywright.commissioning.string_modules import StringModules
from arraywright.plant import Site

__all__ = [
    "AREA_LIMIT_MEGOHM_M2",
    "SMALL_AREA_M2",
    "SMALL_LIMIT_MEGOHM",
    "WHOLE_ARRAY_MAX_KW",
    "ArrayInsulation",
    "InsulationWeather",
    "array_insulation",
    "expected_parallel_megohm",
    "least_sound_megohm",
    "module_insulation_megohm",
]

AREA_LIMIT_MEGOHM_M2: Final = 40.0
"""Insulation resistance times area that a module above 0.1 m2 must reach, dry and wet [Mohm m2];
iec-61215-2, insulation and wet leakage current tests."""
SMALL_AREA_M2: Final = 0.1
"""Area up to which a module must reach a resistance instead [m2]; iec-61215-2."""
SMALL_LIMIT_MEGOHM: Final = 400.0
"""Resistance a module up to 0.1 m2 must reach [Mohm]; iec-61215-2."""
WHOLE_ARRAY_MAX_KW: Final = 10.0
"""Largest array that is tested as a whole; above it string by string or in parts [kW]; from
memory, iec-62446-1 6.7."""

_TEST_VOLTAGE_ROUNDING: Final = 0.99
_CLOSE_RATIO: Final = 0.5
_WET_WORDS: Final = (
    "wet, it is less than half of what sound modules may show: look for a wet connector or a "
    "damaged lead"
)


class InsulationWeather(IntEnum):
    """Whether the array was dry or wet."""

    DRY = 0
    """Dry surfaces, the test of category 1."""
    WET = 1
    """Wetted surfaces, the additional wet insulation test."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrayInsulation:
    """Verdicts on insulation readings of arrays, all (n,).

    Attributes:
        verdict: verdict numbers of ``standard``; not assessable where anything needed is missing.
        limit_megohm: least insulation resistance by system voltage [Mohm].
        test_voltage_v: least test voltage [V].
        parallel_megohm: least value that sound modules alone may show in parallel [Mohm].
        reason: what is to be said, empty on a plain pass.
    """

    verdict: IntArray
    limit_megohm: FloatArray
    test_voltage_v: FloatArray
    parallel_megohm: FloatArray
    reason: tuple[str, ...]


def module_insulation_megohm(area_m2: npt.ArrayLike) -> FloatArray:
    """Least insulation resistance [Mohm] of one module of an area, dry and wet.

    ``R >= 40 Mohm m2 / A`` above 0.1 m2, 400 Mohm up to it; NaN where the area is not positive.

    Args:
        area_m2: area of the module, any shape.

    Source: iec-61215-2 insulation test and wet leakage current test
    """
    area = np.asarray(area_m2, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        by_area = AREA_LIMIT_MEGOHM_M2 / area
    value = np.where(area <= SMALL_AREA_M2, SMALL_LIMIT_MEGOHM, by_area)
    return np.asarray(np.where(area > 0.0, value, np.nan), dtype=np.float64)


def expected_parallel_megohm(area_m2: npt.ArrayLike, modules: npt.ArrayLike) -> FloatArray:
    """Least resistance [Mohm] that sound modules in parallel may show to earth.

    Every module leaks to earth by itself, in whatever string it sits, so that n of them show the
    n-th part of one.

    Args:
        area_m2: area of one module.
        modules: modules tested together.

    Source: iec-61215-2; the parallel sum is Kirchhoff's law
    """
    count = np.asarray(modules, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        value = module_insulation_megohm(area_m2) / count
    return np.asarray(np.where(count > 0.0, value, np.nan), dtype=np.float64)


def least_sound_megohm(site: Site, modules: StringModules) -> FloatArray:
    """Least resistance [Mohm] of each string whose modules are sound, (strings,).

    Args:
        site: the site.
        modules: the modules of its strings.

    Source: iec-61215-2
    """
    out = np.full(len(modules.strings), np.nan)
    lengths = modules.lengths
    for key in modules.module_type.unique().sort().to_list():
        module_type = site.module_types[key]
        area = module_type.length_mm * module_type.width_mm / 1e6
        mine = (modules.module_type == key).to_numpy()
        out[mine] = expected_parallel_megohm(area, lengths[mine])
    return out


def array_insulation(
    resistance_megohm: npt.ArrayLike,
    *,
    test_voltage_v: npt.ArrayLike,
    voc_stc_v: npt.ArrayLike,
    power_kw: npt.ArrayLike,
    area_m2: npt.ArrayLike,
    modules: npt.ArrayLike,
    weather: npt.ArrayLike = InsulationWeather.DRY,
    resistance_u_ratio: npt.ArrayLike = 0.0,
) -> ArrayInsulation:
    """Verdict on insulation readings [Mohm] of strings or of several in parallel.

    Against the least value by system voltage (1.25 Voc at STC), dry and wet alike. Below it the
    array fails, unless it is tested as a whole although it is above 10 kW and the value is what its
    sound modules may show in parallel: then nothing is proven either way, and it is not assessable
    until tested in parts. Above it, but by less than the meter's doubt (two standard
    uncertainties), for review. A wet reading stands for review instead of a pass where it lies
    below half of what sound modules may show: rain finds what dry air hides.

    Args:
        resistance_megohm: lower reading of both poles, or of the shorted poles, to earth.
        test_voltage_v: voltage of the test.
        voc_stc_v: Voc at STC of what was tested.
        power_kw: power at STC of what was tested together.
        area_m2: area of one module.
        modules: modules tested together.
        weather: dry or wet; a value that is neither is not assessable.
        resistance_u_ratio: standard uncertainty of the tester, relative.

    Source: iec-62446-1 6.7 and its wet insulation test, memory; iec-61215-2
    """
    value, at_v, voc, power, area, count, wet, u = np.broadcast_arrays(
        *(
            np.atleast_1d(np.asarray(one, dtype=np.float64))
            for one in (
                resistance_megohm,
                test_voltage_v,
                voc_stc_v,
                power_kw,
                area_m2,
                modules,
                weather,
                resistance_u_ratio,
            )
        )
    )
    known = np.isfinite(voc) & (voc > 0.0)
    limits = insulation_limits(np.where(known, voc, 1.0))
    least = np.where(known, limits.least_megohm, np.nan)
    needed_v = np.where(known, limits.test_voltage_v, np.nan)
    parallel = expected_parallel_megohm(area, count)
    with np.errstate(invalid="ignore"):
        cases: tuple[tuple[npt.NDArray[np.bool_], int, str], ...] = (
            (~np.isfinite(value), NOT_ASSESSABLE, "there is no reading"),
            (value < 0.0, NOT_ASSESSABLE, "the reading cannot be true"),
            (~known, NOT_ASSESSABLE, "the voltage of what was tested is not known"),
            (
                ~np.isin(wet, [one.value for one in InsulationWeather]),
                NOT_ASSESSABLE,
                "it is not said whether the array was dry or wet",
            ),
            (~np.isfinite(u) | (u < 0.0), NOT_ASSESSABLE, "the tester's uncertainty is no number"),
            (
                (value < least) & (power > WHOLE_ARRAY_MAX_KW) & (value >= parallel),
                NOT_ASSESSABLE,
                "so many modules in parallel may show this with sound insulation: test in parts",
            ),
            (value < least, FAIL, "the insulation resistance is too low"),
            (~(at_v > 0.0), NOT_ASSESSABLE, "the test voltage is missing"),
            (
                at_v < _TEST_VOLTAGE_ROUNDING * needed_v,
                NOT_ASSESSABLE,
                "the test voltage is below the one required",
            ),
            (
                (wet == InsulationWeather.WET) & ~np.isfinite(parallel),
                NOT_ASSESSABLE,
                "a wet reading needs the modules' number and area",
            ),
            (
                value * (1.0 - 2.0 * u) < least,
                REVIEW,
                "the value is above the limit by less than the tester's doubt",
            ),
            (
                (wet == InsulationWeather.WET) & (value < _CLOSE_RATIO * parallel),
                REVIEW,
                _WET_WORDS,
            ),
        )
    verdict = np.full(value.shape, PASS, dtype=np.int64)
    reason = np.full(value.shape, "", dtype=object)
    for holds, number, words in reversed(cases):
        verdict[holds] = number
        reason[holds] = words
    return ArrayInsulation(
        verdict=verdict,
        limit_megohm=least,
        test_voltage_v=needed_v,
        parallel_megohm=parallel,
        reason=tuple(str(one) for one in reason),
    )
