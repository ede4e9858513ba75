"""Each fault alone is found, judged and named."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from arraywright.commissioning.causes import isc_cause, voc_cause
from arraywright.commissioning.expected import expected_values
from arraywright.commissioning.string_modules import string_modules
from arraywright.commissioning.verdicts import CommissioningResult, judge
from arraywright.findings import Verdict
from arraywright.physics import (
    SingleDiode,
    string_open_circuit_voltage,
    string_short_circuit_current,
)
from tests.commissioning.invented import (
    NOON,
    NOW,
    make_instruments,
    make_modules,
    make_readings,
    make_site,
    make_type,
)

SITE = make_site(40)
MODULES = make_modules(SITE, spread=0.003)
EXPECTED = expected_values(MODULES, make_type(), irradiance_w_m2=800.0, cell_temp_c=45.0)
NOISE = np.random.default_rng(3).standard_normal((2, 40))
VOC_V = EXPECTED.voc_v * (1.0 + 0.0015 * NOISE[0])
ISC_A = EXPECTED.isc_a * (1.0 + 0.003 * NOISE[1])
SOUND = make_readings(SITE, expected_voc_v=VOC_V, expected_isc_a=ISC_A)
VICTIM = "S00021"


def judged(readings: pl.DataFrame) -> CommissioningResult:
    """Judge readings of the site."""
    return judge(
        SITE, readings=readings, instruments=make_instruments(), modules=MODULES, now_utc=NOW
    )


def with_fault(**factors: float) -> tuple[dict[str, object], CommissioningResult]:
    """Scale columns of one string's reading and give its row and the whole result."""
    found = judged(
        SOUND.with_columns(
            [
                pl.when(pl.col("string") == VICTIM)
                .then(pl.col(name) * factor)
                .otherwise(pl.col(name))
                .alias(name)
                for name, factor in factors.items()
            ]
        )
    )
    row = found.strings.row(by_predicate=pl.col("string") == VICTIM, named=True)
    others = found.strings.filter(pl.col("string") != VICTIM)["verdict"]
    assert others.unique().to_list() == ["pass"]
    return row, found


@pytest.mark.parametrize(
    ("modules_lost", "verdict", "key"),
    [
        (1.0 / 3.0, "review", "bypass-diode-shorted"),
        (2.0 / 3.0, "review", "bypass-diode-shorted"),
        (1.0, "review", "module-missing"),
        (-1.0, "review", "module-surplus"),
        (2.0, "fail", "module-reversed"),
    ],
)
def test_lost_voltage_is_counted_in_modules(modules_lost: float, verdict: str, key: str) -> None:
    """Sub-strings and modules lost or won are told by their size; 5 % alone would miss most."""
    row, found = with_fault(voc_v=1.0 - modules_lost / 28.0)
    assert row["verdict"] == verdict
    assert row["verdict_measurement"] == "review"
    assert row["outcome"] == "deviates"
    assert str(row["cause_key"]).split(";")[0] == key
    assert "never open a connector under load" in str(row["caution"])
    mine = [f for f in found.findings if f.subject == VICTIM]
    assert all(f.remedy and f.basis for f in mine)
    assert {f.verdict for f in mine} >= {Verdict.REVIEW}


def test_reversed_string_fails_by_its_sign_whatever_the_meters_calibration() -> None:
    """A negative voltage fails polarity even in weak light and with a lapsed meter."""
    row, _ = with_fault(voc_v=-1.0)
    assert (row["verdict"], row["polarity_verdict"], row["voc_verdict"]) == ("fail", "fail", "pass")
    assert row["cause_key"] == "string-reversed"
    lapsed = judge(
        SITE,
        readings=SOUND.with_columns(voc_v=-pl.col("voc_v"), irradiance_w_m2=pl.lit(50.0)),
        instruments=make_instruments(calibration_due_on=[dt.date(2026, 2, 1)] * 4),
        modules=MODULES,
        now_utc=NOW,
    )
    assert lapsed.strings["verdict"].unique().to_list() == ["fail"]


def test_reversed_by_word_fails_too() -> None:
    """The word of the tester counts when the voltage carries no sign."""
    found = judged(SOUND.with_columns(polarity=pl.lit("Reversed")))
    assert found.strings["polarity_verdict"].unique().to_list() == ["fail"]
    sound = judged(SOUND.with_columns(polarity=pl.lit("correct")))
    assert sound.strings["verdict"].unique().to_list() == ["pass"]


@pytest.mark.parametrize(
    ("factor", "verdict", "key"),
    [(0.0, "fail", "string-open"), (0.90, "fail", "current-low"), (0.97, "review", "current-low")],
)
def test_low_current(factor: float, verdict: str, key: str) -> None:
    """A low current fails beyond 5 % and is reviewed where only the measurement sees it."""
    row, _ = with_fault(isc_a=factor)
    assert row["verdict"] == verdict
    assert str(row["cause_key"]).startswith(key)


def test_dead_string_has_no_voltage() -> None:
    """A string that is open somewhere reads next to nothing and fails."""
    row, _ = with_fault(voc_v=0.003)
    assert (row["verdict"], row["cause_key"]) == ("fail", "string-open")


@pytest.mark.parametrize("pole", ["riso_pos_megohm", "riso_neg_megohm"])
def test_low_insulation_fails_even_when_the_other_pole_was_not_tested(pole: str) -> None:
    """One bad pole is enough, and a missing other pole or test voltage does not hide it."""
    row, found = with_fault(**{pole: 0.01})
    assert (row["verdict"], row["insulation_verdict"]) == ("fail", "fail")
    finding = next(f for f in found.findings if f.check == "string-insulation")
    assert finding.limit == 1.0
    assert finding.margin is not None
    assert finding.margin < 0.0
    other = "riso_neg_megohm" if pole == "riso_pos_megohm" else "riso_pos_megohm"
    half = SOUND.with_columns(
        pl.lit(0.2).alias(pole),
        pl.lit(None, dtype=pl.Float64).alias(other),
        riso_test_voltage_v=pl.lit(None, dtype=pl.Float64),
    )
    assert judged(half).strings["insulation_verdict"].unique().to_list() == ["fail"]


def test_open_bond_fails() -> None:
    """Earth continuity above the site's limit fails."""
    row, _ = with_fault(earth_continuity_ohm=20.0)
    assert (row["verdict"], row["continuity_verdict"], row["cause_key"]) == (
        "fail",
        "fail",
        "earth-open",
    )


def _diode(isc_a: np.ndarray[tuple[int], np.dtype[np.float64]]) -> SingleDiode:
    """Modules of an invented type that differ in photocurrent alone."""
    ones = np.ones(len(isc_a))
    return SingleDiode(
        photocurrent_a=isc_a,
        saturation_current_a=1e-10 * ones,
        series_resistance_ohm=0.25 * ones,
        shunt_resistance_ohm=400.0 * ones,
        diode_voltage_v=1.93 * ones,
    )


def test_one_weak_module_hides_in_voc_and_isc() -> None:
    """One module 4 % weaker moves Isc and Voc by under 0.3 %: no reading of them can find it."""
    offsets = np.array([0, 28])
    sound = np.full(28, 13.9)
    weak = sound.copy()
    weak[4] *= 0.96

    def isc(photocurrent: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
        return float(string_short_circuit_current(_diode(photocurrent), offsets=offsets)[0])

    def voc(photocurrent: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
        return float(string_open_circuit_voltage(_diode(photocurrent), offsets=offsets)[0])

    assert abs(isc(weak) / isc(sound) - 1.0) < 0.003
    assert abs(voc(weak) / voc(sound) - 1.0) < 0.003
    assert isc(0.96 * sound) / isc(sound) - 1.0 == pytest.approx(-0.04, abs=0.001)


def test_cause_names_every_size_that_fits() -> None:
    """With a wide uncertainty the cause admits that several sizes fit."""
    sure = voc_cause(-1.0 / 84.0, 0.0005, modules=28, bypass_substrings=3)
    assert sure.key == "bypass-diode-shorted"
    assert "too few" not in sure.words
    unsure = voc_cause(-2.0 / 84.0, 0.006, modules=28, bypass_substrings=3)
    assert "too few" in unsure.words
    assert "1 bypass" not in unsure.words
    odd = voc_cause(-0.5 / 28.0, 0.0005, modules=28, bypass_substrings=3)
    assert odd.key == "voltage-low"
    assert "warmer" in odd.words
    assert voc_cause(0.5 / 28.0, 0.0005, modules=28, bypass_substrings=3).key == "voltage-high"


def test_other_class_is_named_when_its_current_fits() -> None:
    """A shift of the size between two power classes names the other class."""
    lower = isc_cause(13.80 / 13.94 - 1.0, 0.001, expected_stc_a=13.94, module_type=make_type())
    assert lower.key == "current-low-wrong-class"
    assert "540 W" in lower.words
    higher = isc_cause(13.94 / 13.80 - 1.0, 0.001, expected_stc_a=13.80, module_type=make_type())
    assert higher.key == "current-high-wrong-class"
    assert "550 W" in higher.words
    assert isc_cause(-0.2, 0.001, expected_stc_a=13.8, module_type=make_type()).key == "current-low"


def test_newest_valid_reading_counts_and_the_earlier_ones_stay() -> None:
    """A retest replaces a bad reading, a later invalid one does not, and all stay in the list."""
    bad = SOUND.filter(pl.col("string") == VICTIM).with_columns(
        measured_at=pl.lit(NOON - dt.timedelta(hours=1)), voc_v=pl.lit(900.0)
    )
    later = SOUND.filter(pl.col("string") == VICTIM).with_columns(
        measured_at=pl.lit(NOON + dt.timedelta(hours=1)),
        irradiance_w_m2=pl.lit(None, dtype=pl.Float64),
        isc_a=pl.lit(0.0),
    )
    found = judged(pl.concat([bad, SOUND, later]))
    row = found.strings.row(by_predicate=pl.col("string") == VICTIM, named=True)
    assert (row["verdict"], row["readings"]) == ("pass", 3)
    mine = found.readings.filter(pl.col("string") == VICTIM)
    counts = mine["counts_for"].to_list()
    assert counts[0] == []
    assert set(counts[1]) == {"voc", "isc"}
    assert set(counts[2]) == {"polarity", "insulation", "continuity"}
    again_bad = pl.concat(
        [SOUND, bad.with_columns(measured_at=pl.lit(NOON + dt.timedelta(hours=1)))]
    )
    assert judged(again_bad).strings.filter(pl.col("string") == VICTIM)["verdict"][0] == "fail"


def test_tests_may_come_in_separate_rows() -> None:
    """Voltage in one row, insulation an hour later in another, make one complete string."""
    electric = SOUND.with_columns(
        [
            pl.lit(None, dtype=SOUND.schema[name]).alias(name)
            for name in ("riso_pos_megohm", "riso_neg_megohm", "riso_test_voltage_v")
        ],
        earth_continuity_ohm=pl.lit(None, dtype=pl.Float64),
    )
    earth = SOUND.with_columns(
        [
            pl.lit(None, dtype=SOUND.schema[name]).alias(name)
            for name in ("voc_v", "isc_a", "irradiance_w_m2", "module_temp_c", "meter")
        ],
        measured_at=pl.col("measured_at") + dt.timedelta(hours=1),
    )
    assert judged(pl.concat([electric, earth])).strings["verdict"].unique().to_list() == ["pass"]
    assert judged(electric).strings["verdict"].unique().to_list() == ["not_assessable"]


def test_single_string_is_judged_against_its_own_modules_alone() -> None:
    """Without neighbours the measurement's verdict is open, the absolute one still stands."""
    site = make_site(1)
    modules = make_modules(site, spread=0.003)
    value = expected_values(modules, make_type(), irradiance_w_m2=800.0, cell_temp_c=45.0)

    def one(factor: float) -> dict[str, object]:
        readings = make_readings(
            site, expected_voc_v=value.voc_v * factor, expected_isc_a=value.isc_a
        )
        found = judge(
            site,
            readings=readings,
            instruments=make_instruments(),
            modules=modules,
            now_utc=NOW,
        )
        return found.strings.row(0, named=True)

    sound = one(1.0)
    assert sound["outcome"] == "not assessable: no neighbours"
    assert (sound["verdict"], sound["verdict_standard"]) == ("pass", "pass")
    assert sound["verdict_measurement"] == "not_assessable"
    assert any("neighbours" in reason for reason in sound["reasons"])  # type: ignore[attr-defined]
    assert one(1.0 - 1.0 / 28.0)["verdict"] == "review"
    assert one(0.93)["verdict"] == "fail"


def test_all_strings_off_together_is_said_of_the_site() -> None:
    """A soiled sensor shifts every Isc alike: neighbours agree, so the site is told."""
    found = judged(SOUND.with_columns(irradiance_w_m2=pl.col("irradiance_w_m2") * 0.90))
    said = [f for f in found.findings if f.check == "site-isc-common"]
    assert [f.subject for f in said] == ["G1"]
    assert said[0].value == pytest.approx(11.1, abs=0.3)
    assert not [f for f in judged(SOUND).findings if f.check == "site-isc-common"]


def test_unknown_modules_are_judged_with_their_tolerance() -> None:
    """Strings whose serials are unknown are judged by class values, and the reasons say so."""
    found = judge(
        SITE,
        readings=SOUND,
        instruments=make_instruments(),
        modules=string_modules(SITE),
        now_utc=NOW,
    )
    assert found.strings["verdict"].unique().to_list() == ["pass"]
    assert "data sheet values" in found.strings["reasons"][0][0]


def test_only_required_tests_are_needed() -> None:
    """A site that asks for no earth continuity passes without it."""
    bare = SOUND.with_columns(earth_continuity_ohm=pl.lit(None, dtype=pl.Float64))
    found = judge(
        SITE,
        readings=bare,
        instruments=make_instruments(),
        modules=MODULES,
        now_utc=NOW,
        required_tests=("polarity", "voc", "isc", "insulation"),
    )
    assert found.strings["verdict"].unique().to_list() == ["pass"]
