"""The local level of neighbours."""

import numpy as np
import pytest

from arraywright.commissioning.neighbours import MIN_NEIGHBOURS, local_level


def _level(
    value: np.ndarray[tuple[int], np.dtype[np.float64]], **changes: object
) -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], ...]:
    count = len(value)
    given: dict[str, object] = {
        "group": np.zeros(count, dtype=np.int64),
        "string": np.arange(count),
        "window_s": 1200.0,
    } | changes
    found = local_level(value, 60.0 * np.arange(count), **given)  # type: ignore[arg-type]
    return found.level, found.variance_factor, found.scatter, found.neighbours  # type: ignore[return-value]


def test_a_drift_in_time_is_followed() -> None:
    """A straight drift gives each inner reading exactly its own value as level."""
    value = 0.001 * np.arange(60.0)
    level, *_ = _level(value)
    np.testing.assert_allclose(level[10:50], value[10:50], atol=1e-9)


def test_two_faults_in_five_do_not_move_the_level() -> None:
    """With 40 % of the readings far off the level of the rest is kept."""
    rng = np.random.default_rng(2)
    value = 0.001 * rng.standard_normal(200)
    value[np.arange(200) % 5 < 2] -= 0.036
    level, *_ = _level(value)
    assert np.abs(level[20:180]).max() < 0.004


def test_too_few_neighbours_give_no_level() -> None:
    """Fewer than five neighbours, another group, the same string or a distant time count not."""
    few = np.zeros(MIN_NEIGHBOURS)
    assert np.isnan(_level(few)[0]).all()
    assert np.isfinite(_level(np.zeros(MIN_NEIGHBOURS + 1))[0]).all()
    assert np.isnan(_level(np.zeros(12), group=np.arange(12) // 4)[0]).all()
    assert np.isnan(_level(np.zeros(12), string=np.zeros(12, dtype=np.int64))[0]).all()
    assert np.isnan(_level(np.zeros(12), window_s=60.0)[0]).all()


def test_stated_variance_of_the_level_is_true() -> None:
    """Over many draws the level scatters as its variance factor says, within 15 %."""
    rng = np.random.default_rng(4)
    value = rng.standard_normal(8000)
    level, factor, *_ = _level(value)
    inner = slice(50, 7950)
    assert np.var(level[inner]) == pytest.approx(float(np.mean(factor[inner])), rel=0.15)


def test_order_of_rows_is_irrelevant() -> None:
    """Shuffled rows get the same levels, to the last bit."""
    rng = np.random.default_rng(6)
    value = rng.standard_normal(100)
    times = np.repeat(60.0 * np.arange(50.0), 2)
    order = rng.permutation(100)
    names = np.arange(100)
    group = np.zeros(100, dtype=np.int64)
    first = local_level(value, times, group=group, string=names, window_s=600.0)
    second = local_level(
        value[order], times[order], group=group, string=names[order], window_s=600.0
    )
    np.testing.assert_array_equal(first.level[order], second.level)
