"""The ground every string covers, for a map: strings that share a table stay apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.dossier.plots import MapBox
from arraywright.plant import Site

__all__ = ["SiteBoxes", "banded_edges", "site_boxes"]

_SHARED_LEAST_RATIO: Final = 0.3
"""Part of the smaller of two grounds that must be common before they count as shared."""
_PAIRS_MOST: Final = 40
"""Shared grounds per string from which on nothing is told apart: coordinates are then no plan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteBoxes:
    """The ground of all strings.

    Attributes:
        boxes: boxes in building order, one for each structure a string is on.
        banded: how many of them are bands of ground they share with others.
    """

    boxes: tuple[MapBox, ...]
    banded: int


def site_boxes(site: Site, verdicts: pl.DataFrame) -> SiteBoxes:
    """Give the boxes of all strings in building order, one for each structure a string is on.

    Strings that are interleaved on one table would cover each other: their common ground is
    divided into bands, one a string in building order, from south to north (from west to east
    where it is deeper than wide).

    Args:
        site: the site; a position reaches half a module's width around its centre.
        verdicts: string and verdict.
    """
    half = pl.DataFrame(
        {
            "module_type": list(site.module_types),
            "half_m": [0.0005 * held.width_mm for held in site.module_types.values()],
        },
        schema={"module_type": pl.String, "half_m": pl.Float64},
    )
    boxes = (
        site.positions.group_by("string", "structure", maintain_order=True)
        .agg(
            x_min=pl.col("x_m").min(),
            x_max=pl.col("x_m").max(),
            y_min=pl.col("y_m").min(),
            y_max=pl.col("y_m").max(),
        )
        .join(
            site.strings.select("string", "module_type", order=pl.int_range(pl.len())),
            on="string",
            how="inner",
        )
        .join(half, on="module_type", how="left")
        .join(verdicts.select("string", "verdict"), on="string", how="left")
        .with_columns(
            pl.col("x_min") - pl.col("half_m"),
            pl.col("x_max") + pl.col("half_m"),
            pl.col("y_min") - pl.col("half_m"),
            pl.col("y_max") + pl.col("half_m"),
            pl.col("verdict").fill_null("not_assessable"),
        )
        .sort("order", maintain_order=True)
    )
    edges = boxes.select("x_min", "x_max", "y_min", "y_max").to_numpy().astype(np.float64)
    divided = banded_edges(edges)
    boxes_of_strings = tuple(
        MapBox(
            string=string,
            x_min_m=float(edge[0]),
            x_max_m=float(edge[1]),
            y_min_m=float(edge[2]),
            y_max_m=float(edge[3]),
            verdict=verdict,
        )
        for string, verdict, edge in zip(boxes["string"], boxes["verdict"], divided, strict=True)
    )
    return SiteBoxes(boxes=boxes_of_strings, banded=int((divided != edges).any(axis=1).sum()))


def _pairs(edges: FloatArray) -> IntArray:
    """Pairs of boxes that share ground, (pairs, 2)."""
    none = np.zeros((0, 2), dtype=np.int64)
    if len(edges) < 2:
        return none
    sides = np.maximum(edges[:, 1::2] - edges[:, 0::2], 1e-9)
    centres = 0.5 * (edges[:, 0::2] + edges[:, 1::2])
    tree = cKDTree(centres / np.median(sides, axis=0))
    if tree.count_neighbors(tree, 0.75, p=np.inf) > (2 * _PAIRS_MOST + 1) * len(edges):
        return none
    near = tree.query_pairs(0.75, p=np.inf, output_type="ndarray").astype(np.int64)
    one, other = edges[near[:, 0]], edges[near[:, 1]]
    common_x = np.minimum(one[:, 1], other[:, 1]) - np.maximum(one[:, 0], other[:, 0])
    common_y = np.minimum(one[:, 3], other[:, 3]) - np.maximum(one[:, 2], other[:, 2])
    areas = sides.prod(axis=1)
    smaller = np.minimum(areas[near[:, 0]], areas[near[:, 1]])
    shared: BoolArray = (
        (common_x > 0) & (common_y > 0) & (common_x * common_y > _SHARED_LEAST_RATIO * smaller)
    )
    return near[shared]


def banded_edges(edges: FloatArray) -> FloatArray:
    """Divide ground that boxes share into bands, in the order of the boxes.

    Args:
        edges: (boxes, 4): least and greatest x, least and greatest y [m].

    Returns:
        The same with shared ground divided: from south to north where it is wider than deep, else
        from west to east.
    """
    pairs = _pairs(edges)
    if not len(pairs):
        return edges
    count = len(edges)
    ones = np.ones(len(pairs), dtype=np.int8)
    _, group = connected_components(
        coo_array((ones, (pairs[:, 0], pairs[:, 1])), shape=(count, count)), directed=False
    )
    groups = (
        pl.DataFrame({"group": group, "row": np.arange(count)})
        .with_columns(
            pl.Series(name, edges[:, index]) for index, name in enumerate(("x0", "x1", "y0", "y1"))
        )
        .with_columns(
            pl.col("x0").min().over("group"),
            pl.col("x1").max().over("group"),
            pl.col("y0").min().over("group"),
            pl.col("y1").max().over("group"),
            place=pl.int_range(pl.len()).over("group"),
            size=pl.len().over("group"),
        )
        .filter(pl.col("size") > 1)
    )
    wide = pl.col("x1") - pl.col("x0") >= pl.col("y1") - pl.col("y0")
    start, end = pl.col("place") / pl.col("size"), (pl.col("place") + 1) / pl.col("size")
    width, depth = pl.col("x1") - pl.col("x0"), pl.col("y1") - pl.col("y0")
    bands = groups.select(
        "row",
        x0=pl.when(wide).then(pl.col("x0")).otherwise(pl.col("x0") + start * width),
        x1=pl.when(wide).then(pl.col("x1")).otherwise(pl.col("x0") + end * width),
        y0=pl.when(wide).then(pl.col("y0") + start * depth).otherwise(pl.col("y0")),
        y1=pl.when(wide).then(pl.col("y0") + end * depth).otherwise(pl.col("y1")),
    )
    out = edges.copy()
    out[bands["row"].to_numpy()] = bands.select("x0", "x1", "y0", "y1").to_numpy()
    return out
