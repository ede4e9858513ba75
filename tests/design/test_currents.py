"""Design currents, reverse current and string fuses against worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st

from arraywright.design.check import Practice
from arraywright.design.currents import (
    bifacial_current,
    design_current,
    most_unfused_strings,
    nec_rated_current,
    next_fuse_rating,
    reverse_current,
    string_fuse_least,
    string_fuse_most,
    string_fuses_needed,
)
from arraywright.errors import CallError
from tests.published_values import published

EXAMPLES = published("string-current-examples")


@pytest.mark.parametrize("example", EXAMPLES["current"], ids=lambda one: one["place"])
def test_design_currents_are_those_of_the_worked_examples(example: dict[str, float]) -> None:
    """125 % for bright light, 125 % for duty, then the next fuse."""
    current_a = design_current(example["isc_a"], strings=example["strings"])
    assert float(current_a) == pytest.approx(
        example["max_current_a"], abs=example["tolerance_a"] + 1e-9
    )
    if "rated_a" in example:
        rated_a = nec_rated_current(current_a)
        assert float(rated_a) == pytest.approx(example["rated_a"], abs=example["tolerance_a"])
        least_a = string_fuse_least(example["isc_a"], practice=Practice.NEC)
        assert float(least_a) == pytest.approx(float(rated_a))
        assert float(next_fuse_rating(least_a, practice=Practice.NEC)) == example["next_fuse_a"]


def test_four_modules_in_parallel_give_the_remembered_currents() -> None:
    """The example of the suggested practices comes out."""
    held = published("pv-nec-practices-2001")
    current_a = design_current(held["inputs"]["isc_a"], strings=held["inputs"]["strings"])
    for name, found in (("max_current_a", current_a), ("rated_a", nec_rated_current(current_a))):
        assert float(found) == pytest.approx(held["expected"][name], abs=held["tolerance"][name])


@pytest.mark.parametrize("example", EXAMPLES["reverse"], ids=lambda one: str(one["strings"]))
def test_need_for_fuses_is_that_of_the_study(example: dict[str, float]) -> None:
    """Three strings go without fuses where four do not, and the greatest number agrees."""
    needed = string_fuses_needed(
        example["string_current_a"],
        strings=example["strings"],
        series_fuse_a=example["series_fuse_a"],
    )
    assert bool(needed) == bool(example["needed"])
    most = most_unfused_strings(example["string_current_a"], series_fuse_a=example["series_fuse_a"])
    assert bool(example["strings"] > most) == bool(example["needed"])


@pytest.mark.parametrize("example", EXAMPLES["iec_fuse"], ids=lambda one: one["place"])
def test_fuse_of_the_study_is_chosen(example: dict[str, float]) -> None:
    """The smallest fuse of the series inside the range is the study's."""
    isc_a, limit_a = example["isc_a"], example["series_fuse_a"]
    needed = string_fuses_needed(isc_a, strings=example["strings"], series_fuse_a=limit_a)
    assert bool(needed) == bool(example["needed"])
    least_a = string_fuse_least(isc_a, practice=Practice.IEC)
    fuse_a = float(next_fuse_rating(least_a, practice=Practice.IEC))
    assert fuse_a == example["fuse_a"]
    most_a = string_fuse_most(isc_a, series_fuse_a=limit_a, practice=Practice.IEC)
    assert fuse_a <= float(most_a)


def test_fuse_range_of_the_iec_practice() -> None:
    """From 1.5 Isc to 2.4 Isc, never above what the module bears."""
    held = published("iec-string-protection")["fuse"]
    least_a = string_fuse_least(held["isc_a"], practice=Practice.IEC)
    np.testing.assert_allclose(least_a, held["least_a"])
    most_a = string_fuse_most(
        held["isc_a"], series_fuse_a=held["series_fuse_a"], practice=Practice.IEC
    )
    np.testing.assert_allclose(most_a, held["most_a"])


def test_light_on_the_rear_adds_to_the_current() -> None:
    """A rear of 70 % lit with 135 W/m2 gives the current of 1094.5 W/m2 on the front."""
    lit_a = bifacial_current(10.0, bifaciality_ratio=0.7, rear_irradiance_ratio=0.135)
    assert float(lit_a) == pytest.approx(10.945)
    assert float(bifacial_current(10.0, bifaciality_ratio=0.0, rear_irradiance_ratio=0.3)) == 10.0


def test_fuses_of_the_series() -> None:
    """A rating that is met exactly is taken; too large a current is named; nan stays."""
    found = next_fuse_rating([15.0, 15.01, np.nan], practice=Practice.NEC)
    np.testing.assert_array_equal(found, [15.0, 20.0, np.nan])
    with pytest.raises(CallError) as large:
        next_fuse_rating(7000.0, practice=Practice.NEC)
    assert large.value.code == "current-above-fuses"


def test_backfeed_counts_and_may_forbid_even_one_string() -> None:
    """What the inverter feeds back is added, and is too much alone where modules bear less."""
    assert float(reverse_current(12.0, strings=2, backfeed_a=5.0)) == 17.0
    assert float(reverse_current(12.0, strings=1)) == 0.0
    assert float(most_unfused_strings(12.0, series_fuse_a=20.0, backfeed_a=25.0)) == 0.0


@settings(max_examples=60, deadline=None)
@drawn(
    isc_a=st.floats(0.5, 25.0),
    strings=st.integers(1, 40),
    series_fuse_a=st.floats(1.0, 60.0),
    gain=st.floats(0.0, 0.4),
)
def test_more_strings_and_more_light_never_need_less_protection(
    isc_a: float, strings: int, series_fuse_a: float, gain: float
) -> None:
    """Need for fuses grows with strings and current, and is where the greatest number says."""
    one_a = float(design_current(isc_a))
    lit_a = float(
        design_current(bifacial_current(isc_a, bifaciality_ratio=1.0, rear_irradiance_ratio=gain))
    )
    assert lit_a >= one_a
    needed = string_fuses_needed(one_a, strings=strings, series_fuse_a=series_fuse_a)
    more = string_fuses_needed(lit_a, strings=strings + 1, series_fuse_a=series_fuse_a)
    assert not needed or more
    most = int(most_unfused_strings(one_a, series_fuse_a=series_fuse_a))
    slack_a = 1e-6 * one_a
    assert float(reverse_current(one_a, strings=most)) <= series_fuse_a + slack_a
    assert float(reverse_current(one_a, strings=most + 1)) > series_fuse_a - slack_a
