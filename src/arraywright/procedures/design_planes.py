"""Planes of a site: rows of tables that are alike, from its blocks or from its tables."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import FloatArray
from arraywright.plant import LayoutBlock, ModuleType, Site

__all__ = ["Plane", "few_planes", "planes_of"]

_SAME_ROW_M: Final = 0.05
"""Centres of structures closer than this across the rows stand in one row; common practice."""

_DIRECTIONS: Final = 60
"""Directions of tables that are kept apart as they are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """Rows of tables that are alike.

    Attributes:
        name: words for people, for example ``block N``.
        key: dotted path of the block in the description, empty when it comes from tables.
        module_type: key of the module type.
        tilt_deg: tilt of the tables [deg].
        azimuth_deg: direction they face [deg].
        rows: modules up a table.
        columns: modules along a table.
        upright: whether the long side of a module runs up the slope; None when not known.
        several_rows: whether tables stand one behind the other.
        pitch_m: from one row to the next [m]; None when there is one row, or it is not known.
        module_gap_mm: gap between modules [mm]; None when there is none, or it is not known.
        slope_length_m: length of a table up its slope [m]; None when not known.
        along_rows: whether every string stays in one module row.
    """

    name: str
    key: str
    module_type: str
    tilt_deg: float
    azimuth_deg: float
    rows: int
    columns: int
    upright: bool | None
    several_rows: bool
    pitch_m: float | None
    module_gap_mm: float | None
    slope_length_m: float | None
    along_rows: bool


def planes_of(site: Site) -> tuple[Plane, ...]:
    """Give the planes of a site: one per block, and one per alike structures of its tables."""
    blocks = site.design.blocks
    found = [
        _of_block(block, f"layout.block.{number}", site.module_types[block.module_type])
        for number, block in enumerate(blocks)
    ]
    rows = {(block.source_file, block.source_row) for block in blocks}
    described = pl.DataFrame(
        sorted(rows),
        schema={"source_file": pl.String, "source_row": pl.Int64},
        orient="row",
    )
    structures = site.structures.with_columns(
        pl.col("source_row").cast(pl.Int64), pl.col("source_file").cast(pl.String)
    ).join(described, on=["source_file", "source_row"], how="anti")
    return (*found, *_of_tables(site, structures))


def few_planes(structures: pl.DataFrame) -> pl.DataFrame:
    """Give structures with tilt and azimuth to whole degrees where very many directions differ.

    Tables that follow the ground have each a direction of its own; half a degree changes neither
    their light nor their loads to speak of.
    """
    if structures.select("tilt_deg", "azimuth_deg").n_unique() <= _DIRECTIONS:
        return structures
    return structures.with_columns(
        pl.col("tilt_deg").round(), (pl.col("azimuth_deg").round() % 360.0).alias("azimuth_deg")
    )


def _of_block(block: LayoutBlock, key: str, module_type: ModuleType) -> Plane:
    _, up_m = block.module_size_m(module_type)
    gap_m = block.module_gap_mm / 1000.0
    width, _, _ = block.span_shape
    along = block.string_pattern in ("along_row", "leapfrog") or (
        block.string_pattern == "daisy" and width % block.modules_per_string == 0
    )
    several = block.rows_of_tables > 1
    return Plane(
        name=f"block {block.name}",
        key=key,
        module_type=block.module_type,
        tilt_deg=block.tilt_deg,
        azimuth_deg=block.azimuth_deg,
        rows=block.rows,
        columns=block.columns,
        upright=block.orientation == "portrait",
        several_rows=several,
        pitch_m=block.pitch_m if several else None,
        module_gap_mm=block.module_gap_mm if block.rows * block.columns > 1 else None,
        slope_length_m=block.rows * up_m + (block.rows - 1) * gap_m,
        along_rows=along or block.rows == 1,
    )


def _of_tables(site: Site, structures: pl.DataFrame) -> list[Plane]:
    if structures.is_empty():
        return []
    places = (
        site.positions.select("structure", "string", "row", "column", "x_m", "y_m")
        .join(
            few_planes(structures).select(
                "structure",
                "tilt_deg",
                "azimuth_deg",
                pl.col("x_m").alias("at_x_m"),
                pl.col("y_m").alias("at_y_m"),
            ),
            on="structure",
        )
        .join(site.strings.select("string", "module_type"), on="string")
    )
    sizes = places.group_by("structure").agg(
        pl.col("row").max().alias("rows"), pl.col("column").max().alias("columns")
    )
    keys = ["module_type", "tilt_deg", "azimuth_deg", "rows", "columns"]
    groups = places.join(sizes, on="structure").partition_by(
        keys, as_dict=True, maintain_order=True
    )
    return [
        _of_alike(frame, site.module_types[str(frame["module_type"][0])])
        for frame in groups.values()
    ]


def _spacing(frame: pl.DataFrame, across: str, along: str, step: FloatArray) -> float | None:
    """Least distance of neighbours that follow one another in ``along``, in one ``across``."""
    order = frame.with_columns(pl.Series("at", step)).sort("structure", across, along)
    near = (
        (order["structure"].shift(-1) == order["structure"])
        & (order[across].shift(-1) == order[across])
        & (order[along].shift(-1) == order[along] + 1)
    ).fill_null(value=False)
    apart = (order["at"].shift(-1) - order["at"]).abs().filter(near)
    least = apart.min()
    return float(least) if isinstance(least, int | float) else None


def _of_alike(frame: pl.DataFrame, module_type: ModuleType) -> Plane:
    tilt, azimuth = float(frame["tilt_deg"][0]), float(frame["azimuth_deg"][0])
    rows, columns = int(frame["rows"][0]), int(frame["columns"][0])
    turn = math.radians(azimuth)
    x, y = frame["x_m"].to_numpy(), frame["y_m"].to_numpy()
    along = _spacing(frame, "row", "column", x * math.cos(turn) - y * math.sin(turn))
    level = _spacing(frame, "column", "row", x * math.sin(turn) + y * math.cos(turn))
    slope = math.cos(math.radians(tilt))
    up = level / slope if level is not None and slope > 1e-6 else None
    long_m, short_m = module_type.length_mm / 1000.0, module_type.width_mm / 1000.0
    upright = None
    if along is not None:
        upright = along < long_m
    elif up is not None:
        upright = up >= long_m
    gap_m = None
    if upright is not None:
        side = (short_m, long_m) if upright else (long_m, short_m)
        gaps = [got - one for got, one in zip((along, up), side, strict=True) if got is not None]
        gap_m = max(min(gaps), 0.0)
    up_m = None if upright is None else (long_m if upright else short_m)
    slope_m = None
    if up_m is not None and (rows == 1 or up is not None):
        slope_m = up_m + (rows - 1) * (up or 0.0)
    structures = frame.unique("structure", maintain_order=True)
    facing = structures["at_x_m"].to_numpy() * math.sin(turn) + structures[
        "at_y_m"
    ].to_numpy() * math.cos(turn)
    steps = np.diff(np.unique(np.round(facing / _SAME_ROW_M))) * _SAME_ROW_M
    # Rows that are no further apart than half a table stand beside each other, not behind.
    steps = steps[steps > 0.5 * (slope_m or 0.0) * slope + _SAME_ROW_M]
    strings = frame.group_by("string").agg(pl.col("row").n_unique().alias("rows"))
    names = structures["structure"]
    return Plane(
        name=f"tables {names[0]} to {names[-1]}" if len(names) > 1 else f"table {names[0]}",
        key="",
        module_type=str(frame["module_type"][0]),
        tilt_deg=tilt,
        azimuth_deg=azimuth,
        rows=rows,
        columns=columns,
        upright=upright,
        several_rows=len(steps) > 0,
        pitch_m=float(steps.min()) if len(steps) else None,
        module_gap_mm=None if gap_m is None else round(gap_m * 1000.0, 1),
        slope_length_m=slope_m,
        along_rows=bool((strings["rows"] == 1).all()),
    )
