"""Single-diode parameters of measured curves, each fitted to its own points."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import njit

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.errors import CallError
from arraywright.physics.single_diode import SingleDiode

__all__ = ["CurveFit", "CurveFitStatus", "fit_curves"]

_LEAST_POINTS: Final = 10
_BELOW_ZERO_RATIO: Final = 0.03
_ROUNDS: Final = 200
_SOLVES: Final = 60
_STARTS: Final = np.array([[0.045, 0.03, 0.01], [0.09, 0.005, 0.1], [0.025, 0.12, 0.001]])
"""Diode voltage in Voc, series resistance in Voc/Isc and shunt conductance in Isc/Voc to begin
from; the second and third where the first ends in a poor fit."""
_GOOD_RATIO: Final = 0.004
_STRUCTURED: Final = 2.5
_STRUCTURED_LEAST_RATIO: Final = 0.002


class CurveFitStatus(IntEnum):
    """What became of one curve's fit."""

    FITTED = 0
    """One diode describes the curve within its noise."""
    NOT_ONE_DIODE = 1
    """The curve differs from that of one diode by more than its noise, as with a step; the
    nearest parameters are given and describe it badly."""
    NOT_FITTED = 2
    """Too few points, or no power."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveFit:
    """Single-diode parameters of curves at the condition of their measurement, all (curves,).

    Attributes:
        photocurrent_a: light-generated current IL [A].
        saturation_current_a: diode saturation current I0 [A].
        series_resistance_ohm: series resistance Rs [ohm].
        shunt_conductance_ratio: 1/Rsh in units of Isc/Voc of the fit [1]; zero where the curve
            shows none.
        shunt_resistance_ohm: shunt resistance Rsh [ohm], infinite where the conductance is zero.
        diode_voltage_v: a = n Ns k T/q [V].
        isc_a: short-circuit current of the fit [A].
        voc_v: open-circuit voltage of the fit [V].
        voc_slope_ohm: -dV/dI of the fit at open circuit [ohm].
        series_resistance_u_ohm: standard uncertainty of Rs [ohm] from the scatter of the points.
        shunt_conductance_u_ratio: that of the shunt conductance [1].
        diode_voltage_u_v: that of the diode voltage [V].
        voc_slope_u_ohm: that of the slope at open circuit [ohm].
        residual_ratio: standard deviation of the points about the fit, across the curve, with
            current in Isc and voltage in Voc [1].
        noise_ratio: the part of it that changes from point to point [1].
        status: ``CurveFitStatus``, int8.
    """

    photocurrent_a: FloatArray
    saturation_current_a: FloatArray
    series_resistance_ohm: FloatArray
    shunt_conductance_ratio: FloatArray
    shunt_resistance_ohm: FloatArray
    diode_voltage_v: FloatArray
    isc_a: FloatArray
    voc_v: FloatArray
    voc_slope_ohm: FloatArray
    series_resistance_u_ohm: FloatArray
    shunt_conductance_u_ratio: FloatArray
    diode_voltage_u_v: FloatArray
    voc_slope_u_ohm: FloatArray
    residual_ratio: FloatArray
    noise_ratio: FloatArray
    status: npt.NDArray[np.int8]

    @property
    def is_one_diode(self) -> BoolArray:
        """Where one diode describes the curve within its noise, (curves,)."""
        return np.asarray(self.status == CurveFitStatus.FITTED, dtype=np.bool_)

    def diode(self) -> SingleDiode:
        """Give the parameters for the functions of the single-diode model, (curves,)."""
        return SingleDiode(
            photocurrent_a=self.photocurrent_a,
            saturation_current_a=self.saturation_current_a,
            series_resistance_ohm=self.series_resistance_ohm,
            shunt_resistance_ohm=self.shunt_resistance_ohm,
            diode_voltage_v=self.diode_voltage_v,
        )


def fit_curves(
    voltage_v: npt.ArrayLike, current_a: npt.ArrayLike, *, offsets: npt.ArrayLike
) -> CurveFit:
    """Fit the single-diode equation to each curve: IL [A], I0 [A], Rs [ohm], Rsh [ohm], a [V].

    The diode is written with its open-circuit voltage and the diode current J there::

        I = J (1 - exp((V + I Rs - Voc)/a)) + (Voc - V - I Rs)/Rsh
        IL = J (1 - exp(-Voc/a)) + Voc/Rsh,  I0 = J exp(-Voc/a)

    which is the single-diode equation with parameters that hardly depend on each other. Damped
    least squares (Levenberg 1944, Marquardt 1963) make the distances of the points from the curve
    least, current in Isc and voltage in Voc, each distance across the curve to first order; Rs and
    1/Rsh are kept from falling below zero. Standard uncertainties are those of the linearised fit
    with the scatter found, GUM first order; they know nothing of irradiance or temperature.

    Points below V = 0, or below I = 0 by more than 3 % of Isc, are left out: no bypass diode and
    no reverse current are in the equation. A string counts as one diode with the sums of its
    modules, which holds while they are alike.

    Args:
        voltage_v: voltages of all points of all curves, flat, in any order within a curve.
        current_a: currents, positive where power is delivered, same shape.
        offsets: (curves + 1,), where each curve begins.

    Returns:
        Parameters; nan where the status is NOT_FITTED.

    Raises:
        CallError: ``shapes-differ``.

    Source: de-soto-2006 eq. 1 for the equation, jcgm-100 5.1.2 for the uncertainties
    """
    v = np.ascontiguousarray(voltage_v, dtype=np.float64)
    i = np.ascontiguousarray(current_a, dtype=np.float64)
    bounds = np.ascontiguousarray(offsets, dtype=np.int64)
    if v.ndim != 1 or v.shape != i.shape or len(bounds) == 0 or bounds[-1] != len(v):
        raise CallError(
            "shapes-differ",
            f"Found voltage_v {v.shape}, current_a {i.shape} and offsets {bounds.shape}; required: "
            "two flat arrays of one length and rising offsets from 0 to that length.",
            "Sort the points by curve and make offsets with offsets_from_lengths.",
        )
    found, status = _fit_all(v, i, bounds)
    scale_i, scale_v, j, voc, a, rs, g, u_a, u_rs, u_g, u_slope, residual, noise = found
    ohm = scale_v / scale_i
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        fallen = np.exp(-voc / a)
        isc = _short_circuit(j, voc, a, rs, g)
        unit = isc / voc
        return CurveFit(
            photocurrent_a=scale_i * (j * -np.expm1(-voc / a) + g * voc),
            saturation_current_a=scale_i * j * fallen,
            series_resistance_ohm=ohm * rs,
            shunt_conductance_ratio=g / unit,
            shunt_resistance_ohm=np.where(g > 0.0, ohm / g, np.where(np.isnan(g), np.nan, np.inf)),
            diode_voltage_v=scale_v * a,
            isc_a=scale_i * isc,
            voc_v=scale_v * voc,
            voc_slope_ohm=ohm * (rs + 1.0 / (j / a + g)),
            series_resistance_u_ohm=ohm * u_rs,
            shunt_conductance_u_ratio=u_g / unit,
            diode_voltage_u_v=scale_v * u_a,
            voc_slope_u_ohm=ohm * u_slope,
            residual_ratio=residual,
            noise_ratio=noise,
            status=status,
        )


@njit(cache=True, error_model="numpy")
def _current(v: float, i: float, j: float, voc: float, a: float, rs: float, g: float) -> float:
    """Current at a voltage, by Newton's method from a current near it."""
    for _ in range(_SOLVES):
        z = v + i * rs
        e = math.exp(min((z - voc) / a, 300.0))
        step = (j * (1.0 - e) + g * (voc - z) - i) / (1.0 + rs * (j * e / a + g))
        i += step
        if abs(step) <= 1e-13 + 1e-12 * abs(i):
            break
    return i


@njit(cache=True, error_model="numpy")
def _short_circuit(
    j: FloatArray, voc: FloatArray, a: FloatArray, rs: FloatArray, g: FloatArray
) -> FloatArray:
    """Short-circuit current of each fit."""
    out = np.full(len(j), np.nan)
    for k in range(len(j)):
        if math.isfinite(j[k]):
            out[k] = _current(0.0, j[k], j[k], voc[k], a[k], rs[k], g[k])
    return out


@njit(cache=True, error_model="numpy")
def _residuals(
    x: FloatArray, y: FloatArray, model: FloatArray, p: FloatArray, out: FloatArray, jac: FloatArray
) -> float:
    """Distances of the points from the curve and their slopes in the parameters; half the cost.

    The parameters are J, Voc, ln a, Rs and the shunt conductance g.
    """
    j, voc, a, rs, g = p[0], p[1], math.exp(p[2]), p[3], p[4]
    cost = 0.0
    for k in range(len(x)):
        i = _current(x[k], model[k], j, voc, a, rs, g)
        model[k] = i
        below = x[k] + i * rs - voc
        e = math.exp(min(below / a, 300.0))
        steep = j * e / a + g
        down = 1.0 / (1.0 + rs * steep)
        slope = steep * down
        across = 1.0 / math.sqrt(1.0 + slope * slope)
        by = down * across
        out[k] = (i - y[k]) * across
        jac[k, 0] = (1.0 - e) * by
        jac[k, 1] = steep * by
        jac[k, 2] = j * e * below / a * by
        jac[k, 3] = -steep * i * by
        jac[k, 4] = -below * by
        cost += out[k] * out[k]
    return cost


@njit(cache=True, error_model="numpy")
def _solved(normal: FloatArray, right: FloatArray) -> bool:
    """Solve a positive definite system of five in place by Cholesky; false where it is none."""
    n = len(right)
    for c in range(n):
        pivot = normal[c, c]
        for k in range(c):
            pivot -= normal[c, k] * normal[c, k]
        if not pivot > 0.0:
            return False
        root = math.sqrt(pivot)
        normal[c, c] = root
        for r in range(c + 1, n):
            total = normal[r, c]
            for k in range(c):
                total -= normal[r, k] * normal[c, k]
            normal[r, c] = total / root
    for r in range(n):
        for k in range(r):
            right[r] -= normal[r, k] * right[k]
        right[r] /= normal[r, r]
    for r in range(n - 1, -1, -1):
        for k in range(r + 1, n):
            right[r] -= normal[k, r] * right[k]
        right[r] /= normal[r, r]
    return True


@njit(cache=True, error_model="numpy")
def _descend(x: FloatArray, y: FloatArray, p: FloatArray) -> float:
    """Bring the parameters to the least cost reachable from where they are; give that cost."""
    count = len(x)
    model, trial_model = y.copy(), y.copy()
    out, trial_out = np.empty(count), np.empty(count)
    jac, trial_jac = np.empty((count, 5)), np.empty((count, 5))
    damping = 1e-2
    cost = _residuals(x, y, model, p, out, jac)
    for _ in range(_ROUNDS):
        normal = jac.T @ jac
        gradient = jac.T @ out
        held = np.zeros(5, dtype=np.bool_)
        for k in range(3, 5):
            held[k] = p[k] <= 0.0 and gradient[k] > 0.0
        better = False
        moved = 0.0
        for _ in range(30):
            damped, step = normal.copy(), -gradient
            for k in range(5):
                damped[k, k] += damping * normal[k, k] + 1e-18
                if held[k]:
                    damped[k, :] = 0.0
                    damped[:, k] = 0.0
                    damped[k, k] = 1.0
                    step[k] = 0.0
            if _solved(damped, step):
                trial = p + step
                trial[2] = min(max(trial[2], p[2] - 1.0), p[2] + 1.0)
                trial[3], trial[4] = max(trial[3], 0.0), max(trial[4], 0.0)
                if trial[0] > 0.0 and trial[1] > 0.0 and trial[2] > -6.0:
                    trial_model[:] = model
                    after = _residuals(x, y, trial_model, trial, trial_out, trial_jac)
                    if after < cost:
                        moved = np.max(np.abs(trial - p))
                        gain = cost - after
                        p[:] = trial
                        model[:] = trial_model
                        out[:] = trial_out
                        jac[:] = trial_jac
                        better = gain > 1e-9 * cost and cost > 1e-26 * count
                        cost = after
                        damping = max(damping * 0.1, 1e-12)
                        break
            damping *= 6.0
        if not better and moved <= 1e-7:
            break
    return cost


@njit(cache=True, error_model="numpy")
def _spread(x: FloatArray, y: FloatArray, p: FloatArray, found: FloatArray) -> None:
    """Write the uncertainties of a, Rs, g and the slope at Voc, the scatter and its noise."""
    count = len(x)
    model, out, jac = y.copy(), np.empty(count), np.empty((count, 5))
    cost = _residuals(x, y, model, p, out, jac)
    variance = cost / (count - 5)
    normal = jac.T @ jac
    inverse = np.zeros((5, 5))
    able = True
    for k in range(5):
        column = np.zeros(5)
        column[k] = 1.0
        whole = normal.copy()
        for r in range(5):
            whole[r, r] *= 1.0 + 1e-12
        able = able and _solved(whole, column)
        inverse[:, k] = column
    if able:
        a, g = math.exp(p[2]), p[4]
        found[0] = a * math.sqrt(variance * max(inverse[2, 2], 0.0))
        found[1] = math.sqrt(variance * max(inverse[3, 3], 0.0))
        found[2] = math.sqrt(variance * max(inverse[4, 4], 0.0))
        # slope at open circuit Rs + 1/(J/a + g)
        square = 1.0 / (p[0] / a + g) ** 2
        along = np.array([-square / a, 0.0, square * p[0] / a, 1.0, -square])
        found[3] = math.sqrt(variance * max(along @ inverse @ along, 0.0))
    order = np.argsort(x)
    steps = 0.0
    for k in range(1, count):
        difference = out[order[k]] - out[order[k - 1]]
        steps += difference * difference
    found[4] = math.sqrt(variance)
    found[5] = math.sqrt(0.5 * steps / (count - 1))


@njit(cache=True, error_model="numpy")
def _fit_all(
    voltage_v: FloatArray, current_a: FloatArray, offsets: IntArray
) -> tuple[FloatArray, npt.NDArray[np.int8]]:
    """Scales, parameters, uncertainties and scatter of each curve, (13, curves), and its status."""
    curves = len(offsets) - 1
    found = np.full((13, curves), np.nan)
    status = np.full(curves, 2, dtype=np.int8)
    spread = np.empty(6)
    for curve in range(curves):
        v = voltage_v[offsets[curve] : offsets[curve + 1]]
        i = current_a[offsets[curve] : offsets[curve + 1]]
        whole = np.isfinite(v) & np.isfinite(i)
        if np.sum(whole) < _LEAST_POINTS:
            continue
        most_v, most_i = np.max(v[whole]), np.max(i[whole])
        if not (most_v > 0.0 and most_i > 0.0):
            continue
        used = whole & (v >= 0.0) & (i >= -_BELOW_ZERO_RATIO * most_i)
        if np.sum(used) < _LEAST_POINTS:
            continue
        x, y = v[used] / most_v, i[used] / most_i
        best = np.inf
        p_best = np.empty(5)
        for start in range(len(_STARTS)):
            p = np.empty(5)
            p[0], p[1] = 1.0, 1.0
            p[2] = math.log(_STARTS[start, 0])
            p[3], p[4] = _STARTS[start, 1], _STARTS[start, 2]
            cost = _descend(x, y, p)
            if cost < best:
                best = cost
                p_best[:] = p
            if math.sqrt(best / len(x)) < _GOOD_RATIO:
                break
        if not math.isfinite(best):
            continue
        spread[:] = np.nan
        _spread(x, y, p_best, spread)
        found[0, curve], found[1, curve] = most_i, most_v
        found[2, curve], found[3, curve], found[4, curve] = (
            p_best[0],
            p_best[1],
            math.exp(p_best[2]),
        )
        found[5, curve], found[6, curve] = p_best[3], p_best[4]
        found[7:13, curve] = spread
        structured = spread[4] > _STRUCTURED * spread[5] and spread[4] > _STRUCTURED_LEAST_RATIO
        status[curve] = 1 if structured else 0
    return found, status
