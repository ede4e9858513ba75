"""Insulation limits by voltage and size, dry and wet, and leakage in parallel."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.commissioning.insulation import (
    ArrayInsulation,
    InsulationWeather,
    array_insulation,
    expected_parallel_megohm,
    least_sound_megohm,
    module_insulation_megohm,
)
from arraywright.commissioning.standard import FAIL, NOT_ASSESSABLE, PASS, REVIEW
from tests.commissioning.invented import make_modules, make_site
from tests.published_values import published

AREA = published("module-insulation")
SOUND: dict[str, Any] = {
    "test_voltage_v": 1500.0,
    "voc_stc_v": 1389.0,
    "power_kw": 15.3,
    "area_m2": 2.58,
    "modules": 28,
}


def _one(value: float, **changes: Any) -> tuple[int, str]:
    found: ArrayInsulation = array_insulation(value, **(SOUND | changes))
    return int(found.verdict[0]), found.reason[0]


def test_limit_of_a_module_follows_its_area() -> None:
    """Small modules need 400 Mohm, larger ones 40 Mohm m2."""
    found = module_insulation_megohm(AREA["inputs"]["area_m2"])
    np.testing.assert_allclose(found, AREA["expected"]["least_megohm"], rtol=1e-12)
    assert np.isnan(module_insulation_megohm([0.0, -1.0, np.nan])).all()


def test_modules_in_parallel_show_their_share() -> None:
    """A thousand modules of 2.5 m2 at the limit show 16 kohm between them."""
    assert expected_parallel_megohm(2.5, 1000)[()] == pytest.approx(0.016)
    assert np.isnan(expected_parallel_megohm(2.5, 0))
    resistances = np.full(1000, module_insulation_megohm(2.5)[()])
    assert 1.0 / np.sum(1.0 / resistances) == pytest.approx(0.016)


def test_strings_of_a_site_have_their_least_sound_value() -> None:
    """A string of 28 modules of 2.58 m2 may show 0.55 Mohm with sound modules."""
    site = make_site(2)
    found = least_sound_megohm(site, make_modules(site))
    np.testing.assert_allclose(found, 40.0 / (28 * 2.278 * 1.134), rtol=1e-12)


@pytest.mark.parametrize(
    ("value", "changes", "verdict", "words"),
    [
        (60.0, {}, PASS, ""),
        (1.0, {}, PASS, ""),
        (0.9, {"power_kw": 8.0}, FAIL, "too low"),
        (0.4, {}, FAIL, "too low"),
        (0.2, {"modules": 280, "power_kw": 153.0}, NOT_ASSESSABLE, "test in parts"),
        (0.01, {"modules": 280, "power_kw": 153.0}, FAIL, "too low"),
        (1.05, {"resistance_u_ratio": 0.1}, REVIEW, "doubt"),
        (60.0, {"test_voltage_v": 1000.0}, NOT_ASSESSABLE, "below the one required"),
        (60.0, {"test_voltage_v": np.nan}, NOT_ASSESSABLE, "test voltage is missing"),
        (np.nan, {}, NOT_ASSESSABLE, "no reading"),
        (-1.0, {}, NOT_ASSESSABLE, "cannot be true"),
        (60.0, {"voc_stc_v": np.nan}, NOT_ASSESSABLE, "not known"),
        (60.0, {"weather": np.nan}, NOT_ASSESSABLE, "dry or wet"),
        (60.0, {"weather": InsulationWeather.WET}, PASS, ""),
        (60.0, {"weather": InsulationWeather.WET, "area_m2": np.nan}, NOT_ASSESSABLE, "area"),
        (1.2, {"weather": InsulationWeather.WET, "modules": 4}, REVIEW, "wet connector"),
    ],
)
def test_each_case_has_its_verdict_and_reason(
    value: float, changes: dict[str, Any], verdict: int, words: str
) -> None:
    """Limits, size, test voltage, weather and the tester's doubt each have their say."""
    found, reason = _one(value, **changes)
    assert found == verdict
    assert words in reason
    assert bool(reason) == (verdict != PASS)


@settings(deadline=None)
@given(
    value=st.floats(allow_nan=True, allow_infinity=True),
    at_v=st.one_of(st.just(np.nan), st.floats(0.0, 2000.0)),
    voc=st.one_of(st.just(np.nan), st.floats(-10.0, 2000.0)),
    modules=st.one_of(st.just(np.nan), st.integers(0, 5000)),
    area=st.one_of(st.just(np.nan), st.floats(0.0, 4.0)),
    weather=st.sampled_from([0.0, 1.0, np.nan, 7.0]),
    u=st.one_of(st.just(np.nan), st.floats(0.0, 1.0)),
)
def test_missing_data_never_pass(
    value: float,
    at_v: float,
    voc: float,
    modules: float,
    area: float,
    weather: float,
    u: float,
) -> None:
    """Whatever is read, a pass needs value, voltages, weather and doubt, all of them good."""
    verdict, _ = _one(
        value,
        test_voltage_v=at_v,
        voc_stc_v=voc,
        modules=modules,
        area_m2=area,
        weather=weather,
        resistance_u_ratio=u,
    )
    if verdict == PASS:
        assert np.isfinite(value)
        assert value >= 0.5
        assert np.isfinite(at_v)
        assert at_v >= 0.99 * 250.0
        assert voc > 0.0
        assert weather in {0.0, 1.0}
        assert np.isfinite(u)
        if weather == 1.0:
            assert modules > 0
            assert area > 0.0
