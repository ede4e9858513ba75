"""Compiled exchanges of two pallets, drawn by what they gain at a falling heat."""

# mypy: disable-error-code="untyped-decorator,no-untyped-def"

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = ["exchange", "refresh", "spread_sizes"]

_FAR = 20.0
_NEVER = 1e300


@numba.njit(cache=True)
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


@numba.njit(cache=True)
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


@numba.njit(cache=True)
def _cost(slot, unit, pattern, row, table, weight):  # pragma: no cover - compiled
    """Cost of a pallet in a slot, all other slots as they are."""
    at = row[unit] + pattern[slot]
    cost = table[at]
    for f in range(weight.shape[1]):
        cost += weight[slot, f] * table[at + 1 + f]
    return cost


@numba.njit(cache=True)
def _exchange_costs(
    slot, low, high, slots, units, pattern, row, table, weight, now, latest, day, mark, changes
):  # pragma: no cover - compiled
    """Change of loss when the pallet of a slot is exchanged with each of a run of slots'."""
    a = units[slot]
    features = weight.shape[1]
    for m in range(low, high):
        other = slots[m]
        b = units[other]
        if mark[other] or day[b] > latest[slot] or day[a] > latest[other]:
            changes[m - low] = _NEVER
            continue
        at = row[b] + pattern[slot]
        there = row[a] + pattern[other]
        change = table[at] + table[there] - now[slot] - now[other]
        for f in range(features):
            change += weight[slot, f] * table[at + 1 + f]
            change += weight[other, f] * table[there + 1 + f]
        changes[m - low] = change


@numba.njit(cache=True)
def _draw(rng, changes, count, heat):  # pragma: no cover - compiled
    """Draw one of the changes, or none, with odds that fall with its cost at this heat."""
    least = 0.0
    for m in range(count):
        least = min(least, changes[m])
    far = least + _FAR * heat
    total = math.exp(least / heat) if least > -_FAR * heat else 0.0
    drawn = -1
    for m in range(count):
        if changes[m] < far:
            odds = math.exp((least - changes[m]) / heat)
            total += odds
            if rng.random() * total < odds:
                drawn = m
    return drawn


@numba.njit(cache=True)
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


@numba.njit(cache=True)
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


@numba.njit(cache=True)
def exchange(
    rng,
    heats,
    frozen,
    window,
    slots,
    group,
    group_from,
    place_in_group,
    near_from,
    near,
    mark,
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
    latest,
    day,
):  # pragma: no cover - compiled
    """At each heat pick as many slots as there are and exchange their pallets with drawn others.

    ``slots`` holds the slots of each size of pallet together, used ones in order, then those that
    stand for pallets left over.
    """
    count = len(used)
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
            for k in range(near_from[slot], near_from[slot + 1]):
                mark[near[k]] = True
            _exchange_costs(
                slot,
                low,
                high,
                slots,
                units,
                pattern,
                row,
                table,
                weight,
                now,
                latest,
                day,
                mark,
                changes,
            )
            for k in range(near_from[slot], near_from[slot + 1]):
                mark[near[k]] = False
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
            )


@numba.njit(cache=True)
def _imbalance(order, sizes, state_at, wanted, windows, total, held):  # pragma: no cover - compiled
    """How unevenly pallets begin at the places of strings, over all and in each window."""
    held[:] = 0.0
    place, used = 0, 0
    while place < total and used < len(order):
        held[place * windows // total, state_at[place]] += 1.0
        place += sizes[order[used]]
        used += 1
    if place < total:
        return _NEVER, used
    uneven = 0.0
    for s in range(len(wanted)):
        whole = 0.0
        for w in range(windows):
            whole += held[w, s]
            away = held[w, s] - wanted[s] / windows
            uneven += 0.3 * away * away / (wanted[s] / windows + 1.0)
        uneven += (whole - wanted[s]) ** 2 / (wanted[s] + 1.0)
    return uneven, used


@numba.njit(cache=True)
def _in_time(order, used, sizes, day, latest_at):  # pragma: no cover - compiled
    place = 0
    for k in range(used):
        if day[order[k]] > latest_at[place]:
            return False
        place += sizes[order[k]]
    return True


@numba.njit(cache=True)
def spread_sizes(
    rng,
    order,
    frozen,
    odd,
    usual,
    sizes,
    state_at,
    latest_at,
    day,
    wanted,
    windows,
    tries,
    heat_ratio,
):  # pragma: no cover - compiled
    """Move pallets of unusual size so that pallets begin evenly at all places of a string.

    ``order`` holds all pallets, those left over at its end, and is changed in place.
    """
    total, units = len(state_at), len(order)
    held = np.zeros((windows, len(wanted)))
    now, _ = _imbalance(order, sizes, state_at, wanted, windows, total, held)
    heat = heat_ratio * now
    trial = order.copy()
    for step in range(tries):
        unit = odd[rng.integers(0, len(odd))]
        at = 0
        while order[at] != unit:
            at += 1
        if rng.random() < 0.5:
            to = rng.integers(frozen, units)
        else:
            to = min(max(frozen, at + rng.integers(-10, 11)), units - 1)
        if at < frozen or to == at:
            continue
        trial[:] = order
        if sizes[order[to]] != usual and rng.random() < 0.7:
            trial[at], trial[to] = order[to], unit
        elif to > at:
            trial[at:to] = order[at + 1 : to + 1]
            trial[to] = unit
        else:
            trial[to + 1 : at + 1] = order[to:at]
            trial[to] = unit
        then, used = _imbalance(trial, sizes, state_at, wanted, windows, total, held)
        cooled = heat * (1.0 - step / tries) + 1e-9
        if then >= _NEVER:
            continue
        if then > now and rng.random() >= math.exp((now - then) / cooled):
            continue
        if _in_time(trial, used, sizes, day, latest_at):
            order[:] = trial
            now = then
    return now
