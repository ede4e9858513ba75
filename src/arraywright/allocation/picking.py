"""The picking list: which pallet is set down where, in which order, for which strings."""

from __future__ import annotations

from typing import Final

import polars as pl

from arraywright.allocation.plan import Plan
from arraywright.plant import Site

__all__ = ["PICKING_CAUTIONS", "picking_list"]

PICKING_CAUTIONS: Final = (
    "Local codes, the module maker's instructions and the person in charge of lifting go first.",
    "Set pallets down on firm, level ground; nobody stands below or beside a lifted load.",
    "Make an opened pallet fast again before it is moved; loose modules must not travel.",
    "Two people carry a module. Do not open pallets or carry modules in strong wind.",
    "Modules in light are live and cannot be switched off; licensed people connect them.",
)
"""Usual cautions for whoever works by the list, common practice."""


def _taken(plan: Plan, site: Site) -> pl.DataFrame:
    strings = site.strings.select("string", "drop_point", "build_order")
    used = plan.assignments.join(strings, on="string", how="left", maintain_order="left")
    by_string = used.group_by("drop_point", "pallet", "build_order", "string").agg(
        pl.len().cast(pl.Int64).alias("modules_taken"), pl.col("place_in_string").min()
    )
    return (
        by_string.sort("build_order", "string", "place_in_string", "pallet")
        .group_by("drop_point", "pallet", maintain_order=True)
        .agg(
            pl.col("build_order").first().alias("first"),
            pl.col("string").first().alias("first_string"),
            pl.col("place_in_string").first().alias("first_place"),
            pl.col("string").alias("names"),
            pl.col("modules_taken").sum(),
        )
        .with_columns(drop_first=pl.col("first").min().over("drop_point"))
        .sort("drop_first", "drop_point", "first", "first_string", "first_place", "pallet")
        .with_columns(order=pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("drop_point"))
    )


def _remark() -> pl.Expr:
    comes = pl.when(~pl.col("opened")).then(pl.format("comes opened from {}", pl.col("before")))
    goes = pl.when(pl.col("after").is_not_null()).then(
        pl.format(
            "goes on to {} with {} modules, make it fast first",
            pl.col("after"),
            pl.col("modules_left"),
        )
    )
    stays = pl.when(pl.col("after").is_null() & ~pl.col("finished")).then(
        pl.format(
            "{} modules stay on it: {} spares, {} left over",
            pl.col("modules_left"),
            pl.col("spare"),
            pl.col("modules_left") - pl.col("spare"),
        )
    )
    return pl.concat_str(comes, goes, stays, separator="; ", ignore_nulls=True)


def picking_list(plan: Plan, site: Site) -> pl.DataFrame:
    """List the pallets of each drop point in the order they are used.

    Columns: ``drop_point``, ``order`` (1 is opened first at this drop point), ``pallet``,
    ``strings`` (in building order, separated by commas), ``modules_taken``, ``modules_left``
    (usable modules on the pallet afterwards), ``opened`` (true where the pallet is opened for the
    first time), ``finished`` (true where no usable module is left on it), ``remark``. One row is
    one pallet opening. Drop points stand in building order.

    Source: common-practice
    """
    rest = pl.concat(
        [plan.leftovers.select("pallet", spare=0), plan.spares.select("pallet", spare=1)]
    )
    stays = rest.group_by("pallet").agg(
        pl.len().cast(pl.Int64).alias("stays"), pl.col("spare").sum().cast(pl.Int64)
    )
    later = pl.col("modules_taken").sum().over("pallet") - pl.col("modules_taken").cum_sum().over(
        "pallet"
    )
    return (
        _taken(plan, site)
        .join(stays, on="pallet", how="left", maintain_order="left")
        .with_columns(pl.col("stays").fill_null(0), pl.col("spare").fill_null(0))
        .with_columns(
            modules_left=later + pl.col("stays"),
            before=pl.col("drop_point").shift(1).over("pallet"),
            after=pl.col("drop_point").shift(-1).over("pallet"),
            strings=pl.col("names").list.join(", "),
        )
        .with_columns(opened=pl.col("before").is_null(), finished=pl.col("modules_left") == 0)
        .with_columns(remark=_remark())
        .select(
            "drop_point",
            "order",
            "pallet",
            "strings",
            "modules_taken",
            "modules_left",
            "opened",
            "finished",
            "remark",
        )
    )
