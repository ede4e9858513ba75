"""Key points of measured current-voltage curves, and what makes a curve unfit to have any.

Curves stand one after the other in flat arrays, of any number of points each, in any order of
voltage; ``offsets`` (curves + 1,) says where each begins.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag
from typing import Final

import numpy as np
import numpy.typing as npt

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.errors import CallError

__all__ = ["CurveGate", "MeasuredKeyPoints", "measured_key_points"]

MINIMUM_POINTS: Final = 10
"""Fewest points of a curve that is assessed; common practice."""
REACH_RATIO: Final = 0.1
"""How far from V = 0 or I = 0, as a share of Voc or Isc, a curve may end; common practice."""
MONOTONE_RATIO: Final = 0.02
"""Largest rise of current with voltage, as a share of Isc, taken as noise; common practice."""

_LINE_POINTS = 3
_LINE_SPREAD = 0.01
_WINDOW = 0.2
_SLOPE_SPREAD = 0.1
_FIT_ORDER = 4
_FIT_LOW, _FIT_HIGH = 0.75, 1.15
_NEAR_VOC, _NEAR_ISC = 0.001, 0.005
_CHUNK = 8192


class CurveGate(IntFlag):
    """What keeps a measured curve from giving its key points; several may hold together.

    ``DOES_NOT_REACH_ZERO_VOLTAGE`` leaves Isc, its slope and the fill factor nan,
    ``DOES_NOT_REACH_ZERO_CURRENT`` Voc, its slope and the fill factor,
    ``MAXIMUM_NOT_COVERED`` the maximum power and the fill factor, the others everything.
    """

    FIT = 0
    TOO_FEW_POINTS = 1
    NO_POWER = 2
    NOT_MONOTONE = 4
    DOES_NOT_REACH_ZERO_VOLTAGE = 8
    DOES_NOT_REACH_ZERO_CURRENT = 16
    MAXIMUM_NOT_COVERED = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredKeyPoints:
    """Key points of measured curves, each of shape (curves,).

    Attributes:
        isc_a: short-circuit current [A].
        voc_v: open-circuit voltage [V].
        imp_a: current at maximum power [A].
        vmp_v: voltage at maximum power [V].
        pmp_w: maximum power [W].
        fill_factor_ratio: Pmp / (Isc Voc) [1].
        voc_slope_ohm: -dV/dI at open circuit [ohm]; rises one for one with any added series
            resistance.
        isc_slope_ohm: -dV/dI at short circuit [ohm]; near the shunt resistance, infinite where
            the curve is flat within its noise.
        gate: CurveGate flags as int8, 0 for a curve that gives everything.
        residual_ratio: standard deviation of the power about its fit near the maximum, relative
            to the maximum [1]: the noise of the curve.
    """

    isc_a: FloatArray
    voc_v: FloatArray
    imp_a: FloatArray
    vmp_v: FloatArray
    pmp_w: FloatArray
    fill_factor_ratio: FloatArray
    voc_slope_ohm: FloatArray
    isc_slope_ohm: FloatArray
    gate: npt.NDArray[np.int8]
    residual_ratio: FloatArray


def _padded(flat: FloatArray, offsets: IntArray, *, width: int) -> FloatArray:
    lengths = np.diff(offsets)
    out = np.full((len(lengths), width), np.nan)
    where = np.arange(width) < lengths[:, None]
    out[where] = flat[offsets[0] : offsets[-1]]
    return out


def _fitted_line(x: FloatArray, y: FloatArray, use: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Value at x = 0 and slope of the least-squares line through the points in use."""
    count = use.sum(axis=1)
    middle_x = np.sum(x, axis=1, where=use) / count
    middle_y = np.sum(y, axis=1, where=use) / count
    from_middle = np.where(use, x - middle_x[:, None], 0.0)
    square = np.sum(from_middle**2, axis=1)
    slope = np.sum(from_middle * np.where(use, y, 0.0), axis=1) / square
    return middle_y - slope * middle_x, slope


def _near_zero(x: FloatArray, window: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Points within a window beyond the one nearest to zero, and the three nearest ones."""
    distance = np.abs(x)
    rank = np.argsort(np.argsort(distance, axis=1, kind="stable"), axis=1, kind="stable")
    nearest = (rank < _LINE_POINTS) & np.isfinite(x)
    return distance <= (np.nanmin(distance, axis=1) + window)[:, None], nearest


def _spread(x: FloatArray, use: BoolArray) -> FloatArray:
    high: FloatArray = np.max(x, axis=1, where=use, initial=-np.inf)
    low: FloatArray = np.min(x, axis=1, where=use, initial=np.inf)
    return high - low


def _at_zero(x: FloatArray, y: FloatArray, scale: FloatArray) -> FloatArray:
    """Value at x = 0 of the line through the three nearest points (ASTM E1036).

    Where the three lie on top of each other, as when a tracer rests at the end of its sweep, the
    line goes through all points within a fifth of the scale instead.
    """
    window, nearest = _near_zero(x, _WINDOW * scale)
    crowded = _spread(x, nearest) < _LINE_SPREAD * scale
    use = np.where(crowded[:, None], window | nearest, nearest)
    value, _ = _fitted_line(x, y, use)
    return np.where(_spread(x, use) < _LINE_SPREAD * scale, np.nan, value)


def _slope_at_zero(x: FloatArray, y: FloatArray, scale: FloatArray) -> FloatArray:
    """Slope of the line through all points within a fifth of the scale, and at least three."""
    window, nearest = _near_zero(x, _WINDOW * scale)
    use = window | nearest
    _, slope = _fitted_line(x, y, use)
    return np.where(_spread(x, use) < _SLOPE_SPREAD * scale, np.nan, slope)


def _row(array: FloatArray, index: npt.NDArray[np.intp]) -> FloatArray:
    return np.take_along_axis(array, index[:, None], axis=1)[:, 0]


def _intercepts(v: FloatArray, i: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Isc and Voc: the sample itself where it is close enough to the axis, else the line."""
    at_i = np.nanargmin(np.abs(i), axis=1)
    at_v = np.nanargmin(np.abs(v), axis=1)
    voc_sample, isc_sample = _row(v, at_i), _row(i, at_v)
    voc_near = np.abs(_row(i, at_i)) <= isc_sample * _NEAR_VOC
    isc_near = np.abs(_row(v, at_v)) <= voc_sample * _NEAR_ISC
    voc = np.where(voc_near, voc_sample, _at_zero(i, v, np.nanmax(i, axis=1)))
    isc = np.where(isc_near, isc_sample, _at_zero(v, i, np.nanmax(v, axis=1)))
    return isc, voc


def _peak(v: FloatArray, i: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Voltage and power at the maximum of a quartic through the points around it, and the noise."""
    p = np.where((v > 0.0) | np.isnan(v), v * i, -np.inf)
    top = np.nanargmax(p, axis=1)
    v_top, i_top = _row(v, top)[:, None], _row(i, top)[:, None]
    with np.errstate(invalid="ignore"):
        use = (i >= _FIT_LOW * i_top) & (i <= _FIT_HIGH * i_top)
        use &= (v >= _FIT_LOW * v_top) & (v <= _FIT_HIGH * v_top)
    count = use.sum(axis=1)
    low = np.min(v, axis=1, where=use, initial=np.inf)
    high = np.max(v, axis=1, where=use, initial=-np.inf)
    enough = (count > _FIT_ORDER) & (high > low)
    vmp = np.full(len(v), np.nan)
    pmp = np.full(len(v), np.nan)
    noise = np.full(len(v), np.nan)
    if not enough.any():
        return vmp, pmp, noise
    keep = np.flatnonzero(enough)
    use, low, high, count = use[keep], low[keep], high[keep], count[keep]
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    x = np.where(use, (np.where(use, v[keep], 0.0) - middle[:, None]) / half[:, None], 0.0)
    power = np.where(use, p[keep], 0.0)
    basis = x[:, :, None] ** np.arange(_FIT_ORDER + 1) * use[:, :, None]
    gram = np.einsum("cpi,cpj->cij", basis, basis)
    right = np.einsum("cpi,cp->ci", basis, power)
    regular = np.linalg.cond(gram) < 1e12
    gram[~regular] = np.eye(_FIT_ORDER + 1)
    coefficient = np.linalg.solve(gram, right[:, :, None])[:, :, 0]
    x_top, p_top = _quartic_top(coefficient)
    residual = np.where(use, np.einsum("cpi,ci->cp", basis, coefficient) - power, 0.0)
    spare = np.maximum(count - _FIT_ORDER - 1, 1)
    bad = ~regular
    vmp[keep] = np.where(bad, np.nan, middle + half * x_top)
    pmp[keep] = np.where(bad, np.nan, p_top)
    noise[keep] = np.where(bad, np.nan, np.sqrt(np.sum(residual**2, axis=1) / spare) / p_top)
    return vmp, pmp, noise


def _quartic_top(coefficient: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Highest stationary point inside (-1, 1) of each quartic; nan where it has none."""
    slope = coefficient[:, 1:] * np.arange(1, _FIT_ORDER + 1)
    scale = np.max(np.abs(slope), axis=1, keepdims=True)
    lead = slope[:, -1:]
    # A vanishing lead sends one root to infinity; a tiny one does no harm and divides.
    lead = np.where(np.abs(lead) < 1e-12 * scale, 1e-12 * scale + (scale == 0.0), lead)
    companion = np.zeros((len(slope), 3, 3))
    companion[:, 1, 0] = companion[:, 2, 1] = 1.0
    companion[:, :, 2] = -slope[:, :-1] / lead
    roots = np.linalg.eigvals(companion)
    inside = (np.abs(roots.imag) < 1e-5) & (np.abs(roots.real) < 1.0)
    x = np.where(inside, roots.real, 0.0)
    height = np.einsum("cri,ci->cr", x[:, :, None] ** np.arange(_FIT_ORDER + 1), coefficient)
    height = np.where(inside, height, -np.inf)
    best = np.argmax(height, axis=1)
    found = inside.any(axis=1)
    return np.where(found, _row(x, best), np.nan), np.where(found, _row(height, best), np.nan)


def _gates(v: FloatArray, i: FloatArray, reach: float, monotone: float) -> npt.NDArray[np.int8]:
    gate = np.zeros(len(v), dtype=np.int8)
    highest_v, highest_i = np.nanmax(v, axis=1), np.nanmax(i, axis=1)
    steps = np.diff(i, axis=1)
    rises = np.max(steps, axis=1, where=np.isfinite(steps), initial=0.0)
    gate[rises > monotone * highest_i] |= CurveGate.NOT_MONOTONE
    gate[np.nanmin(i, axis=1) > reach * highest_i] |= CurveGate.DOES_NOT_REACH_ZERO_CURRENT
    gate[np.nanmin(v, axis=1) > reach * highest_v] |= CurveGate.DOES_NOT_REACH_ZERO_VOLTAGE
    return gate


def _chunk(
    v: FloatArray, i: FloatArray, minimum_points: int, reach: float, monotone: float
) -> tuple[FloatArray, npt.NDArray[np.int8]]:
    """Key points of curves (points padded with nan and sorted by voltage), and their gates."""
    curves = len(v)
    out = np.full((9, curves), np.nan)
    gate = np.full(curves, CurveGate.TOO_FEW_POINTS, dtype=np.int8)
    enough = np.sum(np.isfinite(v), axis=1) >= minimum_points
    lit = enough.copy()
    lit[enough] = np.any((v[enough] > 0.0) & (i[enough] > 0.0), axis=1)
    gate[enough & ~lit] = CurveGate.NO_POWER
    some = np.flatnonzero(lit)
    if not len(some):
        return out, gate
    v, i = v[some], i[some]
    own = _gates(v, i, reach, monotone)
    with np.errstate(invalid="ignore", divide="ignore"):
        isc, voc = _intercepts(v, i)
        vmp, pmp, noise = _peak(v, i)
        own[~(np.isfinite(vmp) & (pmp > 0.0))] |= CurveGate.MAXIMUM_NOT_COVERED
        own[~(isc > 0.0)] |= CurveGate.DOES_NOT_REACH_ZERO_VOLTAGE
        own[~(voc > 0.0)] |= CurveGate.DOES_NOT_REACH_ZERO_CURRENT
        at_voc = -_slope_at_zero(i, v, np.nanmax(i, axis=1))
        conductance = -_slope_at_zero(v, i, np.nanmax(v, axis=1))
        at_isc = np.where(conductance <= 0.0, np.inf, 1.0 / conductance)
    uncovered = own & CurveGate.MAXIMUM_NOT_COVERED != 0
    no_isc = own & CurveGate.DOES_NOT_REACH_ZERO_VOLTAGE != 0
    no_voc = own & CurveGate.DOES_NOT_REACH_ZERO_CURRENT != 0
    isc, at_isc = np.where(no_isc, np.nan, isc), np.where(no_isc, np.nan, at_isc)
    voc, at_voc = np.where(no_voc, np.nan, voc), np.where(no_voc, np.nan, at_voc)
    vmp, pmp = np.where(uncovered, np.nan, vmp), np.where(uncovered, np.nan, pmp)
    rows = np.stack([isc, voc, pmp / vmp, vmp, pmp, pmp / (isc * voc), at_voc, at_isc, noise])
    out[:, some] = np.where(own & CurveGate.NOT_MONOTONE, np.nan, rows)
    gate[some] = own
    return out, gate


def measured_key_points(
    voltage_v: npt.ArrayLike,
    current_a: npt.ArrayLike,
    *,
    offsets: npt.ArrayLike,
    minimum_points: int = MINIMUM_POINTS,
    reach_ratio: float = REACH_RATIO,
    monotone_ratio: float = MONOTONE_RATIO,
) -> MeasuredKeyPoints:
    """Isc [A], Voc [V], Pmp [W], fill factor [1] and end slopes [ohm] of noisy measured curves.

    After ASTM E1036: Voc is the sample with the smallest current where that is below 0.1 % of
    Isc, else the straight line through the three samples nearest to zero current; Isc likewise
    with 0.5 % of Voc; Pmp is the maximum of a quartic through the power of all samples between
    75 and 115 % of both current and voltage of the largest one. Deviation: where the three samples
    lie on top of each other (a tracer resting at the end of its sweep), the line goes through all
    samples within a fifth of Isc or Voc. The end slopes are lines through all samples within a
    fifth of Isc or Voc. A point with a value missing is left out. The gates are common practice.

    Args:
        voltage_v: voltages of all points of all curves, flat.
        current_a: currents, positive where the module delivers power, same shape.
        offsets: (curves + 1,), where each curve begins in the flat arrays.
        minimum_points: fewest points of a curve that is assessed, at least 6.
        reach_ratio: how far from V = 0 or I = 0 a curve may end, as a share of Voc or Isc [1].
        monotone_ratio: largest rise of current from one point to the next, as a share of Isc [1].

    Returns:
        Key points; nan where the gate says why a curve cannot give them.

    Raises:
        CallError: ``shapes-differ``, ``value-out-of-range``.

    Source: astm-e1036 8.
    """
    v, i = np.asarray(voltage_v, dtype=np.float64), np.asarray(current_a, dtype=np.float64)
    bounds = np.asarray(offsets, dtype=np.int64)
    if v.ndim != 1 or v.shape != i.shape or not _fits(bounds, len(v)):
        raise CallError(
            "shapes-differ",
            f"Found voltage_v {v.shape}, current_a {i.shape} and offsets {bounds.shape}; required: "
            "two flat arrays of one length and rising offsets from 0 to that length.",
            "Sort the points by curve and make offsets with offsets_from_lengths.",
        )
    if minimum_points < _FIT_ORDER + 2:
        raise CallError(
            "value-out-of-range",
            f"Found minimum_points {minimum_points}; required: at least {_FIT_ORDER + 2}.",
            "A quartic through fewer points follows their noise.",
        )
    whole = np.isfinite(v) & np.isfinite(i)
    curve = np.repeat(np.arange(len(bounds) - 1), np.diff(bounds))[whole]
    order = np.lexsort((v[whole], curve))
    v, i, curve = v[whole][order], i[whole][order], curve[order]
    bounds = np.searchsorted(curve, np.arange(len(bounds)))
    parts = [np.zeros((9, 0))]
    gates = [np.zeros(0, dtype=np.int8)]
    for start in range(0, len(bounds) - 1, _CHUNK):
        ends = bounds[start : start + _CHUNK + 1]
        width = max(int(np.diff(ends).max()), _LINE_POINTS)
        rows, gate = _chunk(
            _padded(v, ends, width=width),
            _padded(i, ends, width=width),
            minimum_points,
            reach_ratio,
            monotone_ratio,
        )
        parts.append(rows)
        gates.append(gate)
    isc, voc, imp, vmp, pmp, fill, at_voc, at_isc, noise = np.concatenate(parts, axis=1)
    return MeasuredKeyPoints(
        isc_a=isc,
        voc_v=voc,
        imp_a=imp,
        vmp_v=vmp,
        pmp_w=pmp,
        fill_factor_ratio=fill,
        voc_slope_ohm=at_voc,
        isc_slope_ohm=at_isc,
        gate=np.concatenate(gates),
        residual_ratio=noise,
    )


def _fits(bounds: IntArray, count: int) -> bool:
    if bounds.ndim != 1 or len(bounds) == 0:
        return False
    return bool(bounds[0] == 0 and bounds[-1] == count and np.all(np.diff(bounds) >= 0))
