"""Single-diode parameters from datasheet values and from flash rows, always physical ones.

Four values (Isc, Voc, Imp, Vmp) and dP/dV = 0 leave a family with one free parameter, the
diode voltage a = n Ns k T/q. A datasheet's temperature coefficient of Voc picks the member, a
flash row keeps the a of its module type. Series resistance and shunt conductance fall as a
grows, so the physical members end where the first of them reaches zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray
from arraywright.errors import CallError
from arraywright.physics import _fit_kernels
from arraywright.physics.desoto import (
    BANDGAP_SILICON_EV,
    BANDGAP_SLOPE_SILICON_PER_K,
    BOLTZMANN_EV_PER_K,
    STC_CELL_TEMP_C,
    ReferenceDiode,
)
from arraywright.units import KELVIN_AT_0_C

__all__ = ["DiodeFit", "FitStatus", "StatusArray", "fit_datasheet", "fit_flash", "ideality"]

StatusArray: TypeAlias = npt.NDArray[np.int8]

_STC_TEMP_K = STC_CELL_TEMP_C + KELVIN_AT_0_C


class FitStatus(IntEnum):
    """What became of one module's fit."""

    EXACT = _fit_kernels.EXACT
    """All five parameters positive; Isc, Voc, Imp, Vmp and dP/dV = 0 kept to 1e-6."""
    NEAREST = _fit_kernels.NEAREST
    """No physical parameters keep the values; the nearest that do are given, see the misfit."""
    IMPOSSIBLE = _fit_kernels.IMPOSSIBLE
    """The values are not a module's (missing, not positive, Imp >= Isc or Vmp >= Voc)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DiodeFit:
    """Fitted parameters of n modules and how well they keep what was given.

    Attributes:
        reference: parameters at 1000 W/m2 and 25 degC; nan where the status is IMPOSSIBLE.
        status: a ``FitStatus`` per module, shape (n,), int8.
        misfit_ratio: largest relative error [1] of Isc, Voc, and of Imp and Vmp at the fitted
            curve's own maximum power, shape (n,); nan where IMPOSSIBLE.
        beta_misfit_ratio: dVoc/dT of the fit over the one asked for, less one [1], shape (n,);
            zero where the physical members include the wanted one; nan where none was asked.
        ideality_ratio: diode ideality factor n [1], shape (n,); nan where the number of cells is
            not known. About 0.9 to 1.5 for silicon (common-practice); far outside it the values,
            or the number of cells, do not belong together.
    """

    reference: ReferenceDiode
    status: StatusArray
    misfit_ratio: FloatArray
    beta_misfit_ratio: FloatArray
    ideality_ratio: FloatArray

    def __len__(self) -> int:
        return len(self.status)


def _columns(**given: npt.ArrayLike) -> dict[str, FloatArray]:
    arrays = {name: np.asarray(value, dtype=np.float64) for name, value in given.items()}
    try:
        shape = np.broadcast_shapes((1,), *(array.shape for array in arrays.values()))
    except ValueError:
        shape = ()
    if len(shape) != 1:
        shapes = ", ".join(f"{name} {array.shape}" for name, array in arrays.items())
        raise CallError(
            "shapes-differ",
            f"Found {shapes}; required: scalars or arrays of one length.",
            "Give one value per module.",
        )
    return {
        name: np.ascontiguousarray(np.broadcast_to(array, shape)) for name, array in arrays.items()
    }


def _fit(values: dict[str, FloatArray], wanted: FloatArray) -> FloatArray:
    fitted: FloatArray = _fit_kernels.fit_rows(
        values["isc_a"], values["voc_v"], values["imp_a"], values["vmp_v"], wanted
    )
    return fitted


def _as_diode_fit(
    fitted: FloatArray,
    *,
    alpha: FloatArray,
    bandgap_ev: FloatArray,
    slope: FloatArray,
    cells: FloatArray,
) -> DiodeFit:
    return DiodeFit(
        reference=ReferenceDiode(
            photocurrent_a=fitted[:, 0],
            saturation_current_a=fitted[:, 1],
            series_resistance_ohm=fitted[:, 2],
            shunt_resistance_ohm=fitted[:, 3],
            diode_voltage_v=fitted[:, 4],
            alpha_isc_a_per_k=alpha,
            bandgap_ev=bandgap_ev,
            bandgap_slope_per_k=slope,
        ),
        status=fitted[:, 5].astype(np.int8),
        misfit_ratio=np.ascontiguousarray(fitted[:, 6]),
        beta_misfit_ratio=np.ascontiguousarray(fitted[:, 7]),
        ideality_ratio=ideality(fitted[:, 4], cells_in_series=cells),
    )


def ideality(
    diode_voltage_v: npt.ArrayLike,
    *,
    cells_in_series: npt.ArrayLike,
    cell_temp_c: npt.ArrayLike = STC_CELL_TEMP_C,
) -> FloatArray:
    """Diode ideality factor n = a q/(Ns k T) [1] of a diode voltage a = n Ns k T/q.

    Args:
        diode_voltage_v: a [V], any shape.
        cells_in_series: cells in series, same shape or scalar.
        cell_temp_c: cell temperature at which a holds [degC].

    Returns:
        n of the common shape. Silicon modules show about 0.9 to 1.5; a value far from that
        says that the values, or the number of cells, do not belong together (common-practice).

    Source: de-soto-2006 eq. 2.
    """
    temp_k = np.asarray(cell_temp_c, dtype=np.float64) + KELVIN_AT_0_C
    thermal_v = BOLTZMANN_EV_PER_K * temp_k
    cells = np.asarray(cells_in_series, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        factor: FloatArray = np.asarray(diode_voltage_v, dtype=np.float64) / (cells * thermal_v)
    return factor


def fit_datasheet(
    *,
    isc_a: npt.ArrayLike,
    voc_v: npt.ArrayLike,
    imp_a: npt.ArrayLike,
    vmp_v: npt.ArrayLike,
    alpha_isc_a_per_k: npt.ArrayLike,
    beta_voc_v_per_k: npt.ArrayLike,
    cells_in_series: npt.ArrayLike = np.nan,
    bandgap_ev: npt.ArrayLike = BANDGAP_SILICON_EV,
    bandgap_slope_per_k: npt.ArrayLike = BANDGAP_SLOPE_SILICON_PER_K,
) -> DiodeFit:
    """Parameters at STC from Isc [A], Voc [V], Imp [A], Vmp [V] and their coefficients.

    The member of the family is taken whose dVoc/dT at STC, by the De Soto translation, is
    ``beta_voc_v_per_k``. Where that one would need a series resistance or shunt conductance
    that is not positive, the last physical member is taken, whose beta is the nearest, and
    ``beta_misfit_ratio`` says how near. Since a, not n, is fitted, the number of cells changes
    nothing but ``ideality_ratio``.

    Args:
        isc_a: short-circuit current at STC, scalar or shape (n,).
        voc_v: open-circuit voltage at STC.
        imp_a: current at maximum power at STC.
        vmp_v: voltage at maximum power at STC.
        alpha_isc_a_per_k: temperature coefficient of Isc [A/K].
        beta_voc_v_per_k: temperature coefficient of Voc [V/K], below zero for silicon.
        cells_in_series: cells in series, for the ideality factor that is reported.
        bandgap_ev: bandgap at 25 degC [eV].
        bandgap_slope_per_k: relative change of the bandgap with temperature [1/K].

    Returns:
        One status per module, never an exception about values. Series resistances are at least
        1e-6 Voc/Isc, shunt resistances at most 1e6 Voc/Isc, a at least Voc/400.

    Raises:
        CallError: ``shapes-differ`` when the lengths do not fit.

    Source: de-soto-2006 section 3, eq. 4 to 6 (three points), 13 (maximum power), 16 (Voc
    coefficient); the reduction to one unknown per equation is this project's own.
    """
    values = _columns(
        isc_a=isc_a,
        voc_v=voc_v,
        imp_a=imp_a,
        vmp_v=vmp_v,
        alpha=alpha_isc_a_per_k,
        beta=beta_voc_v_per_k,
        cells=cells_in_series,
        bandgap_ev=bandgap_ev,
        slope=bandgap_slope_per_k,
    )
    bandgap_in_kt = values["bandgap_ev"] / (BOLTZMANN_EV_PER_K * _STC_TEMP_K)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        wanted = np.column_stack(
            [
                np.zeros(len(values["isc_a"])),
                values["alpha"] * _STC_TEMP_K / values["isc_a"],
                3.0 + bandgap_in_kt * (1.0 - values["slope"] * _STC_TEMP_K),
                values["beta"] * _STC_TEMP_K / values["voc_v"],
            ]
        )
    return _as_diode_fit(
        _fit(values, wanted),
        alpha=values["alpha"],
        bandgap_ev=values["bandgap_ev"],
        slope=values["slope"],
        cells=values["cells"],
    )


def fit_flash(
    template: ReferenceDiode,
    *,
    isc_a: npt.ArrayLike,
    voc_v: npt.ArrayLike,
    imp_a: npt.ArrayLike,
    vmp_v: npt.ArrayLike,
) -> DiodeFit:
    """Parameters at STC of single modules from their flash values and their type.

    The diode voltage a of the type is kept where it gives positive parameters, else the
    nearest (always smaller) a that does. The type's temperature coefficient of Isc and its
    bandgap go along.

    Args:
        template: parameters of the module type, one element (or n, one per row).
        isc_a: flashed short-circuit current at STC [A], scalar or shape (n,).
        voc_v: flashed open-circuit voltage at STC [V].
        imp_a: flashed current at maximum power at STC [A].
        vmp_v: flashed voltage at maximum power at STC [V].

    Returns:
        One status per row, never an exception about values; ``beta_misfit_ratio`` is nan.

    Raises:
        CallError: ``shapes-differ`` when the lengths do not fit.

    Source: de-soto-2006 eq. 4 to 6 and 13, with a kept from the type.
    """
    values = _columns(
        isc_a=isc_a,
        voc_v=voc_v,
        imp_a=imp_a,
        vmp_v=vmp_v,
        a=template.diode_voltage_v,
        alpha=template.alpha_isc_a_per_k,
        bandgap_ev=template.bandgap_ev,
        slope=template.bandgap_slope_per_k,
    )
    wanted = np.zeros((len(values["a"]), 4))
    wanted[:, 0] = np.where(values["a"] > 0.0, values["a"], np.nan)
    return _as_diode_fit(
        _fit(values, wanted),
        alpha=values["alpha"],
        bandgap_ev=values["bandgap_ev"],
        slope=values["slope"],
        cells=np.full(len(wanted), np.nan),
    )
