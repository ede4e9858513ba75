"""Which MPPT input gets which class of module.

The exact model: inputs that are alike (same strings at the same drop points, same classes
allowed) form a group. Whole numbers ``z`` (inputs of a group begun with a class) and ``t`` (strings
of one length at one drop point planned on them) maximise, one after the other, planned strings,
planned modules, spares of the wished classes, and then minimise pallet openings, inputs begun, and
strings left out early in the building order. Solved as mixed-integer linear programs.
Source: huangfu-hall-2018
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, vstack

from arraywright.allocation.demand import Demand
from arraywright.allocation.stock import Supply
from arraywright.arrays import FloatArray, IntArray

__all__ = ["ClassPlan", "Detail", "Wish", "assign_by_arrival", "assign_by_model", "choose_detail"]

Detail: TypeAlias = Literal["pallets", "drop_points", "classes"]

_PALLET_CELLS: Final = 48
_DROP_CELLS: Final = 120
_NODE_LIMIT: Final[dict[Detail, int]] = {"pallets": 4000, "drop_points": 30, "classes": 400}
_UNPLANNED: Final = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """Spares wished: how many, and of which classes they may be."""

    modules: int
    classes: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassPlan:
    """Class of each open string.

    Attributes:
        string_class: class of each string, -1 where it is not planned, shape (strings,).
        taken: modules taken by (unit, drop point); only when the model planned the pallets.
        proven: the model proved every stage best, at the detail it was solved in.
    """

    string_class: IntArray
    taken: dict[tuple[int, int], int] | None = None
    proven: bool = False


@dataclass(slots=True)
class _Group:
    """Inputs that are alike."""

    allowed: tuple[int, ...]
    parts: tuple[tuple[int, int, int], ...]  # drop point or -1, modules a string needs, strings
    inputs: list[int] = field(default_factory=list)


def choose_detail(supply: Supply, demand: Demand) -> Detail:
    """Give the finest model that is still solved in a moment for a site of this size."""
    drops = len(demand.drop_points)
    if len(supply.unit_class) * drops <= _PALLET_CELLS:
        return "pallets"
    if len(supply.classes) * drops <= _DROP_CELLS:
        return "drop_points"
    return "classes"


def _strings_of_inputs(demand: Demand) -> list[list[int]]:
    strings: list[list[int]] = [[] for _ in demand.inputs]
    for number, of_input in enumerate(demand.input_of.tolist()):
        strings[of_input].append(number)
    return strings


def _group_inputs(demand: Demand, *, by_drop_point: bool) -> list[_Group]:
    groups: dict[tuple[object, ...], _Group] = {}
    drops = demand.drop_of.tolist() if by_drop_point else [-1] * len(demand.drop_of)
    needs = demand.needs.tolist()
    for number, strings in enumerate(_strings_of_inputs(demand)):
        allowed = tuple(np.flatnonzero(demand.allowed[number]).tolist())
        if not allowed:
            continue
        counts: dict[tuple[int, int], int] = defaultdict(int)
        for string in strings:
            counts[drops[string], needs[string]] += 1
        parts = tuple((drop, need, counts[drop, need]) for drop, need in sorted(counts))
        groups.setdefault((allowed, parts), _Group(allowed=allowed, parts=parts)).inputs.append(
            number
        )
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
        rows = self.rows
        for g, group in enumerate(self.groups):
            count = len(group.inputs)
            for c in group.allowed:
                z = self.begun[g, c] = rows.variable(count)
                for k, (drop, need, strings) in enumerate(group.parts):
                    t = self.planned[g, c, k] = rows.variable(count * strings)
                    rows.row({t: 1.0, z: -float(strings)}, -np.inf, 0.0)
                    self.used[c][t] = float(need)
                    self.at_drop[c, drop][t] = float(need)
            rows.row({self.begun[g, c]: 1.0 for c in group.allowed}, 0.0, count)

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

    def stages(self) -> list[FloatArray]:
        """Give what is minimised, stage after stage."""
        rows = self.rows
        need = {key: float(self.groups[key[0]].parts[key[2]][1]) for key in self.planned}
        total = float(sum(rows.upper[t] for t in self.planned.values())) + 1.0
        first = {g: float(min(group.inputs)) for g, group in enumerate(self.groups)}
        span = max(first.values(), default=0.0) + 1.0
        tie = dict.fromkeys(self.begun.values(), 1.0)
        tie |= {t: first[key[0]] / (span * total) for key, t in self.planned.items()}
        out = [
            rows.objective(dict.fromkeys(self.planned.values(), -1.0)),
            rows.objective({t: -need[key] for key, t in self.planned.items()}),
        ]
        if self.short:
            out.append(rows.objective(dict.fromkeys(self.short, 1.0)))
        if self.opened:
            out.append(rows.objective(dict.fromkeys(self.opened, 1.0)))
        out.append(rows.objective(tie))
        return out

    def solve(self) -> tuple[IntArray | None, bool]:
        """Solve the stages; give the whole-number solution and whether all were proven best."""
        matrix, low, high = self.rows.constraint()
        bounds = Bounds(lb=0.0, ub=np.array(self.rows.upper))
        integrality = np.array(self.rows.integer, dtype=np.int64)
        best: IntArray | None = None
        proven = True
        for objective in self.stages():
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
            high = np.append(high, float(objective @ best) + 1e-6)
        return best, proven


def assign_by_model(
    supply: Supply, demand: Demand, *, wishes: tuple[Wish, ...] = (), detail: Detail
) -> ClassPlan:
    """Give each input a class so that most strings can be built, then with fewest openings.

    ``detail`` says what the model knows of pallets: each one (``pallets``, exact), how many are
    needed at each drop point (``drop_points``), or nothing (``classes``; inputs of one class then
    stand together in building order, so that a drop point rarely sees two classes).
    """
    string_class = np.full(len(demand.needs), _UNPLANNED, dtype=np.int64)
    model = _Model(supply, demand, wishes=wishes, detail=detail)
    if not model.planned:
        return ClassPlan(string_class=string_class, taken={}, proven=True)
    found, proven = model.solve()
    if found is None:
        return assign_by_arrival(supply, demand)
    strings = _strings_of_inputs(demand)
    left = supply.class_sizes.copy()
    for g, group in enumerate(model.groups):
        parts = range(len(group.parts))
        full = [int(found[model.begun[g, c]]) for c in group.allowed]
        wanted = {c: [int(found[model.planned[g, c, k]]) for k in parts] for c in group.allowed}
        partial = {
            c: any(wanted[c][k] < z * group.parts[k][2] for k in parts)
            for c, z in zip(group.allowed, full, strict=True)
        }
        waiting = iter(group.inputs)
        for c, z in sorted(
            zip(group.allowed, full, strict=True), key=lambda pair: (partial[pair[0]], pair[0])
        ):
            for _ in range(z):
                _fill_input(
                    strings[next(waiting)], group, demand, wanted[c], (c, string_class, left)
                )
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


def assign_by_arrival(supply: Supply, demand: Demand) -> ClassPlan:
    """Give each input, in building order, the class whose next pallet arrived first.

    A class that has modules for the whole input goes before one that has not; where none has, the
    class that completes most strings is taken. This is what a crew without a plan can do within
    the rules.
    """
    string_class = np.full(len(demand.needs), _UNPLANNED, dtype=np.int64)
    left = supply.class_sizes.tolist()
    used = [0] * len(left)
    arrivals = supply.modules["arrival"].to_numpy()
    for number, strings in enumerate(_strings_of_inputs(demand)):
        needs = [int(demand.needs[string]) for string in strings]
        best: tuple[int, int, int] | None = None
        for c in np.flatnonzero(demand.allowed[number]).tolist():
            complete = int(np.searchsorted(np.cumsum(sorted(needs)), left[c], side="right"))
            if complete:
                arrival = int(arrivals[supply.class_offsets[c] + used[c]])
                key = (-complete, arrival, c)
                best = key if best is None or key < best else best
        if best is None:
            continue
        c, complete = best[2], -best[0]
        order = sorted(range(len(strings)), key=lambda place: (needs[place], place))
        for place in order[:complete]:
            string_class[strings[place]] = c
            left[c] -= needs[place]
            used[c] += needs[place]
    return ClassPlan(string_class=string_class)
