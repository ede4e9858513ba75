"""The yard day by day: what stands, what moves, and the ground that takes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import polars as pl

from arraywright.allocation.stacking import Ground, Stacking
from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.plant import Yard

__all__ = ["Times", "times_of", "yard_days"]

AGES: Final = 10**6


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """Days and ranks of the pallets, (pallets,) each; pallets never taken out leave last."""

    arrives: IntArray
    leaves: IntArray
    rank: IntArray
    needed: BoolArray
    direct: BoolArray


def times_of(uses: pl.DataFrame, *, dated: bool) -> Times:
    """Give when pallets come and go; without dates all come first and go in order of rank."""
    epoch = date(1970, 1, 1).toordinal()
    arrives = uses["arrives"].to_physical().cast(pl.Int64).to_numpy() + epoch
    needed = uses["rank"].is_not_null().to_numpy()
    if dated:
        leaves = (uses["leaves"].to_physical().cast(pl.Int64) + epoch).fill_null(AGES).to_numpy()
        direct = needed & (leaves <= arrives)
    else:
        arrives = np.full_like(arrives, int(arrives.max(initial=1)))
        leaves = np.where(needed, arrives + 1, AGES)
        direct = np.zeros(uses.height, dtype=np.bool_)
    order = np.lexsort((np.arange(uses.height), uses["rank"].fill_null(2**62).to_numpy(), leaves))
    rank = np.empty(uses.height, dtype=np.int64)
    rank[order] = np.arange(uses.height)
    return Times(arrives=arrives, leaves=leaves, rank=rank, needed=needed, direct=direct)


def yard_days(
    ground: Ground,
    stacking: Stacking,
    times: Times,
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
    stack_begin = np.full(stacks, AGES, dtype=np.int64)
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


def _dig_days(stacking: Stacking, times: Times, *, first: int) -> tuple[IntArray, IntArray]:
    """Give the days of digs and their number: each time a pallet below leaves before another."""
    days: list[int] = []
    for pallet in np.flatnonzero(stacking.digs > 0).tolist():
        mine = times.rank[pallet]
        mates = np.flatnonzero(stacking.stack == stacking.stack[pallet])
        under = mates[
            (times.rank[mates] < mine)
            & (times.leaves[mates] >= times.arrives[pallet])
            & (_put_down_before(times, stacking.level, mates, pallet))
        ]
        days.extend((times.leaves[under] - first).tolist())
    return np.array(days, dtype=np.int64), np.ones(len(days), dtype=np.int64)


def _put_down_before(times: Times, level: IntArray, mates: IntArray, pallet: int) -> BoolArray:
    """Tell which pallets are put down before one: on earlier days, or below it the same day."""
    same = times.arrives[mates] == times.arrives[pallet]
    earlier = times.arrives[mates] < times.arrives[pallet]
    return np.asarray(earlier | (same & (level[mates] < level[pallet])))
