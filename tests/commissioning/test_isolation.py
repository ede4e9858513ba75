"""Which connector to open next, and what its parts should read."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.arrays import FloatArray
from arraywright.commissioning.isolation import (
    ISOLATION_CAUTION,
    StringIsolation,
    begin_isolation,
    found_module,
    next_opening,
    observe,
)
from arraywright.errors import CallError

DIODE = {"bypass-diode-shorted": 0.85, "substring-open": 0.05, "none": 0.1}


def _module_v(modules: int, *, seed: int = 1) -> FloatArray:
    return np.asarray(45.0 * (1.0 + 0.004 * np.random.default_rng(seed).standard_normal(modules)))


def _searched(
    rng: np.random.Generator, *, modules: int, place: int, scatter: float, lost: float = 1 / 3
) -> StringIsolation:
    """Open as advised until nothing more is advised."""
    module_v = _module_v(modules)
    state = begin_isolation(module_v, causes=DIODE, bypass_substrings=3)
    while (wanted := next_opening(state)) is not None and state.openings < 3 * modules:
        now = module_v * (1.0 + scatter * rng.standard_normal(modules))
        now[place] *= 1.0 - lost
        now *= 1.0 + 1.5 * scatter * rng.standard_normal()
        at = wanted.after_module
        state = observe(
            state, after_module=at, first_v=float(now[:at].sum()), rest_v=float(now[at:].sum())
        )
    return state


@pytest.mark.parametrize("modules", [14, 28])
def test_openings_stay_near_halving(modules: int) -> None:
    """Mean openings at most log2(n) + 0.5 with 0.2 % scatter between modules.

    Halving n alike places needs log2(n) questions with two answers at least (Shannon 1948).
    """
    rng = np.random.default_rng(3)
    found = [
        _searched(rng, modules=modules, place=int(rng.integers(modules)), scatter=0.002)
        for _ in range(80)
    ]
    assert np.mean([one.openings for one in found]) <= np.log2(modules) + 0.5


@settings(max_examples=40, deadline=None)
@given(modules=st.integers(2, 40), seed=st.integers(0, 10_000), data=st.data())
def test_without_noise_the_module_is_always_found(
    modules: int, seed: int, data: st.DataObject
) -> None:
    """Whatever the module and the length of the string."""
    place = data.draw(st.integers(0, modules - 1))
    state = _searched(np.random.default_rng(seed), modules=modules, place=place, scatter=0.0)
    assert found_module(state) == place + 1
    assert state.openings <= int(np.ceil(np.log2(modules))) + 1


def test_advice_says_what_the_parts_should_read() -> None:
    """Near the middle of 28: sums of sound modules, and a third of one less with the fault."""
    module_v = np.full(28, 45.0)
    wanted = next_opening(begin_isolation(module_v, causes=DIODE, bypass_substrings=3))
    assert wanted is not None
    at = wanted.after_module
    assert 11 <= at <= 17
    assert wanted.caution == ISOLATION_CAUTION
    assert "never" in wanted.caution
    assert "under load" in wanted.caution
    first = wanted.readings[0]
    assert first.cause == "bypass-diode-shorted"
    lost = np.array([15.0, 0.0] if first.in_first_part else [0.0, 15.0])
    whole = np.array([45.0 * at, 45.0 * (28 - at)])
    assert [first.first_v, first.rest_v] == pytest.approx(whole - lost)
    sound = next(one for one in wanted.readings if one.cause == "none")
    assert [sound.first_v, sound.rest_v] == pytest.approx(whole)
    assert sum(one.probability for one in wanted.readings) == pytest.approx(1.0)
    assert 0.0 < wanted.uncertainty_v < 7.5


def test_information_is_that_of_a_yes_or_no_where_readings_are_clear() -> None:
    """One certain fault, two halves alike: one bit, and none is told by a sound string."""
    certain = begin_isolation(
        np.full(16, 45.0), causes={"module-missing": 1.0}, bypass_substrings=3
    )
    wanted = next_opening(certain)
    assert wanted is not None
    assert wanted.information_bits == pytest.approx(1.0, abs=0.02)
    sound = begin_isolation(np.full(16, 45.0), causes={"none": 1.0}, bypass_substrings=3)
    assert next_opening(sound) is None


def test_a_cause_that_is_everywhere_is_told_from_one_in_a_module() -> None:
    """Both halves low by the same share speak for the whole string."""
    module_v = np.full(28, 45.0)
    causes = {"bypass-diode-shorted": 0.5, "wrong-class": 0.5}
    state = begin_isolation(module_v, causes=causes, bypass_substrings=3)
    state = observe(state, after_module=14, first_v=630.0 * 0.985, rest_v=630.0 * 0.985)
    assert state.cause_probability()["wrong-class"] > 0.95
    assert found_module(state) is None


@pytest.mark.parametrize(
    ("after_module", "first_v", "rest_v"),
    [(0, 600.0, 600.0), (28, 600.0, 600.0), (14, float("nan"), 600.0), (14, 0.0, -1.0)],
)
def test_impossible_readings_are_refused(after_module: int, first_v: float, rest_v: float) -> None:
    """No connector there, no reading, or a meter that was not connected."""
    state = begin_isolation(np.full(28, 45.0), causes=DIODE, bypass_substrings=3)
    with pytest.raises(CallError):
        observe(state, after_module=after_module, first_v=first_v, rest_v=rest_v)


def test_nothing_to_look_for_is_refused() -> None:
    """One module cannot be halved, and a slip of the unit is not found by opening."""
    with pytest.raises(CallError, match="modules"):
        begin_isolation(np.full(1, 45.0), causes=DIODE, bypass_substrings=3)
    with pytest.raises(CallError, match="opening"):
        begin_isolation(np.full(9, 45.0), causes={"unit-slip": 1.0}, bypass_substrings=3)


def test_at_another_light_the_difference_of_the_parts_still_tells() -> None:
    """Both parts 3 % low by light: said so, a third of module 3 is found missing on its side.

    Independent: by hand, the module gives 14 of 28 parts a difference of 15 V in 630 V, 34 times
    the scatter of 0.07 % between halves; a common 3 % leaves the ratio of the parts as it was.
    """
    module_v = np.full(28, 45.0)
    before = begin_isolation(module_v, causes=DIODE, bypass_substrings=3)
    first_v, rest_v = 0.97 * (630.0 - 15.0), 0.97 * 630.0
    wide = observe(before, after_module=14, first_v=first_v, rest_v=rest_v, common_u_ratio=0.05)
    assert wide.module_probability()[:14].sum() > 0.99
    sound = observe(
        before, after_module=14, first_v=0.97 * 630.0, rest_v=rest_v, common_u_ratio=0.05
    )
    assert sound.cause_probability()["none"] > 0.99
