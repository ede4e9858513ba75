"""Rows against hand-worked spacing, another library's shade, and the sun itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from pvlib import shading

from arraywright.design import Practice, check_design, evaluate_check
from arraywright.design import spacing as sp
from arraywright.findings import Verdict
from arraywright.sources import SOURCES
from tests.published_values import published

EXAMPLES = published("row-spacing-examples")
OTHER = published("pvlib-shading")
CHECKS = {check.key: check for check in sp.CHECKS}
GOOD: dict[str, dict[str, float | None]] = {
    "row-pitch": {"pitch_m": 8.0, "slope_length_m": 4.0, "tilt_deg": 20.0, "profile_deg": 20.0},
    "row-aisle": {"pitch_m": 8.0, "slope_length_m": 4.0, "tilt_deg": 20.0, "aisle_m": 3.0},
    "shade-loss": {"shade_loss_ratio": 0.011, "shade_loss_max_ratio": 0.02},
}
BAD: dict[str, dict[str, float | None]] = {
    "row-pitch": {"pitch_m": 6.0},
    "row-aisle": {"pitch_m": 6.5},
    "shade-loss": {"shade_loss_ratio": 0.031},
}


@pytest.mark.parametrize("case", EXAMPLES["case"], ids=lambda case: str(case["height"]))
def test_hand_worked_spacing(case: dict[str, float]) -> None:
    """Shadow and spacing of public training material come out as printed."""
    shadow = sp.shadow_length(case["height"], sun_elevation_deg=case["sun_elevation_deg"])
    assert float(shadow) == pytest.approx(case["shadow"], abs=case["tolerance"])
    for side in (-1.0, 1.0):
        across = sp.shadow_across_rows(
            case["height"],
            sun_elevation_deg=case["sun_elevation_deg"],
            sun_azimuth_deg=180.0 + side * case["aside_deg"],
            azimuth_deg=180.0,
        )
        assert float(across) == pytest.approx(case["spacing"], abs=case["tolerance"])


def test_winter_sun_of_the_training_material() -> None:
    """The sun read from the chart for 9 and 15 h stands there."""
    case = EXAMPLES["sun"]
    sun = sp.winter_sun(
        year=2026,
        latitude_deg=case["latitude_deg"],
        longitude_deg=case["longitude_deg"],
        from_noon_min=np.array([-case["from_noon_min"], case["from_noon_min"]]),
    )
    slack = case["tolerance_deg"]
    np.testing.assert_allclose(90.0 - sun.zenith_deg, case["sun_elevation_deg"], atol=slack)
    np.testing.assert_allclose(np.abs(sun.azimuth_deg - 180.0), case["aside_deg"], atol=slack)


@pytest.mark.parametrize("latitude", [-33.0, 12.0, 48.0])
def test_noon_of_the_shortest_day(latitude: float) -> None:
    """At noon the winter sun stands 90 deg less latitude less the obliquity of 23.44 deg high."""
    sun = sp.winter_sun(year=2026, latitude_deg=latitude, longitude_deg=17.0)
    assert 90.0 - float(sun.true_zenith_deg[0]) == pytest.approx(
        90.0 - abs(latitude) - 23.44, abs=0.05
    )


def test_masking_angles_of_the_other_library() -> None:
    """The printed masking angles come out, and all others agree to 1e-9."""
    case = OTHER["masking"]
    found = sp.masking_angle(
        np.array(case["tilt_deg"]),
        cover_ratio=case["cover_ratio"],
        slant_ratio=case["slant_ratio"],
    )
    np.testing.assert_allclose(found, case["angle_deg"], atol=case["tolerance"])
    tilt, cover, slant = np.meshgrid(
        np.linspace(0, 90, 19), np.linspace(0, 0.9, 10), np.linspace(0, 1, 6)
    )
    np.testing.assert_allclose(
        sp.masking_angle(tilt, cover_ratio=cover, slant_ratio=slant),
        shading.masking_angle(tilt, cover, slant),
        atol=1e-9,
    )


@pytest.mark.parametrize("case", OTHER["shaded"], ids=lambda case: case["place"])
def test_shaded_fractions_of_the_other_library(case: dict[str, float]) -> None:
    """The other library's documented and tested fractions come out."""
    found = sp.shaded_fraction(
        90.0 - case["zenith_deg"],
        sun_azimuth_deg=case["sun_azimuth_deg"],
        azimuth_deg=case["azimuth_deg"],
        tilt_deg=case["tilt_deg"],
        slope_length_m=case["slope_length_m"],
        pitch_m=case["pitch_m"],
        ground_slope_deg=case["ground_slope_deg"],
    )
    assert float(found) == pytest.approx(case["fraction"], abs=case["tolerance"])


@given(
    elevation=st.floats(0.1, 89.0),
    aside=st.floats(-180.0, 180.0),
    facing=st.floats(0.0, 360.0),
    tilt=st.floats(0.0, 80.0),
    slope=st.floats(1.0, 8.0),
    gap=st.floats(0.1, 10.0),
    ground=st.floats(-15.0, 15.0),
)
def test_any_shaded_fraction_agrees_with_the_other_library(
    elevation: float,
    aside: float,
    facing: float,
    tilt: float,
    slope: float,
    gap: float,
    ground: float,
) -> None:
    """Wherever the sun lights the plane, both give the same fraction to 1e-9."""
    zenith = 90.0 - float(
        sp.profile_angle(elevation, sun_azimuth_deg=facing + aside, azimuth_deg=facing)
    )
    assume(abs(zenith - tilt) < 89.0)
    pitch = slope + gap
    ours = sp.shaded_fraction(
        elevation,
        sun_azimuth_deg=facing + aside,
        azimuth_deg=facing,
        tilt_deg=tilt,
        slope_length_m=slope,
        pitch_m=pitch,
        ground_slope_deg=ground,
    )
    theirs = shading.shaded_fraction1d(
        90.0 - elevation,
        facing + aside,
        facing - 90.0,
        tilt,
        collector_width=slope,
        pitch=pitch,
        cross_axis_slope=ground,
    )
    assert float(ours) == pytest.approx(float(theirs), abs=1e-9)


@given(
    slope=st.floats(1.0, 8.0),
    tilt=st.floats(1.0, 60.0),
    profile=st.floats(5.0, 85.0),
    aside=st.floats(-70.0, 70.0),
)
def test_the_least_pitch_is_the_first_without_shade(
    slope: float, tilt: float, profile: float, aside: float
) -> None:
    """At the least pitch there is no shade, a little nearer there is; the masking angle agrees."""
    pitch = float(sp.least_pitch(slope, tilt_deg=tilt, profile_deg=profile))
    elevation = np.degrees(np.arctan(np.tan(np.radians(profile)) * np.cos(np.radians(aside))))
    assume(elevation > 0.5)
    fractions = sp.shaded_fraction(
        elevation,
        sun_azimuth_deg=180.0 + aside,
        azimuth_deg=180.0,
        tilt_deg=tilt,
        slope_length_m=slope,
        pitch_m=np.array([pitch * (1 + 1e-9), pitch * 0.99]),
    )
    assert fractions[0] == pytest.approx(0.0, abs=1e-7)
    assert fractions[1] > 1e-4
    cover = sp.ground_cover_ratio(slope, pitch_m=pitch)
    assert float(sp.masking_angle(tilt, cover_ratio=cover)) == pytest.approx(profile, abs=1e-6)


def test_the_window_of_winter_finds_its_worst_moment() -> None:
    """South rows are worst at the ends of the window; rows facing east are worst in the morning."""

    def least(facing: float, window_min: float = 180.0) -> float:
        return sp.winter_profile_angle(
            year=2026,
            latitude_deg=48.0,
            longitude_deg=11.0,
            azimuth_deg=facing,
            tilt_deg=25.0,
            window_min=window_min,
        )

    ends = sp.winter_sun(
        year=2026,
        latitude_deg=48.0,
        longitude_deg=11.0,
        from_noon_min=np.array([-180.0, 180.0]),
    )
    for facing in (180.0, 90.0):
        by_ends = sp.profile_angle(
            90.0 - ends.zenith_deg, sun_azimuth_deg=ends.azimuth_deg, azimuth_deg=facing
        )
        assert least(facing) == pytest.approx(float(by_ends.min()), abs=1e-6)
    assert least(180.0, window_min=60.0) > least(180.0)


def test_in_polar_night_there_is_no_window() -> None:
    """Where the sun does not rise, no pitch can be asked for, and none is invented."""
    assert np.isnan(
        sp.winter_profile_angle(
            year=2026, latitude_deg=75.0, longitude_deg=20.0, azimuth_deg=180.0, tilt_deg=40.0
        )
    )


@pytest.mark.parametrize("practice", list(Practice))
@pytest.mark.parametrize("key", sorted(CHECKS))
def test_checks_pass_fail_and_ask(key: str, practice: Practice) -> None:
    """Each check passes a good design, fails a bad one, and names the key it lacks."""
    check = CHECKS[key]
    good = check_design(check, subject="block north", practice=practice, values=GOOD[key])
    assert good.finding.verdict is Verdict.PASS, good.finding.message
    bad = check_design(check, subject="block north", practice=practice, values=GOOD[key] | BAD[key])
    assert bad.finding.verdict is Verdict.FAIL
    assert bad.finding.remedy
    assert bad.finding.margin is not None
    assert bad.finding.margin < 0.0
    assert source_key(bad.finding.basis) in SOURCES
    for lacking in check.inputs:
        asked = check_design(
            check,
            subject="block north",
            practice=practice,
            values=GOOD[key] | {lacking.name: None},
        )
        assert asked.finding.verdict is Verdict.NOT_ASSESSABLE
        assert lacking.key in asked.finding.remedy


def source_key(basis: str) -> str:
    """Give the key in front of a clause."""
    return basis.partition(" ")[0]


def test_checks_take_ten_thousand_variants() -> None:
    """A sweep over pitch gives the margin of each, and a wider pitch never has less."""
    pitch = np.linspace(4.0, 14.0, 10_000)
    values = {name: np.asarray(held) for name, held in GOOD["row-pitch"].items()}
    margin = evaluate_check(CHECKS["row-pitch"], values | {"pitch_m": pitch}).margin
    assert margin.shape == (10_000,)
    assert np.all(np.diff(margin) > 0.0)
