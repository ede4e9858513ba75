"""What a choice of classes for MPPT inputs reaches, and the choice a crew makes by arrival.

The order of weight: an input that is begun binds its missing strings to its class, which may never
be delivered again. So strings on inputs that become whole come first, and an input is begun in part
only with what neither whole inputs nor the spares wished can use.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.allocation.demand import Demand
from arraywright.allocation.stock import Supply
from arraywright.arrays import IntArray

__all__ = [
    "UNPLANNED",
    "ClassPlan",
    "Reach",
    "Wish",
    "assign_by_arrival",
    "classes_left",
    "reach_of",
    "spares_missing",
    "strings_of_inputs",
]

UNPLANNED: Final = -1
"""No class: the string is not planned."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """Spares wished: how many, and of which classes they may be."""

    modules: int
    classes: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassPlan:
    """Class of each open string.

    Attributes:
        string_class: class of each string, ``UNPLANNED`` where it has none, shape (strings,).
        taken: modules taken by (unit, drop point); only when the model planned the pallets.
        proven: the model proved every stage best, at the detail it was solved in.
    """

    string_class: IntArray
    taken: dict[tuple[int, int], int] | None = None
    proven: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """What a choice of classes reaches.

    Attributes:
        on_whole_inputs: strings, built ones counted, on inputs that had open strings and have
            none any more.
        strings_binding_nothing: strings planned on these inputs, and on inputs that stay in part
            but whose class is given by built modules already.
        modules_binding_nothing: modules of these strings.
        spares_missing: spares wished that the strings do not leave.
        strings: strings planned.
        modules: modules planned.
        inputs_begun_in_part: inputs without a built module that get some of their strings.
    """

    on_whole_inputs: int
    strings_binding_nothing: int
    modules_binding_nothing: int
    spares_missing: int
    strings: int
    modules: int
    inputs_begun_in_part: int

    @property
    def rank(self) -> tuple[int, ...]:
        """What is compared between two choices, in the order of weight; smaller is better."""
        return (
            -self.on_whole_inputs,
            -self.strings_binding_nothing,
            -self.modules_binding_nothing,
            self.spares_missing,
            -self.strings,
            -self.modules,
            self.inputs_begun_in_part,
        )


def strings_of_inputs(demand: Demand) -> list[list[int]]:
    """List the open strings of each input, in building order."""
    strings: list[list[int]] = [[] for _ in demand.inputs]
    for number, of_input in enumerate(demand.input_of.tolist()):
        strings[of_input].append(number)
    return strings


def classes_left(supply: Supply, demand: Demand, *, string_class: IntArray) -> IntArray:
    """Modules of each class the strings leave, shape (classes,)."""
    chosen = string_class >= 0
    used = np.bincount(
        string_class[chosen], weights=demand.needs[chosen], minlength=len(supply.classes)
    )
    return supply.class_sizes - used.astype(np.int64)


def spares_missing(wishes: Iterable[Wish], left: Sequence[int]) -> int:
    """Count the spares wished that cannot be had; wishes for fewer classes are met first."""
    free = list(left)
    missing = 0
    for wish in sorted(wishes, key=lambda held: len(held.classes)):
        short = wish.modules
        for c in wish.classes:
            given = min(short, free[c])
            free[c] -= given
            short -= given
        missing += short
    return missing


def reach_of(
    supply: Supply, demand: Demand, *, string_class: IntArray, wishes: tuple[Wish, ...]
) -> Reach:
    """Count what a choice of classes reaches."""
    planned = string_class >= 0
    count = len(demand.inputs)
    waiting = np.bincount(demand.input_of, weights=~planned, minlength=count) > 0
    begun = np.bincount(demand.input_of, weights=planned, minlength=count) > 0
    bound = demand.input_class >= 0
    binds_nothing = planned & (~waiting | bound)[demand.input_of]
    left = classes_left(supply, demand, string_class=string_class)
    return Reach(
        on_whole_inputs=int(demand.input_strings[~waiting].sum()),
        strings_binding_nothing=int(binds_nothing.sum()),
        modules_binding_nothing=int(demand.needs[binds_nothing].sum()),
        spares_missing=spares_missing(wishes, left.tolist()),
        strings=int(planned.sum()),
        modules=int(demand.needs[planned].sum()),
        inputs_begun_in_part=int(np.sum(begun & waiting & ~bound)),
    )


class _Walk:
    """A crew on its way through the inputs in building order."""

    def __init__(self, supply: Supply, demand: Demand) -> None:
        self.needs: list[int] = demand.needs.tolist()
        self.left: list[int] = supply.class_sizes.tolist()
        self.string_class = np.full(len(demand.needs), UNPLANNED, dtype=np.int64)
        self._used = [0] * len(self.left)
        self._first: list[int] = supply.class_offsets.tolist()
        self._arrivals = supply.modules["arrival"].to_numpy()

    def next_arrival(self, c: int) -> tuple[int, int]:
        """When the next pallet of a class arrived, which has modules left; then its number."""
        return int(self._arrivals[self._first[c] + self._used[c]]), c

    def take(self, c: int, strings: Iterable[int]) -> None:
        """Give strings a class."""
        for string in strings:
            self.string_class[string] = c
            self.left[c] -= self.needs[string]
            self._used[c] += self.needs[string]

    def that_fit(self, strings: Sequence[int], modules: int) -> list[int]:
        """Most of the strings that can be filled with so many modules, the shortest first."""
        fitting: list[int] = []
        for string in sorted(strings, key=lambda number: (self.needs[number], number)):
            if self.needs[string] > modules:
                break
            modules -= self.needs[string]
            fitting.append(string)
        return fitting


def _modules_for_parts(wishes: tuple[Wish, ...], left: list[int], c: int) -> int:
    """Modules of a class that can go before one more of the spares wished is missing."""
    missing = spares_missing(wishes, left)
    low, high = 0, left[c]
    while low < high:
        middle = (low + high + 1) // 2
        fewer = [*left[:c], left[c] - middle, *left[c + 1 :]]
        low, high = (
            (middle, high) if spares_missing(wishes, fewer) <= missing else (low, middle - 1)
        )
    return low


def assign_by_arrival(
    supply: Supply, demand: Demand, *, wishes: tuple[Wish, ...] = ()
) -> ClassPlan:
    """Give each input, in building order, the class whose next pallet arrived first.

    Only classes that have modules for the whole input count; an input no class is enough for is
    passed over. What is left then completes strings on inputs whose class is built in already,
    and, where the spares wished are not touched, begins the inputs passed over: each in the class
    that completes most of its strings. This is what a crew without a plan can do within the rules.
    """
    walk = _Walk(supply, demand)
    allowed = [np.flatnonzero(row).tolist() for row in demand.allowed]
    passed: list[tuple[int, list[int]]] = []
    for number, strings in enumerate(strings_of_inputs(demand)):
        need = sum(walk.needs[string] for string in strings)
        enough = [c for c in allowed[number] if walk.left[c] >= need]
        if enough:
            walk.take(min(enough, key=walk.next_arrival), strings)
        elif allowed[number]:
            passed.append((number, strings))
    for number, strings in passed:
        if demand.input_class[number] >= 0:
            (c,) = allowed[number]
            walk.take(c, walk.that_fit(strings, walk.left[c]))
    room = {c: _modules_for_parts(wishes, walk.left, c) for c in range(len(walk.left))}
    for number, strings in passed:
        if demand.input_class[number] >= 0:
            continue
        fitting = {c: walk.that_fit(strings, room[c]) for c in allowed[number]}
        useful = [c for c, fits in fitting.items() if fits]
        if useful:
            best = min(useful, key=lambda c: (-len(fitting[c]), *walk.next_arrival(c)))
            walk.take(best, fitting[best])
            room = {c: _modules_for_parts(wishes, walk.left, c) for c in room}
    return ClassPlan(string_class=walk.string_class)
