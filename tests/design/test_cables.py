"""Cables: design currents, drop, yearly loss, next size, and every check of this room."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from arraywright.design.cable_checks import NEEDS_CABLE_DEVICE, NEEDS_COMBINER_BOX
from arraywright.design.cables import (
    array_design_current_a,
    equivalent_hours_h,
    next_sizes_mm2,
    run_drop_v,
    size_options,
    string_design_current_a,
    yearly_loss_kwh,
)
from arraywright.design.check import DesignCheck, Practice, check_design, evaluate_check
from arraywright.design.conductors import nec_size_mm2
from arraywright.errors import CallError
from arraywright.findings import Verdict
from arraywright.sources import SOURCES
from tests.design.cable_cases import BREAKS, CASES, SOUND
from tests.published_values import published

NAMES = [f"{check.key}-{practice.value}" for check, practice in CASES]
NEC = published("nec-conductor-examples")


def _values(check: DesignCheck, changes: dict[str, float]) -> dict[str, float | None]:
    held = SOUND | changes
    return {one.name: held[one.name] for one in check.inputs}


@pytest.mark.parametrize(("check", "practice"), CASES, ids=NAMES)
def test_sound_cables_pass(check: DesignCheck, practice: Practice) -> None:
    """The invented string passes, with its numbers in the sentence and worked out."""
    done = check_design(check, subject="S001", practice=practice, values=_values(check, {}))
    assert done.finding.verdict is Verdict.PASS, done.worked
    assert done.finding.remedy == ""
    assert "{" not in done.finding.message
    assert "nan" not in done.finding.message
    for one in check.inputs:
        assert f"{one.symbol} = " in done.worked


@pytest.mark.parametrize(("check", "practice"), CASES, ids=NAMES)
def test_a_mistake_fails_with_a_remedy(check: DesignCheck, practice: Practice) -> None:
    """One mistake breaks each check, and the finding says what to do."""
    values = _values(check, BREAKS[check.key])
    done = check_design(check, subject="S001", practice=practice, values=values)
    assert done.finding.verdict is Verdict.FAIL, done.worked
    assert done.finding.remedy
    assert "{" not in done.finding.remedy


@pytest.mark.parametrize(("check", "practice"), CASES, ids=NAMES)
def test_what_is_not_described_is_never_a_pass(check: DesignCheck, practice: Practice) -> None:
    """Each input in turn is missed by its key."""
    for one in check.inputs:
        values = _values(check, {}) | {one.name: None}
        done = check_design(check, subject="S001", practice=practice, values=values)
        assert done.finding.verdict is Verdict.NOT_ASSESSABLE
        assert one.key in done.finding.remedy


def test_checks_are_told_apart() -> None:
    """A key stands once per practice, an input name means one key, and every basis is a source."""
    seen = Counter((check.key, practice) for check, practice in CASES)
    assert max(seen.values()) == 1
    assert {key for key, _ in seen} == set(BREAKS)
    keys: dict[str, str] = {}
    for check, practice in CASES:
        assert check.basis[practice].split(" ")[0] in SOURCES
        for one in check.inputs:
            assert keys.setdefault(one.name, one.key) == one.key
    assert set(BREAKS) >= NEEDS_CABLE_DEVICE | NEEDS_COMBINER_BOX


@pytest.mark.parametrize(("check", "practice"), CASES, ids=NAMES)
def test_variants_are_worked_out_together(check: DesignCheck, practice: Practice) -> None:
    """A thousand variants at once give what each gives alone."""
    changed = BREAKS[check.key]
    many = {
        one.name: np.where(
            np.arange(1000) % 2 == 0,
            SOUND[one.name],
            changed.get(one.name, SOUND[one.name]),
        )
        for one in check.inputs
    }
    margin = evaluate_check(check, many).margin
    assert margin.shape == (1000,)
    assert np.all(margin[::2] >= 0.0)
    assert np.all(margin[1::2] < 0.0)


def test_a_circuit_without_a_device_is_not_called_protected() -> None:
    """Without a fuse the check of the device gives no pass."""
    for check, practice in CASES:
        if check.key in NEEDS_CABLE_DEVICE:
            none = {"string_fuse_a": 0.0, "array_device_a": 0.0}
            done = check_design(
                check, subject="S001", practice=practice, values=_values(check, none)
            )
            assert done.finding.verdict is Verdict.NOT_ASSESSABLE


def test_drop_of_a_published_example() -> None:
    """The course's circuit of 16 AWG drops 4 V."""
    held = NEC["voltage_drop"]
    drop = run_drop_v(
        nec_size_mm2(held["size"]),
        conductor_length_m=2.0 * held["length_ft"] * 0.3048,
        current_a=held["current_a"],
        conductor_temp_c=75.0,
        practice=Practice.NEC,
    )
    assert drop == pytest.approx(held["drop_v"], abs=held["tolerance_v"])


def test_string_current_with_and_without_fuses() -> None:
    """Other strings drive a faulty string's cable unless a fuse holds them back."""
    got = string_design_current_a(
        17.5, strings=[1, 2, 3, 10], string_fuse_a=0.0, device_a=[0.0, 0.0, 0.0, 160.0]
    )
    assert got.tolist() == [17.5, 17.5, 35.0, 317.5]
    assert string_design_current_a(17.5, strings=10, string_fuse_a=25.0) == 25.0
    assert string_design_current_a(17.5, strings=10, string_fuse_a=10.0) == 17.5
    assert array_design_current_a([100.0, 200.0], device_a=160.0).tolist() == [160.0, 200.0]


def test_yearly_loss_two_ways() -> None:
    """Summing squares over the year and the equivalent hours give one loss."""
    current = np.array([2.0, 6.0, 12.0])
    hours = np.array([1500.0, 1200.0, 400.0])
    direct = yearly_loss_kwh(0.4, current_a=current, duration_h=hours)
    squared, plain = equivalent_hours_h(current, duration_h=hours, rated_current_a=13.0)
    assert direct == pytest.approx(0.4 * 13.0**2 * squared / 1000.0, rel=1e-12)
    assert plain * 13.0 == pytest.approx(float(current @ hours), rel=1e-12)
    assert squared < plain


def test_loss_refuses_what_cannot_be() -> None:
    """Currents without their hours are no year."""
    with pytest.raises(CallError):
        yearly_loss_kwh(0.4, current_a=np.ones(3), duration_h=np.ones(2))
    with pytest.raises(CallError):
        yearly_loss_kwh(0.4, current_a=np.ones(2), duration_h=np.array([1.0, -1.0]))


def test_next_sizes() -> None:
    """Sizes follow one another and end somewhere."""
    assert next_sizes_mm2(6.0, practice=Practice.IEC) == (4.0, 10.0)
    assert next_sizes_mm2(1.5, practice=Practice.IEC) == (None, 2.5)
    assert next_sizes_mm2(240.0, practice=Practice.IEC) == (185.0, None)
    down, up = next_sizes_mm2(5.26, practice=Practice.NEC)
    assert (down, up) == (nec_size_mm2("12"), nec_size_mm2("8"))


def test_size_options_tell_cost_and_fit() -> None:
    """The three sizes stand side by side; a cost that is not known is not guessed."""
    options = size_options(
        6.0,
        practice=Practice.IEC,
        laying=0,
        material=1,
        ambient_temp_c=40.0,
        circuits=1,
        design_current_a=60.0,
        conductor_length_m=200.0,
        rated_current_a=13.0,
        rated_voltage_v=1000.0,
        conductor_temp_c=20.0,
        drop_limit_percent=1.5,
        loss_equivalent_h=1000.0,
        cost_per_m={4.0: 0.8, 6.0: 1.1},
    )
    assert options["area_mm2"].to_list() == [4.0, 6.0, 10.0]
    assert options["fits"].to_list() == [False, True, True]
    assert options["ampacity_a"].to_list() == [55.0, 70.0, 98.0]
    assert options["cost_difference"].to_list() == pytest.approx([-60.0, 0.0, None])
    # 3.39 ohm/km, 200 m, 13 A: 0.678 ohm.
    assert options["drop_percent"][1] == pytest.approx(0.8814)
    assert options["loss_kwh"][1] == pytest.approx(114.582)


@given(
    st.floats(min_value=0.5, max_value=400.0),
    st.floats(min_value=0.5, max_value=400.0),
    st.sampled_from(list(Practice)),
)
def test_thicker_cable_never_raises_the_drop(one: float, other: float, practice: Practice) -> None:
    """The check's margin only grows with the string cable's cross-section."""
    check = next(c for c, p in CASES if c.key == "dc-voltage-drop" and p is practice)
    held = {name: np.asarray(number) for name, number in SOUND.items()}
    held["string_area_mm2"] = np.array(sorted((one, other)))
    margin = evaluate_check(check, held).margin
    assert margin[0] <= margin[1]
