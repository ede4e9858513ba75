"""False alarms of a whole site: thresholds from drawn and from turned evidence, and verdicts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from arraywright.commissioning.budget import (
    FAMILIES,
    SHARE_OF_BUDGET,
    STRING_CAUSES,
    budget_ratio,
    evidence_thresholds,
    family_evidence,
    session_verdicts,
)
from arraywright.commissioning.session_causes import CAUSES
from arraywright.commissioning.standard import FAIL, NOT_ASSESSABLE, PASS, REVIEW
from arraywright.plant import Commissioning

VOLTAGE = list(FAMILIES).index("voltage")


def test_every_cause_in_a_string_is_in_one_family_and_the_budget_is_spent_once() -> None:
    """No cause without a threshold, none with two, and the shares sum to the whole."""
    named = [name for names in FAMILIES.values() for name in names]
    assert sorted(named) == sorted(CAUSES[1:])
    assert list(SHARE_OF_BUDGET) == list(FAMILIES)
    assert sum(SHARE_OF_BUDGET.values()) == pytest.approx(1.0)


def test_budget_of_a_site_is_a_number_of_strings_or_the_ratio_of_each() -> None:
    """Seven strings of seventy thousand are one in ten thousand."""
    assert budget_ratio(Commissioning(site_false_alarms=7.0), strings=70_000) == pytest.approx(1e-4)
    assert budget_ratio(Commissioning(false_alarm_ratio=0.002), strings=70_000) == 0.002


@pytest.mark.parametrize("ratio", [0.02, 0.001, 2e-5])
def test_threshold_is_the_quantile_also_where_draws_end(ratio: float) -> None:
    """An exponential tail is continued to where one draw in fifty thousand would lie.

    Exact quantiles of the exponential distribution from SciPy.
    """
    drawn = np.random.default_rng(1).exponential(1.0, (80_000, len(FAMILIES)))
    found = evidence_thresholds(
        drawn, mirrored_ratio=np.zeros((0, len(FAMILIES))), false_alarm_ratio=ratio
    )
    exact = [stats.expon.isf(share * ratio) for share in SHARE_OF_BUDGET.values()]
    assert found == pytest.approx(exact, rel=0.06)


def test_turned_residuals_raise_a_threshold_that_is_too_low_and_never_lower_one() -> None:
    """Where the session scatters more than was drawn, its own tail decides."""
    rng = np.random.default_rng(2)
    shape = (60_000, len(FAMILIES))
    drawn = rng.normal(0.0, 1.0, shape)
    alone = evidence_thresholds(
        drawn, mirrored_ratio=np.zeros((0, len(FAMILIES))), false_alarm_ratio=0.001
    )
    wide = evidence_thresholds(
        drawn, mirrored_ratio=rng.normal(0.0, 1.5, shape), false_alarm_ratio=0.001
    )
    narrow = evidence_thresholds(
        drawn, mirrored_ratio=rng.normal(0.0, 0.5, shape), false_alarm_ratio=0.001
    )
    assert wide[VOLTAGE] == pytest.approx(1.5 * stats.norm.isf(0.00095), rel=0.05)
    assert narrow == pytest.approx(alone)


def _verdict(
    probability: dict[str, float], *, evidence: float = -5.0, voltage_u_ratio: float = 0.003
) -> int:
    held = np.zeros((1, len(STRING_CAUSES)))
    for name, value in probability.items():
        held[0, STRING_CAUSES.index(name)] = value
    return int(
        session_verdicts(
            np.full((1, len(FAMILIES)), evidence),
            threshold_ratio=np.full(len(FAMILIES), 1.0),
            strict_ratio=np.full(len(FAMILIES), 3.0),
            probability_ratio=held,
            voltage_u_ratio=np.array([voltage_u_ratio]),
            modules=np.array([28]),
        )[0]
    )


def test_verdicts_follow_evidence_and_probability() -> None:
    """Fail needs strict evidence and near certainty; a doubted reading proves nothing."""
    diode = "bypass-diode-shorted"
    assert _verdict({"none": 1.0}) == PASS
    assert _verdict({diode: 0.95, "none": 0.05}, evidence=4.0) == FAIL
    assert _verdict({diode: 0.8, "none": 0.2}, evidence=4.0) == REVIEW
    assert _verdict({diode: 0.95, "none": 0.05}, evidence=2.0) == REVIEW
    assert _verdict({"reading-off": 0.9, "none": 0.1}) == NOT_ASSESSABLE
    assert _verdict({"none": 1.0}, voltage_u_ratio=0.02) == NOT_ASSESSABLE


@given(
    evidence=st.one_of(st.just(float("nan")), st.floats(-50.0, 50.0)),
    voltage_u_ratio=st.one_of(st.just(float("nan")), st.floats(0.01, 10.0)),
)
def test_no_voltage_or_a_blind_one_is_never_a_pass(evidence: float, voltage_u_ratio: float) -> None:
    """Whatever else is known, a string whose missing module would not stand out is not proven."""
    assert _verdict({"none": 1.0}, evidence=evidence, voltage_u_ratio=voltage_u_ratio) != PASS


def test_current_off_for_itself_neither_makes_nor_hides_a_missing_module() -> None:
    """Evidence of the voltage is held against shade and a stale irradiance too."""
    held = np.zeros((2, len(STRING_CAUSES)))
    held[0, STRING_CAUSES.index("sensor-stale")] = 0.999
    held[0, STRING_CAUSES.index("module-missing")] = 0.001
    held[1, STRING_CAUSES.index("reading-off")] = 0.6
    held[1, STRING_CAUSES.index("module-missing")] = 0.4
    evidence = family_evidence(held)[:, VOLTAGE]
    assert evidence[0] < -5.0
    assert evidence[1] > 100.0
