"""Where pallets stand until they are needed, the ground that takes, and the lift's trips."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import polars as pl

from arraywright.allocation.stacking import Ground, Stacking, Standing, stack_pallets
from arraywright.allocation.yard_days import Times, times_of, yard_days
from arraywright.allocation.yard_findings import yard_findings
from arraywright.arrays import FloatArray, IntArray
from arraywright.findings import Finding
from arraywright.plant import LaydownArea, ModuleType, Site, Yard

__all__ = ["YARD_CAUTIONS", "YardPlan", "drop_point_places", "plan_yard"]

YARD_CAUTIONS: Final = (
    "The lift's load chart, the makers' instructions and local codes go first.",
    "Trained people drive the lift.",
    "Stack only sound pallets, on firm, level, drained ground, and secure them against wind.",
    "Keep people out of the way of the lift; nobody stands beside a stack while it is worked on.",
)
"""Usual cautions for whoever works in the yard, common practice."""

_USES: Final = {
    "pallet": pl.String(),
    "module_type": pl.String(),
    "modules": pl.Int64(),
    "arrives": pl.Date(),
    "leaves": pl.Date(),
    "rank": pl.Int64(),
    "drop_point": pl.String(),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class YardPlan:
    """Stacking plan of the yard and what it takes.

    Attributes:
        stacks: frame of ``pallet``, ``module_type``, ``modules``, ``arrives``, ``leaves`` (null
            when it is not needed), ``out_order`` (1 is taken out first; null as before),
            ``drop_point``, ``way`` (``yard``, ``from the truck``, ``no room``), ``area``,
            ``stack`` (number in its area), ``level`` (1 on the ground), ``on_pallet`` (the pallet
            below, null on the ground) and ``digs``.
        days: frame of ``day``, ``pallets`` (standing at any time of the day), ``places``
            (footprints on the ground), ``area_needed_m2`` (with ways), ``unloaded``,
            ``taken_out``, ``digs`` and ``trips`` (yard to drop points).
        digs: pallets lifted off others that are needed first.
        digs_proven: no stacking of these pallets on this ground has fewer.
        trips: trips of the lift from yard or truck to drop points.
        trip_m: length of all these trips, one way [m]; 0 where places are not known.
        area_most_m2: most ground needed at a time, ways included [m2].
        area_most_day: day on which that is.
        area_described_m2: ground described [m2]; None when none is.
        dated: whether building dates are known; without them all pallets stand at once.
        findings: limits exceeded, and what could not be told.
        sentence: what the yard needs.
    """

    stacks: pl.DataFrame
    days: pl.DataFrame
    digs: int
    digs_proven: bool
    trips: int
    trip_m: float
    area_most_m2: float
    area_most_day: date | None
    area_described_m2: float | None
    dated: bool
    findings: tuple[Finding, ...]
    sentence: str


def drop_point_places(site: Site) -> pl.DataFrame:
    """Give ``drop_point``, ``x_m`` and ``y_m``: the middle of the modules served from each."""
    if site.positions.is_empty():
        return pl.DataFrame(schema={"drop_point": pl.String, "x_m": pl.Float64, "y_m": pl.Float64})
    return (
        site.positions.select("string", "x_m", "y_m")
        .join(site.strings.select("string", "drop_point"), on="string")
        .group_by("drop_point", maintain_order=True)
        .agg(pl.col("x_m").mean(), pl.col("y_m").mean())
    )


def _footprint_m2(module_type: ModuleType, yard: Yard) -> float:
    return (
        (module_type.length_mm + yard.pallet_overhang_mm) / 1000.0 * yard.pallet_width_mm / 1000.0
    )


def _distances_m(areas: tuple[LaydownArea, ...], uses: pl.DataFrame, site: Site) -> FloatArray:
    """Give the way from each area to each pallet's drop point as the crow flies, nan unknown."""
    at = uses.select("drop_point").join(
        drop_point_places(site), on="drop_point", how="left", maintain_order="left"
    )
    x = at["x_m"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    y = at["y_m"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    if not areas:
        return np.full((uses.height, 1), np.nan)
    return np.column_stack([np.hypot(x - area.x_m, y - area.y_m) for area in areas])


def _ground(
    uses: pl.DataFrame, site: Site, *, yard: Yard, distances_m: FloatArray
) -> tuple[Ground, IntArray]:
    """Describe the ground for all pallets; give it with each type's stack limit."""
    types = uses["module_type"].unique(maintain_order=True).to_list()
    number = {name: k for k, name in enumerate(types)}
    kind = np.array([number[name] for name in uses["module_type"].to_list()], dtype=np.int64)
    footprint = np.array([_footprint_m2(site.module_types[name], yard) for name in types])
    limit = np.array(
        [min(yard.stack_max, site.module_types[name].pallet_stack_max) for name in types],
        dtype=np.int64,
    )
    if yard.areas:
        room = np.array([area.area_m2 for area in yard.areas]) * (1.0 - yard.aisle_ratio)
    else:
        room = np.array([np.inf])
    known = np.where(np.isfinite(distances_m), distances_m, 0.0)
    empty = np.zeros(0, dtype=np.int64)
    return Ground(
        room_m2=room,
        preference=np.argsort(known, axis=1, kind="stable").astype(np.int64),
        footprint_m2=footprint[kind] if len(kind) else np.zeros(0),
        kind=kind,
        stack_max=limit[kind] if len(kind) else empty,
    ), limit


def _standing(uses: pl.DataFrame, standing: pl.DataFrame | None, *, yard: Yard) -> Standing:
    """Give which pallets stand already, and where, by their numbers."""
    count = uses.height
    areas = [area.name for area in yard.areas] or ["yard"]
    number = {name: k for k, name in enumerate(uses["pallet"].to_list())}
    fixed = np.zeros(count, dtype=np.bool_)
    area, level = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
    below = np.full(count, -1, dtype=np.int64)
    for row in () if standing is None else standing.iter_rows(named=True):
        pallet = number.get(str(row["pallet"]))
        if pallet is None or row["level"] is None or row["area"] not in areas:
            continue
        fixed[pallet] = True
        area[pallet], level[pallet] = areas.index(row["area"]), int(row["level"])
        below[pallet] = number.get(str(row["on_pallet"]), -1)
    return Standing(fixed=fixed, area=area, below=below, level=level)


def _stacked(ground: Ground, times: Times, standing: Standing) -> Stacking:
    """Stack all pallets that stand in the yard; those used from the truck keep -1."""
    chosen = np.flatnonzero(~times.direct)
    place = np.full(len(times.rank), -1, dtype=np.int64)
    place[chosen] = np.arange(len(chosen))
    under = standing.below[chosen]
    part = Ground(
        room_m2=ground.room_m2,
        preference=ground.preference[chosen],
        footprint_m2=ground.footprint_m2[chosen],
        kind=ground.kind[chosen],
        stack_max=ground.stack_max[chosen],
    )
    got = stack_pallets(
        part,
        arrives=times.arrives[chosen],
        leaves=times.rank[chosen],
        leave_day=times.leaves[chosen],
        standing=Standing(
            fixed=standing.fixed[chosen],
            area=standing.area[chosen],
            below=np.where(under >= 0, place[np.maximum(under, 0)], -1),
            level=standing.level[chosen],
        ),
    )
    nowhere = np.full(len(times.rank), -1, dtype=np.int64)
    area, stack, below, level = nowhere.copy(), nowhere.copy(), nowhere.copy(), nowhere * 0
    area[chosen], stack[chosen], level[chosen] = got.area, got.stack, got.level
    below[chosen] = np.where(got.below >= 0, chosen[np.maximum(got.below, 0)], -1)
    digs = np.zeros(len(times.rank), dtype=np.int64)
    digs[chosen] = got.digs
    return Stacking(area=area, stack=stack, below=below, level=level, digs=digs, proven=got.proven)


def plan_yard(
    site: Site,
    *,
    uses: pl.DataFrame,
    dated: bool,
    pallets_per_trip: int = 1,
    standing: pl.DataFrame | None = None,
) -> YardPlan:
    """Plan where pallets stand so that what is needed first can be reached first.

    A pallet that is needed on the day it arrives goes from the truck to its drop point. Others
    stand in the nearest area that has room, in stacks not higher than ``[yard]`` and the module
    type allow, see ``stacking.stack_pallets``. Ways are as the crow flies.

    Args:
        site: the site; without ``[yard]`` the ground is taken as unlimited.
        uses: one row a pallet: ``pallet``, ``module_type``, ``modules``, ``arrives`` (date),
            ``leaves`` (day it is first opened, null when it is not needed), ``rank`` (order of
            being first opened, null as before), ``drop_point`` (the first, null as before).
        dated: whether the days of leaving are known; if not, all pallets stand at once.
        pallets_per_trip: pallets the lift brings to a drop point in one trip.
        standing: ``pallet``, ``area``, ``level`` and ``on_pallet`` of pallets that stand already
            and are not moved, as in ``YardPlan.stacks``; those in areas no longer described are put
            down anew. None when all are to be put down by the plan.

    Source: common-practice
    """
    yard = site.yard or Yard()
    uses = uses.select(pl.col(name).cast(kind) for name, kind in _USES.items())
    times = times_of(uses, dated=dated)
    distances_m = _distances_m(yard.areas, uses, site)
    ground, limit = _ground(uses, site, yard=yard, distances_m=distances_m)
    fixed = _standing(uses, standing, yard=yard)
    stacking = _stacked(ground, times, fixed)
    trips, trip_m = _trips(
        uses, stacking, times, distances_m=distances_m, pallets_per_trip=pallets_per_trip
    )
    days = yard_days(ground, stacking, times, yard=yard, trips=trips, dated=dated)
    described = sum(area.area_m2 for area in yard.areas) if yard.areas else None
    most = days.sort("area_needed_m2", "day", descending=[True, False]).head(1)
    area_most = float(most["area_needed_m2"][0]) if most.height else 0.0
    day_most = most["day"][0] if most.height else None
    homeless = int(np.sum((stacking.stack < 0) & ~times.direct))
    findings = yard_findings(
        site,
        uses,
        limit=limit,
        homeless=homeless,
        area_most_m2=area_most,
        day_most=day_most if dated else None,
    )
    total = int(trips["trips"].sum())
    return YardPlan(
        stacks=_stack_frame(uses, stacking, times, yard=yard, dated=dated),
        days=days,
        digs=stacking.total_digs,
        digs_proven=stacking.proven,
        trips=total,
        trip_m=trip_m,
        area_most_m2=area_most,
        area_most_day=day_most,
        area_described_m2=described,
        dated=dated,
        findings=findings,
        sentence=_sentence(
            uses.height,
            days,
            digs=stacking.total_digs,
            trips=total,
            described=described,
            dated=dated,
        ),
    )


def _trips(
    uses: pl.DataFrame,
    stacking: Stacking,
    times: Times,
    *,
    distances_m: FloatArray,
    pallets_per_trip: int,
) -> tuple[pl.DataFrame, float]:
    """Give trips per day from each area to each drop point, and their length one way."""
    way = distances_m[np.arange(uses.height), np.maximum(stacking.area, 0)]
    frame = (
        pl.DataFrame(
            {
                "day": times.leaves,
                "area": stacking.area,
                "drop_point": uses["drop_point"],
                "way_m": np.where(np.isfinite(way) & (stacking.area >= 0), way, 0.0),
                "needed": times.needed,
            }
        )
        .filter("needed")
        .group_by("day", "area", "drop_point")
        .agg(pl.len().cast(pl.Int64).alias("pallets"), pl.col("way_m").max())
        .with_columns(trips=-(-pl.col("pallets") // pallets_per_trip))
    )
    trip_m = float((frame["trips"] * frame["way_m"]).sum())
    return frame.group_by("day").agg(pl.col("trips").sum()), trip_m


def _stack_frame(
    uses: pl.DataFrame, stacking: Stacking, times: Times, *, yard: Yard, dated: bool
) -> pl.DataFrame:
    names = [area.name for area in yard.areas] or ["yard"]
    pallet = uses["pallet"]
    below = pl.Series(np.where(stacking.below >= 0, stacking.below, 0))
    out = np.cumsum(times.needed[np.argsort(times.rank)])[times.rank]
    frame = uses.select("pallet", "module_type", "modules", "arrives", "leaves").with_columns(
        # without dates the day of leaving is not known, only the order
        leaves=pl.col("leaves") if dated else pl.lit(None, dtype=pl.Date),
        out_order=pl.when(pl.Series(times.needed)).then(pl.Series(out.astype(np.int64))),
        drop_point=uses["drop_point"],
        way=pl.Series(
            np.where(
                times.direct, "from the truck", np.where(stacking.stack < 0, "no room", "yard")
            ).tolist()
        ),
        area=pl.Series(
            [names[a] if a >= 0 else None for a in stacking.area.tolist()], dtype=pl.String
        ),
        number=pl.Series(stacking.stack),
        level=pl.when(pl.Series(stacking.stack) >= 0).then(pl.Series(stacking.level)),
        on_pallet=pl.when(pl.Series(stacking.below) >= 0).then(pallet.gather(below)),
        digs=pl.Series(stacking.digs),
    )
    return (
        frame.with_columns(
            stack=pl.when(pl.col("number") >= 0).then(
                pl.col("number").rank("dense").over("area").cast(pl.Int64)
            )
        )
        .select(
            "pallet",
            "module_type",
            "modules",
            "arrives",
            "leaves",
            "out_order",
            "drop_point",
            "way",
            "area",
            "stack",
            "level",
            "on_pallet",
            "digs",
        )
        .sort("arrives", "area", "stack", "level", "pallet", nulls_last=True)
    )


def _sentence(
    pallets: int,
    days: pl.DataFrame,
    *,
    digs: int,
    trips: int,
    described: float | None,
    dated: bool,
) -> str:
    if days.is_empty():
        return "No pallet stands in the yard."
    most = days.sort("area_needed_m2", "day", descending=[True, False]).row(0, named=True)
    against = "" if described is None else f" of {described:,.0f} m2 described"
    lifted = (
        "no pallet has to be lifted off another"
        if not digs
        else f"{digs:,} times a pallet is lifted off another that is needed first"
    )
    if not dated:
        return (
            f"{pallets:,} pallets stand in the yard on {most['places']:,} places, which takes "
            f"{most['area_needed_m2']:,.0f} m2{against} with ways for the lift; {lifted}, and "
            f"{trips:,} trips to the drop points are needed."
        )
    busiest = days.sort("trips", "day", descending=[True, False]).row(0, named=True)
    return (
        f"The yard is fullest on {most['day']} with {most['pallets']:,} pallets on "
        f"{most['places']:,} places, which takes {most['area_needed_m2']:,.0f} m2{against} with "
        f"ways for the lift; {lifted}. {trips:,} trips to the drop points are needed, at most "
        f"{busiest['trips']:,} on one day ({busiest['day']})."
    )
