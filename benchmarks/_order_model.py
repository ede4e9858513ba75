"""The order of pallets as a mixed-integer program for a general solver."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_matrix

from arraywright.allocation.park_types import ClassProblem
from arraywright.allocation.sequence_layout import arrival_sequence
from arraywright.arrays import FloatArray, IntArray

__all__ = ["OrderModel", "Solved", "order_model"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Solved:
    """What the solver gave.

    Attributes:
        loss_w: loss of its plan [W], None when it found none in time.
        optimal: whether it proved that none is better.
        variables: binary variables of the model.
    """

    loss_w: float | None
    optimal: bool
    variables: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderModel:
    """Choose arcs (pallet, place where it begins, next pallet) that make one path.

    Attributes:
        cost: loss of each arc [W], (arcs,).
        use: pallet an arc uses, (arcs,).
        tail: node an arc leaves, (arcs,).
        head: node an arc enters; the last node is the end, (arcs,).
        nodes: number of nodes, the first is the beginning.
        pallets: number of pallets.
    """

    cost: FloatArray
    use: IntArray
    tail: IntArray
    head: IntArray
    nodes: int
    pallets: int

    def solve(self, *, seconds: float) -> Solved:
        """Give the model to HiGHS with a limit of time."""
        arcs = np.arange(len(self.cost))
        one = np.ones(len(arcs))
        flow = csr_matrix(
            (
                np.concatenate([one, -one]),
                (np.concatenate([self.tail, self.head]), np.concatenate([arcs, arcs])),
            ),
            shape=(self.nodes, len(arcs)),
        )
        balance = np.zeros(self.nodes)
        balance[0], balance[-1] = 1.0, -1.0
        real = self.use >= 0
        once = csr_matrix(
            (one[real], (self.use[real], arcs[real])), shape=(self.pallets, len(arcs))
        )
        result = milp(
            self.cost,
            integrality=np.ones(len(arcs), dtype=np.int64),
            bounds=Bounds(0.0, 1.0),
            constraints=[
                LinearConstraint(flow, balance, balance),
                LinearConstraint(once, -np.inf, 1.0),
            ],
            options={"time_limit": seconds, "mip_rel_gap": 1e-9},
        )
        return Solved(
            loss_w=None if result.x is None else float(result.fun),
            optimal=result.status == 0,
            variables=len(arcs),
        )


def _parts(problem: ClassProblem, unit: int, begin: int) -> tuple[float, float, float, bool]:
    """Give own cost, sum of the head, sum of the tail, and whether it is the last pallet."""
    x = problem.x[problem.unit_offsets[unit] : problem.unit_offsets[unit + 1]]
    length, total = int(problem.string_modules[0]), int(problem.string_modules.sum())
    x = x[: total - begin]
    cost, at, head = float(np.sum(x**2)), 0, 0.0
    if begin % length:
        at = length - begin % length
        head = float(x[:at].sum())
        cost -= head**2 / length
    while len(x) - at >= length:
        cost -= float(x[at : at + length].sum()) ** 2 / length
        at += length
    tail = float(x[at:].sum())
    cost -= tail**2 / length
    return cost, head, tail, begin + len(x) >= total


def order_model(problem: ClassProblem) -> OrderModel:
    """Set up the model; strings of one length, not above the smallest pallet.

    A node is a pallet that begins at a module's place in the building. The loss of a string shared
    by two pallets is a product of both, so that an arc is a pallet, its place and the next pallet.
    """
    length = int(problem.string_modules[0])
    sizes = problem.unit_sizes
    units = len(sizes)
    arrival = arrival_sequence(problem).units
    reach = np.cumsum(sizes[arrival])
    waits = np.maximum.accumulate(problem.unit_day[arrival])

    def here(unit: int, begin: int) -> bool:
        slot = min(int(np.searchsorted(reach, begin, side="right")), len(arrival) - 1)
        latest = max(int(problem.string_day[begin // length]), int(waits[slot]))
        return int(problem.unit_day[unit]) <= latest

    number: dict[tuple[int, int], int] = {}
    cost: list[float] = []
    use: list[int] = []
    tail: list[int] = []
    head: list[int] = []

    def node(unit: int, begin: int) -> int:
        return number.setdefault((unit, begin), len(number) + 1)

    def arc(value: float, used: int, leaves: int, enters: int) -> None:
        cost.append(value)
        use.append(used)
        tail.append(leaves)
        head.append(enters)

    for unit in range(units):
        if here(unit, 0):
            arc(0.0, -1, 0, node(unit, 0))
    places, done = {0}, set[int]()
    while places - done:
        begin = min(places - done)
        done.add(begin)
        for unit in range(units):
            if (unit, begin) not in number:
                continue
            own, _, last_sum, ends = _parts(problem, unit, begin)
            if ends:
                arc(own, unit, number[unit, begin], -1)
                continue
            after = begin + int(sizes[unit])
            places.add(after)
            for following in range(units):
                if following != unit and here(following, after):
                    joined = _parts(problem, following, after)[1] * last_sum
                    arc(
                        own - 2.0 * joined / length,
                        unit,
                        number[unit, begin],
                        node(following, after),
                    )
    nodes = len(number) + 2
    heads = np.array(head, dtype=np.int64)
    return OrderModel(
        cost=np.array(cost),
        use=np.array(use, dtype=np.int64),
        tail=np.array(tail, dtype=np.int64),
        head=np.where(heads < 0, nodes - 1, heads),
        nodes=nodes,
        pallets=units,
    )
