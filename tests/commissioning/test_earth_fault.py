"""Earth faults along strings, against the trade's formula and simulated strings."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from arraywright.arrays import offsets_from_lengths
from arraywright.commissioning.earth_fault import (
    EarthFaults,
    EarthFaultState,
    locate_earth_faults,
)
from arraywright.commissioning.earth_fault_report import EarthFaultResult, judge_earth_faults
from arraywright.commissioning.tables import STRING_READINGS
from arraywright.errors import CallError
from arraywright.findings import Verdict
from benchmarks._earth_truth import EarthTruth, make_earth_faults
from tests.commissioning.invented import NOON, NOW, make_instruments, make_modules, make_site
from tests.published_values import published

FORMULA = published("earth-fault-formula")
METER_ERROR = 0.005


def _ideal(**changes: Any) -> EarthFaults:
    """Locate the faults of the worked cases with a meter without error."""
    held = FORMULA["inputs"]
    modules = np.array(held["modules"])
    voc = modules * np.array(held["module_voc_v"])
    inputs: dict[str, Any] = {
        "module_voc_v": np.repeat(held["module_voc_v"], modules),
        "offsets": offsets_from_lengths(modules),
        "string_voc_v": voc,
        "string_voc_u_v": 0.0,
        "meter_u_ratio": 0.0,
    } | changes
    return locate_earth_faults(held["pos_earth_v"], held["neg_earth_v"], **inputs)


def test_place_is_that_of_the_formula_in_the_ideal_case() -> None:
    """Equal modules, a dead fault and a perfect meter give voltage over Voc of one module."""
    found = _ideal()
    assert (found.state == EarthFaultState.LOCATED).all()
    np.testing.assert_allclose(found.position, FORMULA["expected"]["position"], atol=1e-9)
    held = FORMULA["inputs"]
    by_formula = np.array(held["pos_earth_v"]) / np.array(held["module_voc_v"])
    np.testing.assert_allclose(found.position, by_formula, atol=1e-9)
    np.testing.assert_allclose(found.fault_megohm, 0.0, atol=1e-12)


def _located(truth: EarthTruth, *, least_sound_megohm: float) -> EarthFaults:
    strings, modules = truth.module_voc_v.shape
    return locate_earth_faults(
        truth.pos_earth_v,
        truth.neg_earth_v,
        module_voc_v=truth.module_voc_v.ravel(),
        offsets=offsets_from_lengths(np.full(strings, modules)),
        string_voc_v=truth.string_voc_v,
        string_voc_u_v=METER_ERROR / np.sqrt(3.0) * truth.string_voc_v,
        meter_u_ratio=METER_ERROR / np.sqrt(3.0),
        least_sound_megohm=least_sound_megohm,
    )


@pytest.mark.parametrize("sound_megohm", [20.0, 500.0])
@pytest.mark.parametrize("fault_megohm", [(1e-4, 0.05), (0.05, 0.3)])
def test_faults_of_simulated_strings_are_found_within_half_a_module(
    sound_megohm: float, fault_megohm: tuple[float, float]
) -> None:
    """With a meter good to 0.5 % every one of 2,000 faults is placed within half a module."""
    truth = make_earth_faults(
        2000,
        modules=28,
        meter_error_ratio=METER_ERROR,
        input_megohm=10.0,
        sound_megohm=sound_megohm,
        seed=11,
        fault_megohm=fault_megohm,
    )
    found = _located(truth, least_sound_megohm=5.0)
    assert (found.state == EarthFaultState.LOCATED).all()
    assert np.max(np.abs(found.position - truth.position)) < 0.5
    held = (found.position_low <= truth.position) & (truth.position <= found.position_high)
    assert held.mean() > 0.95
    assert np.median(found.position_high - found.position_low) < 1.0
    module = np.floor(truth.position) + 1
    assert ((found.module_first <= module) & (module <= found.module_last)).mean() > 0.95
    apart = np.abs(found.fault_megohm - truth.fault_megohm)
    assert (apart < 4.0 * found.fault_u_megohm + 0.02 * truth.fault_megohm).all()


def test_unequal_modules_are_counted_off_one_by_one() -> None:
    """Half of the voltage lies behind the stronger modules, not in the middle of the string."""
    found = locate_earth_faults(
        [100.0],
        [-100.0],
        module_voc_v=[50.0, 50.0, 25.0, 25.0, 25.0, 25.0],
        offsets=[0, 6],
        string_voc_v=200.0,
        string_voc_u_v=0.0,
        meter_u_ratio=0.001,
    )
    assert found.position[0] == pytest.approx(2.0)
    assert (found.module_first[0], found.module_last[0]) == (2, 3)


def test_a_worse_meter_and_weaker_insulation_widen_the_interval() -> None:
    """The interval grows with the meter's error and with what the sound rest may leak."""
    widths = [
        (found.position_high - found.position_low)[2]
        for found in (
            _ideal(meter_u_ratio=0.002),
            _ideal(meter_u_ratio=0.01),
            _ideal(meter_u_ratio=0.01, string_voc_u_v=10.0, least_sound_megohm=1.0),
        )
    ]
    assert widths[0] < widths[1] < widths[2]


@pytest.mark.parametrize(
    ("pos", "neg", "voc", "state"),
    [
        (np.nan, -700.0, 1388.8, EarthFaultState.MISSING),
        (700.0, np.nan, 1388.8, EarthFaultState.MISSING),
        (700.0, -688.8, np.nan, EarthFaultState.MISSING),
        (700.0, -688.8, 5.0, EarthFaultState.NO_VOLTAGE),
        (900.0, -900.0, 1388.8, EarthFaultState.CONTRADICTORY),
        (-700.0, -688.8, 1388.8, EarthFaultState.CONTRADICTORY),
        (3.0, -2.0, 1388.8, EarthFaultState.NOT_SEEN),
        (600.0, -600.0, 1388.8, EarthFaultState.NOT_SEEN),
        (700.0, 688.8, 1388.8, EarthFaultState.LOCATED),
    ],
)
def test_what_the_voltages_cannot_tell_is_not_told(
    pos: float, neg: float, voc: float, state: EarthFaultState
) -> None:
    """Missing, impossible and too small voltages locate nothing; a missing sign does no harm."""
    found = locate_earth_faults(
        [pos],
        [neg],
        module_voc_v=np.full(28, 49.6),
        offsets=[0, 28],
        string_voc_v=voc,
        string_voc_u_v=5.0,
        meter_u_ratio=0.003,
        least_sound_megohm=0.55,
    )
    assert found.state.tolist() == [state]
    located = state == EarthFaultState.LOCATED
    assert np.isfinite(found.position[0]) == located
    assert (found.module[0] > 0) == located


def test_shapes_that_do_not_fit_are_refused() -> None:
    """One pair of voltages for two strings is an error of the call."""
    with pytest.raises(CallError, match="one pair a string"):
        locate_earth_faults(
            [1.0],
            [-1.0],
            module_voc_v=[40.0, 40.0],
            offsets=[0, 1, 2],
            string_voc_v=40.0,
            string_voc_u_v=0.0,
            meter_u_ratio=0.0,
        )


@settings(deadline=None)
@given(
    pos=st.floats(allow_nan=True, allow_infinity=True),
    neg=st.floats(allow_nan=True, allow_infinity=True),
    voc=st.one_of(st.just(1388.8), st.floats(allow_nan=True, allow_infinity=True)),
    meter_u=st.floats(min_value=0.0, max_value=0.5),
    sound=st.floats(min_value=0.0, max_value=1e6),
)
@example(pos=0.0, neg=0.0, voc=1.74533314e308, meter_u=0.0, sound=0.0)
@example(pos=1.7e308, neg=-1.7e308, voc=1388.8, meter_u=0.0, sound=0.0)
def test_whatever_is_read_the_place_lies_in_the_string_or_nowhere(
    pos: float, neg: float, voc: float, meter_u: float, sound: float
) -> None:
    """Any numbers give a place within the string with an interval around it, or none."""
    found = locate_earth_faults(
        [pos],
        [neg],
        module_voc_v=np.full(28, 49.6),
        offsets=[0, 28],
        string_voc_v=voc,
        string_voc_u_v=5.0,
        meter_u_ratio=meter_u,
        least_sound_megohm=sound,
    )
    if found.state[0] == EarthFaultState.LOCATED:
        low, place, high = found.position_low[0], found.position[0], found.position_high[0]
        assert 0.0 <= low <= place <= high <= 28.0
        assert 1 <= found.module_first[0] <= found.module[0] <= found.module_last[0] <= 28
    else:
        assert np.isnan(found.position[0])
        assert found.module[0] == 0


SITE = make_site(8)
MODULES = make_modules(SITE, spread=0.004)


def _judged(**columns: object) -> EarthFaultResult:
    """Judge one reading of the third string."""
    row: dict[str, object] = {
        "string": ["S00003"],
        "measured_at": [NOON],
        "voc_v": [1330.0],
        "pos_earth_v": [426.5],
        "neg_earth_v": [-902.0],
        "meter": ["M1"],
    }
    readings = pl.DataFrame(
        row | columns,
        schema_overrides={
            name: dtype for name, dtype in STRING_READINGS.schema.items() if name in row | columns
        },
    ).match_to_schema(STRING_READINGS.schema, missing_columns="insert")
    return judge_earth_faults(
        SITE, readings=readings, instruments=make_instruments(), modules=MODULES, now_utc=NOW
    )


def test_a_fault_of_the_site_is_told_with_module_serial_and_caution() -> None:
    """The finding names the module, its serial and the interval, and shows the caution."""
    found = _judged()
    row = found.faults.row(0, named=True)
    assert (row["state"], row["verdict"], row["counts"]) == ("located", "fail", True)
    assert row["module"] == 9
    assert row["position"] == pytest.approx(28 * 426.5 / 1328.5, abs=0.2)
    assert row["serial"] == f"N{2 * 28 + 8:08d}"
    finding = found.findings[0]
    assert finding.verdict is Verdict.FAIL
    assert "modules 9 to 10" in finding.message or "module 9" in finding.message
    assert "second fault" in finding.remedy
    assert "Never open a connector" in finding.remedy


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"neg_earth_v": [None]}, "both voltages"),
        ({"meter": ["M9"]}, "meter is not named"),
        ({"string": ["S99"]}, "no string of this name"),
        ({"measured_at": [NOW + dt.timedelta(days=1)]}, "in the future"),
        ({"voc_v": [None]}, "irradiance is missing"),
        ({"pos_earth_v": [1200.0]}, "contradict"),
    ],
)
def test_readings_that_are_not_valid_locate_nothing(
    columns: dict[str, list[Any]], words: str
) -> None:
    """A reading outside valid conditions is not assessable, says why and what to do."""
    typed = {
        name: pl.Series(value, dtype=STRING_READINGS.schema[name])
        for name, value in columns.items()
    }
    found = _judged(**typed)
    assert found.faults["verdict"].to_list() == ["not_assessable"]
    assert words in found.faults["words"][0]
    assert found.faults["position"].null_count() == 1
    assert [one.verdict for one in found.findings] == [Verdict.NOT_ASSESSABLE]


def test_small_voltages_prove_no_insulation() -> None:
    """A string whose poles both lie near earth has no finding and no pass."""
    found = _judged(pos_earth_v=[4.0], neg_earth_v=[-3.0])
    assert found.faults["verdict"].to_list() == ["not_assessable"]
    assert "proves no insulation" in found.faults["words"][0]
    assert found.findings == ()


def test_the_expected_voltage_stands_in_where_the_string_was_not_read() -> None:
    """With light and temperature given, the modules' own Voc takes the place of the reading."""
    found = _judged(
        voc_v=pl.Series([None], dtype=pl.Float64),
        irradiance_w_m2=[850.0],
        module_temp_c=[32.0],
        irradiance_sensor=["G1"],
        thermometer=["T1"],
    )
    assert found.faults["state"].to_list() == ["located"]
    assert found.faults["module"].to_list() == [9]


def test_no_readings_give_empty_tables() -> None:
    """A site without pole-to-earth voltages gets a table without rows."""
    empty = pl.DataFrame(schema=STRING_READINGS.schema)
    found = judge_earth_faults(
        SITE, readings=empty, instruments=make_instruments(), modules=MODULES, now_utc=NOW
    )
    assert (found.faults.height, found.findings) == (0, ())


def test_only_a_later_insulation_test_clears_a_fault() -> None:
    """Small voltages afterwards leave the fault standing; a passing insulation test ends it."""
    at = [NOON, NOON + dt.timedelta(hours=1)]
    fault: dict[str, Any] = {
        "string": ["S00003"] * 2,
        "measured_at": at,
        "voc_v": [1330.0, None],
        "pos_earth_v": [426.5, None],
        "neg_earth_v": [-902.0, None],
        "meter": ["M1"] * 2,
    }
    insulation = {
        "riso_pos_megohm": [None, 60.0],
        "riso_neg_megohm": [None, 55.0],
        "riso_test_voltage_v": [None, 1500.0],
        "insulation_tester": [None, "R1"],
    }
    seen = _judged(
        **fault
        | {"voc_v": [1330.0] * 2, "pos_earth_v": [426.5, 3.0], "neg_earth_v": [-902.0, -3.0]}
    )
    assert seen.faults["counts"].to_list() == [True, False]
    assert len(seen.findings) == 1
    cleared = _judged(**fault | insulation)
    assert cleared.faults["counts"].to_list() == [False]
    assert "later insulation test" in cleared.faults["words"][0]
    assert cleared.findings == ()
    before = _judged(**fault | insulation | {"measured_at": at[::-1]})
    assert before.faults["counts"].to_list() == [True]
    one_pole = _judged(**fault | insulation | {"riso_neg_megohm": [None, None]})
    assert one_pole.faults["counts"].to_list() == [True]
