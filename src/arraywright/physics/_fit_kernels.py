"""Compiled search for single-diode parameters through short circuit, open circuit and maximum.

All quantities are made dimensionless with Isc and Voc: ``i = Imp/Isc``, ``v = Vmp/Voc``,
``a`` in Voc, ``rs`` in Voc/Isc, the shunt conductance ``g`` in Isc/Voc, and ``j`` is the diode
current I0 exp(Voc/a) at open circuit in Isc. With ``u = 1 - v - i rs`` and ``w = 1 - rs`` (how
far the junction stands below Voc at maximum power and at short circuit) the three points give
two linear equations for j and g::

    j (1 - exp(-w/a)) + g w = 1,      j (1 - exp(-u/a)) + g u = i

so that a and rs remain. The condition dP/dV = 0 fixes rs for each a (``slope_excess``). As a
grows, rs and g fall; the physical members of the family are those below the a at which the
first of the two reaches zero.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numba import njit, prange

from arraywright.arrays import FloatArray
from arraywright.physics._kernels import FEW, current_at, maximum_power_at, voltage_at

__all__ = ["EXACT", "IMPOSSIBLE", "NEAREST", "fit_rows"]

EXACT: Final = 0
NEAREST: Final = 1
IMPOSSIBLE: Final = 2

_SHARPEST: Final = 1.0 / 400.0
"""Smallest a in Voc; below it exp(-Voc/a) leaves the range of numbers."""
_SOFTEST: Final = 4.0
_LEAST_RS: Final = 1e-6
"""Smallest series resistance in Voc/Isc that still counts as above zero."""
_LEAST_G: Final = 1e-6
"""Smallest shunt conductance in Isc/Voc that still counts as above zero."""
_EXACT_WITHIN: Final = 1e-6
_CENTRE: Final = 0.75
"""Imp/Isc and Vmp/Voc of a curve that every family reaches; repair goes towards it."""
_STEPS: Final = 100

_AT_LEAST_RS: Final = 0
_AT_LEAST_G: Final = 1
_AT_BETA: Final = 2


@njit(cache=True, error_model="numpy")
def slope_excess(rs: float, i: float, v: float, a: float) -> tuple[float, float]:
    """dP/dV at the given maximum, times a positive factor and negated, and its slope in rs."""
    u = 1.0 - v - i * rs
    w = 1.0 - rs
    e_u = math.exp(-u / a)
    e_w = math.exp(-w / a)
    rise = i * w - u
    determinant = (1.0 - e_u) * w - (1.0 - e_w) * u
    wanted = i / (v - i * rs)
    value = rise * e_u / a + (1.0 - e_u) - (1.0 - e_w) * i - determinant * wanted
    determinant_slope = -e_u * i / a * w - (1.0 - e_u) + e_w / a * u + (1.0 - e_w) * i
    slope = (
        rise * e_u * i / (a * a)
        - e_u * i / a
        + i * e_w / a
        - determinant_slope * wanted
        - determinant * wanted * wanted
    )
    return value, slope


@njit(cache=True, error_model="numpy")
def resistance_for(i: float, v: float, a: float) -> float:
    """Find the rs at which the given point is the maximum; -1 where it would not be positive."""
    low = _LEAST_RS
    high = min((1.0 - v) / i, v / i)
    if not high > low or slope_excess(low, i, v, a)[0] > 0.0:
        return -1.0
    rs = (1.0 - v - min(3.0 * a, 0.5 * (1.0 - v))) / i
    if not low < rs < high:
        rs = 0.5 * (low + high)
    for _ in range(_STEPS):
        value, slope = slope_excess(rs, i, v, a)
        if value > 0.0:
            high = rs
        else:
            low = rs
        following = rs - value / slope
        if not low <= following <= high:
            following = 0.5 * (low + high)
        step = abs(following - rs)
        rs = following
        if step <= 1e-9 * a:
            # Newton converges quadratically in rs/a: one step more is exact to rounding.
            value, slope = slope_excess(rs, i, v, a)
            polished = rs - value / slope
            return polished if low <= polished <= high else rs
    return rs


@njit(cache=True, error_model="numpy")
def linear_part(rs: float, i: float, v: float, a: float) -> tuple[float, float]:
    """Diode current j at open circuit and shunt conductance g from the three points."""
    u = 1.0 - v - i * rs
    w = 1.0 - rs
    fallen_u = -math.expm1(-u / a)
    fallen_w = -math.expm1(-w / a)
    determinant = fallen_u * w - fallen_w * u
    return (i * w - u) / determinant, (fallen_u - fallen_w * i) / determinant


@njit(cache=True, error_model="numpy")
def relative_beta(j: float, g: float, a: float, alpha: float, kappa: float) -> float:
    """(T/Voc) dVoc/dT by De Soto; alpha = T (dIsc/dT)/Isc, kappa = d ln I0 / d ln T."""
    return (alpha - kappa * j * -math.expm1(-1.0 / a) + j / a) / (j / a + g)


@njit(cache=True, error_model="numpy")
def margin(
    kind: int, log_a: float, i: float, v: float, alpha: float, kappa: float, beta: float
) -> float:
    """What is sought to be zero along the family; each falls or rises only once."""
    a = math.exp(log_a)
    if kind == _AT_LEAST_RS:
        return slope_excess(_LEAST_RS, i, v, a)[0]
    rs = resistance_for(i, v, a)
    if rs < 0.0:
        rs = _LEAST_RS
    j, g = linear_part(rs, i, v, a)
    if kind == _AT_LEAST_G:
        return g - _LEAST_G
    return relative_beta(j, g, a, alpha, kappa) - beta


@njit(cache=True, error_model="numpy")
def family_root(
    kind: int,
    low: float,
    high: float,
    i: float,
    v: float,
    alpha: float,
    kappa: float,
    beta: float,
) -> float:
    """Find the zero of a margin between two log a of opposite sign, after Chandrupatla."""
    x1, x2 = low, high
    f1 = margin(kind, x1, i, v, alpha, kappa, beta)
    f2 = margin(kind, x2, i, v, alpha, kappa, beta)
    share = 0.5
    for _ in range(_STEPS):
        x = x1 + share * (x2 - x1)
        f = margin(kind, x, i, v, alpha, kappa, beta)
        if (f > 0.0) == (f1 > 0.0):
            x3, f3 = x1, f1
        else:
            x3, f3 = x2, f2
            x2, f2 = x1, f1
        x1, f1 = x, f
        best = x1 if abs(f1) < abs(f2) else x2
        width = abs(x2 - x1)
        if f1 == 0.0 or width <= 1e-13:
            return best
        xi = (x1 - x2) / (x3 - x2)
        phi = (f1 - f2) / (f3 - f2)
        share = 0.5
        if phi * phi < xi and (1.0 - phi) * (1.0 - phi) < 1.0 - xi:
            share = f1 / (f2 - f1) * f3 / (f2 - f3) + (x3 - x1) / (x2 - x1) * f1 / (
                f3 - f1
            ) * f2 / (f3 - f2)
        least = 0.25e-13 / width
        share = min(max(share, least), 1.0 - least)
    return best


@njit(cache=True, error_model="numpy")
def is_physical(i: float, v: float, a: float) -> bool:
    """Whether rs and g are above zero at this a."""
    rs = resistance_for(i, v, a)
    return rs > 0.0 and linear_part(rs, i, v, a)[1] >= _LEAST_G


@njit(cache=True, error_model="numpy")
def softest_a(i: float, v: float) -> float:
    """Largest a with a physical member, -1 where there is none."""
    if not (0.5 < i < 1.0 and 0.5 < v < 1.0 and is_physical(i, v, _SHARPEST)):
        return -1.0
    low = math.log(_SHARPEST)
    high = math.log(_SOFTEST)
    if margin(_AT_LEAST_RS, high, i, v, 0.0, 0.0, 0.0) > 0.0:
        high = family_root(_AT_LEAST_RS, low, high, i, v, 0.0, 0.0, 0.0)
    if margin(_AT_LEAST_G, high, i, v, 0.0, 0.0, 0.0) < 0.0:
        high = family_root(_AT_LEAST_G, low, high, i, v, 0.0, 0.0, 0.0)
    back = 1e-13
    while back < 1.0:
        a = math.exp(high - back)
        if is_physical(i, v, a):
            return a
        back *= 4.0
    return _SHARPEST


@njit(cache=True, error_model="numpy")
def towards_centre(ratio: float, shift: float) -> float:
    """Move a ratio of two measured values by ``shift`` of each, not past the centre."""
    if ratio < _CENTRE:
        return min(ratio * (1.0 + shift) / (1.0 - shift), _CENTRE)
    return max(ratio * (1.0 - shift) / (1.0 + shift), _CENTRE)


@njit(cache=True, error_model="numpy")
def least_shift(i: float, v: float, of_i: float, of_v: float, most: float) -> tuple[float, float]:
    """Smallest relative change of the currents and of the voltages to a physical member.

    ``of_i`` and ``of_v`` are fixed shifts, or below zero where the shift is sought; ``most`` is
    a shift that is enough.
    """
    low, high = 0.0, most
    for _ in range(60):
        shift = 0.5 * (low + high)
        shift_i = of_i if of_i >= 0.0 else shift
        shift_v = of_v if of_v >= 0.0 else shift
        if softest_a(towards_centre(i, shift_i), towards_centre(v, shift_v)) > 0.0:
            high = shift
        else:
            low = shift
    return of_i if of_i >= 0.0 else high, of_v if of_v >= 0.0 else high


@njit(cache=True, error_model="numpy")
def nearest_ratios(i: float, v: float) -> tuple[float, float]:
    """Find the nearest i and v that have a physical member.

    First the smallest change that does when currents and voltages change alike, then as much
    as possible of the voltages' and of the currents' change is taken back.
    """
    most, _ = least_shift(i, v, -1.0, -1.0, 1.0 - 1e-9)
    shift_i, shift_v = least_shift(i, v, most, -1.0, most)
    shift_i, shift_v = least_shift(i, v, -1.0, shift_v, shift_i)
    return towards_centre(i, shift_i), towards_centre(v, shift_v)


@njit(cache=True, error_model="numpy")
def choose_a(i: float, v: float, a_wanted: float, alpha: float, kappa: float, beta: float) -> float:
    """Find the a that is wanted, or has the wanted beta; else the nearest; -1 where none is."""
    if a_wanted > 0.0:
        a = max(a_wanted, _SHARPEST)
        return a if i > 0.5 and v > 0.5 and is_physical(i, v, a) else softest_a(i, v)
    softest = softest_a(i, v)
    if softest < 0.0:
        return -1.0
    low, high = math.log(_SHARPEST), math.log(softest)
    if margin(_AT_BETA, high, i, v, alpha, kappa, beta) >= 0.0:
        return softest
    if margin(_AT_BETA, low, i, v, alpha, kappa, beta) <= 0.0:
        return _SHARPEST
    return math.exp(family_root(_AT_BETA, low, high, i, v, alpha, kappa, beta))


@njit(cache=True, error_model="numpy")
def fit_one(
    isc_a: float,
    voc_v: float,
    imp_a: float,
    vmp_v: float,
    a_wanted_v: float,
    alpha: float,
    kappa: float,
    beta: float,
    out: FloatArray,
) -> None:
    """Fill IL, I0, Rs, Rsh, a, status, misfit and beta's misfit of one module."""
    out[:] = math.nan
    out[5] = IMPOSSIBLE
    i = imp_a / isc_a
    v = vmp_v / voc_v
    if not (isc_a > 0.0 and voc_v > 0.0 and 0.0 < i < 1.0 and 0.0 < v < 1.0):
        return
    if not (isc_a < math.inf and voc_v < math.inf):
        return
    if not math.isfinite(a_wanted_v + alpha + kappa + beta):
        return
    status = EXACT
    unit_a, unit_v = isc_a, voc_v
    a = choose_a(i, v, a_wanted_v / voc_v, alpha, kappa, beta)
    if a < 0.0:
        status = NEAREST
        i_near, v_near = nearest_ratios(i, v)
        unit_a = isc_a * 2.0 * i / (i + i_near)
        unit_v = voc_v * 2.0 * v / (v + v_near)
        i, v = i_near, v_near
        a = choose_a(i, v, a_wanted_v / unit_v, alpha, kappa, beta)
    rs = resistance_for(i, v, a)
    j, g = linear_part(rs, i, v, a)
    il = unit_a * (j * -math.expm1(-1.0 / a) + g)
    i0 = unit_a * j * math.exp(-1.0 / a)
    rs_ohm = rs * unit_v / unit_a
    g_s = g * unit_a / unit_v
    a_v = a_wanted_v if status == EXACT and a == a_wanted_v / voc_v else a * unit_v
    vmp_fit, imp_fit = maximum_power_at(il, i0, rs_ohm, g_s, a_v)
    misfit = max(
        abs(current_at(il, i0, rs_ohm, g_s, a_v, 0.0) / isc_a - 1.0),
        abs(voltage_at(il, i0, rs_ohm, g_s, a_v, 0.0) / voc_v - 1.0),
        abs(imp_fit / imp_a - 1.0),
        abs(vmp_fit / vmp_v - 1.0),
    )
    out[0], out[1], out[2], out[3], out[4] = il, i0, rs_ohm, 1.0 / g_s, a_v
    out[5] = status if misfit <= _EXACT_WITHIN else NEAREST
    out[6] = misfit
    if a_wanted_v <= 0.0:
        out[7] = relative_beta(j, g, a, alpha, kappa) / beta - 1.0


@njit(cache=True, error_model="numpy")
def fit_row(
    row: int,
    isc_a: FloatArray,
    voc_v: FloatArray,
    imp_a: FloatArray,
    vmp_v: FloatArray,
    wanted: FloatArray,
    out: FloatArray,
) -> None:
    """Fill one row of the fit."""
    fit_one(
        isc_a[row],
        voc_v[row],
        imp_a[row],
        vmp_v[row],
        wanted[row, 0],
        wanted[row, 1],
        wanted[row, 2],
        wanted[row, 3],
        out[row],
    )


@njit(cache=True, parallel=True, error_model="numpy")
def fit_rows(
    isc_a: FloatArray,
    voc_v: FloatArray,
    imp_a: FloatArray,
    vmp_v: FloatArray,
    wanted: FloatArray,
) -> FloatArray:
    """Fit n modules; ``wanted`` (n, 4) holds a [V] (0: use beta), alpha, kappa and beta.

    Gives (n, 8): IL, I0, Rs, Rsh, a, status, misfit, misfit of beta.
    """
    out = np.empty((isc_a.shape[0], 8))
    if isc_a.size <= FEW:
        for row in range(isc_a.shape[0]):
            fit_row(row, isc_a, voc_v, imp_a, vmp_v, wanted, out)
    else:
        for row in prange(isc_a.shape[0]):
            fit_row(row, isc_a, voc_v, imp_a, vmp_v, wanted, out)
    return out
