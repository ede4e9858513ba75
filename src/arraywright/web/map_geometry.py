"""The site drawn to scale: where every module and every string lies, as arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import polars as pl

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.dossier.handover_map import banded_edges
from arraywright.plant import Site

__all__ = ["TILE_MODULES", "MapGeometry", "map_geometry"]

TILE_MODULES: Final = 8_192
"""A tile is divided while it holds more modules than this and more than one string."""

_LANDSCAPE_LEAST_RATIO: Final = 0.995
"""Modules whose centres are at least this part of their length apart may lie lengthwise."""

_Small = npt.NDArray[np.float32]
_Rows = npt.NDArray[np.uint32]


@dataclass(frozen=True, slots=True, kw_only=True)
class MapGeometry:
    """Where everything lies, seen from above, x to the east and y to the north.

    Coordinates are metres from ``origin_x_m``, ``origin_y_m``. A shape is two half sides as
    vectors: along the table (x, y), then the way it faces (x, y), shortened by the tilt.

    Attributes:
        origin_x_m: the map's origin in the site's coordinates, to the east [m].
        origin_y_m: the same to the north [m].
        bounds_m: least x and y, greatest x and y of all modules.
        strings: names of the strings in building order, (strings,).
        structures: names of the structures, (structures,).
        shapes_m: shapes of modules, (shapes, 4).
        module_x_m: centres of the modules, strings one after the other, (modules,).
        module_y_m: the same to the north, (modules,).
        module_shape: row of ``shapes_m``, (modules,).
        module_string: row of ``strings``, (modules,).
        module_structure: row of ``structures``, (modules,).
        first_module: first module of each string, and the count of all, (strings + 1,).
        box_x_m: centres of the ground of strings, one box for each structure a string is on.
        box_y_m: the same to the north, (boxes,).
        box_shapes_m: shapes of the boxes, (box shapes, 4).
        box_shape: row of ``box_shapes_m``, (boxes,).
        box_string: row of ``strings``, (boxes,).
        box_structure: row of ``structures``, (boxes,).
        tile_bounds_m: least x and y, greatest x and y of each tile, (tiles, 4).
        tile_strings: rows of ``strings`` of all tiles, tile after tile, (strings,).
        first_in_tile: first place of each tile in ``tile_strings``, and the count, (tiles + 1,).
    """

    origin_x_m: float
    origin_y_m: float
    bounds_m: tuple[float, float, float, float]
    strings: pl.Series
    structures: pl.Series
    shapes_m: _Small
    module_x_m: _Small
    module_y_m: _Small
    module_shape: npt.NDArray[np.uint16]
    module_string: _Rows
    module_structure: _Rows
    first_module: IntArray
    box_x_m: _Small
    box_y_m: _Small
    box_shapes_m: _Small
    box_shape: _Rows
    box_string: _Rows
    box_structure: _Rows
    tile_bounds_m: _Small
    tile_strings: _Rows
    first_in_tile: IntArray

    @property
    def modules(self) -> int:
        """Count of modules."""
        return len(self.module_x_m)

    @property
    def tiles(self) -> int:
        """Count of tiles."""
        return len(self.first_in_tile) - 1

    def strings_of_tile(self, tile: int) -> IntArray:
        """Give the rows of the strings of a tile, (strings of the tile,)."""
        start, end = self.first_in_tile[tile], self.first_in_tile[tile + 1]
        return self.tile_strings[start:end].astype(np.int64)

    def modules_of_tile(self, tile: int) -> IntArray:
        """Give the rows of the modules of a tile, string after string, (modules of the tile,)."""
        rows = self.strings_of_tile(tile)
        first, counts = self.first_module[rows], np.diff(self.first_module)[rows]
        ends = np.cumsum(counts)
        within = np.arange(int(ends[-1]) if len(ends) else 0) - np.repeat(ends - counts, counts)
        rows_of_modules: IntArray = np.repeat(first, counts) + within
        return rows_of_modules


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tables:
    """Structures: the unit vectors along and facing, (structures, 2), and the tilt's cosine."""

    along: FloatArray
    facing: FloatArray
    level_ratio: FloatArray
    angle: IntArray


def _tables(site: Site) -> _Tables:
    degrees = site.structures.select("azimuth_deg", "tilt_deg").to_numpy().astype(np.float64)
    azimuth, tilt = np.deg2rad(degrees[:, 0]), np.deg2rad(degrees[:, 1])
    facing = np.stack([np.sin(azimuth), np.cos(azimuth)], axis=1)
    _, angle = np.unique(degrees, axis=0, return_inverse=True)
    return _Tables(
        along=np.stack([-facing[:, 1], facing[:, 0]], axis=1),
        facing=facing,
        level_ratio=np.cos(tilt),
        angle=angle.reshape(-1).astype(np.int64),
    )


def _pitch(low: FloatArray, high: FloatArray, steps: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        pitch: FloatArray = np.where(steps > 0, (high - low) / steps, np.nan)
    return pitch


def _lengthwise(spots: pl.DataFrame, tables: _Tables, length_m: FloatArray) -> BoolArray:
    """Say of each structure whether its modules lie lengthwise, from how far apart they are.

    Rows closer than a module is long can only lie lengthwise; where there is one row, columns at
    least that far apart do. One single module is taken to stand upright.
    """
    held = (
        spots.group_by("structure")
        .agg(
            *(pl.col(name).min().alias(f"{name}_low") for name in ("u", "v", "row", "column")),
            *(pl.col(name).max().alias(f"{name}_high") for name in ("u", "v", "row", "column")),
        )
        .sort("structure")
    )
    rows = held["structure"].to_numpy()
    edges = {name: held[name].to_numpy().astype(np.float64) for name in held.columns if "_" in name}
    across = _pitch(edges["u_low"], edges["u_high"], edges["column_high"] - edges["column_low"])
    up = _pitch(edges["v_low"], edges["v_high"], edges["row_high"] - edges["row_low"])
    up = up / tables.level_ratio[rows]
    least = _LANDSCAPE_LEAST_RATIO * length_m[rows]
    lies: BoolArray = np.zeros(len(tables.angle), dtype=np.bool_)
    lies[rows] = np.where(np.isfinite(up), up < least, np.isfinite(across) & (across >= least))
    return lies


def map_geometry(site: Site) -> MapGeometry:
    """Lay out a site for drawing; nothing of it depends on the record."""
    tables = _tables(site)
    kinds = list(site.module_types)
    sizes = np.array(
        [[held.length_mm, held.width_mm] for held in site.module_types.values()], dtype=np.float64
    ).reshape(-1, 2)
    names = site.strings["string"]
    strings = site.strings.select("string", string_row=pl.int_range(pl.len(), dtype=pl.UInt32))
    structures = site.structures.select(
        "structure", structure_row=pl.int_range(pl.len(), dtype=pl.UInt32)
    )
    joined = (
        site.positions.select("string", "structure", "row", "column", "x_m", "y_m")
        .join(strings, on="string", how="left", maintain_order="left")
        .join(structures, on="structure", how="left", maintain_order="left")
    )
    string = joined["string_row"].to_numpy().astype(np.uint32)
    structure = joined["structure_row"].to_numpy().astype(np.uint32)
    x_m, y_m = (joined[name].to_numpy().astype(np.float64) for name in ("x_m", "y_m"))
    string_kind = np.array(
        [kinds.index(key) for key in site.strings["module_type"]], dtype=np.int64
    )
    kind = string_kind[string]
    u_m = x_m * tables.along[structure, 0] + y_m * tables.along[structure, 1]
    v_m = x_m * tables.facing[structure, 0] + y_m * tables.facing[structure, 1]
    table_kind = np.zeros(len(tables.angle), dtype=np.int64)
    table_kind[structure] = kind
    lies = _lengthwise(
        pl.DataFrame(
            {
                "structure": structure,
                "u": u_m,
                "v": v_m,
                "row": joined["row"],
                "column": joined["column"],
            }
        ),
        tables,
        sizes[table_kind, 0] / 1000.0 if len(sizes) else np.zeros(0),
    )[structure]
    half_u_m = np.where(lies, sizes[kind, 0], sizes[kind, 1]) / 2000.0
    half_v_m = np.where(lies, sizes[kind, 1], sizes[kind, 0]) / 2000.0
    half_v_m = half_v_m * tables.level_ratio[structure]

    key = (tables.angle[structure] * 2 + lies) * max(1, len(kinds)) + kind
    _, example, shape = np.unique(key, return_index=True, return_inverse=True)
    shapes = np.concatenate(
        [
            tables.along[structure[example]] * half_u_m[example, None],
            tables.facing[structure[example]] * half_v_m[example, None],
        ],
        axis=1,
    )
    bounds = _bounds(
        x_m,
        y_m,
        np.abs(shapes[:, ::2]).sum(axis=1)[shape],
        np.abs(shapes[:, 1::2]).sum(axis=1)[shape],
    )
    origin = np.round([(bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2])
    first = np.concatenate([[0], np.cumsum(np.bincount(string, minlength=len(names)))])
    boxes = _boxes(
        pl.DataFrame(
            {
                "string": string,
                "structure": structure,
                "u0": u_m - half_u_m,
                "u1": u_m + half_u_m,
                "v0": v_m - half_v_m,
                "v1": v_m + half_v_m,
            }
        ),
        tables,
        origin,
    )
    tiles = _tiles(
        boxes["corners"], boxes["string"].astype(np.int64), np.diff(first).astype(np.int64)
    )
    return MapGeometry(
        origin_x_m=float(origin[0]),
        origin_y_m=float(origin[1]),
        bounds_m=(
            bounds[0] - float(origin[0]),
            bounds[1] - float(origin[1]),
            bounds[2] - float(origin[0]),
            bounds[3] - float(origin[1]),
        ),
        strings=names,
        structures=site.structures["structure"],
        shapes_m=(np.round(shapes, 6) + 0.0).astype(np.float32),
        module_x_m=(x_m - origin[0]).astype(np.float32),
        module_y_m=(y_m - origin[1]).astype(np.float32),
        module_shape=shape.reshape(-1).astype(np.uint16),
        module_string=string,
        module_structure=structure,
        first_module=first.astype(np.int64),
        box_x_m=boxes["x"].astype(np.float32),
        box_y_m=boxes["y"].astype(np.float32),
        box_shapes_m=boxes["shapes"].astype(np.float32),
        box_shape=boxes["shape"].astype(np.uint32),
        box_string=boxes["string"].astype(np.uint32),
        box_structure=boxes["structure"].astype(np.uint32),
        tile_bounds_m=tiles[0].astype(np.float32),
        tile_strings=tiles[1].astype(np.uint32),
        first_in_tile=tiles[2],
    )


def _bounds(
    x_m: FloatArray, y_m: FloatArray, reach_x_m: FloatArray, reach_y_m: FloatArray
) -> tuple[float, float, float, float]:
    if not len(x_m):
        return 0.0, 0.0, 0.0, 0.0
    return (
        float((x_m - reach_x_m).min()),
        float((y_m - reach_y_m).min()),
        float((x_m + reach_x_m).max()),
        float((y_m + reach_y_m).max()),
    )


def _boxes(edges: pl.DataFrame, tables: _Tables, origin: FloatArray) -> dict[str, Any]:
    """Give the ground of each string on each structure, turned as the structure is.

    Strings that share ground get a band of it each, one beside the other.
    """
    held = edges.group_by("string", "structure", maintain_order=True).agg(
        pl.col("u0").min(), pl.col("u1").max(), pl.col("v0").min(), pl.col("v1").max()
    )
    string = held["string"].to_numpy().astype(np.int64)
    structure = held["structure"].to_numpy().astype(np.int64)
    sides = held.select("u0", "u1", "v0", "v1").to_numpy().astype(np.float64)
    if len(sides):
        # Structures that are turned differently share no ground: they are set far apart.
        apart = 4.0 * (float(np.abs(sides).max()) + 1.0) * tables.angle[structure]
        sides[:, :2] += apart[:, None]
        sides = banded_edges(sides)
        sides[:, :2] -= apart[:, None]
    along, facing = tables.along[structure], tables.facing[structure]
    u_m, v_m = sides[:, :2].mean(axis=1), sides[:, 2:].mean(axis=1)
    centre = u_m[:, None] * along + v_m[:, None] * facing - origin
    halves = np.concatenate(
        [
            along * (sides[:, 1] - sides[:, 0])[:, None] / 2.0,
            facing * (sides[:, 3] - sides[:, 2])[:, None] / 2.0,
        ],
        axis=1,
    )
    shapes, shape = np.unique(np.round(halves, 3) + 0.0, axis=0, return_inverse=True)
    reach = np.abs(halves[:, :2]) + np.abs(halves[:, 2:])
    return {
        "x": centre[:, 0],
        "y": centre[:, 1],
        "shapes": shapes.reshape(-1, 4),
        "shape": shape.reshape(-1),
        "string": string,
        "structure": structure,
        "corners": np.concatenate([centre - reach, centre + reach], axis=1),
    }


def _tiles(
    corners: FloatArray, box_string: IntArray, modules: IntArray
) -> tuple[FloatArray, IntArray, IntArray]:
    """Divide the strings into tiles of ground, halving the longer side while there are too many."""
    count = len(modules)
    low = np.full((count, 2), np.inf)
    high = np.full((count, 2), -np.inf)
    np.minimum.at(low, box_string, corners[:, :2])
    np.maximum.at(high, box_string, corners[:, 2:])
    centre = (low + high) / 2.0
    open_parts = [np.flatnonzero(modules > 0)]
    done: list[IntArray] = []
    while open_parts:
        part = open_parts.pop()
        if len(part) <= 1 or modules[part].sum() <= TILE_MODULES:
            if len(part):
                done.append(np.sort(part))
            continue
        spread = np.ptp(centre[part], axis=0)
        order = part[np.argsort(centre[part, int(spread[1] > spread[0])], kind="stable")]
        middle = len(order) // 2
        open_parts += [order[middle:], order[:middle]]
    bounds = np.array(
        [[*low[part].min(axis=0), *high[part].max(axis=0)] for part in done], dtype=np.float64
    ).reshape(-1, 4)
    sizes = np.array([len(part) for part in done], dtype=np.int64)
    first = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    order = np.concatenate(done) if done else np.zeros(0, dtype=np.int64)
    return bounds, order, first
