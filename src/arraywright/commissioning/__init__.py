"""Tests of strings, expected values and verdicts."""

from arraywright.commissioning.curves import CurveResult, judge_curves
from arraywright.commissioning.expected import Assumptions, ExpectedStrings, expected_values
from arraywright.commissioning.gates import TESTS
from arraywright.commissioning.string_modules import StringModules, string_modules
from arraywright.commissioning.tables import INSTRUMENTS, IV_POINTS, STRING_READINGS
from arraywright.commissioning.verdicts import CommissioningResult, judge

__all__ = [
    "INSTRUMENTS",
    "IV_POINTS",
    "STRING_READINGS",
    "TESTS",
    "Assumptions",
    "CommissioningResult",
    "CurveResult",
    "ExpectedStrings",
    "StringModules",
    "expected_values",
    "judge",
    "judge_curves",
    "string_modules",
]
