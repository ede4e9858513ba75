"""The plan of a whole park: classes, orders of pallets, handling, yard, and what it is worth."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from datetime import date
from typing import Final, TypeAlias, get_args

import numpy as np
import polars as pl

from arraywright.allocation.assemble import fill_kept_together
from arraywright.allocation.build_dates import (
    BuildDays,
    StockDays,
    build_days,
    day_of,
    unit_days,
)
from arraywright.allocation.classes_in_time import classes_in_time
from arraywright.allocation.kept import Carried, PlanBefore
from arraywright.allocation.money import HandlingCounts, handling_cost
from arraywright.allocation.park_classes import Ahead, Setting, class_results
from arraywright.allocation.park_problem import ClassTask, class_tasks, fill_places
from arraywright.allocation.park_result import ClassResult, ParkMode, ParkPlan, Priced
from arraywright.allocation.park_types import Coefficients
from arraywright.allocation.park_ways import (
    Way,
    ways_between,
)
from arraywright.allocation.park_words import park_sentences
from arraywright.allocation.plan import (
    Mode,
    Plan,
    Task,
    best_classes,
    finish_plan,
    plan_task,
    prepare_task,
)
from arraywright.allocation.sequence_layout import arrival_sequence
from arraywright.allocation.trade_off import Gain, TradeOff, plan_gain, trade_off
from arraywright.allocation.waived_filling import with_waived_days
from arraywright.allocation.yard import drop_point_places, plan_yard
from arraywright.arrays import FloatArray, IntArray
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site

__all__ = ["plan_park"]

_NONE: Final = np.zeros(0, dtype=np.int64)
Tell: TypeAlias = Callable[[str, float], None]


def _drop_xy(task: Task) -> FloatArray:
    """Give the middle of each drop point [m], nan where not known, (drop points, 2)."""
    names = pl.DataFrame(
        {"drop_point": list(task.demand.drop_points)}, schema={"drop_point": pl.String}
    )
    found = names.join(
        drop_point_places(task.site), on="drop_point", how="left", maintain_order="left"
    )
    return np.column_stack(
        [found[axis].fill_null(float("nan")).to_numpy() for axis in ("x_m", "y_m")]
    ).astype(np.float64)


def _ahead(task: Task, expected: Collection[str], until: date) -> Ahead:
    first = task.supply.modules["pallet"].gather(task.supply.unit_offsets[:-1])
    drawn = first.is_in(list(expected)).to_numpy()
    return Ahead(expected_units=np.flatnonzero(drawn).astype(np.int64), until_day=until.toordinal())


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
    standing: pl.DataFrame | None,
) -> Priced:
    """Give a plan with its yard and its money."""
    yard = plan_yard(
        task.site,
        uses=_uses(task, plan, build, stock_days),
        dated=dated,
        pallets_per_trip=coefficients.pallets_per_trip,
        standing=standing,
    )
    whole = counts + HandlingCounts(trips=yard.trips, trip_m=yard.trip_m, digs=yard.digs)
    return Priced(
        plan=plan,
        counts=whole,
        handling=handling_cost(whole, coefficients).total,
        mismatch=plan.loss_w * coefficients.value_per_w,
        yard=yard,
    )


def _gain(
    task: Task,
    results: tuple[ClassResult, ...],
    *,
    chosen: Priced,
    arrival: Priced,
    coefficients: Coefficients,
) -> Gain:
    """Say what the plan is worth against order of arrival in the same classes."""
    noise = []
    for held in results:
        first, past = task.supply.class_offsets[held.own.number : held.own.number + 2]
        imp_a = task.supply.imp_a[first:past]
        spread_a = float(np.std(imp_a))
        scatter_a = coefficients.flash_repeatability_ratio * float(np.mean(imp_a))
        noise.append(min(scatter_a / spread_a, 1.0) if spread_a > 0.0 else 1.0)

    def places(way: Way) -> tuple[IntArray, IntArray]:
        return way.places.string, way.places.module

    return plan_gain(
        [held.own.problem for held in results],
        coefficients,
        arrival=[places(held.arrival) for held in results],
        planned=[places(held.chosen) for held in results],
        arrival_counts=arrival.counts,
        planned_counts=chosen.counts,
        flash_noise_ratio=noise,
        exact_gain_w=arrival.plan.loss_w - chosen.plan.loss_w,
    )


def _trade_off(results: tuple[ClassResult, ...], setting: Setting) -> TradeOff | None:
    """Set handling against mismatch for all ways to build; None where nothing is planned."""
    if not results:
        return None
    if setting.tell is not None:
        setting.tell("setting handling against mismatch", 0.0)
    return trade_off(
        [held.own.problem for held in results],
        setting.coefficients,
        arrival=[arrival_sequence(held.own.problem) for held in results],
        planned=[held.planned for held in results],
        ways=[
            ways_between(held.own, drop_xy_m=setting.drop_xy_m, areas=setting.areas)
            for held in results
        ],
    )


def _all_singly(results: tuple[ClassResult, ...]) -> HandlingCounts:
    """Count what sorting single modules over the whole site takes."""
    modules = sum(len(held.chosen.places.module) for held in results)
    return HandlingCounts(
        opened=sum(held.arrival.counts.opened for held in results),
        single_modules=modules,
        repacked_modules=modules,
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


def _late(days: BuildDays, planning_day: date) -> tuple[Finding, ...]:
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
    before: PlanBefore | None = None,
    expected: Collection[str] = (),
    until: date | None = None,
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
        before: an earlier plan that is to be kept as far as it is worth; inputs keep its classes.
        expected: pallets of which no flash values are known; those in the stock are drawn.
        until: with a day, the pallets of the strings built until then are chosen first and from
            those known, by what they are worth later; ``plan_ahead`` makes use of it.
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
    carried = None if before is None else Carried(task, before)
    if carried is None:
        best, _ = best_classes(task)
        classes = classes_in_time(
            task.supply, task.demand, best, string_day=build.day, unit_day=unit_day
        )
    else:
        classes = carried.classes
    tasks = class_tasks(task, classes, string_day=build.day, unit_day=unit_day)
    together = fill_kept_together(task.supply, task.demand, classes)
    setting = Setting(
        mode=mode,
        coefficients=coefficients,
        drop_xy_m=_drop_xy(task),
        areas=() if site.yard is None else site.yard.areas,
        ahead=None if until is None else _ahead(task, expected, until),
        seed=seed,
        tell=tell,
    )
    results = class_results(tasks, together=together, setting=setting, carried=carried)
    frame = _build_frame(task, tasks, build)
    all_days = with_waived_days(frame, task.site, task.demand, build)

    def joined(kind: Mode, ways: list[Way]) -> Priced:
        filling = fill_places(task, classes, tasks=tasks, places=[way.places for way in ways])
        return _priced(
            task,
            finish_plan(task, kind, classes=classes, filling=filling),
            # trips and digs are counted anew where it is known where each pallet stands
            replace(sum((way.counts for way in ways), HandlingCounts()), trips=0, trip_m=0.0),
            build=all_days,
            stock_days=days,
            dated=build.described,
            coefficients=coefficients,
            standing=None if before is None else before.standing,
        )

    chosen = joined("plan", [held.chosen for held in results])
    arrival = joined("arrival", [held.arrival for held in results])
    result = ParkPlan(
        mode=mode,
        chosen=chosen,
        arrival=arrival,
        gain=_gain(task, results, chosen=chosen, arrival=arrival, coefficients=coefficients),
        trade_off=_trade_off(results, setting),
        sorted_single=_priced(
            task,
            plan_task(task, "sorted", best=(classes, together)),
            _all_singly(results),
            build=all_days,
            stock_days=days,
            dated=build.described,
            coefficients=coefficients,
            standing=None if before is None else before.standing,
        ),
        crew=plan_task(task, "arrival"),
        classes=results,
        build=frame,
        days=build,
        planning_day=days.planning_day,
        announced=int(days.pallets["announced"].sum()),
        serials=task.supply.modules["serial"],
        drop_points=site.strings.select("string", "drop_point", "build_order"),
        coefficients=coefficients,
        findings=(
            *chosen.plan.findings,
            *chosen.plan.shortages,
            *_late(build, days.planning_day),
            *_waiting(frame),
            *chosen.yard.findings,
        ),
    )
    return replace(result, sentences=park_sentences(result))
