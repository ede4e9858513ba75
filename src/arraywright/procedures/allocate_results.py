"""What a park plan leaves in the record: tables, and a summary of figures and sentences."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Final

import numpy as np
import polars as pl

from arraywright.allocation import Plan, picking_list
from arraywright.allocation.modes import SINGLE, WHOLE
from arraywright.allocation.park_result import ParkPlan, Priced
from arraywright.allocation.park_ways import WAY_WORDS, Way, WayKey
from arraywright.plant import Site

__all__ = ["plan_frames", "plan_summary"]

_CHANGES: Final[dict[str, pl.DataType]] = {
    "drop_point": pl.String(),
    "string": pl.String(),
    "day": pl.Date(),
    "was": pl.String(),
    "now": pl.String(),
    "why": pl.String(),
}
_RESERVED: Final[dict[str, pl.DataType]] = {
    "module_type": pl.String(),
    "power_class_w": pl.Float64(),
    "current_class": pl.String(),
    "here": pl.Int64(),
    "to_come": pl.Int64(),
    "next_days": pl.Int64(),
    "later_known": pl.Int64(),
    "later_to_come": pl.Int64(),
    "over": pl.Int64(),
}


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
        ways = [one.chosen for one in result.classes]
        rows.append(
            {
                "way": "this plan",
                "loss_w": sum(way.loss_w for way in ways),
                "mismatch": sum(way.mismatch for way in ways),
                "handling": sum(way.handling for way in ways),
                "total": sum(way.total for way in ways),
                "on_curve": False,
                "knee": False,
                "cheapest": False,
                "needs_all_stock": False,
                "plan": True,
            }
        )
    return _marked(pl.DataFrame(rows, schema=schema))


def _marked(points: pl.DataFrame) -> pl.DataFrame:
    """Mark the cheapest anew with the plan among the ways, and take off the curve what it beats."""
    if points.is_empty():
        return points
    plan = points.filter("plan").row(0, named=True)
    able = ~pl.col("needs_all_stock")
    beaten = (
        ~pl.col("plan")
        & (pl.col("handling") >= plan["handling"])
        & (pl.col("mismatch") >= plan["mismatch"])
    )
    better = points.filter(
        able
        & ~pl.col("plan")
        & (pl.col("handling") <= plan["handling"])
        & (pl.col("mismatch") <= plan["mismatch"])
    )
    least = min(points.filter(able)["total"].to_list())
    return points.with_columns(
        on_curve=(pl.col("on_curve") & ~beaten) | (pl.col("plan") & pl.lit(better.is_empty())),
        cheapest=able & (pl.col("total") <= least + 1e-9),
    )


def _gap(bound_w: float, whole: Way, arrival: Way) -> float | None:
    """Give how far whole pallets are above their bound, over what order of arrival could avoid."""
    avoidable_w = arrival.loss_w - bound_w
    return (whole.loss_w - bound_w) / avoidable_w if avoidable_w > 0.0 else None


def _class_words(way: Way) -> str:
    if not np.any(way.section_way != WHOLE):
        return WAY_WORDS["whole" if way.key == "mixed" else way.key]
    sections = len(way.section_way)
    single = int((way.section_way == SINGLE).sum())
    whole = int((way.section_way == WHOLE).sum())
    piled = sections - single - whole
    parts = [
        f"{count} {words}"
        for count, words in ((whole, "whole"), (piled, "in piles"), (single, "singly"))
        if count
    ]
    kept = "kept together, " if way.key == "together" else ""
    return f"{kept}drop points: {', '.join(parts)}"


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
        "gap_ratio": pl.Float64,
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
                "gap_ratio": _gap(held.bound_w, _way_of(held.ways, "whole"), held.arrival),
                "handling": held.chosen.handling,
                "mismatch": held.chosen.mismatch,
            }
            for held in result.classes
        ],
        schema=schema,
    )


def _piles_frame(result: ParkPlan, assignments: pl.DataFrame, stock: pl.DataFrame) -> pl.DataFrame:
    """Give what is sorted at drop points: from which pallet onto which pile, into which string."""
    parts = []
    for held in result.classes:
        way = held.chosen
        section = held.own.problem.string_section[way.places.string]
        sorted_here = way.section_way[section] != WHOLE
        parts.append(
            pl.DataFrame(
                {
                    "serial": result.serials.gather(
                        held.own.first_module + way.places.module[sorted_here]
                    ),
                    "pile": way.pile[sorted_here] + 1,
                },
                schema={"serial": pl.String, "pile": pl.Int64},
            )
        )
    columns = (
        "drop_point",
        "pallet",
        "stack_position",
        "serial",
        "pile",
        "string",
        "place_in_string",
        "position",
    )
    joined = (
        pl.concat(parts) if parts else pl.DataFrame(schema={"serial": pl.String, "pile": pl.Int64})
    )
    return (
        joined.with_columns(pile=pl.when(pl.col("pile") > 0).then(pl.col("pile")))
        .join(assignments, on="serial", how="left", maintain_order="left")
        # what rests on pallets to come is not for the crews yet
        .filter(pl.col("string").is_not_null())
        .join(stock, on="serial", how="left", maintain_order="left")
        .join(result.drop_points, on="string", how="left")
        .with_columns(first=pl.col("build_order").min().over("drop_point"))
        .sort("first", "pallet", "stack_position", nulls_last=True, maintain_order=True)
        .select(columns)
    )


def _picking_frame(site: Site, result: ParkPlan, piles: pl.DataFrame) -> pl.DataFrame:
    """Give the picking list with the day, where each pallet stands, and what is sorted."""
    plan, yard = result.chosen.plan, result.chosen.yard
    days = (
        plan.assignments.select("string", "pallet")
        .unique(maintain_order=True)
        .join(result.drop_points, on="string", how="left")
        .join(result.build.select("string", "day"), on="string", how="left")
        .group_by("drop_point", "pallet")
        .agg(pl.col("day").min())
    )
    stands = yard.stacks.select(
        "pallet", "arrives", "way", "area", "stack", "level", "on_pallet"
    ).rename({"way": "comes_from"})
    sorting = piles.select("drop_point", "pallet", sorts=pl.lit(value=True)).unique()
    frame = (
        picking_list(plan, site)
        .join(days, on=["drop_point", "pallet"], how="left", maintain_order="left")
        .join(stands, on="pallet", how="left", maintain_order="left")
        .join(sorting, on=["drop_point", "pallet"], how="left", maintain_order="left")
    )
    dated, placed = result.days.described, bool(site.yard is not None and site.yard.areas)
    said = pl.when(pl.col("remark") != "").then(pl.col("remark"))
    told = pl.when(pl.col("sorts")).then(pl.lit("sort by piles.csv"))
    coming = pl.when(pl.lit(value=dated) & (pl.col("arrives") > result.planning_day)).then(
        pl.format("expected on {}", pl.col("arrives"))
    )
    return frame.with_columns(
        remark=pl.concat_str(said, told, coming, separator="; ", ignore_nulls=True),
        day=pl.when(pl.lit(value=dated)).then(pl.col("day")),
        stands=pl.when(pl.lit(value=placed) & pl.col("opened") & pl.col("area").is_not_null()).then(
            pl.format("{} {}/{}", "area", "stack", "level")
        ),
    ).select(
        "drop_point",
        "order",
        "day",
        "pallet",
        "stands",
        "strings",
        "modules_taken",
        "modules_left",
        "opened",
        "finished",
        "remark",
    )


def plan_frames(
    site: Site,
    result: ParkPlan,
    *,
    stock: pl.DataFrame,
    changes: pl.DataFrame | None,
    reserved: pl.DataFrame | None = None,
) -> dict[str, pl.DataFrame]:
    """Give all tables of a plan by the name they have in the record."""
    plan = result.chosen.plan
    positions = site.positions.select("string", "place_in_string", "position")
    assignments = plan.assignments.join(
        positions, on=["string", "place_in_string"], how="left", maintain_order="left"
    )
    piles = _piles_frame(
        result, assignments.drop("pallet"), stock.select("serial", "stack_position", "pallet")
    )
    return {
        "assignments": assignments,
        "picking": _picking_frame(site, result, piles),
        "leftovers": plan.leftovers,
        "spares": plan.spares,
        "unplanned": plan.unplanned,
        "mismatch_strings": plan.mismatch.strings,
        "mismatch_inputs": plan.mismatch.inputs,
        "classes": _classes_frame(result),
        "trade_off": _trade_off_frame(result),
        "piles": piles,
        "changes": pl.DataFrame(schema=_CHANGES) if changes is None else changes,
        "reserved": pl.DataFrame(schema=_RESERVED) if reserved is None else reserved,
        "build_days": result.build,
        "yard_stacks": result.chosen.yard.stacks,
        "yard_days": result.chosen.yard.days,
    }
