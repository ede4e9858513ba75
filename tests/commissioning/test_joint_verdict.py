"""The joint verdict as it reaches people: columns, findings, and where to open."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.commissioning.budget import STRING_CAUSES
from arraywright.commissioning.choice import cause_column
from arraywright.commissioning.expected import expected_values
from arraywright.commissioning.isolation import ISOLATION_CAUTION
from arraywright.commissioning.verdicts import CommissioningResult, judge
from arraywright.plant import Commissioning
from tests.commissioning.invented import (
    NOW,
    make_instruments,
    make_modules,
    make_readings,
    make_site,
    make_type,
)

STRINGS = 120
SITE = make_site(STRINGS)
MODULES = make_modules(SITE, spread=0.003)
EXPECTED = expected_values(MODULES, make_type(), irradiance_w_m2=800.0, cell_temp_c=45.0)
NOISE = np.random.default_rng(5).standard_normal((2, STRINGS))
SOUND = make_readings(
    SITE,
    expected_voc_v=EXPECTED.voc_v * (1.0 + 0.002 * NOISE[0]),
    expected_isc_a=EXPECTED.isc_a * (1.0 + 0.003 * NOISE[1]),
)
VICTIM = "S00021"


def _judged(
    readings: pl.DataFrame, *, commissioning: Commissioning | None = None
) -> CommissioningResult:
    return judge(
        make_site(STRINGS, commissioning=commissioning),
        readings=readings,
        instruments=make_instruments(),
        modules=MODULES,
        now_utc=NOW,
    )


def _scaled(name: str, factor: float) -> pl.DataFrame:
    return SOUND.with_columns(
        pl.when(pl.col("string") == VICTIM)
        .then(pl.col(name) * factor)
        .otherwise(pl.col(name))
        .alias(name)
    )


def test_every_cause_has_a_column_and_together_they_are_certain() -> None:
    """Probabilities of a string add up to 1; that of a sound one is the one told in words."""
    strings = _judged(_scaled("voc_v", 27 / 28)).strings
    columns = [cause_column(name) for name in STRING_CAUSES]
    assert len(set(columns)) == len(STRING_CAUSES)
    total = strings.select(total=pl.sum_horizontal(columns))["total"].to_numpy()
    assert total == pytest.approx(np.ones(STRINGS), abs=1e-6)
    assert strings["p_none"].to_numpy() == pytest.approx(
        strings["sound_probability"].to_numpy(), abs=1e-8
    )
    row = strings.row(by_predicate=pl.col("string") == VICTIM, named=True)
    likeliest = max(STRING_CAUSES[1:], key=lambda name: row[cause_column(name)])
    assert likeliest == row["likely_key"]
    assert row[cause_column(likeliest)] == pytest.approx(row["likely_probability"], abs=1e-8)


def test_missing_module_fails_jointly_and_the_standard_stands_beside_it() -> None:
    """A module less of 28 is within five percent: the standard passes it, and both are shown."""
    result = _judged(_scaled("voc_v", 27 / 28))
    row = result.strings.row(by_predicate=pl.col("string") == VICTIM, named=True)
    assert row["session_verdict"] == "fail"
    assert row["verdict_standard"] == "pass"
    assert row["verdict"] == "review"
    assert row["session_evidence"] > row["session_evidence_limit"]
    assert row["likely_key"] == "module-missing"
    assert row["voc_session_v"] == pytest.approx(row["voc_v"] * 28 / 27, rel=0.01)
    assert 8 <= row["open_after_module"] <= 20
    assert f"modules {row['open_after_module']} and" in row["open_next"]
    assert row["open_caution"] == ISOLATION_CAUTION
    told = [one for one in result.findings if one.check == "string-explained"]
    assert [one.subject for one in told] == [VICTIM]
    assert ISOLATION_CAUTION in told[0].remedy
    others = result.strings.filter(pl.col("string") != VICTIM)
    assert others["open_next"].unique().to_list() == [""]
    assert others["session_verdict"].unique().to_list() == ["pass"]


def test_budget_of_the_site_moves_the_limit() -> None:
    """Fewer false alarms ask for more evidence, and a doubtful string is then let pass jointly."""
    readings = _scaled("voc_v", 1.0 - 0.0095)
    loose = _judged(readings, commissioning=Commissioning(site_false_alarms=5.0))
    strict = _judged(readings, commissioning=Commissioning(site_false_alarms=0.001))
    limits = [one.strings["session_evidence_limit"][0] for one in (loose, strict)]
    assert limits[1] > limits[0] + 2.0
    verdicts = [
        one.strings.filter(pl.col("string") == VICTIM)["session_verdict"].item()
        for one in (loose, strict)
    ]
    assert verdicts[0] in {"review", "fail"}
    assert verdicts[1] == "pass"


def test_verdict_changes_only_by_a_further_reading() -> None:
    """Read again, the newest reading decides; the earlier one stays in the table of readings."""
    low = _scaled("voc_v", 27 / 28)
    later = SOUND.filter(pl.col("string") == VICTIM).with_columns(
        measured_at=pl.col("measured_at") + dt.timedelta(hours=2)
    )
    before, after = _judged(low), _judged(pl.concat([low, later]))

    def verdict(result: CommissioningResult) -> str:
        return str(result.strings.filter(pl.col("string") == VICTIM)["verdict_measurement"].item())

    assert verdict(before) == "review"
    assert verdict(after) != "review"
    kept = after.readings.filter(pl.col("string") == VICTIM)
    assert kept.height == 2
    assert kept["counts_for"].list.len().to_list()[0] == 0


def _with_load(readings: pl.DataFrame, *, low: float = 1.0) -> pl.DataFrame:
    """Add currents under load with 1 % of scatter, one string's lower."""
    load = EXPECTED.isc_a * (13.07 / 13.87) * (1.0 + 0.01 * NOISE[0][::-1])
    return readings.with_columns(load_a=pl.Series(load)).with_columns(
        load_a=pl.when(pl.col("string") == VICTIM)
        .then(pl.col("load_a") * low)
        .otherwise(pl.col("load_a"))
    )


def test_high_resistance_shows_under_load_alone() -> None:
    """Voc and Isc as they should be and ten percent less current under load: a poor contact."""
    result = _judged(_with_load(SOUND, low=0.90))
    row = result.strings.row(by_predicate=pl.col("string") == VICTIM, named=True)
    assert row["session_verdict"] in {"review", "fail"}
    assert row["likely_key"] == "series-resistance-high"
    assert row["load_like_ratio"] == pytest.approx(-0.10, abs=0.03)
    assert row["open_next"] == ""
    assert row["verdict_standard"] == "pass"
    others = result.strings.filter(pl.col("string") != VICTIM)
    assert others["session_verdict"].unique().to_list() == ["pass"]


@pytest.mark.parametrize("missing", [("voc_v",), ("voc_v", "isc_a")])
def test_current_alone_explains_but_never_passes(missing: tuple[str, ...]) -> None:
    """Without a voltage no string is passed jointly, whatever its currents say."""
    result = _judged(_with_load(SOUND).with_columns([pl.lit(None).alias(name) for name in missing]))
    assert result.strings["session_verdict"].unique().to_list() == ["not_assessable"]
    assert result.strings["sound_probability"].null_count() == 0


@settings(max_examples=12, deadline=None)
@given(data=st.data())
def test_missing_or_invalid_readings_never_pass_jointly(data: st.DataObject) -> None:
    """Whatever is missing or impossible in a third of the readings, those strings do not pass."""
    spoilt = data.draw(
        st.lists(
            st.sampled_from(
                [
                    ("voc_v", None),
                    ("voc_v", float("nan")),
                    ("voc_v", 0.0),
                    ("voc_v", -1400.0),
                    ("voc_v", 1e6),
                    ("irradiance_w_m2", None),
                    ("irradiance_w_m2", 5.0),
                    ("irradiance_w_m2", 5000.0),
                    ("module_temp_c", None),
                    ("module_temp_c", 400.0),
                    ("measured_at", None),
                    ("string", "no such string"),
                    ("meter", "unknown"),
                ]
            ),
            min_size=1,
            max_size=3,
        )
    )
    bad = pl.int_range(pl.len()) % 3 == 0
    readings = SOUND.with_columns(_bad=bad)
    for name, value in spoilt:
        held = pl.lit(value, dtype=SOUND.schema[name])
        readings = readings.with_columns(
            pl.when(pl.col("_bad")).then(held).otherwise(pl.col(name)).alias(name)
        )
    result = _judged(readings.drop("_bad"))
    rows = result.strings.filter(pl.int_range(pl.len()) % 3 == 0)
    assert "pass" not in rows["session_verdict"].to_list()
    assert "pass" not in rows["verdict"].to_list()


def test_site_without_readings_passes_nothing() -> None:
    """No reading at all: every string is not assessable, and nothing is advised to be opened."""
    result = _judged(SOUND.head(0))
    assert result.strings["session_verdict"].unique().to_list() == ["not_assessable"]
    assert result.strings["open_next"].unique().to_list() == [""]
