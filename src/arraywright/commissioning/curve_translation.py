"""Curves of strings at standard test conditions, with what their modules should give there."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np

from arraywright.arrays import BoolArray, FloatArray, IntArray, offsets_from_lengths
from arraywright.commissioning.conditions import Conditions
from arraywright.commissioning.curve_expected import StringExpectation, string_expectation
from arraywright.commissioning.curve_fit import CurveFit, CurveFitStatus, fit_curves
from arraywright.commissioning.curve_procedures import (
    PowerByProcedure,
    power_by_procedure_1,
    power_by_procedure_4,
)
from arraywright.commissioning.curve_steps import CurveSteps, curve_steps
from arraywright.commissioning.expected import Assumptions
from arraywright.commissioning.string_modules import SOURCE_FLASH, StringModules
from arraywright.physics.iec60891 import TranslatedCurve, procedure_2_2021
from arraywright.physics.iv_curve import MeasuredKeyPoints, measured_key_points
from arraywright.physics.uncertainty import Quantity, combined, propagate
from arraywright.plant import Site

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
        isc_u_a: standard uncertainty of Isc at STC [A], (curves,).
        voc_u_v: standard uncertainty of Voc at STC [V], (curves,).
        pmax_u_w: standard uncertainty of Pmax at STC [W], (curves,).
        by_procedure_1: Pmax by procedure 1, meter and noise in its uncertainty, (curves,).
        by_procedure_4: Pmax by procedure 4, NaN where one diode does not describe the curve.
        nominal: what the modules let expect, (curves,).
        isc_nominal_u_a: standard uncertainty of the expected Isc [A], (curves,).
        voc_nominal_u_v: standard uncertainty of the expected Voc [V], (curves,).
        expected_w: expected Pmax at STC [W], (curves,).
        expected_u_w: its standard uncertainty [W], (curves,).
        series_resistance_ohm: series resistance of the string [ohm], (curves,).
        fit: single-diode parameters at the condition of the measurement, (curves,).
        steps: the deepest step of each curve.
        far_from_target: irradiance more than 30 % from 1000 W/m2, (curves,).
    """

    voltage_v: FloatArray
    current_a: FloatArray
    key_points: MeasuredKeyPoints
    isc_u_a: FloatArray
    voc_u_v: FloatArray
    pmax_u_w: FloatArray
    by_procedure_1: PowerByProcedure
    by_procedure_4: PowerByProcedure
    nominal: StringExpectation
    isc_nominal_u_a: FloatArray
    voc_nominal_u_v: FloatArray
    expected_w: FloatArray
    expected_u_w: FloatArray
    series_resistance_ohm: FloatArray
    fit: CurveFit
    steps: CurveSteps
    far_from_target: BoolArray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chosen:
    """The usable curves among all."""

    rows: IntArray
    offsets: IntArray
    at: IntArray
    curves: int
    points: int

    def curve_values(self, values: FloatArray) -> FloatArray:
        out = np.full(self.curves, np.nan)
        out[self.rows] = values
        return out

    def point_values(self, values: FloatArray) -> FloatArray:
        out = np.full(self.points, np.nan)
        out[self.at] = values
        return out


def curves_at_stc(
    site: Site,
    modules: StringModules,
    *,
    conditions: Conditions,
    measured: MeasuredKeyPoints,
    voltage_v: FloatArray,
    current_a: FloatArray,
    offsets: IntArray,
    usable: BoolArray,
    assumptions: Assumptions,
) -> CurvesAtStc:
    """Curves at STC, their Pmax [W] and its expectation, with standard uncertainties.

    Procedure 2 of IEC 60891:2021 with the coefficients of ``string_expectation`` and irradiance
    factors B1 = a/Voc and B2 = (a/Voc)^2. The uncertainties of Isc, Voc and Pmax are propagated
    through the translation of the measured point they come from, from irradiance (sensor,
    spectrum, angle), cell temperature, alpha, beta, series resistance and irradiance factor; at
    the maximum power does not change along the curve, so that its place adds nothing to first
    order. Meter and noise are added. Procedures 1 and 4 stand beside it, the latter with the
    series resistance of the curve's own fit.

    Args:
        site: the site.
        modules: modules of its strings, in its order.
        conditions: conditions of the curves, (curves,).
        measured: key points as measured, (curves,).
        voltage_v: voltages of all points, flat.
        current_a: currents, same shape.
        offsets: where each curve begins, (curves + 1,).
        usable: curves to translate, (curves,).
        assumptions: uncertainties that no table states.

    Source: iec-60891 procedures 1, 2 and 4; astm-e1036; jcgm-100 5.1.2
    """
    chosen = _chosen(offsets, usable, points=len(voltage_v))
    rows = chosen.rows
    string, place = np.unique(conditions.string_index[rows], return_inverse=True)
    own = modules.take(string)
    given = string_expectation(site, own).take(place)
    flash = (own.source == SOURCE_FLASH).to_numpy()[place]
    lengths = own.lengths[place]
    v, i = voltage_v[chosen.at], current_a[chosen.at]
    fit = fit_curves(v, i, offsets=chosen.offsets)
    raw = _taken(measured, rows)
    # a curve that begins somewhat off V = 0 has its Isc from its fit
    raw = replace(raw, isc_a=np.where(np.isfinite(raw.isc_a), raw.isc_a, fit.isc_a))
    inputs = _inputs(conditions, rows, given=given, assumptions=assumptions)
    curve = _by_procedure_2(v, i, chosen.offsets, isc_a=raw.isc_a, given=given, values=inputs)
    points = measured_key_points(curve.voltage_v, curve.current_a, offsets=chosen.offsets)
    points = replace(
        points,
        isc_a=curve.isc_a,
        fill_factor_ratio=points.pmp_w / (curve.isc_a * points.voc_v),
    )
    meter = conditions.meter.uncertainty
    meter_v = meter["voltage_uncertainty_ratio"][rows]
    meter_a = meter["current_uncertainty_ratio"][rows]
    noise = points.residual_ratio / np.sqrt(np.maximum(np.diff(chosen.offsets) / 4.0, 1.0))

    def at_point(v1: FloatArray, i1: FloatArray, *, kind: str) -> FloatArray:
        def value(**values: FloatArray) -> FloatArray:
            one = _by_procedure_2(
                v1,
                i1,
                np.arange(len(v1) + 1),
                isc_a=raw.isc_a,
                given=given,
                values={
                    name: Quantity(value=held, standard_uncertainty=np.zeros_like(held))
                    for name, held in values.items()
                },
            )
            if kind == "power":
                return np.asarray(one.voltage_v * one.current_a)
            return one.voltage_v if kind == "voltage" else one.current_a

        return propagate(value, inputs).standard_uncertainty

    zero = np.zeros(len(rows))
    other: dict[str, Any] = {
        "offsets": chosen.offsets,
        "isc_a": raw.isc_a,
        "vmp_v": raw.vmp_v,
        "imp_a": raw.imp_a,
    }
    alpha_a = given.alpha_per_k * given.isc_a
    first = power_by_procedure_1(
        v,
        i,
        **other,
        irradiance_w_m2=inputs["g"],
        cell_temp_c=inputs["t"],
        alpha_isc_a_per_k=alpha_a,
        beta_voc_v_per_k=_times(inputs["beta"], given.voc_v),
        series_resistance_ohm=inputs["rs"],
        curve_correction_ohm_per_k=given.kappa_ohm_per_k,
    )
    fourth = power_by_procedure_4(
        v,
        i,
        **other,
        irradiance_w_m2=inputs["g"],
        cell_temp_c=inputs["t"],
        alpha_isc_a_per_k=alpha_a,
        cells_in_series=given.cells,
        series_resistance_ohm=Quantity(
            value=np.where(fit.is_one_diode, fit.series_resistance_ohm, np.nan),
            standard_uncertainty=np.nan_to_num(fit.series_resistance_u_ohm, nan=0.0),
        ),
    )
    expected = given.pmax_sum_w * (1.0 - given.mismatch_ratio)
    few = np.sqrt(np.maximum(lengths, 1))
    spread = chosen.curve_values
    order = _sorted_within(curve.voltage_v, chosen.offsets)
    steps = curve_steps(curve.voltage_v[order], curve.current_a[order], offsets=chosen.offsets)
    far = np.zeros(chosen.curves, dtype=np.bool_)
    far[rows] = curve.far_from_target
    return CurvesAtStc(
        voltage_v=chosen.point_values(curve.voltage_v),
        current_a=chosen.point_values(curve.current_a),
        key_points=_spread_out(points, chosen),
        isc_u_a=spread(combined(at_point(zero, raw.isc_a, kind="current"), points.isc_a * meter_a)),
        voc_u_v=spread(combined(at_point(raw.voc_v, zero, kind="voltage"), points.voc_v * meter_v)),
        pmax_u_w=spread(
            combined(
                at_point(raw.vmp_v, raw.imp_a, kind="power"),
                points.pmp_w * meter_v,
                points.pmp_w * meter_a,
                points.pmp_w * noise,
            )
        ),
        by_procedure_1=_power_spread_out(first, chosen, combined(meter_v, meter_a, noise)),
        by_procedure_4=_power_spread_out(fourth, chosen, combined(meter_v, meter_a, noise)),
        nominal=StringExpectation(
            **{
                field.name: spread(getattr(given, field.name))
                for field in fields(StringExpectation)
            }
        ),
        isc_nominal_u_a=spread(
            given.isc_a
            * np.where(
                flash,
                combined(assumptions.flash_isc_common_ratio, assumptions.flash_isc_own_ratio),
                given.isc_tolerance / np.sqrt(3.0),
            )
        ),
        voc_nominal_u_v=spread(
            given.voc_v
            * np.where(
                flash,
                combined(assumptions.flash_voc_common_ratio, assumptions.flash_voc_own_ratio / few),
                given.voc_tolerance / np.sqrt(3.0),
            )
        ),
        expected_w=spread(expected),
        expected_u_w=spread(
            expected
            * np.where(
                flash,
                combined(
                    assumptions.flash_pmax_common_ratio, assumptions.flash_pmax_own_ratio / few
                ),
                given.pmax_tolerance / np.sqrt(3.0),
            )
        ),
        series_resistance_ohm=spread(given.rs_ohm + points.voc_slope_ohm - given.slope_ohm),
        fit=_fit_spread_out(fit, chosen),
        steps=CurveSteps(
            depth_ratio=spread(steps.depth_ratio),
            at_voltage_v=spread(steps.at_voltage_v),
            at_current_a=spread(steps.at_current_a),
            noise_ratio=spread(steps.noise_ratio),
        ),
        far_from_target=far,
    )


def _chosen(offsets: IntArray, usable: BoolArray, *, points: int) -> _Chosen:
    rows = np.flatnonzero(usable)
    lengths = np.diff(offsets)[rows]
    inner = offsets_from_lengths(lengths)
    at = (
        np.arange(int(inner[-1]), dtype=np.int64)
        - np.repeat(inner[:-1], lengths)
        + np.repeat(offsets[:-1][rows], lengths)
    )
    return _Chosen(rows=rows, offsets=inner, at=at, curves=len(offsets) - 1, points=points)


def _inputs(
    conditions: Conditions, rows: IntArray, *, given: StringExpectation, assumptions: Assumptions
) -> dict[str, Quantity]:
    """Uncertain inputs of the translation."""
    g, t = conditions.irradiance_w_m2[rows], conditions.cell.cell_temp_c[rows]
    sensor_u = conditions.sensor.uncertainty["irradiance_uncertainty_ratio"][rows]

    def with_share(value: FloatArray, share: float) -> Quantity:
        return Quantity(value=value, standard_uncertainty=np.abs(value) * share)

    return {
        "g": Quantity(
            value=g,
            standard_uncertainty=g
            * combined(
                sensor_u, assumptions.spectrum_angle_ratio, assumptions.irradiance_own_ratio
            ),
        ),
        "t": Quantity(
            value=t,
            standard_uncertainty=combined(
                conditions.cell.common_u_k[rows], conditions.cell.own_u_k[rows]
            ),
        ),
        "alpha": with_share(given.alpha_per_k, assumptions.alpha_uncertainty_ratio),
        "beta": with_share(given.beta_per_k, assumptions.beta_uncertainty_ratio),
        "rs": with_share(given.rs_ohm, _RS_U_RATIO),
        "factor": with_share(given.irradiance_factor, _IRRADIANCE_FACTOR_U_RATIO),
    }


def _by_procedure_2(
    v: FloatArray,
    i: FloatArray,
    offsets: IntArray,
    *,
    isc_a: FloatArray,
    given: StringExpectation,
    values: dict[str, Quantity],
) -> TranslatedCurve:
    factor = values["factor"].value
    return procedure_2_2021(
        v,
        i,
        offsets=offsets,
        irradiance_w_m2=values["g"].value,
        cell_temp_c=values["t"].value,
        alpha_isc_per_k=values["alpha"].value,
        beta_voc_per_k=values["beta"].value,
        voc_stc_v=given.voc_v,
        series_resistance_ohm=values["rs"].value,
        curve_correction_ohm_per_k=given.kappa_ohm_per_k,
        irradiance_factor_1_ratio=factor,
        irradiance_factor_2_ratio=np.square(factor),
        isc_a=isc_a,
    )


def _times(quantity: Quantity, factor: FloatArray) -> Quantity:
    return Quantity(
        value=quantity.value * factor,
        standard_uncertainty=quantity.standard_uncertainty * np.abs(factor),
    )


def _taken(points: MeasuredKeyPoints, rows: IntArray) -> MeasuredKeyPoints:
    return MeasuredKeyPoints(
        **{field.name: getattr(points, field.name)[rows] for field in fields(MeasuredKeyPoints)}
    )


def _spread_out(points: MeasuredKeyPoints, chosen: _Chosen) -> MeasuredKeyPoints:
    gate = np.zeros(chosen.curves, dtype=np.int8)
    gate[chosen.rows] = points.gate
    named = {
        field.name: chosen.curve_values(getattr(points, field.name))
        for field in fields(MeasuredKeyPoints)
        if field.name != "gate"
    }
    return MeasuredKeyPoints(gate=gate, **named)


def _power_spread_out(
    power: PowerByProcedure, chosen: _Chosen, reading_u_ratio: FloatArray
) -> PowerByProcedure:
    """Give the power of all curves, with meter and noise in its uncertainty."""
    return PowerByProcedure(
        pmax_w=chosen.curve_values(power.pmax_w),
        pmax_u_w=chosen.curve_values(combined(power.pmax_u_w, power.pmax_w * reading_u_ratio)),
        method=power.method,
    )


def _fit_spread_out(fit: CurveFit, chosen: _Chosen) -> CurveFit:
    status = np.full(chosen.curves, CurveFitStatus.NOT_FITTED, dtype=np.int8)
    status[chosen.rows] = fit.status
    named = {
        field.name: chosen.curve_values(getattr(fit, field.name))
        for field in fields(CurveFit)
        if field.name != "status"
    }
    return CurveFit(status=status, **named)


def _sorted_within(voltage_v: FloatArray, offsets: IntArray) -> IntArray:
    """Order that sorts the points of each curve by voltage, missing ones last."""
    curve = np.repeat(np.arange(len(offsets) - 1), np.diff(offsets))
    order: IntArray = np.lexsort((voltage_v, curve))
    return order
