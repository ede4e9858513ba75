"""What strings should read, and how sure that is."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pvlib
import pytest
from scipy import optimize

from arraywright.arrays import FloatArray
from arraywright.commissioning.expected import (
    Assumptions,
    expected_values,
    string_nominal,
    type_template,
)
from arraywright.commissioning.string_modules import string_modules
from arraywright.physics import (
    fit_flash,
    string_open_circuit_voltage,
    string_short_circuit_current,
    translate,
)
from tests.commissioning.invented import ALPHA, BETA, make_modules, make_site, make_type
from tests.published_values import published

TESTS = Path(__file__).parents[1]


def test_at_standard_conditions_the_flash_values_add_up() -> None:
    """At 1000 W/m2 and 25 degC a string's Voc is the sum of its modules' flashed Voc."""
    site = make_site(3)
    modules = make_modules(site, spread=0.004)
    found = expected_values(modules, make_type(), irradiance_w_m2=1000.0, cell_temp_c=25.0)
    for index in range(3):
        own = modules.voc_v[28 * index : 28 * (index + 1)]
        assert found.voc_v[index] == pytest.approx(own.sum(), rel=1e-9)


@pytest.mark.parametrize("cell_temp_c", [15.0, 25.0, 40.0])
def test_temperature_slope_is_the_data_sheets(cell_temp_c: float) -> None:
    """At 1000 W/m2 Voc follows the data sheet coefficient to a tenth of its value."""
    site = make_site(1)
    modules = make_modules(site)

    def voc(temp_c: float) -> float:
        found = expected_values(modules, make_type(), irradiance_w_m2=1000.0, cell_temp_c=temp_c)
        return float(found.voc_v[0])

    slope = (voc(cell_temp_c + 0.5) - voc(cell_temp_c - 0.5)) / voc(25.0)
    assert slope == pytest.approx(BETA, rel=0.02 if cell_temp_c == 25.0 else 0.1)


@pytest.mark.parametrize(
    ("irradiance_w_m2", "cell_temp_c"), [(250.0, 18.0), (600.0, 35.0), (1050.0, 60.0)]
)
def test_voltage_agrees_with_every_module_fitted_alone(
    irradiance_w_m2: float, cell_temp_c: float
) -> None:
    """Scaling the type's curve agrees with a fit of each single module within 0.05 %."""
    site = make_site(5)
    modules = make_modules(site, spread=0.004)
    found = expected_values(
        modules, make_type(), irradiance_w_m2=irradiance_w_m2, cell_temp_c=cell_temp_c
    )
    fit = fit_flash(
        type_template(make_type()),
        isc_a=modules.isc_a,
        voc_v=modules.voc_v,
        imp_a=modules.imp_a,
        vmp_v=modules.vmp_v,
    )
    count = len(modules.voc_v)
    diode = translate(
        fit.reference,
        irradiance_w_m2=np.full(count, irradiance_w_m2),
        cell_temp_c=np.full(count, cell_temp_c),
    )
    one_by_one = string_open_circuit_voltage(diode, offsets=modules.offsets, bypass_substrings=3)
    np.testing.assert_allclose(found.voc_v, one_by_one, rtol=5e-4)
    currents = string_short_circuit_current(diode, offsets=modules.offsets, bypass_substrings=3)
    np.testing.assert_allclose(found.isc_a, currents, rtol=2e-3)


def test_irradiance_dependence_agrees_with_another_library() -> None:
    """De Soto translation and Lambert W solution of pvlib give the same ratio."""
    template = type_template(make_type())
    site = make_site(1)
    modules = make_modules(site)
    low = expected_values(modules, make_type(), irradiance_w_m2=300.0, cell_temp_c=25.0)
    high = expected_values(modules, make_type(), irradiance_w_m2=1000.0, cell_temp_c=25.0)

    def pvlib_voc(irradiance_w_m2: float) -> float:
        given = pvlib.pvsystem.calcparams_desoto(
            irradiance_w_m2,
            25.0,
            alpha_sc=float(template.alpha_isc_a_per_k[0]),
            a_ref=float(template.diode_voltage_v[0]),
            I_L_ref=float(template.photocurrent_a[0]),
            I_o_ref=float(template.saturation_current_a[0]),
            R_sh_ref=float(template.shunt_resistance_ohm[0]),
            R_s=float(template.series_resistance_ohm[0]),
            EgRef=float(template.bandgap_ev[0]),
        )
        return float(pvlib.pvsystem.singlediode(*given)["v_oc"])

    assert low.voc_v[0] / high.voc_v[0] == pytest.approx(
        pvlib_voc(300.0) / pvlib_voc(1000.0), rel=1e-9
    )


def test_short_circuit_current_of_a_string_is_where_its_voltages_cancel() -> None:
    """A root search over pvlib's module voltages with bypass diodes finds the same current."""
    site = make_site(1, modules=12)
    modules = make_modules(site, spread=0.01)
    template = type_template(make_type())
    rs, rsh = float(template.series_resistance_ohm[0]), float(template.shunt_resistance_ohm[0])
    i0, a = float(template.saturation_current_a[0]), float(template.diode_voltage_v[0])
    photocurrent = modules.isc_a * (1 + rs / rsh) + i0 * np.expm1(modules.isc_a * rs / a)

    def total_v(current_a: float) -> float:
        each = pvlib.pvsystem.v_from_i(current_a, photocurrent, i0, rs, rsh, a)
        return float(np.maximum(each, -1.5).sum())

    current_a = optimize.brentq(total_v, modules.isc_a.min(), modules.isc_a.max(), xtol=1e-10)
    nominal = string_nominal(modules, make_type())
    assert nominal.isc_a[0] == pytest.approx(current_a, rel=1e-7)
    assert nominal.isc_a[0] > modules.isc_a.mean()


def _draws(rng: np.random.Generator, *, count: int, assumed: Assumptions) -> dict[str, FloatArray]:
    def normal(size: float) -> FloatArray:
        return size * rng.standard_normal(count)

    return {
        "g": normal(0.02),
        "g_own": normal(assumed.irradiance_own_ratio),
        "t": normal(2.0),
        "t_own": normal(1.5),
        "voc": normal(assumed.flash_voc_common_ratio),
        "isc": normal(assumed.flash_isc_common_ratio),
        "isc_own": normal(assumed.flash_isc_own_ratio),
        "spectrum": normal(assumed.spectrum_angle_ratio),
        "beta": normal(assumed.beta_uncertainty_ratio),
        "alpha": normal(assumed.alpha_uncertainty_ratio),
        "model": normal(assumed.voc_per_efold_ratio),
        "voc_own": normal(assumed.flash_voc_own_ratio / np.sqrt(28)),
    }


@pytest.mark.parametrize(("irradiance_w_m2", "cell_temp_c"), [(450.0, 30.0), (900.0, 55.0)])
def test_uncertainty_agrees_with_monte_carlo(irradiance_w_m2: float, cell_temp_c: float) -> None:
    """First-order uncertainties of Voc and Isc agree with 20,000 draws of all inputs."""
    count = 20_000
    assumed = Assumptions()
    one = make_modules(make_site(1))
    found = expected_values(
        one,
        make_type(),
        irradiance_w_m2=irradiance_w_m2,
        cell_temp_c=cell_temp_c,
        irradiance_u_ratio=0.02,
        cell_temp_common_u_k=2.0,
        cell_temp_own_u_k=1.5,
    )
    draw = _draws(np.random.default_rng(11), count=count, assumed=assumed)
    many = one.take(np.zeros(count, dtype=np.int64))
    g = irradiance_w_m2 * (1 + draw["g"]) * (1 + draw["g_own"])
    t = cell_temp_c + draw["t"] + draw["t_own"]
    varied = expected_values(many, make_type(), irradiance_w_m2=g, cell_temp_c=t)
    above = cell_temp_c - 25.0
    nominal = string_nominal(one, make_type())
    voc = (
        varied.voc_v
        * (1 + draw["voc"])
        * (1 + draw["voc_own"])
        * (1 + draw["model"] * np.log(irradiance_w_m2 / 1000.0))
        + nominal.voc_v[0] * BETA * draw["beta"] * above
    )
    isc = (
        nominal.isc_a[0]
        * (g / 1000.0)
        * (1 + ALPHA * (1 + draw["alpha"]) * (t - 25.0))
        * (1 + draw["isc"])
        * (1 + draw["isc_own"])
        * (1 + draw["spectrum"])
    )
    assert float(voc.std()) == pytest.approx(float(found.voc_u_v[0]), rel=0.03)
    assert float(isc.std()) == pytest.approx(float(found.isc_u_a[0]), rel=0.03)
    np.testing.assert_allclose(
        found.voc_u_v, np.hypot(found.voc_u_common_v, found.voc_u_own_v), rtol=1e-12
    )


def test_unknown_modules_are_less_certain_than_flashed_ones() -> None:
    """Nominal values carry the data sheet tolerance, and more where not even the class is known."""
    site = make_site(2)
    flashed = expected_values(
        make_modules(site), make_type(), irradiance_w_m2=800.0, cell_temp_c=40.0
    )
    classed = string_modules(site, classes={"S00001": 540.0})
    assert classed.source.to_list() == ["class", "class"]
    assert classed.isc_a[0] == 13.80
    assert np.isnan(classed.power_class_w).tolist() == [False, True]
    nominal = expected_values(classed, make_type(), irradiance_w_m2=800.0, cell_temp_c=40.0)
    assert nominal.voc_u_v[0] > flashed.voc_u_v[0]
    assert nominal.isc_u_a[1] > nominal.isc_u_a[0]


def test_a_string_with_a_gap_in_its_serials_counts_as_unknown() -> None:
    """Flash values are used only when every place of the string is known."""
    site = make_site(2)
    whole = make_modules(site, spread=0.003)
    assert whole.source.to_list() == ["flash", "flash"]
    placed = pl.DataFrame(
        {
            "string": np.repeat(["S00001", "S00002"], 28),
            "serial": whole.serial,
            **{
                name: getattr(whole, name)
                for name in ("isc_a", "voc_v", "imp_a", "vmp_v", "pmax_w")
            },
        }
    )
    partly = string_modules(site, placed=placed.slice(1))
    assert partly.source.to_list() == ["class", "flash"]
    assert partly.lengths.tolist() == [28, 28]
    broken = placed.with_columns(
        voc_v=pl.when(pl.int_range(pl.len()) == 30).then(None).otherwise(pl.col("voc_v"))
    )
    assert string_modules(site, placed=broken).source.to_list() == ["flash", "class"]


def test_taking_strings_keeps_their_own_modules() -> None:
    """Reordering strings moves their modules with them."""
    modules = make_modules(make_site(4, modules=3), spread=0.01)
    back = modules.take(np.array([3, 0], dtype=np.int64))
    assert back.strings.to_list() == ["S00004", "S00001"]
    assert back.serial.to_list() == modules.serial[9:12].to_list() + modules.serial[0:3].to_list()


def test_measured_curves_of_a_real_module_follow_the_expectation() -> None:
    """Voc and Isc of 3,585 outdoor curves follow the expectation anchored at strong light."""
    check = published("outdoor-iv-3585-strings")
    data = pl.read_parquet(TESTS / "data" / "outdoor_iv_3585" / "conditions.parquet")
    assert len(data) == check["expected"]["curves"]
    given = check["inputs"]
    g, t = (data[name].to_numpy() for name in ("effective_irradiance_w_m2", "cell_temp_c"))
    voc, isc = (data[name].to_numpy() for name in ("voc_v", "isc_a"))
    strong = (g > given["anchor_w_m2"][0]) & (g < given["anchor_w_m2"][1])
    cooled_v = given["beta_voc_v_per_k"] * (t - 25.0)
    voc_stc = float(np.median((voc - cooled_v)[strong]))
    isc_stc = float(np.median((isc * 1000.0 / g - given["alpha_isc_a_per_k"] * (t - 25.0))[strong]))
    imp_stc = isc_stc * float(np.median((data["imp_a"].to_numpy() / isc)[strong]))
    vmp_stc = float(np.median((data["vmp_v"].to_numpy() - cooled_v)[strong]))
    nominal = replace(
        make_type().power_classes[0],
        power_w=imp_stc * vmp_stc,
        voc_v=voc_stc,
        isc_a=isc_stc,
        vmp_v=vmp_stc,
        imp_a=imp_stc,
    )
    module_type = replace(
        make_type(),
        cells_in_series=given["cells_in_series"],
        bypass_substrings=1,
        alpha_isc_per_k=given["alpha_isc_a_per_k"] / isc_stc,
        beta_voc_per_k=given["beta_voc_v_per_k"] / voc_stc,
        power_classes=(nominal,),
    )
    one = string_modules(replace(make_site(1, modules=1), module_types={"north": module_type}))
    found = expected_values(
        one.take(np.zeros(len(g), dtype=np.int64)), module_type, irradiance_w_m2=g, cell_temp_c=t
    )
    limits = check["tolerance"]
    for band, (low, high) in enumerate(
        zip(given["band_from_w_m2"], given["band_to_w_m2"], strict=True)
    ):
        inside = (g > low) & (g <= high)
        off_v, off_i = (voc / found.voc_v - 1.0)[inside], (isc / found.isc_a - 1.0)[inside]
        assert abs(float(off_v.mean())) < limits["voc_ratio"][band]
        assert abs(float(off_i.mean())) < limits["isc_ratio"][band]
        assert float(off_v.std()) < limits["voc_scatter_ratio"]
