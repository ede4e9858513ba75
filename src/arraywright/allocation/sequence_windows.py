"""Windows of the building, and the first one that each pallet is here for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.allocation.park_types import ClassProblem
from arraywright.allocation.sequence_layout import latest_days
from arraywright.arrays import FloatArray, IntArray

__all__ = ["Windows", "windows_at", "windows_of"]

_WINDOWS_MOST: Final = 12
_PALLETS_LEAST: Final = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Windows:
    """A division of the building, in order.

    Attributes:
        modules: modules of the strings of each window, (windows,).
        first: first window in which each pallet may begin, (pallets,).
    """

    modules: FloatArray
    first: IntArray


def _latest_of_strings(problem: ClassProblem) -> IntArray:
    """Day by which a pallet that begins in the last place of each string must be here."""
    return latest_days(problem, np.cumsum(problem.string_modules) - 1)


def windows_at(problem: ClassProblem, edges: IntArray) -> Windows:
    """Divide the building before these strings.

    Args:
        problem: the class.
        edges: first string of each window, the first one 0, rising; each window must hold as many
            modules as the largest pallet, (windows,).
    """
    latest = _latest_of_strings(problem)
    ends = np.append(edges[1:], len(latest))
    filled = np.concatenate([[0], np.cumsum(problem.string_modules)])
    # a pallet that comes after the last string is in no window
    first = np.searchsorted(latest[ends - 1], problem.unit_day, side="left")
    modules = filled[ends] - filled[edges]
    return Windows(modules=modules.astype(np.float64), first=first.astype(np.int64))


def windows_of(problem: ClassProblem) -> Windows:
    """Divide the building where further pallets have come, about once within a look-ahead.

    The look-ahead is the share of pallets that are here before they are needed. No window is
    shorter than the largest pallet, and there is one where nothing comes later than the first
    strings.
    """
    latest = _latest_of_strings(problem)
    pallets, largest = len(problem.unit_sizes), int(problem.unit_sizes.max(initial=1))
    needed = np.cumsum(problem.string_modules) / float(np.mean(problem.unit_sizes))
    here = np.searchsorted(np.sort(problem.unit_day), latest, side="right")
    running = here < pallets
    edges = [0]
    if np.any(running):
        ahead = float(np.median((here - needed)[running])) / pallets
        wanted = 1.0 / max(ahead, 1e-6)
        count = int(np.clip(wanted, 1, min(_WINDOWS_MOST, pallets // _PALLETS_LEAST)))
        filled = np.concatenate([[0], np.cumsum(problem.string_modules)])
        changes = np.flatnonzero(np.diff(latest)) + 1
        for goal in filled[-1] * np.arange(1, count if len(changes) else 1) / count:
            edge = int(changes[np.argmin(np.abs(filled[changes] - goal))])
            if min(filled[edge] - filled[edges[-1]], filled[-1] - filled[edge]) >= largest:
                edges.append(edge)
    return windows_at(problem, np.array(edges))
