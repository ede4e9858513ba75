"""What the modules of a string let its I-V curve expect, and the coefficients of translation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.arrays import FloatArray, IntArray
from arraywright.commissioning.expected import type_template
from arraywright.commissioning.string_modules import SOURCE_FLASH, StringModules
from arraywright.physics.desoto import ReferenceDiode
from arraywright.physics.fit import DiodeFit, fit_flash
from arraywright.physics.iv_curve import measured_key_points
from arraywright.physics.mismatch import series_mismatch
from arraywright.physics.strings import string_curve
from arraywright.plant import ModuleType, Site

__all__ = ["StringExpectation", "string_expectation"]

_FIELDS: Final = (
    *("alpha_per_k", "beta_per_k", "voc_v", "isc_a", "pmax_sum_w", "rs_ohm", "irradiance_factor"),
    *("kappa_ohm_per_k", "slope_ohm", "pmax_tolerance", "isc_tolerance", "voc_tolerance"),
    *("cells", "mismatch_ratio", "photocurrent_a", "saturation_current_a", "diode_voltage_v"),
    *("own_rs_ohm", "shunt_resistance_ohm"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StringExpectation:
    """Coefficients and expected values of strings at STC, all (n,).

    Attributes:
        alpha_per_k: temperature coefficient of Isc [1/K].
        beta_per_k: temperature coefficient of Voc [1/K].
        voc_v: sum of the modules' Voc [V].
        isc_a: mean of the modules' Isc [A].
        pmax_sum_w: sum of the modules' Pmax [W].
        rs_ohm: series resistance of the type's single-diode model times the modules [ohm].
        irradiance_factor: a/Voc of the type's model, the irradiance factor B1 [1].
        kappa_ohm_per_k: curve correction factor [ohm/K].
        slope_ohm: -dV/dI of the type's model at open circuit and STC [ohm].
        pmax_tolerance: tolerance of the type's Pmax [1].
        isc_tolerance: tolerance of the type's Isc [1].
        voc_tolerance: tolerance of the type's Voc [1].
        cells: cells in series on the whole string.
        mismatch_ratio: predicted mismatch loss [1]; zero where only class values are known.
        photocurrent_a: mean light-generated current of the modules' models [A].
        saturation_current_a: geometric mean of their saturation currents [A].
        diode_voltage_v: sum of their diode voltages [V].
        own_rs_ohm: sum of their series resistances [ohm].
        shunt_resistance_ohm: sum of their shunt resistances [ohm].
    """

    alpha_per_k: FloatArray
    beta_per_k: FloatArray
    voc_v: FloatArray
    isc_a: FloatArray
    pmax_sum_w: FloatArray
    rs_ohm: FloatArray
    irradiance_factor: FloatArray
    kappa_ohm_per_k: FloatArray
    slope_ohm: FloatArray
    pmax_tolerance: FloatArray
    isc_tolerance: FloatArray
    voc_tolerance: FloatArray
    cells: FloatArray
    mismatch_ratio: FloatArray
    photocurrent_a: FloatArray
    saturation_current_a: FloatArray
    diode_voltage_v: FloatArray
    own_rs_ohm: FloatArray
    shunt_resistance_ohm: FloatArray

    def take(self, index: IntArray) -> StringExpectation:
        """Give the strings at these places, in this order."""
        return StringExpectation(**{name: getattr(self, name)[index] for name in _FIELDS})

    def reference(self) -> ReferenceDiode:
        """Give each string as one diode at STC, (n,)."""
        return ReferenceDiode(
            photocurrent_a=self.photocurrent_a,
            saturation_current_a=self.saturation_current_a,
            series_resistance_ohm=self.own_rs_ohm,
            shunt_resistance_ohm=self.shunt_resistance_ohm,
            diode_voltage_v=self.diode_voltage_v,
            alpha_isc_a_per_k=self.alpha_per_k * self.isc_a,
        )


def string_expectation(site: Site, used: StringModules) -> StringExpectation:
    """Expected values of strings at STC and the coefficients that carry a curve there [1].

    Alpha and beta are the data sheet's, series resistance and irradiance factor those of the
    type's single-diode model times the modules in series; the curve correction factor carries
    the type's Pmax from 50 degC by the data sheet's gamma. The string as one diode has the sums
    of its modules' models, fitted to their flash or class values.

    Args:
        site: the site.
        used: the modules of the strings.

    Source: iec-60891 procedure 2, de-soto-2006
    """
    columns = {name: np.full(len(used.strings), np.nan) for name in _FIELDS}
    columns["voc_v"], columns["isc_a"] = used.voc_sum_v(), used.isc_mean_a()
    columns["pmax_sum_w"] = used.pmax_sum_w()
    columns["mismatch_ratio"] = np.zeros(len(used.strings))
    for module_type, template, index in _of_type(site, used):
        mine = used.take(index)
        count = mine.lengths.astype(np.float64)
        rs = float(template.series_resistance_ohm[0])
        slope, factor = _of_one_module(module_type, template)
        for name, value in (
            ("alpha_per_k", module_type.alpha_isc_per_k),
            ("beta_per_k", module_type.beta_voc_per_k),
            ("irradiance_factor", factor),
            ("pmax_tolerance", module_type.pmax_tolerance_ratio),
            ("isc_tolerance", module_type.isc_tolerance_ratio),
            ("voc_tolerance", module_type.voc_tolerance_ratio),
            ("cells", module_type.cells_in_series * count),
            ("rs_ohm", rs * count),
            ("kappa_ohm_per_k", _curve_correction(module_type, rs) * count),
            ("slope_ohm", slope * count),
        ):
            columns[name][index] = value
        fit = fit_flash(
            template, isc_a=mine.isc_a, voc_v=mine.voc_v, imp_a=mine.imp_a, vmp_v=mine.vmp_v
        )
        for name, values in _as_one_diode(fit, mine).items():
            columns[name][index] = values
        columns["mismatch_ratio"][index] = _mismatch(module_type, fit, mine)
    return StringExpectation(**columns)


def _of_type(site: Site, used: StringModules) -> list[tuple[ModuleType, ReferenceDiode, IntArray]]:
    """Module type, its diode, and the places of the strings of that type."""
    out = []
    for key in used.module_type.unique().sort().to_list():
        index = np.flatnonzero((used.module_type == key).to_numpy())
        module_type = site.module_types[key]
        out.append((module_type, type_template(module_type), index))
    return out


def _of_one_module(module_type: ModuleType, template: ReferenceDiode) -> tuple[float, float]:
    """Slope at open circuit [ohm] and irradiance factor a/Voc [1] of one module of the type."""
    curve = string_curve(
        template.at_reference(),
        offsets=np.array([0, 1]),
        bypass_substrings=module_type.bypass_substrings,
    )
    ends = np.array([0, curve.voltage_v.shape[1]])
    points = measured_key_points(curve.voltage_v[0], curve.current_a[0], offsets=ends)
    nominal_voc = float(curve.voltage_v[0, -1])
    return float(points.voc_slope_ohm[0]), float(template.diode_voltage_v[0]) / nominal_voc


def _as_one_diode(fit: DiodeFit, mine: StringModules) -> dict[str, FloatArray]:
    """Give the single-diode parameters of each string as one diode."""
    module = fit.reference.at_reference()
    starts, lengths = mine.offsets[:-1], mine.lengths
    some = lengths > 0

    def summed(values: FloatArray) -> FloatArray:
        out = np.full(len(lengths), np.nan)
        if some.any():
            out[some] = np.add.reduceat(values, starts[some])
        return out

    per = np.where(some, lengths, np.nan)
    with np.errstate(divide="ignore"):
        logs = np.log(module.saturation_current_a)
    return {
        "photocurrent_a": summed(module.photocurrent_a) / per,
        "saturation_current_a": np.exp(summed(logs) / per),
        "diode_voltage_v": summed(module.diode_voltage_v),
        "own_rs_ohm": summed(module.series_resistance_ohm),
        "shunt_resistance_ohm": summed(module.shunt_resistance_ohm),
    }


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


def _mismatch(module_type: ModuleType, fit: DiodeFit, mine: StringModules) -> FloatArray:
    """Predicted mismatch loss of each string [1]; nothing is known of strings of class values."""
    loss = np.zeros(len(mine.strings))
    flash = np.flatnonzero((mine.source == SOURCE_FLASH).to_numpy() & (mine.lengths > 0))
    if len(flash) == 0:
        return loss
    lengths = mine.lengths[flash]
    bounds = np.concatenate([[0], np.cumsum(lengths)])
    at = (
        np.arange(int(bounds[-1]), dtype=np.int64)
        - np.repeat(bounds[:-1], lengths)
        + np.repeat(mine.offsets[:-1][flash], lengths)
    )
    found = series_mismatch(
        fit.reference.at_reference().take(at),
        offsets=bounds,
        bypass_substrings=module_type.bypass_substrings,
    ).loss_ratio
    loss[flash] = np.where(np.isfinite(found), found, 0.0)
    return loss
