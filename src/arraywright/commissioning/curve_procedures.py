"""Procedure 4 of IEC 60891, and the maximum power by procedures 1 and 4 beside procedure 2."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray, IntArray
from arraywright.errors import CallError
from arraywright.physics.desoto import STC_CELL_TEMP_C, STC_IRRADIANCE_W_M2
from arraywright.physics.iec60891 import FAR_RATIO, TranslatedCurve, procedure_1_2021
from arraywright.physics.iv_curve import measured_key_points
from arraywright.physics.uncertainty import Quantity, propagate
from arraywright.units import KELVIN_AT_0_C

__all__ = [
    "BANDGAP_VOLTAGE_V",
    "PowerByProcedure",
    "power_by_procedure_1",
    "power_by_procedure_4",
    "procedure_4_2021",
]

BANDGAP_VOLTAGE_V: Final = 1.232
"""Voltage to which the Voc of one crystalline silicon cell tends at 0 K; iec-60891 procedure 4,
from memory, and the value of an independent implementation."""
_BANDGAP_U_V: Final = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerByProcedure:
    """Maximum power of curves at 1000 W/m2 and 25 degC by one procedure, all (curves,).

    Attributes:
        pmax_w: maximum power [W], nan where the procedure cannot be used.
        pmax_u_w: its standard uncertainty [W] from irradiance, temperature and the coefficients;
            that of the meter is not in it.
        method: the procedure with its edition.
    """

    pmax_w: FloatArray
    pmax_u_w: FloatArray
    method: str


def procedure_4_2021(
    voltage_v: npt.ArrayLike,
    current_a: npt.ArrayLike,
    *,
    offsets: npt.ArrayLike,
    irradiance_w_m2: npt.ArrayLike,
    cell_temp_c: npt.ArrayLike,
    alpha_isc_a_per_k: npt.ArrayLike,
    cells_in_series: npt.ArrayLike,
    series_resistance_ohm: npt.ArrayLike,
    isc_a: npt.ArrayLike,
    bandgap_voltage_v: float = BANDGAP_VOLTAGE_V,
    to_irradiance_w_m2: npt.ArrayLike = STC_IRRADIANCE_W_M2,
    to_cell_temp_c: npt.ArrayLike = STC_CELL_TEMP_C,
) -> TranslatedCurve:
    """Voltages [V] and currents [A] of curves at another condition by procedure 4.

    With 1 the measured and 2 the target condition and T in kelvin::

        I' = I1 + Isc1 (G2/G1 - 1)
        V' = V1 - Rs (I' - I1)
        I2 = I' + alpha (T2 - T1)
        V2 = V' + (T2 - T1)/T1 (V' - 1.232 V x cells)

    It needs no temperature coefficient of Voc and no curve correction: Rs comes from the one
    measured curve, and the fall of voltage with temperature from the band gap of silicon. The
    equations are from memory and agree with an independent implementation for targets at STC.
    Valid for crystalline silicon.

    Args:
        voltage_v: voltages of all points of all curves, flat.
        current_a: currents, same shape.
        offsets: (curves + 1,), where each curve begins.
        irradiance_w_m2: measured plane irradiance G1, above zero, one or (curves,).
        cell_temp_c: measured cell temperature T1.
        alpha_isc_a_per_k: temperature coefficient of Isc [A/K].
        cells_in_series: cells in series on the whole curve.
        series_resistance_ohm: series resistance of the curve itself, for example by
            ``curve_fit.fit_curves``; a curve with nan gives nan.
        isc_a: measured Isc1.
        bandgap_voltage_v: 1.232 V for crystalline silicon.
        to_irradiance_w_m2: target irradiance G2.
        to_cell_temp_c: target cell temperature T2.

    Raises:
        CallError: ``value-out-of-range`` where an irradiance is not above zero.

    Source: iec-60891 procedure 4, memory
    """
    v, i = np.asarray(voltage_v, dtype=np.float64), np.asarray(current_a, dtype=np.float64)
    bounds: IntArray = np.asarray(offsets, dtype=np.int64)
    lengths: IntArray = np.diff(bounds)
    g1, g2, t1, t2, alpha, cells, rs, isc = (
        np.broadcast_to(np.asarray(one, dtype=np.float64), (len(lengths),))
        for one in (
            irradiance_w_m2,
            to_irradiance_w_m2,
            cell_temp_c,
            to_cell_temp_c,
            alpha_isc_a_per_k,
            cells_in_series,
            series_resistance_ohm,
            isc_a,
        )
    )
    if np.any(g1 <= 0.0):
        raise CallError(
            "value-out-of-range",
            f"Found an irradiance of {np.nanmin(g1):g} W/m2; required: above zero.",
            "Leave curves out that were measured in the dark.",
        )
    brighter = isc * (g2 / g1 - 1.0)
    warmer = t2 - t1
    share = warmer / (t1 + KELVIN_AT_0_C)
    lit_v = v - np.repeat(rs * brighter, lengths)
    moved_v = lit_v + np.repeat(share, lengths) * (
        lit_v - np.repeat(bandgap_voltage_v * cells, lengths)
    )
    return TranslatedCurve(
        voltage_v=moved_v,
        current_a=i + np.repeat(brighter + alpha * warmer, lengths),
        isc_a=isc + brighter + alpha * warmer,
        far_from_target=np.abs(g1 / g2 - 1.0) > FAR_RATIO,
        method="IEC 60891:2021 procedure 4",
    )


_Moved: TypeAlias = Callable[
    [FloatArray, FloatArray, IntArray, dict[str, FloatArray]], TranslatedCurve
]


def _power_of_moved(
    moved: _Moved,
    curves: tuple[FloatArray, FloatArray, IntArray],
    *,
    largest: tuple[FloatArray, FloatArray],
    inputs: dict[str, Quantity],
) -> PowerByProcedure:
    """Maximum power of curves moved to STC, and its uncertainty from that of the inputs.

    Args:
        moved: moves voltages and currents of curves by values of the inputs.
        curves: measured voltages, currents and offsets.
        largest: voltage and current of the measured maximum of each, (curves,).
        inputs: what the move rests on, (curves,) each.
    """
    vmp_v, imp_a = largest

    def power(**values: FloatArray) -> FloatArray:
        point = moved(vmp_v, imp_a, np.arange(len(vmp_v) + 1), values)
        return np.asarray(point.voltage_v * point.current_a)

    voltage_v, current_a, offsets = curves
    curve = moved(
        voltage_v, current_a, offsets, {name: held.value for name, held in inputs.items()}
    )
    points = measured_key_points(curve.voltage_v, curve.current_a, offsets=offsets)
    return PowerByProcedure(
        pmax_w=points.pmp_w,
        pmax_u_w=propagate(power, inputs).standard_uncertainty,
        method=curve.method,
    )


def power_by_procedure_1(
    voltage_v: FloatArray,
    current_a: FloatArray,
    *,
    offsets: IntArray,
    isc_a: FloatArray,
    vmp_v: FloatArray,
    imp_a: FloatArray,
    irradiance_w_m2: Quantity,
    cell_temp_c: Quantity,
    alpha_isc_a_per_k: FloatArray,
    beta_voc_v_per_k: Quantity,
    series_resistance_ohm: Quantity,
    curve_correction_ohm_per_k: FloatArray,
) -> PowerByProcedure:
    """Maximum power [W] of curves at STC by procedure 1, with its standard uncertainty [W].

    The sensitivity of the maximum to a coefficient is that of the power of the point at which it
    lies, since power does not change along the curve there; that point is taken as the measured
    maximum. Arguments are those of ``procedure_1_2021``, all (curves,), with isc_a, vmp_v and
    imp_a of the measured curve.

    Source: iec-60891 procedure 1, jcgm-100 5.1.2
    """

    def moved(
        v: FloatArray, i: FloatArray, bounds: IntArray, values: dict[str, FloatArray]
    ) -> TranslatedCurve:
        return procedure_1_2021(
            v,
            i,
            offsets=bounds,
            irradiance_w_m2=values["g"],
            cell_temp_c=values["t"],
            alpha_isc_a_per_k=alpha_isc_a_per_k,
            beta_voc_v_per_k=values["beta"],
            series_resistance_ohm=values["rs"],
            curve_correction_ohm_per_k=curve_correction_ohm_per_k,
            isc_a=isc_a,
        )

    inputs = {
        "g": irradiance_w_m2,
        "t": cell_temp_c,
        "beta": beta_voc_v_per_k,
        "rs": series_resistance_ohm,
    }
    return _power_of_moved(
        moved, (voltage_v, current_a, offsets), largest=(vmp_v, imp_a), inputs=inputs
    )


def power_by_procedure_4(
    voltage_v: FloatArray,
    current_a: FloatArray,
    *,
    offsets: IntArray,
    isc_a: FloatArray,
    vmp_v: FloatArray,
    imp_a: FloatArray,
    irradiance_w_m2: Quantity,
    cell_temp_c: Quantity,
    alpha_isc_a_per_k: FloatArray,
    cells_in_series: npt.ArrayLike,
    series_resistance_ohm: Quantity,
) -> PowerByProcedure:
    """Maximum power [W] of curves at STC by procedure 4, with its standard uncertainty [W].

    Sensitivities as at ``power_by_procedure_1``; the band-gap voltage is taken as known to
    0.02 V a cell (common practice). Arguments are those of ``procedure_4_2021``, all (curves,).

    Source: iec-60891 procedure 4, memory; jcgm-100 5.1.2
    """
    given = Quantity(
        value=np.full(len(vmp_v), BANDGAP_VOLTAGE_V),
        standard_uncertainty=np.full(len(vmp_v), _BANDGAP_U_V),
    )

    def moved(
        v: FloatArray, i: FloatArray, bounds: IntArray, values: dict[str, FloatArray]
    ) -> TranslatedCurve:
        return procedure_4_2021(
            v,
            i,
            offsets=bounds,
            irradiance_w_m2=values["g"],
            cell_temp_c=values["t"],
            alpha_isc_a_per_k=alpha_isc_a_per_k,
            cells_in_series=np.asarray(cells_in_series) * values["gap"] / BANDGAP_VOLTAGE_V,
            series_resistance_ohm=values["rs"],
            isc_a=isc_a,
        )

    inputs = {
        "g": irradiance_w_m2,
        "t": cell_temp_c,
        "gap": given,
        "rs": series_resistance_ohm,
    }
    return _power_of_moved(
        moved, (voltage_v, current_a, offsets), largest=(vmp_v, imp_a), inputs=inputs
    )
