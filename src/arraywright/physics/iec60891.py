"""Measured current-voltage curves brought to another irradiance and cell temperature.

The names carry the edition of IEC 60891 whose equations they hold. Curves stand one after the
other in flat arrays of points; ``offsets`` (curves + 1,) says where each begins. What belongs to a
curve (irradiance, temperature, its module's coefficients) is one value for all or (curves,).

Valid for irradiances within about 30 % of the target. Below about 700 W/m2 procedure 1 leaves a
trend in the maximum power of some per cent: ``far_from_target`` marks such curves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from arraywright.arrays import BoolArray, FloatArray
from arraywright.errors import CallError
from arraywright.physics.desoto import STC_CELL_TEMP_C, STC_IRRADIANCE_W_M2
from arraywright.physics.iv_curve import measured_key_points

__all__ = [
    "TranslatedCurve",
    "procedure_1_2021",
    "procedure_2_2009",
    "procedure_2_2021",
    "translate_short_circuit_current",
]

FAR_RATIO: Final = 0.3
"""Distance of the measured from the target irradiance, as a share of the target, beyond which
the translation is marked; the 30 % are those of IEC 60891, from memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TranslatedCurve:
    """Curves at the target irradiance and cell temperature.

    Attributes:
        voltage_v: voltages [V], shape of the measured ones.
        current_a: currents [A], likewise.
        isc_a: short-circuit current [A] at the target, shape (curves,), translated by itself
            rather than read off the translated curve, which no longer begins at V = 0.
        far_from_target: the measured irradiance is more than 30 % from the target, (curves,).
        method: the procedure with its edition.
    """

    voltage_v: FloatArray
    current_a: FloatArray
    isc_a: FloatArray
    far_from_target: BoolArray
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Points:
    v: FloatArray
    i: FloatArray
    lengths: npt.NDArray[np.int64]
    g1: FloatArray
    g2: FloatArray
    t1: FloatArray
    t2: FloatArray

    def spread(self, per_curve: FloatArray) -> FloatArray:
        """Give each point the value of its curve."""
        return np.repeat(per_curve, self.lengths)


def _per_curve(given: npt.ArrayLike, *, count: int, name: str) -> FloatArray:
    array = np.asarray(given, dtype=np.float64)
    if array.shape not in {(), (count,)}:
        raise CallError(
            "shapes-differ",
            f"Found {name} of shape {array.shape}; required: one value or ({count},), one per "
            "curve.",
            "Give one value for all curves or one for each.",
        )
    return np.broadcast_to(array, (count,))


def _points(
    voltage_v: npt.ArrayLike,
    current_a: npt.ArrayLike,
    *,
    offsets: npt.ArrayLike,
    from_w_m2: npt.ArrayLike,
    to_w_m2: npt.ArrayLike,
    from_c: npt.ArrayLike,
    to_c: npt.ArrayLike,
) -> _Points:
    v, i = np.asarray(voltage_v, dtype=np.float64), np.asarray(current_a, dtype=np.float64)
    bounds = np.asarray(offsets, dtype=np.int64)
    lengths = np.diff(bounds)
    if v.ndim != 1 or v.shape != i.shape or lengths.sum() != len(v) or np.any(lengths < 0):
        raise CallError(
            "shapes-differ",
            f"Found voltage_v {v.shape}, current_a {i.shape} and offsets {bounds.shape}; required: "
            "two flat arrays of one length and rising offsets from 0 to that length.",
            "Sort the points by curve and make offsets with offsets_from_lengths.",
        )
    count = len(lengths)
    g1 = _per_curve(from_w_m2, count=count, name="irradiance_w_m2")
    g2 = _per_curve(to_w_m2, count=count, name="to_irradiance_w_m2")
    if np.any(g1 <= 0.0) or np.any(g2 <= 0.0):
        raise CallError(
            "value-out-of-range",
            f"Found an irradiance of {min(g1.min(), g2.min()):g} W/m2; required: above zero.",
            "Leave curves out that were measured in the dark.",
        )
    return _Points(
        v=v,
        i=i,
        lengths=lengths,
        g1=g1,
        g2=g2,
        t1=_per_curve(from_c, count=count, name="cell_temp_c"),
        t2=_per_curve(to_c, count=count, name="to_cell_temp_c"),
    )


def _far(points: _Points) -> BoolArray:
    return np.abs(points.g1 / points.g2 - 1.0) > FAR_RATIO


def procedure_1_2021(
    voltage_v: npt.ArrayLike,
    current_a: npt.ArrayLike,
    *,
    offsets: npt.ArrayLike,
    irradiance_w_m2: npt.ArrayLike,
    cell_temp_c: npt.ArrayLike,
    alpha_isc_a_per_k: npt.ArrayLike,
    beta_voc_v_per_k: npt.ArrayLike,
    series_resistance_ohm: npt.ArrayLike,
    curve_correction_ohm_per_k: npt.ArrayLike = 0.0,
    isc_a: npt.ArrayLike | None = None,
    to_irradiance_w_m2: npt.ArrayLike = STC_IRRADIANCE_W_M2,
    to_cell_temp_c: npt.ArrayLike = STC_CELL_TEMP_C,
) -> TranslatedCurve:
    """Voltages [V] and currents [A] of curves at another condition by procedure 1.

    With 1 the measured and 2 the target condition::

        I2 = I1 + Isc1 (G2/G1 - 1) + alpha (T2 - T1)
        V2 = V1 - Rs (I2 - I1) - kappa I2 (T2 - T1) + beta (T2 - T1)

    For a string of n modules in series give n times beta, Rs and kappa of one module. The Isc
    given back is ``Isc1 G2/G1 + alpha (T2 - T1)``.

    Args:
        voltage_v: voltages of all points of all curves, flat.
        current_a: currents, same shape.
        offsets: (curves + 1,), where each curve begins.
        irradiance_w_m2: measured plane irradiance G1, constant over the sweep, above zero.
        cell_temp_c: measured cell temperature T1.
        alpha_isc_a_per_k: temperature coefficient of Isc [A/K] at the target irradiance.
        beta_voc_v_per_k: temperature coefficient of Voc [V/K], usually negative.
        series_resistance_ohm: internal series resistance Rs of the procedure.
        curve_correction_ohm_per_k: curve correction factor kappa [ohm/K].
        isc_a: measured Isc1; read off the curve (see ``iv_curve``) when left out.
        to_irradiance_w_m2: target irradiance G2.
        to_cell_temp_c: target cell temperature T2.

    Raises:
        CallError: ``shapes-differ``, ``value-out-of-range``.

    Source: iec-60891 procedure 1; the equations are those of the 2009 edition too.
    """
    points = _points(
        voltage_v,
        current_a,
        offsets=offsets,
        from_w_m2=irradiance_w_m2,
        to_w_m2=to_irradiance_w_m2,
        from_c=cell_temp_c,
        to_c=to_cell_temp_c,
    )
    count = len(points.lengths)
    alpha = _per_curve(alpha_isc_a_per_k, count=count, name="alpha_isc_a_per_k")
    beta = _per_curve(beta_voc_v_per_k, count=count, name="beta_voc_v_per_k")
    rs = _per_curve(series_resistance_ohm, count=count, name="series_resistance_ohm")
    kappa = _per_curve(curve_correction_ohm_per_k, count=count, name="curve_correction_ohm_per_k")
    isc = _isc(points, isc_a, offsets)
    warmer = points.t2 - points.t1
    shift = isc * (points.g2 / points.g1 - 1.0) + alpha * warmer
    i2 = points.i + points.spread(shift)
    v2 = points.v - points.spread(rs * shift) - points.spread(kappa * warmer) * i2
    return TranslatedCurve(
        voltage_v=v2 + points.spread(beta * warmer),
        current_a=i2,
        isc_a=isc + shift,
        far_from_target=_far(points),
        method="IEC 60891:2021 procedure 1",
    )


def _isc(points: _Points, isc_a: npt.ArrayLike | None, offsets: npt.ArrayLike) -> FloatArray:
    if isc_a is not None:
        return _per_curve(isc_a, count=len(points.lengths), name="isc_a")
    # The curve is flat near short circuit: it may begin somewhat further off than Isc itself may.
    return measured_key_points(points.v, points.i, offsets=offsets, reach_ratio=0.25).isc_a


def procedure_2_2021(
    voltage_v: npt.ArrayLike,
    current_a: npt.ArrayLike,
    *,
    offsets: npt.ArrayLike,
    irradiance_w_m2: npt.ArrayLike,
    cell_temp_c: npt.ArrayLike,
    alpha_isc_per_k: npt.ArrayLike,
    beta_voc_per_k: npt.ArrayLike,
    voc_stc_v: npt.ArrayLike,
    series_resistance_ohm: npt.ArrayLike,
    curve_correction_ohm_per_k: npt.ArrayLike = 0.0,
    irradiance_factor_1_ratio: npt.ArrayLike = 0.0,
    irradiance_factor_2_ratio: npt.ArrayLike = 0.0,
    isc_a: npt.ArrayLike | None = None,
    to_irradiance_w_m2: npt.ArrayLike = STC_IRRADIANCE_W_M2,
    to_cell_temp_c: npt.ArrayLike = STC_CELL_TEMP_C,
) -> TranslatedCurve:
    """Voltages [V] and currents [A] of curves at another condition by procedure 2, edition 2021.

    With 1 the measured and 2 the target condition and T in degC::

        I2 = I1 G2/G1 (1 + alpha (T2 - 25)) / (1 + alpha (T1 - 25))
        V2 = V1 - R1 (I2 - I1) - kappa I2 (T2 - T1)
             + Voc_STC (beta (f2 (T2 - 25) - f1 (T1 - 25)) + 1/f2 - 1/f1)
        R1 = Rs + kappa (T1 - 25)
        f  = 1 + B1 ln(1000/G) + B2 ln(1000/G)^2

    ``f`` is Voc at STC over Voc at that irradiance and 25 degC. The equations were written down
    from memory and agree with an independent implementation for targets at STC.

    Args:
        voltage_v: voltages of all points of all curves, flat.
        current_a: currents, same shape.
        offsets: (curves + 1,), where each curve begins.
        irradiance_w_m2: measured plane irradiance G1, above zero.
        cell_temp_c: measured cell temperature T1.
        alpha_isc_per_k: relative temperature coefficient of Isc [1/K], of Isc at STC.
        beta_voc_per_k: relative temperature coefficient of Voc [1/K], of Voc at STC.
        voc_stc_v: open-circuit voltage at STC.
        series_resistance_ohm: internal series resistance Rs of the procedure.
        curve_correction_ohm_per_k: curve correction factor kappa [ohm/K].
        irradiance_factor_1_ratio: B1 [1].
        irradiance_factor_2_ratio: B2 [1].
        isc_a: measured Isc1, only for the Isc given back; read off the curve when left out.
        to_irradiance_w_m2: target irradiance G2.
        to_cell_temp_c: target cell temperature T2.

    Raises:
        CallError: ``shapes-differ``, ``value-out-of-range``.

    Source: iec-60891 procedure 2.
    """
    points = _points(
        voltage_v,
        current_a,
        offsets=offsets,
        from_w_m2=irradiance_w_m2,
        to_w_m2=to_irradiance_w_m2,
        from_c=cell_temp_c,
        to_c=to_cell_temp_c,
    )
    count = len(points.lengths)
    alpha = _per_curve(alpha_isc_per_k, count=count, name="alpha_isc_per_k")
    beta = _per_curve(beta_voc_per_k, count=count, name="beta_voc_per_k")
    voc = _per_curve(voc_stc_v, count=count, name="voc_stc_v")
    rs = _per_curve(series_resistance_ohm, count=count, name="series_resistance_ohm")
    kappa = _per_curve(curve_correction_ohm_per_k, count=count, name="curve_correction_ohm_per_k")
    b1 = _per_curve(irradiance_factor_1_ratio, count=count, name="irradiance_factor_1_ratio")
    b2 = _per_curve(irradiance_factor_2_ratio, count=count, name="irradiance_factor_2_ratio")
    above_1, above_2 = points.t1 - STC_CELL_TEMP_C, points.t2 - STC_CELL_TEMP_C
    scale = points.g2 / points.g1 * (1.0 + alpha * above_2) / (1.0 + alpha * above_1)
    f1, f2 = _irradiance_factor(points.g1, b1, b2), _irradiance_factor(points.g2, b1, b2)
    lift = voc * (beta * (f2 * above_2 - f1 * above_1) + 1.0 / f2 - 1.0 / f1)
    i2 = points.i * points.spread(scale)
    v2 = points.v - points.spread(rs + kappa * above_1) * (i2 - points.i)
    v2 -= points.spread(kappa * (points.t2 - points.t1)) * i2
    return TranslatedCurve(
        voltage_v=v2 + points.spread(lift),
        current_a=i2,
        isc_a=_isc(points, isc_a, offsets) * scale,
        far_from_target=_far(points),
        method="IEC 60891:2021 procedure 2",
    )


def _irradiance_factor(irradiance: FloatArray, b1: FloatArray, b2: FloatArray) -> FloatArray:
    weaker = np.log(STC_IRRADIANCE_W_M2 / irradiance)
    factor: FloatArray = 1.0 + b1 * weaker + b2 * weaker**2
    return factor


def procedure_2_2009(
    voltage_v: npt.ArrayLike,
    current_a: npt.ArrayLike,
    *,
    offsets: npt.ArrayLike,
    irradiance_w_m2: npt.ArrayLike,
    cell_temp_c: npt.ArrayLike,
    alpha_isc_per_k: npt.ArrayLike,
    beta_voc_per_k: npt.ArrayLike,
    voc_v: npt.ArrayLike,
    series_resistance_ohm: npt.ArrayLike,
    curve_correction_ohm_per_k: npt.ArrayLike = 0.0,
    irradiance_factor_ratio: npt.ArrayLike = 0.0,
    isc_a: npt.ArrayLike | None = None,
    to_irradiance_w_m2: npt.ArrayLike = STC_IRRADIANCE_W_M2,
    to_cell_temp_c: npt.ArrayLike = STC_CELL_TEMP_C,
) -> TranslatedCurve:
    """Voltages [V] and currents [A] of curves at another condition by procedure 2, edition 2009.

    With 1 the measured and 2 the target condition::

        I2 = I1 (1 + alpha (T2 - T1)) G2/G1
        V2 = V1 + Voc1 (beta (T2 - T1) + a ln(G2/G1)) - Rs (I2 - I1) - kappa I2 (T2 - T1)

    Kept so that results of that edition stay reproducible; the equations are from memory.

    Args:
        voltage_v: voltages of all points of all curves, flat.
        current_a: currents, same shape.
        offsets: (curves + 1,), where each curve begins.
        irradiance_w_m2: measured plane irradiance G1, above zero.
        cell_temp_c: measured cell temperature T1.
        alpha_isc_per_k: relative temperature coefficient of Isc [1/K].
        beta_voc_per_k: relative temperature coefficient of Voc [1/K].
        voc_v: measured open-circuit voltage Voc1.
        series_resistance_ohm: internal series resistance Rs of the procedure.
        curve_correction_ohm_per_k: curve correction factor kappa [ohm/K].
        irradiance_factor_ratio: irradiance factor a [1], typically 0.06.
        isc_a: measured Isc1, only for the Isc given back; read off the curve when left out.
        to_irradiance_w_m2: target irradiance G2.
        to_cell_temp_c: target cell temperature T2.

    Raises:
        CallError: ``shapes-differ``, ``value-out-of-range``.

    Source: iec-60891-2009 procedure 2.
    """
    points = _points(
        voltage_v,
        current_a,
        offsets=offsets,
        from_w_m2=irradiance_w_m2,
        to_w_m2=to_irradiance_w_m2,
        from_c=cell_temp_c,
        to_c=to_cell_temp_c,
    )
    count = len(points.lengths)
    alpha = _per_curve(alpha_isc_per_k, count=count, name="alpha_isc_per_k")
    beta = _per_curve(beta_voc_per_k, count=count, name="beta_voc_per_k")
    voc = _per_curve(voc_v, count=count, name="voc_v")
    rs = _per_curve(series_resistance_ohm, count=count, name="series_resistance_ohm")
    kappa = _per_curve(curve_correction_ohm_per_k, count=count, name="curve_correction_ohm_per_k")
    a = _per_curve(irradiance_factor_ratio, count=count, name="irradiance_factor_ratio")
    warmer = points.t2 - points.t1
    scale = points.g2 / points.g1 * (1.0 + alpha * warmer)
    lift = voc * (beta * warmer + a * np.log(points.g2 / points.g1))
    i2 = points.i * points.spread(scale)
    v2 = points.v - points.spread(rs) * (i2 - points.i) - points.spread(kappa * warmer) * i2
    return TranslatedCurve(
        voltage_v=v2 + points.spread(lift),
        current_a=i2,
        isc_a=_isc(points, isc_a, offsets) * scale,
        far_from_target=_far(points),
        method="IEC 60891:2009 procedure 2",
    )


def translate_short_circuit_current(
    isc_a: npt.ArrayLike,
    *,
    irradiance_w_m2: npt.ArrayLike,
    cell_temp_c: npt.ArrayLike,
    alpha_isc_a_per_k: npt.ArrayLike,
    to_irradiance_w_m2: npt.ArrayLike = STC_IRRADIANCE_W_M2,
    to_cell_temp_c: npt.ArrayLike = STC_CELL_TEMP_C,
) -> FloatArray:
    """Short-circuit current [A] at another irradiance and cell temperature.

    ``Isc2 = Isc1 G2/G1 + alpha (T2 - T1)``, procedure 1 at V = 0; all arguments broadcast.

    Raises:
        CallError: ``value-out-of-range`` when an irradiance is not above zero.

    Source: iec-60891 procedure 1.
    """
    isc = np.asarray(isc_a, dtype=np.float64)
    g1 = np.asarray(irradiance_w_m2, dtype=np.float64)
    if np.any(g1 <= 0.0):
        raise CallError(
            "value-out-of-range",
            f"Found an irradiance of {np.nanmin(g1):g} W/m2; required: above zero.",
            "Leave readings out that were taken in the dark.",
        )
    warmer = np.asarray(to_cell_temp_c, dtype=np.float64) - np.asarray(cell_temp_c)
    scaled = isc * (np.asarray(to_irradiance_w_m2, dtype=np.float64) / g1)
    return np.asarray(scaled + np.asarray(alpha_isc_a_per_k) * warmer, dtype=np.float64)
