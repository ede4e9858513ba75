"""Classes of inputs brought into an order that arrivals can serve."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from arraywright.allocation.classes import UNPLANNED, ClassPlan, strings_of_inputs
from arraywright.allocation.demand import FREE, Demand
from arraywright.allocation.stock import Supply
from arraywright.arrays import IntArray

__all__ = ["classes_in_time", "days_of_supply"]


def days_of_supply(
    supply: Supply, demand: Demand, *, string_class: IntArray, unit_day: IntArray
) -> IntArray:
    """Give the day on which arrivals first suffice for each string, as ordinal, (strings,).

    Pallets of a class are counted in order of arrival, strings of it in building order. Zero where
    a string is not planned.
    """
    day = np.zeros(len(string_class), dtype=np.int64)
    for c in range(len(supply.classes)):
        chosen = np.flatnonzero(string_class == c)
        if not len(chosen):
            continue
        units = supply.units_of(c)
        units = units[np.argsort(unit_day[units], kind="stable")]
        reach = np.cumsum(supply.unit_sizes[units])
        needed = np.cumsum(demand.needs[chosen])
        slot = np.searchsorted(reach, needed, side="left")
        day[chosen] = unit_day[units[np.minimum(slot, len(units) - 1)]]
    return day


@dataclass(slots=True)
class _Arrivals:
    """Modules of one class by the day from which they are here."""

    days: IntArray
    reach: IntArray
    used: int = 0

    def here(self, need: int, day: int) -> bool:
        """Tell whether so many more modules are here on a day."""
        return self.day_for(need) <= day

    def day_for(self, need: int) -> int:
        """Give the day on which so many more modules are here."""
        slot = int(np.searchsorted(self.reach, self.used + need, side="left"))
        return int(self.days[min(slot, len(self.days) - 1)])


def _arrivals(supply: Supply, unit_day: IntArray) -> list[_Arrivals]:
    held = []
    for c in range(len(supply.classes)):
        units = supply.units_of(c)
        units = units[np.argsort(unit_day[units], kind="stable")]
        held.append(_Arrivals(days=unit_day[units], reach=np.cumsum(supply.unit_sizes[units])))
    return held


def classes_in_time(
    supply: Supply, demand: Demand, plan: ClassPlan, *, string_day: IntArray, unit_day: IntArray
) -> ClassPlan:
    """Exchange the classes of inputs that are alike so that few strings wait for modules.

    How many inputs of each kind get which class stays as planned; only which of them gets it
    changes. Inputs are alike when their planned strings have the same lengths, the same classes
    are allowed and nothing is built on them. In building order each input keeps to the class of
    the input before while enough of it is here, so that few drop points mix classes; else it takes
    the class of which most is here for the rest. Any class that is here does: what is here is here
    for every later input too, so taking it never makes a later input wait that need not. Nothing
    changes where no string waits.
    """
    string_class = plan.string_class
    planned = string_class != UNPLANNED
    supplied = days_of_supply(supply, demand, string_class=string_class, unit_day=unit_day)
    if not np.any(planned & (supplied > string_day)):
        return plan
    strings = strings_of_inputs(demand)
    kinds: dict[tuple[object, ...], list[int]] = defaultdict(list)
    fixed: list[int] = []
    for number, own in enumerate(strings):
        held = [s for s in own if planned[s]]
        if not held:
            continue
        if demand.input_class[number] != FREE:
            fixed.append(number)
            continue
        needs = tuple(sorted(int(demand.needs[s]) for s in held))
        kinds[needs, demand.allowed[number].tobytes()].append(number)
    # how many inputs of a kind get which class
    left: dict[tuple[object, ...], dict[int, int]] = {}
    kind_of: dict[int, tuple[object, ...]] = {}
    for kind, numbers in kinds.items():
        counts: dict[int, int] = defaultdict(int)
        for number in numbers:
            counts[_class_of(string_class, strings[number])] += 1
            kind_of[number] = kind
        left[kind] = counts
    arrivals = _arrivals(supply, unit_day)
    out = string_class.copy()
    before = UNPLANNED
    order = sorted([*fixed, *kind_of], key=lambda n: min(s for s in strings[n] if planned[s]))
    for number in order:
        own = [s for s in strings[number] if planned[s]]
        need = int(demand.needs[own].sum())
        if number in kind_of:
            counts = left[kind_of[number]]
            day = int(string_day[min(own)])
            before = _choose(arrivals, counts, need=need, day=day, before=before)
            counts[before] -= 1
        else:
            before = _class_of(string_class, own)
        out[own] = before
        arrivals[before].used += need
    return ClassPlan(string_class=out, taken=None, proven=plan.proven)


def _class_of(string_class: IntArray, strings: list[int]) -> int:
    return int(max(string_class[s] for s in strings))


def _choose(
    arrivals: list[_Arrivals], counts: dict[int, int], *, need: int, day: int, before: int
) -> int:
    """Choose the class of the next input."""
    open_classes = [c for c, count in sorted(counts.items()) if count > 0]
    here = [c for c in open_classes if arrivals[c].here(need, day)]
    if before in here:
        return before
    if here:
        return max(here, key=lambda c: (counts[c], -c))
    return min(open_classes, key=lambda c: (arrivals[c].day_for(need), -counts[c], c))
