"""Shade of a year against another library, and what strings make of it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pvlib import irradiance, shading

from arraywright.design import row_shade as rs
from arraywright.errors import CallError
from arraywright.physics import sun_position

TIMES = np.arange(
    np.datetime64("2026-01-01T00:30"), np.datetime64("2027-01-01T00:30"), np.timedelta64(60, "m")
)
PLACE = {"latitude_deg": 48.0, "longitude_deg": 11.0}
SUN = sun_position(TIMES, **PLACE)
HEIGHT = np.sin(np.radians(np.maximum(90.0 - SUN.zenith_deg, 0.0)))
BEAM, DIFFUSE = 900.0 * HEIGHT**0.3, 120.0 * HEIGHT**0.5
SLOPE_M = 4.0


def _year(**changes: object) -> rs.ShadeOfYear:
    given_: dict[str, object] = {
        "step_min": 60.0,
        "beam_normal_w_m2": BEAM,
        "diffuse_level_w_m2": DIFFUSE,
        "tilt_deg": 25.0,
        "azimuth_deg": 180.0,
        "slope_length_m": SLOPE_M,
        "pitch_m": 7.0,
        "module_rows": 2,
        **PLACE,
    }
    return rs.shade_of_year(TIMES, **(given_ | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(("facing", "ground"), [(180.0, 0.0), (180.0, 5.0), (90.0, -4.0)])
def test_a_year_of_shade_agrees_with_the_other_library(facing: float, ground: float) -> None:
    """Hours, mean fraction and lost beam of a year are those of the other library's functions."""
    year = _year(azimuth_deg=facing, ground_slope_deg=ground)
    fraction = shading.shaded_fraction1d(
        SUN.zenith_deg,
        SUN.azimuth_deg,
        facing - 90.0,
        25.0,
        collector_width=SLOPE_M,
        pitch=7.0,
        cross_axis_slope=ground,
    )
    cosine = irradiance.aoi_projection(25.0, facing, SUN.zenith_deg, SUN.azimuth_deg)
    lit = (SUN.zenith_deg < 90.0) & (cosine > 0.0)
    assert year.lit_hours[0] == lit.sum()
    assert year.shaded_hours[0] == np.sum(lit & (fraction > 0.0))
    assert year.shaded_hours[0] > 200
    assert year.mean_shaded_ratio[0] == pytest.approx(fraction[lit].mean(), abs=1e-9)
    beam = BEAM * np.where(lit, cosine, 0.0)
    energy = beam.sum() + irradiance.isotropic(25.0, DIFFUSE)[SUN.zenith_deg < 90.0].sum()
    lost = np.sum(beam * np.where(lit, fraction, 0.0)) / energy
    assert year.direct_loss_ratio[0] == pytest.approx(lost, abs=1e-9)


def test_wider_pitch_never_shades_longer() -> None:
    """Hours, fraction and both losses fall with the pitch, to nothing when it is wide."""
    year = _year(pitch_m=np.array([5.0, 6.0, 7.0, 9.0, 14.0, 400.0]))
    for held in (
        year.shaded_hours,
        year.mean_shaded_ratio,
        year.direct_loss_ratio,
        year.loss_along_ratio,
        year.loss_across_ratio,
    ):
        assert np.all(np.diff(held) <= 1e-12)
        assert held[0] > held[4] > 0.0
    assert year.loss_across_ratio[5] < 1e-4


def test_strings_along_the_rows_lose_no_more_than_strings_across() -> None:
    """Orientation matters in the known direction, and no string beats the shade itself."""
    year = _year(module_rows=4, pitch_m=np.array([5.5, 7.0, 9.0]))
    assert np.all(year.loss_along_ratio < year.loss_across_ratio)
    assert np.all(year.direct_loss_ratio <= year.loss_along_ratio + 1e-12)


@given(
    shaded=st.floats(0.0, 1.0),
    more=st.floats(0.0, 1.0),
    diffuse=st.floats(0.0, 1.0),
    rows=st.integers(1, 8),
    blocks=st.integers(1, 3),
)
def test_output_falls_with_shade_and_never_below_the_diffuse(
    shaded: float, more: float, diffuse: float, rows: int, blocks: int
) -> None:
    """More shade never gives more; all shade leaves the diffuse part; along beats across."""
    ratio = np.array([shaded, max(shaded, more), 0.0, 1.0])
    along, across = (
        output(ratio, diffuse_ratio=diffuse, module_rows=rows, blocks_per_module=blocks)
        for output in (rs.output_along_rows, rs.output_across_rows)
    )
    for output in (along, across):
        assert output[1] <= output[0] + 1e-9
        assert output[2] == pytest.approx(1.0)
        assert output[3] == pytest.approx(diffuse)
    assert np.all(along >= across - 1e-9)


def test_the_lowest_of_four_strings_loses_alone() -> None:
    """A quarter of the slope in shade: along the rows a quarter of the strings loses its beam."""
    known = {"diffuse_ratio": 0.2, "module_rows": 4}
    assert float(rs.output_along_rows(0.25, **known)) == pytest.approx(0.75 + 0.25 * 0.2)  # type: ignore[arg-type]
    assert float(rs.output_across_rows(0.25, **known)) == pytest.approx(0.75)  # type: ignore[arg-type]
    sliver = rs.output_along_rows(0.01, diffuse_ratio=0.2, module_rows=1, blocks_per_module=3)
    assert float(sliver) == pytest.approx(2.0 / 3.0)


def test_variants_are_worked_out_alike_in_one_go_or_one_by_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Splitting the variants into portions changes nothing."""
    tilt = np.array([5.0, 15.0, 25.0, 35.0, 45.0])
    whole = _year(tilt_deg=tilt)
    monkeypatch.setattr(rs, "_CHUNK", 10_000)
    parts = _year(tilt_deg=tilt)
    np.testing.assert_array_equal(whole.shaded_hours, parts.shaded_hours)
    np.testing.assert_array_equal(whole.loss_along_ratio, parts.loss_along_ratio)


def test_wrong_shapes_and_counts_are_refused() -> None:
    """Irradiance of another length and no module row are errors with a remedy."""
    with pytest.raises(CallError, match="as many of each"):
        _year(beam_normal_w_m2=BEAM[:-1])
    with pytest.raises(CallError, match="1 or more"):
        _year(module_rows=0)
