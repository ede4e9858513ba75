"""What was opened and read in a string, and what follows from it alone."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from arraywright.arrays import FloatArray
from arraywright.commissioning.isolation import StringIsolation, begin_isolation, found_module
from arraywright.procedures.openings import Opening, with_openings

CAUSES = {"bypass-diode-shorted": 0.9, "none": 0.1}


def _module_v(modules: int = 26) -> FloatArray:
    return np.asarray(48.0 * (1.0 + 0.003 * np.random.default_rng(4).standard_normal(modules)))


def _begin(module_v: FloatArray) -> StringIsolation:
    return begin_isolation(module_v, causes=CAUSES, bypass_substrings=3)


def _opened(
    module_v: FloatArray, after_module: int, *, place: int, light: float = 1.0, whole: bool = True
) -> Opening:
    """Give what parts read with a third of a module lost, at another light of the whole string."""
    now = module_v * light
    now[place - 1] *= 2.0 / 3.0
    return Opening(
        uuid=f"{after_module}",
        person="Sam Tester",
        at=datetime(2026, 6, 18, 14, tzinfo=UTC),
        reading_at="2026-06-18T13:00:00+00:00",
        after_module=after_module,
        first_v=float(now[:after_module].sum()),
        rest_v=float(now[after_module:].sum()),
        whole_v=float(now.sum()) if whole else None,
    )


@pytest.mark.parametrize("light", [0.94, 1.0, 1.03])
@pytest.mark.parametrize("whole", [True, False])
def test_openings_find_the_module_at_any_light(*, light: float, whole: bool) -> None:
    """Whether the whole string was read again or not, halving leads to module 9 of 26."""
    module_v = _module_v()
    read_v = float(module_v.sum() - module_v[8] / 3.0)
    openings = [
        _opened(module_v, at, place=9, light=light, whole=whole) for at in (13, 6, 10, 8, 9)
    ]
    state, unfitting = with_openings(_begin(module_v), openings, read_v=read_v)
    assert found_module(state) == 9
    assert unfitting == ()
    assert state.openings == 5


def test_the_same_openings_give_the_same_answer() -> None:
    """The answer is a function of what was entered; the order of entering moves only rounding."""
    module_v = _module_v()
    read_v = float(module_v.sum() - module_v[8] / 3.0)
    openings = [_opened(module_v, at, place=9) for at in (13, 6, 10)]
    once, _ = with_openings(_begin(module_v), openings, read_v=read_v)
    again, _ = with_openings(_begin(module_v), openings, read_v=read_v)
    turned, _ = with_openings(_begin(module_v), openings[::-1], read_v=read_v)
    assert np.array_equal(once.probability, again.probability)
    assert once.probability == pytest.approx(turned.probability, abs=1e-9)


def test_parts_that_do_not_add_up_are_not_believed_and_named() -> None:
    """A figure with a digit lost is set aside; the other openings still lead to the module."""
    module_v = _module_v()
    read_v = float(module_v.sum() - module_v[8] / 3.0)
    good = [_opened(module_v, at, place=9) for at in (13, 6, 10, 8, 9)]
    slipped = Opening(
        uuid="slipped",
        person="Sam Tester",
        at=good[0].at,
        reading_at=good[0].reading_at,
        after_module=13,
        first_v=good[0].first_v / 10.0,
        rest_v=good[0].rest_v,
        whole_v=good[0].whole_v,
    )
    state, unfitting = with_openings(_begin(module_v), [slipped, *good], read_v=read_v)
    assert unfitting == ("slipped",)
    assert found_module(state) == 9


def test_in_a_string_of_two_a_missing_module_is_no_slip() -> None:
    """Parts are held against what the string read, not against what it should: half is missing."""
    module_v = np.full(2, 48.0)
    begun = begin_isolation(
        module_v, causes={"module-missing": 0.9, "none": 0.1}, bypass_substrings=3
    )
    opening = Opening(
        uuid="only",
        person="Sam Tester",
        at=datetime(2026, 6, 18, 14, tzinfo=UTC),
        reading_at="2026-06-18T13:00:00+00:00",
        after_module=1,
        first_v=48.0,
        rest_v=0.2,
        whole_v=48.1,
    )
    state, unfitting = with_openings(begun, [opening], read_v=48.0)
    assert unfitting == ()
    assert found_module(state) == 2
