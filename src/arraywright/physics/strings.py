"""Modules in series, with bypass diodes, and strings in parallel on one input.

A module with m bypass sub-strings is m equal parts in series, each with ``a/m``, ``Rs/m`` and
``Rsh/m`` of the module and its photocurrent. The voltage of a part is that of the single-diode
equation, but never below minus the drop of its bypass diode, which is taken as constant::

    V(I) = sum over parts of max(v_part(I), -drop) - I R_lead

A module of two halves in parallel counts as its m parts too; shade on one half of a part is given
as the mean of the two. Reverse breakdown of cells is not modelled: the bypass diode conducts long
before it. Valid for any current and, where a string has no lead resistance, for voltages from
minus the sum of all drops upwards.

Modules of all strings stand one after the other in flat arrays; ``offsets`` (strings + 1,) says
where each string begins (see ``arrays.offsets_from_lengths``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray
from arraywright.physics import _input_kernels, _string_kernels
from arraywright.physics._circuit import checked_offsets, circuit_of, curve_fractions, rows_of
from arraywright.physics.single_diode import MaximumPower, SingleDiode

__all__ = [
    "BYPASS_DROP_V",
    "StringCurve",
    "parallel_current",
    "parallel_curve",
    "parallel_maximum_power",
    "string_current",
    "string_curve",
    "string_maximum_power",
    "string_open_circuit_voltage",
    "string_short_circuit_current",
    "string_voltage",
]

BYPASS_DROP_V: Final = 0.5
"""Forward drop of one conducting bypass diode [V]; common practice for Schottky diodes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StringCurve:
    """Current-voltage curves from short circuit to open circuit.

    Attributes:
        voltage_v: voltages [V], rising, shape (strings, points) or (inputs, points).
        current_a: currents [A] of the same shape.
    """

    voltage_v: FloatArray
    current_a: FloatArray


def string_voltage(
    diode: SingleDiode,
    current_a: npt.ArrayLike,
    *,
    offsets: npt.ArrayLike,
    bypass_substrings: npt.ArrayLike = 3,
    bypass_drop_v: float = BYPASS_DROP_V,
    substring_photocurrent_ratio: npt.ArrayLike | None = None,
    substring_shorted: npt.ArrayLike | None = None,
    lead_resistance_ohm: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Voltage [V] of each string at a current [A], bypass diodes conducting where they must.

    ``V(I) = sum of max(v_part(I), -drop) - I R_lead``, see the module's text.

    Args:
        diode: the modules of all strings at their condition, flat.
        current_a: a scalar, shape (strings,), or (strings, k).
        offsets: (strings + 1,), where each string begins in the flat arrays.
        bypass_substrings: bypass diodes per module, for all or shape (modules,).
        bypass_drop_v: forward drop of one conducting bypass diode [V].
        substring_photocurrent_ratio: share of the module's photocurrent [1] that each sub-string
            gets, shape (modules, most sub-strings); 1 everywhere when left out.
        substring_shorted: true where a bypass diode has failed shorted, same shape: that
            sub-string has no voltage at any current.
        lead_resistance_ohm: resistance of leads and connectors [ohm], for all or (strings,).

    Returns:
        Voltages (strings,) or (strings, k); nan where a parameter of the string is nan.

    Raises:
        CallError: ``offsets-do-not-fit``, ``group-is-empty``, ``shapes-differ``,
            ``value-out-of-range``.

    Source: de-soto-2006 eq. 1 for the parts; the series sum is Kirchhoff's law.
    """
    circuit = circuit_of(
        diode,
        offsets,
        bypass_substrings=bypass_substrings,
        bypass_drop_v=bypass_drop_v,
        substring_photocurrent_ratio=substring_photocurrent_ratio,
        substring_shorted=substring_shorted,
        lead_resistance_ohm=lead_resistance_ohm,
    )
    rows, shape = rows_of(current_a, count=circuit.strings, name="current_a", what="strings")
    voltage_v: FloatArray = _string_kernels.string_voltage_rows(
        circuit.diode, circuit.offsets, *circuit.arguments(), rows
    )
    return voltage_v.reshape(shape)


def string_current(
    diode: SingleDiode,
    voltage_v: npt.ArrayLike,
    *,
    offsets: npt.ArrayLike,
    bypass_substrings: npt.ArrayLike = 3,
    bypass_drop_v: float = BYPASS_DROP_V,
    substring_photocurrent_ratio: npt.ArrayLike | None = None,
    substring_shorted: npt.ArrayLike | None = None,
    lead_resistance_ohm: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Current [A] of each string at a voltage [V]; negative above its open-circuit voltage.

    The inverse of ``string_voltage``, whose arguments it shares. Without lead resistance no
    current gives a voltage below minus the sum of all bypass drops: nan there.

    Returns:
        Currents (strings,) or (strings, k); nan where a parameter of the string is nan.

    Raises:
        CallError: as ``string_voltage``.

    Source: de-soto-2006 eq. 1 for the parts; the series sum is Kirchhoff's law.
    """
    circuit = circuit_of(
        diode,
        offsets,
        bypass_substrings=bypass_substrings,
        bypass_drop_v=bypass_drop_v,
        substring_photocurrent_ratio=substring_photocurrent_ratio,
        substring_shorted=substring_shorted,
        lead_resistance_ohm=lead_resistance_ohm,
    )
    rows, shape = rows_of(voltage_v, count=circuit.strings, name="voltage_v", what="strings")
    current_a: FloatArray = _string_kernels.string_current_rows(
        circuit.diode, circuit.offsets, *circuit.arguments(), rows
    )
    return current_a.reshape(shape)


def string_open_circuit_voltage(
    diode: SingleDiode,
    *,
    offsets: npt.ArrayLike,
    bypass_substrings: npt.ArrayLike = 3,
    substring_photocurrent_ratio: npt.ArrayLike | None = None,
    substring_shorted: npt.ArrayLike | None = None,
) -> FloatArray:
    """Open-circuit voltage [V] of each string, shape (strings,): the sum over its parts.

    Arguments and errors as ``string_voltage``; no bypass diode conducts at open circuit.

    Source: de-soto-2006 eq. 1 with I = 0.
    """
    return string_voltage(
        diode,
        0.0,
        offsets=offsets,
        bypass_substrings=bypass_substrings,
        substring_photocurrent_ratio=substring_photocurrent_ratio,
        substring_shorted=substring_shorted,
    )


def string_short_circuit_current(
    diode: SingleDiode,
    *,
    offsets: npt.ArrayLike,
    bypass_substrings: npt.ArrayLike = 3,
    bypass_drop_v: float = BYPASS_DROP_V,
    substring_photocurrent_ratio: npt.ArrayLike | None = None,
    substring_shorted: npt.ArrayLike | None = None,
    lead_resistance_ohm: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Short-circuit current [A] of each string, shape (strings,): where its voltages sum to zero.

    With unequal modules the weak ones are reverse biased or bypassed, and the current lies
    between the smallest and the largest short-circuit current of the parts. Arguments and errors
    as ``string_voltage``. A string whose every part is shorted gives nan.

    Source: de-soto-2006 eq. 1 for the parts; the series sum is Kirchhoff's law.
    """
    return string_current(
        diode,
        0.0,
        offsets=offsets,
        bypass_substrings=bypass_substrings,
        bypass_drop_v=bypass_drop_v,
        substring_photocurrent_ratio=substring_photocurrent_ratio,
        substring_shorted=substring_shorted,
        lead_resistance_ohm=lead_resistance_ohm,
    )


def string_maximum_power(
    diode: SingleDiode,
    *,
    offsets: npt.ArrayLike,
    bypass_substrings: npt.ArrayLike = 3,
    bypass_drop_v: float = BYPASS_DROP_V,
    substring_photocurrent_ratio: npt.ArrayLike | None = None,
    substring_shorted: npt.ArrayLike | None = None,
    lead_resistance_ohm: npt.ArrayLike = 0.0,
) -> MaximumPower:
    """Global maximum power [W] of each string, with voltage and current, shapes (strings,).

    Shade and mismatch give several local maxima, one at most between two neighbouring onsets of
    bypass diodes; the greatest is found exactly, not by a grid. Arguments and errors as
    ``string_voltage``. Zero in the dark; nan where a parameter of the string is nan.

    Source: de-soto-2006 eq. 1 for the parts and the condition of its eq. 13.
    """
    circuit = circuit_of(
        diode,
        offsets,
        bypass_substrings=bypass_substrings,
        bypass_drop_v=bypass_drop_v,
        substring_photocurrent_ratio=substring_photocurrent_ratio,
        substring_shorted=substring_shorted,
        lead_resistance_ohm=lead_resistance_ohm,
    )
    vmp_v, imp_a = _string_kernels.string_maximum_rows(
        circuit.diode, circuit.offsets, *circuit.arguments()
    )
    return MaximumPower(pmp_w=vmp_v * imp_a, vmp_v=vmp_v, imp_a=imp_a)


def string_curve(
    diode: SingleDiode,
    *,
    offsets: npt.ArrayLike,
    points: int = 201,
    bypass_substrings: npt.ArrayLike = 3,
    bypass_drop_v: float = BYPASS_DROP_V,
    substring_photocurrent_ratio: npt.ArrayLike | None = None,
    substring_shorted: npt.ArrayLike | None = None,
    lead_resistance_ohm: npt.ArrayLike = 0.0,
) -> StringCurve:
    """Curve of each string, voltages [V] evenly spaced from 0 to Voc, currents [A].

    Arguments and errors as ``string_voltage``; ``points`` is at least 2.

    Source: de-soto-2006 eq. 1 for the parts; the series sum is Kirchhoff's law.
    """
    voc_v = string_open_circuit_voltage(
        diode,
        offsets=offsets,
        bypass_substrings=bypass_substrings,
        substring_photocurrent_ratio=substring_photocurrent_ratio,
        substring_shorted=substring_shorted,
    )
    voltage_v = voc_v[:, None] * curve_fractions(points)
    current_a = string_current(
        diode,
        voltage_v,
        offsets=offsets,
        bypass_substrings=bypass_substrings,
        bypass_drop_v=bypass_drop_v,
        substring_photocurrent_ratio=substring_photocurrent_ratio,
        substring_shorted=substring_shorted,
        lead_resistance_ohm=lead_resistance_ohm,
    )
    return StringCurve(voltage_v=voltage_v, current_a=current_a)


def parallel_current(
    diode: SingleDiode,
    voltage_v: npt.ArrayLike,
    *,
    offsets: npt.ArrayLike,
    input_offsets: npt.ArrayLike,
    bypass_substrings: npt.ArrayLike = 3,
    bypass_drop_v: float = BYPASS_DROP_V,
    substring_photocurrent_ratio: npt.ArrayLike | None = None,
    substring_shorted: npt.ArrayLike | None = None,
    lead_resistance_ohm: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Current [A] of the strings of each input together, at a common voltage [V].

    Nothing blocks reverse current: above its own open-circuit voltage a string draws current from
    the others. ``input_offsets`` (inputs + 1,) says where each input begins among the strings;
    ``voltage_v`` is a scalar, (inputs,) or (inputs, k); the rest is as ``string_voltage``.

    Source: de-soto-2006 eq. 1 for the parts; the sums are Kirchhoff's laws.
    """
    circuit = circuit_of(
        diode,
        offsets,
        bypass_substrings=bypass_substrings,
        bypass_drop_v=bypass_drop_v,
        substring_photocurrent_ratio=substring_photocurrent_ratio,
        substring_shorted=substring_shorted,
        lead_resistance_ohm=lead_resistance_ohm,
    )
    inputs = checked_offsets(
        input_offsets, count=circuit.strings, name="input_offsets", what="strings"
    )
    rows, shape = rows_of(voltage_v, count=len(inputs) - 1, name="voltage_v", what="inputs")
    current_a: FloatArray = _input_kernels.input_current_rows(
        circuit.diode, circuit.offsets, inputs, *circuit.arguments(), rows
    )
    return current_a.reshape(shape)


def parallel_maximum_power(
    diode: SingleDiode,
    *,
    offsets: npt.ArrayLike,
    input_offsets: npt.ArrayLike,
    bypass_substrings: npt.ArrayLike = 3,
    bypass_drop_v: float = BYPASS_DROP_V,
    substring_photocurrent_ratio: npt.ArrayLike | None = None,
    substring_shorted: npt.ArrayLike | None = None,
    lead_resistance_ohm: npt.ArrayLike = 0.0,
) -> MaximumPower:
    """Global maximum power [W] of each input with its strings in parallel, shapes (inputs,).

    All strings of an input share one voltage; nothing blocks reverse current. Found exactly, like
    ``string_maximum_power``. Arguments and errors as ``parallel_current``.

    Source: de-soto-2006 eq. 1 for the parts and the condition of its eq. 13.
    """
    circuit = circuit_of(
        diode,
        offsets,
        bypass_substrings=bypass_substrings,
        bypass_drop_v=bypass_drop_v,
        substring_photocurrent_ratio=substring_photocurrent_ratio,
        substring_shorted=substring_shorted,
        lead_resistance_ohm=lead_resistance_ohm,
    )
    inputs = checked_offsets(
        input_offsets, count=circuit.strings, name="input_offsets", what="strings"
    )
    vmp_v, imp_a = _input_kernels.input_maximum_rows(
        circuit.diode, circuit.offsets, inputs, *circuit.arguments()
    )
    return MaximumPower(pmp_w=vmp_v * imp_a, vmp_v=vmp_v, imp_a=imp_a)


def parallel_curve(
    diode: SingleDiode,
    *,
    offsets: npt.ArrayLike,
    input_offsets: npt.ArrayLike,
    points: int = 201,
    bypass_substrings: npt.ArrayLike = 3,
    bypass_drop_v: float = BYPASS_DROP_V,
    substring_photocurrent_ratio: npt.ArrayLike | None = None,
    substring_shorted: npt.ArrayLike | None = None,
    lead_resistance_ohm: npt.ArrayLike = 0.0,
) -> StringCurve:
    """Curve of each input, voltages [V] from 0 to the highest Voc of its strings, currents [A].

    Where the strings differ, the last points lie above the input's own open-circuit voltage and
    their current is negative. Arguments and errors as ``parallel_current``; ``points`` is at
    least 2. Shapes (inputs, points).

    Source: de-soto-2006 eq. 1 for the parts; the sums are Kirchhoff's laws.
    """
    voc_v = string_open_circuit_voltage(
        diode,
        offsets=offsets,
        bypass_substrings=bypass_substrings,
        substring_photocurrent_ratio=substring_photocurrent_ratio,
        substring_shorted=substring_shorted,
    )
    inputs = checked_offsets(input_offsets, count=len(voc_v), name="input_offsets", what="strings")
    voltage_v = np.maximum.reduceat(voc_v, inputs[:-1])[:, None] * curve_fractions(points)
    current_a = parallel_current(
        diode,
        voltage_v,
        offsets=offsets,
        input_offsets=input_offsets,
        bypass_substrings=bypass_substrings,
        bypass_drop_v=bypass_drop_v,
        substring_photocurrent_ratio=substring_photocurrent_ratio,
        substring_shorted=substring_shorted,
        lead_resistance_ohm=lead_resistance_ohm,
    )
    return StringCurve(voltage_v=voltage_v, current_a=current_a)
