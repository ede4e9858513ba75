"""The single-diode equation of modules: currents, voltages, key points, maximum power.

``I = IL - I0 (exp((V + I Rs)/a) - 1) - (V + I Rs)/Rsh`` with ``a = n Ns k T/q``.
Source: de-soto-2006 eq. 1.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray
from arraywright.errors import CallError
from arraywright.physics import _kernels

__all__ = [
    "KeyPoints",
    "MaximumPower",
    "SingleDiode",
    "current_at_voltage",
    "key_points",
    "maximum_power",
    "open_circuit_voltage",
    "short_circuit_current",
    "voltage_at_current",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleDiode:
    """Parameters of n modules (or cells, or sub-strings), each at one operating condition.

    Given scalars and arrays are brought to the common shape (n,) as float64.

    Attributes:
        photocurrent_a: light-generated current IL [A], not negative.
        saturation_current_a: diode saturation current I0 [A], not negative.
        series_resistance_ohm: series resistance Rs [ohm], not negative.
        shunt_resistance_ohm: shunt resistance Rsh [ohm], above zero, may be infinite.
        diode_voltage_v: a = n Ns k T/q [V], above zero.
    """

    photocurrent_a: FloatArray
    saturation_current_a: FloatArray
    series_resistance_ohm: FloatArray
    shunt_resistance_ohm: FloatArray
    diode_voltage_v: FloatArray

    def __post_init__(self) -> None:
        common_shape(self)

    def __len__(self) -> int:
        return len(self.photocurrent_a)

    def take(self, index: npt.ArrayLike | slice) -> SingleDiode:
        """Give the elements at these indices (or of a mask or slice), in this order."""
        return SingleDiode(**taken(self, index))


@dataclass(frozen=True, slots=True, kw_only=True)
class MaximumPower:
    """The point of maximum power.

    Attributes:
        pmp_w: maximum power [W], shape (n,).
        vmp_v: voltage there [V], shape (n,).
        imp_a: current there [A], shape (n,).
    """

    pmp_w: FloatArray
    vmp_v: FloatArray
    imp_a: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyPoints:
    """The key points of a current-voltage curve, each of shape (n,).

    Attributes:
        isc_a: short-circuit current [A].
        voc_v: open-circuit voltage [V].
        imp_a: current at maximum power [A].
        vmp_v: voltage at maximum power [V].
        pmp_w: maximum power [W].
        fill_factor_ratio: Pmp / (Isc Voc) [1]; nan in the dark, where it has no meaning.
    """

    isc_a: FloatArray
    voc_v: FloatArray
    imp_a: FloatArray
    vmp_v: FloatArray
    pmp_w: FloatArray
    fill_factor_ratio: FloatArray


def common_shape(record: Any) -> None:
    """Bring all fields of a frozen dataclass of arrays to one shape (n,), float64, contiguous.

    Raises:
        CallError: ``shapes-differ`` when the fields have no common shape (n,).
    """
    names = [field.name for field in fields(record)]
    values = [np.asarray(getattr(record, name), dtype=np.float64) for name in names]
    try:
        shape = np.broadcast_shapes((1,), *(value.shape for value in values))
    except ValueError:
        shape = ()
    if len(shape) != 1:
        shapes = ", ".join(
            f"{name} {value.shape}" for name, value in zip(names, values, strict=True)
        )
        raise CallError(
            "shapes-differ",
            f"Found {shapes}; required: scalars or arrays of one length.",
            "Give one value per element.",
        )
    for name, value in zip(names, values, strict=True):
        whole = np.ascontiguousarray(np.broadcast_to(value, shape))
        object.__setattr__(record, name, whole)


def taken(record: Any, index: npt.ArrayLike | slice) -> dict[str, FloatArray]:
    """Give the fields of a dataclass of arrays at these indices (or of a mask or slice)."""
    where = index if isinstance(index, slice) else np.atleast_1d(np.asarray(index))
    return {field.name: getattr(record, field.name)[where] for field in fields(record)}


def _parameters(
    diode: SingleDiode,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    with np.errstate(divide="ignore"):
        shunt_conductance_s = 1.0 / diode.shunt_resistance_ohm
    return (
        diode.photocurrent_a,
        diode.saturation_current_a,
        diode.series_resistance_ohm,
        shunt_conductance_s,
        diode.diode_voltage_v,
    )


def _rows(
    diode: SingleDiode, given: npt.ArrayLike, name: str
) -> tuple[FloatArray, tuple[int, ...]]:
    """Bring what is given to (n, k) and say the shape in which the answer goes back."""
    array = np.asarray(given, dtype=np.float64)
    count = len(diode)
    if array.ndim == 0:
        return np.full((count, 1), array), (count,)
    if array.ndim == 1 and len(array) == count:
        return np.ascontiguousarray(array[:, None]), (count,)
    if array.ndim == 1 and count == 1:
        return np.ascontiguousarray(array[None, :]), array.shape
    if array.ndim == 2 and len(array) == count:
        return np.ascontiguousarray(array), array.shape
    raise CallError(
        "shapes-differ",
        f"Found {name} of shape {array.shape} for {count} elements; "
        f"required: a scalar, ({count},) or ({count}, k).",
        "Give one value, or one row of values, per element.",
    )


def current_at_voltage(diode: SingleDiode, voltage_v: npt.ArrayLike) -> FloatArray:
    """Terminal current [A] at a terminal voltage [V].

    The single-diode equation is solved for the junction voltage by a Newton iteration that
    cannot overshoot. Valid for any voltage, also below zero (the equation knows no breakdown
    and no bypass diode) and above the open-circuit voltage.

    Args:
        diode: n elements.
        voltage_v: a scalar, shape (n,), or (n, k) for k voltages per element.

    Returns:
        Currents of shape (n,) or (n, k); nan where a parameter is nan.

    Raises:
        CallError: ``shapes-differ`` when the shapes do not fit.

    Source: de-soto-2006 eq. 1.
    """
    rows, shape = _rows(diode, voltage_v, "voltage_v")
    current_a: FloatArray = _kernels.current_rows(*_parameters(diode), rows)
    return current_a.reshape(shape)


def voltage_at_current(diode: SingleDiode, current_a: npt.ArrayLike) -> FloatArray:
    """Terminal voltage [V] at a terminal current [A].

    Falls monotonically in the current and is well conditioned on both sides: above the
    short-circuit current the voltage is negative, at negative current it exceeds Voc. Where no
    voltage drives the current (no shunt, and a current above IL + I0) it is minus infinity.

    Args:
        diode: n elements.
        current_a: a scalar, shape (n,), or (n, k) for k currents per element.

    Returns:
        Voltages of shape (n,) or (n, k); nan where a parameter is nan.

    Raises:
        CallError: ``shapes-differ`` when the shapes do not fit.

    Source: de-soto-2006 eq. 1.
    """
    rows, shape = _rows(diode, current_a, "current_a")
    voltage_v: FloatArray = _kernels.voltage_rows(*_parameters(diode), rows)
    return voltage_v.reshape(shape)


def open_circuit_voltage(diode: SingleDiode) -> FloatArray:
    """Open-circuit voltage [V], shape (n,); zero in the dark.

    Source: de-soto-2006 eq. 1 with I = 0.
    """
    return voltage_at_current(diode, 0.0)


def short_circuit_current(diode: SingleDiode) -> FloatArray:
    """Short-circuit current [A], shape (n,); zero in the dark.

    Source: de-soto-2006 eq. 1 with V = 0.
    """
    return current_at_voltage(diode, 0.0)


def maximum_power(diode: SingleDiode) -> MaximumPower:
    """Maximum power [W] with its voltage and current, each of shape (n,).

    Solves dP/dV = 0, that is ``dI/dV = -I/V``; the curve of one diode has exactly one maximum.
    Zero in the dark; nan where a parameter is nan or has a sign that no diode has.

    Source: de-soto-2006 eq. 1 and the condition of its eq. 13.
    """
    vmp_v, imp_a = _kernels.maximum_power_rows(*_parameters(diode))
    return MaximumPower(pmp_w=vmp_v * imp_a, vmp_v=vmp_v, imp_a=imp_a)


def key_points(diode: SingleDiode) -> KeyPoints:
    """Isc [A], Voc [V], Imp [A], Vmp [V], Pmp [W] and fill factor [1], each of shape (n,).

    Source: de-soto-2006 eq. 1.
    """
    isc_a, voc_v, imp_a, vmp_v = _kernels.key_point_rows(*_parameters(diode))
    pmp_w = imp_a * vmp_v
    with np.errstate(invalid="ignore"):
        fill_factor = pmp_w / (isc_a * voc_v)
    return KeyPoints(
        isc_a=isc_a,
        voc_v=voc_v,
        imp_a=imp_a,
        vmp_v=vmp_v,
        pmp_w=pmp_w,
        fill_factor_ratio=fill_factor,
    )
