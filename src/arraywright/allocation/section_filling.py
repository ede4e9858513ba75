"""How the modules that come to a drop point are filled into its strings, from piles or singly."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.allocation._mode_kernels import exact_pile_fill, pile_labels, run_lengths
from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.allocation.sequence_layout import modules_of_strings
from arraywright.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Filled", "Flow", "fill_piles", "fill_single", "flow_of"]

_OPTIONS_MOST: Final = 300
_PILES_TRIED: Final = 8
_KINDS_MOST: Final = 3
_RUN_STATES_MOST: Final = 200_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """A sequence laid out in places: sections, and windows of one pallet in one section.

    Attributes:
        string: string of each place, (places,).
        module: module in each place when pallets are emptied in stack order, (places,).
        section: section of each place, (places,).
        window: window of each place, (places,).
        window_offsets: first place of each window, and past the last, (windows + 1,).
        window_unit: pallet of each window, (windows,).
        window_section: section of each window, (windows,).
        sections: number of sections.
        waits: a pallet of the section comes after its first string is built, (sections,).
    """

    string: IntArray
    module: IntArray
    section: IntArray
    window: IntArray
    window_offsets: IntArray
    window_unit: IntArray
    window_section: IntArray
    sections: int
    waits: BoolArray


def flow_of(problem: ClassProblem, sequence: Sequence) -> Flow:
    """Lay a sequence into places and find what comes from which pallet to which section."""
    string, module = modules_of_strings(problem, sequence)
    section_of = np.unique(problem.string_section, return_inverse=True)[1].astype(np.int64)
    section = section_of[string]
    unit = np.searchsorted(problem.unit_offsets, module, side="right") - 1
    begins = np.ones(len(module), dtype=np.bool_)
    begins[1:] = (unit[1:] != unit[:-1]) | (section[1:] != section[:-1])
    first = np.flatnonzero(begins)
    sections = int(section_of[-1]) + 1 if len(section_of) else 0
    last_day = np.full(sections, np.iinfo(np.int64).min)
    np.maximum.at(last_day, section[first], problem.unit_day[unit[first]])
    built = np.full(sections, np.iinfo(np.int64).max)
    np.minimum.at(built, section_of, problem.string_day)
    return Flow(
        string=string,
        module=module,
        section=section,
        window=np.cumsum(begins) - 1,
        window_offsets=np.append(first, len(module)).astype(np.int64),
        window_unit=unit[first].astype(np.int64),
        window_section=section[first],
        sections=sections,
        waits=last_day > built,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """Modules in places after one way of filling everywhere, and the pile each came from.

    Attributes:
        module: module in each place, (places,).
        pile: pile of its section it lay on, -1 where none, (places,).
    """

    module: IntArray
    pile: IntArray


def _by_piles(problem: ClassProblem, flow: Flow, piles: int) -> Filled:
    """Split each pallet's part into piles of least spread, fill from the lowest mean upwards."""
    x = problem.x[flow.module]
    label = pile_labels(x, flow.window_offsets, piles)
    key = flow.window * piles + label
    size = np.bincount(key, minlength=int(flow.window[-1] + 1) * piles)
    mean = np.bincount(key, weights=x, minlength=len(size)) / np.maximum(size, 1)
    # what was put down last comes off first
    order = np.lexsort((-np.arange(len(x)), key, mean[key], flow.section))
    numbers = np.unique(key[order], return_index=True)
    rank = np.empty(len(numbers[0]), dtype=np.int64)
    rank[np.argsort(numbers[1])] = np.arange(len(rank))
    pile = rank[np.searchsorted(numbers[0], key[order])]
    starts = np.full(flow.sections, np.iinfo(np.int64).max)
    np.minimum.at(starts, flow.section, pile)
    return Filled(module=flow.module[order], pile=pile - starts[flow.section])


def _options(x: FloatArray, piles: int) -> IntArray:
    """All ways of cutting a window, sorted by current, into up to so many piles."""
    count = len(x)
    order = np.argsort(x, kind="stable")
    rows = []
    for q in range(1, min(piles, count) + 1):
        for cuts in itertools.combinations(range(1, count), q - 1):
            label = np.empty(count, dtype=np.int64)
            label[order] = np.searchsorted(cuts, np.arange(count), side="right")
            rows.append(label)
    return np.array(rows, dtype=np.int64)


def _try_all_piles(problem: ClassProblem, flow: Flow, filled: Filled, piles: int) -> Filled:
    """Replace the filling of sections small enough to try all piles and all orders of them."""
    module, pile = filled.module.copy(), filled.pile.copy()
    edges = np.searchsorted(flow.section, np.arange(flow.sections + 1))
    windows_at = np.searchsorted(flow.window_section, np.arange(flow.sections + 1))
    for section in range(flow.sections):
        windows = flow.window_offsets[windows_at[section] : windows_at[section + 1] + 1]
        sizes = np.diff(windows).tolist()
        ways = math.prod(sum(math.comb(m - 1, q) for q in range(min(piles, m))) for m in sizes)
        if len(sizes) * piles > _PILES_TRIED or ways > _OPTIONS_MOST:
            continue
        own = slice(int(edges[section]), int(edges[section + 1]))
        flowing = flow.module[own]
        x = problem.x[flowing]
        options = [
            _options(problem.x[flow.module[a:b]], piles) for a, b in itertools.pairwise(windows)
        ]
        width = max(option.shape[1] for option in options)
        labels = np.concatenate(
            [np.pad(option, ((0, 0), (0, width - option.shape[1]))) for option in options]
        )
        lengths = np.unique(flow.string[own], return_counts=True)[1]
        least, found, found_pile = exact_pile_fill(
            x,
            labels,
            np.cumsum([0] + [len(option) for option in options]).astype(np.int64),
            (windows - windows[0]).astype(np.int64),
            lengths.astype(np.int64),
            np.inf,
        )
        if np.isfinite(least):
            module[own] = flowing[found]
            pile[own] = found_pile[found]
    return Filled(module=module, pile=pile)


def fill_single(problem: ClassProblem, flow: Flow) -> Filled:
    """Sort all modules of a section by current; cut them into strings where it loses least.

    Source: fisher-1958
    """
    order = np.lexsort((problem.x[flow.module], flow.section))
    module = flow.module[order]
    mixed = np.zeros(flow.sections, dtype=np.bool_)
    lengths_of = problem.string_modules
    first = np.full(flow.sections, -1, dtype=np.int64)
    first[flow.section[::-1]] = lengths_of[flow.string[::-1]]
    mixed[flow.section[lengths_of[flow.string] != first[flow.section]]] = True
    edges = np.searchsorted(flow.section, np.arange(flow.sections + 1))
    for section in np.flatnonzero(mixed):
        own = slice(int(edges[section]), int(edges[section + 1]))
        module[own] = _cut_runs(problem.x[module[own]], flow.string[own], module[own])
    return Filled(module=module, pile=np.full(len(module), -1, dtype=np.int64))


def _cut_runs(x: FloatArray, string: IntArray, module: IntArray) -> IntArray:
    """Give sorted modules to strings of unequal length, runs where they lose least."""
    _, held = np.unique(string, return_counts=True)
    lengths, counts = np.unique(held, return_counts=True)
    if len(lengths) > _KINDS_MOST or math.prod(c + 1 for c in counts.tolist()) > _RUN_STATES_MOST:
        return module
    kinds = run_lengths(x, lengths.astype(np.int64), counts.astype(np.int64))
    run_end = np.cumsum(lengths[kinds])
    place_of = np.concatenate([[0], np.cumsum(held)])
    out = np.empty_like(module)
    for kind, length in enumerate(lengths.tolist()):
        runs = run_end[kinds == kind] - length
        for run, own in zip(runs.tolist(), np.flatnonzero(held == length).tolist(), strict=True):
            out[place_of[own] : place_of[own] + length] = module[run : run + length]
    return out


def fill_piles(problem: ClassProblem, flow: Flow, *, piles: int) -> Filled:
    """Split each pallet's part into up to so many piles by current and fill pile after pile.

    Piles have the least spread possible and are taken from the lowest mean upwards; where a drop
    point has few of them, all piles and all orders are tried.

    Source: fisher-1958
    """
    return _try_all_piles(problem, flow, _by_piles(problem, flow, piles), piles)
