"""How many modules a string may have, and for how long each length would miss the window."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray, IntArray
from arraywright.errors import CallError
from arraywright.physics import ReferenceDiode, key_points, translate

__all__ = [
    "HoursOutsideWindow",
    "StringLengthRange",
    "hours_outside_window",
    "string_length_range",
]

_HOURS_PER_YEAR: Final = 8760.0
_ROUNDING: Final = 1e-9
NO_LIMIT: Final = 1_000_000
"""Stands for a limit that was not given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StringLengthRange:
    """Allowed numbers of modules in series, each of shape (variants,), by each limit.

    Attributes:
        most_by_module: by the module's greatest system voltage.
        most_by_inverter: by the inverter's greatest voltage.
        most_by_place: by the code's greatest voltage at the place.
        most_by_mppt: by the upper edge of the MPPT window; only yield is at stake.
        least_by_mppt: by the lower edge of the MPPT window.
        least_by_start: by the inverter's start voltage.
        least: the greatest of the lower bounds, at least one.
        most: the least of the upper bounds, that of the MPPT window included.
        most_safe: the least of the upper bounds that guard against damage.
    """

    most_by_module: IntArray
    most_by_inverter: IntArray
    most_by_place: IntArray
    most_by_mppt: IntArray
    least_by_mppt: IntArray
    least_by_start: IntArray
    least: IntArray
    most: IntArray
    most_safe: IntArray


def _most(limit_v: npt.ArrayLike, module_v: npt.ArrayLike) -> IntArray:
    ratio = np.asarray(limit_v, dtype=np.float64) / np.asarray(module_v, dtype=np.float64)
    whole = np.floor(np.minimum(ratio, NO_LIMIT) + _ROUNDING)
    return np.atleast_1d(np.where(np.isnan(whole), 0, whole).astype(np.int64))


def _least(limit_v: npt.ArrayLike, module_v: npt.ArrayLike) -> IntArray:
    ratio = np.asarray(limit_v, dtype=np.float64) / np.asarray(module_v, dtype=np.float64)
    whole = np.ceil(np.minimum(ratio, NO_LIMIT) - _ROUNDING)
    return np.atleast_1d(np.where(np.isnan(whole), NO_LIMIT, whole).astype(np.int64))


def string_length_range(
    *,
    voc_cold_v: npt.ArrayLike,
    vmp_cold_v: npt.ArrayLike,
    vmp_hot_v: npt.ArrayLike,
    voc_hot_v: npt.ArrayLike,
    max_system_voltage_v: npt.ArrayLike,
    max_voltage_v: npt.ArrayLike,
    mppt_min_v: npt.ArrayLike,
    mppt_max_v: npt.ArrayLike,
    start_voltage_v: npt.ArrayLike,
    system_voltage_limit_v: npt.ArrayLike = np.inf,
) -> StringLengthRange:
    """Allowed numbers of modules in series by each limit of voltage.

    ``most = floor(limit / Voc_cold)``, ``least = ceil(limit / V_hot)``. Which method the cold
    and hot voltages of one module come from (coefficient, table, model) is up to the caller. A
    voltage that is nan allows no length at all.

    Args:
        voc_cold_v: Voc of one module in the greatest cold, scalar or shape (variants,).
        vmp_cold_v: Vmp of one module in the greatest cold.
        vmp_hot_v: Vmp of one module in the greatest heat, end-of-life derating included.
        voc_hot_v: Voc of one module in the greatest heat, likewise.
        max_system_voltage_v: greatest system voltage of the module.
        max_voltage_v: greatest voltage at the inverter's input.
        mppt_min_v: lower edge of the MPPT window.
        mppt_max_v: upper edge of the MPPT window.
        start_voltage_v: voltage from which the inverter starts.
        system_voltage_limit_v: greatest voltage the code allows at the place.

    Returns:
        Each bound of shape (variants,); where ``least`` is above ``most``, no length fits.

    Source: common-practice; the cold voltage by nec-2023 690.7 and iec-62548-1.
    """
    bounds = np.broadcast_arrays(
        _most(max_system_voltage_v, voc_cold_v),
        _most(max_voltage_v, voc_cold_v),
        _most(system_voltage_limit_v, voc_cold_v),
        _most(mppt_max_v, vmp_cold_v),
        _least(mppt_min_v, vmp_hot_v),
        _least(start_voltage_v, voc_hot_v),
    )
    module, inverter, place, mppt, low, start = (np.ascontiguousarray(one) for one in bounds)
    safe = np.minimum(np.minimum(module, inverter), place)
    return StringLengthRange(
        most_by_module=module,
        most_by_inverter=inverter,
        most_by_place=place,
        most_by_mppt=mppt,
        least_by_mppt=low,
        least_by_start=start,
        least=np.maximum(np.maximum(low, start), 1),
        most=np.minimum(safe, mppt),
        most_safe=safe,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursOutsideWindow:
    """How many hours of a year strings of each length spend outside the window.

    Attributes:
        modules: lengths that were asked for, shape (lengths,).
        below: hours per year with Vmp below the lower edge, while there is light, (lengths,).
        above: hours per year with Vmp above the upper edge, (lengths,).
        over: hours per year with Voc above the greatest voltage, (lengths,).
        light: hours per year with light enough to be counted.
        highest_voc_v: highest Voc of the string in the whole series [V], (lengths,).
        lowest_vmp_v: lowest Vmp of the string in light [V], (lengths,).
        assessed_ratio: share of the steps that had both readings [1].
    """

    modules: IntArray
    below: FloatArray
    above: FloatArray
    over: FloatArray
    light: float
    highest_voc_v: FloatArray
    lowest_vmp_v: FloatArray
    assessed_ratio: float


def _above(sorted_v: FloatArray, edges_v: FloatArray) -> FloatArray:
    return len(sorted_v) - np.searchsorted(sorted_v, edges_v, side="right").astype(np.float64)


def hours_outside_window(
    reference: ReferenceDiode,
    *,
    irradiance_w_m2: npt.ArrayLike,
    cell_temp_c: npt.ArrayLike,
    modules: npt.ArrayLike,
    mppt_min_v: float,
    mppt_max_v: float,
    max_voltage_v: float,
    light_from_w_m2: float = 50.0,
) -> HoursOutsideWindow:
    """Hours per year that strings of each length would be outside the inverter's window.

    Voltage at maximum power and at open circuit of one module are computed for every step by the
    single-diode model and multiplied with the number of modules. A series of several years, or
    of part of one, is brought to 8760 h. Steps without a reading are left out.

    Args:
        reference: the module, one element.
        irradiance_w_m2: irradiance in the plane, shape (steps,); below zero counts as dark.
        cell_temp_c: cell temperature, shape (steps,).
        modules: lengths of interest, shape (lengths,).
        mppt_min_v: lower edge of the MPPT window.
        mppt_max_v: upper edge of the MPPT window.
        max_voltage_v: greatest voltage of module and inverter.
        light_from_w_m2: irradiance from which a low voltage counts as lost yield; common practice.

    Raises:
        CallError: ``shapes-differ`` when the series do not fit, ``no-readings`` when no step has
            both readings.

    Source: de-soto-2006; the window is the inverter's data sheet.
    """
    irradiance = np.atleast_1d(np.asarray(irradiance_w_m2, dtype=np.float64))
    temp_c = np.atleast_1d(np.asarray(cell_temp_c, dtype=np.float64))
    lengths = np.atleast_1d(np.asarray(modules, dtype=np.int64))
    if irradiance.shape != temp_c.shape or irradiance.ndim != 1 or len(reference) != 1:
        raise CallError(
            "shapes-differ",
            f"Found {len(reference)} modules, irradiance {irradiance.shape} and cell temperature "
            f"{temp_c.shape}; required: one module and two series of one length.",
            "Give one irradiance and one cell temperature per step.",
        )
    known = np.isfinite(irradiance) & np.isfinite(temp_c)
    if not known.any():
        raise CallError(
            "no-readings",
            "No step has both an irradiance and a cell temperature.",
            "Give a weather series with readings.",
        )
    irradiance = irradiance[known]
    bright = irradiance > 0.0
    points = key_points(
        translate(reference, irradiance_w_m2=irradiance[bright], cell_temp_c=temp_c[known][bright])
    )
    voc_v = np.sort(points.voc_v)
    lit_vmp_v = np.sort(points.vmp_v[irradiance[bright] >= light_from_w_m2])
    hours_each = _HOURS_PER_YEAR / len(irradiance)
    count = lengths.astype(np.float64)
    below = np.searchsorted(lit_vmp_v, mppt_min_v / count, side="left").astype(np.float64)
    return HoursOutsideWindow(
        modules=lengths,
        below=below * hours_each,
        above=_above(lit_vmp_v, mppt_max_v / count) * hours_each,
        over=_above(voc_v, max_voltage_v / count) * hours_each,
        light=float(len(lit_vmp_v) * hours_each),
        highest_voc_v=count * (voc_v[-1] if len(voc_v) else 0.0),
        lowest_vmp_v=count * (lit_vmp_v[0] if len(lit_vmp_v) else np.nan),
        assessed_ratio=float(known.mean()),
    )
