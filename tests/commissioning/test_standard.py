"""Limits of IEC 62446-1."""

import numpy as np

from arraywright.commissioning.standard import (
    FAIL,
    NOT_ASSESSABLE,
    PASS,
    REVIEW,
    combine,
    insulation_limits,
    within_tolerance,
)
from tests.published_values import published

TABLE = published("iec-62446-1")


def test_insulation_limits_follow_the_table() -> None:
    """Test voltage and least resistance follow the system voltage, 1.25 times Voc at STC."""
    system = np.array(TABLE["inputs"]["system_voltage_v"])
    limits = insulation_limits(system / 1.25)
    np.testing.assert_allclose(limits.system_voltage_v, system, rtol=1e-12)
    np.testing.assert_array_equal(limits.test_voltage_v, TABLE["expected"]["test_voltage_v"])
    np.testing.assert_array_equal(limits.least_megohm, TABLE["expected"]["least_megohm"])


def test_tolerance_holds_against_expected_value_and_like_strings() -> None:
    """Either comparison beyond 5 % fails; without an expected value nothing is assessable."""
    tolerance = TABLE["expected"]["tolerance_ratio"]
    nan = np.nan
    verdict = within_tolerance(
        np.array([0.0, 0.049, -0.051, 0.02, nan, 0.051, -0.049]),
        np.array([0.0, nan, nan, -0.06, 0.0, 0.0, 0.049]),
        tolerance_ratio=tolerance,
    )
    assert verdict.tolist() == [PASS, PASS, FAIL, FAIL, NOT_ASSESSABLE, FAIL, PASS]


def test_combining_never_hides_a_failure_or_a_gap() -> None:
    """A failing test fails the string even when another is missing; a gap alone leaves it open."""
    first = np.array([PASS, PASS, FAIL, NOT_ASSESSABLE, REVIEW])
    second = np.array([PASS, NOT_ASSESSABLE, NOT_ASSESSABLE, NOT_ASSESSABLE, PASS])
    assert combine([first, second]).tolist() == [PASS, NOT_ASSESSABLE, FAIL, NOT_ASSESSABLE, REVIEW]
