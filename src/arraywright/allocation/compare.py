"""What a plan is worth, beside order of arrival and a full sort of single modules."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from arraywright.allocation.plan import Plan, best_classes, plan_task, prepare_task
from arraywright.findings import Finding
from arraywright.plant import Site

__all__ = ["Comparison", "against_arrival", "compare", "planned_words"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Three ways to use the same stock.

    Attributes:
        arrival: pallets as they came, within the rules.
        plan: whole pallets kept together.
        sorted_single: single modules sorted by current, with the plan's classes: the bound.
        plan_gain_w: power the plan saves against arrival by less mismatch [W], the difference of
            the loss ratios times the plan's sum of module powers; negative when it loses more.
        sorting_gain_w: power a full sort would save against the plan [W].
        findings: the plan's findings and shortages.
        sentence: what the plan is worth, and whether sorting is worth its handling.
    """

    arrival: Plan
    plan: Plan
    sorted_single: Plan
    plan_gain_w: float
    sorting_gain_w: float
    findings: tuple[Finding, ...]
    sentence: str


def _count(number: int, word: str) -> str:
    return f"{number:,} {word}" if number == 1 else f"{number:,} {word}s"


def _in_part(inputs: int) -> str:
    if not inputs:
        return ""
    return f"; {_count(inputs, 'input')} {'stays' if inputs == 1 else 'stay'} in part"


def against_arrival(arrival: Plan, plan: Plan, gain_w: float) -> str:
    """Say what a plan does beside what a crew does without one; ``gain_w`` is power saved [W]."""
    parts: list[str] = []
    strings = plan.strings_planned - arrival.strings_planned
    on_whole = plan.strings_on_whole_inputs - arrival.strings_on_whole_inputs
    if on_whole > 0:
        parts.append(f"puts {_count(on_whole, 'more string')} on whole inputs")
    if strings > 0:
        parts.append(f"completes {_count(strings, 'more string')} in all")
    elif strings < 0:
        parts.append(f"completes {_count(-strings, 'fewer string')} in all")
    openings = arrival.pallet_openings - plan.pallet_openings
    if openings > 0:
        parts.append(f"needs {openings:,} fewer pallet openings ({plan.pallet_openings:,})")
    elif openings < 0:
        parts.append(f"needs {-openings:,} more pallet openings ({plan.pallet_openings:,})")
    else:
        parts.append(f"needs as many pallet openings ({plan.pallet_openings:,})")
    more = "more" if gain_w >= 0.0 else "less"
    parts.append(
        f"gives {abs(gain_w):,.1f} W {more} by mismatch ({100 * plan.loss_ratio:.4f} % lost "
        f"instead of {100 * arrival.loss_ratio:.4f} %)"
    )
    return f"Against order of arrival the plan {', '.join(parts[:-1])} and {parts[-1]}."


def _sorting(plan: Plan, sorted_single: Plan, gain_w: float, worth_w: float) -> str:
    openings = sorted_single.pallet_openings - plan.pallet_openings
    if gain_w <= 0.0:
        return "Sorting every module singly gains nothing: it is not worth its handling."
    text = (
        f"Sorting every module singly would save another {gain_w:,.1f} W "
        f"({100 * sorted_single.loss_ratio:.4f} % lost)"
    )
    if openings <= 0:
        return f"{text} without more pallet openings, but every module would have to be picked."
    each_w = gain_w / openings
    verdict = "worth it" if each_w >= worth_w else "not worth its handling"
    return (
        f"{text} for {openings:,} more pallet openings, {each_w:,.2f} W each: {verdict} "
        f"when an opening has to bring {worth_w:g} W."
    )


def _sentence(
    arrival: Plan, plan: Plan, sorted_single: Plan, *, gains_w: tuple[float, float], worth_w: float
) -> str:
    if plan.modules_planned == 0:
        return "Nothing could be planned: no open string has its modules in stock."
    return " ".join(
        (
            planned_words(plan),
            against_arrival(arrival, plan, gains_w[0]),
            _sorting(plan, sorted_single, gains_w[1], worth_w),
        )
    )


def planned_words(plan: Plan) -> str:
    """Say how many strings and modules are planned."""
    return (
        f"{_count(plan.strings_planned, 'string')} with "
        f"{_count(plan.modules_planned, 'module')} planned{_in_part(plan.inputs_in_part)}."
    )


def compare(
    site: Site,
    *,
    stock: pl.DataFrame,
    frozen: pl.DataFrame | None = None,
    opening_worth_w: float = 30.0,
) -> Comparison:
    """Compare order of arrival, the plan, and a full sort of single modules, exactly.

    Args:
        site: as ``allocate``.
        stock: as ``allocate``.
        frozen: as ``allocate``.
        opening_worth_w: power [W at STC] one more pallet opening must bring to pay for its
            handling. The default is this project's assumption, about a quarter of an hour of two
            people and a lift against the value of installed power; give your own.

    Raises:
        CallError: a frame lacks a required column.

    Source: common-practice
    """
    task = prepare_task(site, stock=stock, frozen=frozen)
    best = best_classes(task)
    arrival = plan_task(task, "arrival")
    plan = plan_task(task, "plan", best=best)
    sorted_single = plan_task(task, "sorted", best=best)
    whole_w = plan.mismatch.sum_of_modules_w
    gains_w = (
        (arrival.loss_ratio - plan.loss_ratio) * whole_w,
        (plan.loss_ratio - sorted_single.loss_ratio) * whole_w,
    )
    return Comparison(
        arrival=arrival,
        plan=plan,
        sorted_single=sorted_single,
        plan_gain_w=gains_w[0],
        sorting_gain_w=gains_w[1],
        findings=plan.findings + plan.shortages,
        sentence=_sentence(arrival, plan, sorted_single, gains_w=gains_w, worth_w=opening_worth_w),
    )
