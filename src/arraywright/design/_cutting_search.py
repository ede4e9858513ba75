"""Search for a cutting plan and proof of how far it is from the best possible one."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import csr_array, hstack

from arraywright.arrays import FloatArray, IntArray
from arraywright.design._cutting_kernels import best_values, read_back

__all__: list[str] = []

UNLIMITED: Final = -1
_ITERATIONS: Final = 150
_MIP_ROWS: Final = 400
_MIP_NODES: Final = 400
_ARCS: Final = 6_000
_CHOICE: Final = 120
_EPS: Final = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """Pieces of integer sizes to be cut from kinds of drums of integer capacity.

    Attributes:
        sizes: distinct sizes, falling, (pieces,).
        demand: how many of each, (pieces,).
        capacity: capacity of each kind, (kinds,).
        cost: cost of a drum of each kind, (kinds,).
        supply: drums of each kind, ``UNLIMITED`` without end, (kinds,).
    """

    sizes: IntArray
    demand: IntArray
    capacity: IntArray
    cost: FloatArray
    supply: IntArray

    def cost_grid(self) -> float:
        """Give the step in which a total cost can grow, 0 when unknown."""
        whole = np.round(self.cost).astype(np.int64)
        if np.all(np.abs(self.cost - whole) < 1e-9) and whole.min() > 0:
            return float(np.gcd.reduce(whole))
        return float(self.cost[0]) if len(self.cost) == 1 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """What is cut from one drum: its kind and the count of each piece."""

    kind: int
    counts: IntArray


@dataclass(slots=True, kw_only=True)
class Found:
    """Best plan so far, with how often each pattern is used, and the proven bound."""

    patterns: list[Pattern] = field(default_factory=list)
    times: list[int] = field(default_factory=list)
    missing: int = -1
    cost: float = math.inf
    bound: float = 0.0

    def offer(self, problem: Problem, patterns: list[Pattern], times: list[int]) -> None:
        """Take a plan when it leaves less uncut, or costs less."""
        left = problem.demand.copy()
        cost = 0.0
        for pattern, number in zip(patterns, times, strict=True):
            left -= number * pattern.counts
            cost += number * float(problem.cost[pattern.kind])
        missing = int(np.maximum(left, 0) @ problem.sizes)
        if self.missing < 0 or (missing, cost) < (self.missing, self.cost - _EPS):
            self.patterns, self.times = list(patterns), list(times)
            self.missing, self.cost = missing, cost

    def raise_bound(self, problem: Problem, bound: float) -> None:
        """Take a better bound, rounded up to what a cost can be."""
        grid = problem.cost_grid()
        if grid > 0.0:
            bound = math.ceil(bound / grid - 1e-6) * grid
        self.bound = max(self.bound, bound)

    def gap(self) -> float:
        """Give the proven gap over the bound; infinite while something is uncut."""
        if self.missing != 0 or self.bound <= 0.0:
            return math.inf if self.missing != 0 else 0.0
        return max(0.0, self.cost / self.bound - 1.0)


def search(problem: Problem, *, target_gap: float) -> Found:
    """Find a plan; stops as soon as its proven gap is within the target."""
    found = Found()
    top = int(problem.capacity.max())
    density = float(np.min(problem.cost / problem.capacity))
    _bound(problem, density * problem.sizes.astype(np.float64), found)
    for power in (1.0, 1.15):
        dive(problem, (problem.sizes / top) ** power, found)
        if found.gap() <= target_gap + _EPS:
            return found
    columns = _generate(problem, found, target_gap=target_gap)
    if found.gap() > target_gap + _EPS and len(problem.sizes) <= _MIP_ROWS:
        _restricted(problem, columns, found)
    if found.gap() > target_gap + _EPS:
        _exact(problem, found)
    return found


def dive(problem: Problem, worth: FloatArray, found: Found) -> list[Pattern]:
    """Fill drum after drum with what is worth most for its cost, and offer the plan."""
    left, supply = problem.demand.copy(), problem.supply.copy()
    patterns: list[Pattern] = []
    times: list[int] = []
    while left.any():
        kinds = np.flatnonzero(supply != 0)
        if not len(kinds):
            break
        total = int(left @ problem.sizes)
        fits = kinds[problem.capacity[kinds] >= total]
        if len(fits):
            kind = int(fits[np.argmin(problem.cost[fits])])
            counts = left.copy()
        else:
            live = _spread(np.flatnonzero(left))
            sizes = problem.sizes[live]
            value, taken = best_values(
                sizes, left[live], worth[live], int(problem.capacity[kinds].max())
            )
            rate = value[problem.capacity[kinds]] / problem.cost[kinds]
            kind = int(kinds[np.argmax(rate)])
            counts = np.zeros_like(left)
            counts[live] = read_back(sizes, taken, int(problem.capacity[kind]))
            if not counts.any():
                break
        held = counts > 0
        often = int(np.min(left[held] // counts[held]))
        if supply[kind] != UNLIMITED:
            often = min(often, int(supply[kind]))
            supply[kind] -= often
        left -= often * counts
        patterns.append(Pattern(kind=kind, counts=counts))
        times.append(often)
    found.offer(problem, patterns, times)
    return patterns


def _spread(live: IntArray) -> IntArray:
    """At most so many of the pieces left, evenly over their sizes, the largest always."""
    if len(live) <= _CHOICE:
        return live
    return live[np.unique(np.linspace(0, len(live) - 1, _CHOICE).astype(np.int64))]


def _bound(problem: Problem, dual: FloatArray, found: Found) -> FloatArray:
    """Raise the bound by Lagrange's relaxation of the demand and give each kind's best value.

    With prices p on the pieces and z_k the best value of a drum of kind k, every plan costs at
    least t p.d - sum over limited kinds of u_k max(0, t z_k - c_k), for any t for which
    t z_k <= c_k for every kind without limit (Farley).
    """
    value, _ = best_values(problem.sizes, problem.demand, dual, int(problem.capacity.max()))
    best = value[problem.capacity]
    limited = problem.supply != UNLIMITED
    with np.errstate(divide="ignore"):
        scales = np.where(best > 0.0, problem.cost / np.maximum(best, 1e-300), np.inf)
    ceiling = float(np.min(scales[~limited], initial=np.inf))
    trials = [float(s) for s in scales if s <= ceiling and np.isfinite(s)] + [min(1.0, ceiling)]
    worth = float(dual @ problem.demand)
    for scale in trials:
        over = np.maximum(scale * best - problem.cost, 0.0)[limited]
        found.raise_bound(problem, scale * worth - float(over @ problem.supply[limited]))
    return best


def _generate(problem: Problem, found: Found, *, target_gap: float) -> list[Pattern]:
    """Generate patterns until no other would help, or the gap is within the target."""
    columns: list[Pattern] = list(found.patterns)
    known = {(one.kind, one.counts.tobytes()) for one in columns}
    dual = problem.sizes.astype(np.float64)
    for _ in range(_ITERATIONS):
        dual = _prices(problem, columns)
        best = _bound(problem, dual, found)
        new = _priced(problem, dual, best)
        dived = dive(problem, dual + 1e-6 * problem.sizes / problem.sizes.max(), found)
        if found.gap() <= target_gap + _EPS or not new:
            break
        for one in new + dived:
            key = (one.kind, one.counts.tobytes())
            if key not in known:
                known.add(key)
                columns.append(one)
    return columns


def _matrix(problem: Problem, columns: list[Pattern]) -> csr_array:
    """Pieces cut by each pattern, and minus one for a drum of a limited kind, sparse."""
    limited = {int(k): at for at, k in enumerate(np.flatnonzero(problem.supply != UNLIMITED))}
    rows, cols, held = [], [], []
    for place, one in enumerate(columns):
        pieces = np.flatnonzero(one.counts)
        rows += [*pieces.tolist()]
        held += one.counts[pieces].tolist()
        cols += [place] * len(pieces)
        if one.kind in limited:
            rows.append(len(problem.sizes) + limited[one.kind])
            held.append(-1)
            cols.append(place)
    shape = (len(problem.sizes) + len(limited), len(columns))
    return csr_array((np.array(held, dtype=np.float64), (rows, cols)), shape=shape)


def _right_side(problem: Problem) -> FloatArray:
    limited = problem.supply != UNLIMITED
    return np.concatenate([problem.demand, -problem.supply[limited]]).astype(np.float64)


def _prices(problem: Problem, columns: list[Pattern]) -> FloatArray:
    """Prices of the pieces from the linear programme over the patterns known."""
    pieces = len(problem.sizes)
    cost = problem.cost[[one.kind for one in columns]]
    dear = 10.0 * float(problem.cost.max())
    rows = len(_right_side(problem))
    uncut = csr_array(
        (np.ones(pieces), (np.arange(pieces), np.arange(pieces))), shape=(rows, pieces)
    )
    matrix = hstack([_matrix(problem, columns), uncut], format="csr")
    solved = linprog(
        np.concatenate([cost, np.full(pieces, dear)]),
        A_ub=-matrix,
        b_ub=-_right_side(problem),
        bounds=(0.0, None),
        method="highs-ds",
    )
    return np.maximum(-solved.ineqlin.marginals[:pieces], 0.0)


def _priced(problem: Problem, dual: FloatArray, best: FloatArray) -> list[Pattern]:
    """Patterns that pay at these prices, one for each kind."""
    value, taken = best_values(problem.sizes, problem.demand, dual, int(problem.capacity.max()))
    out = []
    for kind, capacity in enumerate(problem.capacity):
        if best[kind] > problem.cost[kind] * (1.0 + 1e-9) and value[capacity] > 0.0:
            out.append(Pattern(kind=kind, counts=read_back(problem.sizes, taken, int(capacity))))
    return out


def _restricted(problem: Problem, columns: list[Pattern], found: Found) -> None:
    """Best whole-numbered use of the patterns known; a limit of nodes keeps it repeatable."""
    cost = problem.cost[[one.kind for one in columns]]
    solved = milp(
        cost,
        constraints=LinearConstraint(_matrix(problem, columns), _right_side(problem), np.inf),
        integrality=np.ones(len(cost), dtype=np.int64),
        bounds=Bounds(0.0, np.inf),
        options={"node_limit": _MIP_NODES},
    )
    if solved.x is not None:
        times = np.round(solved.x).astype(np.int64)
        used = np.flatnonzero(times)
        found.offer(problem, [columns[i] for i in used], [int(times[i]) for i in used])


def _exact(problem: Problem, found: Found) -> None:
    """Solve a small problem as a flow along the drums' lengths, which leaves no gap.

    Nodes are lengths already cut, arcs are pieces and, at no cost, unused lengths; a unit of flow
    is a drum (Valerio de Carvalho).
    """
    top = int(problem.capacity.max())
    starts = np.zeros(top + 1, dtype=bool)
    starts[0] = True
    arcs: list[tuple[int, int, int]] = []
    for piece, size in enumerate(problem.sizes):
        reached = starts.copy()
        for _ in range(min(int(problem.demand[piece]), top // int(size))):
            begun = np.flatnonzero(reached[: top - size + 1])
            arcs.extend((int(node), int(node + size), piece) for node in begun)
            reached[size:] |= reached[: top - size + 1].copy()
            if len(arcs) > 40 * _ARCS:
                return
        starts |= reached
    arcs = sorted(set(arcs))
    nodes = np.flatnonzero(starts)
    if len(arcs) + len(nodes) > _ARCS:
        return
    _solve_flow(problem, arcs, nodes, found)


def _solve_flow(
    problem: Problem, arcs: list[tuple[int, int, int]], nodes: IntArray, found: Found
) -> None:
    number = {int(node): place for place, node in enumerate(nodes)}
    pieces, kinds, count = len(problem.sizes), len(problem.capacity), len(arcs)
    # A drum of a kind starts at 0 and ends at the last node its capacity reaches; unused lengths
    # join each node to the next.
    ends = [int(nodes[nodes <= capacity].max()) for capacity in problem.capacity]
    hops = len(nodes) - 1
    width = count + hops + kinds
    flow = np.zeros((len(nodes), width))
    covered = np.zeros((pieces, width))
    for place, (start, end, piece) in enumerate(arcs):
        flow[number[start], place] -= 1.0
        flow[number[end], place] += 1.0
        covered[piece, place] = 1.0
    for hop in range(hops):
        flow[hop, count + hop] -= 1.0
        flow[hop + 1, count + hop] += 1.0
    for kind in range(kinds):
        flow[0, count + hops + kind] += 1.0
        flow[number[ends[kind]], count + hops + kind] -= 1.0
    cost = np.zeros(width)
    cost[count + hops :] = problem.cost
    upper = np.full(width, np.inf)
    limited = problem.supply != UNLIMITED
    upper[count + hops :][limited] = problem.supply[limited]
    solved = milp(
        cost,
        constraints=[
            LinearConstraint(csr_array(flow), 0.0, 0.0),
            LinearConstraint(csr_array(covered), problem.demand, problem.demand),
        ],
        integrality=np.ones(width, dtype=np.int64),
        bounds=Bounds(0.0, upper),
        options={"node_limit": 50 * _MIP_NODES, "mip_rel_gap": 0.0},
    )
    if solved.x is None:
        return
    left = np.round(solved.x).astype(np.int64)
    patterns = _follow(problem, arcs, number, left, ends)
    found.offer(problem, patterns, [1] * len(patterns))
    if solved.mip_dual_bound is not None:
        found.raise_bound(problem, float(solved.mip_dual_bound))


def _follow(
    problem: Problem,
    arcs: list[tuple[int, int, int]],
    number: dict[int, int],
    left: IntArray,
    ends: list[int],
) -> list[Pattern]:
    """Read drums off the flow, the shortest kinds first, each along a path that ends in time."""
    count, hops = len(arcs), len(number) - 1
    leaving: dict[int, list[tuple[int, int, int]]] = {}
    for place, (start, end, piece) in enumerate(arcs):
        leaving.setdefault(number[start], []).append((place, number[end], piece))
    for hop in range(hops):
        leaving.setdefault(hop, []).append((count + hop, hop + 1, -1))
    back = left[count + hops :]
    patterns = []
    for kind in np.argsort(ends, kind="stable"):
        goal = number[ends[int(kind)]]
        for _ in range(int(back[kind])):
            path = _path(leaving, left, goal)
            counts = np.zeros(len(problem.sizes), dtype=np.int64)
            for place, piece in path:
                left[place] -= 1
                if piece >= 0:
                    counts[piece] += 1
            patterns.append(Pattern(kind=int(kind), counts=counts))
    return patterns


def _path(
    leaving: dict[int, list[tuple[int, int, int]]], left: IntArray, goal: int
) -> list[tuple[int, int]]:
    """A path of arcs with flow left from node 0 to the goal; nodes only grow."""
    came: dict[int, tuple[int, int, int]] = {}
    waiting = [0]
    while waiting:
        node = waiting.pop()
        if node == goal:
            break
        for place, end, piece in leaving.get(node, []):
            if end <= goal and left[place] > 0 and end not in came:
                came[end] = (node, place, piece)
                waiting.append(end)
    path = []
    node = goal
    while node != 0:
        before, place, piece = came[node]
        path.append((place, piece))
        node = before
    return path
