"""Readings one by one: an answer at once, corrections later, and in the end the whole session's."""

from __future__ import annotations

import numpy as np
import pytest

from arraywright.arrays import FloatArray
from arraywright.commissioning.budget import STRING_CAUSES
from arraywright.commissioning.session_causes import (
    CausePriors,
    reading_components,
    string_components,
)
from arraywright.commissioning.session_model import (
    SessionReadings,
    SessionResult,
    explain_session,
)
from arraywright.commissioning.standard import FAIL, NOT_ASSESSABLE, PASS, REVIEW
from arraywright.commissioning.streaming import SessionStream, StreamAnswer, StreamReading
from arraywright.errors import CallError
from tests.commissioning.invented import make_type

MODULES = 28
STRINGS = 360
MISSING = 200
OWN_U = np.array([0.003, 0.005, 0.01])
PRIORS = CausePriors()
FORMS = string_components(make_type(), modules=MODULES, class_power_w=545.0)


def _values(seed: int = 1) -> FloatArray:
    """Give a day whose level wanders, with one string short of a module."""
    rng = np.random.default_rng(seed)
    value = np.full((3, STRINGS), np.nan)
    level = -0.004 * np.sin(np.arange(STRINGS) / 80.0)
    value[0] = level + 0.0028 * rng.standard_normal(STRINGS)
    value[1] = 0.01 + 0.005 * rng.standard_normal(STRINGS)
    value[0, MISSING] += np.log1p(-1.0 / MODULES)
    return value


def _reading(value: FloatArray, row: int) -> StreamReading:
    return StreamReading(
        string=row,
        time_s=60.0 * row,
        value=value[:, row],
        own_u=OWN_U,
        group=0,
        kind=0,
        voc_v=float(1400.0 * np.exp(value[0, row])),
        isc_a=float(11.0 * np.exp(value[1, row])),
        expected_voc_v=1400.0,
        light=np.zeros(0),
    )


def _stream() -> SessionStream:
    return SessionStream(
        components=[FORMS], modules=[MODULES], priors=PRIORS, false_alarm_ratio=0.001
    )


def _batch(value: FloatArray) -> SessionResult:
    count = value.shape[1]
    return explain_session(
        SessionReadings(
            value=value,
            own_u=np.tile(OWN_U[:, None], count),
            time_s=60.0 * np.arange(float(count)),
            string=np.arange(count),
            group=np.zeros(count, dtype=np.int64),
            light=np.zeros((0, count)),
        ),
        kind_of=np.zeros(count, dtype=np.int64),
        components=[FORMS],
        of_reading=reading_components(
            voc_v=1400.0 * np.exp(value[0]),
            isc_a=11.0 * np.exp(value[1]),
            expected_voc_v=np.full(count, 1400.0),
        ),
        priors=PRIORS,
        false_alarm_ratio=0.001,
        seed=1,
    )


def test_settled_stream_is_the_whole_session() -> None:
    """After the last reading, settling gives exactly what all readings together give."""
    value = _values()
    stream = _stream()
    for row in range(STRINGS):
        stream.add(_reading(value, row))
        if row == 100:
            stream.settle()
    found, whole = stream.settle(), _batch(value)
    assert stream.readings == STRINGS
    np.testing.assert_array_equal(found.probability, whole.probability)
    np.testing.assert_array_equal(found.evidence, whole.evidence)
    np.testing.assert_array_equal(found.threshold, whole.threshold)
    np.testing.assert_array_equal(found.residual, whole.residual)
    assert found.noise == whole.noise


def test_answers_come_at_once_and_are_corrected_as_drift_shows() -> None:
    """The last string is answered first; what stands at the end is near the whole session's."""
    value = _values()
    stream = _stream()
    latest: dict[int, tuple[float, int]] = {}
    corrected = 0
    at_once: StreamAnswer | None = None
    for row in range(STRINGS):
        answer = stream.add(_reading(value, row))
        assert answer.strings[0] == row
        corrected += len(answer.strings) - 1
        for place, string in enumerate(answer.strings.tolist()):
            latest[string] = (float(answer.probability[place, 0]), int(answer.verdict[place]))
        if row == 60:
            stream.settle()
        if row == MISSING:
            at_once = answer
    assert at_once is not None
    missing = STRING_CAUSES.index("module-missing")
    assert at_once.probability[0].argmax() == missing
    assert at_once.verdict[0] in {REVIEW, FAIL}
    assert at_once.voc_v[0] == pytest.approx(1400.0 * np.exp(value[0, MISSING]) * 28 / 27, rel=0.01)
    assert corrected > STRINGS
    whole = _batch(value)
    sound = np.array([latest[row][0] for row in range(STRINGS)])
    assert np.abs(sound - whole.probability[:, 0]).mean() < 0.01
    assert latest[5][1] == PASS


def test_first_reading_proves_nothing() -> None:
    """Without others there is no level, and without a voltage nothing to explain."""
    value = _values()
    assert _stream().add(_reading(value, 0)).verdict[0] == NOT_ASSESSABLE
    value[0, 50] = np.nan
    stream = _stream()
    for row in range(51):
        answer = stream.add(_reading(value, row))
    assert answer.verdict[0] == NOT_ASSESSABLE
    assert np.isnan(answer.voc_v[0])


def test_unknown_kind_is_refused() -> None:
    """A string whose causes were not given is no reading of this session."""
    value = _values()
    stream = SessionStream(components=[], modules=[], priors=PRIORS, false_alarm_ratio=0.001)
    with pytest.raises(CallError, match="kind"):
        stream.add(_reading(value, 0))
