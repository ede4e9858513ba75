"""What a park plan consists of."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal, TypeAlias

import polars as pl

from arraywright.allocation.build_dates import BuildDays
from arraywright.allocation.money import HandlingCounts
from arraywright.allocation.park_problem import ClassTask
from arraywright.allocation.park_types import Coefficients, Sequence
from arraywright.allocation.park_ways import Way
from arraywright.allocation.plan import Plan
from arraywright.allocation.trade_off import Gain, TradeOff
from arraywright.allocation.yard import YardPlan
from arraywright.findings import Finding

__all__ = ["ClassResult", "ParkMode", "ParkPlan", "Priced"]

ParkMode: TypeAlias = Literal["auto", "whole", "piles", "single", "arrival"]
"""``auto``: in each class, and at each drop point, what costs least; else the one way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassResult:
    """What became of one class.

    Attributes:
        own: the class and its problem.
        ways: every way that was worked out.
        chosen: the way taken.
        planned: the order of pallets found, before anything is sorted or kept together.
        bound_w: mismatch that whole pallets emptied one after the other cannot go below [W].
        bound: money that no order of pallets emptied one after the other can go below, however
            drop points are sorted.
    """

    own: ClassTask
    ways: tuple[Way, ...]
    chosen: Way
    planned: Sequence
    bound_w: float
    bound: float

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
        mode: the mode asked for.
        chosen: the plan.
        arrival: order of arrival with the plan's classes.
        sorted_single: single modules sorted over the whole site, with the plan's classes; every
            module is handled singly and put back on a pallet.
        gain: what the plan is worth against order of arrival, with uncertainty.
        trade_off: handling against mismatch for all ways to build; None where nothing is planned.
        crew: what a crew does without a plan: classes as they come.
        classes: what became of each class.
        build: frame of ``string``, ``day``, ``planned_day`` and ``waits``, open strings that get
            modules in building order; ``day`` is when modules and crews are there.
        days: days of the open strings as described.
        planning_day: day for which the plan is made.
        announced: pallets planned with that have not come.
        serials: serial of each module of the supply.
        drop_points: frame of ``string``, ``drop_point`` and ``build_order`` of every string.
        coefficients: what it is priced with.
        findings: of the plan, of dates and of the yard.
        sentences: what the plan is and what it is worth, the weightiest first.
    """

    mode: ParkMode
    chosen: Priced
    arrival: Priced
    sorted_single: Priced
    gain: Gain
    trade_off: TradeOff | None
    crew: Plan
    classes: tuple[ClassResult, ...]
    build: pl.DataFrame
    days: BuildDays
    planning_day: date
    announced: int
    serials: pl.Series
    drop_points: pl.DataFrame
    coefficients: Coefficients
    findings: tuple[Finding, ...]
    sentences: tuple[str, ...] = ()

    @property
    def plan_gain_w(self) -> float:
        """Power saved against a crew without a plan, by the difference of the loss ratios [W]."""
        plan = self.chosen.plan
        return (self.crew.loss_ratio - plan.loss_ratio) * plan.mismatch.sum_of_modules_w

    @property
    def sorting_gain_w(self) -> float:
        """Power a full sort would save against the plan [W]."""
        plan, best = self.chosen.plan, self.sorted_single.plan
        return (plan.loss_ratio - best.loss_ratio) * plan.mismatch.sum_of_modules_w

    @property
    def bound_w(self) -> float:
        """Mismatch that whole pallets emptied in turn cannot go below, second order [W]."""
        return sum(held.bound_w for held in self.classes)

    @property
    def bound(self) -> float:
        """Money that no order of pallets emptied in turn can go below, sorted or not."""
        return sum(held.bound for held in self.classes)

    @property
    def avoidable(self) -> float:
        """Money of the order of arrival above the bound, second order."""
        return sum(held.arrival.total for held in self.classes) - self.bound

    @property
    def gap_ratio(self) -> float:
        """Money of the plan above the bound, over the avoidable loss [1].

        Negative where pallets kept together cost less than any order of pallets emptied in turn.
        """
        above = sum(held.chosen.total for held in self.classes) - self.bound
        return above / self.avoidable if self.avoidable > 0.0 else 0.0
