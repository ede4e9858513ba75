"""What must hold for any readings."""

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from arraywright.commissioning.expected import expected_values
from arraywright.commissioning.verdicts import CommissioningResult, judge
from tests.commissioning.invented import (
    NOW,
    make_instruments,
    make_modules,
    make_readings,
    make_site,
    make_type,
)

COUNT = 12
SITE = make_site(COUNT)
MODULES = make_modules(SITE, spread=0.003)
EXPECTED = expected_values(MODULES, make_type(), irradiance_w_m2=800.0, cell_temp_c=45.0)
SOUND = make_readings(SITE, expected_voc_v=EXPECTED.voc_v, expected_isc_a=EXPECTED.isc_a)
NEEDED = (
    "measured_at",
    "voc_v",
    "isc_a",
    "irradiance_w_m2",
    "module_temp_c",
    "riso_pos_megohm",
    "riso_neg_megohm",
    "riso_test_voltage_v",
    "earth_continuity_ohm",
    "meter",
    "irradiance_sensor",
    "thermometer",
    "insulation_tester",
)
NUMBERS = tuple(name for name in NEEDED if SOUND.schema[name] == pl.Float64)


def judged(readings: pl.DataFrame) -> CommissioningResult:
    """Judge readings of the small site."""
    return judge(
        SITE, readings=readings, instruments=make_instruments(), modules=MODULES, now_utc=NOW
    )


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, COUNT - 1), st.sampled_from(NEEDED)), min_size=1, max_size=20)
)
def test_missing_data_never_passes(gaps: list[tuple[int, str]]) -> None:
    """Whatever is taken away from a reading, its string does not pass."""
    readings = SOUND
    for row, name in gaps:
        readings = readings.with_columns(
            pl.when(pl.int_range(pl.len()) == row).then(None).otherwise(pl.col(name)).alias(name)
        )
    verdicts = judged(readings).strings["verdict"].to_list()
    for row, _ in gaps:
        assert verdicts[row] != "pass"


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, COUNT - 1),
            st.sampled_from(NUMBERS),
            st.sampled_from([np.nan, np.inf, -np.inf, -1e12, 1e12, 0.0, -5.0]),
        ),
        min_size=1,
        max_size=12,
    )
)
def test_senseless_numbers_never_raise_and_no_row_is_lost(
    odd: list[tuple[int, str, float]],
) -> None:
    """Any number anywhere gives a verdict for every string and keeps every reading."""
    readings = SOUND
    for row, name, value in odd:
        readings = readings.with_columns(
            pl.when(pl.int_range(pl.len()) == row).then(value).otherwise(pl.col(name)).alias(name)
        )
    found = judged(readings)
    assert len(found.strings) == COUNT
    assert len(found.readings) == len(readings)
    assert set(found.strings["verdict"]) <= {"pass", "fail", "review", "not_assessable"}
    for row, name, value in odd[-1:]:
        if name != "earth_continuity_ohm" and not (name.startswith("riso") and value == 1e12):
            assert found.strings["verdict"][row] != "pass"


@settings(max_examples=15, deadline=None)
@given(st.permutations(range(COUNT + 4)), st.integers(0, 3))
def test_order_of_readings_is_irrelevant(order: list[int], doubled: int) -> None:
    """Shuffled rows give the same strings, readings and findings."""
    again = SOUND.slice(doubled, 4).with_columns(
        pl.col("measured_at") + dt.timedelta(hours=1), pl.col("voc_v") * 0.98
    )
    whole = pl.concat([SOUND, again])
    first, second = judged(whole), judged(whole[order])
    assert_frame_equal(first.strings, second.strings)
    assert_frame_equal(
        first.readings.drop("source_file", "source_row"),
        second.readings.drop("source_file", "source_row"),
    )
    assert first.findings == second.findings


def test_the_zone_of_the_times_is_irrelevant() -> None:
    """The same moments in another zone give the same verdicts."""
    elsewhere = SOUND.with_columns(pl.col("measured_at").dt.convert_time_zone("Asia/Tokyo"))
    assert_frame_equal(judged(SOUND).strings, judged(elsewhere).strings)
    late = judge(
        SITE,
        readings=SOUND,
        instruments=make_instruments(),
        modules=MODULES,
        now_utc=NOW.astimezone(ZoneInfo("Asia/Tokyo")),
    )
    assert_frame_equal(judged(SOUND).strings, late.strings)


def test_order_of_modules_given_is_irrelevant() -> None:
    """Modules given in another order of strings are matched by the strings' names."""
    turned = MODULES.take(np.arange(COUNT - 1, -1, -1))
    found = judge(SITE, readings=SOUND, instruments=make_instruments(), modules=turned, now_utc=NOW)
    assert_frame_equal(found.strings, judged(SOUND).strings)


def test_units_of_the_result_are_the_units_of_its_names() -> None:
    """Deviations are fractions, uncertainties are in the unit of their value."""
    low = judged(SOUND.with_columns(voc_v=pl.col("voc_v") * 0.9)).strings.row(0, named=True)
    assert abs(low["voc_deviation_ratio"] + 0.1) < 1e-6
    assert 2.0 < low["voc_expected_u_v"] < 40.0
    assert abs(low["voc_expected_v"] - EXPECTED.voc_v[0]) < 1e-6
    assert abs(low["voc_cell_temp_c"] - 45.0) < 1e-9
