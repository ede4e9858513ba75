"""Bringing tables into the shape the calculations need."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl

from arraywright.arrays import FloatArray
from arraywright.errors import CallError
from arraywright.tables import TableSpec

__all__ = ["checked_now", "number", "seconds", "shaped"]


def shaped(frame: pl.DataFrame, spec: TableSpec) -> pl.DataFrame:
    """Give the frame with every column of the table, absent ones empty, times in UTC.

    Texts are stripped and empty ones become missing; numbers that are not finite become missing.

    Raises:
        CallError: a required column is absent, or a time has no time zone.
    """
    absent = [name for name in spec.required if name not in frame.columns]
    if absent:
        raise CallError(
            "table-columns-missing",
            f"The table of {spec.title} lacks the column {', '.join(absent)}.",
            "Give every required column of the table.",
        )
    wanted: list[pl.Expr] = []
    for name, dtype in spec.schema.items():
        if name not in frame.columns:
            wanted.append(pl.lit(None, dtype=dtype).alias(name))
            continue
        held = frame.schema[name]
        column = pl.col(name)
        if isinstance(dtype, pl.Datetime):
            if held == pl.Null:
                column = column.cast(dtype)
            elif not isinstance(held, pl.Datetime) or held.time_zone is None:
                raise CallError(
                    "time-without-zone",
                    f"The column {name} of the {spec.title} holds {held}, required a time with "
                    "its time zone.",
                    "Give times in UTC or with their zone.",
                )
            else:
                column = column.dt.convert_time_zone("UTC").dt.cast_time_unit("us")
        elif dtype == pl.String:
            text = column.cast(pl.String).str.strip_chars()
            column = pl.when(text != "").then(text).alias(name)
        elif dtype == pl.Float64:
            value = column.cast(pl.Float64)
            column = pl.when(value.is_finite()).then(value).alias(name)
        else:
            column = column.cast(dtype)
        wanted.append(column)
    return frame.select(wanted)


def number(frame: pl.DataFrame, column: str) -> FloatArray:
    """Give a column as an array, NaN where missing, (rows,)."""
    return frame[column].cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(np.float64)


def seconds(frame: pl.DataFrame, column: str) -> FloatArray:
    """Give a column of times as seconds since 1970 UTC [s], NaN where missing, (rows,)."""
    micro = frame[column].dt.epoch("us").cast(pl.Float64) / 1e6
    return micro.fill_null(float("nan")).to_numpy().astype(np.float64)


def checked_now(moment: dt.datetime, name: str) -> float:
    """Give a moment as seconds since 1970 UTC [s].

    Raises:
        CallError: the moment has no time zone.
    """
    if moment.tzinfo is None:
        raise CallError(
            "time-without-zone",
            f"{name} is {moment.isoformat()}, which has no time zone.",
            "Give a moment with its time zone, best UTC.",
        )
    return moment.timestamp()
