"""The standard's verdict on a string: IEC 62446-1 limits, applied to arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.arrays import FloatArray, IntArray

__all__ = [
    "FAIL",
    "NOT_ASSESSABLE",
    "PASS",
    "REVIEW",
    "SYSTEM_VOLTAGE_FACTOR",
    "InsulationLimits",
    "combine",
    "insulation_limits",
    "within_tolerance",
]

PASS: Final = 0
NOT_ASSESSABLE: Final = 1
REVIEW: Final = 2
FAIL: Final = 3
"""Verdicts as numbers inside arrays, the graver the greater."""

SYSTEM_VOLTAGE_FACTOR: Final = 1.25
"""System voltage over the string's Voc at STC when the insulation test voltage is chosen; memory,
iec-62446-1 table of insulation test voltages."""

_UPPER_EDGE_V: Final = np.array([120.0, 500.0, 1000.0])
_TEST_VOLTAGE_V: Final = np.array([250.0, 500.0, 1000.0, 1500.0])
_LEAST_MEGOHM: Final = np.array([0.5, 1.0, 1.0, 1.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class InsulationLimits:
    """What an insulation test must reach, (n,).

    Attributes:
        system_voltage_v: system voltage the limits follow from [V].
        test_voltage_v: least test voltage [V].
        least_megohm: least insulation resistance [Mohm].
    """

    system_voltage_v: FloatArray
    test_voltage_v: FloatArray
    least_megohm: FloatArray


def insulation_limits(voc_stc_v: FloatArray) -> InsulationLimits:
    """Least insulation resistance [Mohm] and test voltage [V] of strings by their voltage.

    The system voltage is 1.25 times the string's Voc at STC. Below 120 V: test at 250 V,
    0.5 Mohm; 120 to 500 V: 500 V, 1 Mohm; above 500 to 1000 V: 1000 V, 1 Mohm; above 1000 V:
    1500 V, 1 Mohm. The table is from memory and is to be confirmed against the document.

    Args:
        voc_stc_v: open-circuit voltage of the strings at STC, (n,).

    Source: iec-62446-1 table of insulation resistance, memory
    """
    system = SYSTEM_VOLTAGE_FACTOR * np.asarray(voc_stc_v, dtype=np.float64)
    band = np.searchsorted(_UPPER_EDGE_V, system, side="left")
    band = np.where(system == _UPPER_EDGE_V[0], 1, band)
    return InsulationLimits(
        system_voltage_v=system,
        test_voltage_v=_TEST_VOLTAGE_V[band],
        least_megohm=_LEAST_MEGOHM[band],
    )


def within_tolerance(
    deviation_ratio: FloatArray, like_deviation_ratio: FloatArray, *, tolerance_ratio: float
) -> IntArray:
    """Verdict on Voc or Isc [1]: within tolerance of the expected value and of like strings.

    A missing deviation against the expected value is not assessable; missing like strings (NaN)
    leave the comparison with the expected value alone.

    Source: iec-62446-1 6.4, 6.5
    """
    outside = np.abs(deviation_ratio) > tolerance_ratio
    outside_like = np.abs(np.nan_to_num(like_deviation_ratio, nan=0.0)) > tolerance_ratio
    verdict = np.where(outside | outside_like, FAIL, PASS)
    return np.where(np.isfinite(deviation_ratio), verdict, NOT_ASSESSABLE).astype(np.int64)


def combine(verdicts: list[IntArray]) -> IntArray:
    """Verdict on several required tests [1]: any failing fails, else any open one leaves it open.

    An empty list is not assessable in every row it could have had; give at least one array.
    """
    stacked = np.stack(verdicts)
    any_open = (stacked == NOT_ASSESSABLE).any(axis=0)
    worst = stacked.max(axis=0)
    return np.where(worst == FAIL, FAIL, np.where(any_open, NOT_ASSESSABLE, worst)).astype(np.int64)
