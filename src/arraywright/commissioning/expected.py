"""What the very modules of a string should read at an irradiance and a cell temperature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np

from arraywright.arrays import FloatArray, FloatLike, IntArray
from arraywright.commissioning.string_modules import SOURCE_FLASH, StringModules
from arraywright.errors import CallError
from arraywright.physics import (
    STC_CELL_TEMP_C,
    STC_IRRADIANCE_W_M2,
    ReferenceDiode,
    SingleDiode,
    fit_datasheet,
    open_circuit_voltage,
    string_short_circuit_current,
    translate,
    with_voc_coefficient,
)
from arraywright.plant import ModuleType

__all__ = [
    "Assumptions",
    "ExpectedStrings",
    "StringNominal",
    "expected_at",
    "expected_values",
    "string_nominal",
    "type_template",
]

_STEP_K: Final = 0.5
_STEP_RATIO: Final = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumptions:
    """Standard uncertainties that no table states; all are common practice, on the wide side.

    ``common`` ones are shared by all strings tested with the same instruments and cancel against
    neighbours; ``own`` ones belong to one string or one reading and stay.

    Attributes:
        flash_voc_common_ratio: calibration of the maker's flasher, Voc [1].
        flash_voc_own_ratio: repeatability of one module's flashed Voc [1].
        flash_isc_common_ratio: calibration of the maker's flasher, Isc [1].
        flash_isc_own_ratio: repeatability of flashed Isc, taken in full for a string [1].
        flash_pmax_common_ratio: calibration of the maker's flasher, Pmax [1].
        flash_pmax_own_ratio: repeatability of one module's flashed Pmax [1].
        class_voc_own_ratio: spread of string means of Voc within a class [1].
        class_isc_own_ratio: spread of strings' Isc within a class [1].
        meter_repeatability_v_ratio: repeatability of a voltage reading [1].
        meter_repeatability_a_ratio: repeatability of a current reading [1].
        irradiance_own_ratio: irradiance at the string against the sensor at that moment [1].
        voc_per_efold_ratio: error of the single-diode model in Voc, per e-fold of irradiance away
            from 1000 W/m2 [1]; 3,585 outdoor curves of one module showed about 1 %.
        spectrum_angle_ratio: spectral and angular mismatch of sensor and modules [1].
        beta_uncertainty_ratio: uncertainty of the temperature coefficient of Voc, relative [1].
        alpha_uncertainty_ratio: uncertainty of the temperature coefficient of Isc, relative [1].

    Source: common-practice
    """

    flash_voc_common_ratio: float = 0.003
    flash_voc_own_ratio: float = 0.001
    flash_isc_common_ratio: float = 0.010
    flash_isc_own_ratio: float = 0.002
    flash_pmax_common_ratio: float = 0.012
    flash_pmax_own_ratio: float = 0.003
    class_voc_own_ratio: float = 0.002
    class_isc_own_ratio: float = 0.005
    meter_repeatability_v_ratio: float = 0.0005
    meter_repeatability_a_ratio: float = 0.002
    irradiance_own_ratio: float = 0.005
    voc_per_efold_ratio: float = 0.008
    spectrum_angle_ratio: float = 0.010
    beta_uncertainty_ratio: float = 0.05
    alpha_uncertainty_ratio: float = 0.20


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedStrings:
    """What strings should read, with standard uncertainties split in two parts, all (n,).

    Attributes:
        voc_v: expected open-circuit voltage [V].
        voc_u_v: its standard uncertainty [V].
        voc_u_common_v: part shared by strings tested with the same instruments [V].
        voc_u_own_v: part of this string and this reading alone [V].
        isc_a: expected short-circuit current [A].
        isc_u_a: its standard uncertainty [A].
        isc_u_common_a: part shared by strings tested with the same instruments [A].
        isc_u_own_a: part of this string and this reading alone [A].
        method: how it was computed, in words.
        sources: keys of the sources.
    """

    voc_v: FloatArray
    voc_u_v: FloatArray
    voc_u_common_v: FloatArray
    voc_u_own_v: FloatArray
    isc_a: FloatArray
    isc_u_a: FloatArray
    isc_u_common_a: FloatArray
    isc_u_own_a: FloatArray
    method: ClassVar[str] = (
        "flashed values of the string's own modules, carried from standard test conditions by the "
        "single-diode model of the type and its data sheet coefficients"
    )
    sources: ClassVar[tuple[str, ...]] = ("de-soto-2006", "jcgm-100")


@dataclass(frozen=True, slots=True, kw_only=True)
class StringNominal:
    """What strings of one module type give at standard test conditions, all (n,).

    Attributes:
        voc_v: sum of the modules' Voc [V].
        isc_a: short-circuit current of the series string, bypass diodes included [A].
        voc_common_ratio: common standard uncertainty of Voc [1].
        voc_own_ratio: own standard uncertainty of Voc [1].
        isc_common_ratio: common standard uncertainty of Isc [1].
        isc_own_ratio: own standard uncertainty of Isc [1].
    """

    voc_v: FloatArray
    isc_a: FloatArray
    voc_common_ratio: FloatArray
    voc_own_ratio: FloatArray
    isc_common_ratio: FloatArray
    isc_own_ratio: FloatArray

    def take(self, index: IntArray) -> StringNominal:
        """Give the strings at these places, in this order."""
        return StringNominal(
            voc_v=self.voc_v[index],
            isc_a=self.isc_a[index],
            voc_common_ratio=self.voc_common_ratio[index],
            voc_own_ratio=self.voc_own_ratio[index],
            isc_common_ratio=self.isc_common_ratio[index],
            isc_own_ratio=self.isc_own_ratio[index],
        )


def type_template(module_type: ModuleType) -> ReferenceDiode:
    """Single-diode parameters of a module type, one element, from its data sheet.

    The middle power class stands for the type; its temperature coefficient of Voc is the data
    sheet's exactly. Source: de-soto-2006.

    Raises:
        CallError: no parameters can be found for the data sheet values.
    """
    nominal = module_type.power_classes[len(module_type.power_classes) // 2]
    fit = fit_datasheet(
        isc_a=np.array([nominal.isc_a]),
        voc_v=np.array([nominal.voc_v]),
        imp_a=np.array([nominal.imp_a]),
        vmp_v=np.array([nominal.vmp_v]),
        alpha_isc_a_per_k=np.array([module_type.alpha_isc_per_k * nominal.isc_a]),
        beta_voc_v_per_k=np.array([module_type.beta_voc_per_k * nominal.voc_v]),
        cells_in_series=np.array([float(module_type.cells_in_series)]),
    )
    if not np.isfinite(fit.reference.photocurrent_a).all():
        raise CallError(
            "module-type-impossible",
            f"No module can have the data sheet values of module type {module_type.key}.",
            "Check Isc, Voc, Imp and Vmp of its power classes.",
        )
    return with_voc_coefficient(
        fit.reference, beta_voc_v_per_k=module_type.beta_voc_per_k * nominal.voc_v
    )


def _with_isc(template: ReferenceDiode, isc_a: FloatArray) -> SingleDiode:
    """Diodes of modules that differ from the template in their short-circuit current alone."""
    ones = np.ones(len(isc_a))
    rs = template.series_resistance_ohm[0]
    rsh = template.shunt_resistance_ohm[0]
    i0 = template.saturation_current_a[0]
    a = template.diode_voltage_v[0]
    photocurrent = isc_a * (1.0 + rs / rsh) + i0 * np.expm1(isc_a * rs / a)
    return SingleDiode(
        photocurrent_a=photocurrent,
        saturation_current_a=i0 * ones,
        series_resistance_ohm=rs * ones,
        shunt_resistance_ohm=rsh * ones,
        diode_voltage_v=a * ones,
    )


def string_nominal(
    modules: StringModules, module_type: ModuleType, *, assumptions: Assumptions | None = None
) -> StringNominal:
    """Voc [V] and Isc [A] of strings of one module type at STC, with uncertainties.

    Voc is the sum of the modules'. Isc is that of the series string: at zero voltage the modules
    with more current drive the others until their bypass diodes conduct, so it lies near the
    greatest Isc in the string, not at the least.

    Strings whose modules are not known carry the data sheet tolerance (taken as rectangular) and,
    where not even the power class is known, half the range of the classes (rectangular).

    Source: jcgm-100 4.3.7
    """
    used = assumptions or Assumptions()
    lengths = np.maximum(modules.lengths, 1).astype(np.float64)
    isc = modules.isc_mean_a()
    flash = (modules.source == SOURCE_FLASH).to_numpy()
    if flash.any():
        known = modules.take(np.flatnonzero(flash))
        isc[flash] = string_short_circuit_current(
            _with_isc(type_template(module_type), known.isc_a),
            offsets=known.offsets,
            bypass_substrings=module_type.bypass_substrings,
        )
    open_class = np.isnan(modules.power_class_w)
    classes = module_type.power_classes

    def class_common(values: list[float], tolerance: float) -> FloatArray:
        half = 0.5 * (max(values) - min(values)) / values[len(values) // 2]
        edge: FloatArray = np.where(open_class, np.hypot(tolerance, half), tolerance)
        common: FloatArray = edge / np.sqrt(3.0)
        return common

    voc_class = class_common([c.voc_v for c in classes], module_type.voc_tolerance_ratio)
    isc_class = class_common([c.isc_a for c in classes], module_type.isc_tolerance_ratio)
    return StringNominal(
        voc_v=modules.voc_sum_v(),
        isc_a=isc,
        voc_common_ratio=np.where(flash, used.flash_voc_common_ratio, voc_class),
        voc_own_ratio=np.where(
            flash, used.flash_voc_own_ratio / np.sqrt(lengths), used.class_voc_own_ratio
        ),
        isc_common_ratio=np.where(flash, used.flash_isc_common_ratio, isc_class),
        isc_own_ratio=np.where(flash, used.flash_isc_own_ratio, used.class_isc_own_ratio),
    )


def _voc_ratio(
    template: ReferenceDiode, *, irradiance_w_m2: FloatArray, cell_temp_c: FloatArray
) -> FloatArray:
    """Voc over Voc at STC [1] of the single-diode model of a type, (n,)."""
    at_stc = float(open_circuit_voltage(template.at_reference())[0])
    index = np.zeros(len(irradiance_w_m2), dtype=np.int64)
    diode = translate(
        template.take(index), irradiance_w_m2=irradiance_w_m2, cell_temp_c=cell_temp_c
    )
    ratio: FloatArray = open_circuit_voltage(diode) / at_stc
    return ratio


def expected_at(
    nominal: StringNominal,
    module_type: ModuleType,
    *,
    irradiance_w_m2: FloatArray,
    cell_temp_c: FloatArray,
    irradiance_u_ratio: FloatArray,
    cell_temp_common_u_k: FloatArray,
    cell_temp_own_u_k: FloatArray,
    assumptions: Assumptions | None = None,
) -> ExpectedStrings:
    """Expected Voc [V] and Isc [A], one condition per entry of ``nominal``, all (n,).

    Voc(G, T) = Voc(STC) x v(G, T) / v(STC), v being the single-diode model of the type, its
    temperature slope at STC the data sheet coefficient;
    Isc(G, T) = Isc(STC) x G / 1000 W/m2 x (1 + alpha (T - 25 degC)).

    Uncertainty: first order, sensitivities to G and T by central differences, to the rest
    analytic. Valid for G from about 100 to 1300 W/m2.

    Source: de-soto-2006, jcgm-100 5.1.2
    """
    used = assumptions or Assumptions()
    g, t = np.asarray(irradiance_w_m2, dtype=np.float64), np.asarray(cell_temp_c, dtype=np.float64)
    template = type_template(module_type)

    def voc_ratio(at_g: FloatArray, at_t: FloatArray) -> FloatArray:
        return _voc_ratio(template, irradiance_w_m2=at_g, cell_temp_c=at_t)

    v = voc_ratio(g, t)
    up, down = 1.0 + _STEP_RATIO, 1.0 - _STEP_RATIO
    v_per_g_ratio = (voc_ratio(g * up, t) - voc_ratio(g * down, t)) / (2.0 * _STEP_RATIO)
    v_per_k = (voc_ratio(g, t + _STEP_K) - voc_ratio(g, t - _STEP_K)) / (2.0 * _STEP_K)
    above_stc = t - STC_CELL_TEMP_C
    warmth = 1.0 + module_type.alpha_isc_per_k * above_stc
    c = g / STC_IRRADIANCE_W_M2 * warmth
    alpha = module_type.alpha_isc_per_k / warmth

    voc_common = _norm(
        nominal.voc_common_ratio * v,
        v_per_g_ratio * irradiance_u_ratio,
        v_per_k * cell_temp_common_u_k,
        used.beta_uncertainty_ratio * module_type.beta_voc_per_k * above_stc,
        used.voc_per_efold_ratio * v * np.log(g / STC_IRRADIANCE_W_M2),
    )
    voc_own = _norm(
        nominal.voc_own_ratio * v,
        v_per_g_ratio * used.irradiance_own_ratio,
        v_per_k * cell_temp_own_u_k,
    )
    isc_common = _norm(
        nominal.isc_common_ratio,
        irradiance_u_ratio,
        alpha * cell_temp_common_u_k,
        used.alpha_uncertainty_ratio * alpha * above_stc,
        np.full_like(g, used.spectrum_angle_ratio),
    )
    isc_own = _norm(
        nominal.isc_own_ratio,
        np.full_like(g, used.irradiance_own_ratio),
        alpha * cell_temp_own_u_k,
    )
    voc_stc, isc_v = nominal.voc_v, nominal.isc_a * c
    return ExpectedStrings(
        voc_v=voc_stc * v,
        voc_u_v=voc_stc * np.hypot(voc_common, voc_own),
        voc_u_common_v=voc_stc * voc_common,
        voc_u_own_v=voc_stc * voc_own,
        isc_a=isc_v,
        isc_u_a=isc_v * np.hypot(isc_common, isc_own),
        isc_u_common_a=isc_v * isc_common,
        isc_u_own_a=isc_v * isc_own,
    )


def _norm(*parts: FloatArray) -> FloatArray:
    """Square root of the sum of squares."""
    total = np.zeros_like(parts[0])
    for part in parts:
        total = total + np.square(part)
    return np.sqrt(total)


def expected_values(
    modules: StringModules,
    module_type: ModuleType,
    *,
    irradiance_w_m2: FloatLike,
    cell_temp_c: FloatLike,
    irradiance_u_ratio: FloatLike = 0.025,
    cell_temp_common_u_k: FloatLike = 2.0,
    cell_temp_own_u_k: FloatLike = 1.5,
    assumptions: Assumptions | None = None,
) -> ExpectedStrings:
    """Expected Voc [V] and Isc [A] of strings of one module type, one condition per string.

    Args:
        modules: the modules of the strings.
        module_type: their type.
        irradiance_w_m2: irradiance in the plane, (strings,) or one for all.
        cell_temp_c: cell temperature, (strings,) or one for all.
        irradiance_u_ratio: standard uncertainty of the irradiance sensor.
        cell_temp_common_u_k: part of the cell temperature's standard uncertainty shared by all.
        cell_temp_own_u_k: part of one string alone.
        assumptions: uncertainties that no table states.

    Source: de-soto-2006, jcgm-100 5.1.2
    """
    count = len(modules.strings)

    def spread(value: FloatLike) -> FloatArray:
        return np.broadcast_to(np.asarray(value, dtype=np.float64), (count,)).copy()

    return expected_at(
        string_nominal(modules, module_type, assumptions=assumptions),
        module_type,
        irradiance_w_m2=spread(irradiance_w_m2),
        cell_temp_c=spread(cell_temp_c),
        irradiance_u_ratio=spread(irradiance_u_ratio),
        cell_temp_common_u_k=spread(cell_temp_common_u_k),
        cell_temp_own_u_k=spread(cell_temp_own_u_k),
        assumptions=assumptions,
    )
