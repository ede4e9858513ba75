"""Readings of a session explained together, against a truth drawn apart from the model."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from arraywright.arrays import FloatArray, IntArray
from arraywright.commissioning.budget import STRING_CAUSES
from arraywright.commissioning.session_causes import (
    CAUSES,
    CausePriors,
    reading_components,
    string_components,
)
from arraywright.commissioning.session_level import leave_one_out_level
from arraywright.commissioning.session_model import (
    SessionReadings,
    SessionResult,
    explain_session,
)
from tests.commissioning.invented import make_type

STRINGS = 9000
MODULES = 28
SCATTER = float(np.hypot(0.0028, 0.0003))
ALARMS = 0.001


def session(
    *, strings: int, seed: int, causes: IntArray | None = None, degrees: float | None = None
) -> tuple[IntArray, SessionResult]:
    """Draw a session: drift in time, scatter, a cause per string; give the truth and the answer.

    Days of 300 readings, one a minute; the level wanders and swings with the hour.
    """
    rng = np.random.default_rng(seed)
    kind = make_type()
    forms = string_components(kind, modules=MODULES, class_power_w=kind.power_classes[0].power_w)
    priors = CausePriors()
    shares = np.array([0.0, *(priors.strings[name] for name in CAUSES[1:])])
    shares[0] = 1.0 - shares.sum()
    truth = rng.choice(len(CAUSES), size=strings, p=shares) if causes is None else causes
    minute = np.arange(strings)
    hours = minute % 300 / 60.0

    def noise() -> FloatArray:
        if degrees is None:
            return rng.standard_normal(strings)
        drawn = stats.t.rvs(degrees, size=strings, random_state=rng)
        return np.asarray(drawn / np.sqrt(degrees / (degrees - 2.0)))

    wander = np.cumsum(rng.normal(0.0, 0.015, strings))
    value = np.full((3, strings), np.nan)
    value[0] = -0.0028 * (1.5 * np.sin(hours) + wander + 2.0) + SCATTER * noise() + 0.002
    value[1] = 0.01 * np.sin(2.0 * hours) + 0.01 + 0.004 * noise()
    for number in range(1, len(CAUSES)):
        own = [one for one in forms if one.cause == CAUSES[number]]
        odds = np.array([one.share for one in own])
        for row in np.flatnonzero(truth == number):
            form = own[rng.choice(len(own), p=odds / odds.sum())]
            value[:, row] += form.shift + rng.standard_normal(3) * form.spread
    expected_v, expected_a = np.full(strings, 1400.0), np.full(strings, 11.0)
    voc, isc = expected_v * np.exp(value[0]), expected_a * np.exp(value[1])
    answer = explain_session(
        SessionReadings(
            value=value,
            own_u=np.full((3, strings), [[0.003], [0.005], [0.01]]),
            time_s=minute * 60.0 + minute // 300 * 50_000.0,
            string=minute,
            group=minute // 300,
        ),
        kind_of=np.zeros(strings, dtype=np.int64),
        components=[forms],
        of_reading=reading_components(voc_v=voc, isc_a=isc, expected_voc_v=expected_v),
        priors=priors,
        false_alarm_ratio=ALARMS,
        seed=1,
    )
    return truth, answer


@cache
def diodes() -> tuple[IntArray, SessionResult]:
    """Give a session in which one string in sixty has one shorted bypass diode or one open part."""
    causes = np.where(np.arange(STRINGS) % 60 == 7, CAUSES.index("bypass-diode-shorted"), 0)
    return session(strings=STRINGS, seed=11, causes=causes)


def test_shorted_diode_is_seen_nearly_as_often_as_by_the_best_test_there_is() -> None:
    """Detection is near the oracle that knows drift and scatter; alarms stay within their share."""
    truth, answer = diodes()
    faulty = truth != 0
    single = float(stats.norm.sf(stats.norm.isf(ALARMS) - (1.0 / 84.0) / SCATTER))
    # a fifth of the drawn faults lose two sub-strings, which the oracle always sees
    oracle = (single + 0.2 * 1.0) / 1.2
    assert answer.flagged[faulty].mean() >= oracle - 0.05
    assert answer.flagged[~faulty].mean() <= ALARMS + 3.0 * np.sqrt(ALARMS / STRINGS)


def test_missing_module_is_always_seen_and_named() -> None:
    """One module of 28 is four times the smallest fault."""
    missing = CAUSES.index("module-missing")
    causes = np.where(np.arange(2400) % 60 == 7, missing, 0)
    truth, answer = session(strings=2400, seed=4, causes=causes)
    named = answer.probability.argmax(axis=1)
    assert answer.flagged[truth == missing].all()
    assert np.mean(named[truth == missing] == STRING_CAUSES.index("module-missing")) >= 0.85


@pytest.mark.parametrize("degrees", [None, 4.0])
def test_probabilities_mean_what_they_say(degrees: float | None) -> None:
    """Of strings called wrong with a probability, about that share is wrong, tails or none."""
    truth, answer = session(strings=30_000, seed=21, degrees=degrees)
    wrong = 1.0 - answer.sound_probability
    for low, high in ((0.0, 0.1), (0.1, 0.5), (0.5, 0.9), (0.9, 1.0 + 1e-9)):
        rows = (wrong >= low) & (wrong < high)
        count = int(rows.sum())
        assert count > 20
        share, said = float((truth[rows] != 0).mean()), float(wrong[rows].mean())
        chance = 3.0 * np.sqrt(said * (1.0 - said) / count)
        assert abs(share - said) <= 0.02 + chance


def test_heavy_tails_are_found_and_do_not_flood_with_alarms() -> None:
    """Scatter of four degrees of freedom is told from a normal one, and alarms stay in budget."""
    alarms = []
    for seed in (3, 5):
        nothing = np.zeros(STRINGS, dtype=np.int64)
        _, answer = session(strings=STRINGS, seed=seed, causes=nothing, degrees=4)
        assert answer.noise[0].degrees <= 6.0
        alarms.append(answer.flagged.mean())
    chance = 3.0 * np.sqrt(ALARMS / (2 * STRINGS))
    assert np.mean(alarms) <= ALARMS + chance


@pytest.mark.parametrize(
    ("change", "cause"),
    [
        ((1.409, 1.0), "unit-slip"),
        ((1409.0, 1.12), "sensor-stale"),
        ((1049.0, 1.0), "digits-swapped"),
    ],
)
def test_slip_of_the_tester_is_called_a_slip(change: tuple[float, float], cause: str) -> None:
    """Kilovolts for volts, an old irradiance, two digits swapped: the string is not accused."""
    strings = 400
    rng = np.random.default_rng(8)
    kind = make_type()
    expected = np.full(strings, 1409.0)
    voc = np.round(expected * np.exp(SCATTER * rng.standard_normal(strings)), 0)
    isc = 11.0 * np.exp(0.004 * rng.standard_normal(strings))
    voc[77], isc[77] = change[0], change[1] * isc[77]
    value = np.stack([np.log(voc / expected), np.log(isc / 11.0), np.full(strings, np.nan)])
    answer = explain_session(
        SessionReadings(
            value=value,
            own_u=np.full((3, strings), [[0.003], [0.005], [0.01]]),
            time_s=np.arange(float(strings)) * 60.0,
            string=np.arange(strings),
            group=np.zeros(strings, dtype=np.int64),
        ),
        kind_of=np.zeros(strings, dtype=np.int64),
        components=[
            string_components(kind, modules=MODULES, class_power_w=kind.power_classes[0].power_w)
        ],
        of_reading=reading_components(voc_v=voc, isc_a=isc, expected_voc_v=expected),
        priors=CausePriors(),
        false_alarm_ratio=ALARMS,
        seed=1,
    )
    assert STRING_CAUSES[int(answer.probability[77].argmax())] == cause
    assert answer.sound_probability[77] < 0.05


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 1000),
    count=st.integers(2, 40),
    drift=st.floats(1e-12, 1e-4),
)
def test_level_leaves_its_own_reading_out(seed: int, count: int, drift: float) -> None:
    """Changing one reading never moves the level that reading is compared with."""
    rng = np.random.default_rng(seed)
    value = rng.normal(0.0, 0.01, count)
    given_ = {
        "time_s": np.sort(rng.uniform(0.0, 3600.0, count)),
        "variance_ratio": np.full(count, 1e-5),
        "group": np.zeros(count, dtype=np.int64),
        "drift_variance_ratio": drift,
    }
    at = int(rng.integers(count))
    moved = value.copy()
    moved[at] += 1.0
    first = leave_one_out_level(value, **given_)  # type: ignore[arg-type]
    second = leave_one_out_level(moved, **given_)  # type: ignore[arg-type]
    assert first.level[at] == pytest.approx(second.level[at], abs=1e-12)
    assert np.all(first.variance > 0.0)


def test_level_without_drift_is_the_mean_of_the_others() -> None:
    """With no drift the smoother gives the plain mean of all other readings."""
    value = np.array([0.01, 0.03, -0.02, 0.005])
    found = leave_one_out_level(
        value,
        time_s=np.arange(4.0),
        variance_ratio=np.full(4, 1e-4),
        group=np.zeros(4, dtype=np.int64),
        drift_variance_ratio=0.0,
    )
    others = [np.delete(value, at).mean() for at in range(4)]
    assert found.level == pytest.approx(others, rel=1e-3)
    assert found.variance == pytest.approx(1e-4 / 3.0, rel=1e-3)


def test_session_without_readings_has_no_answer() -> None:
    """Nothing read, nothing said."""
    nothing = np.zeros((3, 0))
    answer = explain_session(
        SessionReadings(
            value=nothing,
            own_u=nothing,
            time_s=np.zeros(0),
            string=np.zeros(0, dtype=np.int64),
            group=np.zeros(0, dtype=np.int64),
        ),
        kind_of=np.zeros(0, dtype=np.int64),
        components=[],
        of_reading=[],
        priors=CausePriors(),
        false_alarm_ratio=ALARMS,
        seed=1,
    )
    assert len(answer.strings) == 0
