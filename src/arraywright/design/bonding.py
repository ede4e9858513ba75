"""Bonding of every table: points on the frames, jumpers, conductor, links to the next table."""

from __future__ import annotations

from typing import Final, Literal, TypeAlias, get_args

import numpy as np
import polars as pl
from scipy.spatial import cKDTree

from arraywright.arrays import FloatArray, IntArray
from arraywright.design.earthing import bonding_points
from arraywright.errors import CallError

__all__ = ["FRAME_BONDINGS", "FrameBonding", "table_bonding", "table_links"]

FrameBonding: TypeAlias = Literal["conductor", "jumpers", "clamps"]
FRAME_BONDINGS: Final[tuple[str, ...]] = get_args(FrameBonding)
"""Ways frames are bonded.

``conductor`` one conductor runs along every module row and each frame is connected to it;
``jumpers`` a short jumper goes from each frame to the next; ``clamps`` clamps with a bonding
function connect each frame to its rails, and jumpers bridge the joints of the rails.
"""
_LINK_MAX_M: Final = 5.0
"""Ends of tables further apart than this are not linked along the row (common practice)."""
_NEAR_TABLES: Final = 8
_LINK_ACROSS_M: Final = 1.0
"""Ends of tables further apart than this across the row are not of one row (common practice)."""


def table_bonding(
    positions: pl.DataFrame,
    structures: pl.DataFrame,
    *,
    way: FrameBonding,
    bonds_per_module: int,
    holes_per_module: int,
    connections_per_table: int = 1,
    slack_ratio: float = 0.05,
    end_allowance_m: float = 1.0,
    jumper_m: float | None = None,
    rails_per_row: int = 2,
    rail_length_m: float | None = None,
) -> pl.DataFrame:
    """Give what the bonding of every table takes: points, jumpers and conductor.

    Adds ``rows`` and ``columns`` of modules, ``jumpers`` and ``conductor_m`` to ``bonding_points``.
    By ``conductor``: the ways along all module rows, centre to centre, and once up the slope, with
    slack, plus the allowance for each connection of the table; no jumpers. By ``jumpers``: one
    fewer than there are modules. By ``clamps``: one for each rail at each joint between lengths of
    rail. Jumpers give conductor by their length. What a missing length keeps open is null.

    Args:
        positions: frame of ``plant.tables.POSITIONS``.
        structures: frame of ``plant.tables.STRUCTURES``.
        way: how frames are bonded, see ``FRAME_BONDINGS``.
        bonds_per_module: bonding points on each frame.
        holes_per_module: holes of a frame that may be used.
        connections_per_table: connections from each table to earth or to the next table.
        slack_ratio: slack over the way.
        end_allowance_m: for height and connection at each connection of the table.
        jumper_m: length of one jumper; None when not known.
        rails_per_row: rails below each module row.
        rail_length_m: rail between two expansion gaps; None when not known.

    Raises:
        CallError: a count is below 1, more bonds than holes, or an unknown way.

    Source: common-practice.
    """
    if way not in FRAME_BONDINGS:
        raise CallError(
            "frame-bonding",
            f"{way!r} is no way of bonding.",
            f"One of {', '.join(FRAME_BONDINGS)}.",
        )
    counted = bonding_points(
        positions,
        structures,
        bonds_per_module=bonds_per_module,
        holes_per_module=holes_per_module,
        connections_per_table=connections_per_table,
    ).filter(pl.col("modules") > 0)
    frame = counted.join(
        _extents(positions, structures), on="structure", how="left", maintain_order="left"
    )
    if way == "conductor":
        whole = (pl.col("rows_m") + pl.col("up_m")) * (1.0 + slack_ratio)
        return _told(
            frame,
            jumpers=pl.lit(0),
            conductor_m=whole + pl.col("table_connections") * end_allowance_m,
        )
    if way == "jumpers":
        jumpers = pl.col("modules") - 1
    elif rail_length_m is None:
        jumpers = pl.lit(None, dtype=pl.Int64)
    else:
        lengths = (pl.col("long_m") / rail_length_m - 1e-9).ceil().clip(lower_bound=1.0)
        jumpers = (lengths - 1.0).cast(pl.Int64) * rails_per_row * pl.col("rows")
    each_m = pl.lit(jumper_m, dtype=pl.Float64)
    conductor_m = pl.when(jumpers == 0).then(0.0).otherwise(jumpers * each_m)
    return _told(frame, jumpers=jumpers, conductor_m=conductor_m)


def _told(frame: pl.DataFrame, *, jumpers: pl.Expr, conductor_m: pl.Expr) -> pl.DataFrame:
    return frame.with_columns(
        jumpers.cast(pl.Int64).alias("jumpers"), conductor_m.round(3).alias("conductor_m")
    ).select(
        "structure",
        "rows",
        "columns",
        "modules",
        "module_bonds",
        "table_connections",
        "bonding_points",
        "jumpers",
        "conductor_m",
    )


def _along(positions: pl.DataFrame, structures: pl.DataFrame) -> pl.DataFrame:
    """Give each position's way along its table and down its slope from the table's own centre."""
    turn = pl.col("azimuth_deg").radians()
    east, north = pl.col("x_m") - pl.col("at_x_m"), pl.col("y_m") - pl.col("at_y_m")
    return (
        positions.select("structure", "row", "column", "x_m", "y_m")
        .join(
            structures.select(
                "structure",
                "tilt_deg",
                "azimuth_deg",
                pl.col("x_m").alias("at_x_m"),
                pl.col("y_m").alias("at_y_m"),
            ),
            on="structure",
        )
        .with_columns(
            (north * turn.sin() - east * turn.cos()).alias("along"),
            (
                (east * turn.sin() + north * turn.cos())
                / pl.col("tilt_deg").radians().cos().clip(lower_bound=1e-6)
            ).alias("down"),
        )
    )


def _extents(positions: pl.DataFrame, structures: pl.DataFrame) -> pl.DataFrame:
    """Give rows, columns and ways of each table.

    ``rows_m`` along all its rows, ``up_m`` from the first to the last row up the slope, ``long_m``
    the length of its longest row with half a space at each end.
    """
    rows = (
        _along(positions, structures)
        .group_by("structure", "row")
        .agg(
            (pl.col("along").max() - pl.col("along").min()).alias("row_m"),
            pl.len().alias("held"),
            pl.col("down").mean(),
        )
    )
    space = pl.when(pl.col("held") > 1).then(pl.col("row_m") / (pl.col("held") - 1)).otherwise(0.0)
    return rows.group_by("structure").agg(
        pl.len().cast(pl.Int64).alias("rows"),
        pl.col("held").max().cast(pl.Int64).alias("columns"),
        pl.col("row_m").sum().alias("rows_m"),
        (pl.col("down").max() - pl.col("down").min()).alias("up_m"),
        (pl.col("row_m") + space).max().alias("long_m"),
    )


def table_links(positions: pl.DataFrame, structures: pl.DataFrame) -> pl.DataFrame:
    """Give the links from each table to the next one in its row.

    Two tables are linked when the end of one and the beginning of the other are nearest to each
    other in the row, at most 5 m apart and 1 m across it, by the centres of the outermost modules.

    Gives a frame of ``from``, ``to`` and ``plan_m``, centre to centre.

    Args:
        positions: frame of ``plant.tables.POSITIONS``.
        structures: frame of ``plant.tables.STRUCTURES``.

    Source: common-practice.
    """
    ends = (
        _along(positions, structures)
        .group_by("structure", maintain_order=True)
        .agg(
            *(
                pl.col(name)
                .filter((pl.col("along") - edge).abs() < 1e-3)
                .mean()
                .alias(f"{name}{which}")
                for which, edge in (
                    ("_first", pl.col("along").min()),
                    ("_last", pl.col("along").max()),
                )
                for name in ("x_m", "y_m")
            ),
            pl.col("azimuth_deg").first(),
        )
    )
    schema = {"from": pl.String, "to": pl.String, "plan_m": pl.Float64}
    if ends.height < 2:
        return pl.DataFrame(schema=schema)
    first = ends.select("x_m_first", "y_m_first").to_numpy()
    last = ends.select("x_m_last", "y_m_last").to_numpy()
    turn = np.deg2rad(ends["azimuth_deg"].to_numpy())
    row = np.column_stack([-np.cos(turn), np.sin(turn)])
    ahead = _next_in_row(cKDTree(first), last, row)
    behind = _next_in_row(cKDTree(last), first, -row)
    here = np.arange(ends.height)
    mutual = (ahead >= 0) & (behind[ahead] == here)
    start, end = here[mutual], ahead[mutual]
    way = first[end] - last[start]
    names = ends["structure"]
    return pl.DataFrame(
        {
            "from": names.gather(start),
            "to": names.gather(end),
            "plan_m": np.hypot(way[:, 0], way[:, 1]),
        },
        schema=schema,
    )


def _next_in_row(tree: cKDTree, points: FloatArray, row: FloatArray) -> IntArray:
    """Give the nearest point of a tree along the row from each point, -1 when none is near.

    Points and directions of rows are (tables, 2); point and tree number tables alike.
    """
    count = len(points)
    asked = tree.query(points, k=min(_NEAR_TABLES, count), distance_upper_bound=_LINK_MAX_M)
    apart, place = np.asarray(asked[0]), np.asarray(asked[1], dtype=np.int64)
    way = tree.data[np.minimum(place, count - 1)] - points[:, None, :]
    along = np.einsum("tnk,tk->tn", way, row)
    across = np.abs(way[..., 0] * row[:, None, 1] - way[..., 1] * row[:, None, 0])
    in_row = (
        np.isfinite(apart)
        & (place != np.arange(count)[:, None])
        & (along > 0.0)
        & (across <= _LINK_ACROSS_M)
    )
    best = np.argmax(in_row, axis=1)
    any_found = in_row[np.arange(count), best]
    return np.where(any_found, place[np.arange(count), best], -1).astype(np.int64)
