"""Compiled loops behind ``strings``: one string, or one input, per step of a parallel loop.

A string is a list of units in series. A unit is a module whose sub-strings are alike, or one
sub-string where they differ. Its row holds photocurrent, saturation current, series resistance,
diode voltage over shunt resistance, diode voltage, bypass drop, and its onset: the current at
which its bypass diode takes over.

Two facts make the maxima exact. The voltage of a unit is a concave, falling function of its
current up to its onset, and constant from there. So between two neighbouring onsets the voltage
of the string is concave and falling and its power strictly concave: one maximum, found by a
guarded Newton iteration. And between any two currents the power is at most the higher current
times the voltage at the lower one, which discards whole groups of intervals unsearched. For
strings in parallel the same holds with current and voltage exchanged, because the inverse of a
concave falling function is concave and falling.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.physics._kernels import FEW, current_at, junction_root

__all__ = [
    "COLUMNS",
    "MAX_STEPS",
    "SETTLED",
    "TIE",
    "count_units",
    "current_in",
    "fill_units",
    "kept_inside",
    "peak_between",
    "piece_of",
    "sorted_knees",
    "string_current_at",
    "string_current_rows",
    "string_maximum_rows",
    "string_voltage_rows",
]

_IL, _I0, _RS, _ASH, _A, _DROP, _ONSET, COLUMNS = 0, 1, 2, 3, 4, 5, 6, 7
MAX_STEPS = 200
TIE = 1.0 + 1e-13
SETTLED = 1e-12


@njit(cache=True, error_model="numpy")
def count_units(
    first: int, last: int, parts: IntArray, ratio: FloatArray, shorted: BoolArray
) -> int:
    """Number of units of the modules first to last - 1."""
    apart = ratio.shape[0] > 0 or shorted.shape[0] > 0
    if not apart:
        return last - first
    count = 0
    for module in range(first, last):
        for part in range(parts[module]):
            if shorted.shape[0] == 0 or not shorted[module, part]:
                count += 1
    return count


@njit(cache=True, error_model="numpy")
def fill_units(
    first: int,
    last: int,
    diode: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    parts: IntArray,
    drop_v: float,
    ratio: FloatArray,
    shorted: BoolArray,
    units: FloatArray,
) -> bool:
    """Write the units of the modules first to last - 1; False where a value is missing."""
    il, i0, rs, g, a = diode
    apart = ratio.shape[0] > 0 or shorted.shape[0] > 0
    place = 0
    sound = True
    for module in range(first, last):
        count = parts[module]
        copies, share, drop = 1, 1.0, drop_v * count
        if apart:
            copies, share, drop = count, 1.0 / count, drop_v
        for part in range(copies):
            if apart and shorted.shape[0] > 0 and shorted[module, part]:
                continue
            row = units[place]
            row[_IL] = il[module]
            if apart and ratio.shape[0] > 0:
                row[_IL] *= ratio[module, part]
            row[_I0] = i0[module]
            row[_RS] = rs[module] * share
            row[_ASH] = g[module] * a[module]
            row[_A] = a[module] * share
            row[_DROP] = drop
            onset = current_at(row[_IL], row[_I0], row[_RS], g[module] / share, row[_A], -drop)
            row[_ONSET] = max(0.0, onset)
            sound = sound and math.isfinite(onset)
            place += 1
    return sound


@njit(cache=True, error_model="numpy")
def sorted_knees(units: FloatArray) -> FloatArray:
    """Zero current and the sorted onsets: between neighbours the voltage is concave."""
    knees = np.zeros(units.shape[0] + 1)
    knees[1:] = units[:, _ONSET]
    knees.sort()
    return knees


@njit(cache=True, error_model="numpy")
def voltage_of(
    units: FloatArray, lead_ohm: float, current: float, level: float
) -> tuple[float, float, float]:
    """Voltage and its two derivatives, units whose onset is at most ``level`` being bypassed."""
    v = -current * lead_ohm
    d1 = -lead_ohm
    d2 = 0.0
    for k in range(units.shape[0]):
        row = units[k]
        if row[_ONSET] <= level:
            v -= row[_DROP]
            continue
        x = junction_root(row[_IL] - current, row[_I0], row[_ASH])
        diode = row[_I0] * math.exp(x)
        slope = diode + row[_ASH]
        v += row[_A] * x - current * row[_RS]
        d1 -= row[_A] / slope + row[_RS]
        d2 -= row[_A] * diode / (slope * slope * slope)
    return v, d1, d2


@njit(cache=True, error_model="numpy")
def kept_inside(following: float, now: float, before: float, low: float, high: float) -> float:
    """Give Newton's next point, or the middle where it leaves the bracket or gains too little.

    A step must be at most half of the one ``before``: between two points inside the bracket,
    each of which leads to the other, Newton's method would go to and fro for ever.

    Source: press-2007 9.4
    """
    if low <= following <= high and abs(following - now) <= 0.5 * before:
        return following
    return 0.5 * (low + high)


@njit(cache=True, error_model="numpy")
def peak_between(
    units: FloatArray, lead_ohm: float, low: float, high: float
) -> tuple[float, float]:
    """Current and voltage of the largest power between two neighbouring knees."""
    level = low
    if high <= low:
        return low, voltage_of(units, lead_ohm, low, level)[0]
    v, d1, _ = voltage_of(units, lead_ohm, high, level)
    if v + high * d1 >= 0.0:
        return high, v
    v, d1, d2 = voltage_of(units, lead_ohm, low, level)
    rise = v + low * d1
    if rise <= 0.0:
        return low, v
    top = high
    current = low + 0.93 * (high - low) if low == 0.0 else 0.5 * (low + high)
    step = math.inf
    for _ in range(MAX_STEPS):
        v, d1, d2 = voltage_of(units, lead_ohm, current, level)
        rise = v + current * d1
        if rise > 0.0:
            low = current
        else:
            high = current
        following = current - rise / (2.0 * d1 + current * d2)
        following = kept_inside(following, current, abs(step), low, high)
        step = following - current
        current = following
        if not abs(step) > SETTLED * top:
            break
    return current, voltage_of(units, lead_ohm, current, level)[0]


@njit(cache=True, error_model="numpy")
def _series_peak(units: FloatArray, lead_ohm: float) -> tuple[float, float]:
    """Current and voltage of the global maximum of one string."""
    knees = sorted_knees(units)
    last = knees.shape[0] - 1
    if last == 0:
        return 0.0, 0.0
    best_i, best_v = peak_between(units, lead_ohm, 0.0, knees[1])
    best = best_i * best_v
    volts = np.full(last + 1, np.nan)
    stack = np.empty((last + 2, 2), dtype=np.int64)
    stack[0, 0], stack[0, 1] = 1, last
    height = 1
    while height > 0:
        height -= 1
        left, right = stack[height]
        if right <= left or knees[right] <= knees[left]:
            continue
        if math.isnan(volts[left]):
            volts[left] = voltage_of(units, lead_ohm, knees[left], knees[left])[0]
        if knees[left] * volts[left] > best:
            best_i, best_v = knees[left], volts[left]
            best = best_i * best_v
        if knees[right] * volts[left] <= best * TIE:
            continue
        if right - left == 1:
            i, v = peak_between(units, lead_ohm, knees[left], knees[right])
            if i * v > best:
                best_i, best_v, best = i, v, i * v
            continue
        middle = (left + right) // 2
        stack[height, 0], stack[height, 1] = middle, right
        stack[height + 1, 0], stack[height + 1, 1] = left, middle
        height += 2
    return best_i, best_v


@njit(cache=True, error_model="numpy")
def current_in(
    units: FloatArray,
    lead_ohm: float,
    voltage: float,
    knees: FloatArray,
    volts: FloatArray,
    left: int,
    guess: float,
) -> tuple[float, float, float]:
    """Current at a voltage, on the piece of the curve from knee ``left``; with two derivatives."""
    last = knees.shape[0] - 1
    level = knees[left]
    low = knees[left]
    high = knees[left + 1] if left < last else np.inf
    if left == 0 and voltage > volts[0]:
        low, high, level, current = -np.inf, 0.0, -np.inf, 0.0
    elif voltage >= volts[left]:
        current, high = low, low
    elif left < last and voltage <= volts[left + 1]:
        current, low = high, high
    elif left < last:
        current = low + (high - low) * (volts[left] - voltage) / (volts[left] - volts[left + 1])
    else:
        current = low
    if low < guess < high:
        current = guess
    scale = knees[last]
    d1, d2 = np.nan, np.nan
    for _ in range(MAX_STEPS):
        v, d1, d2 = voltage_of(units, lead_ohm, current, level)
        if low == high:
            break
        if v >= voltage:
            low = current
        else:
            high = current
        following = current - (v - voltage) / d1
        if not low <= following <= high:
            following = 0.5 * (low + high)
        step = following - current
        current = following
        if not abs(step) > SETTLED * max(scale, abs(current)):
            break
    return current, 1.0 / d1, -d2 / (d1 * d1 * d1)


@njit(cache=True, error_model="numpy")
def piece_of(
    units: FloatArray, lead_ohm: float, voltage: float, knees: FloatArray, volts: FloatArray
) -> int:
    """Index of the knee left of the current that flows at a voltage; fills ``volts`` as needed."""
    low, high = 0, knees.shape[0]
    while high - low > 1:
        middle = (low + high) // 2
        if math.isnan(volts[middle]):
            volts[middle] = voltage_of(units, lead_ohm, knees[middle], knees[middle])[0]
        if volts[middle] >= voltage:
            low = middle
        else:
            high = middle
    for near in range(low, min(low + 2, knees.shape[0])):
        if math.isnan(volts[near]):
            volts[near] = voltage_of(units, lead_ohm, knees[near], knees[near])[0]
    return low


@njit(cache=True, error_model="numpy")
def string_current_at(
    units: FloatArray, lead_ohm: float, voltage: float, knees: FloatArray, volts: FloatArray
) -> float:
    """Current of a string at a voltage; nan where every current gives a higher voltage."""
    left = piece_of(units, lead_ohm, voltage, knees, volts)
    if left == knees.shape[0] - 1 and lead_ohm <= 0.0:
        return knees[left] if voltage == volts[left] else np.nan
    return current_in(units, lead_ohm, voltage, knees, volts, left, np.nan)[0]


@njit(cache=True, error_model="numpy")
def _voltage_row(
    s: int,
    diode: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    offsets: IntArray,
    parts: IntArray,
    drop_v: float,
    ratio: FloatArray,
    shorted: BoolArray,
    lead_ohm: FloatArray,
    current_a: FloatArray,
    out: FloatArray,
) -> None:
    """Voltages of one string."""
    first, last = offsets[s], offsets[s + 1]
    units = np.empty((count_units(first, last, parts, ratio, shorted), COLUMNS))
    if not fill_units(first, last, diode, parts, drop_v, ratio, shorted, units):
        return
    for k in range(current_a.shape[1]):
        out[s, k] = voltage_of(units, lead_ohm[s], current_a[s, k], current_a[s, k])[0]


@njit(cache=True, error_model="numpy")
def _current_row(
    s: int,
    diode: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    offsets: IntArray,
    parts: IntArray,
    drop_v: float,
    ratio: FloatArray,
    shorted: BoolArray,
    lead_ohm: FloatArray,
    voltage_v: FloatArray,
    out: FloatArray,
) -> None:
    """Currents of one string."""
    first, last = offsets[s], offsets[s + 1]
    units = np.empty((count_units(first, last, parts, ratio, shorted), COLUMNS))
    if not fill_units(first, last, diode, parts, drop_v, ratio, shorted, units):
        return
    knees = sorted_knees(units)
    volts = np.full(knees.shape[0], np.nan)
    for k in range(voltage_v.shape[1]):
        if math.isfinite(voltage_v[s, k]):
            out[s, k] = string_current_at(units, lead_ohm[s], voltage_v[s, k], knees, volts)


@njit(cache=True, error_model="numpy")
def _maximum_row(
    s: int,
    diode: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    offsets: IntArray,
    parts: IntArray,
    drop_v: float,
    ratio: FloatArray,
    shorted: BoolArray,
    lead_ohm: FloatArray,
    out: FloatArray,
) -> None:
    """Voltage and current of one string at its global maximum."""
    first, last = offsets[s], offsets[s + 1]
    units = np.empty((count_units(first, last, parts, ratio, shorted), COLUMNS))
    if not fill_units(first, last, diode, parts, drop_v, ratio, shorted, units):
        return
    out[1, s], out[0, s] = _series_peak(units, lead_ohm[s])


@njit(cache=True, parallel=True, error_model="numpy")
def string_voltage_rows(
    diode: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    offsets: IntArray,
    parts: IntArray,
    drop_v: float,
    ratio: FloatArray,
    shorted: BoolArray,
    lead_ohm: FloatArray,
    current_a: FloatArray,
) -> FloatArray:
    """Voltages (strings, k) at currents (strings, k)."""
    out = np.full_like(current_a, np.nan)
    if parts.size * current_a.shape[1] <= FEW:
        for s in range(current_a.shape[0]):
            _voltage_row(s, diode, offsets, parts, drop_v, ratio, shorted, lead_ohm, current_a, out)
    else:
        for s in prange(current_a.shape[0]):
            _voltage_row(s, diode, offsets, parts, drop_v, ratio, shorted, lead_ohm, current_a, out)
    return out


@njit(cache=True, parallel=True, error_model="numpy")
def string_current_rows(
    diode: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    offsets: IntArray,
    parts: IntArray,
    drop_v: float,
    ratio: FloatArray,
    shorted: BoolArray,
    lead_ohm: FloatArray,
    voltage_v: FloatArray,
) -> FloatArray:
    """Currents (strings, k) at voltages (strings, k)."""
    out = np.full_like(voltage_v, np.nan)
    if parts.size * voltage_v.shape[1] <= FEW:
        for s in range(voltage_v.shape[0]):
            _current_row(s, diode, offsets, parts, drop_v, ratio, shorted, lead_ohm, voltage_v, out)
    else:
        for s in prange(voltage_v.shape[0]):
            _current_row(s, diode, offsets, parts, drop_v, ratio, shorted, lead_ohm, voltage_v, out)
    return out


@njit(cache=True, parallel=True, error_model="numpy")
def string_maximum_rows(
    diode: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    offsets: IntArray,
    parts: IntArray,
    drop_v: float,
    ratio: FloatArray,
    shorted: BoolArray,
    lead_ohm: FloatArray,
) -> FloatArray:
    """Voltage and current (2, strings) at the global maximum of power."""
    out = np.full((2, offsets.shape[0] - 1), np.nan)
    if parts.size <= FEW:
        for s in range(offsets.shape[0] - 1):
            _maximum_row(s, diode, offsets, parts, drop_v, ratio, shorted, lead_ohm, out)
    else:
        for s in prange(offsets.shape[0] - 1):
            _maximum_row(s, diode, offsets, parts, drop_v, ratio, shorted, lead_ohm, out)
    return out
