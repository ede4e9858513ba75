"""Compiled loops behind ``strings`` for strings in parallel: one input per step.

The search is that of ``_string_kernels`` with voltage and current exchanged: between two
neighbouring voltages at which a bypass diode of any string takes over, the current of all strings
together is a concave, falling function of their common voltage.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.physics._kernels import FEW
from arraywright.physics._string_kernels import (
    COLUMNS,
    MAX_STEPS,
    SETTLED,
    TIE,
    count_units,
    current_in,
    fill_units,
    kept_inside,
    peak_between,
    piece_of,
    sorted_knees,
    string_current_at,
    voltage_of,
)

__all__ = ["input_current_rows", "input_maximum_rows"]

_BOUNDS = 8
"""Bounds tried before all knees are worked out."""


@njit(cache=True, error_model="numpy")
def _input_units(
    head: int,
    tail: int,
    diode: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    offsets: IntArray,
    parts: IntArray,
    drop_v: float,
    ratio: FloatArray,
    shorted: BoolArray,
) -> tuple[bool, IntArray, FloatArray]:
    """Units of the strings head to tail - 1, with where each string's units begin and end."""
    bounds = np.zeros(tail - head + 1, dtype=np.int64)
    for s in range(head, tail):
        count = count_units(offsets[s], offsets[s + 1], parts, ratio, shorted)
        bounds[s - head + 1] = bounds[s - head] + count
    units = np.empty((bounds[-1], COLUMNS))
    sound = fill_units(offsets[head], offsets[tail], diode, parts, drop_v, ratio, shorted, units)
    return sound, bounds, units


@njit(cache=True, error_model="numpy")
def _current_row(
    n: int,
    diode: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    offsets: IntArray,
    input_offsets: IntArray,
    parts: IntArray,
    drop_v: float,
    ratio: FloatArray,
    shorted: BoolArray,
    lead_ohm: FloatArray,
    voltage_v: FloatArray,
    out: FloatArray,
) -> None:
    """Currents of one input."""
    head, tail = input_offsets[n], input_offsets[n + 1]
    sound, bounds, units = _input_units(head, tail, diode, offsets, parts, drop_v, ratio, shorted)
    if not sound:
        return
    out[n] = 0.0
    for s in range(tail - head):
        lead = lead_ohm[head + s]
        own = units[bounds[s] : bounds[s + 1]]
        knees = sorted_knees(own)
        volts = np.full(knees.shape[0], np.nan)
        for k in range(voltage_v.shape[1]):
            if math.isfinite(voltage_v[n, k]):
                out[n, k] += string_current_at(own, lead, voltage_v[n, k], knees, volts)
            else:
                out[n, k] = np.nan


@njit(cache=True, parallel=True, error_model="numpy")
def input_current_rows(
    diode: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    offsets: IntArray,
    input_offsets: IntArray,
    parts: IntArray,
    drop_v: float,
    ratio: FloatArray,
    shorted: BoolArray,
    lead_ohm: FloatArray,
    voltage_v: FloatArray,
) -> FloatArray:
    """Currents (inputs, k) of the strings of each input together, at voltages (inputs, k)."""
    out = np.full_like(voltage_v, np.nan)
    if parts.size * voltage_v.shape[1] <= FEW:
        for n in range(voltage_v.shape[0]):
            _current_row(
                n,
                diode,
                offsets,
                input_offsets,
                parts,
                drop_v,
                ratio,
                shorted,
                lead_ohm,
                voltage_v,
                out,
            )
    else:
        for n in prange(voltage_v.shape[0]):
            _current_row(
                n,
                diode,
                offsets,
                input_offsets,
                parts,
                drop_v,
                ratio,
                shorted,
                lead_ohm,
                voltage_v,
                out,
            )
    return out


@njit(cache=True, error_model="numpy")
def _input_sum(
    units: FloatArray,
    bounds: IntArray,
    lead_ohm: FloatArray,
    voltage: float,
    knees: FloatArray,
    volts: FloatArray,
    pieces: IntArray,
    guesses: FloatArray,
) -> tuple[float, float, float]:
    """Current of the strings together, with two derivatives, each on its piece of the curve.

    ``guesses`` holds current, slope and voltage of each string where it was last worked out.
    """
    i, d1, d2 = 0.0, 0.0, 0.0
    for s in range(bounds.shape[0] - 1):
        one, two = bounds[s], bounds[s + 1]
        own_i, own_d1, own_d2 = current_in(
            units[one:two],
            lead_ohm[s],
            voltage,
            knees[one + s : two + s + 1],
            volts[one + s : two + s + 1],
            pieces[s],
            guesses[0, s] + guesses[1, s] * (voltage - guesses[2, s]),
        )
        guesses[0, s], guesses[1, s], guesses[2, s] = own_i, own_d1, voltage
        i += own_i
        d1 += own_d1
        d2 += own_d2
    return i, d1, d2


@njit(cache=True, error_model="numpy")
def _set_pieces(
    units: FloatArray,
    bounds: IntArray,
    lead_ohm: FloatArray,
    voltage: float,
    knees: FloatArray,
    volts: FloatArray,
    pieces: IntArray,
) -> None:
    """Choose, for each string, the piece of its curve that holds a voltage.

    Where the voltage at a string's first bypass knee is known, that at no current must be, too.
    """
    for s in range(bounds.shape[0] - 1):
        one, two = bounds[s], bounds[s + 1]
        if two > one and voltage > volts[one + s + 1]:
            pieces[s] = 0
            continue
        own = knees[one + s : two + s + 1]
        pieces[s] = piece_of(
            units[one:two], lead_ohm[s], voltage, own, volts[one + s : two + s + 1]
        )


@njit(cache=True, error_model="numpy")
def _input_peak_between(
    units: FloatArray,
    bounds: IntArray,
    lead_ohm: FloatArray,
    low: float,
    high: float,
    knees: FloatArray,
    volts: FloatArray,
    pieces: IntArray,
    guesses: FloatArray,
    start: float,
) -> tuple[float, float]:
    """Voltage and current of the largest power between two neighbouring knee voltages.

    The search begins at ``start`` where that lies between them. An end is looked at only when the
    search wants to pass it.
    """
    _set_pieces(units, bounds, lead_ohm, 0.5 * (low + high), knees, volts, pieces)
    top = high
    low_open, high_open = True, True
    voltage = low + 0.8 * (high - low) if low == 0.0 else 0.5 * (low + high)
    if low < start < high:
        voltage = start
    step = math.inf
    for _ in range(MAX_STEPS):
        i, d1, d2 = _input_sum(units, bounds, lead_ohm, voltage, knees, volts, pieces, guesses)
        rise = i + voltage * d1
        if rise > 0.0:
            if voltage == high:
                return high, i
            low, low_open = voltage, False
        else:
            if voltage == low:
                return low, i
            high, high_open = voltage, False
        following = voltage - rise / (2.0 * d1 + voltage * d2)
        if following >= high and high_open:
            following = high
        elif following <= low and low_open:
            following = low
        else:
            following = kept_inside(following, voltage, abs(step), low, high)
        step = following - voltage
        voltage = following
        if not abs(step) > SETTLED * top:
            break
    return voltage, _input_sum(units, bounds, lead_ohm, voltage, knees, volts, pieces, guesses)[0]


@njit(cache=True, error_model="numpy")
def _input_search(
    units: FloatArray,
    bounds: IntArray,
    lead_ohm: FloatArray,
    marks: FloatArray,
    knees: FloatArray,
    volts: FloatArray,
    pieces: IntArray,
    guesses: FloatArray,
    best_v: float,
    best_i: float,
) -> tuple[float, float]:
    """Voltage and current of the largest power over rising marks, or what was known before."""
    last = marks.shape[0] - 1
    currents = np.full(last + 1, np.nan)
    best = best_v * best_i
    stack = np.empty((last + 2, 2), dtype=np.int64)
    stack[0, 0], stack[0, 1] = 0, last
    height = 1
    while height > 0:
        height -= 1
        left, right = stack[height]
        if right <= left or marks[right] <= marks[left]:
            continue
        if math.isnan(currents[left]):
            _set_pieces(units, bounds, lead_ohm, marks[left], knees, volts, pieces)
            currents[left] = _input_sum(
                units, bounds, lead_ohm, marks[left], knees, volts, pieces, guesses
            )[0]
        if currents[left] * marks[left] > best:
            best_v, best_i = marks[left], currents[left]
            best = best_v * best_i
        if marks[right] * currents[left] <= best * TIE:
            continue
        if right - left == 1:
            v, i = _input_peak_between(
                units,
                bounds,
                lead_ohm,
                marks[left],
                marks[right],
                knees,
                volts,
                pieces,
                guesses,
                np.nan,
            )
            if i * v > best:
                best_v, best_i, best = v, i, i * v
            continue
        middle = (left + right) // 2
        stack[height, 0], stack[height, 1] = left, middle
        stack[height + 1, 0], stack[height + 1, 1] = middle, right
        height += 2
    return best_v, best_i


@njit(cache=True, error_model="numpy")
def _nothing_better_below(
    units: FloatArray,
    bounds: IntArray,
    lead_ohm: FloatArray,
    top: float,
    best: float,
    knees: FloatArray,
    volts: FloatArray,
    pieces: IntArray,
    guesses: FloatArray,
) -> bool:
    """Whether a few bounds show that no voltage up to ``top`` gives more than ``best``.

    Between two voltages the power is at most the higher one times the current at the lower one.
    So from each voltage the next step is to the best power over the current that flows there; at
    the start, over the sum of the currents at which the last bypass diodes take over.
    """
    current = 0.0
    for s in range(bounds.shape[0] - 1):
        current += knees[bounds[s + 1] + s]
    low = 0.0
    for _ in range(_BOUNDS):
        if current * top <= best:
            return True
        following = best / current
        if not following > low:
            return False
        low = following
        _set_pieces(units, bounds, lead_ohm, low, knees, volts, pieces)
        current = _input_sum(units, bounds, lead_ohm, low, knees, volts, pieces, guesses)[0]
    return False


@njit(cache=True, error_model="numpy")
def _bound_above(peak_v: float, marks: FloatArray) -> float:
    """Bound of the power between the first and last mark, over that of a maximum below them.

    Up to the first mark the curve lies below its tangent at the maximum, whose slope is minus
    current over voltage there; from then on the current falls.
    """
    first, last = float(marks[0]), float(marks[-1])
    return last * (2.0 - first / peak_v) / peak_v


@njit(cache=True, error_model="numpy")
def _input_peak(units: FloatArray, bounds: IntArray, lead_ohm: FloatArray) -> tuple[float, float]:
    """Voltage and current of the global maximum of strings in parallel.

    Above the voltage at which the first bypass diode of any string takes over, only open-circuit
    voltages part the curve. That range is searched first, beginning where the first string has its
    own maximum; where simple bounds show that nothing below can be better, which is so for healthy
    modules, the other knees are never worked out.
    """
    strings = bounds.shape[0] - 1
    knees = np.empty(units.shape[0] + strings)
    volts = np.full(units.shape[0] + strings, np.nan)
    floor = 0.0
    marks = np.empty(strings + 1)
    for s in range(strings):
        one, two = bounds[s], bounds[s + 1]
        own = units[one:two]
        knees[one + s : two + s + 1] = sorted_knees(own)
        for k in range(one + s, min(one + s + 2, two + s + 1)):
            volts[k] = voltage_of(own, lead_ohm[s], knees[k], knees[k])[0]
        if two > one:
            floor = max(floor, volts[one + s + 1])
        marks[s + 1] = volts[one + s]
    marks[0] = floor
    marks = np.maximum(marks, floor)
    marks.sort()
    pieces = np.zeros(strings, dtype=np.int64)
    guesses = np.full((3, strings), np.nan)
    best_v, best_i = 0.0, 0.0
    if bounds[1] > 0 and marks[1] > floor:
        own_i, own_v = peak_between(units[: bounds[1]], lead_ohm[0], 0.0, knees[1])
        guesses[0], guesses[1], guesses[2] = own_i, 0.0, own_v
        best_v, best_i = _input_peak_between(
            units, bounds, lead_ohm, floor, marks[1], knees, volts, pieces, guesses, own_v
        )
        marks = marks[1:]
    if not (floor < best_v < marks[0] and _bound_above(best_v, marks) < 0.999):
        best_v, best_i = _input_search(
            units, bounds, lead_ohm, marks, knees, volts, pieces, guesses, best_v, best_i
        )
    if floor <= 0.0 or _nothing_better_below(
        units, bounds, lead_ohm, floor, best_v * best_i * TIE, knees, volts, pieces, guesses
    ):
        return best_v, best_i
    for s in range(strings):
        one, two = bounds[s], bounds[s + 1]
        for k in range(one + s, two + s + 1):
            if math.isnan(volts[k]):
                volts[k] = voltage_of(units[one:two], lead_ohm[s], knees[k], knees[k])[0]
    marks = np.zeros(volts.shape[0] + 2)
    marks[1] = floor
    marks[2:] = np.minimum(np.maximum(volts, 0.0), floor)
    marks.sort()
    return _input_search(
        units, bounds, lead_ohm, marks, knees, volts, pieces, guesses, best_v, best_i
    )


@njit(cache=True, error_model="numpy")
def _maximum_row(
    n: int,
    diode: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    offsets: IntArray,
    input_offsets: IntArray,
    parts: IntArray,
    drop_v: float,
    ratio: FloatArray,
    shorted: BoolArray,
    lead_ohm: FloatArray,
    out: FloatArray,
) -> None:
    """Voltage and current of one input at its global maximum."""
    head, tail = input_offsets[n], input_offsets[n + 1]
    sound, bounds, units = _input_units(head, tail, diode, offsets, parts, drop_v, ratio, shorted)
    if not sound:
        return
    out[0, n], out[1, n] = _input_peak(units, bounds, lead_ohm[head:tail])


@njit(cache=True, parallel=True, error_model="numpy")
def input_maximum_rows(
    diode: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    offsets: IntArray,
    input_offsets: IntArray,
    parts: IntArray,
    drop_v: float,
    ratio: FloatArray,
    shorted: BoolArray,
    lead_ohm: FloatArray,
) -> FloatArray:
    """Voltage and current (2, inputs) at the global maximum of power of each input."""
    out = np.full((2, input_offsets.shape[0] - 1), np.nan)
    if parts.size <= FEW:
        for n in range(input_offsets.shape[0] - 1):
            _maximum_row(
                n, diode, offsets, input_offsets, parts, drop_v, ratio, shorted, lead_ohm, out
            )
    else:
        for n in prange(input_offsets.shape[0] - 1):
            _maximum_row(
                n, diode, offsets, input_offsets, parts, drop_v, ratio, shorted, lead_ohm, out
            )
    return out
