"""The plan of a whole park: classes, orders of pallets, handling, yard, and what it is worth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias, get_args

import numpy as np
import polars as pl

from arraywright.allocation.assemble import Filling, fill_kept_together
from arraywright.allocation.build_dates import (
    BuildDays,
    StockDays,
    build_days,
    day_of,
    unit_days,
)
from arraywright.allocation.classes_in_time import classes_in_time
from arraywright.allocation.money import HandlingCounts, handling_cost
from arraywright.allocation.park_problem import ClassTask, Places, class_tasks, fill_places
from arraywright.allocation.park_types import Coefficients
from arraywright.allocation.park_ways import (
    Way,
    WayKey,
    count_handling,
    in_time,
    places_in,
    places_of,
    priced,
)
from arraywright.allocation.plan import (
    Mode,
    Plan,
    Task,
    best_classes,
    finish_plan,
    plan_task,
    prepare_task,
)
from arraywright.allocation.sequence_bound import sequence_bound
from arraywright.allocation.sequence_layout import arrival_sequence
from arraywright.allocation.sequence_search import search_sequence
from arraywright.allocation.yard import YardPlan, drop_point_places, plan_yard
from arraywright.arrays import FloatArray
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site

__all__ = ["ClassResult", "ParkMode", "ParkPlan", "Priced", "plan_park"]

ParkMode: TypeAlias = Literal["auto", "whole", "arrival"]
_SWEEPS: Final = 60
_NONE: Final = np.zeros(0, dtype=np.int64)
Tell: TypeAlias = Callable[[str, float], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassResult:
    """What became of one class.

    Attributes:
        own: the class and its problem.
        ways: every way that was worked out.
        chosen: the way taken.
        bound_w: mismatch that whole pallets in stack order cannot go below [W].
    """

    own: ClassTask
    ways: tuple[Way, ...]
    chosen: Way
    bound_w: float

    @property
    def arrival(self) -> Way:
        """The order of arrival."""
        return next(way for way in self.ways if way.key == "arrival")


@dataclass(frozen=True, slots=True, kw_only=True)
class Priced:
    """A plan with its money, mismatch by the exact curves.

    Attributes:
        plan: the plan.
        counts: what is done to pallets and modules, trips and digs included.
        handling: what that costs, in money.
        mismatch: what the exact mismatch is worth over the life counted, in money.
        yard: where its pallets stand.
    """

    plan: Plan
    counts: HandlingCounts
    handling: float
    mismatch: float
    yard: YardPlan

    @property
    def total(self) -> float:
        """Handling and mismatch together, in money."""
        return self.handling + self.mismatch


@dataclass(frozen=True, slots=True, kw_only=True)
class ParkPlan:
    """The plan of a park, and what it is held against.

    Attributes:
        chosen: the plan.
        arrival: order of arrival with the plan's classes.
        crew: what a crew does without a plan: classes as they come.
        classes: what became of each class.
        build: frame of ``string``, ``day``, ``planned_day`` and ``waits``, open strings that get
            modules in building order; ``day`` is when modules and crews are there.
        days: days of the open strings as described.
        coefficients: what it is priced with.
        findings: of the plan, of dates and of the yard.
    """

    chosen: Priced
    arrival: Priced
    crew: Plan
    classes: tuple[ClassResult, ...]
    build: pl.DataFrame
    days: BuildDays
    coefficients: Coefficients
    findings: tuple[Finding, ...]

    @property
    def bound_w(self) -> float:
        """Mismatch that whole pallets in stack order cannot go below, second order [W]."""
        return sum(held.bound_w for held in self.classes)

    @property
    def avoidable_w(self) -> float:
        """What order of arrival loses above the bound, second order [W]."""
        return sum(held.arrival.loss_w for held in self.classes) - self.bound_w

    @property
    def gap_ratio(self) -> float:
        """How far the plan is above the bound, over the avoidable loss [1]; negative below it."""
        above_w = sum(held.chosen.loss_w for held in self.classes) - self.bound_w
        return above_w / self.avoidable_w if self.avoidable_w > 0.0 else 0.0


def _drop_xy(task: Task) -> FloatArray:
    """Give the middle of each drop point [m], nan where not known, (drop points, 2)."""
    names = pl.DataFrame({"drop_point": list(task.demand.drop_points)})
    found = names.join(
        drop_point_places(task.site), on="drop_point", how="left", maintain_order="left"
    )
    return np.column_stack(
        [found[axis].fill_null(float("nan")).to_numpy() for axis in ("x_m", "y_m")]
    ).astype(np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Setting:
    """What all classes are worked out with."""

    mode: ParkMode
    coefficients: Coefficients
    drop_xy: FloatArray
    seed: int
    tell: Tell | None


def _class_result(own: ClassTask, *, together: Filling, setting: _Setting) -> ClassResult:
    """Work out the ways of one class and take the cheapest that the mode allows."""

    def way(key: WayKey, places: Places) -> Way:
        counts = count_handling(own, places, drop_xy=setting.drop_xy)
        return priced(own, key, places, coefficients=setting.coefficients, counts=counts)

    ways = [way("arrival", places_of(own, arrival_sequence(own.problem)))]
    if setting.mode != "arrival":
        found = search_sequence(own.problem, sweeps=_SWEEPS, seed=setting.seed, tell=setting.tell)
        ways.append(way("whole", places_of(own, found.sequence)))
    kept = places_in(own, together)
    if setting.mode == "auto" and in_time(own, kept):
        ways.append(way("together", kept))
    return ClassResult(
        own=own,
        ways=tuple(ways),
        chosen=min(ways, key=lambda held: held.total),
        bound_w=sequence_bound(own.problem).bound_w,
    )


def _build_frame(task: Task, tasks: list[ClassTask], days: BuildDays) -> pl.DataFrame:
    """Give the day of each string that gets modules, in building order."""
    strings = np.concatenate([own.strings for own in tasks]) if tasks else _NONE
    day = np.concatenate([own.problem.string_day for own in tasks]) if tasks else _NONE
    waits = np.concatenate([own.waiting for own in tasks]) if tasks else _NONE
    order = np.argsort(strings, kind="stable")
    strings, day = strings[order], day[order]
    return pl.DataFrame(
        {
            "string": task.demand.strings["string"].gather(strings),
            "day": [day_of(one) for one in day.tolist()],
            "planned_day": [day_of(one) for one in days.day[strings].tolist()],
            "waits": np.isin(strings, waits),
        },
        schema_overrides={"day": pl.Date, "planned_day": pl.Date},
    )


def _uses(task: Task, plan: Plan, build: pl.DataFrame, stock_days: StockDays) -> pl.DataFrame:
    """Give when each pallet comes, where and in which order it is first opened."""
    order = task.site.strings.select("string", "drop_point", "build_order")
    first = (
        plan.assignments.join(order, on="string", how="left", maintain_order="left")
        .join(build.select("string", "day"), on="string", how="left", maintain_order="left")
        .sort("day", "build_order", "place_in_string", maintain_order=True)
        .group_by("pallet", maintain_order=True)
        .agg(pl.col("day").first().alias("leaves"), pl.col("drop_point").first())
        .with_row_index("rank")
    )
    return (
        task.supply.modules.group_by("pallet", maintain_order=True)
        .agg(pl.col("module_type").first(), pl.len().cast(pl.Int64).alias("modules"))
        .join(stock_days.pallets, on="pallet", how="left", maintain_order="left")
        .join(first, on="pallet", how="left", maintain_order="left")
        .with_columns(arrives=pl.col("day").fill_null(stock_days.planning_day))
    )


def _priced(
    task: Task,
    plan: Plan,
    counts: HandlingCounts,
    *,
    build: pl.DataFrame,
    stock_days: StockDays,
    dated: bool,
    coefficients: Coefficients,
) -> Priced:
    """Give a plan with its yard and its money."""
    yard = plan_yard(
        task.site,
        uses=_uses(task, plan, build, stock_days),
        dated=dated,
        pallets_per_trip=coefficients.pallets_per_trip,
    )
    whole = counts + HandlingCounts(trips=yard.trips, trip_m=yard.trip_m, digs=yard.digs)
    return Priced(
        plan=plan,
        counts=whole,
        handling=handling_cost(whole, coefficients).total,
        mismatch=plan.loss_w * coefficients.value_per_w,
        yard=yard,
    )


def _waiting(build: pl.DataFrame) -> tuple[Finding, ...]:
    waiting = build.filter("waits")
    if waiting.is_empty():
        return ()
    first = waiting.row(0, named=True)
    return (
        Finding(
            check="allocation-waits",
            subject_kind="site",
            subject="strings",
            verdict=Verdict.REVIEW,
            message=(
                f"{waiting.height} strings wait for modules that come after the day they are to be "
                f"built; the first is {first['string']}: {first['planned_day']} is described, its "
                f"modules are here on {first['day']}."
            ),
            remedy="Build other strings first (change build_order), or ask for earlier delivery.",
            value=float(waiting.height),
            unit="strings",
            basis="common-practice",
        ),
    )


def _late(days: BuildDays, planning_day: object) -> tuple[Finding, ...]:
    if not days.late:
        return ()
    return (
        Finding(
            check="allocation-late",
            subject_kind="site",
            subject="strings",
            verdict=Verdict.REVIEW,
            message=f"{days.late} strings should have been built before {planning_day} and no "
            "as-built list names them; they are planned for that day.",
            remedy="Hand in the as-built lists, or correct the dates in the table of strings.",
            value=float(days.late),
            unit="strings",
            basis="common-practice",
        ),
    )


def plan_park(
    site: Site,
    *,
    stock: pl.DataFrame,
    days: StockDays,
    frozen: pl.DataFrame | None = None,
    coefficients: Coefficients | None = None,
    mode: ParkMode = "auto",
    seed: int = 0,
    tell: Tell | None = None,
) -> ParkPlan:
    """Plan a park: classes of inputs, order of pallets, handling and yard, all in money.

    Classes of inputs are chosen as in ``allocate`` and exchanged among inputs that are alike where
    strings would wait for modules that have not come. Within each class the way that costs least is
    taken, handling and second-order mismatch together; the figures of the plan are by the exact
    curves. The same input gives the same plan.

    Args:
        site: the site.
        stock: as ``allocate``; announced pallets may be in it.
        days: planning day, and from which day pallets may be used.
        frozen: as ``allocate``.
        coefficients: what a watt is worth and handling costs; the site's when None.
        mode: ``auto``, or the one way every class is to take.
        seed: of the search.
        tell: told what is done and how far it is, between 0 and 1.

    Raises:
        CallError: a frame lacks a required column, or the mode is unknown.

    Source: common-practice (one power and one current class per string, inputs alike)
    """
    if mode not in get_args(ParkMode):
        raise CallError(
            "mode-unknown",
            f"Found mode {mode!r}; known are {', '.join(get_args(ParkMode))}.",
            "Give one of them.",
        )
    coefficients = coefficients or site.allocation
    task = prepare_task(site, stock=stock, frozen=frozen)
    build = build_days(site, task.demand, planning_day=days.planning_day)
    unit_day, _ = unit_days(task.supply, days)
    best, _ = best_classes(task)
    classes = classes_in_time(
        task.supply, task.demand, best, string_day=build.day, unit_day=unit_day
    )
    tasks = class_tasks(task, classes, string_day=build.day, unit_day=unit_day)
    together = fill_kept_together(task.supply, task.demand, classes)
    setting = _Setting(
        mode=mode,
        coefficients=coefficients,
        drop_xy=_drop_xy(task),
        seed=seed,
        tell=tell,
    )
    results = tuple(_class_result(own, together=together, setting=setting) for own in tasks)
    frame = _build_frame(task, tasks, build)

    def joined(kind: Mode, ways: list[Way]) -> Priced:
        filling = fill_places(task, classes, tasks=tasks, places=[way.places for way in ways])
        return _priced(
            task,
            finish_plan(task, kind, classes=classes, filling=filling),
            sum((way.counts for way in ways), HandlingCounts()),
            build=frame,
            stock_days=days,
            dated=build.described,
            coefficients=coefficients,
        )

    chosen = joined("plan", [held.chosen for held in results])
    return ParkPlan(
        chosen=chosen,
        arrival=joined("arrival", [held.arrival for held in results]),
        crew=plan_task(task, "arrival"),
        classes=results,
        build=frame,
        days=build,
        coefficients=coefficients,
        findings=(
            *chosen.plan.findings,
            *chosen.plan.shortages,
            *_late(build, days.planning_day),
            *_waiting(frame),
            *chosen.yard.findings,
        ),
    )
