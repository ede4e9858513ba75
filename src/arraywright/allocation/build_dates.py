"""On which day each string is to be built, and from which day each pallet may be used."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from arraywright.allocation.demand import Demand
from arraywright.allocation.stock import Supply
from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.plant import Building, Site

__all__ = ["BuildDays", "StockDays", "build_days", "day_of", "stock_days", "unit_days"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildDays:
    """Day of each open string.

    Attributes:
        day: day as ordinal, never falling in building order, (strings,).
        described: whether dates or a pace of building are described; else all strings are taken
            as built on the planning day.
        late: strings whose described day is before the planning day and which are not built.
    """

    day: IntArray
    described: bool
    late: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StockDays:
    """From which day pallets may be used.

    Attributes:
        planning_day: day for which the plan is made; what is accepted is here on it.
        pallets: frame of ``pallet``, ``day`` (date) and ``announced`` (true while the pallet is
            not here); pallets that are not in it are here on the planning day.
    """

    planning_day: date
    pallets: pl.DataFrame


def day_of(ordinal: int) -> date:
    """Give the day of an ordinal."""
    return date.fromordinal(int(ordinal))


def _paced(building: Building, *, first: date, strings: int) -> IntArray:
    """Day of each string at the described pace, from a day on, (strings,)."""
    weekmask = [number in building.working_days for number in range(7)]
    pace = building.strings_per_day * building.crews
    # a hair against 0.1 * 10 < 1: the last string of a day belongs to that day
    steps = np.floor(np.arange(strings) / pace + 1e-9).astype(np.int64)
    days = np.busday_offset(
        np.datetime64(max(first, building.start)),
        steps,
        roll="forward",
        weekmask=weekmask,
        holidays=[np.datetime64(day) for day in building.holidays],
    )
    since = days.astype("datetime64[D]").astype(np.int64)
    return since + date(1970, 1, 1).toordinal()


def build_days(site: Site, demand: Demand, *, planning_day: date) -> BuildDays:
    """Give the day on which each open string is to be built.

    A ``build_date`` of the table of strings goes first; other strings follow at the pace of
    ``[building]``, from its start or from the planning day on, whichever is later. Without a pace
    they take the day of the string before. What should have been built before the planning day
    and is not, is built on it. A day never falls in building order.
    """
    strings = demand.strings
    count = strings.height
    today = planning_day.toordinal()
    dated: FloatArray = np.full(count, np.nan)
    if "build_date" in strings.columns:
        epoch = date(1970, 1, 1).toordinal()
        given = strings["build_date"].cast(pl.Date).to_physical() + epoch
        dated = given.cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(np.float64)
    known: BoolArray = np.isfinite(dated)
    if site.building is None and not known.any():
        return BuildDays(day=np.full(count, today, dtype=np.int64), described=False, late=0)
    day = np.where(known, dated, -np.inf)
    if site.building is not None:
        loose = np.flatnonzero(~known)
        day[loose] = _paced(site.building, first=planning_day, strings=len(loose))
    else:
        day[: int(np.argmax(known))] = dated[known][0]
    late = int(np.sum(known & (dated < today)))
    whole = np.maximum.accumulate(np.maximum(day, today)) if count else day
    return BuildDays(day=whole.astype(np.int64), described=True, late=late)


def stock_days(planning_day: date, pallets: pl.DataFrame | None = None) -> StockDays:
    """Give the days of pallets; without a frame everything is here on the planning day."""
    schema = {"pallet": pl.String(), "day": pl.Date(), "announced": pl.Boolean()}
    frame = pl.DataFrame(schema=schema)
    if pallets is not None:
        frame = pallets.select(pl.col(name).cast(kind) for name, kind in schema.items())
    return StockDays(planning_day=planning_day, pallets=frame.unique("pallet", keep="last"))


def unit_days(supply: Supply, days: StockDays) -> tuple[IntArray, BoolArray]:
    """Give first day as ordinal and whether it is only announced, of each unit, (units,) each."""
    today = days.planning_day
    first = supply.modules["pallet"].gather(supply.unit_offsets[:-1])
    joined = (
        pl.DataFrame({"pallet": first})
        .join(days.pallets, on="pallet", how="left", maintain_order="left")
        .with_columns(pl.col("day").fill_null(today), pl.col("announced").fill_null(value=False))
    )
    ordinal = joined["day"].to_physical().cast(pl.Int64) + date(1970, 1, 1).toordinal()
    return (
        ordinal.to_numpy().astype(np.int64),
        joined["announced"].to_numpy().astype(np.bool_),
    )
