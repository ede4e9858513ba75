"""Ways to fill the strings of one class, each with its loss, its handling and both in money."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from arraywright.allocation.assemble import Filling
from arraywright.allocation.money import HandlingCounts, handling_cost
from arraywright.allocation.park_problem import ClassTask, Places
from arraywright.allocation.park_types import Coefficients, Sequence
from arraywright.allocation.sequence_layout import loss_of_modules, modules_of_strings
from arraywright.arrays import FloatArray, IntArray

__all__ = [
    "WAY_WORDS",
    "Way",
    "WayKey",
    "count_handling",
    "in_time",
    "places_in",
    "places_of",
    "priced",
]

WayKey: TypeAlias = Literal["arrival", "whole", "together", "piles", "single"]
WAY_WORDS: Final[dict[WayKey, str]] = {
    "arrival": "order of arrival",
    "whole": "whole pallets in the best order",
    "together": "whole pallets kept together at drop points",
    "piles": "piles by current at the drop point",
    "single": "single modules sorted at the drop point",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way to fill the strings of a class.

    Attributes:
        key: which way.
        places: which module goes to which string.
        loss_w: second-order mismatch loss [W].
        counts: what is done to pallets and modules; trips and digs are the yard's.
        handling: what that costs, in money.
        mismatch: what the loss is worth over the life counted, in money.
    """

    key: WayKey
    places: Places
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
    own: ClassTask, places: Places, *, drop_xy: FloatArray, singly: bool = False
) -> HandlingCounts:
    """Count pallets opened and carried on, and modules sorted singly.

    Args:
        own: the class.
        places: which module goes to which string.
        drop_xy: middle of each drop point [m], nan where not known, (drop points, 2).
        singly: whether the modules of each drop point are sorted singly.
    """
    problem = own.problem
    section = problem.string_section[places.string]
    pair = np.unique(
        np.column_stack([_unit_of(own, places.module), section]), axis=0
    )  # by pallet, then by visit in building order
    same = pair[1:, 0] == pair[:-1, 0]
    drop = own.section_drop[pair[:, 1]]
    # a pallet that is still at the drop point when it is served again is not carried
    moved = same & (drop[1:] != drop[:-1])
    way = np.linalg.norm(drop_xy[drop[1:]] - drop_xy[drop[:-1]], axis=1)
    return HandlingCounts(
        opened=len(np.unique(pair[:, 0])),
        carries=int(moved.sum()),
        carried_m=float(np.nansum(np.where(moved, way, 0.0))),
        single_modules=len(places.module) if singly else 0,
    )


def priced(
    own: ClassTask,
    key: WayKey,
    places: Places,
    *,
    coefficients: Coefficients,
    counts: HandlingCounts,
) -> Way:
    """Give a way with its loss and its money."""
    loss = loss_of_modules(own.problem, string=places.string, module=places.module)
    return Way(
        key=key,
        places=places,
        loss_w=loss.total_w,
        counts=counts,
        handling=handling_cost(counts, coefficients).total,
        mismatch=loss.total_w * coefficients.value_per_w,
    )
