"""The joint verdict as it reaches people: columns, findings, and where to open."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

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
