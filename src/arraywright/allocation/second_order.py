"""Mismatch loss to second order: coordinates in which a loss is a sum of squares.

Near its maximum the power of a module over its current is a parabola. A string runs all its modules
at one current, so each loses half its curvature times the squared distance from its own best
current. Scaled by the curvature, the loss of a string is the sum of squared deviations from its
mean, which a planner can move about quickly; the final figures come from the exact curves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import brentq

from arraywright.allocation.loss import DiodePool
from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.errors import CallError
from arraywright.physics import SingleDiode, maximum_power

__all__ = [
    "ClassCoordinates",
    "CurveShape",
    "bucciarelli_factor",
    "bucciarelli_loss_ratio",
    "class_coordinates",
    "curve_shape",
    "pool_coordinates",
    "predicted_parallel_loss",
    "predicted_series_loss",
]

_SAMPLE_STRINGS: Final = 2000
_NEWTON_STEPS: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveShape:
    """The maximum of power of each module and how power falls away from it, (modules,) each.

    Attributes:
        imp_a: current at maximum power [A].
        vmp_v: voltage at maximum power [V].
        series_2: ``-d2P/dI2`` at the maximum [W/A2].
        series_3: ``-d3P/dI3`` there [W/A3].
        series_4: ``-d4P/dI4`` there [W/A4].
        parallel_2: ``-d2P/dV2`` there [W/V2].
    """

    imp_a: FloatArray
    vmp_v: FloatArray
    series_2: FloatArray
    series_3: FloatArray
    series_4: FloatArray
    parallel_2: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassCoordinates:
    """Modules of one class in the coordinates of ``ClassProblem``.

    Attributes:
        x: current coordinate, mean zero [W^0.5], (modules,); zero where flash values are missing.
        y: voltage coordinate, mean zero [W^0.5], (modules,); zero where flash values are missing.
        series_w_a2: half the curvature the current coordinate is scaled by [W/A2].
        parallel_w_v2: half the curvature the voltage coordinate is scaled by [W/V2].
        skew_ratio: what the curvature was multiplied by so that the sum of squares meets the curves
            to fourth order over strings drawn from the class [1]; near one unless currents are
            spread very unevenly.
        spread_ratio: standard deviation of the current at maximum power over its mean [1].
        unknown: modules without flash values, they count as the mean of the class.
    """

    x: FloatArray
    y: FloatArray
    series_w_a2: float
    parallel_w_v2: float
    skew_ratio: float
    spread_ratio: float
    unknown: int


def curve_shape(diode: SingleDiode) -> CurveShape:
    """Maximum of power of each module and how power bends away from it.

    With ``Vj = V + I Rs`` the single-diode equation is ``I = g(Vj)``; its inverse's derivatives
    give those of ``V(I)`` and from ``P = V I`` follows ``d^nP/dI^n = n V^(n-1) + I V^(n)``.
    Shapes (modules,); nan where a parameter is nan.

    Source: de-soto-2006 eq. 1, differentiated
    """
    best = maximum_power(diode)
    i, v = best.imp_a, best.vmp_v
    a = diode.diode_voltage_v
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        flow = diode.saturation_current_a * np.exp((v + i * diode.series_resistance_ohm) / a)
        g1 = -(flow / a + 1.0 / diode.shunt_resistance_ohm)
        g2, g3, g4 = -flow / a**2, -flow / a**3, -flow / a**4
        v1 = 1.0 / g1 - diode.series_resistance_ohm
        v2 = -g2 / g1**3
        v3 = (3.0 * g2**2 - g1 * g3) / g1**5
        v4 = (-15.0 * g2**3 + 10.0 * g1 * g2 * g3 - g1**2 * g4) / g1**7
        # dI/dV = 1 / V', d2I/dV2 = -V'' / V'^3
        parallel = -(2.0 / v1 - v * v2 / v1**3)
    return CurveShape(
        imp_a=i,
        vmp_v=v,
        series_2=-(2.0 * v1 + i * v2),
        series_3=-(3.0 * v2 + i * v3),
        series_4=-(4.0 * v3 + i * v4),
        parallel_2=parallel,
    )


def predicted_series_loss(shape: CurveShape, *, offsets: IntArray, order: int = 4) -> FloatArray:
    """Mismatch loss [W] within each string, from the shape of the maxima alone, (strings,).

    Order 2 is ``1/2 h sum_j (Imp_j - mean)^2`` with the mean curvature of all modules given, as the
    optimiser has it. Order 4 adds third and fourth derivatives of every module and solves for the
    string's current. Over random strings of one class order 2 is within 3 % while currents spread
    evenly and by at most about 1 % (standard deviation); order 4 holds for uneven spreads as well.

    Raises:
        CallError: the order is neither 2 nor 4.

    Source: bucciarelli-1979 (order 2)
    """
    if order not in (2, 4):
        raise CallError("value-out-of-range", f"Order {order} is unknown.", "Take 2 or 4.")
    starts = offsets[:-1]
    if not len(starts):
        return np.zeros(0)
    length = np.diff(offsets)
    if order == 2:
        mean = np.add.reduceat(shape.imp_a, starts) / length
        square = np.add.reduceat((shape.imp_a - np.repeat(mean, length)) ** 2, starts)
        return np.asarray(0.5 * np.nanmean(shape.series_2) * square)
    h, c, e = shape.series_2, shape.series_3, shape.series_4
    current = np.add.reduceat(h * shape.imp_a, starts) / np.add.reduceat(h, starts)
    for _ in range(_NEWTON_STEPS):
        away = np.repeat(current, length) - shape.imp_a
        slope = np.add.reduceat(away * (h + away * (c / 2.0 + away * e / 6.0)), starts)
        bend = np.add.reduceat(np.maximum(h + away * (c + away * e / 2.0), 0.1 * h), starts)
        current = current - slope / bend
    away = np.repeat(current, length) - shape.imp_a
    return np.asarray(
        np.add.reduceat(away**2 * (h / 2.0 + away * (c / 6.0 + away * e / 24.0)), starts)
    )


def predicted_parallel_loss(
    shape: CurveShape, *, offsets: IntArray, input_offsets: IntArray
) -> FloatArray:
    """Mismatch loss [W] between the strings of each input, to second order, (inputs,).

    ``1/2 g/n sum_s (Vmp_s - mean)^2`` with ``Vmp_s`` the sum of the string's voltages at maximum
    power, g the mean curvature of a module and n the modules of a string.

    Source: bucciarelli-1979
    """
    if len(input_offsets) < 2:
        return np.zeros(0)
    length = np.diff(offsets)
    voltage = np.add.reduceat(shape.vmp_v, offsets[:-1])
    starts, count = input_offsets[:-1], np.diff(input_offsets)
    mean = np.add.reduceat(voltage, starts) / count
    square = np.add.reduceat((voltage - np.repeat(mean, count)) ** 2 / length, starts)
    return np.asarray(0.5 * np.nanmean(shape.parallel_2) * square)


def _scrambled(count: int, *, first: int) -> IntArray:
    """Numbers without visible order, always the same (the finaliser of splitmix64)."""
    mixed = np.arange(first + 1, first + count + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return (mixed >> np.uint64(1)).astype(np.int64)


def _skew_ratio(shape: CurveShape, known: BoolArray, modules_per_string: int) -> float:
    """Order 4 over order 2 on strings drawn from all over the class, always the same ones."""
    rows = np.flatnonzero(known)
    each = len(rows) // modules_per_string
    if each == 0:
        return 1.0
    rounds = -(-_SAMPLE_STRINGS // each)
    drawn_rows = []
    for number in range(rounds):
        order = np.argsort(_scrambled(len(rows), first=number * len(rows)), kind="stable")
        drawn_rows.append(rows[order[: each * modules_per_string]])
    drawn = _taken(shape, np.concatenate(drawn_rows)[: _SAMPLE_STRINGS * modules_per_string])
    strings = min(each * rounds, _SAMPLE_STRINGS)
    offsets = np.arange(strings + 1) * modules_per_string
    second = float(predicted_series_loss(drawn, offsets=offsets, order=2).sum())
    fourth = float(predicted_series_loss(drawn, offsets=offsets, order=4).sum())
    return fourth / second if second > 0.0 else 1.0


def _taken(shape: CurveShape, rows: IntArray) -> CurveShape:
    return CurveShape(**{name: getattr(shape, name)[rows] for name in CurveShape.__slots__})


def class_coordinates(shape: CurveShape, *, modules_per_string: int) -> ClassCoordinates:
    """Coordinates x and y of the modules of one class, in roots of watts, of mean zero, (modules,).

    ``x = sqrt(h/2) (Imp - mean)`` and ``y = sqrt(g/2/n) (Vmp - mean)``. h is the class's mean
    curvature times ``skew_ratio``, n the usual modules of a string; where strings of an input have
    another length m, their parallel loss is off by the factor n/m.

    Raises:
        CallError: a string has no module.

    Source: bucciarelli-1979
    """
    if modules_per_string < 1:
        raise CallError(
            "value-out-of-range",
            f"A string has {modules_per_string} modules; required: at least one.",
            "Give the usual number of modules of a string.",
        )
    known = np.isfinite(shape.series_2) & np.isfinite(shape.imp_a)
    if not np.any(known):
        nothing = np.zeros(len(known))
        return ClassCoordinates(
            x=nothing,
            y=nothing.copy(),
            series_w_a2=0.0,
            parallel_w_v2=0.0,
            skew_ratio=1.0,
            spread_ratio=0.0,
            unknown=len(known),
        )
    skew = _skew_ratio(shape, known, modules_per_string)
    series = 0.5 * float(np.mean(shape.series_2[known])) * skew
    parallel = 0.5 * float(np.mean(shape.parallel_2[known])) / modules_per_string
    x = np.sqrt(series) * (shape.imp_a - np.mean(shape.imp_a[known]))
    y = np.sqrt(parallel) * (shape.vmp_v - np.mean(shape.vmp_v[known]))
    return ClassCoordinates(
        x=np.where(known, x, 0.0),
        y=np.where(known, y, 0.0),
        series_w_a2=series,
        parallel_w_v2=parallel,
        skew_ratio=skew,
        spread_ratio=float(np.std(shape.imp_a[known]) / np.mean(shape.imp_a[known])),
        unknown=int(np.sum(~known)),
    )


def pool_coordinates(
    pool: DiodePool, *, modules: IntArray, modules_per_string: int
) -> ClassCoordinates:
    """Coordinates of the modules of one class, given by their rows in the pool.

    Source: bucciarelli-1979
    """
    return class_coordinates(
        curve_shape(pool.diode.take(modules)), modules_per_string=modules_per_string
    )


def bucciarelli_factor(fill_factor_ratio: float) -> float:
    """Characteristic factor C [1] of a cell without resistances, from its fill factor.

    ``FF = C^2 / ((1 + C) (C + ln(1 + C)))``; C is Vmp over the diode voltage, and Imp over the
    distance of Imp from the photocurrent. Valid for fill factors between 0.25 and 0.95.

    Raises:
        CallError: the fill factor is outside.

    Source: bucciarelli-1979, formula from memory and derived anew from the diode's equation
    """
    if not 0.25 <= fill_factor_ratio <= 0.95:
        raise CallError(
            "value-out-of-range",
            f"Found fill factor {fill_factor_ratio:g}; required: 0.25 to 0.95.",
            "Give Pmp / (Isc Voc) as a fraction.",
        )

    def excess(c: float) -> float:
        return c**2 / ((1.0 + c) * (c + float(np.log1p(c)))) - fill_factor_ratio

    return float(brentq(excess, 0.1, 1000.0))


def bucciarelli_loss_ratio(fill_factor_ratio: float, *, spread_ratio: float, count: int) -> float:
    """Expected mismatch loss [1] of cells in series, or in parallel, whose maxima scatter.

    ``(C + 2)/2 sigma^2 (1 - 1/N)`` with sigma the relative standard deviation of the current at
    maximum power of N cells in series, or of the voltage of N strings in parallel. Valid for small
    sigma (a few per cent) and cells without series or shunt resistance.

    Raises:
        CallError: the fill factor is outside 0.25 to 0.95.

    Source: bucciarelli-1979, formula from memory and derived anew from the diode's equation
    """
    factor = bucciarelli_factor(fill_factor_ratio)
    return (factor + 2.0) / 2.0 * spread_ratio**2 * (1.0 - 1.0 / count)
