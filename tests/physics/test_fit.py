"""Fitted parameters: physical, exact where they can be, flagged where they cannot."""

from __future__ import annotations

import numpy as np
import pvlib
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from arraywright.arrays import FloatArray
from arraywright.errors import CallError
from arraywright.physics import (
    DiodeFit,
    FitStatus,
    ReferenceDiode,
    SingleDiode,
    fit_datasheet,
    fit_flash,
    ideality,
    key_points,
    open_circuit_voltage,
    translate,
    voc_coefficient,
    with_voc_coefficient,
)
from tests.published_values import published

LISTED = published("cec-modules")
WORKED = published("pvlib-fit-desoto")
WITHIN = LISTED["tolerance"]["reproduced_ratio"]


class _List:
    """Datasheet values of all listed modules, by row number."""

    def __init__(self) -> None:
        table = pvlib.pvsystem.retrieve_sam("CECMod")
        column = {
            name: np.ascontiguousarray(table.loc[name].to_numpy(dtype=float))
            for name in (
                "I_sc_ref",
                "V_oc_ref",
                "I_mp_ref",
                "V_mp_ref",
                "alpha_sc",
                "beta_oc",
                "N_s",
                "gamma_r",
            )
        }
        self.isc_a = column["I_sc_ref"]
        self.voc_v = column["V_oc_ref"]
        self.imp_a = column["I_mp_ref"]
        self.vmp_v = column["V_mp_ref"]
        self.raw_alpha = column["alpha_sc"]
        self.beta = column["beta_oc"]
        self.cells = column["N_s"]
        self.gamma_percent_per_k = column["gamma_r"]
        self.fit = fit_datasheet(
            isc_a=self.isc_a,
            voc_v=self.voc_v,
            imp_a=self.imp_a,
            vmp_v=self.vmp_v,
            alpha_isc_a_per_k=np.abs(self.raw_alpha),
            beta_voc_v_per_k=self.beta,
            cells_in_series=self.cells,
        )


@pytest.fixture(scope="module")
def listed() -> _List:
    """Fit every listed module once."""
    return _List()


def _five(reference: ReferenceDiode | SingleDiode) -> FloatArray:
    return np.array(
        [
            reference.photocurrent_a,
            reference.saturation_current_a,
            reference.series_resistance_ohm,
            reference.shunt_resistance_ohm,
            reference.diode_voltage_v,
        ]
    )


def _all_positive(fit: DiodeFit) -> bool:
    five = _five(fit.reference)
    return bool(np.all(np.isfinite(five)) and np.all(five > 0.0))


def test_nearly_every_listed_module_is_fitted_physically(listed: _List) -> None:
    """At least 97 % of the list keep their values with positive parameters; the rest say so."""
    fit = listed.fit
    assert len(fit) == LISTED["inputs"]["rows"]
    assert np.mean(fit.status == FitStatus.EXACT) >= LISTED["expected"]["least_exact_share_ratio"]
    assert _all_positive(fit)
    flagged = fit.status != FitStatus.EXACT
    assert np.all(fit.misfit_ratio[~flagged] <= WITHIN)
    assert np.all(fit.misfit_ratio[flagged] > WITHIN)


def test_listed_values_are_met_by_another_library(listed: _List) -> None:
    """Isc, Voc, Imp and Vmp of the whole list come back from another library's solver."""
    exact = listed.fit.status == FitStatus.EXACT
    theirs = pvlib.pvsystem.singlediode(*_five(listed.fit.reference)[:, exact])
    for name, wanted in (
        ("i_sc", listed.isc_a),
        ("v_oc", listed.voc_v),
        ("i_mp", listed.imp_a),
        ("v_mp", listed.vmp_v),
        ("p_mp", listed.imp_a * listed.vmp_v),
    ):
        np.testing.assert_allclose(theirs[name], wanted[exact], rtol=WITHIN, err_msg=name)


def test_listed_points_are_maxima_by_another_library(listed: _List) -> None:
    """At the given point the current is met and dP/dV is zero by another library's gradient."""
    exact = listed.fit.status == FitStatus.EXACT
    il, i0, rs, rsh, a = _five(listed.fit.reference)[:, exact]
    imp_a, vmp_v = listed.imp_a[exact], listed.vmp_v[exact]
    gradients = pvlib.singlediode.bishop88(vmp_v + imp_a * rs, il, i0, rs, rsh, a, gradients=True)
    current_a, voltage_v, _, _, _, _, power_slope_a, _ = gradients
    np.testing.assert_allclose(current_a, imp_a, rtol=WITHIN)
    np.testing.assert_allclose(voltage_v, vmp_v, rtol=WITHIN)
    np.testing.assert_allclose(power_slope_a / imp_a, 0.0, atol=WITHIN)


def test_voltage_coefficient_is_met_or_its_misfit_told(listed: _List) -> None:
    """Voc of another library, a little warmer and cooler, shows the coefficient that is told."""
    il, i0, rs, rsh, a = _five(listed.fit.reference)
    alpha = np.abs(listed.raw_alpha)
    voc_v = [
        pvlib.pvsystem.v_from_i(
            0.0, *pvlib.pvsystem.calcparams_desoto(1000.0, temp_c, alpha, a, il, i0, rsh, rs)
        )
        for temp_c in (24.9, 25.1)
    ]
    told = 1.0 + listed.fit.beta_misfit_ratio
    np.testing.assert_allclose((voc_v[1] - voc_v[0]) / 0.2 / listed.beta, told, atol=1e-5)
    assert np.mean(np.abs(listed.fit.beta_misfit_ratio) < 1e-6) > 0.8


def test_a_missed_voltage_coefficient_stands_at_the_physical_limit(listed: _List) -> None:
    """Where beta is missed, series or shunt resistance has reached its end, so none is nearer."""
    missed = np.abs(listed.fit.beta_misfit_ratio) > 1e-6
    unit_ohm = listed.voc_v / listed.isc_a
    rs = listed.fit.reference.series_resistance_ohm / unit_ohm
    g = unit_ohm / listed.fit.reference.shunt_resistance_ohm
    assert missed.any()
    np.testing.assert_allclose(np.minimum(rs, g)[missed], 1e-6, rtol=1e-2)
    assert np.all(np.minimum(rs, g)[~missed] > 1e-6)
    assert np.all(listed.fit.beta_misfit_ratio[missed] < 0.0)


def _gamma_percent_per_k(reference: ReferenceDiode) -> FloatArray:
    power_w = [
        key_points(translate(reference, irradiance_w_m2=1000.0, cell_temp_c=temp_c)).pmp_w
        for temp_c in (24.5, 25.0, 25.5)
    ]
    return 100.0 * (power_w[2] - power_w[0]) / power_w[1]


def test_an_effective_bandgap_brings_the_listed_power_coefficient(listed: _List) -> None:
    """Where beta is missed, following it makes the never-fitted coefficient of power right too."""
    missed = np.abs(listed.fit.beta_misfit_ratio) > 1e-6
    followed = with_voc_coefficient(listed.fit.reference, beta_voc_v_per_k=listed.beta)
    error_before, error_after = (
        np.abs(_gamma_percent_per_k(reference) - listed.gamma_percent_per_k)
        for reference in (listed.fit.reference, followed)
    )
    assert np.median(error_before[missed]) > 0.12
    assert np.median(error_after[missed]) < 0.05
    assert np.median(error_after[~missed]) < 0.05
    np.testing.assert_allclose(voc_coefficient(followed), listed.beta, rtol=1e-12)


def test_another_fit_started_nearby_ends_at_the_same_parameters(listed: _List) -> None:
    """A general root finder, led near our parameters, finds nothing else than they are."""
    met = np.flatnonzero(np.abs(listed.fit.beta_misfit_ratio) < 1e-6)
    found = 0
    for row in met[:: len(met) // 40]:
        reference = listed.fit.reference.take(row)
        five = _five(reference)[:, 0]
        warm = translate(reference, irradiance_w_m2=1000.0, cell_temp_c=27.0)
        chord = float(open_circuit_voltage(warm)[0] - listed.voc_v[row]) / 2.0
        names = ("IL_0", "Io_0", "Rs_0", "Rsh_0", "a_0")
        try:
            theirs, _ = pvlib.ivtools.sdm.fit_desoto(
                v_mp=listed.vmp_v[row],
                i_mp=listed.imp_a[row],
                v_oc=listed.voc_v[row],
                i_sc=listed.isc_a[row],
                alpha_sc=abs(listed.raw_alpha[row]),
                beta_voc=chord,
                cells_in_series=int(listed.cells[row]),
                init_guess=dict(zip(names, five * [1.0, 1.05, 0.98, 1.02, 1.002], strict=True)),
            )
        except RuntimeError:
            continue
        found += 1
        np.testing.assert_allclose(
            [theirs[name] for name in ("I_L_ref", "I_o_ref", "R_s", "R_sh_ref", "a_ref")],
            five,
            rtol=1e-3,
        )
    assert found >= 10


def test_ideality_of_most_listed_modules_is_that_of_silicon(listed: _List) -> None:
    """The diode voltages that come out belong to the cells in series that the list tells."""
    n = listed.fit.ideality_ratio
    assert 0.9 < np.median(n) < 1.1
    assert np.mean((n > 0.5) & (n < 2.0)) > 0.97
    np.testing.assert_allclose(ideality(0.025692579 * 60 * 1.3, cells_in_series=60), 1.3, rtol=1e-6)


def test_parameters_of_another_library_are_found() -> None:
    """The five printed parameters come out when their own slope of Voc is asked for."""
    inputs, expected = WORKED["inputs"], WORKED["expected"]
    alpha = inputs["alpha_isc_a_per_k"]
    printed = ReferenceDiode(
        alpha_isc_a_per_k=alpha, **{name: np.array([value]) for name, value in expected.items()}
    )
    warm = translate(printed, irradiance_w_m2=1000.0, cell_temp_c=25.0 + inputs["beta_over_k"])
    chord = (open_circuit_voltage(warm) - inputs["voc_v"]) / inputs["beta_over_k"]
    np.testing.assert_allclose(chord, inputs["beta_voc_v_per_k"], rtol=1e-3)
    fit = fit_datasheet(
        isc_a=inputs["isc_a"],
        voc_v=inputs["voc_v"],
        imp_a=inputs["imp_a"],
        vmp_v=inputs["vmp_v"],
        alpha_isc_a_per_k=alpha,
        beta_voc_v_per_k=voc_coefficient(printed),
        cells_in_series=inputs["cells_in_series"],
    )
    for name, value in expected.items():
        np.testing.assert_allclose(
            getattr(fit.reference, name), value, rtol=WORKED["tolerance"]["ratio"], err_msg=name
        )


diodes = st.fixed_dictionaries(
    {
        "photocurrent_a": st.floats(0.1, 30.0),
        "voc_over_a": st.floats(12.0, 60.0),
        "series_ratio": st.floats(0.001, 0.15),
        "shunt_ratio": st.floats(0.001, 0.25),
        "diode_voltage_v": st.floats(0.02, 10.0),
        "alpha": st.floats(0.0, 0.001),
    }
)


def _reference(drawn: dict[str, float]) -> ReferenceDiode:
    il, a = drawn["photocurrent_a"], drawn["diode_voltage_v"]
    unit_ohm = drawn["voc_over_a"] * a / il
    return ReferenceDiode(
        photocurrent_a=np.array([il]),
        saturation_current_a=np.array([il * np.exp(-drawn["voc_over_a"])]),
        series_resistance_ohm=np.array([drawn["series_ratio"] * unit_ohm]),
        shunt_resistance_ohm=np.array([unit_ohm / drawn["shunt_ratio"]]),
        diode_voltage_v=np.array([a]),
        alpha_isc_a_per_k=np.array([drawn["alpha"] * il]),
    )


@settings(max_examples=300, deadline=None)
@given(drawn=diodes)
def test_parameters_come_back_from_their_own_key_points(drawn: dict[str, float]) -> None:
    """Any physical diode is found again from its curve, by its a and by its beta."""
    true = _reference(drawn)
    points = key_points(true.at_reference())
    values = {
        "isc_a": points.isc_a,
        "voc_v": points.voc_v,
        "imp_a": points.imp_a,
        "vmp_v": points.vmp_v,
    }
    fits = [
        fit_flash(true, **values),
        fit_datasheet(
            **values,
            alpha_isc_a_per_k=true.alpha_isc_a_per_k,
            beta_voc_v_per_k=voc_coefficient(true),
        ),
    ]
    for fit in fits:
        assert fit.status.tolist() == [FitStatus.EXACT]
        found, wanted = _five(fit.reference), _five(true)
        found[1], wanted[1] = np.log(found[1]), np.log(wanted[1])
        np.testing.assert_allclose(found, wanted, rtol=1e-6)


def test_flash_rows_keep_the_ideality_of_their_type_where_they_can(listed: _List) -> None:
    """A module that scatters about its type keeps a; one that cannot takes the nearest below."""
    row = 10_000
    template = listed.fit.reference.take(row)
    rng = np.random.default_rng(20_200)
    scatter = 1.0 + 0.004 * rng.standard_normal((4, 20_000))
    fit = fit_flash(
        template,
        isc_a=listed.isc_a[row] * scatter[0],
        voc_v=listed.voc_v[row] * scatter[1],
        imp_a=listed.imp_a[row] * scatter[2],
        vmp_v=listed.vmp_v[row] * scatter[3],
    )
    assert np.all(fit.status == FitStatus.EXACT)
    assert _all_positive(fit)
    kept = fit.reference.diode_voltage_v == template.diode_voltage_v
    assert 0.2 < kept.mean() < 1.0
    assert np.all(fit.reference.diode_voltage_v[~kept] < template.diode_voltage_v)
    unit_ohm = listed.voc_v[row] / listed.isc_a[row] * scatter[1] / scatter[0]
    end = np.minimum(
        fit.reference.series_resistance_ohm / unit_ohm,
        unit_ohm / fit.reference.shunt_resistance_ohm,
    )
    np.testing.assert_allclose(end[~kept], 1e-6, rtol=1e-2)
    theirs = pvlib.pvsystem.max_power_point(*_five(fit.reference), method="newton")
    np.testing.assert_allclose(theirs["i_mp"], listed.imp_a[row] * scatter[2], rtol=WITHIN)
    np.testing.assert_allclose(theirs["v_mp"], listed.vmp_v[row] * scatter[3], rtol=WITHIN)
    assert np.isnan(fit.beta_misfit_ratio).all()
    np.testing.assert_array_equal(fit.reference.alpha_isc_a_per_k, template.alpha_isc_a_per_k[0])


NOT_MODULES = [
    (np.nan, 40.0, 8.5, 32.0),
    (9.0, np.inf, 8.5, 32.0),
    (9.0, 40.0, 9.0, 32.0),
    (9.0, 40.0, 9.2, 32.0),
    (9.0, 40.0, 8.5, 40.0),
    (9.0, 40.0, 8.5, 41.0),
    (-9.0, 40.0, 8.5, 32.0),
    (9.0, 0.0, 8.5, 32.0),
    (9.0, 40.0, 0.0, 32.0),
    (9.0, 40.0, 8.5, -32.0),
]


@pytest.mark.parametrize("values", NOT_MODULES)
def test_values_that_are_no_module_get_a_status_and_no_numbers(
    values: tuple[float, float, float, float],
) -> None:
    """Missing, negative or contradicting values never yield parameters, nor an exception."""
    isc_a, voc_v, imp_a, vmp_v = values
    fit = fit_datasheet(
        isc_a=np.array([9.0, isc_a]),
        voc_v=np.array([40.0, voc_v]),
        imp_a=np.array([8.5, imp_a]),
        vmp_v=np.array([32.0, vmp_v]),
        alpha_isc_a_per_k=0.004,
        beta_voc_v_per_k=-0.12,
    )
    assert fit.status.tolist() == [FitStatus.EXACT, FitStatus.IMPOSSIBLE]
    assert np.isnan(_five(fit.reference)[:, 1]).all()
    assert np.isnan(fit.misfit_ratio[1])


def test_a_missing_coefficient_is_impossible_too() -> None:
    """Without alpha or beta no member of the family can be picked."""
    fit = fit_datasheet(
        isc_a=9.0,
        voc_v=40.0,
        imp_a=8.5,
        vmp_v=32.0,
        alpha_isc_a_per_k=np.array([np.nan, 0.004]),
        beta_voc_v_per_k=np.array([-0.12, np.nan]),
    )
    assert fit.status.tolist() == [FitStatus.IMPOSSIBLE] * 2


UNREACHABLE = [
    (9.0, 40.0, 8.99, 39.9),
    (9.0, 40.0, 4.2, 32.0),
    (9.0, 40.0, 8.0, 19.5),
    (9.0, 40.0, 4.0, 18.0),
    (9.0, 40.0, 4.6, 39.99),
]


@pytest.mark.parametrize("values", UNREACHABLE)
def test_unreachable_values_get_the_nearest_physical_parameters(
    values: tuple[float, float, float, float],
) -> None:
    """The told misfit is the curve's, and no nearer values have physical parameters."""
    given_values = np.array(values)
    fit = _fit_values(given_values[:, None])
    assert fit.status.tolist() == [FitStatus.NEAREST]
    assert _all_positive(fit)
    theirs = pvlib.pvsystem.singlediode(*_five(fit.reference))
    back = np.array([theirs[name][0] for name in ("i_sc", "v_oc", "i_mp", "v_mp")])
    np.testing.assert_allclose(
        np.max(np.abs(back / given_values - 1.0)), fit.misfit_ratio[0], rtol=1e-4
    )
    corners = np.array(np.meshgrid(*[[-1.0, 0.0, 1.0]] * 4)).reshape(4, -1)
    nearer = given_values[:, None] * (1.0 + 0.98 * fit.misfit_ratio * corners)
    assert np.all(_fit_values(nearer).status != FitStatus.EXACT)
    further = given_values[:, None] * (1.0 + 1.02 * fit.misfit_ratio * corners)
    assert np.any(_fit_values(further).status == FitStatus.EXACT)


def _fit_values(values: FloatArray) -> DiodeFit:
    return fit_datasheet(
        isc_a=values[0],
        voc_v=values[1],
        imp_a=values[2],
        vmp_v=values[3],
        alpha_isc_a_per_k=0.004,
        beta_voc_v_per_k=-0.12,
    )


@settings(max_examples=300, deadline=None)
@given(values=hnp.arrays(np.float64, (4, 8), elements=st.floats(0.01, 100.0)))
def test_any_positive_values_end_physical_or_impossible(values: FloatArray) -> None:
    """Whatever positive numbers come, parameters are positive, or there are none and it is said."""
    fit = _fit_values(values)
    possible = fit.status != FitStatus.IMPOSSIBLE
    np.testing.assert_array_equal(possible, (values[2] < values[0]) & (values[3] < values[1]))
    five = _five(fit.reference)
    assert np.all(np.isfinite(five[:, possible]) & (five[:, possible] > 0.0))
    assert np.isnan(five[:, ~possible]).all()
    exact = fit.status == FitStatus.EXACT
    assert np.all(fit.misfit_ratio[exact] <= WITHIN)
    assert np.all(fit.misfit_ratio[possible & ~exact] > WITHIN)


@settings(max_examples=300, deadline=None)
@given(values=hnp.arrays(np.float64, (5, 4)), template_v=st.floats())
def test_no_numbers_at_all_make_the_fit_raise(values: FloatArray, template_v: float) -> None:
    """Nonsense of every kind gets a status per row."""
    template = ReferenceDiode(
        photocurrent_a=np.array([9.0]),
        saturation_current_a=np.array([1e-10]),
        series_resistance_ohm=np.array([0.3]),
        shunt_resistance_ohm=np.array([400.0]),
        diode_voltage_v=np.array([template_v]),
        alpha_isc_a_per_k=np.array([0.004]),
    )
    flash = fit_flash(template, isc_a=values[0], voc_v=values[1], imp_a=values[2], vmp_v=values[3])
    sheet = fit_datasheet(
        isc_a=values[0],
        voc_v=values[1],
        imp_a=values[2],
        vmp_v=values[3],
        alpha_isc_a_per_k=values[4],
        beta_voc_v_per_k=values[4],
    )
    for fit in (flash, sheet):
        assert set(fit.status.tolist()) <= set(FitStatus)
        assert len(fit) == 4
    if not template_v > 0.0:
        assert np.all(flash.status == FitStatus.IMPOSSIBLE)


@settings(max_examples=50, deadline=None)
@given(drawn=diodes, softer=st.floats(1.05, 3.0))
def test_a_flash_row_never_leaves_the_physical_family(
    drawn: dict[str, float], softer: float
) -> None:
    """With a type far too soft for the row, its values are still met by positive parameters."""
    true = _reference(drawn)
    points = key_points(true.at_reference())
    assume(points.imp_a[0] / points.isc_a[0] > 0.55 and points.vmp_v[0] / points.voc_v[0] > 0.55)
    softer_type = ReferenceDiode(
        photocurrent_a=true.photocurrent_a,
        saturation_current_a=true.saturation_current_a,
        series_resistance_ohm=true.series_resistance_ohm,
        shunt_resistance_ohm=true.shunt_resistance_ohm,
        diode_voltage_v=true.diode_voltage_v * softer,
        alpha_isc_a_per_k=true.alpha_isc_a_per_k,
    )
    fit = fit_flash(
        softer_type,
        isc_a=points.isc_a,
        voc_v=points.voc_v,
        imp_a=points.imp_a,
        vmp_v=points.vmp_v,
    )
    assert fit.status.tolist() == [FitStatus.EXACT]
    assert _all_positive(fit)


def test_lengths_that_differ_are_refused() -> None:
    """A wrong call says what would be right."""
    with pytest.raises(CallError, match="one length"):
        fit_datasheet(
            isc_a=np.ones(2),
            voc_v=np.ones(3),
            imp_a=0.9,
            vmp_v=0.8,
            alpha_isc_a_per_k=0.0,
            beta_voc_v_per_k=-0.1,
        )
