"""Wind and snow against worked examples of public design guides, sheets and test code."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from arraywright.design import wind_snow as ws
from arraywright.errors import CallError
from tests.published_values import published

GUIDE = published("steel-buildings-3")
PUBLIC = published("wind-examples-public")
FOOT_M = 0.3048


def test_wind_of_the_design_guide() -> None:
    """Every printed step of the guide's wind example comes out."""
    given_, expected, slack = (GUIDE["wind"][part] for part in ("inputs", "expected", "tolerance"))
    terrain = ws.terrain_category(given_["terrain"])
    assert terrain.roughness_length_m == expected["roughness_length_m"]
    assert terrain.least_height_m == expected["least_height_m"]
    where = {
        "roughness_length_m": terrain.roughness_length_m,
        "least_height_m": terrain.least_height_m,
    }
    basic = ws.basic_velocity_pressure(given_["basic_wind_m_s"])
    assert float(basic) == pytest.approx(
        expected["basic_velocity_pressure_pa"], abs=slack["basic_pa"]
    )
    kr = ws.terrain_factor(terrain.roughness_length_m)
    cr = ws.roughness_factor(given_["height_m"], **where)
    assert float(kr) == pytest.approx(expected["terrain_factor"], abs=slack["three_decimals"])
    assert float(cr) == pytest.approx(expected["roughness_factor"], abs=slack["roughness_factor"])
    ce = ws.exposure_factor(given_["height_m"], **where)
    assert float(ce) == pytest.approx(expected["exposure_factor"], abs=slack["exposure"])
    peak = ws.peak_velocity_pressure(given_["basic_wind_m_s"], height_m=given_["height_m"], **where)
    assert float(peak) == pytest.approx(expected["peak_velocity_pressure_pa"], abs=slack["peak_pa"])


@pytest.mark.parametrize("case", PUBLIC["en1991"], ids=lambda case: case["place"])
def test_wind_of_public_sheets(case: dict[str, object]) -> None:
    """Factors, mean wind, turbulence and peak pressure of the sheets come out as printed."""
    numbers = {key: float(value) for key, value in case.items() if isinstance(value, float)}
    terrain = ws.terrain_category(str(case["terrain"]))
    where = {
        "roughness_length_m": terrain.roughness_length_m,
        "least_height_m": terrain.least_height_m,
    }
    height, wind = numbers["height_m"], numbers["basic_wind_m_s"]
    assert float(ws.terrain_factor(terrain.roughness_length_m)) == pytest.approx(
        numbers["terrain_factor"], abs=5e-4
    )
    assert float(ws.roughness_factor(height, **where)) == pytest.approx(
        numbers["roughness_factor"], abs=1e-3
    )
    assert float(ws.mean_wind_velocity(wind, height_m=height, **where)) == pytest.approx(
        numbers["mean_wind_m_s"], abs=numbers["mean_tolerance_m_s"]
    )
    assert float(ws.turbulence_intensity(height, **where)) == pytest.approx(
        numbers["turbulence"], abs=5.5e-4
    )
    assert float(ws.peak_velocity_pressure(wind, height_m=height, **where)) == pytest.approx(
        numbers["peak_pa"], abs=numbers["peak_tolerance_pa"]
    )


def test_wind_of_the_bridge_example() -> None:
    """An independent program's peak pressure of a public worked example is ours too."""
    case = PUBLIC["bridge_pier"]
    terrain = ws.terrain_category(case["terrain"])
    peak = ws.peak_velocity_pressure(
        case["basic_wind_m_s"] * case["return_period_ratio"],
        height_m=case["height_m"],
        roughness_length_m=terrain.roughness_length_m,
        least_height_m=terrain.least_height_m,
    )
    assert float(peak) == pytest.approx(case["peak_pa"], rel=case["relative_tolerance"])


def test_exposure_coefficients_of_the_table() -> None:
    """The power law gives the printed coefficients, and none smaller below 15 ft."""
    case = PUBLIC["exposure"]
    for name, height_ft, kz in zip(case["category"], case["height_ft"], case["kz"], strict=True):
        category = ws.exposure_category(name)
        found = ws.velocity_pressure_exposure(
            height_ft * FOOT_M,
            power_exponent_ratio=category.power_exponent_ratio,
            gradient_height_m=category.gradient_height_m,
        )
        assert float(found) == pytest.approx(kz, abs=case["tolerance"]), (name, height_ft)


def test_velocity_pressure_in_both_systems_of_units() -> None:
    """Worked examples in mph and in m/s come out, and the two constants agree to 0.1 %."""
    case = PUBLIC["customary"]
    found = ws.customary_velocity_pressure(
        case["basic_wind_mph"],
        exposure_ratio=case["exposure_ratio"],
        directionality_ratio=case["directionality_ratio"],
    )
    assert float(found) == pytest.approx(case["pressure_psf"], abs=case["tolerance"])
    metric = ws.velocity_pressure(
        case["basic_wind_mph"] * 1609.344 / 3600.0,
        exposure_ratio=case["exposure_ratio"],
        directionality_ratio=case["directionality_ratio"],
    )
    pascal_per_psf = 4.4482216152605 / FOOT_M**2
    assert float(metric) == pytest.approx(float(found) * pascal_per_psf, rel=1e-3)

    case = PUBLIC["metric"]
    for ratio, expected in (
        (1.0, case["pressure_per_exposure_pa"]),
        (case["exposure_ratio"], case["pressure_pa"]),
    ):
        pressure = ws.velocity_pressure(
            case["basic_wind_m_s"],
            exposure_ratio=ratio,
            directionality_ratio=case["directionality_ratio"],
        )
        assert float(pressure) == pytest.approx(expected, abs=case["tolerance_pa"])
    category = ws.exposure_category(case["exposure"])
    own = ws.velocity_pressure_exposure(
        case["height_m"],
        power_exponent_ratio=category.power_exponent_ratio,
        gradient_height_m=category.gradient_height_m,
    )
    assert float(own) == pytest.approx(case["exposure_ratio"], abs=case["exposure_tolerance"])


def test_snow_of_the_design_guide() -> None:
    """Undrifted and exceptional snow on both roofs of the guide come out."""
    given_, expected, slack = (GUIDE["snow"][part] for part in ("inputs", "expected", "tolerance"))
    shape = ws.snow_shape_coefficient(np.array(given_["tilt_deg"]))
    np.testing.assert_allclose(shape, expected["shape"])
    load = ws.roof_snow_load(np.array(given_["ground_snow_pa"]), shape_ratio=shape)
    np.testing.assert_allclose(load, expected["load_pa"], atol=slack["load_pa"])


def test_flat_roof_snow_of_a_public_test() -> None:
    """30 lbf/ft2 on the ground are 21 on a heated roof of normal exposure."""
    case = PUBLIC["flat_roof"]
    load = ws.flat_roof_snow_load(
        case["ground_psf"],
        exposure_ratio=case["exposure_ratio"],
        thermal_ratio=case["thermal_ratio"],
        importance_ratio=case["importance_ratio"],
    )
    assert float(load) == pytest.approx(case["load_psf"], abs=0.05)
    assert float(ws.sloped_roof_snow_load(load, slope_ratio=0.5)) == pytest.approx(10.5)


def test_snow_slides_from_steep_planes_unless_it_is_hindered() -> None:
    """The shape coefficient falls from 0.8 at 30 deg to nothing at 60, or stays where blocked."""
    tilt = np.array([0.0, 30.0, 45.0, 60.0, 80.0])
    np.testing.assert_allclose(ws.snow_shape_coefficient(tilt), [0.8, 0.8, 0.4, 0.0, 0.0])
    blocked = ws.snow_shape_coefficient(tilt, sliding_hindered_ratio=1.0)
    np.testing.assert_allclose(blocked, 0.8)


def test_snow_across_the_plane_balances_the_weight_on_it() -> None:
    """Across and along the plane together, the pressures carry the weight of the snow."""
    tilt, level, slope_m = 35.0, 1500.0, 4.0
    weight_n = level * slope_m * np.cos(np.radians(tilt))
    across_n = float(ws.normal_snow_pressure(level, tilt_deg=tilt)) * slope_m
    assert across_n == pytest.approx(weight_n * np.cos(np.radians(tilt)))


@given(
    wind=st.floats(10.0, 60.0),
    more=st.floats(0.0, 20.0),
    height=st.floats(0.5, 50.0),
    higher=st.floats(0.0, 100.0),
    name=st.sampled_from(["0", "I", "II", "III", "IV"]),
)
def test_more_wind_and_more_height_never_press_less(
    wind: float, more: float, height: float, higher: float, name: str
) -> None:
    """Peak pressure rises with wind and with height in every terrain."""
    terrain = ws.terrain_category(name)
    least = ws.peak_velocity_pressure(
        np.array([wind, wind + more, wind]),
        height_m=np.array([height, height, height + higher]),
        roughness_length_m=terrain.roughness_length_m,
        least_height_m=terrain.least_height_m,
    )
    assert least[1] >= least[0] - 1e-9
    assert least[2] >= least[0] - 1e-9


def test_rougher_land_brakes_the_wind() -> None:
    """At ten metres the categories stand in the order of their roughness."""
    peaks = []
    for name in ("0", "I", "II", "III", "IV"):
        terrain = ws.terrain_category(name)
        peaks.append(
            float(
                ws.peak_velocity_pressure(
                    25.0,
                    height_m=10.0,
                    roughness_length_m=terrain.roughness_length_m,
                    least_height_m=terrain.least_height_m,
                )
            )
        )
    assert peaks == sorted(peaks, reverse=True)


def test_outside_a_range_there_is_no_number() -> None:
    """Heights, slopes and tilts the formulas do not cover give nan; unknown categories an error."""
    bare = {"roughness_length_m": 0.05, "least_height_m": 2.0}
    assert np.isnan(ws.exposure_factor(np.array([201.0, -1.0]), **bare)).all()
    assert np.isnan(ws.terrain_factor(np.array([0.0, 5.0]))).all()
    assert np.isnan(ws.snow_shape_coefficient(np.array([-1.0, 91.0]))).all()
    assert np.isnan(ws.basic_velocity_pressure(-1.0))
    assert np.isnan(ws.sloped_roof_snow_load(100.0, slope_ratio=1.2))
    assert np.isnan(
        ws.velocity_pressure_exposure(300.0, power_exponent_ratio=9.5, gradient_height_m=274.32)
    )
    for ask in (ws.terrain_category, ws.exposure_category):
        with pytest.raises(CallError, match="required: one of"):
            ask("V")
