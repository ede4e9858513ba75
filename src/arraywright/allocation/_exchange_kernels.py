"""Compiled exchanges of two pallets, drawn by what they gain at a falling heat."""

# mypy: disable-error-code="untyped-decorator,no-untyped-def"

from __future__ import annotations

import math
from typing import NamedTuple, TypeAlias

import numba
import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray, IntArray

__all__ = ["Asked", "Cuts", "Groups", "Lines", "Pallets", "Tables", "Totals", "exchange", "tell"]

_FAR = 14.0
_NEVER = 1e300
_ShortArray: TypeAlias = npt.NDArray[np.uint32]


class Pallets(NamedTuple):
    """What pallets bring, summed from their first module on: (pallets, 1 + modules).

    Attributes:
        x: deviations of current.
        y: deviations of voltage.
        squares: squared deviations of current.
        day: day each is here, (pallets,).
        parallel: whether voltages count.
    """

    x: FloatArray
    y: FloatArray
    squares: FloatArray
    day: IntArray
    parallel: bool


class Cuts(NamedTuple):
    """How slots cut their pallets into strings.

    Attributes:
        begin: first module of each part, (slots, parts).
        end: past its last.
        string: string each part goes into.
        used: modules used of the pallet, (slots,).
        head: number of the first part that holds modules.
        tail: number of the last.
        string_input: input of each string.
        inverse: one by the length of each string.
        inverse_alike: one by the strings of each input.
        near_from: where the neighbours of a slot begin in ``near``, (slots + 1,).
        near: slots that share a string with it, or an input where voltages count.
    """

    begin: IntArray
    end: IntArray
    string: IntArray
    used: IntArray
    head: IntArray
    tail: IntArray
    string_input: IntArray
    inverse: FloatArray
    inverse_alike: FloatArray
    near_from: IntArray
    near: IntArray


class Totals(NamedTuple):
    """Sums over what lies in strings and inputs now."""

    string_x: FloatArray
    string_y: FloatArray
    input_y: FloatArray


class Tables(NamedTuple):
    """What pallets cost in slots: cost and sums of each pallet under each way slots cut it.

    Attributes:
        pattern: place of the slot's way in the row of a pallet, (slots + left over,).
        row: where the row of a pallet begins, (pallets,).
        table: per pallet and way the own cost, then the sums that other slots have a part in.
        column: where the slot's way begins in ``by_way``, (slots + left over,).
        pallets_in: pallets of each size, (sizes,).
        number: number of a pallet among those of its size, (pallets,).
        by_way: the same as ``table``, per way first all own costs, then all of each sum.
    """

    pattern: IntArray
    row: IntArray
    table: FloatArray
    column: IntArray
    pallets_in: IntArray
    number: IntArray
    by_way: FloatArray


class Asked(NamedTuple):
    """What slots ask of their pallets now.

    Attributes:
        weight: for each tabled sum, (slots + left over, sums).
        now: cost of the slot's own pallet in it, (slots + left over,).
    """

    weight: FloatArray
    now: FloatArray


class Groups(NamedTuple):
    """Slots by the size of their pallets.

    Attributes:
        slots: used slots of each size in order, then those that stand for pallets left over.
        size: number of the size of each slot, (slots + left over,).
        begin: where a size begins in ``slots``, (sizes + 1,).
        place: place of a slot in ``slots``, -1 when it is frozen, (slots + left over,).
        latest: latest day of a slot, (slots + left over,).
        frozen: slots at the start that stay as they are.
    """

    slots: IntArray
    size: IntArray
    begin: IntArray
    place: IntArray
    latest: IntArray
    frozen: int


class Lines(NamedTuple):
    """What is known of slots in the order of ``Groups.slots``, to be read in one run.

    Attributes:
        number: number of the slot's pallet among those of its size.
        pattern: place of the slot's way in the row of a pallet.
        weight: what it asks for each sum, (sums, slots).
        now: what its pallet costs.
        day: day of its pallet.
        latest: its latest day.
    """

    number: _ShortArray
    pattern: _ShortArray
    weight: FloatArray
    now: FloatArray
    day: IntArray
    latest: IntArray


@numba.njit(cache=True, nogil=True)
def _put(slot, leaves, comes, pallets, cuts, totals):  # pragma: no cover - compiled
    """Put a pallet in the place of another, keep the sums, and give the change of loss."""
    x, y = pallets.x, pallets.y
    used = cuts.used[slot]
    change = pallets.squares[comes, used] - pallets.squares[leaves, used]
    for q in range(cuts.begin.shape[1]):
        low, high = cuts.begin[slot, q], cuts.end[slot, q]
        if high <= low:
            continue
        s = cuts.string[slot, q]
        more = x[comes, high] - x[comes, low] - x[leaves, high] + x[leaves, low]
        change -= more * (2.0 * totals.string_x[s] + more) * cuts.inverse[s]
        totals.string_x[s] += more
        if pallets.parallel:
            i = cuts.string_input[s]
            more = y[comes, high] - y[comes, low] - y[leaves, high] + y[leaves, low]
            change += more * (2.0 * totals.string_y[s] + more)
            change -= more * (2.0 * totals.input_y[i] + more) * cuts.inverse_alike[i]
            totals.string_y[s] += more
            totals.input_y[i] += more
    return change


@numba.njit(cache=True, nogil=True)
def _rest(slot, q, unit, pallets, cuts, totals):  # pragma: no cover - compiled
    """Sum of the string of a part without this pallet's modules, by the string's length."""
    s = cuts.string[slot, q]
    own = pallets.x[unit, cuts.end[slot, q]] - pallets.x[unit, cuts.begin[slot, q]]
    return (totals.string_x[s] - own) * cuts.inverse[s]


@numba.njit(cache=True, nogil=True)
def _ask(slot, units, pallets, cuts, totals, tables, asked):  # pragma: no cover - compiled
    """Work out what the strings of a slot ask of its pallet, and what the pallet costs there."""
    p = units[slot]
    begin, end, string, y = cuts.begin, cuts.end, cuts.string, pallets.y
    head, tail = cuts.head[slot], cuts.tail[slot]
    asked.weight[slot, 0] = -2.0 * _rest(slot, head, p, pallets, cuts, totals)
    asked.weight[slot, 1] = 0.0
    if tail != head:
        asked.weight[slot, 1] = -2.0 * _rest(slot, tail, p, pallets, cuts, totals)
    if pallets.parallel:
        for q in range(begin.shape[1]):
            asked.weight[slot, 2 + q] = 0.0
            if end[slot, q] <= begin[slot, q]:
                continue
            s = string[slot, q]
            i = cuts.string_input[s]
            own, in_input = 0.0, 0.0
            for other in range(begin.shape[1]):
                part = y[p, end[slot, other]] - y[p, begin[slot, other]]
                if other == q:
                    own = part
                if cuts.string_input[string[slot, other]] == i:
                    in_input += part
            asked.weight[slot, 2 + q] = (
                2.0 * (totals.string_y[s] - own)
                - 2.0 * (totals.input_y[i] - in_input) * cuts.inverse_alike[i]
            )
    at = tables.row[p] + tables.pattern[slot]
    cost = tables.table[at]
    for f in range(asked.weight.shape[1]):
        cost += asked.weight[slot, f] * tables.table[at + 1 + f]
    asked.now[slot] = cost


@numba.njit(cache=True, nogil=True)
def _write(slot, units, pallets, tables, asked, groups, lines):  # pragma: no cover - compiled
    """Write what is known of a slot into the lines of its size, unless it is frozen."""
    at = groups.place[slot]
    if at < 0:
        return
    lines.number[at] = tables.number[units[slot]]
    lines.pattern[at] = tables.pattern[slot]
    lines.day[at] = pallets.day[units[slot]]
    lines.now[at] = asked.now[slot]
    for f in range(asked.weight.shape[1]):
        lines.weight[f, at] = asked.weight[slot, f]


@numba.njit(cache=True, nogil=True)
def tell(units, pallets, cuts, totals, tables, asked, groups, lines):  # pragma: no cover - compiled
    """Work out and write what all slots ask of their pallets."""
    for slot in range(len(cuts.used)):
        _ask(slot, units, pallets, cuts, totals, tables, asked)
    for slot in range(len(units)):
        _write(slot, units, pallets, tables, asked, groups, lines)


@numba.njit(cache=True, nogil=True)
def _exchange_costs(
    low, high, here, there, own, until, since, weight, lines, changes
):  # pragma: no cover - compiled
    """Change of loss when the pallet of a slot is exchanged with each of a run of slots'.

    Args:
        low: first of the run.
        high: past the last.
        here: costs of the pallets of this size in the slot, and their sums, (1 + sums, pallets).
        there: costs and sums of the slot's own pallet under every way of cutting.
        own: cost of the slot's own pallet in it.
        until: latest day of the slot.
        since: day of its pallet.
        weight: what the slot asks for each sum.
        lines: what is known of the slots of the run.
        changes: where the changes go.
    """
    number, pattern, line_weight, now = lines.number, lines.pattern, lines.weight, lines.now
    features = here.shape[0] - 1
    if features == 2:
        first, second = weight[0], weight[1]
        for m in range(high - low):
            k = m + low
            i, j = number[k], pattern[k]
            changes[m] = (
                here[0, i]
                + first * here[1, i]
                + second * here[2, i]
                + there[j]
                + line_weight[0, k] * there[j + np.uint32(1)]
                + line_weight[1, k] * there[j + np.uint32(2)]
                - own
                - now[k]
            )
    else:
        for m in range(high - low):
            k = m + low
            i, j = number[k], pattern[k]
            change = here[0, i] + there[j] - own - now[k]
            for f in range(features):
                change += weight[f] * here[f + 1, i]
                change += line_weight[f, k] * there[j + np.uint32(f + 1)]
            changes[m] = change
    day, latest = lines.day, lines.latest
    for m in range(high - low):
        k = m + low
        if (day[k] > until) | (since > latest[k]):
            changes[m] = _NEVER


@numba.njit(cache=True, nogil=True)
def _draw(rng, changes, count, heat):  # pragma: no cover - compiled
    """Draw one of the changes, or none, with odds that fall with its cost at this heat."""
    least = 0.0
    for m in range(count):
        least = min(least, changes[m])
    far = least + _FAR * heat
    stay = math.exp(least / heat) if least > -_FAR * heat else 0.0
    total = stay
    for m in range(count):
        if changes[m] < far:
            total += math.exp((least - changes[m]) / heat)
    left = rng.random() * total - stay
    if left <= 0.0:
        return -1
    last = -1
    for m in range(count):
        if changes[m] < far:
            last = m
            left -= math.exp((least - changes[m]) / heat)
            if left <= 0.0:
                return m
    return last


@numba.njit(cache=True, nogil=True)
def _near_changes(
    slot, many, units, pallets, cuts, totals, groups, changes, others
):  # pragma: no cover - compiled
    """Add the changes for slots that share a string or an input; give how many there are now.

    They are exchanged, the change is seen, and they are exchanged back again.
    """
    a = units[slot]
    for k in range(cuts.near_from[slot], cuts.near_from[slot + 1]):
        other = cuts.near[k]
        b = units[other]
        if (
            other == slot
            or other < groups.frozen
            or groups.size[other] != groups.size[slot]
            or pallets.day[b] > groups.latest[slot]
            or pallets.day[a] > groups.latest[other]
        ):
            continue
        change = _put(slot, a, b, pallets, cuts, totals)
        change += _put(other, b, a, pallets, cuts, totals)
        _put(slot, b, a, pallets, cuts, totals)
        _put(other, a, b, pallets, cuts, totals)
        changes[many] = change
        others[many] = other
        many += 1
    return many


@numba.njit(cache=True, nogil=True)
def _swap(
    slot, other, units, pallets, cuts, totals, tables, asked, groups, lines
):  # pragma: no cover - compiled
    """Exchange the pallets of two slots, the second perhaps one left over, and keep the tables."""
    count = len(cuts.used)
    a, b = units[slot], units[other]
    for place, leaves, comes in ((slot, a, b), (other, b, a)):
        if place < count:
            _put(place, leaves, comes, pallets, cuts, totals)
        units[place] = comes
    for place in (slot, other):
        if place >= count:
            _write(place, units, pallets, tables, asked, groups, lines)
            continue
        for k in range(cuts.near_from[place], cuts.near_from[place + 1]):
            _ask(cuts.near[k], units, pallets, cuts, totals, tables, asked)
            _write(cuts.near[k], units, pallets, tables, asked, groups, lines)


@numba.njit(cache=True, nogil=True)
def exchange(
    rng, heats, window, units, pallets, cuts, totals, tables, asked, groups, lines
):  # pragma: no cover - compiled
    """At each heat pick as many slots as there are and exchange their pallets with drawn others.

    Args:
        rng: the generator that is drawn from.
        heats: heats in the unit of the loss.
        window: slots that one slot is compared with at most.
        units: pallet of each slot, then those left over; exchanged in place.
        pallets: what pallets bring.
        cuts: how slots cut them.
        totals: sums of strings and inputs, kept.
        tables: what pallets cost in slots.
        asked: what slots ask of pallets, kept.
        groups: slots by size.
        lines: what is known of them, kept.
    """
    count, features = len(cuts.used), asked.weight.shape[1]
    changes = np.empty(len(groups.slots) + len(cuts.near))
    others = np.empty(len(groups.slots) + len(cuts.near), dtype=np.int64)
    for heat in heats:
        for _ in range(count - groups.frozen):
            slot = rng.integers(groups.frozen, count)
            size = groups.size[slot]
            first, past = groups.begin[size], groups.begin[size + 1]
            if past - first < 2:
                continue
            low, high = first, past
            if past - first > window:
                low = groups.place[slot] - rng.integers(0, window)
                low = min(max(low, first), past - window)
                high = low + window
            own_unit = units[slot]
            wide = tables.pallets_in[size]
            column = tables.column[slot]
            _exchange_costs(
                low,
                high,
                tables.by_way[column : column + (features + 1) * wide].reshape(features + 1, wide),
                tables.table[tables.row[own_unit] :],
                asked.now[slot],
                groups.latest[slot],
                pallets.day[own_unit],
                asked.weight[slot],
                lines,
                changes,
            )
            for k in range(cuts.near_from[slot], cuts.near_from[slot + 1]):
                at = groups.place[cuts.near[k]]
                if low <= at < high:
                    changes[at - low] = _NEVER
            many = _near_changes(
                slot, high - low, units, pallets, cuts, totals, groups, changes, others
            )
            drawn = _draw(rng, changes, many, heat)
            if drawn < 0:
                continue
            other = groups.slots[low + drawn] if drawn < high - low else others[drawn]
            _swap(slot, other, units, pallets, cuts, totals, tables, asked, groups, lines)
