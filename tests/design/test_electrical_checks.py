"""Every electrical check passes, fails, and says what it lacks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st

from arraywright.design.check import DesignCheck, Practice, check_design, evaluate_check
from arraywright.design.currents import CHECKS as CURRENT_CHECKS
from arraywright.design.currents import NEEDS_STRING_FUSES
from arraywright.design.surge import NEEDS_SURGE_DEVICES
from arraywright.design.voltage import CHECKS as VOLTAGE_CHECKS
from arraywright.findings import Verdict
from arraywright.sources import SOURCES
from tests.design.electrical_cases import ALL, BROKEN, SOUND, cases, given

CASES = cases()
NAMES = [f"{check.key}-{practice.value}" for check, practice in CASES]


@pytest.mark.parametrize(("check", "practice"), CASES, ids=NAMES)
def test_sound_string_passes(check: DesignCheck, practice: Practice) -> None:
    """The invented string passes, with its numbers in the sentence and nothing to do."""
    done = check_design(check, subject="S001", practice=practice, values=given(check, {}))
    assert done.finding.verdict is Verdict.PASS, done.finding.message
    assert done.finding.margin is not None
    assert done.finding.margin >= 0.0
    assert done.finding.remedy == ""
    assert "{" not in done.finding.message
    assert all(one.symbol in done.worked for one in check.inputs)


@pytest.mark.parametrize(("check", "practice"), CASES, ids=NAMES)
def test_broken_string_fails(check: DesignCheck, practice: Practice) -> None:
    """One change breaks it, and the finding says what to do."""
    changed = BROKEN[check.key]
    done = check_design(check, subject="S001", practice=practice, values=given(check, changed))
    expected = Verdict.REVIEW if check.advisory else Verdict.FAIL
    assert done.finding.verdict is expected, done.worked
    assert done.finding.margin is not None
    assert done.finding.margin < 0.0
    assert done.finding.remedy


@pytest.mark.parametrize(("check", "practice"), CASES, ids=NAMES)
def test_missing_inputs_are_named_and_never_pass(check: DesignCheck, practice: Practice) -> None:
    """Each input in turn is missed, with the key that would say it."""
    for one in check.inputs:
        values = given(check, {}) | {one.name: None}
        done = check_design(check, subject="S001", practice=practice, values=values)
        assert done.finding.verdict is Verdict.NOT_ASSESSABLE
        assert one.key in done.finding.remedy


def test_checks_are_told_apart() -> None:
    """A key stands once per practice, and every basis is a source."""
    seen = [(check.key, practice) for check, practice in CASES]
    assert len(seen) == len(set(seen))
    for check in ALL:
        for basis in check.basis.values():
            assert basis.split(" ")[0] in SOURCES, basis
    assert {check.key for check in ALL} >= NEEDS_STRING_FUSES | NEEDS_SURGE_DEVICES


def test_no_sentence_reads_as_a_permission() -> None:
    """Checks advise: they never call anything safe, approved or compliant."""
    for check in ALL:
        text = f"{check.passing} {check.remedy}".lower()
        for word in ("safe to", "approved", "complies", "compliant", "may proceed", "may be built"):
            assert word not in text, f"{check.key}: {word}"


def test_practices_differ_where_the_standards_differ() -> None:
    """The NEC asks for a larger disconnector and another string fuse than the IEC."""
    limits = {}
    for check, practice in CASES:
        if check.key in {"disconnector-current", "string-fuse-least", "string-fuse-most"}:
            values = {name: np.asarray(float(held)) for name, held in SOUND.items()}
            limits[check.key, practice] = float(evaluate_check(check, values).limit[0])
    nec, iec = Practice.NEC, Practice.IEC
    assert limits["disconnector-current", nec] == pytest.approx(
        1.25 * limits["disconnector-current", iec]
    )
    assert limits["string-fuse-least", nec] / limits["string-fuse-least", iec] == pytest.approx(
        1.5625 / 1.5
    )
    assert limits["string-fuse-most", nec] == limits["string-fuse-most", iec] == 30.0


def test_fuses_protect_many_strings() -> None:
    """Twelve strings on one input need fuses; with sound fuses a faulty string is protected."""
    check = next(one for one in CURRENT_CHECKS if one.key == "string-reverse-current")
    verdicts = [
        check_design(
            check,
            subject="S001",
            practice=Practice.IEC,
            values=given(check, {"strings": 12, "string_fuse_a": fuse_a}),
        ).finding.verdict
        for fuse_a in (0.0, 25.0, 40.0)
    ]
    assert verdicts == [Verdict.FAIL, Verdict.PASS, Verdict.FAIL]


def test_string_close_below_its_limit_is_to_be_reviewed() -> None:
    """Less than one in a hundred of room is shown to a person."""
    check = next(one for one in VOLTAGE_CHECKS if one.key == "string-voc-cold-module")
    values = given(check, {"modules": 27, "min_air_temp_c": -17.0})
    done = check_design(check, subject="S001", practice=Practice.IEC, values=values)
    assert done.finding.verdict is Verdict.REVIEW, done.worked


def test_temperatures_below_the_table_are_not_guessed() -> None:
    """Colder than the code's table is not assessable by it."""
    check = next(one for one in VOLTAGE_CHECKS if one.key == "string-voc-cold-table")
    values = given(check, {"min_air_temp_c": -45.0})
    done = check_design(check, subject="S001", practice=Practice.NEC, values=values)
    assert done.finding.verdict is Verdict.NOT_ASSESSABLE


@settings(max_examples=30, deadline=None)
@drawn(
    lengths=st.lists(st.integers(1, 40), min_size=2, max_size=12),
    min_air_temp_c=st.floats(-39.0, 20.0),
)
def test_longer_strings_never_raise_the_margin_to_the_voltage_limits(
    lengths: list[int], min_air_temp_c: float
) -> None:
    """All checks of too much voltage lose margin with every module, those of too little gain."""
    values = {name: np.asarray(float(held)) for name, held in SOUND.items()}
    values["modules"] = np.sort(np.asarray(lengths, dtype=np.float64))
    values["min_air_temp_c"] = np.asarray(min_air_temp_c)
    for check in VOLTAGE_CHECKS:
        change = np.diff(evaluate_check(check, values).margin)
        if check.sense == "at most":
            assert np.all(change <= 1e-9), check.key
        else:
            assert np.all(change >= -1e-9), check.key


def test_variants_are_worked_out_at_once() -> None:
    """Two hundred variants in one call give what two hundred calls give."""
    count = 200
    spread = np.linspace(0.9, 1.1, count)
    values = {name: np.full(count, float(held)) for name, held in SOUND.items()}
    for name in ("voc_v", "isc_a", "min_air_temp_c", "modules", "ground_flash_density"):
        values[name] = values[name] * spread
    for check in ALL:
        at_once = evaluate_check(check, values)
        assert at_once.margin.shape in {(count,), (1,)}
        for index in (0, 77, count - 1):
            alone = evaluate_check(
                check, {name: np.asarray(held[index]) for name, held in values.items()}
            )
            place = index if at_once.margin.shape == (count,) else 0
            np.testing.assert_allclose(at_once.margin[place], alone.margin[0], rtol=1e-9)


@pytest.mark.parametrize(
    ("key", "changed", "value", "limit"),
    [
        # 24 x 41.95 x (1 - 0.0034 x 47) x 0.95
        ("string-vmp-hot", {}, 803.617, 500.0),
        # 24 x 49.8 x (1 - 0.00265 x 47) x 0.95
        ("string-voc-start", {}, 994.020, 550.0),
        # the lesser of module and inverter counts, whichever it is
        ("string-voc-cold-table", {"max_voltage_v": 1100.0}, 24 * 49.8 * 1.14, 1100.0),
        ("string-voc-cold-table", {"max_system_voltage_v": 1000.0}, 24 * 49.8 * 1.14, 1000.0),
        # 2 x 1.25 x 1.1 x 13.98 x (1 + 0.7 x 0.1)
        ("input-short-circuit-current", {"irradiance_correction_ratio": 1.1}, 41.13615, 115.0),
        # 2 x 1.25 x 1.1 x 13.98 x 1.07 + 4
        (
            "string-reverse-current",
            {
                "strings": 3,
                "string_fuse_a": 0.0,
                "irradiance_correction_ratio": 1.1,
                "backfeed_a": 4.0,
            },
            45.13615,
            30.0,
        ),
    ],
)
def test_checks_give_what_is_worked_out_by_hand(
    key: str, changed: dict[str, float], value: float, limit: float
) -> None:
    """Value and limit of composed checks are those of the formula with the numbers put in."""
    check = next(one for one in ALL if one.key == key)
    done = check_design(check, subject="S001", practice=Practice.IEC, values=given(check, changed))
    assert done.finding.value == pytest.approx(value, rel=1e-6)
    assert done.finding.limit == pytest.approx(limit, rel=1e-9)
