"""Holes of an earlier plan filled from what is free, or from strings built later."""

from __future__ import annotations

from typing import Final

import numpy as np

from arraywright.allocation.park_types import ClassProblem, Coefficients
from arraywright.allocation.tally import LossTally
from arraywright.arrays import IntArray

__all__ = ["fill_holes"]

_TRIED_MOST: Final = 200
_EMPTY: Final = -1


class _Repair:
    """A class with holes."""

    def __init__(
        self,
        problem: ClassProblem,
        *,
        string: IntArray,
        module: IntArray,
        coefficients: Coefficients,
    ) -> None:
        self.problem = problem
        self.money = coefficients
        self.unit = np.repeat(np.arange(len(problem.unit_sizes)), problem.unit_sizes)
        held = module.copy()
        late = held >= 0
        late[late] = problem.unit_day[self.unit[held[late]]] > problem.string_day[string[late]]
        # what comes after its string is built cannot stay there
        held[late] = _EMPTY
        self.tally = LossTally(problem, string=string, module=held)
        self.string = string
        self.place = np.full(len(problem.x), _EMPTY, dtype=np.int64)
        self.place[held[held >= 0]] = np.flatnonzero(held >= 0)
        self.free_count = np.bincount(
            self.unit[self.place < 0], minlength=len(problem.unit_sizes)
        ).astype(np.int64)
        self.holes: list[int] = np.flatnonzero(held < 0).tolist()

    def run(self) -> list[int]:
        """Give the first holes, all at one drop point."""
        section = self.problem.string_section[self.string[self.holes[0]]]
        out = []
        for place in self.holes:
            if self.problem.string_section[self.string[place]] != section:
                break
            out.append(place)
        return out

    def put(self, places: IntArray, modules: IntArray) -> None:
        """Fill empty places with free modules."""
        self.tally.put(places, modules)
        self.place[modules] = places
        np.subtract.at(self.free_count, self.unit[modules], 1)

    def units_here(self, day: int) -> IntArray:
        """Give units with free modules that are here on a day."""
        return np.flatnonzero((self.free_count > 0) & (self.problem.unit_day <= day))

    def free_of(self, unit: int) -> IntArray:
        """Give the free modules of a unit from the top down."""
        first, past = self.problem.unit_offsets[unit : unit + 2]
        return np.asarray(first + np.flatnonzero(self.place[first:past] < 0), dtype=np.int64)

    def handling(self, unit: int, section: int) -> float:
        """Give what bringing a unit to a drop point costs, in money."""
        first, past = self.problem.unit_offsets[unit : unit + 2]
        places = self.place[first:past]
        there = self.problem.string_section[self.string[places[places >= 0]]]
        if not len(there):
            return self.money.opening_cost
        return 0.0 if section in there else self.money.carry_cost

    def choose(self, run: list[int], able: IntArray) -> tuple[int, int]:
        """Choose the unit that costs least per hole, and how many holes it fills."""
        section = int(self.problem.string_section[self.string[run[0]]])
        low, high = np.searchsorted(self.string, [self.string[run[0]], self.string[run[-1]] + 1])
        held = self.tally.module[low:high]
        held = held[held >= 0]
        target = float(self.problem.x[held].mean()) if len(held) else 0.0
        rows = []
        for unit in able.tolist():
            modules = self.free_of(unit)[: len(run)]
            rows.append((abs(float(self.problem.x[modules].mean()) - target), unit))
        best = (np.inf, -1, 0)
        for _, unit in sorted(rows)[:_TRIED_MOST]:
            modules = self.free_of(unit)[: len(run)]
            count = len(modules)
            grown = self.tally.change_w(np.array(run[:count]), modules)
            cost = grown * self.money.value_per_w + self.handling(unit, section)
            best = min(best, (cost / count, unit, count))
        return best[1], best[2]

    def borrow(self, place: int) -> None:
        """Take what is here from the strings built last; they become holes to be filled later."""
        string = self.string[place]
        day = self.problem.string_day[string]
        held = self.tally.module
        able = np.flatnonzero((held >= 0) & (self.string > string))
        able = able[self.problem.unit_day[self.unit[held[able]]] <= day]
        last = able[-1]
        own = able[self.unit[held[able]] == self.unit[held[last]]]
        modules = held[own]
        self.place[modules] = _EMPTY
        np.add.at(self.free_count, self.unit[modules], 1)
        self.tally.put(own, np.full(len(own), _EMPTY))
        self.holes = sorted([*self.holes, *own.tolist()])

    def fill(self) -> IntArray:
        """Fill all holes in building order."""
        while self.holes:
            run = self.run()
            able = self.units_here(int(self.problem.string_day[self.string[run[0]]]))
            if not len(able):
                self.borrow(run[0])
                continue
            unit, count = self.choose(run, able)
            modules = self.free_of(unit)[:count]
            self.put(np.array(run[:count]), modules)
            self.holes = self.holes[count:]
        return self.tally.module


def fill_holes(
    problem: ClassProblem, *, string: IntArray, module: IntArray, coefficients: Coefficients
) -> IntArray:
    """Fill the empty places of a class with few changes, each at the least cost, (places,).

    Holes are filled in building order, drop point by drop point, from the pallet with free modules
    that costs least per hole, mismatch and handling together. Where nothing free is here in time, a
    pallet that is here is taken from the strings built last, whose places are filled later. A
    module that comes after its string is built leaves a hole too.

    Args:
        problem: the class; it has enough modules, and order of arrival is in time for all strings.
        string: string of each place, never falling, (places,).
        module: module in each place, -1 where empty, (places,).
        coefficients: what it is priced with.
    """
    return _Repair(problem, string=string, module=module, coefficients=coefficients).fill()
