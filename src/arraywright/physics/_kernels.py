"""Compiled solvers of the single-diode equation, one element at a time and in parallel.

Everything works in the junction's own variable ``y = (V + I Rs) / a``, in which current and
voltage are explicit and no equation has to be solved across the series resistance:
``I = IL - I0 (exp(y) - 1) - a y / Rsh`` and ``V = a y - I Rs``. The functions take the shunt as
a conductance [S], so that an infinite shunt resistance is plainly zero.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numba import njit, prange

from arraywright.arrays import FloatArray

__all__ = [
    "FEW",
    "current_at",
    "current_rows",
    "key_point_rows",
    "maximum_power_at",
    "maximum_power_rows",
    "voltage_at",
    "voltage_rows",
]

FEW: Final = 512
"""Up to this many points the work is done at once, without waking other threads."""
_MAX_STEPS = 200
_NEWTON_LAST_STEP = 1e-8
"""A Newton step this small leaves an error of its square, which is below rounding."""


@njit(cache=True, error_model="numpy")
def junction_root(c: float, k: float, b: float) -> float:
    """Solve ``c = k (exp(y) - 1) + b y`` for y, with k and b not negative.

    The left side less the right is decreasing and concave in y, so Newton's method, started
    above the root, comes down to it without ever passing it.
    """
    if math.isnan(c + k + b):
        return math.nan
    if c == 0.0:
        return 0.0
    if b <= 0.0 and c <= -k:
        return -math.inf
    if k <= 0.0:
        return c / b
    y = 0.0
    if c > 0.0:
        ratio = c / k
        y = math.log1p(ratio) if ratio < 1e300 else math.log(c) - math.log(k)
        if b > 0.0:
            y = min(y, c / b)
    elif b <= 0.0:
        return math.log1p(c / k)
    for _ in range(_MAX_STEPS):
        grown = math.expm1(y)
        step = (c - k * grown - b * y) / (k * (grown + 1.0) + b)
        y += step
        if abs(step) <= _NEWTON_LAST_STEP * min(1.0, abs(y)):
            break
    return y


@njit(cache=True, error_model="numpy")
def voltage_at(
    il_a: float, i0_a: float, rs_ohm: float, g_s: float, a_v: float, current_a: float
) -> float:
    """Terminal voltage [V] at a terminal current [A] of one element."""
    y = junction_root(il_a - current_a, i0_a, g_s * a_v)
    return a_v * y - current_a * rs_ohm


@njit(cache=True, error_model="numpy")
def current_at(
    il_a: float, i0_a: float, rs_ohm: float, g_s: float, a_v: float, voltage_v: float
) -> float:
    """Terminal current [A] at a terminal voltage [V] of one element.

    Of the two ways back from the junction to the current, through the diode and through the
    series resistance, the one is taken that magnifies the rounding of y less.
    """
    y = junction_root(voltage_v + il_a * rs_ohm, i0_a * rs_ohm, a_v * (1.0 + g_s * rs_ohm))
    grown = i0_a * math.expm1(y)
    if rs_ohm * (grown + i0_a + g_s * a_v) <= a_v:
        return il_a - grown - g_s * a_v * y
    return (a_v * y - voltage_v) / rs_ohm


@njit(cache=True, error_model="numpy")
def maximum_power_at(
    il_a: float, i0_a: float, rs_ohm: float, g_s: float, a_v: float
) -> tuple[float, float]:
    """Voltage [V] and current [A] at maximum power of one element.

    With ``D = -dI/dy`` the condition dP/dV = 0 reads ``D V = I (a + Rs D)``. The logarithm of
    the left over the right increases in y from minus to plus infinity between short circuit and
    open circuit and is nearly straight; its root is found by Newton's method inside a bracket.
    Near balance the logarithm is replaced by 2 (x - 1)/(x + 1), which has the same root and the
    same slope there, and the last, tiny step is carried into the exponential by its series.
    """
    if il_a == 0.0 and i0_a >= 0.0:
        return 0.0, 0.0
    if not (il_a > 0.0 and i0_a >= 0.0 and g_s >= 0.0 and rs_ohm >= 0.0 and a_v > 0.0):
        return math.nan, math.nan
    b = g_s * a_v
    high = il_a / b
    y = 0.5 * high
    if i0_a > 0.0:
        ratio = il_a / i0_a
        y_oc = math.log1p(ratio) if ratio < 1e300 else math.log(il_a) - math.log(i0_a)
        high = min(high, y_oc)
        y = min(y, y_oc - math.log1p(y_oc) * (1.0 + y_oc) / (2.0 + y_oc))
    low = 0.0
    for _ in range(_MAX_STEPS):
        grown = i0_a * math.expm1(y)
        current = il_a - grown - b * y
        drop = grown + i0_a + b
        voltage = a_v * y - rs_ohm * current
        if current <= 0.0:
            high = y
            y = 0.5 * (low + high)
            continue
        if voltage <= 0.0:
            low = y
            y = 0.5 * (low + high)
            continue
        span = a_v + rs_ohm * drop
        balance = drop * voltage / (current * span)
        if 0.2 < balance < 5.0:
            excess = 2.0 * (balance - 1.0) / (balance + 1.0)
        else:
            excess = math.log(balance)
        slope = (grown + i0_a) * a_v / (drop * span) + span / voltage + drop / current
        if excess > 0.0:
            high = y
        else:
            low = y
        following = y - excess / slope
        if abs(excess) <= _NEWTON_LAST_STEP:
            step = following - y
            grown += (grown + i0_a) * (step + 0.5 * step * step)
            current = il_a - grown - b * following
            return a_v * following - rs_ohm * current, current
        if not low < following < high:
            following = 0.5 * (low + high)
            if following in (low, high):
                break
        y = following
    current = il_a - i0_a * math.expm1(y) - b * y
    return a_v * y - rs_ohm * current, current


@njit(cache=True, error_model="numpy")
def voltage_row(
    row: int,
    il_a: FloatArray,
    i0_a: FloatArray,
    rs_ohm: FloatArray,
    g_s: FloatArray,
    a_v: FloatArray,
    current_a: FloatArray,
    out: FloatArray,
) -> None:
    """Fill one row of voltages."""
    for point in range(current_a.shape[1]):
        out[row, point] = voltage_at(
            il_a[row], i0_a[row], rs_ohm[row], g_s[row], a_v[row], current_a[row, point]
        )


@njit(cache=True, parallel=True, error_model="numpy")
def voltage_rows(
    il_a: FloatArray,
    i0_a: FloatArray,
    rs_ohm: FloatArray,
    g_s: FloatArray,
    a_v: FloatArray,
    current_a: FloatArray,
) -> FloatArray:
    """Voltages (n, k) at currents (n, k) of n elements."""
    out = np.empty_like(current_a)
    if current_a.size <= FEW:
        for row in range(il_a.shape[0]):
            voltage_row(row, il_a, i0_a, rs_ohm, g_s, a_v, current_a, out)
    else:
        for row in prange(il_a.shape[0]):
            voltage_row(row, il_a, i0_a, rs_ohm, g_s, a_v, current_a, out)
    return out


@njit(cache=True, error_model="numpy")
def current_row(
    row: int,
    il_a: FloatArray,
    i0_a: FloatArray,
    rs_ohm: FloatArray,
    g_s: FloatArray,
    a_v: FloatArray,
    voltage_v: FloatArray,
    out: FloatArray,
) -> None:
    """Fill one row of currents."""
    for point in range(voltage_v.shape[1]):
        out[row, point] = current_at(
            il_a[row], i0_a[row], rs_ohm[row], g_s[row], a_v[row], voltage_v[row, point]
        )


@njit(cache=True, parallel=True, error_model="numpy")
def current_rows(
    il_a: FloatArray,
    i0_a: FloatArray,
    rs_ohm: FloatArray,
    g_s: FloatArray,
    a_v: FloatArray,
    voltage_v: FloatArray,
) -> FloatArray:
    """Currents (n, k) at voltages (n, k) of n elements."""
    out = np.empty_like(voltage_v)
    if voltage_v.size <= FEW:
        for row in range(il_a.shape[0]):
            current_row(row, il_a, i0_a, rs_ohm, g_s, a_v, voltage_v, out)
    else:
        for row in prange(il_a.shape[0]):
            current_row(row, il_a, i0_a, rs_ohm, g_s, a_v, voltage_v, out)
    return out


@njit(cache=True, error_model="numpy")
def maximum_power_row(
    row: int,
    il_a: FloatArray,
    i0_a: FloatArray,
    rs_ohm: FloatArray,
    g_s: FloatArray,
    a_v: FloatArray,
    out: FloatArray,
) -> None:
    """Fill voltage and current at maximum power of one element."""
    out[0, row], out[1, row] = maximum_power_at(
        il_a[row], i0_a[row], rs_ohm[row], g_s[row], a_v[row]
    )


@njit(cache=True, parallel=True, error_model="numpy")
def maximum_power_rows(
    il_a: FloatArray,
    i0_a: FloatArray,
    rs_ohm: FloatArray,
    g_s: FloatArray,
    a_v: FloatArray,
) -> FloatArray:
    """Voltage and current at maximum power, (2, n), of n elements."""
    out = np.empty((2, il_a.shape[0]))
    if il_a.size <= FEW:
        for row in range(il_a.shape[0]):
            maximum_power_row(row, il_a, i0_a, rs_ohm, g_s, a_v, out)
    else:
        for row in prange(il_a.shape[0]):
            maximum_power_row(row, il_a, i0_a, rs_ohm, g_s, a_v, out)
    return out


@njit(cache=True, error_model="numpy")
def key_point_row(
    row: int,
    il_a: FloatArray,
    i0_a: FloatArray,
    rs_ohm: FloatArray,
    g_s: FloatArray,
    a_v: FloatArray,
    out: FloatArray,
) -> None:
    """Fill Isc, Voc, Imp and Vmp of one element."""
    il, i0, rs, g, a = il_a[row], i0_a[row], rs_ohm[row], g_s[row], a_v[row]
    out[0, row] = current_at(il, i0, rs, g, a, 0.0)
    out[1, row] = voltage_at(il, i0, rs, g, a, 0.0)
    out[3, row], out[2, row] = maximum_power_at(il, i0, rs, g, a)


@njit(cache=True, parallel=True, error_model="numpy")
def key_point_rows(
    il_a: FloatArray,
    i0_a: FloatArray,
    rs_ohm: FloatArray,
    g_s: FloatArray,
    a_v: FloatArray,
) -> FloatArray:
    """Isc, Voc, Imp and Vmp, (4, n), of n elements."""
    out = np.empty((4, il_a.shape[0]))
    if il_a.size <= FEW:
        for row in range(il_a.shape[0]):
            key_point_row(row, il_a, i0_a, rs_ohm, g_s, a_v, out)
    else:
        for row in prange(il_a.shape[0]):
            key_point_row(row, il_a, i0_a, rs_ohm, g_s, a_v, out)
    return out
