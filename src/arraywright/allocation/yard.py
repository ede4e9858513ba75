"""Where pallets stand until they are needed, the ground that takes, and the lift's trips."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import polars as pl

from arraywright.allocation.stacking import Ground, Stacking, stack_pallets
from arraywright.allocation.yard_findings import yard_findings
from arraywright.arrays import BoolArray, FloatArray, IntArray
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

_AGES: Final = 10**6
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Times:
    """Days and ranks of the pallets, (pallets,) each; pallets never taken out leave last."""

    arrives: IntArray
    leaves: IntArray
    rank: IntArray
    needed: BoolArray
    direct: BoolArray


def _times(uses: pl.DataFrame, *, dated: bool) -> _Times:
    epoch = date(1970, 1, 1).toordinal()
    arrives = uses["arrives"].to_physical().cast(pl.Int64).to_numpy() + epoch
    needed = uses["rank"].is_not_null().to_numpy()
    if dated:
        leaves = (uses["leaves"].to_physical().cast(pl.Int64) + epoch).fill_null(_AGES).to_numpy()
        direct = needed & (leaves <= arrives)
    else:
        arrives = np.full_like(arrives, int(arrives.max(initial=1)))
        leaves = np.where(needed, arrives + 1, _AGES)
        direct = np.zeros(uses.height, dtype=np.bool_)
    order = np.lexsort((np.arange(uses.height), uses["rank"].fill_null(2**62).to_numpy(), leaves))
    rank = np.empty(uses.height, dtype=np.int64)
    rank[order] = np.arange(uses.height)
    return _Times(arrives=arrives, leaves=leaves, rank=rank, needed=needed, direct=direct)


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


def _stacked(ground: Ground, times: _Times) -> Stacking:
    """Stack all pallets that stand in the yard; those used from the truck keep -1."""
    chosen = np.flatnonzero(~times.direct)
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
    )
    nowhere = np.full(len(times.rank), -1, dtype=np.int64)
    area, stack, below, level = nowhere.copy(), nowhere.copy(), nowhere.copy(), nowhere * 0
    area[chosen], stack[chosen], level[chosen] = got.area, got.stack, got.level
    below[chosen] = np.where(got.below >= 0, chosen[np.maximum(got.below, 0)], -1)
    digs = np.zeros(len(times.rank), dtype=np.int64)
    digs[chosen] = got.digs
    return Stacking(area=area, stack=stack, below=below, level=level, digs=digs, proven=got.proven)


def plan_yard(
    site: Site, *, uses: pl.DataFrame, dated: bool, pallets_per_trip: int = 1
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

    Source: common-practice
    """
    yard = site.yard or Yard()
    uses = uses.select(pl.col(name).cast(kind) for name, kind in _USES.items())
    times = _times(uses, dated=dated)
    distances_m = _distances_m(yard.areas, uses, site)
    ground, limit = _ground(uses, site, yard=yard, distances_m=distances_m)
    stacking = _stacked(ground, times)
    trips, trip_m = _trips(
        uses, stacking, times, distances_m=distances_m, pallets_per_trip=pallets_per_trip
    )
    days = _days(ground, stacking, times, yard=yard, trips=trips, dated=dated)
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
    times: _Times,
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


def _days(
    ground: Ground,
    stacking: Stacking,
    times: _Times,
    *,
    yard: Yard,
    trips: pl.DataFrame,
    dated: bool,
) -> pl.DataFrame:
    """Give what stands, moves and is needed on each day."""
    schema = {
        "day": pl.Date,
        "pallets": pl.Int64,
        "places": pl.Int64,
        "area_needed_m2": pl.Float64,
        "unloaded": pl.Int64,
        "taken_out": pl.Int64,
        "digs": pl.Int64,
        "trips": pl.Int64,
    }
    if not len(times.arrives):
        return pl.DataFrame(schema=schema)
    first = int(times.arrives.min())
    leaving = times.leaves[times.needed]
    last = max(int(leaving.max(initial=first)), int(times.arrives.max()))
    count = (last if dated else first) - first + 1
    in_yard = ~times.direct
    begin = times.arrives - first
    end = np.minimum(times.leaves, last) - first

    def standing(begins: IntArray, ends: IntArray, weight: FloatArray) -> FloatArray:
        change = np.zeros(count + 2)
        np.add.at(change, begins, weight)
        np.add.at(change, np.minimum(ends + 1, count + 1), -weight)
        return np.cumsum(change)[:count]

    one = np.ones(int(in_yard.sum()))
    pallets = standing(begin[in_yard], end[in_yard], one)
    # a stack stands from its first pallet's arrival until its last one leaves
    alone = np.flatnonzero(in_yard & (stacking.stack < 0))
    housed = np.flatnonzero(stacking.stack >= 0)
    key = np.concatenate(
        [stacking.stack[housed], stacking.stack.max(initial=-1) + 1 + np.arange(len(alone))]
    )
    who = np.concatenate([housed, alone])
    stacks = int(key.max(initial=-1)) + 1
    stack_begin = np.full(stacks, _AGES, dtype=np.int64)
    stack_end = np.zeros(stacks, dtype=np.int64)
    np.minimum.at(stack_begin, key, begin[who])
    np.maximum.at(stack_end, key, end[who])
    footprint = np.zeros(stacks)
    footprint[key] = ground.footprint_m2[who]
    places = standing(stack_begin, stack_end, np.ones(stacks))
    net_m2 = standing(stack_begin, stack_end, footprint)

    def at(days: IntArray, weight: IntArray) -> IntArray:
        inside = (days >= 0) & (days < count)
        return np.bincount(days[inside], weights=weight[inside], minlength=count).astype(np.int64)

    ones = np.ones(len(begin), dtype=np.int64)
    leave = np.where(times.needed, times.leaves - first, -1)
    # a pallet is lifted off on the days on which those below it that leave before it are taken out
    digs = at(*_dig_days(stacking, times, first=first))
    frame = pl.DataFrame(
        {
            "day": pl.Series(np.arange(first, first + count) - date(1970, 1, 1).toordinal())
            .cast(pl.Int32)
            .cast(pl.Date),
            "pallets": np.rint(pallets).astype(np.int64),
            "places": np.rint(places).astype(np.int64),
            "area_needed_m2": np.round(net_m2 / (1.0 - yard.aisle_ratio), 3),
            "unloaded": at(begin, ones),
            "taken_out": at(leave, ones),
            "digs": digs,
        }
    )
    by_day = trips.select(
        (pl.col("day") - date(1970, 1, 1).toordinal()).cast(pl.Int32).cast(pl.Date), "trips"
    )
    return (
        frame.join(by_day, on="day", how="left", maintain_order="left")
        .with_columns(pl.col("trips").fill_null(0).cast(pl.Int64))
        .select(list(schema))
    )


def _dig_days(stacking: Stacking, times: _Times, *, first: int) -> tuple[IntArray, IntArray]:
    """Give the days of digs and their number: each time a pallet below leaves before another."""
    days: list[int] = []
    for pallet in np.flatnonzero(stacking.digs > 0).tolist():
        mine = times.rank[pallet]
        mates = np.flatnonzero(stacking.stack == stacking.stack[pallet])
        under = mates[
            (times.rank[mates] < mine)
            & (times.leaves[mates] >= times.arrives[pallet])
            & (_put_down_before(times, mates, pallet))
        ]
        days.extend((times.leaves[under] - first).tolist())
    return np.array(days, dtype=np.int64), np.ones(len(days), dtype=np.int64)


def _put_down_before(times: _Times, mates: IntArray, pallet: int) -> BoolArray:
    """Tell which pallets are put down before one: earlier days, or needed later the same day."""
    same = times.arrives[mates] == times.arrives[pallet]
    earlier = times.arrives[mates] < times.arrives[pallet]
    return np.asarray(earlier | (same & (times.rank[mates] > times.rank[pallet])))


def _stack_frame(
    uses: pl.DataFrame, stacking: Stacking, times: _Times, *, yard: Yard, dated: bool
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
