"""Ways to fill the strings of one class, each with its loss and its handling in money."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

import numpy as np

from arraywright.allocation.assemble import Filling
from arraywright.allocation.modes import WHOLE, Ways, choose_modes
from arraywright.allocation.money import HandlingCounts, handling_cost
from arraywright.allocation.park_problem import ClassTask, Places
from arraywright.allocation.park_types import ClassProblem, Coefficients, Sequence
from arraywright.allocation.sequence_layout import loss_of_modules, modules_of_strings
from arraywright.arrays import FloatArray, IntArray
from arraywright.plant import LaydownArea

__all__ = [
    "WAY_WORDS",
    "Way",
    "WayKey",
    "count_handling",
    "in_time",
    "least_trip_m",
    "places_in",
    "places_of",
    "way_of_modes",
    "way_of_places",
    "way_of_together",
    "ways_between",
]

WayKey: TypeAlias = Literal["arrival", "whole", "together", "piles", "single", "mixed", "kept"]
_PIECES_FEW: Final = 12
"""With fewer all orders of pallets might be tried, which pieces of pallets cannot be put in."""
WAY_WORDS: Final[dict[WayKey, str]] = {
    "arrival": "order of arrival",
    "whole": "whole pallets in the best order",
    "together": "whole pallets kept together",
    "piles": "piles at every drop point",
    "single": "single modules sorted at every drop point",
    "mixed": "at each drop point what pays",
    "kept": "as planned before, with the least change",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way to fill the strings of a class.

    Attributes:
        key: which way.
        places: which module goes to which string.
        section_way: how each section is filled, by the numbers of ``modes``, (sections,).
        pile: pile of its section each module lies on, -1 where none, (places,).
        loss_w: second-order mismatch loss [W].
        counts: what is done to pallets and modules, trips from the nearest laydown area included.
        handling: what that costs, in money.
        mismatch: what the loss is worth over the life counted, in money.
    """

    key: WayKey
    places: Places
    section_way: IntArray
    pile: IntArray
    loss_w: float
    counts: HandlingCounts
    handling: float
    mismatch: float

    @property
    def total(self) -> float:
        """Handling and mismatch together, in money."""
        return self.handling + self.mismatch


def places_of(own: ClassTask, sequence: Sequence) -> Places:
    """Give the places of pallets emptied one after the other."""
    string, module = modules_of_strings(own.problem, sequence)
    return Places(string=string, module=module)


def places_in(own: ClassTask, filling: Filling) -> Places:
    """Give the places that a filling of the site has in one class."""
    past = own.first_module + len(own.problem.x)
    chosen = (filling.module >= own.first_module) & (filling.module < past)
    string = np.searchsorted(own.strings, filling.string[chosen])
    module = filling.module[chosen] - own.first_module
    order = np.argsort(string, kind="stable")
    return Places(string=string[order].astype(np.int64), module=module[order])


def _unit_of(own: ClassTask, module: IntArray) -> IntArray:
    return np.searchsorted(own.problem.unit_offsets, module, side="right") - 1


def in_time(own: ClassTask, places: Places) -> bool:
    """Tell whether every module is here on the day its string is built."""
    unit = _unit_of(own, places.module)
    return bool(np.all(own.problem.unit_day[unit] <= own.problem.string_day[places.string]))


def count_handling(
    own: ClassTask,
    places: Places,
    *,
    drop_xy_m: FloatArray,
    ways: Ways,
    pallets_per_trip: int,
) -> HandlingCounts:
    """Count pallets opened, carried on and brought from the nearest area, whatever their order.

    Args:
        own: the class.
        places: which module goes to which string.
        drop_xy_m: middle of each drop point [m], nan where not known, (drop points, 2).
        ways: ways between drop points and from the yard.
        pallets_per_trip: pallets the lift brings in one trip.
    """
    section = own.problem.string_section[places.string]
    # by pallet, then by visit in building order
    pair = np.unique(np.column_stack([_unit_of(own, places.module), section]), axis=0)
    first = np.ones(len(pair), dtype=np.bool_)
    first[1:] = pair[1:, 0] != pair[:-1, 0]
    drop = own.section_drop[pair[:, 1]]
    # a pallet that is still at the drop point when it is served again is not carried
    moved = ~first[1:] & (drop[1:] != drop[:-1])
    way_m = np.linalg.norm(drop_xy_m[drop[1:]] - drop_xy_m[drop[:-1]], axis=1)
    brought = np.bincount(pair[first, 1], minlength=len(own.section_drop))
    trips = -(-brought // pallets_per_trip)
    return HandlingCounts(
        opened=int(first.sum()),
        carries=int(moved.sum()),
        carried_m=float(np.nansum(np.where(moved, way_m, 0.0))),
        trips=int(trips.sum()),
        trip_m=float(np.sum(trips * ways.yard_m)),
    )


def least_trip_m(own: ClassTask, *, ways: Ways, pallets_per_trip: int) -> float:
    """Give the way [m] that trips to the drop points of a class cannot go below.

    Pallets emptied in turn bring at most one opened pallet to a drop point from the one before;
    the others are brought, each with no more modules than the fullest pallet of the class.
    """
    problem = own.problem
    need = np.bincount(problem.string_section, weights=problem.string_modules)
    fullest = int(problem.unit_sizes.max(initial=1))
    brought = np.maximum(np.ceil(need / fullest).astype(np.int64) - 1, 0)
    return float(np.sum(-(-brought // pallets_per_trip) * ways.yard_m))


def way_of_places(
    own: ClassTask,
    key: WayKey,
    places: Places,
    *,
    coefficients: Coefficients,
    drop_xy_m: FloatArray,
    ways: Ways,
) -> Way:
    """Give whole pallets, in whatever order, with their loss and their money."""
    loss = loss_of_modules(own.problem, string=places.string, module=places.module)
    counts = count_handling(
        own,
        places,
        drop_xy_m=drop_xy_m,
        ways=ways,
        pallets_per_trip=coefficients.pallets_per_trip,
    )
    return Way(
        key=key,
        places=places,
        section_way=np.full(len(own.section_drop), WHOLE, dtype=np.int64),
        pile=np.full(len(places.module), -1, dtype=np.int64),
        loss_w=loss.total_w,
        counts=counts,
        handling=handling_cost(counts, coefficients).total,
        mismatch=loss.total_w * coefficients.value_per_w,
    )


def way_of_together(
    own: ClassTask,
    places: Places,
    *,
    coefficients: Coefficients,
    drop_xy_m: FloatArray,
    ways: Ways,
) -> Way:
    """Give pallets kept together at drop points, each section sorted where that pays.

    What a pallet gives at a visit of a drop point is one piece; pieces come as they are, and only
    within a section modules are sorted. With few pieces nothing is sorted.
    """
    whole = way_of_places(
        own, "together", places, coefficients=coefficients, drop_xy_m=drop_xy_m, ways=ways
    )
    problem = own.problem
    unit = _unit_of(own, places.module)
    section = problem.string_section[places.string]
    begins = np.ones(len(unit), dtype=np.bool_)
    begins[1:] = (unit[1:] != unit[:-1]) | (section[1:] != section[:-1])
    first = np.flatnonzero(begins)
    if len(first) <= _PIECES_FEW:
        return whole
    found = choose_modes(
        ClassProblem(
            x=problem.x[places.module],
            y=problem.y[places.module],
            unit_offsets=np.append(first, len(unit)).astype(np.int64),
            unit_day=problem.unit_day[unit[first]],
            string_modules=problem.string_modules,
            string_day=problem.string_day,
            string_input=problem.string_input,
            string_section=problem.string_section,
        ),
        coefficients,
        sequences=[Sequence(units=np.arange(len(first)))],
        ways=ways,
    )
    counts = replace(
        whole.counts,
        piled_modules=found.counts.piled_modules,
        single_modules=found.counts.single_modules,
    )
    return Way(
        key="together",
        places=Places(string=found.string, module=places.module[found.module]),
        section_way=found.way,
        pile=found.pile,
        loss_w=found.loss.total_w,
        counts=counts,
        handling=handling_cost(counts, coefficients).total,
        mismatch=found.mismatch_money,
    )


def ways_between(own: ClassTask, *, drop_xy_m: FloatArray, areas: tuple[LaydownArea, ...]) -> Ways:
    """Give the ways between drop points, and from the nearest laydown area, as the crow flies.

    A way that is not known is zero.
    """
    at = drop_xy_m[own.section_drop]
    between = np.linalg.norm(at[1:] - at[:-1], axis=1)
    yard_m = np.zeros(len(at))
    if areas:
        to_areas = [np.hypot(at[:, 0] - area.x_m, at[:, 1] - area.y_m) for area in areas]
        yard_m = np.min(to_areas, axis=0)
    return Ways(next_m=np.append(np.nan_to_num(between), 0.0), yard_m=np.nan_to_num(yard_m))


def way_of_modes(
    own: ClassTask,
    key: WayKey,
    *,
    sequences: list[Sequence],
    coefficients: Coefficients,
    ways: Ways,
    allowed: tuple[int, ...] | None = None,
) -> Way:
    """Give the sections filled whole, from piles or singly, with loss and money.

    With ``allowed`` every section is sorted in one of these ways wherever its pallets are here in
    time; without it each section is filled in the way that costs least.
    """
    found = choose_modes(
        own.problem,
        coefficients,
        sequences=sequences,
        allowed=allowed,
        ways=ways,
        forced=allowed is not None,
    )
    return Way(
        key=key,
        places=Places(string=found.string, module=found.module),
        section_way=found.way,
        pile=found.pile,
        loss_w=found.loss.total_w,
        counts=found.counts,
        handling=found.handling.total,
        mismatch=found.mismatch_money,
    )
