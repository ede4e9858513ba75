"""What a park plan is and what it is worth, in sentences."""

from __future__ import annotations

from arraywright.allocation.compare import against_arrival, planned_words
from arraywright.allocation.park_result import ParkPlan

__all__ = ["park_sentences"]


def park_sentences(result: ParkPlan) -> tuple[str, ...]:
    """Say what the plan is and what it is worth, the weightiest first."""
    plan = result.chosen.plan
    if plan.modules_planned == 0 and plan.unplanned.is_empty():
        return ("No string is open: all of them are built.",)
    if plan.modules_planned == 0:
        return ("Nothing could be planned: no open string has its modules in stock.",)
    return (
        planned_words(plan),
        against_arrival(result.crew, plan, result.plan_gain_w),
        result.gain.sentence,
        *_sorting(result),
        _proof(result),
        _dates(result),
    )


def _sorting(result: ParkPlan) -> tuple[str, ...]:
    return () if result.trade_off is None else (result.trade_off.sentence,)


def _proof(result: ParkPlan) -> str:
    currency = result.coefficients.currency
    if result.avoidable <= 0.0:
        return "Order of arrival is as good as any order of pallets."
    reached = 100.0 * (1.0 - result.gap_ratio)
    told = (
        f"the plan reaches {reached:.0f} % of that, the rest is left or is not there to be had"
        if reached >= 0.0
        else "the plan, filled the way that was asked for, costs more than order of arrival"
    )
    return (
        f"Proven: no order of pallets emptied in turn, sorted at drop points or not, can save more "
        f"than {result.avoidable:,.0f} {currency} against order of arrival; {told}."
    )


def _dates(result: ParkPlan) -> str:
    if not result.days.described:
        return (
            f"No building dates are described: all pallets are taken as standing in the yard on "
            f"{result.planning_day}, and order of arrival as the order of their scans."
        )
    waiting = int(result.build["waits"].sum())
    told = "" if not result.announced else f", with {result.announced:,} announced pallets"
    waits = "" if not waiting else f"; {waiting:,} strings wait for their modules"
    last = result.build["day"].sort().to_list()[-1]
    return f"Planned as of {result.planning_day}{told}: the last string is built on {last}{waits}."
