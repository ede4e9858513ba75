"""Compiled partitions of pallets into piles and of modules into runs."""

# mypy: disable-error-code="untyped-decorator,no-untyped-def"

from __future__ import annotations

import numba
import numpy as np

__all__ = [
    "end_windows",
    "exact_pile_fill",
    "pile_labels",
    "priced_partitions",
    "run_lengths",
    "windows_bound",
]


@numba.njit(cache=True, nogil=True)
def pile_labels(x, offsets, piles):  # pragma: no cover - compiled
    """Split each window into up to so many piles of least squared deviation, numbered upwards.

    Exact by dynamic programming over the window in order of x; ties keep stack order.
    """
    out = np.zeros(len(x), dtype=np.int64)
    for w in range(len(offsets) - 1):
        first, past = offsets[w], offsets[w + 1]
        m = past - first
        if m == 0:
            continue
        order = np.argsort(x[first:past], kind="mergesort")
        sums = np.zeros(m + 1)
        squares = np.zeros(m + 1)
        for j in range(m):
            held = x[first + order[j]]
            sums[j + 1] = sums[j] + held
            squares[j + 1] = squares[j] + held * held
        most = min(piles, m)
        cost = np.full((most + 1, m + 1), np.inf)
        cut = np.zeros((most + 1, m + 1), dtype=np.int64)
        cost[0, 0] = 0.0
        for q in range(1, most + 1):
            for j in range(q, m + 1):
                for i in range(q - 1, j):
                    part = sums[j] - sums[i]
                    held = cost[q - 1, i] + squares[j] - squares[i] - part * part / (j - i)
                    if held < cost[q, j] - 1e-15:
                        cost[q, j] = held
                        cut[q, j] = i
        j = m
        for q in range(most, 0, -1):
            i = cut[q, j]
            for r in range(i, j):
                out[first + order[r]] = q - 1
            j = i
    return out


@numba.njit(cache=True, nogil=True)
def end_windows(worth, offsets):  # pragma: no cover - compiled
    """Sum of each window, and the greatest sum of any run from its top or to its bottom."""
    windows = len(offsets) - 1
    whole = np.zeros(windows)
    best = np.zeros(windows)
    for w in range(windows):
        total = 0.0
        least = 0.0
        for j in range(offsets[w], offsets[w + 1]):
            total += worth[j]
            best[w] = max(best[w], total)
            least = min(least, total)
        whole[w] = total
        best[w] = max(best[w], total - least)
    return whole, best


@numba.njit(cache=True, nogil=True)
def priced_partitions(x, offsets, price):  # pragma: no cover - compiled
    """Least squared deviation of each window's parts plus a price per part, and the parts.

    The window is cut as it stands, in any number of parts.
    """
    windows = len(offsets) - 1
    out = np.zeros(windows)
    for w in range(windows):
        first = offsets[w]
        m = offsets[w + 1] - first
        sums = np.zeros(m + 1)
        squares = np.zeros(m + 1)
        best = np.full(m + 1, np.inf)
        best[0] = 0.0
        for j in range(m):
            sums[j + 1] = sums[j] + x[first + j]
            squares[j + 1] = squares[j] + x[first + j] * x[first + j]
        for j in range(1, m + 1):
            for i in range(j):
                part = sums[j] - sums[i]
                held = best[i] + squares[j] - squares[i] - part * part / (j - i) + price
                best[j] = min(best[j], held)
        out[w] = best[m]
    return out


@numba.njit(cache=True, nogil=True)
def run_lengths(x, lengths, counts):  # pragma: no cover - compiled
    """Order of lengths in which sorted modules are cut into runs of least squared deviation.

    ``x`` sorted, all of it used; ``counts`` runs of each of up to three ``lengths``. Exact: states
    are how many runs of each length have been cut.
    """
    kinds = len(lengths)
    size = np.ones(3, dtype=np.int64)
    step = np.zeros(3, dtype=np.int64)
    for kind in range(kinds):
        size[kind] = counts[kind] + 1
        step[kind] = lengths[kind]
    sums = np.zeros(len(x) + 1)
    squares = np.zeros(len(x) + 1)
    for j in range(len(x)):
        sums[j + 1] = sums[j] + x[j]
        squares[j + 1] = squares[j] + x[j] * x[j]
    best = np.full((size[0], size[1], size[2]), np.inf)
    chosen = np.full((size[0], size[1], size[2]), -1, dtype=np.int64)
    best[0, 0, 0] = 0.0
    for a in range(size[0]):
        for b in range(size[1]):
            for c in range(size[2]):
                end = a * step[0] + b * step[1] + c * step[2]
                for kind in range(kinds):
                    pa, pb, pc = a - (kind == 0), b - (kind == 1), c - (kind == 2)
                    if pa < 0 or pb < 0 or pc < 0:
                        continue
                    begin = end - step[kind]
                    part = sums[end] - sums[begin]
                    held = best[pa, pb, pc] + squares[end] - squares[begin]
                    held -= part * part / step[kind]
                    if held < best[a, b, c]:
                        best[a, b, c] = held
                        chosen[a, b, c] = kind
    runs = size[0] + size[1] + size[2] - 3
    out = np.zeros(runs, dtype=np.int64)
    a, b, c = size[0] - 1, size[1] - 1, size[2] - 1
    for at in range(runs - 1, -1, -1):
        kind = chosen[a, b, c]
        out[at] = kind
        a, b, c = a - (kind == 0), b - (kind == 1), c - (kind == 2)
    return out


@numba.njit(cache=True, nogil=True)
def windows_bound(x, lengths, prices):  # pragma: no cover - compiled
    """Least of squared deviations less prices over disjoint windows of sorted x."""
    count = len(x)
    sums = np.zeros(count + 1)
    squares = np.zeros(count + 1)
    for j in range(count):
        sums[j + 1] = sums[j] + x[j]
        squares[j + 1] = squares[j] + x[j] * x[j]
    best = np.zeros(count + 1)
    taken = np.zeros((count + 1, len(lengths)), dtype=np.int64)
    for j in range(1, count + 1):
        best[j] = best[j - 1]
        taken[j] = taken[j - 1]
        for kind in range(len(lengths)):
            n = lengths[kind]
            if n > j:
                continue
            part = sums[j] - sums[j - n]
            held = best[j - n] + squares[j] - squares[j - n] - part * part / n - prices[kind]
            if held < best[j]:
                best[j] = held
                taken[j] = taken[j - n]
                taken[j, kind] += 1
    return best[count], taken[count]


@numba.njit(cache=True, nogil=True)
def _members(pile, piles):  # pragma: no cover - compiled
    """Modules of each pile as they come off, and where each pile begins among them."""
    member = np.zeros(len(pile), dtype=np.int64)
    begin = np.zeros(piles + 1, dtype=np.int64)
    at = 0
    for p in range(piles):
        begin[p] = at
        # what was put down last comes off first
        for j in range(len(pile) - 1, -1, -1):
            if pile[j] == p:
                member[at] = j
                at += 1
    begin[piles] = at
    return member, begin


@numba.njit(cache=True, nogil=True)
def _deviation(x, sequence, begin, end):  # pragma: no cover - compiled
    """Squared deviation of the modules in these places from their mean."""
    total, square = 0.0, 0.0
    for j in range(begin, end):
        total += x[sequence[j]]
        square += x[sequence[j]] ** 2
    return square - total * total / (end - begin)


@numba.njit(cache=True, nogil=True)
def _next_pile(used, last):  # pragma: no cover - compiled
    """The next pile behind ``last`` that is not used; as many as there are when none is."""
    p = last + 1
    while p < len(used) and used[p]:
        p += 1
    return p


@numba.njit(cache=True, nogil=True)
def _order_piles(x, pile, piles, lengths, best):  # pragma: no cover - compiled
    """Order of piles of least loss below ``best`` by branch and bound; inf when there is none."""
    count = len(x)
    member, begin = _members(pile, piles)
    ends = np.cumsum(lengths)
    sequence = np.zeros(count, dtype=np.int64)
    chosen = np.full(piles, -1, dtype=np.int64)
    used = np.zeros(piles, dtype=np.bool_)
    filled = np.zeros(piles + 1, dtype=np.int64)
    loss = np.zeros(piles + 1)
    string = np.zeros(piles + 1, dtype=np.int64)
    found = np.zeros(count, dtype=np.int64)
    least = np.inf
    depth = 0
    while depth >= 0:
        if depth == piles:
            if loss[depth] < best - 1e-12:
                best = loss[depth]
                least = best
                found[:] = sequence
            depth -= 1
            continue
        p = chosen[depth]
        if p >= 0:
            used[p] = False
        p = _next_pile(used, p)
        if p == piles:
            chosen[depth] = -1
            depth -= 1
            continue
        chosen[depth] = p
        used[p] = True
        at = filled[depth]
        for j in range(begin[p], begin[p + 1]):
            sequence[at] = member[j]
            at += 1
        held = loss[depth]
        s = string[depth]
        while s < len(lengths) and ends[s] <= at:
            held += _deviation(x, sequence, ends[s] - lengths[s], ends[s])
            s += 1
        if held >= best - 1e-12:
            continue
        filled[depth + 1] = at
        loss[depth + 1] = held
        string[depth + 1] = s
        depth += 1
    return least, found


@numba.njit(cache=True, nogil=True)
def exact_pile_fill(x, labels, option_offsets, windows, lengths, best):  # pragma: no cover
    """Best piles and best order of them in one section, by trying all; inf if none beats ``best``.

    Option o of window w gives its modules the pile numbers ``labels[o]`` (padded), options of w are
    ``option_offsets[w]:option_offsets[w + 1]``; modules of w are ``windows[w]:windows[w + 1]``.
    """
    count = len(windows) - 1
    option = np.zeros(count, dtype=np.int64)
    pile = np.zeros(len(x), dtype=np.int64)
    found = np.zeros(len(x), dtype=np.int64)
    found_pile = np.zeros(len(x), dtype=np.int64)
    least = np.inf
    while True:
        piles = 0
        for w in range(count):
            row = labels[option_offsets[w] + option[w]]
            most = 0
            for j in range(windows[w + 1] - windows[w]):
                pile[windows[w] + j] = piles + row[j]
                most = max(most, row[j] + 1)
            piles += most
        loss, order = _order_piles(x, pile, piles, lengths, best)
        if loss < best:
            best = loss
            least = loss
            found[:] = order
            found_pile[:] = pile
        w = count - 1
        while w >= 0:
            option[w] += 1
            if option[w] < option_offsets[w + 1] - option_offsets[w]:
                break
            option[w] = 0
            w -= 1
        if w < 0:
            return least, found, found_pile
