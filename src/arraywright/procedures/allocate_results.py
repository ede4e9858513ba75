"""What a park plan leaves in the record: tables, and a summary of figures and sentences."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import polars as pl

from arraywright.allocation import Plan, picking_list
from arraywright.allocation.modes import SINGLE, WHOLE
from arraywright.allocation.park_result import ParkPlan, Priced
from arraywright.allocation.park_ways import WAY_WORDS, Way, WayKey
from arraywright.plant import Site

__all__ = ["plan_frames", "plan_summary"]


def _plan_figures(plan: Plan) -> dict[str, Any]:
    return {
        "kind": plan.kind,
        "strings_planned": plan.strings_planned,
        "strings_on_whole_inputs": plan.strings_on_whole_inputs,
        "inputs_in_part": plan.inputs_in_part,
        "modules_planned": plan.modules_planned,
        "pallet_openings": plan.pallet_openings,
        "loss_w": plan.mismatch.loss_w,
        "loss_ratio": plan.mismatch.loss_ratio,
        "sum_of_modules_w": plan.mismatch.sum_of_modules_w,
    }


def _priced_figures(held: Priced, kind: str) -> dict[str, Any]:
    return {
        **_plan_figures(held.plan),
        "kind": kind,
        "handling": held.handling,
        "mismatch": held.mismatch,
        "total": held.total,
        "counts": asdict(held.counts),
    }


def plan_summary(result: ParkPlan) -> dict[str, Any]:
    """Give figures and sentences as plain data."""
    yard = result.chosen.yard
    return {
        "sentence": " ".join(result.sentences),
        "sentences": list(result.sentences),
        "mode": result.mode,
        "currency": result.coefficients.currency,
        "value_per_w": result.coefficients.value_per_w,
        "life_years": result.coefficients.life_years,
        "plan_gain_w": result.plan_gain_w,
        "sorting_gain_w": result.sorting_gain_w,
        "plans": [
            _plan_figures(result.crew),
            _priced_figures(result.arrival, "arrival_same_classes"),
            _priced_figures(result.chosen, "plan"),
            _priced_figures(result.sorted_single, "sorted"),
        ],
        "gain": asdict(result.gain),
        "bound_w": result.bound_w,
        "bound": result.bound,
        "avoidable": result.avoidable,
        "gap_ratio": result.gap_ratio,
        "planning_day": result.planning_day.isoformat(),
        "dated": result.days.described,
        "announced_pallets": result.announced,
        "waiting_strings": int(result.build["waits"].sum()),
        "yard": {
            "sentence": yard.sentence,
            "area_most_m2": yard.area_most_m2,
            "area_most_day": None if yard.area_most_day is None else yard.area_most_day.isoformat(),
            "area_described_m2": yard.area_described_m2,
            "digs": yard.digs,
            "digs_proven": yard.digs_proven,
            "trips": yard.trips,
            "trip_m": yard.trip_m,
        },
    }


def _way_of(held: tuple[Way, ...], key: WayKey) -> Way:
    """Give a way of a class, or its best order where the way was not possible."""
    found = {way.key: way for way in held}
    return found.get(key) or found.get("whole") or found["arrival"]


def _trade_off_frame(result: ParkPlan) -> pl.DataFrame:
    """Give handling and mismatch of all ways to build and of the plan, second order."""
    schema = {
        "way": pl.String,
        "loss_w": pl.Float64,
        "mismatch": pl.Float64,
        "handling": pl.Float64,
        "total": pl.Float64,
        "price_ratio": pl.Float64,
        "on_curve": pl.Boolean,
        "knee": pl.Boolean,
        "cheapest": pl.Boolean,
        "needs_all_stock": pl.Boolean,
        "plan": pl.Boolean,
    }
    held = result.trade_off
    points = [] if held is None else list(enumerate(held.points))
    rows: list[dict[str, Any]] = [
        {
            "way": point.name,
            "loss_w": point.loss_w,
            "mismatch": point.mismatch,
            "handling": point.handling,
            "total": point.total,
            "price_ratio": point.price_ratio,
            "on_curve": point.on_curve,
            "knee": held is not None and number == held.knee,
            "cheapest": held is not None and number == held.best,
            "needs_all_stock": point.needs_all_stock,
            "plan": False,
        }
        for number, point in points
    ]
    if points:
        loss_w = sum(one.chosen.loss_w for one in result.classes)
        mismatch = sum(one.chosen.mismatch for one in result.classes)
        rows.append(
            {
                "way": "this plan",
                "loss_w": loss_w,
                "mismatch": mismatch,
                "handling": result.chosen.handling,
                "total": mismatch + result.chosen.handling,
                "on_curve": False,
                "knee": False,
                "cheapest": False,
                "needs_all_stock": False,
                "plan": True,
            }
        )
    return pl.DataFrame(rows, schema=schema)


def _class_words(way: Way) -> str:
    if way.key != "mixed":
        return WAY_WORDS[way.key]
    sections = len(way.section_way)
    single = int((way.section_way == SINGLE).sum())
    whole = int((way.section_way == WHOLE).sum())
    piled = sections - single - whole
    parts = [
        f"{count} {words}"
        for count, words in ((whole, "whole"), (piled, "in piles"), (single, "singly"))
        if count
    ]
    return f"drop points: {', '.join(parts)}"


def _classes_frame(result: ParkPlan) -> pl.DataFrame:
    schema = {
        "class": pl.String,
        "strings": pl.Int64,
        "modules": pl.Int64,
        "pallets": pl.Int64,
        "pallets_opened": pl.Int64,
        "way": pl.String,
        "arrival_w": pl.Float64,
        "whole_w": pl.Float64,
        "plan_w": pl.Float64,
        "bound_w": pl.Float64,
        "handling": pl.Float64,
        "mismatch": pl.Float64,
    }
    return pl.DataFrame(
        [
            {
                "class": str(held.own.kind),
                "strings": len(held.own.strings),
                "modules": int(held.own.problem.string_modules.sum()),
                "pallets": len(held.own.units),
                "pallets_opened": held.chosen.counts.opened,
                "way": _class_words(held.chosen),
                "arrival_w": held.arrival.loss_w,
                "whole_w": _way_of(held.ways, "whole").loss_w,
                "plan_w": held.chosen.loss_w,
                "bound_w": held.bound_w,
                "handling": held.chosen.handling,
                "mismatch": held.chosen.mismatch,
            }
            for held in result.classes
        ],
        schema=schema,
    )


def _piles_frame(result: ParkPlan, assignments: pl.DataFrame) -> pl.DataFrame:
    """Give what is sorted at drop points: which module lies on which pile."""
    names = result.serials
    parts = []
    for held in result.classes:
        way = held.chosen
        section = held.own.problem.string_section[way.places.string]
        sorted_here = way.section_way[section] != WHOLE
        if not sorted_here.any():
            continue
        parts.append(
            pl.DataFrame(
                {
                    "serial": names.gather(held.own.first_module + way.places.module[sorted_here]),
                    "pile": way.pile[sorted_here] + 1,
                }
            )
        )
    if not parts:
        return pl.DataFrame(schema={"serial": pl.String, "pile": pl.Int64})
    return (
        pl.concat(parts)
        .with_columns(pile=pl.when(pl.col("pile") > 0).then(pl.col("pile")))
        .join(assignments, on="serial", how="left", maintain_order="left")
    )


def plan_frames(site: Site, result: ParkPlan) -> dict[str, pl.DataFrame]:
    """Give all tables of a plan by the name they have in the record."""
    plan = result.chosen.plan
    positions = site.positions.select("string", "place_in_string", "position")
    assignments = plan.assignments.join(
        positions, on=["string", "place_in_string"], how="left", maintain_order="left"
    )
    return {
        "assignments": assignments,
        "picking": picking_list(plan, site),
        "leftovers": plan.leftovers,
        "spares": plan.spares,
        "unplanned": plan.unplanned,
        "mismatch_strings": plan.mismatch.strings,
        "mismatch_inputs": plan.mismatch.inputs,
        "classes": _classes_frame(result),
        "trade_off": _trade_off_frame(result),
        "piles": _piles_frame(result, assignments),
        "build_days": result.build,
        "yard_stacks": result.chosen.yard.stacks,
        "yard_days": result.chosen.yard.days,
    }
