"""The exact model of which MPPT input gets which class of module.

Inputs that are alike (same open strings at the same drop points, same strings in all, same
classes allowed) form a group. Whole numbers ``w`` (inputs of a group made whole with a class),
``p`` (inputs that get some of their strings in a class) and ``t`` (strings of one length at one
drop point on the latter) are chosen by mixed-integer linear programs, one after the other: in the
order of weight of ``classes.Reach``, then for fewest pallet openings, then for inputs early in the
building order. Source: huangfu-hall-2018
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, vstack

from arraywright.allocation.classes import (
    UNPLANNED,
    ClassPlan,
    Wish,
    assign_by_arrival,
    strings_of_inputs,
)
from arraywright.allocation.demand import Demand
from arraywright.allocation.stock import Supply
from arraywright.arrays import FloatArray, IntArray

__all__ = ["Detail", "assign_by_model", "choose_detail"]

Detail: TypeAlias = Literal["pallets", "drop_points", "classes"]

_PALLET_CELLS: Final = 48
_DROP_CELLS: Final = 120
_NODE_LIMIT: Final[dict[Detail, int]] = {"pallets": 4000, "drop_points": 30, "classes": 400}
_HAIR: Final = 1e-6


@dataclass(slots=True)
class _Group:
    """Inputs that are alike."""

    allowed: tuple[int, ...]
    parts: tuple[tuple[int, int, int], ...]  # drop point or -1, modules a string needs, strings
    on_input: int  # strings on an input, built ones counted
    bound: bool  # the class is given by built modules
    inputs: list[int] = field(default_factory=list)

    @property
    def strings(self) -> int:
        """Open strings of one input."""
        return sum(strings for _, _, strings in self.parts)

    @property
    def modules(self) -> int:
        """Modules the open strings of one input need."""
        return sum(need * strings for _, need, strings in self.parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stage:
    """What is minimised at one stage, and a value it cannot go below."""

    objective: FloatArray
    floor: float


def choose_detail(supply: Supply, demand: Demand) -> Detail:
    """Give the finest model that is still solved in a moment for a site of this size."""
    drops = len(demand.drop_points)
    if len(supply.unit_class) * drops <= _PALLET_CELLS:
        return "pallets"
    if len(supply.classes) * drops <= _DROP_CELLS:
        return "drop_points"
    return "classes"


def _group_inputs(demand: Demand, *, by_drop_point: bool) -> list[_Group]:
    groups: dict[tuple[object, ...], _Group] = {}
    drops = demand.drop_of.tolist() if by_drop_point else [-1] * len(demand.drop_of)
    needs = demand.needs.tolist()
    for number, strings in enumerate(strings_of_inputs(demand)):
        allowed = tuple(np.flatnonzero(demand.allowed[number]).tolist())
        if not allowed:
            continue
        counts: dict[tuple[int, int], int] = defaultdict(int)
        for string in strings:
            counts[drops[string], needs[string]] += 1
        parts = tuple((drop, need, counts[drop, need]) for drop, need in sorted(counts))
        on_input, bound = int(demand.input_strings[number]), bool(demand.input_class[number] >= 0)
        group = _Group(allowed=allowed, parts=parts, on_input=on_input, bound=bound)
        groups.setdefault((allowed, parts, on_input, bound), group).inputs.append(number)
    return list(groups.values())


class _Rows:
    """Variables and constraint rows of a model while it is written down."""

    def __init__(self) -> None:
        self.upper: list[float] = []
        self.integer: list[bool] = []
        self._cells: tuple[list[int], list[int], list[float]] = ([], [], [])
        self._low: list[float] = []
        self._high: list[float] = []

    def variable(self, upper: float, *, integer: bool = True) -> int:
        self.upper.append(upper)
        self.integer.append(integer)
        return len(self.upper) - 1

    def row(self, terms: dict[int, float], low: float, high: float) -> None:
        rows, columns, values = self._cells
        for column, value in terms.items():
            rows.append(len(self._low))
            columns.append(column)
            values.append(value)
        self._low.append(low)
        self._high.append(high)

    def objective(self, terms: dict[int, float]) -> FloatArray:
        out = np.zeros(len(self.upper))
        for column, value in terms.items():
            out[column] = value
        return out

    def constraint(self) -> tuple[csr_array, FloatArray, FloatArray]:
        rows, columns, values = self._cells
        matrix = csr_array((values, (rows, columns)), shape=(len(self._low), len(self.upper)))
        return matrix, np.array(self._low), np.array(self._high)


class _Model:
    """The exact model of one site at one detail."""

    def __init__(
        self, supply: Supply, demand: Demand, *, wishes: tuple[Wish, ...], detail: Detail
    ) -> None:
        self.rows = _Rows()
        self.node_limit = _NODE_LIMIT[detail]
        self.supply = supply
        self.groups = _group_inputs(demand, by_drop_point=detail != "classes")
        self.whole: dict[tuple[int, int], int] = {}
        self.begun: dict[tuple[int, int], int] = {}
        self.planned: dict[tuple[int, int, int], int] = {}
        self.used: dict[int, dict[int, float]] = defaultdict(dict)
        self.at_drop: dict[tuple[int, int], dict[int, float]] = defaultdict(dict)
        self.opened: list[int] = []
        self.taken: dict[tuple[int, int], int] = {}
        self._write_inputs()
        self.short = self._write_spares(wishes)
        if detail == "pallets":
            self._write_pallets()
        elif detail == "drop_points":
            self._write_drop_points()

    def _write_inputs(self) -> None:
        for g, group in enumerate(self.groups):
            count = len(group.inputs)
            for c in group.allowed:
                w = self.whole[g, c] = self.rows.variable(count)
                self.used[c][w] = float(group.modules)
                for drop, need, strings in group.parts:
                    terms = self.at_drop[c, drop]
                    terms[w] = terms.get(w, 0.0) + float(need * strings)
                if group.strings > 1:
                    self._write_part(g, c)
            begun = [self.begun[g, c] for c in group.allowed if (g, c) in self.begun]
            whole = [self.whole[g, c] for c in group.allowed]
            self.rows.row(dict.fromkeys([*whole, *begun], 1.0), 0.0, count)

    def _write_part(self, g: int, c: int) -> None:
        rows, group = self.rows, self.groups[g]
        count = len(group.inputs)
        p = self.begun[g, c] = rows.variable(count)
        in_all = {p: -float(group.strings - 1)}
        for k, (drop, need, strings) in enumerate(group.parts):
            t = self.planned[g, c, k] = rows.variable(count * strings)
            rows.row({t: 1.0, p: -float(strings)}, -np.inf, 0.0)
            in_all[t] = 1.0
            self.used[c][t] = float(need)
            self.at_drop[c, drop][t] = float(need)
        rows.row(in_all, -np.inf, 0.0)

    def _write_spares(self, wishes: tuple[Wish, ...]) -> list[int]:
        rows = self.rows
        short: list[int] = []
        held = {c: dict(terms) for c, terms in self.used.items()}
        for wish in wishes:
            missing = rows.variable(wish.modules)
            terms = {missing: 1.0}
            for c in wish.classes:
                spare = rows.variable(wish.modules)
                terms[spare] = 1.0
                held.setdefault(c, {})[spare] = 1.0
            rows.row(terms, wish.modules, np.inf)
            short.append(missing)
        for c, terms in held.items():
            rows.row(terms, 0.0, float(self.supply.class_sizes[c]))
        return short

    def _write_drop_points(self) -> None:
        largest = np.zeros(len(self.supply.classes))
        np.maximum.at(largest, self.supply.unit_class, self.supply.unit_sizes)
        for (c, _), terms in self.at_drop.items():
            pallets = self.rows.variable(np.inf)
            self.rows.row({**terms, pallets: -float(largest[c])}, -np.inf, 0.0)
            self.opened.append(pallets)

    def _write_pallets(self) -> None:
        rows, supply = self.rows, self.supply
        places = sorted({drop for _, drop in self.at_drop})
        opened = {
            (pallet, drop): rows.variable(1.0)
            for pallet in np.unique(supply.unit_pallet).tolist()
            for drop in places
        }
        self.opened = list(opened.values())
        sizes = supply.unit_sizes.tolist()
        for (c, drop), terms in self.at_drop.items():
            balance = {column: -need for column, need in terms.items()}
            for u in supply.units_of(c).tolist():
                x = self.taken[u, drop] = rows.variable(sizes[u])
                y = opened[int(supply.unit_pallet[u]), drop]
                rows.row({x: 1.0, y: -float(sizes[u])}, -np.inf, 0.0)
                balance[x] = 1.0
            rows.row(balance, 0.0, 0.0)
        by_unit: dict[int, dict[int, float]] = defaultdict(dict)
        for (u, _), x in self.taken.items():
            by_unit[u][x] = 1.0
        for u, terms in by_unit.items():
            rows.row(terms, 0.0, float(sizes[u]))

    def stages(self) -> list[_Stage]:
        """Give what is minimised, stage after stage, in the order of ``classes.Reach.rank``."""
        groups = self.groups
        strings = sum(len(group.inputs) * group.strings for group in groups)
        modules = sum(len(group.inputs) * group.modules for group in groups)
        of_part = {key: float(groups[key[0]].parts[key[2]][1]) for key in self.planned}
        in_part = {t: (-1.0, -of_part[key]) for key, t in self.planned.items()}
        in_bound = {t: in_part[t] for key, t in self.planned.items() if groups[key[0]].bound}
        on_whole = {w: -float(groups[g].on_input) for (g, _), w in self.whole.items()}
        whole_strings = {w: -float(groups[g].strings) for (g, _), w in self.whole.items()}
        whole_modules = {w: -float(groups[g].modules) for (g, _), w in self.whole.items()}
        newly_begun = [p for (g, _), p in self.begun.items() if not groups[g].bound]
        stages = [
            (on_whole, -float(sum(len(group.inputs) * group.on_input for group in groups))),
            (whole_strings | {t: v[0] for t, v in in_bound.items()}, -float(strings)),
            (whole_modules | {t: v[1] for t, v in in_bound.items()}, -float(modules)),
            (dict.fromkeys(self.short, 1.0), 0.0),
            (whole_strings | {t: v[0] for t, v in in_part.items()}, -float(strings)),
            (whole_modules | {t: v[1] for t, v in in_part.items()}, -float(modules)),
            (dict.fromkeys(newly_begun, 1.0), 0.0),
            (dict.fromkeys(self.opened, 1.0), 0.0),
            (self._late(strings), 0.0),
        ]
        return [
            _Stage(objective=self.rows.objective(terms), floor=floor)
            for terms, floor in stages
            if terms
        ]

    def _late(self, strings: int) -> dict[int, float]:
        """Count inputs begun, and as a fraction of one how late in the building order they are."""
        first = [float(min(group.inputs)) for group in self.groups]
        weight = 1.0 / ((max(first, default=0.0) + 1.0) * (strings + 1.0))
        late = dict.fromkeys(self.begun.values(), 1.0)
        late |= {t: first[key[0]] * weight for key, t in self.planned.items()}
        return late | {
            w: 1.0 + self.groups[g].strings * first[g] * weight for (g, _), w in self.whole.items()
        }

    def solve(self) -> tuple[IntArray | None, bool]:
        """Solve the stages; give the whole-number solution and whether all were proven best."""
        matrix, low, high = self.rows.constraint()
        bounds = Bounds(lb=0.0, ub=np.array(self.rows.upper))
        integrality = np.array(self.rows.integer, dtype=np.int64)
        best: IntArray | None = None
        proven = True
        for stage in self.stages():
            objective = stage.objective
            if best is None or float(objective @ best) > stage.floor + _HAIR:
                result = milp(
                    c=objective,
                    integrality=integrality,
                    bounds=bounds,
                    constraints=LinearConstraint(matrix, low, high),
                    options={"node_limit": self.node_limit, "mip_rel_gap": 0.0},
                )
                if result.x is None:
                    return best, False
                proven = proven and result.status == 0
                best = np.rint(result.x).astype(np.int64)
            matrix = csr_array(vstack([matrix, csr_array(objective[None, :])]))
            low = np.append(low, -np.inf)
            high = np.append(high, float(objective @ best) + _HAIR)
        return best, proven

    def begun_inputs(self, found: IntArray, g: int) -> Iterator[tuple[int, list[int]]]:
        """Give class and strings wanted per part of each input begun in a group, whole ones first.

        What is wanted of a class in part is one list for all its inputs, emptied as they are
        filled.
        """
        group = self.groups[g]
        for c in group.allowed:
            for _ in range(int(found[self.whole[g, c]])):
                yield c, [strings for _, _, strings in group.parts]
        for c in group.allowed:
            if (g, c) in self.begun:
                wanted = [int(found[self.planned[g, c, k]]) for k in range(len(group.parts))]
                for _ in range(int(found[self.begun[g, c]])):
                    yield c, wanted


def assign_by_model(
    supply: Supply, demand: Demand, *, wishes: tuple[Wish, ...] = (), detail: Detail
) -> ClassPlan:
    """Give each input a class so that most inputs become whole, in the order of ``Reach.rank``.

    ``detail`` says what the model knows of pallets: each one (``pallets``, exact), how many are
    needed at each drop point (``drop_points``), or nothing (``classes``; inputs of one class then
    stand together in building order, so that a drop point rarely sees two classes).
    """
    string_class = np.full(len(demand.needs), UNPLANNED, dtype=np.int64)
    model = _Model(supply, demand, wishes=wishes, detail=detail)
    if not model.whole:
        return ClassPlan(string_class=string_class, taken={}, proven=True)
    found, proven = model.solve()
    if found is None:
        return assign_by_arrival(supply, demand, wishes=wishes)
    strings = strings_of_inputs(demand)
    left = supply.class_sizes.copy()
    for g, group in enumerate(model.groups):
        for number, (c, wanted) in zip(group.inputs, model.begun_inputs(found, g), strict=False):
            _fill_input(strings[number], group, demand, wanted, (c, string_class, left))
    taken = {key: int(found[x]) for key, x in model.taken.items() if found[x] > 0}
    return ClassPlan(
        string_class=string_class,
        taken=taken if detail == "pallets" else None,
        proven=proven,
    )


def _fill_input(
    strings: list[int],
    group: _Group,
    demand: Demand,
    wanted: list[int],
    target: tuple[int, IntArray, IntArray],
) -> None:
    """Give the next input's strings their class as long as the model planned some."""
    c, string_class, left = target
    by_drop = group.parts[0][0] >= 0
    index = {(drop, need): k for k, (drop, need, _) in enumerate(group.parts)}
    for string in strings:
        need = int(demand.needs[string])
        k = index[int(demand.drop_of[string]) if by_drop else -1, need]
        if wanted[k] > 0 and need <= left[c]:
            wanted[k] -= 1
            left[c] -= need
            string_class[string] = c
