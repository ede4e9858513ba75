"""How often the second verdict sees one shorted bypass diode, against the best any test can do."""

import datetime as dt
from functools import cache

import numpy as np
import polars as pl
import pytest
from scipy import stats

from arraywright.commissioning.expected import expected_values
from arraywright.commissioning.verdicts import judge
from tests.commissioning.invented import (
    BETA,
    NOON,
    NOW,
    make_instruments,
    make_modules,
    make_readings,
    make_site,
    make_type,
)
from tests.published_values import published

ORACLE = published("diode-detection-oracle")
STRINGS = 12_000
FAULTY_EVERY = 40


@cache
def judged(scatter_k: float, modules_lost: float) -> tuple[float, float]:
    """Detection and false alarms of simulated strings whose cells scatter in temperature.

    Irradiance, temperature and the meter's common error drift slowly; every fortieth string
    has lost this share of a module's voltage.
    """
    rng = np.random.default_rng(20260615)
    site = make_site(STRINGS)
    modules = make_modules(site, spread=0.003)
    hours = np.arange(STRINGS) % 300 / 60.0
    common_k = 1.5 * np.sin(hours) + 2.0
    value = expected_values(
        modules,
        make_type(),
        irradiance_w_m2=800.0,
        cell_temp_c=25.0 + common_k + scatter_k * rng.standard_normal(STRINGS),
    )
    faulty = np.arange(STRINGS) % FAULTY_EVERY == 7
    voc = value.voc_v * (1.0 - np.where(faulty, modules_lost / 28.0, 0.0))
    voc = voc * 1.002 * (1.0 + 0.0003 * rng.standard_normal(STRINGS))
    isc = value.isc_a * (1.0 + 0.004 * rng.standard_normal(STRINGS))
    # one string a minute, five hours a day
    times = [
        NOON - dt.timedelta(days=i // 300, hours=1.5) + dt.timedelta(minutes=i % 300)
        for i in range(STRINGS)
    ]
    found = judge(
        site,
        readings=make_readings(
            site, expected_voc_v=voc, expected_isc_a=isc, cell_temp_c=25.0, measured_at=times
        ),
        instruments=make_instruments(),
        modules=modules,
        now_utc=NOW,
    )
    deviates = (found.strings["verdict_measurement"] == "review").to_numpy()
    assert (found.strings["verdict"] == "not_assessable").sum() == 0
    return float(deviates[faulty].mean()), float(deviates[~faulty].mean())


CASES = list(zip(ORACLE["inputs"]["scatter_k"], ORACLE["expected"]["detection_ratio"], strict=True))


@pytest.mark.parametrize(("scatter_k", "oracle_ratio"), CASES)
def test_one_shorted_bypass_diode_is_seen_as_often_as_can_be(
    scatter_k: float, oracle_ratio: float
) -> None:
    """Detection comes within a tenth of the likelihood-ratio oracle at each scatter."""
    detected, _ = judged(scatter_k, 1.0 / 3.0)
    assert detected == pytest.approx(oracle_ratio, abs=ORACLE["tolerance"]["detection_ratio"])
    # second method: the most powerful one-sided test at this type's own coefficient
    shift = (1.0 / 84.0) / np.hypot(scatter_k * abs(BETA), 0.0003)
    best = float(stats.norm.sf(stats.norm.isf(0.001) - shift))
    assert detected <= best + 0.06
    assert detected >= best - 0.12


@pytest.mark.parametrize("scatter_k", ORACLE["inputs"]["scatter_k"])
def test_false_alarms_stay_within_what_the_site_allows(scatter_k: float) -> None:
    """Of 11,700 sound strings about one in a thousand is flagged, never more than 2.5."""
    _, false_alarms = judged(scatter_k, 1.0 / 3.0)
    assert false_alarms <= 0.0025


def test_a_missing_module_is_practically_always_seen() -> None:
    """One module of 28 is found in at least 99 % even with 2 K of scatter."""
    detected, _ = judged(2.0, 1.0)
    assert detected >= 0.99


def test_five_per_cent_alone_sees_none_of_them() -> None:
    """The standard's tolerance passes every string with a shorted bypass diode."""
    site = make_site(40)
    modules = make_modules(site, spread=0.003)
    value = expected_values(modules, make_type(), irradiance_w_m2=800.0, cell_temp_c=45.0)
    voc = value.voc_v * np.where(np.arange(40) % 10 == 3, 1.0 - 1.0 / 84.0, 1.0)
    found = judge(
        site,
        readings=make_readings(site, expected_voc_v=voc, expected_isc_a=value.isc_a),
        instruments=make_instruments(),
        modules=modules,
        now_utc=NOW,
    ).strings
    assert found["verdict_standard"].unique().to_list() == ["pass"]
    assert found.filter(pl.col("verdict") == "review").height >= 3
