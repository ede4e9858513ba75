"""First-year yield against pvlib hour by hour, a second chain, printed values and its own books."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pvlib.modelchain import ModelChain
from pvlib.pvsystem import Array, FixedMount, PVSystem

from arraywright.arrays import FloatArray
from arraywright.design import (
    DiffuseModifiers,
    FirstYear,
    Practice,
    Weather,
    YieldInverter,
    YieldLosses,
    YieldPlane,
    YieldUncertainty,
    check_design,
    diffuse_modifiers,
    exceeded_energy,
    extraterrestrial,
    first_year,
    glass_modifier,
    hours_of_mean_year,
    inverter_output,
    local_calendar,
    plane_conditions,
    plane_light,
)
from arraywright.design.weather import sun_of
from arraywright.design.yield_checks import CHECKS
from arraywright.errors import CallError
from arraywright.findings import Verdict
from arraywright.physics import SunPosition, maximum_power, sun_position
from tests.design.weather_cases import invented_module, invented_years, typical_year
from tests.published_values import published

# That library still asks Pandas by an older name.
pytestmark = pytest.mark.filterwarnings("ignore:DatetimeIndex.dayofyear is deprecated")

PRINTED = published("pvlib-yield-tests")
CASE = published("thevenard-pelland-2013")
TILT, FACING = 25.0, 200.0
NO_LOSSES = YieldLosses(
    shading_ratio=0.0,
    soiling_ratio=0.0,
    light_induced_ratio=0.0,
    mismatch_ratio=0.0,
    dc_cable_stc_ratio=0.0,
    ac_cable_ratio=0.0,
    unavailable_ratio=0.0,
)
USUAL = YieldLosses(
    shading_ratio=0.01,
    soiling_ratio=[0.04, 0.04, 0.03, 0.02, 0.02, 0.01, 0.01, 0.01, 0.02, 0.02, 0.03, 0.04],
    light_induced_ratio=0.015,
    mismatch_ratio=0.003,
    dc_cable_stc_ratio=0.012,
    ac_cable_ratio=0.01,
    unavailable_ratio=0.01,
)


def _plane(**changed: Any) -> YieldPlane:
    base: dict[str, Any] = {
        "tilt_deg": TILT,
        "azimuth_deg": FACING,
        "module": invented_module().reference,
        "modules_in_series": 26,
        "strings": 30,
    }
    return YieldPlane(**(base | changed))


def _inverter(*planes: YieldPlane, **changed: Any) -> YieldInverter:
    base: dict[str, Any] = {
        "planes": planes or (_plane(),),
        "count": 2,
        "ac_power_w": 350e3,
        "efficiency_ratio": 0.985,
    }
    return YieldInverter(**(base | changed))


def _year(weather: Weather | None = None, **changed: Any) -> FirstYear:
    given_values: dict[str, Any] = {"losses": USUAL, "albedo_ratio": 0.2} | changed
    inverters = given_values.pop("inverters", (_inverter(),))
    return first_year(weather or typical_year(), inverters, **given_values)


def _index(weather: Weather) -> pd.DatetimeIndex:
    """Times of the weather in the local standard time of the open year."""
    return pd.DatetimeIndex(weather.time).tz_localize("UTC").tz_convert("Etc/GMT+5")


def _days(weather: Weather) -> pd.Series:
    """Day of the year in local standard time, since that library takes a date's day in UTC."""
    index = _index(weather)
    return pd.Series(index.day_of_year, index=index)


def test_sun_of_every_hour_is_that_of_pvlib() -> None:
    """Zenith and azimuth agree with pvlib's own entry point to 1e-6 deg through a year."""
    weather = typical_year()
    sun = sun_of(weather)
    place = pvlib.location.Location(36.1, -79.95, altitude=273.0)
    # Terrestrial less universal time by the date, as here; that library's default is 67 s.
    reference = place.get_solarposition(_index(weather), delta_t=None)
    assert np.max(np.abs(sun.zenith_deg - reference["apparent_zenith"].to_numpy())) < 1e-6
    assert np.max(np.abs(sun.azimuth_deg - reference["azimuth"].to_numpy())) < 1e-6


def test_sun_of_every_hour_by_another_algorithm() -> None:
    """A second algorithm, of an almanac's kind, gives the same height to a few hundredths."""
    weather = typical_year()
    sun = sun_of(weather)
    other = pvlib.solarposition.ephemeris(_index(weather), 36.1, -79.95)
    assert np.max(np.abs(sun.true_zenith_deg - (90.0 - other["elevation"].to_numpy()))) < 0.03


@pytest.mark.parametrize(("tilt", "facing"), [(25.0, 200.0), (0.0, 180.0), (90.0, 90.0)])
def test_plane_irradiance_of_every_hour_is_that_of_pvlib(tilt: float, facing: float) -> None:
    """Beam, sky and ground light agree with pvlib to 1e-6 W/m2 in each hour of a year."""
    weather = typical_year()
    found = plane_conditions(
        weather,
        _plane(tilt_deg=tilt, azimuth_deg=facing),
        losses=NO_LOSSES,
        albedo_ratio=np.asarray(0.2),
    )
    index = _index(weather)
    sun = pvlib.location.Location(36.1, -79.95, altitude=273.0).get_solarposition(
        index, delta_t=None
    )
    reference = pvlib.irradiance.get_total_irradiance(
        tilt,
        facing,
        sun["apparent_zenith"],
        sun["azimuth"],
        pd.Series(weather.dni_w_m2, index),
        pd.Series(weather.ghi_w_m2, index),
        pd.Series(weather.dhi_w_m2, index),
        dni_extra=pvlib.irradiance.get_extra_radiation(_days(weather)),
        albedo=0.2,
        model="haydavies",
    )
    pairs = (
        (found.light.beam_w_m2, "poa_direct"),
        (found.light.circumsolar_w_m2 + found.light.sky_w_m2, "poa_sky_diffuse"),
        (found.light.ground_w_m2, "poa_ground_diffuse"),
        (found.plane_w_m2, "poa_global"),
    )
    assert np.max(found.plane_w_m2) > 500.0
    for ours, name in pairs:
        assert np.max(np.abs(ours - reference[name].to_numpy())) < 1e-6, name


class _Place(pvlib.location.Location):  # type: ignore[misc]
    """A place whose sun is refracted by air of 12 degC and timed by the date, as ours is."""

    def get_solarposition(self, times: pd.DatetimeIndex, **_: object) -> pd.DataFrame:
        """Give the sun without the hour's own air temperature."""
        return pd.DataFrame(super().get_solarposition(times, delta_t=None))


def _chain(weather: Weather, plane: YieldPlane, inverter: YieldInverter) -> ModelChain:
    diode = plane.module
    system = PVSystem(
        arrays=[
            Array(
                FixedMount(plane.tilt_deg, plane.azimuth_deg),
                albedo=0.2,
                module_parameters={
                    "alpha_sc": float(diode.alpha_isc_a_per_k[0]),
                    "a_ref": float(diode.diode_voltage_v[0]),
                    "I_L_ref": float(diode.photocurrent_a[0]),
                    "I_o_ref": float(diode.saturation_current_a[0]),
                    "R_sh_ref": float(diode.shunt_resistance_ohm[0]),
                    "R_s": float(diode.series_resistance_ohm[0]),
                },
                temperature_model_parameters={"u0": 25.0, "u1": 6.84},
                modules_per_string=plane.modules_in_series,
                strings=plane.strings,
            )
        ],
        inverter_parameters={
            "pdc0": inverter.ac_power_w / inverter.efficiency_ratio,
            "eta_inv_nom": inverter.efficiency_ratio,
        },
    )
    return ModelChain(
        system,
        _Place(36.1, -79.95, altitude=273.0, tz="Etc/GMT+5"),
        transposition_model="haydavies",
        dc_model="desoto",
        ac_model="pvwatts",
        aoi_model="physical",
        spectral_model="no_loss",
        temperature_model="faiman",
        losses_model="no_loss",
    )


def _ac_w(chain: ModelChain) -> FloatArray:
    """AC power of one inverter; the chain turns every column of the DC side into AC."""
    return np.asarray(np.nan_to_num(chain.results.ac["p_mp"].to_numpy()), dtype=np.float64)


def _frame(weather: Weather) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "ghi": weather.ghi_w_m2,
            "dni": weather.dni_w_m2,
            "dhi": weather.dhi_w_m2,
            "temp_air": weather.air_temp_c,
            "wind_speed": weather.wind_m_s,
        },
        index=_index(weather),
    )


@pytest.mark.filterwarnings("ignore:invalid value encountered in divide")
def test_yield_is_that_of_a_second_chain() -> None:
    """Month by month and in the year the energy is within 0.5 % of pvlib's own model chain."""
    weather, plane = typical_year(), _plane()
    inverter = _inverter(plane)
    chain = _chain(weather, plane, inverter).run_model(_frame(weather))
    reference_kwh = _ac_w(chain) * inverter.count / 1000.0
    # That chain lets diffuse light pass as if from the front, and so do we here; what it does
    # with light around the sun, where we take the sun's angle, stays a difference.
    found = _year(
        losses=NO_LOSSES,
        inverters=(inverter,),
        diffuse=DiffuseModifiers(sky_ratio=1.0, ground_ratio=1.0),
    )
    assert found.energy_kwh == pytest.approx(reference_kwh.sum(), rel=0.005)
    month = _index(weather).month.to_numpy()
    by_month = np.bincount(month, weights=reference_kwh)[1:]
    assert found.monthly_energy_kwh == pytest.approx(by_month, rel=0.01)


@pytest.mark.filterwarnings("ignore:invalid value encountered in divide")
def test_yield_with_integrated_diffuse_light_is_that_of_a_second_chain() -> None:
    """From the light that passes the glass, put together by pvlib alone, the yield is the same."""
    weather, plane = typical_year(), _plane()
    inverter = _inverter(plane)
    chain = _chain(weather, plane, inverter)
    chain.prepare_inputs(_frame(weather))
    sky = pvlib.irradiance.haydavies(
        TILT,
        FACING,
        chain.results.weather["dhi"],
        chain.results.weather["dni"],
        pvlib.irradiance.get_extra_radiation(_days(weather)),
        chain.results.solar_position["apparent_zenith"],
        chain.results.solar_position["azimuth"],
        return_components=True,
    )
    total = chain.results.total_irrad
    passing = pvlib.iam.marion_diffuse("physical", TILT)
    beam = (total["poa_direct"] + sky["poa_circumsolar"]) * pvlib.iam.physical(chain.results.aoi)
    effective = beam + sky["poa_isotropic"] * passing["sky"]
    effective += total["poa_ground_diffuse"] * passing["ground"]
    frame = _frame(weather)[["temp_air", "wind_speed"]]
    frame["poa_global"] = total["poa_global"]
    frame["effective_irradiance"] = effective.clip(lower=0.0).fillna(0.0)
    chain.run_model_from_effective_irradiance(frame)
    reference_w = _ac_w(chain) * inverter.count
    found = _year(losses=NO_LOSSES, inverters=(inverter,))
    assert found.energy_kwh == pytest.approx(reference_w.sum() / 1000.0, rel=1e-6)
    assert np.max(np.abs(found.ac_power_w - reference_w)) < 1e-6 * reference_w.max()


def test_components_of_the_sky_as_printed() -> None:
    """Sky and circumsolar light have the values another library's tests print."""
    given_values = {name: np.array(held) for name, held in PRINTED["inputs"]["plane"].items()}
    zenith = given_values["zenith_deg"]
    found = plane_light(
        SunPosition(
            zenith_deg=zenith,
            azimuth_deg=given_values["sun_azimuth_deg"],
            true_zenith_deg=zenith,
        ),
        ghi_w_m2=given_values["ghi_w_m2"],
        dni_w_m2=given_values["dni_w_m2"],
        dhi_w_m2=given_values["dhi_w_m2"],
        extra_w_m2=given_values["extra_w_m2"],
        tilt_deg=float(given_values["tilt_deg"]),
        azimuth_deg=float(given_values["azimuth_deg"]),
        albedo_ratio=0.2,
    )
    expected, slack = PRINTED["expected"]["plane"], PRINTED["tolerance"]["plane_w_m2"]
    assert found.sky_w_m2 == pytest.approx(expected["isotropic_w_m2"], abs=slack)
    assert found.circumsolar_w_m2 == pytest.approx(expected["circumsolar_w_m2"], abs=slack)
    whole = found.sky_w_m2 + found.circumsolar_w_m2
    assert whole == pytest.approx(expected["sky_diffuse_w_m2"], abs=slack)


def test_light_from_the_ground_as_printed() -> None:
    """Ground light has the value another library's test prints."""
    held = PRINTED["inputs"]["ground"]
    overhead = np.array([0.0])
    found = plane_light(
        SunPosition(zenith_deg=overhead, azimuth_deg=overhead, true_zenith_deg=overhead),
        ghi_w_m2=np.array([held["ghi_w_m2"]]),
        dni_w_m2=overhead,
        dhi_w_m2=overhead,
        extra_w_m2=1366.0,
        tilt_deg=held["tilt_deg"],
        azimuth_deg=180.0,
        albedo_ratio=held["albedo_ratio"],
    )
    slack = PRINTED["tolerance"]["ground_w_m2"]
    # The printed digits carry the rounding of that library's cosine; seven decimals are common.
    assert found.ground_w_m2[0] == pytest.approx(
        PRINTED["expected"]["ground"]["ground_w_m2"], abs=max(slack, 1e-6)
    )


def test_glass_as_printed() -> None:
    """The modifier of the glass has the printed values, for beam and for diffuse light."""
    slack = PRINTED["tolerance"]
    found = glass_modifier(PRINTED["inputs"]["glass"]["incidence_deg"])
    assert found == pytest.approx(
        np.array(PRINTED["expected"]["glass"]["modifier_ratio"]), abs=slack["glass_ratio"]
    )
    diffuse = diffuse_modifiers(PRINTED["inputs"]["diffuse"]["tilt_deg"])
    expected = PRINTED["expected"]["diffuse"]
    assert diffuse.sky_ratio == pytest.approx(expected["sky_ratio"], abs=slack["diffuse_ratio"])
    assert diffuse.ground_ratio == pytest.approx(
        expected["ground_ratio"], abs=slack["diffuse_ratio"]
    )
    angles = np.linspace(0.0, 89.9, 500)
    assert glass_modifier(angles) == pytest.approx(pvlib.iam.physical(angles), abs=1e-9)
    with pytest.raises(CallError, match="0 to 90"):
        diffuse_modifiers(120.0)


def test_inverter_curve_as_printed() -> None:
    """The part-load curve has the printed values and stands still in the dark."""
    held = PRINTED["inputs"]["inverter"]
    found = inverter_output(
        np.array(held["dc_power_w"]),
        ac_power_w=held["ac_power_w"],
        efficiency_ratio=held["efficiency_ratio"],
    )
    assert np.minimum(found, held["ac_power_w"]) == pytest.approx(
        np.array(PRINTED["expected"]["inverter"]["ac_power_w"]),
        abs=PRINTED["tolerance"]["inverter_w"],
    )
    flat = inverter_output(
        np.array([50.0]), ac_power_w=95.0, efficiency_ratio=0.95, curve="constant"
    )
    assert flat[0] == pytest.approx(47.5)


def test_extraterrestrial_light_of_every_day() -> None:
    """The series for the sun's distance is that of pvlib for each day, and 1366.1 on the mean."""
    days = np.arange(1, 366)
    reference = pvlib.irradiance.get_extra_radiation(days, method="spencer")
    assert extraterrestrial(days) == pytest.approx(reference, abs=1e-9)


def test_the_books_of_the_waterfall_balance() -> None:
    """Changes add up to the energy, and the printed whole numbers add up exactly."""
    found = _year()
    steps = found.waterfall
    total = math.fsum(step.change_kwh for step in steps)
    assert total == pytest.approx(found.energy_kwh, rel=1e-12)
    assert sum(step.printed_change_kwh for step in steps) == steps[-1].printed_left_kwh
    assert abs(steps[-1].printed_left_kwh - found.energy_kwh) <= 0.5
    assert found.monthly_energy_kwh.sum() == pytest.approx(found.energy_kwh, rel=1e-12)
    held = {step.key: step for step in steps}
    # Stated losses appear as stated.
    assert held["shading"].change_ratio == pytest.approx(-0.01)
    assert held["light-induced"].change_ratio == pytest.approx(-0.015)
    assert held["mismatch"].change_ratio == pytest.approx(-0.003)
    assert held["unavailable"].change_ratio == pytest.approx(-0.01)
    assert -0.04 < held["soiling"].change_ratio < -0.01
    # Cable loss follows the current squared: below its STC value over the year.
    assert -0.012 < held["dc-cable"].change_ratio < -0.004
    assert found.performance_ratio == pytest.approx(
        found.energy_kwh / (found.power_stc_w / 1000.0) / found.monthly_plane_kwh_m2.sum()
    )


def test_irradiation_of_the_open_year() -> None:
    """The typical year's irradiation on the horizontal is the one counted in its file."""
    expected = published("tmy3-723170")
    assert _year().monthly_horizontal_kwh_m2.sum() == pytest.approx(
        expected["expected"]["ghi_kwh_m2"], abs=expected["tolerance"]["ghi_kwh_m2"]
    )


def test_power_at_stc_is_the_modules() -> None:
    """The plant's power is its modules' power at STC."""
    one = maximum_power(invented_module().reference.at_reference()).pmp_w[0]
    assert _year().power_stc_w == pytest.approx(one * 26 * 30 * 2)
    assert one == pytest.approx(41.80 * 13.04, rel=1e-6)


def test_uncertainty_of_a_published_case() -> None:
    """The published contributions give the published first-year uncertainty through the chain."""
    stated = YieldUncertainty(**CASE["inputs"], cell_temp_k=0.0)
    found = _year(uncertainty=stated)
    assert found.standard_uncertainty_ratio == pytest.approx(
        CASE["expected"]["standard_uncertainty_ratio"], abs=CASE["tolerance"]["ratio"]
    )
    assert "yield-uncertainty-assumed" not in {one.check for one in found.findings}
    assert "yield-uncertainty-assumed" in {one.check for one in _year().findings}
    squares = math.sqrt(sum(one.share_ratio**2 for one in found.contributions))
    assert squares == pytest.approx(found.standard_uncertainty_ratio)
    held = {one.name: one for one in found.contributions}
    assert 0.7 < held["irradiation_ratio"].sensitivity < 1.0
    assert held["cell_temp_k"].sensitivity < 0.0


def test_energy_exceeded_by_probability() -> None:
    """Half the chance gives the best estimate, and a simulated normal confirms nine in ten."""
    assert exceeded_energy(
        np.asarray(100.0), standard_uncertainty_ratio=np.asarray(0.08), confidence=0.5
    ) == pytest.approx(100.0)
    draws = np.random.default_rng(3).normal(100.0, 8.0, 400_000)
    low = exceeded_energy(np.asarray(100.0), standard_uncertainty_ratio=np.asarray(0.08))
    assert np.mean(draws > low) == pytest.approx(0.9, abs=0.003)


def test_clipping_is_cut_at_the_limit_and_told() -> None:
    """A small inverter never gives more than its limit, and what it cuts is said."""
    small = _inverter(ac_power_w=250e3)
    found = _year(inverters=(small,))
    large = _year(inverters=(_inverter(ac_power_w=600e3),))
    assert found.ac_power_w.max() <= 2 * 250e3 * (1.0 - 0.01) + 1e-6
    assert found.clipping_ratio > 0.03
    assert large.clipping_ratio == 0.0
    assert large.clipping_hours == 0.0
    assert found.clipping_hours == pytest.approx(
        np.sum(found.ac_power_w >= 2 * 250e3 * 0.99 * (1.0 - 1e-12)), abs=1.0
    )
    assert "yield-much-clipping" in {one.check for one in found.findings}
    held = {step.key: step for step in found.waterfall}
    assert held["clipping"].change_ratio == pytest.approx(-found.clipping_ratio)


def test_a_window_above_the_strings_costs_energy() -> None:
    """Strings too short for the window work at its edge, give less, and it is told."""
    found = _year(inverters=(_inverter(mppt_min_v=1000.0, mppt_max_v=1500.0),))
    free = _year()
    assert found.outside_window_hours > 100.0
    assert found.energy_kwh < free.energy_kwh
    assert free.outside_window_hours == 0.0
    assert "yield-outside-window" in {one.check for one in found.findings}
    held = {step.key: step for step in found.waterfall}
    assert held["window"].change_kwh < 0.0


def test_east_and_west_on_one_inverter_clip_less() -> None:
    """Two directions peak at different hours, so that one inverter cuts less of them."""
    east, west = _plane(azimuth_deg=90.0, strings=15), _plane(azimuth_deg=270.0, strings=15)
    both = _year(inverters=(_inverter(east, west, ac_power_w=280e3),))
    south = _year(inverters=(_inverter(_plane(azimuth_deg=180.0), ac_power_w=280e3),))
    assert both.power_stc_w == pytest.approx(south.power_stc_w)
    assert both.clipping_ratio < south.clipping_ratio


def test_light_on_the_rear_is_a_gain() -> None:
    """A two-sided module gains its rear light times its bifaciality, before temperature."""
    two_sided = _plane(bifaciality_ratio=0.7, rear_irradiance_ratio=0.1)
    found = _year(losses=NO_LOSSES, inverters=(_inverter(two_sided, ac_power_w=900e3),))
    held = {step.key: step for step in found.waterfall}
    assert held["rear"].change_kwh == pytest.approx(0.07 * held["plane"].left_kwh, rel=1e-9)


def test_several_years_give_their_mean() -> None:
    """Two years of which one has double light give the mean, and each its own energy."""
    weather = invented_years(2001, 2002)
    second = local_calendar(weather).year == 2002
    dim = replace(
        weather,
        ghi_w_m2=np.where(second, 0.5, 1.0) * weather.ghi_w_m2,
        dni_w_m2=np.where(second, 0.5, 1.0) * weather.dni_w_m2,
        dhi_w_m2=np.where(second, 0.5, 1.0) * weather.dhi_w_m2,
    )
    found = _year(dim)
    assert found.years.tolist() == [2001, 2002]
    assert found.energy_kwh == pytest.approx(found.energy_by_year_kwh.mean(), rel=1e-9)
    assert found.energy_by_year_kwh[1] < 0.6 * found.energy_by_year_kwh[0]
    assert found.hours.sum() == pytest.approx(8760.0)


def test_gaps_are_filled_by_like_hours() -> None:
    """A year with scattered gaps gives nearly the whole year's energy."""
    weather = typical_year()
    gone = np.random.default_rng(5).random(len(weather)) < 0.02
    ghi = np.where(gone, np.nan, weather.ghi_w_m2)
    found = _year(replace(weather, ghi_w_m2=ghi))
    assert found.energy_kwh == pytest.approx(_year().energy_kwh, rel=0.01)
    assert np.all(found.hours[gone] == 0.0)
    assert found.hours.sum() == pytest.approx(8760.0)


def test_weather_without_a_month_gives_no_yield() -> None:
    """A missing month is not guessed."""
    weather = typical_year()
    june = local_calendar(weather).month == 6
    with pytest.raises(CallError, match="month 6"):
        _year(replace(weather, ghi_w_m2=np.where(june, np.nan, weather.ghi_w_m2)))
    with pytest.raises(CallError, match="hour"):
        hours_of_mean_year(replace(weather, interval_min=180.0))


@settings(max_examples=6, deadline=None)
@given(
    soiling=st.floats(0.0, 0.2),
    more=st.floats(0.001, 0.2),
    tilt=st.floats(0.0, 60.0),
)
def test_more_dirt_never_gives_more(soiling: float, more: float, tilt: float) -> None:
    """Energy falls with dirt and with cable loss, whatever the plane."""
    inverter = _inverter(_plane(tilt_deg=tilt))
    weather = invented_years(2001, 2001)

    def energy(dirt: float, cable: float) -> float:
        losses = replace(USUAL, soiling_ratio=dirt, dc_cable_stc_ratio=cable)
        return _year(weather, inverters=(inverter,), losses=losses).energy_kwh

    clean = energy(soiling, 0.01)
    assert energy(min(soiling + more, 0.4), 0.01) < clean
    assert energy(soiling, 0.01 + 0.1 * more) < clean


@pytest.mark.parametrize(
    "broken",
    [
        lambda: _plane(strings=0),
        lambda: _inverter(efficiency_ratio=98.5),
        lambda: _inverter(count=0),
        lambda: replace(USUAL, mismatch_ratio=2.0),
        lambda: YieldUncertainty(other_ratio=-0.1),
        lambda: _year(inverters=()),
        lambda: _year(losses=replace(USUAL, soiling_ratio=[0.1, 0.2])),
    ],
)
def test_what_cannot_be_is_refused(broken: Any) -> None:
    """Percents for fractions, nothing for something and odd lengths are errors."""
    with pytest.raises(CallError, match="required"):
        broken()


def _check_values(found: FirstYear, **changed: float | None) -> dict[str, float | None]:
    base: dict[str, float | None] = {
        "clipping_ratio": found.clipping_ratio,
        "clipping_max_ratio": 0.02,
        "specific_yield_kwh_kw": found.specific_yield_kwh_kw,
        "yield_uncertainty_ratio": found.standard_uncertainty_ratio,
        "promised_yield_kwh_kw": 1200.0,
    }
    return base | changed


@pytest.mark.parametrize(
    ("key", "changed", "named"),
    [
        ("yield-clipping", {"clipping_max_ratio": 0.0001}, "yield.clipping_max_ratio"),
        ("yield-promised", {"promised_yield_kwh_kw": 1480.0}, "yield.promised_kwh_per_kw"),
    ],
)
def test_yield_checks_pass_fail_and_wait(key: str, changed: dict[str, float], named: str) -> None:
    """A modest promise holds, a bold one fails, and without one nothing is judged."""
    (check,) = [one for one in CHECKS if one.key == key]
    found = _year()
    for practice in Practice:
        good = check_design(check, subject="site", practice=practice, values=_check_values(found))
        assert good.finding.verdict is Verdict.PASS
        bad = check_design(
            check, subject="site", practice=practice, values=_check_values(found, **changed)
        )
        assert bad.finding.verdict is Verdict.FAIL
        assert bad.finding.remedy
        (name,) = changed
        silent = check_design(
            check, subject="site", practice=practice, values=_check_values(found, **{name: None})
        )
        assert silent.finding.verdict is Verdict.NOT_ASSESSABLE
        assert named in silent.finding.message


def test_sun_position_is_the_same_by_both_doors() -> None:
    """The weather's sun is that of the physics room at the middle of the hour."""
    weather = typical_year()
    direct: FloatArray = sun_position(
        weather.time[:24], latitude_deg=36.1, longitude_deg=-79.95, elevation_m=273.0
    ).zenith_deg
    assert np.array_equal(sun_of(weather).zenith_deg[:24], direct)
