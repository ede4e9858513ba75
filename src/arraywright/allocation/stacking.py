"""Who stands under whom: stacks in laydown areas, with as few pallets lifted off others as can be.

A pallet is lifted off, here called a dig, each time one below it in its stack is taken out before
it. When it is put down, it is known which pallets below leave before it: each is one dig.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Ground", "Stacking", "Standing", "stack_pallets"]

_EXACT_MOST: Final = 40
_NODES: Final = 30_000
_NOWHERE: Final = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """The laydown areas.

    Attributes:
        room_m2: area that may be stood on, ways for the lift taken off [m2], (areas,).
        preference: areas of each pallet, the one to be tried first first, (pallets, areas).
        footprint_m2: ground a pallet takes when it stands below [m2], (pallets,).
        kind: number of the kind of pallet; unlike kinds never share a stack, (pallets,).
        stack_max: pallets in a stack at most, (pallets,).
    """

    room_m2: FloatArray
    preference: IntArray
    footprint_m2: FloatArray
    kind: IntArray
    stack_max: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Pallets that have a place already and are not moved, (pallets,) each.

    Attributes:
        fixed: whether the pallet stands already.
        area: area it stands in.
        below: pallet it stands on, -1 on the ground.
        level: pallets below it, and itself.
    """

    fixed: BoolArray
    area: IntArray
    below: IntArray
    level: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Stacking:
    """Where each pallet is put down.

    Attributes:
        area: area of each pallet, -1 where no room was left, (pallets,).
        stack: number of the stack, counted over all areas, -1 without room, (pallets,).
        below: the pallet it is put down on, -1 on the ground, (pallets,).
        level: pallets below it when it is put down, and itself, (pallets,).
        digs: how often each pallet is lifted off another that is needed first, (pallets,).
        proven: no other stacking of these pallets has fewer digs with as many given room.
    """

    area: IntArray
    stack: IntArray
    below: IntArray
    level: IntArray
    digs: IntArray
    proven: bool

    @property
    def total_digs(self) -> int:
        """Digs of all pallets."""
        return int(self.digs.sum())


class _Yard:
    """Stacks as they stand while days go by."""

    def __init__(self, ground: Ground, leaves: IntArray) -> None:
        self.ground = ground
        self.leaves = leaves
        count = len(leaves)
        self.area = np.full(count, _NOWHERE, dtype=np.int64)
        self.stack = np.full(count, _NOWHERE, dtype=np.int64)
        self.below = np.full(count, _NOWHERE, dtype=np.int64)
        self.level = np.zeros(count, dtype=np.int64)
        self.digs = np.zeros(count, dtype=np.int64)
        self.room = ground.room_m2.copy()
        self.stacks: list[list[int]] = []
        self.area_of: list[int] = []
        # stacks that may still be stood on: earliest leave of the stack, its number
        self.open: dict[tuple[int, int], list[tuple[int, int]]] = {}

    def _key(self, stack: int) -> tuple[int, int]:
        return min(int(self.leaves[p]) for p in self.stacks[stack]), stack

    def _books(self, stack: int) -> list[tuple[int, int]]:
        kind = int(self.ground.kind[self.stacks[stack][0]])
        return self.open.setdefault((kind, self.area_of[stack]), [])

    def _shut(self, stack: int) -> None:
        books, key = self._books(stack), self._key(stack)
        at = bisect_left(books, key)
        if at < len(books) and books[at] == key:
            del books[at]

    def _reopen(self, stack: int) -> None:
        held = self.stacks[stack]
        if len(held) < min(int(self.ground.stack_max[p]) for p in held):
            insort(self._books(stack), self._key(stack))

    def tops(self, pallet: int, area: int) -> list[tuple[int, int]]:
        """Stacks of an area the pallet may stand on, the one that is needed first first."""
        if self.ground.stack_max[pallet] < 2:
            return []
        return self.open.get((int(self.ground.kind[pallet]), area), [])

    def has_ground(self, pallet: int, area: int) -> bool:
        return bool(self.ground.footprint_m2[pallet] <= self.room[area] + 1e-9)

    def digs_on(self, pallet: int, stack: int) -> int:
        return sum(bool(self.leaves[p] < self.leaves[pallet]) for p in self.stacks[stack])

    def put_on(self, pallet: int, stack: int) -> None:
        self._shut(stack)
        held = self.stacks[stack]
        self.area[pallet], self.stack[pallet] = self.area_of[stack], stack
        self.below[pallet], self.level[pallet] = held[-1], len(held) + 1
        self.digs[pallet] = self.digs_on(pallet, stack)
        held.append(pallet)
        self._reopen(stack)

    def put_down(self, pallet: int, area: int) -> None:
        stack = len(self.stacks)
        self.stacks.append([pallet])
        self.area_of.append(area)
        self.room[area] -= self.ground.footprint_m2[pallet]
        self.area[pallet], self.stack[pallet], self.level[pallet] = area, stack, 1
        self._reopen(stack)

    def take_out(self, pallet: int) -> None:
        stack = int(self.stack[pallet])
        if stack == _NOWHERE:
            return
        self._shut(stack)
        held = self.stacks[stack]
        lowest = held[0]
        held.remove(pallet)
        area = self.area_of[stack]
        if not held:
            self.room[area] += self.ground.footprint_m2[pallet]
            return
        if lowest == pallet:
            self.room[area] += self.ground.footprint_m2[pallet] - self.ground.footprint_m2[held[0]]
        self._reopen(stack)

    def place(self, pallet: int) -> None:
        """Put a pallet down by the rule: without a dig, else on the ground, else with digs."""
        areas = self.ground.preference[pallet].tolist()
        mine = int(self.leaves[pallet])
        for area in areas:
            books = self.tops(pallet, area)
            at = bisect_left(books, (mine, -1))
            if at < len(books):
                self.put_on(pallet, books[at][1])
                return
            if self.has_ground(pallet, area):
                self.put_down(pallet, area)
                return
        forced = [
            (self.digs_on(pallet, stack), key, stack)
            for area in areas
            for key, stack in self.tops(pallet, area)[:8]
        ]
        if forced:
            self.put_on(pallet, min(forced)[2])

    def keep(self, pallet: int, standing: Standing) -> None:
        """Put a pallet where it stands already; on the ground when the one below is gone."""
        below = int(standing.below[pallet])
        stack = int(self.stack[below]) if below >= 0 else _NOWHERE
        if stack != _NOWHERE and below in self.stacks[stack]:
            self.put_on(pallet, stack)
        else:
            self.put_down(pallet, int(standing.area[pallet]))

    def result(self, *, proven: bool) -> Stacking:
        return Stacking(
            area=self.area,
            stack=self.stack,
            below=self.below,
            level=self.level,
            digs=self.digs,
            proven=proven,
        )


def _events(
    arrives: IntArray, leaves: IntArray, leave_day: IntArray, *, level: IntArray
) -> list[tuple[str, int]]:
    """Put in order what happens: on a day pallets come first, then others are taken out.

    Pallets of one day are put down with the one that leaves last first, so that it stands below;
    those that stand already (``level`` above 0) from the ground up.
    """
    count = len(arrives)
    order = np.lexsort((np.arange(count), -leaves, level, arrives))
    out = np.lexsort((np.arange(count), leaves))
    events: list[tuple[str, int]] = []
    at = 0
    for pallet in order.tolist():
        while at < count and leave_day[out[at]] < arrives[pallet]:
            events.append(("out", int(out[at])))
            at += 1
        events.append(("in", pallet))
    events.extend(("out", int(p)) for p in out[at:].tolist())
    return events


def stack_pallets(
    ground: Ground,
    *,
    arrives: IntArray,
    leaves: IntArray,
    leave_day: IntArray,
    standing: Standing | None = None,
) -> Stacking:
    """Put pallets into stacks so that few are lifted off others, never higher than allowed.

    In the order of arrival, those of a day with the one needed last first, each pallet goes onto
    the stack that is needed soonest after it, in the area that is tried first; else onto free
    ground; else, when no ground is left, onto the stack where it is lifted off least. A stacking
    without a dig cannot be bettered. Where there are digs and at most 40 pallets, all other ways
    are searched too, within a limit of steps; ``proven`` says whether the search was complete.

    Args:
        ground: the laydown areas.
        arrives: day of arrival, (pallets,).
        leaves: rank in the order of being taken out, all different, (pallets,).
        leave_day: day of being taken out, rising with ``leaves``, (pallets,).
        standing: pallets that stand already and stay where they are; None when none does.

    Source: common-practice
    """
    count = len(arrives)
    if standing is None:
        nothing = np.zeros(count, dtype=np.int64)
        standing = Standing(
            fixed=np.zeros(count, dtype=np.bool_), area=nothing, below=nothing, level=nothing
        )
    level = np.where(standing.fixed, standing.level, 0)
    events = _events(arrives, leaves, leave_day, level=level)
    yard = _Yard(ground, leaves)
    for what, pallet in events:
        if what == "in" and standing.fixed[pallet]:
            yard.keep(pallet, standing)
        elif what == "in":
            yard.place(pallet)
        else:
            yard.take_out(pallet)
    quick = yard.result(proven=yard.digs.sum() == 0 and bool(np.all(yard.area >= 0)))
    if quick.proven or len(arrives) > _EXACT_MOST:
        return quick
    return _Search(ground, leaves, events, standing).best(quick)


class _Search:
    """All ways to stack a few pallets, the likely good ones first."""

    def __init__(
        self,
        ground: Ground,
        leaves: IntArray,
        events: list[tuple[str, int]],
        standing: Standing,
    ) -> None:
        self.ground = ground
        self.standing = standing
        self.leaves = leaves
        self.events = events
        self.nodes = 0

    def best(self, quick: Stacking) -> Stacking:
        """Give the best found and whether the search was complete."""
        self.held = quick
        self.least = (int(np.sum(quick.area < 0)), quick.total_digs)
        self._go(_Yard(self.ground, self.leaves), 0, 0, 0)
        held = self.held
        return Stacking(
            area=held.area,
            stack=held.stack,
            below=held.below,
            level=held.level,
            digs=held.digs,
            proven=self.nodes <= _NODES,
        )

    def _go(self, yard: _Yard, at: int, homeless: int, digs: int) -> None:
        self.nodes += 1
        if self.nodes > _NODES or (homeless, digs) >= self.least:
            return
        while at < len(self.events) and self.events[at][0] == "out":
            yard.take_out(self.events[at][1])
            at += 1
        if at == len(self.events):
            self.least = (homeless, digs)
            self.held = yard.result(proven=False)
            return
        pallet = self.events[at][1]
        if self.standing.fixed[pallet]:
            yard.keep(pallet, self.standing)
            self._go(yard, at + 1, homeless, digs + int(yard.digs[pallet]))
            return
        for cost, what, where in self._ways(yard, pallet):
            copy = _copy(yard)
            if what == "on":
                copy.put_on(pallet, where)
            elif what == "down":
                copy.put_down(pallet, where)
            self._go(copy, at + 1, homeless + (what == "nowhere"), digs + cost)

    def _ways(self, yard: _Yard, pallet: int) -> list[tuple[int, str, int]]:
        areas = self.ground.preference[pallet].tolist()
        ways: list[tuple[int, str, int]] = []
        for area in areas:
            ways.extend(
                (yard.digs_on(pallet, stack), "on", stack) for _, stack in yard.tops(pallet, area)
            )
            if yard.has_ground(pallet, area):
                ways.append((0, "down", area))
        ways.sort(key=lambda way: way[0])
        return ways or [(0, "nowhere", _NOWHERE)]


def _copy(yard: _Yard) -> _Yard:
    other = _Yard(yard.ground, yard.leaves)
    for name in ("area", "stack", "below", "level", "digs", "room"):
        setattr(other, name, getattr(yard, name).copy())
    other.stacks = [held.copy() for held in yard.stacks]
    other.area_of = yard.area_of.copy()
    other.open = {key: held.copy() for key, held in yard.open.items()}
    return other
