"""Each class of a park worked out: its ways, the one taken, and what no order can go below."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from threading import Event
from typing import TypeAlias

import numpy as np

from arraywright.allocation.assemble import Filling
from arraywright.allocation.kept import Carried
from arraywright.allocation.mode_bound import mode_bound
from arraywright.allocation.modes import SINGLE
from arraywright.allocation.park_problem import ClassTask, Places
from arraywright.allocation.park_result import ClassResult, ParkMode
from arraywright.allocation.park_types import Coefficients
from arraywright.allocation.park_ways import (
    Way,
    WayKey,
    in_time,
    least_trip_m,
    places_in,
    places_of,
    way_of_modes,
    way_of_places,
    way_of_together,
    ways_between,
)
from arraywright.allocation.rolling import start_ahead
from arraywright.allocation.sequence_bound import sequence_bound
from arraywright.allocation.sequence_layout import arrival_sequence
from arraywright.allocation.sequence_search import search_sequence
from arraywright.arrays import FloatArray, IntArray
from arraywright.plant import LaydownArea

__all__ = ["Ahead", "Setting", "class_results"]

Tell: TypeAlias = Callable[[str, float], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """What of the stock is only expected."""

    expected_units: IntArray
    until_day: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What all classes are worked out with."""

    mode: ParkMode
    coefficients: Coefficients
    drop_xy_m: FloatArray
    areas: tuple[LaydownArea, ...]
    ahead: Ahead | None
    seed: int
    tell: Tell | None


def _class_result(
    own: ClassTask, *, together: Filling, setting: Setting, carried: Carried | None
) -> ClassResult:
    """Work out the ways of one class and take the cheapest that the mode allows.

    With a plan carried over, what a way changes for the crews is weighed too.
    """
    money, drop_xy_m = setting.coefficients, setting.drop_xy_m
    between = ways_between(own, drop_xy_m=drop_xy_m, areas=setting.areas)

    def whole(key: WayKey, places: Places) -> Way:
        return way_of_places(
            own, key, places, coefficients=money, drop_xy_m=drop_xy_m, ways=between
        )

    def sorted_out(key: WayKey, allowed: tuple[int, ...] | None) -> Way:
        return way_of_modes(
            own,
            key,
            sequences=[planned],
            coefficients=money,
            ways=between,
            allowed=allowed,
        )

    planned = arrival_sequence(own.problem)
    ways = [whole("arrival", places_of(own, planned))]
    if setting.mode != "arrival":
        start, fixed = None, 0
        if setting.ahead is not None:
            start, fixed = start_ahead(
                own.problem,
                seen=~np.isin(own.units, setting.ahead.expected_units),
                until_day=setting.ahead.until_day,
                seed=setting.seed,
            )
        planned = search_sequence(
            own.problem,
            seed=setting.seed,
            start=start,
            frozen=fixed,
            tell=setting.tell,
        ).sequence
        ways.append(whole("whole", places_of(own, planned)))
    if setting.mode == "auto":
        ways.append(sorted_out("mixed", None))
        kept = places_in(own, together)
        if in_time(own, kept):
            ways.append(
                way_of_together(own, kept, coefficients=money, drop_xy_m=drop_xy_m, ways=between)
            )
    elif setting.mode == "piles":
        ways.append(sorted_out("piles", tuple(range(2, money.piles_most + 1))))
    elif setting.mode == "single":
        ways.append(sorted_out("single", (SINGLE,)))
    if carried is not None:
        ways.append(carried.way(own, coefficients=money, drop_xy_m=drop_xy_m, ways=between))
    chosen = min(
        (way for way in ways if setting.mode in ("auto", way.key) or way.key == "kept"),
        key=lambda held: (
            held.total + (0.0 if carried is None else carried.change_money(own, held.places))
        ),
    )
    bound_w = sequence_bound(own.problem, tell=setting.tell).bound_w
    return ClassResult(
        own=own,
        ways=tuple(ways),
        chosen=chosen,
        planned=planned,
        bound_w=bound_w,
        bound=mode_bound(own.problem, money, order_bound_w=bound_w).money
        + money.trip_cost_per_m
        * least_trip_m(own, ways=between, pallets_per_trip=money.pallets_per_trip),
    )


class _StoppedError(Exception):
    """Another class failed, or the person stopped the plan."""


def class_results(
    tasks: Sequence[ClassTask], *, together: Filling, setting: Setting, carried: Carried | None
) -> tuple[ClassResult, ...]:
    """Work out all classes, the largest first and as many at a time as there are processors.

    What is found of a class does not depend on the others. When one fails or the person stops
    the plan, the others end at their next report of progress.
    """
    stopped = Event()

    def tell(what: str, share: float) -> None:
        if stopped.is_set():
            raise _StoppedError
        if setting.tell is not None:
            setting.tell(what, share)

    heard = replace(setting, tell=tell)
    largest_first = sorted(range(len(tasks)), key=lambda number: -len(tasks[number].units))
    workers = max(1, min(len(tasks), os.cpu_count() or 1))
    with ThreadPoolExecutor(max_workers=workers) as pool:
        try:
            running = {
                number: pool.submit(
                    _class_result, tasks[number], together=together, setting=heard, carried=carried
                )
                for number in largest_first
            }
            return tuple(running[number].result() for number in range(len(tasks)))
        except BaseException:
            stopped.set()
            pool.shutdown(wait=False, cancel_futures=True)
            raise
