"""Compiled exchanges of two pallets, drawn by what they gain at a falling heat."""

# mypy: disable-error-code="untyped-decorator,no-untyped-def"

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = ["exchange", "keep", "refresh"]

_FAR = 14.0
_NEVER = 1e300


@numba.njit(cache=True, nogil=True)
def _put(
    slot,
    leaves,
    comes,
    begin,
    end,
    used,
    string,
    string_input,
    inverse,
    inverse_alike,
    x,
    y,
    squares,
    parallel,
    string_x,
    string_y,
    input_y,
):  # pragma: no cover - compiled
    """Put a pallet in the place of another, keep the sums, and give the change of loss."""
    change = squares[comes, used[slot]] - squares[leaves, used[slot]]
    for q in range(begin.shape[1]):
        low, high = begin[slot, q], end[slot, q]
        if high <= low:
            continue
        s = string[slot, q]
        more = x[comes, high] - x[comes, low] - x[leaves, high] + x[leaves, low]
        change -= more * (2.0 * string_x[s] + more) * inverse[s]
        string_x[s] += more
        if parallel:
            i = string_input[s]
            more = y[comes, high] - y[comes, low] - y[leaves, high] + y[leaves, low]
            change += more * (2.0 * string_y[s] + more)
            change -= more * (2.0 * input_y[i] + more) * inverse_alike[i]
            string_y[s] += more
            input_y[i] += more
    return change


@numba.njit(cache=True, nogil=True)
def refresh(
    slot,
    units,
    begin,
    end,
    head,
    tail,
    string,
    string_input,
    inverse,
    inverse_alike,
    x,
    y,
    parallel,
    string_x,
    string_y,
    input_y,
    pattern,
    row,
    table,
    weight,
    now,
):  # pragma: no cover - compiled
    """Work out what the strings of a slot ask of its pallet, and what the pallet costs there."""
    p = units[slot]
    q = head[slot]
    s = string[slot, q]
    rest = string_x[s] - x[p, end[slot, q]] + x[p, begin[slot, q]]
    weight[slot, 0] = -2.0 * rest * inverse[s]
    weight[slot, 1] = 0.0
    if tail[slot] != q:
        q = tail[slot]
        s = string[slot, q]
        rest = string_x[s] - x[p, end[slot, q]] + x[p, begin[slot, q]]
        weight[slot, 1] = -2.0 * rest * inverse[s]
    if parallel:
        for q in range(begin.shape[1]):
            weight[slot, 2 + q] = 0.0
            if end[slot, q] <= begin[slot, q]:
                continue
            s = string[slot, q]
            i = string_input[s]
            own, in_input = 0.0, 0.0
            for other in range(begin.shape[1]):
                part = y[p, end[slot, other]] - y[p, begin[slot, other]]
                if other == q:
                    own = part
                if string_input[string[slot, other]] == i:
                    in_input += part
            weight[slot, 2 + q] = (
                2.0 * (string_y[s] - own) - 2.0 * (input_y[i] - in_input) * inverse_alike[i]
            )
    now[slot] = _cost(slot, p, pattern, row, table, weight)


@numba.njit(cache=True, nogil=True)
def _cost(slot, unit, pattern, row, table, weight):  # pragma: no cover - compiled
    """Cost of a pallet in a slot, all other slots as they are."""
    at = row[unit] + pattern[slot]
    cost = table[at]
    for f in range(weight.shape[1]):
        cost += weight[slot, f] * table[at + 1 + f]
    return cost


@numba.njit(cache=True, nogil=True)
def keep(
    slot,
    units,
    place_in_group,
    index,
    day,
    pattern,
    weight,
    now,
    line_index,
    line_pattern,
    line_weight,
    line_now,
    line_day,
):  # pragma: no cover - compiled
    """Write what is known of a slot into the lines of its size, unless it is frozen."""
    at = place_in_group[slot]
    if at < 0:
        return
    line_index[at] = index[units[slot]]
    line_pattern[at] = pattern[slot]
    line_day[at] = day[units[slot]]
    line_now[at] = now[slot]
    for f in range(weight.shape[1]):
        line_weight[f, at] = weight[slot, f]


@numba.njit(cache=True, nogil=True)
def _exchange_costs(
    low,
    high,
    here,
    there,
    own,
    until,
    since,
    asked,
    line_index,
    line_pattern,
    line_weight,
    line_now,
    line_day,
    line_latest,
    changes,
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
        asked: what the slot asks for each sum.
        line_index: number of the pallet of every slot of this size; so are the other lines.
        line_pattern: place of its way in ``there``.
        line_weight: what it asks for each sum.
        line_now: what its pallet costs.
        line_day: day of its pallet.
        line_latest: its latest day.
        changes: where the changes go.
    """
    features = here.shape[0] - 1
    if features == 2:
        first, second = asked[0], asked[1]
        for m in range(high - low):
            k = m + low
            i, j = line_index[k], line_pattern[k]
            changes[m] = (
                here[0, i]
                + first * here[1, i]
                + second * here[2, i]
                + there[j]
                + line_weight[0, k] * there[j + np.uint32(1)]
                + line_weight[1, k] * there[j + np.uint32(2)]
                - own
                - line_now[k]
            )
    else:
        for m in range(high - low):
            k = m + low
            i, j = line_index[k], line_pattern[k]
            change = here[0, i] + there[j] - own - line_now[k]
            for f in range(features):
                change += asked[f] * here[f + 1, i]
                change += line_weight[f, k] * there[j + np.uint32(f + 1)]
            changes[m] = change
    for m in range(high - low):
        k = m + low
        if (line_day[k] > until) | (since > line_latest[k]):
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
    slot,
    many,
    near_from,
    near,
    frozen,
    group,
    units,
    begin,
    end,
    used,
    string,
    string_input,
    inverse,
    inverse_alike,
    x,
    y,
    squares,
    parallel,
    string_x,
    string_y,
    input_y,
    latest,
    day,
    changes,
    others,
):  # pragma: no cover - compiled
    """Add the changes for slots that share a string or an input; give how many there are now.

    They are exchanged, the change is seen, and they are exchanged back again.
    """
    a = units[slot]
    for k in range(near_from[slot], near_from[slot + 1]):
        other = near[k]
        b = units[other]
        if (
            other == slot
            or other < frozen
            or group[other] != group[slot]
            or day[b] > latest[slot]
            or day[a] > latest[other]
        ):
            continue
        change = 0.0
        for step in range(4):
            place = slot if step % 2 == 0 else other
            leaves = a if step in (0, 3) else b
            comes = b if step in (0, 3) else a
            value = _put(
                place,
                leaves,
                comes,
                begin,
                end,
                used,
                string,
                string_input,
                inverse,
                inverse_alike,
                x,
                y,
                squares,
                parallel,
                string_x,
                string_y,
                input_y,
            )
            if step < 2:
                change += value
        changes[many] = change
        others[many] = other
        many += 1
    return many


@numba.njit(cache=True, nogil=True)
def _swap(
    slot,
    other,
    near_from,
    near,
    units,
    begin,
    end,
    used,
    head,
    tail,
    string,
    string_input,
    inverse,
    inverse_alike,
    x,
    y,
    squares,
    parallel,
    string_x,
    string_y,
    input_y,
    pattern,
    row,
    table,
    weight,
    now,
    place_in_group,
    index,
    day,
    line_index,
    line_pattern,
    line_weight,
    line_now,
    line_day,
):  # pragma: no cover - compiled
    """Exchange the pallets of two slots, the second perhaps one left over, and keep the tables."""
    count = len(used)
    a, b = units[slot], units[other]
    for step in range(2):
        place, leaves, comes = (slot, a, b) if step == 0 else (other, b, a)
        if place < count:
            _put(
                place,
                leaves,
                comes,
                begin,
                end,
                used,
                string,
                string_input,
                inverse,
                inverse_alike,
                x,
                y,
                squares,
                parallel,
                string_x,
                string_y,
                input_y,
            )
        units[place] = comes
    for step in range(2):
        place = slot if step == 0 else other
        if place >= count:
            keep(
                place,
                units,
                place_in_group,
                index,
                day,
                pattern,
                weight,
                now,
                line_index,
                line_pattern,
                line_weight,
                line_now,
                line_day,
            )
            continue
        for k in range(near_from[place], near_from[place + 1]):
            refresh(
                near[k],
                units,
                begin,
                end,
                head,
                tail,
                string,
                string_input,
                inverse,
                inverse_alike,
                x,
                y,
                parallel,
                string_x,
                string_y,
                input_y,
                pattern,
                row,
                table,
                weight,
                now,
            )
            keep(
                near[k],
                units,
                place_in_group,
                index,
                day,
                pattern,
                weight,
                now,
                line_index,
                line_pattern,
                line_weight,
                line_now,
                line_day,
            )


@numba.njit(cache=True, nogil=True)
def exchange(
    rng,
    heats,
    frozen,
    window,
    slots,
    line_index,
    line_pattern,
    line_weight,
    line_now,
    line_day,
    line_latest,
    group,
    group_from,
    place_in_group,
    near_from,
    near,
    units,
    begin,
    end,
    used,
    head,
    tail,
    string,
    string_input,
    inverse,
    inverse_alike,
    x,
    y,
    squares,
    parallel,
    string_x,
    string_y,
    input_y,
    pattern,
    row,
    table,
    column,
    past_in,
    index,
    by_way,
    weight,
    now,
    latest,
    day,
):  # pragma: no cover - compiled
    """At each heat pick as many slots as there are and exchange their pallets with drawn others.

    ``slots`` holds the slots of each size of pallet together, used ones in order, then those that
    stand for pallets left over.
    """
    count, features = len(used), weight.shape[1]
    changes = np.empty(len(slots) + len(near))
    others = np.empty(len(slots) + len(near), dtype=np.int64)
    for heat in heats:
        for _ in range(count - frozen):
            slot = rng.integers(frozen, count)
            first, past = group_from[group[slot]], group_from[group[slot] + 1]
            if past - first < 2:
                continue
            low, high = first, past
            if past - first > window:
                low = place_in_group[slot] - rng.integers(0, window)
                low = min(max(low, first), past - window)
                high = low + window
            own_unit = units[slot]
            wide = past_in[group[slot]]
            block = by_way[column[slot] : column[slot] + (features + 1) * wide]
            _exchange_costs(
                low,
                high,
                block.reshape(features + 1, wide),
                table[row[own_unit] :],
                now[slot],
                latest[slot],
                day[own_unit],
                weight[slot],
                line_index,
                line_pattern,
                line_weight,
                line_now,
                line_day,
                line_latest,
                changes,
            )
            for k in range(near_from[slot], near_from[slot + 1]):
                at = place_in_group[near[k]]
                if low <= at < high:
                    changes[at - low] = _NEVER
            many = _near_changes(
                slot,
                high - low,
                near_from,
                near,
                frozen,
                group,
                units,
                begin,
                end,
                used,
                string,
                string_input,
                inverse,
                inverse_alike,
                x,
                y,
                squares,
                parallel,
                string_x,
                string_y,
                input_y,
                latest,
                day,
                changes,
                others,
            )
            drawn = _draw(rng, changes, many, heat)
            if drawn < 0:
                continue
            other = slots[low + drawn] if drawn < high - low else others[drawn]
            _swap(
                slot,
                other,
                near_from,
                near,
                units,
                begin,
                end,
                used,
                head,
                tail,
                string,
                string_input,
                inverse,
                inverse_alike,
                x,
                y,
                squares,
                parallel,
                string_x,
                string_y,
                input_y,
                pattern,
                row,
                table,
                weight,
                now,
                place_in_group,
                index,
                day,
                line_index,
                line_pattern,
                line_weight,
                line_now,
                line_day,
            )
