"""Each gate alone stops what it must stop, and nothing else."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from arraywright.commissioning.expected import expected_values
from arraywright.commissioning.gates import Gate, gate_codes, irradiance_change
from arraywright.commissioning.verdicts import CommissioningResult, judge
from arraywright.errors import CallError
from arraywright.findings import Verdict
from tests.commissioning.invented import (
    NOON,
    NOW,
    make_instruments,
    make_modules,
    make_readings,
    make_site,
    make_type,
)

SITE = make_site(20)
MODULES = make_modules(SITE, spread=0.003)
RNG = np.random.default_rng(5)
SCATTER = 1.0 + 0.001 * RNG.standard_normal(20)
EXPECTED = expected_values(MODULES, make_type(), irradiance_w_m2=800.0, cell_temp_c=45.0)
SOUND = make_readings(
    SITE, expected_voc_v=EXPECTED.voc_v * SCATTER, expected_isc_a=EXPECTED.isc_a * SCATTER
)
LIGHT = {"voc", "isc"}
EARTH = {"insulation", "continuity"}
ALL = {"polarity", *LIGHT, *EARTH}
VICTIM = "S00010"


def result(readings: pl.DataFrame, instruments: pl.DataFrame | None = None) -> CommissioningResult:
    """Judge readings of the sound site."""
    return judge(
        SITE,
        readings=readings,
        instruments=make_instruments() if instruments is None else instruments,
        modules=MODULES,
        now_utc=NOW,
        not_before_utc=dt.datetime(2026, 5, 1, tzinfo=dt.UTC),
    )


def changed(**values: object) -> pl.DataFrame:
    """Give the sound readings with columns of one string changed."""
    return SOUND.with_columns(
        [
            pl.when(pl.col("string") == VICTIM)
            .then(pl.lit(value, dtype=SOUND.schema[name]))
            .otherwise(pl.col(name))
            .alias(name)
            for name, value in values.items()
        ]
    )


def stopped(found: CommissioningResult, name: str = VICTIM) -> set[str]:
    """Tests of a string that cannot be assessed."""
    row = found.strings.row(by_predicate=pl.col("string") == name, named=True)
    return {test for test in ALL if row[f"{test}_verdict"] == "not_assessable"}


def test_sound_readings_pass() -> None:
    """Without a fault and with everything given every string passes."""
    found = result(SOUND)
    assert found.strings["verdict"].unique().to_list() == ["pass"]
    assert found.strings["outcome"].unique().to_list() == ["consistent"]
    assert {f.verdict for f in found.findings} == {Verdict.PASS}


@pytest.mark.parametrize(
    ("values", "tests", "words"),
    [
        ({"irradiance_w_m2": None}, LIGHT, "irradiance is missing"),
        ({"irradiance_w_m2": -3.0}, LIGHT, "irradiance cannot be true"),
        ({"irradiance_w_m2": 8000.0}, LIGHT, "irradiance cannot be true"),
        ({"module_temp_c": None}, LIGHT, "neither module nor air temperature"),
        ({"module_temp_c": 420.0}, LIGHT, "temperature cannot be true"),
        ({"meter": None}, {"polarity", *LIGHT}, "meter is not named"),
        ({"meter": "M9"}, {"polarity", *LIGHT}, "meter is not named or not in the list"),
        ({"irradiance_sensor": "G9"}, LIGHT, "irradiance sensor is not named"),
        ({"thermometer": None}, LIGHT, "thermometer is not named"),
        ({"insulation_tester": "R9"}, EARTH, "insulation tester is not named"),
        ({"insulation_tester": None}, {"insulation"}, "insulation tester is not named"),
        ({"voc_v": None}, {"polarity", "voc"}, "there is no reading of it"),
        ({"voc_v": 99000.0}, {"voc"}, "value cannot be true"),
        ({"isc_a": None}, {"isc"}, "there is no reading of it"),
        ({"isc_a": -11.0}, {"isc"}, "value cannot be true"),
        ({"riso_pos_megohm": None}, {"insulation"}, "only one pole was tested"),
        ({"riso_pos_megohm": None, "riso_neg_megohm": None}, {"insulation"}, "no reading of it"),
        ({"riso_neg_megohm": -1.0}, {"insulation"}, "value cannot be true"),
        ({"riso_test_voltage_v": None}, {"insulation"}, "test voltage is missing"),
        ({"riso_test_voltage_v": 1000.0}, {"insulation"}, "test voltage is below"),
        ({"earth_continuity_ohm": None}, {"continuity"}, "there is no reading of it"),
        ({"earth_continuity_ohm": -0.2}, {"continuity"}, "value cannot be true"),
        ({"polarity": "perhaps"}, {"polarity"}, "value cannot be true"),
        ({"measured_at": NOW + dt.timedelta(hours=1)}, ALL, "lies in the future"),
        ({"measured_at": dt.datetime(2026, 4, 1, 11, tzinfo=dt.UTC)}, ALL, "older than"),
        (
            {"measured_at": dt.datetime(2026, 6, 15, 1, 0, tzinfo=dt.UTC)},
            LIGHT,
            "below the horizon",
        ),
        (
            {"measured_at": dt.datetime(2026, 6, 15, 5, 15, tzinfo=dt.UTC)},
            LIGHT,
            "behind the plane",
        ),
    ],
)
def test_each_gate_alone_stops_its_tests(
    values: dict[str, object], tests: set[str], words: str
) -> None:
    """One thing wrong stops the tests that depend on it, says why, and never passes."""
    found = result(changed(**values))
    assert stopped(found) == tests
    row = found.strings.row(by_predicate=pl.col("string") == VICTIM, named=True)
    assert row["verdict"] == "not_assessable"
    assert any(words in reason for reason in row["reasons"])
    said = [f for f in found.findings if f.subject == VICTIM and words in f.message]
    assert said
    assert all(f.remedy for f in said)
    others = found.strings.filter(pl.col("string") != VICTIM)["verdict"]
    assert others.unique().to_list() == ["pass"]


def test_low_irradiance_stops_current_before_voltage() -> None:
    """Between 200 W/m2 and the site's least irradiance only Isc is stopped; below 200 both."""
    for irradiance, expected in ((300.0, {"isc"}), (150.0, LIGHT)):
        low = expected_values(MODULES, make_type(), irradiance_w_m2=irradiance, cell_temp_c=30.0)
        readings = make_readings(
            SITE,
            expected_voc_v=low.voc_v,
            expected_isc_a=low.isc_a,
            irradiance_w_m2=irradiance,
            cell_temp_c=30.0,
        )
        found = result(readings)
        assert stopped(found) == expected
        assert set(found.strings["verdict"]) == {"not_assessable"}


def test_moving_irradiance_stops_both_sides_of_the_step() -> None:
    """A step of 8 % between two readings of one sensor stops Isc of both, not Voc."""
    moved = SOUND.with_columns(
        irradiance_w_m2=pl.when(pl.int_range(pl.len()) >= 10).then(864.0).otherwise(800.0),
        isc_a=pl.col("isc_a") * pl.when(pl.int_range(pl.len()) >= 10).then(1.08).otherwise(1.0),
    )
    found = result(moved)
    assert stopped(found, "S00010") == {"isc"}
    assert stopped(found, "S00011") == {"isc"}
    assert stopped(found, "S00012") == set()
    other_sensor = moved.with_columns(
        irradiance_sensor=pl.when(pl.int_range(pl.len()) >= 10)
        .then(pl.lit("G2"))
        .otherwise(pl.lit("G1"))
    )
    two = pl.concat([make_instruments(), make_instruments(instrument=["a", "G2", "b", "c"])])
    assert stopped(result(other_sensor, two), "S00010") == set()


def test_change_is_counted_only_between_readings_close_in_time() -> None:
    """Readings further apart than the window, or of another sensor, tell nothing."""
    change = irradiance_change(
        np.array([1000.0, 900.0, 900.0, 500.0, np.nan]),
        np.array([0.0, 60.0, 1000.0, 61.0, 62.0]),
        sensor=np.array([1, 1, 1, 2, 1]),
        window_s=300.0,
    )
    np.testing.assert_allclose(change, [0.1, 0.1, np.nan, np.nan, np.nan])


def test_lapsed_calibration_is_judged_on_the_local_day() -> None:
    """An instrument is good until the end of its due day where the site is, not in UTC."""
    late = dt.datetime(2026, 6, 14, 23, 30, tzinfo=dt.UTC)
    for site_zone, expected in (("Europe/Madrid", True), ("UTC", False)):
        site = make_site(1, time_zone=site_zone)
        found = judge(
            site,
            readings=SOUND.head(1).with_columns(measured_at=pl.lit(late)),
            instruments=make_instruments(calibration_due_on=[dt.date(2026, 6, 14)] * 4),
            modules=make_modules(site, spread=0.003),
            now_utc=NOW,
        )
        assert (found.strings["continuity_verdict"][0] == "not_assessable") is expected


def test_a_new_certificate_covers_only_days_after_it() -> None:
    """A reading before the calibration is not covered by it; an older certificate covers it."""
    new = make_instruments(calibrated_on=[dt.date(2026, 6, 16)] * 4)
    assert stopped(result(SOUND, new)) == ALL
    old = make_instruments(calibration_due_on=[dt.date(2026, 6, 15)] * 4)
    assert stopped(result(SOUND, pl.concat([new, old]))) == set()
    found = result(SOUND, new)
    said = {f.subject for f in found.findings if f.check == "instrument-calibration"}
    assert said == {"M1", "G1", "T1", "R1"}


def test_contradicting_readings_of_one_moment_stop_that_test_only() -> None:
    """Two voltages at one moment leave Voc open; the same row twice changes nothing."""
    twice = pl.concat([SOUND, SOUND.filter(pl.col("string") == VICTIM)])
    assert stopped(result(twice)) == set()
    other = SOUND.filter(pl.col("string") == VICTIM).with_columns(voc_v=pl.col("voc_v") - 20.0)
    found = result(pl.concat([SOUND, other]))
    assert stopped(found) == {"voc"}
    assert any("contradict" in f.message for f in found.findings)


def test_a_wrong_time_zone_shows_as_more_light_than_the_sky_gives() -> None:
    """Noon light at an early hour cannot be true, so clock or zone are doubted."""
    early = SOUND.with_columns(pl.col("measured_at") - dt.timedelta(hours=4, minutes=15))
    found = result(early)
    assert stopped(found) == LIGHT
    assert "more than the sky can give" in found.readings["voc_gates"][0]


def test_rows_of_unknown_strings_and_without_time_are_reported_not_lost() -> None:
    """Every row is in the table of readings, and unusable ones have a finding each."""
    odd = pl.concat(
        [
            SOUND,
            SOUND.head(1).with_columns(string=pl.lit("X-7")),
            SOUND.head(1).with_columns(string=pl.lit(None, dtype=pl.String)),
            SOUND.slice(1, 1).with_columns(
                measured_at=pl.lit(None, dtype=SOUND.schema["measured_at"])
            ),
        ]
    )
    found = result(odd)
    assert len(found.readings) == len(odd)
    unusable = [f for f in found.findings if f.check == "reading-unusable"]
    assert sorted(f.subject for f in unusable) == ["S00002", "X-7", "without name"]
    assert len(found.strings) == len(SITE.strings)


def test_string_without_reading_is_listed() -> None:
    """A string nobody tested is not assessable and has its own finding."""
    found = result(SOUND.filter(pl.col("string") != VICTIM))
    row = found.strings.row(by_predicate=pl.col("string") == VICTIM, named=True)
    assert row["verdict"] == "not_assessable"
    assert row["reasons"] == ["no reading of this string"]
    assert [f.check for f in found.findings if f.subject == VICTIM] == ["string-unread"]


def test_no_reading_at_all_gives_a_whole_list() -> None:
    """An empty table gives every string as unread."""
    found = result(SOUND.clear())
    assert found.strings["verdict"].to_list() == ["not_assessable"] * 20


def test_positions_are_needed_to_check_the_sun() -> None:
    """Without the plane of a string its light tests are open."""
    site = replace(SITE, positions=SITE.positions.clear())
    found = judge(
        site, readings=SOUND, instruments=make_instruments(), modules=MODULES, now_utc=NOW
    )
    assert stopped(found) == LIGHT


def test_unstated_uncertainty_is_said_once_per_instrument() -> None:
    """Defaults are used in the open: one finding for review per instrument and kind."""
    plain = make_instruments(
        voltage_uncertainty_ratio=[None] * 4, temperature_uncertainty_k=[None] * 4
    )
    found = result(SOUND, plain)
    said = [f for f in found.findings if f.check == "instrument-uncertainty"]
    assert sorted(f.subject for f in said) == ["M1", "T1"]
    assert all(f.verdict is Verdict.REVIEW for f in said)
    assert (
        found.strings["voc_deviation_u_ratio"][3]
        > result(SOUND).strings["voc_deviation_u_ratio"][3]
    )


def test_times_without_zone_and_missing_columns_are_refused() -> None:
    """A caller who leaves the zone or a required column away gets an error with a remedy."""
    naive = SOUND.with_columns(pl.col("measured_at").dt.replace_time_zone(None))
    with pytest.raises(CallError, match="time zone"):
        result(naive)
    with pytest.raises(CallError, match="measured_at"):
        result(SOUND.drop("measured_at"))
    with pytest.raises(CallError, match="time zone"):
        judge(
            SITE,
            readings=SOUND,
            instruments=make_instruments(),
            modules=MODULES,
            now_utc=NOON.replace(tzinfo=None),
        )
    with pytest.raises(CallError, match="required tests"):
        judge(
            SITE,
            readings=SOUND,
            instruments=make_instruments(),
            modules=MODULES,
            now_utc=NOW,
            required_tests=["volts"],
        )


def test_gate_keys_are_stable_words() -> None:
    """Masks turn into keys that other rooms can rely on."""
    mask = (Gate.IRRADIANCE_LOW | Gate.METER_LAPSED).value
    assert gate_codes(mask) == ["irradiance-low", "meter-lapsed"]
