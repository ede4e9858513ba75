"""Labels that look swapped: proposed as a pair, never where nothing fits."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.arrays import FloatArray, IntArray
from arraywright.commissioning.pairs import SwappedPairs, swapped_pairs

U = np.array([0.003, 0.005])


def _look(
    residual: FloatArray, *, nominal: FloatArray, sound: FloatArray, box: IntArray | None = None
) -> SwappedPairs:
    count = residual.shape[1]
    return swapped_pairs(
        residual,
        variance_ratio=np.tile((U**2)[:, None], count),
        degrees_of_freedom=np.array([20.0, 20.0]),
        nominal_log_ratio=nominal,
        sound_ratio=sound,
        sound_share_ratio=0.98,
        label_share_ratio=0.002,
        box=np.zeros(count, dtype=np.int64) if box is None else box,
        group=np.zeros(count, dtype=np.int64),
        turn=np.arange(count, dtype=np.int64),
    )


def _site(strings: int, *, seed: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give sound residuals, nominal values of strings of 26 and 28 modules, and probabilities."""
    rng = np.random.default_rng(seed)
    modules = np.where(np.arange(strings) % 2 == 0, 28, 26)
    nominal = np.stack([np.log(modules * 50.0), np.full(strings, np.log(14.0))])
    return rng.normal(0.0, U[:, None], (2, strings)), nominal, np.full(strings, 0.999)


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 10_000), first=st.integers(0, 9), step=st.sampled_from([1, 3, 5]))
def test_two_readings_under_each_others_names_are_one_pair(
    seed: int, first: int, step: int
) -> None:
    """Exchanging the names of a long and a short string proposes these two and no others."""
    residual, nominal, sound = _site(16, seed=seed)
    second = first + step
    residual[:, [first, second]] = residual[:, [second, first]]
    residual[:, first] += nominal[:, second] - nominal[:, first]
    residual[:, second] += nominal[:, first] - nominal[:, second]
    sound[[first, second]] = 1e-9
    found = _look(residual, nominal=nominal, sound=sound)
    assert found.first.tolist() == [first]
    assert found.second.tolist() == [second]
    assert found.probability[0] > 0.9


def test_one_string_short_of_two_modules_has_no_partner() -> None:
    """A low reading alone fits a shorter string, but no reading fits the reverse."""
    residual, nominal, sound = _site(16, seed=1)
    residual[0, 4] += np.log(26 / 28)
    sound[[4, 5]] = 1e-6, 0.2
    assert len(_look(residual, nominal=nominal, sound=sound).first) == 0


def test_partners_are_looked_for_nearby_only() -> None:
    """Two suspects of different boxes, far apart in the order of testing, are no pair."""
    residual, nominal, sound = _site(64, seed=2)
    for row, other in ((2, 61), (61, 2)):
        residual[0, row] += nominal[0, other] - nominal[0, row]
        sound[row] = 1e-12
    boxes = np.arange(64, dtype=np.int64) // 24
    assert len(_look(residual, nominal=nominal, sound=sound, box=boxes).first) == 0
    together = np.zeros(64, dtype=np.int64)
    assert len(_look(residual, nominal=nominal, sound=sound, box=together).first) == 1


def test_a_reading_is_in_one_pair_at_most_and_nothing_gives_nothing() -> None:
    """Three suspects make one pair; no suspects make none."""
    residual, nominal, sound = _site(8, seed=3)
    for row, other in ((0, 1), (1, 0), (3, 0)):
        residual[0, row] += nominal[0, other] - nominal[0, row]
        sound[row] = 1e-12
    found = _look(residual, nominal=nominal, sound=sound)
    named = [*found.first.tolist(), *found.second.tolist()]
    assert len(named) == len(set(named)) == 2
    assert len(_look(residual[:, :0], nominal=nominal[:, :0], sound=sound[:0]).first) == 0
