"""Curves of strings at standard test conditions, with what their modules should give there."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from arraywright.arrays import BoolArray, FloatArray, IntArray, offsets_from_lengths
from arraywright.commissioning.conditions import Conditions
from arraywright.commissioning.curve_steps import CurveSteps, curve_steps
from arraywright.commissioning.expected import Assumptions, type_template
from arraywright.commissioning.string_modules import SOURCE_FLASH, StringModules
from arraywright.physics.desoto import ReferenceDiode
from arraywright.physics.fit import fit_flash
from arraywright.physics.iec60891 import TranslatedCurve, procedure_2_2021
from arraywright.physics.iv_curve import MeasuredKeyPoints, measured_key_points
from arraywright.physics.mismatch import series_mismatch
from arraywright.physics.strings import string_curve
from arraywright.physics.uncertainty import Quantity, combined, propagate
from arraywright.plant import ModuleType, Site

__all__ = ["CurvesAtStc", "curves_at_stc"]

_RS_U_RATIO: Final = 0.3
_IRRADIANCE_FACTOR_U_RATIO: Final = 0.2
"""Standard uncertainties of series resistance and irradiance factor taken from a data sheet
instead of measured on the type; common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvesAtStc:
    """Curves at 1000 W/m2 and 25 degC and their expectation, NaN where not usable.

    Attributes:
        voltage_v: voltages of all points at STC [V], (points,).
        current_a: currents of all points at STC [A], (points,).
        key_points: key points at STC, (curves,).
        pmax_u_w: standard uncertainty of Pmax at STC [W], (curves,).
        module_sum_w: sum of the Pmax of the string's modules [W], (curves,).
        mismatch_ratio: predicted mismatch loss [1], (curves,).
        expected_w: expected Pmax at STC [W], (curves,).
        expected_u_w: its standard uncertainty [W], (curves,).
        series_resistance_ohm: series resistance of the string [ohm], (curves,).
        type_resistance_ohm: series resistance its type has by the data sheet [ohm], (curves,).
        steps: the deepest step of each curve.
        far_from_target: irradiance more than 30 % from 1000 W/m2, (curves,).
    """

    voltage_v: FloatArray
    current_a: FloatArray
    key_points: MeasuredKeyPoints
    pmax_u_w: FloatArray
    module_sum_w: FloatArray
    mismatch_ratio: FloatArray
    expected_w: FloatArray
    expected_u_w: FloatArray
    series_resistance_ohm: FloatArray
    type_resistance_ohm: FloatArray
    steps: CurveSteps
    far_from_target: BoolArray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Coefficients:
    """Coefficients of the translation, one per curve."""

    alpha_per_k: FloatArray
    beta_per_k: FloatArray
    voc_v: FloatArray
    rs_ohm: FloatArray
    irradiance_factor: FloatArray
    kappa_ohm_per_k: FloatArray
    slope_ohm: FloatArray
    pmax_tolerance: FloatArray


def curves_at_stc(
    site: Site,
    modules: StringModules,
    *,
    conditions: Conditions,
    voltage_v: FloatArray,
    current_a: FloatArray,
    offsets: IntArray,
    usable: BoolArray,
    assumptions: Assumptions,
) -> CurvesAtStc:
    """Curves at STC, their Pmax [W] and its expectation, with standard uncertainties.

    Procedure 2 of IEC 60891:2021 with the data sheet's alpha and beta, the series resistance of
    the type's single-diode model times the modules in series, the curve correction that carries
    the type's Pmax from 50 degC by the data sheet's gamma, and the irradiance factors B1 = a/Voc
    and B2 = (a/Voc)^2 of that model. The uncertainty of Pmax is propagated through translation
    and key points from irradiance (sensor, spectrum, angle), cell temperature, beta, series
    resistance and irradiance factor; meter and noise are added.

    Args:
        site: the site.
        modules: modules of its strings, in its order.
        conditions: conditions of the curves, (curves,).
        voltage_v: voltages of all points, flat.
        current_a: currents, same shape.
        offsets: where each curve begins, (curves + 1,).
        usable: curves to translate, (curves,).
        assumptions: uncertainties that no table states.

    Source: iec-60891 procedure 2, astm-e1036, jcgm-100 5.1.2
    """
    curves = len(offsets) - 1
    rows = np.flatnonzero(usable)
    lengths = np.diff(offsets)[rows]
    inner = offsets_from_lengths(lengths)
    at = (
        np.arange(int(inner[-1]), dtype=np.int64)
        - np.repeat(inner[:-1], lengths)
        + np.repeat(offsets[:-1][rows], lengths)
    )
    string = conditions.string_index[rows]
    used = modules.take(string)
    given = _coefficients(site, used)
    g, t = conditions.irradiance_w_m2[rows], conditions.cell.cell_temp_c[rows]

    def translated(
        *, g: FloatArray, t: FloatArray, beta: FloatArray, rs: FloatArray, factor: FloatArray
    ) -> TranslatedCurve:
        return procedure_2_2021(
            voltage_v[at],
            current_a[at],
            offsets=inner,
            irradiance_w_m2=g,
            cell_temp_c=t,
            alpha_isc_per_k=given.alpha_per_k,
            beta_voc_per_k=beta,
            voc_stc_v=given.voc_v,
            series_resistance_ohm=rs,
            curve_correction_ohm_per_k=given.kappa_ohm_per_k,
            irradiance_factor_1_ratio=factor,
            irradiance_factor_2_ratio=np.square(factor),
        )

    def pmax(**inputs: FloatArray) -> FloatArray:
        curve = translated(**inputs)
        return measured_key_points(curve.voltage_v, curve.current_a, offsets=inner).pmp_w

    sensor_u = conditions.sensor.uncertainty["irradiance_uncertainty_ratio"][rows]
    g_u = g * combined(sensor_u, assumptions.spectrum_angle_ratio, assumptions.irradiance_own_ratio)
    t_u = combined(conditions.cell.common_u_k[rows], conditions.cell.own_u_k[rows])
    inputs = {
        "g": Quantity(value=g, standard_uncertainty=g_u),
        "t": Quantity(value=t, standard_uncertainty=t_u),
        "beta": Quantity(
            value=given.beta_per_k,
            standard_uncertainty=-given.beta_per_k * assumptions.beta_uncertainty_ratio,
        ),
        "rs": Quantity(value=given.rs_ohm, standard_uncertainty=_RS_U_RATIO * given.rs_ohm),
        "factor": Quantity(
            value=given.irradiance_factor,
            standard_uncertainty=_IRRADIANCE_FACTOR_U_RATIO * given.irradiance_factor,
        ),
    }
    curve = translated(**{name: quantity.value for name, quantity in inputs.items()})
    points = _with_translated_isc(
        measured_key_points(curve.voltage_v, curve.current_a, offsets=inner), curve.isc_a
    )
    spread = propagate(pmax, inputs).standard_uncertainty
    meter = conditions.meter.uncertainty
    pmax_u = combined(
        spread,
        points.pmp_w * meter["voltage_uncertainty_ratio"][rows],
        points.pmp_w * meter["current_uncertainty_ratio"][rows],
        points.pmp_w * points.residual_ratio / np.sqrt(np.maximum(lengths / 4.0, 1.0)),
    )
    module_sum = used.pmax_sum_w()
    loss = _mismatch(site, used)
    expected = module_sum * (1.0 - loss)
    flash = (used.source == SOURCE_FLASH).to_numpy()
    expected_u = expected * np.where(
        flash,
        combined(
            assumptions.flash_pmax_common_ratio,
            assumptions.flash_pmax_own_ratio / np.sqrt(np.maximum(used.lengths, 1)),
        ),
        given.pmax_tolerance / np.sqrt(3.0),
    )
    order = _sorted_within(curve.voltage_v, inner)
    steps = curve_steps(curve.voltage_v[order], curve.current_a[order], offsets=inner)

    def spread_out(values: FloatArray) -> FloatArray:
        out = np.full(curves, np.nan)
        out[rows] = values
        return out

    points_v, points_a = np.full(len(voltage_v), np.nan), np.full(len(voltage_v), np.nan)
    points_v[at], points_a[at] = curve.voltage_v, curve.current_a
    far = np.zeros(curves, dtype=np.bool_)
    far[rows] = curve.far_from_target
    gate = np.zeros(curves, dtype=np.int8)
    gate[rows] = points.gate
    named = {
        name: spread_out(getattr(points, name))
        for name in MeasuredKeyPoints.__slots__
        if name != "gate"
    }
    return CurvesAtStc(
        voltage_v=points_v,
        current_a=points_a,
        key_points=MeasuredKeyPoints(gate=gate, **named),
        pmax_u_w=spread_out(pmax_u),
        module_sum_w=spread_out(module_sum),
        mismatch_ratio=spread_out(loss),
        expected_w=spread_out(expected),
        expected_u_w=spread_out(expected_u),
        series_resistance_ohm=spread_out(given.rs_ohm + points.voc_slope_ohm - given.slope_ohm),
        type_resistance_ohm=spread_out(given.rs_ohm),
        steps=CurveSteps(
            depth_ratio=spread_out(steps.depth_ratio),
            at_voltage_v=spread_out(steps.at_voltage_v),
            noise_ratio=spread_out(steps.noise_ratio),
        ),
        far_from_target=far,
    )


def _with_translated_isc(points: MeasuredKeyPoints, isc_a: FloatArray) -> MeasuredKeyPoints:
    """Key points with the Isc translated by itself: a translated curve need not start at V = 0."""
    return replace(points, isc_a=isc_a, fill_factor_ratio=points.pmp_w / (isc_a * points.voc_v))


def _sorted_within(voltage_v: FloatArray, offsets: IntArray) -> IntArray:
    """Order that sorts the points of each curve by voltage, missing ones last."""
    curve = np.repeat(np.arange(len(offsets) - 1), np.diff(offsets))
    order: IntArray = np.lexsort((voltage_v, curve))
    return order


def _of_type(site: Site, used: StringModules) -> list[tuple[ModuleType, ReferenceDiode, IntArray]]:
    """Module type, its diode, and the places of the strings of that type."""
    out = []
    for key in used.module_type.unique().sort().to_list():
        index = np.flatnonzero((used.module_type == key).to_numpy())
        module_type = site.module_types[key]
        out.append((module_type, type_template(module_type), index))
    return out


def _coefficients(site: Site, used: StringModules) -> _Coefficients:
    """Coefficients of each string from its type."""
    columns = {name: np.full(len(used.strings), np.nan) for name in _Coefficients.__slots__}
    lengths = used.lengths
    for module_type, template, index in _of_type(site, used):
        diode = template.at_reference()
        curve = string_curve(
            diode, offsets=np.array([0, 1]), bypass_substrings=module_type.bypass_substrings
        )
        ends = np.array([0, curve.voltage_v.shape[1]])
        of_module = measured_key_points(curve.voltage_v[0], curve.current_a[0], offsets=ends)
        nominal_voc = float(curve.voltage_v[0, -1])
        columns["alpha_per_k"][index] = module_type.alpha_isc_per_k
        columns["beta_per_k"][index] = module_type.beta_voc_per_k
        columns["rs_ohm"][index] = template.series_resistance_ohm[0] * lengths[index]
        columns["irradiance_factor"][index] = template.diode_voltage_v[0] / nominal_voc
        columns["kappa_ohm_per_k"][index] = (
            _curve_correction(module_type, float(template.series_resistance_ohm[0]))
            * lengths[index]
        )
        columns["slope_ohm"][index] = of_module.voc_slope_ohm[0] * lengths[index]
        columns["pmax_tolerance"][index] = module_type.pmax_tolerance_ratio
    columns["voc_v"] = used.voc_sum_v()
    return _Coefficients(**columns)


def _curve_correction(module_type: ModuleType, series_resistance_ohm: float) -> float:
    """Curve correction factor of one module [ohm/K] that agrees with the data sheet's gamma.

    Solves procedure 2 at the maximum power point of the middle class, from 50 degC to 25 degC at
    1000 W/m2, with Pmax(50 degC) = Pmax (1 + 25 K gamma) and Imp following alpha.
    """
    nominal = module_type.power_classes[len(module_type.power_classes) // 2]
    above_k, target_a = 25.0, nominal.imp_a
    current_a = target_a * (1.0 + module_type.alpha_isc_per_k * above_k)
    pmax_w = nominal.imp_a * nominal.vmp_v
    voltage_v = pmax_w * (1.0 + module_type.gamma_pmax_per_k * above_k) / current_a
    lift_v = -nominal.voc_v * module_type.beta_voc_per_k * above_k
    step_a = target_a - current_a
    missing_v = nominal.vmp_v - (voltage_v + lift_v - series_resistance_ohm * step_a)
    return missing_v / (above_k * (target_a - step_a))


def _mismatch(site: Site, used: StringModules) -> FloatArray:
    """Predicted mismatch loss of each string [1]; nothing is known of strings of class values."""
    loss = np.zeros(len(used.strings))
    flash = (used.source == SOURCE_FLASH).to_numpy()
    for module_type, template, index in _of_type(site, used):
        places = index[flash[index]]
        if len(places) == 0:
            continue
        mine = used.take(places)
        fit = fit_flash(
            template, isc_a=mine.isc_a, voc_v=mine.voc_v, imp_a=mine.imp_a, vmp_v=mine.vmp_v
        )
        found = series_mismatch(
            fit.reference.at_reference(),
            offsets=mine.offsets,
            bypass_substrings=module_type.bypass_substrings,
        ).loss_ratio
        loss[places] = np.where(np.isfinite(found), found, 0.0)
    return loss
