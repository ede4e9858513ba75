"""How strings run through their modules: loop areas as described and the other way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from arraywright.arrays import FloatArray, IntArray
from arraywright.design.cable_runs import string_loops

__all__ = ["DAISY_CHAIN", "LEAPFROG", "StringRoutes", "loop_voltage_v", "string_routes"]

DAISY_CHAIN: Final = "daisy-chain"
LEAPFROG: Final = "leapfrog"
_MU0_OVER_2_PI: Final = 2e-7
"""Permeability of air over 2 pi, in V s/(A m); 1.2566e-6/6.2832 to ten digits."""
_SAME_M: Final = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class StringRoutes:
    """Routes of the strings of a layout as they are and as they could be.

    Attributes:
        routes: frame of ``string``, ``route`` (``daisy-chain`` or ``leapfrog``), ``step_m``
            (furthest that two modules joined by their leads are apart), ``ends_apart_m``,
            ``loop_area_m2``, and ``other_step_m``, ``other_ends_apart_m``, ``other_loop_area_m2``
            for the other route; strings with positions only.
        other: frame of positions with ``place_in_string`` by the other route.
        other_turned: the same with the other route begun at the other end of each string.
    """

    routes: pl.DataFrame
    other: pl.DataFrame
    other_turned: pl.DataFrame


def loop_voltage_v(
    loop_area_m2: npt.ArrayLike,
    *,
    current_a: npt.ArrayLike,
    rise_s: npt.ArrayLike,
    distance_m: npt.ArrayLike,
) -> FloatArray:
    """Voltage [V] a stroke nearby induces in an open loop, any shape.

    ``U = A dB/dt = mu0 A I / (2 pi d T)``: the stroke as a long straight conductor at the distance
    ``d`` whose current rises by ``I`` within ``T``, the loop turned to it and small against ``d``.
    Classical estimates of this kind tend to be high; they serve to compare loops.

    Args:
        loop_area_m2: area of the loop, not negative.
        current_a: current of the stroke.
        rise_s: time in which it rises.
        distance_m: from the stroke to the loop, above 0.

    Source: openstax-college-physics chapter 23, problem 14; iec-62305-1 table 3 for strokes.
    """
    area = np.asarray(loop_area_m2, dtype=np.float64)
    steepness = np.asarray(current_a, dtype=np.float64) / np.asarray(rise_s, dtype=np.float64)
    return area * _MU0_OVER_2_PI * steepness / np.asarray(distance_m, dtype=np.float64)


def string_routes(
    positions: pl.DataFrame,
    strings: pl.DataFrame,
    structures: pl.DataFrame,
    *,
    return_separation_m: float = 0.3,
) -> StringRoutes:
    """Tell how every string runs, and give its loop area that way and the other way.

    A string is a leapfrog when undoing the leaps makes the way from module to module shorter; all
    others are daisy-chains, straight ones as well as those that run out and back. The other route
    of a daisy-chain takes every second module of the way out and the others back; that of a
    leapfrog takes the modules one after the other. Areas are those of ``string_loops``; they are
    the same from whichever end the route begins.

    Args:
        positions: frame of ``plant.tables.POSITIONS``.
        strings: frame of ``plant.tables.STRINGS``.
        structures: frame of ``plant.tables.STRUCTURES``.
        return_separation_m: return conductor beside the modules' leads [m].

    Raises:
        CallError: a frame lacks a column.

    Source: common-practice.
    """
    described = string_loops(
        positions, strings, structures, return_separation_m=return_separation_m
    )
    ordered = positions.sort("string", "place_in_string").with_columns(
        pl.int_range(pl.len()).over("string").alias("at"),
        pl.len().over("string").cast(pl.Int64).alias("of"),
    )
    name = ordered["string"].rle_id().to_numpy().astype(np.int64)
    x, y = ordered["x_m"].to_numpy(), ordered["y_m"].to_numpy()
    at, of = ordered["at"].to_numpy(), ordered["of"].to_numpy()
    undone, leapt = _without_leaps(at, of), _with_leaps(at, of)
    as_is, without, with_leaps = (
        _way(name, x, y, place=place, of=of) for place in (at, undone, leapt)
    )
    leaps = without.length_m < as_is.length_m - _SAME_M
    # The way of a string is told from its first module or from its last.
    along = np.where(leaps[name], undone, at) if len(name) else at
    place = np.where(leaps[name], undone, leapt) if len(name) else leapt
    back = of - 1 - along
    turned = np.where(leaps[name], back, _with_leaps(back, of)) if len(name) else leapt
    other, other_turned = (
        ordered.with_columns(
            pl.Series("place_in_string", one + 1).cast(positions.schema["place_in_string"])
        ).select(positions.columns)
        for one in (place, turned)
    )
    swapped = string_loops(other, strings, structures, return_separation_m=return_separation_m)
    ways = pl.DataFrame(
        {
            "string": ordered["string"].unique(maintain_order=True),
            "route": pl.Series("leaps", leaps).replace_strict(
                {True: LEAPFROG, False: DAISY_CHAIN}, return_dtype=pl.String
            ),
            "step_m": as_is.step_m,
            "other_step_m": np.where(leaps, without.step_m, with_leaps.step_m),
        }
    )
    routes = (
        described.join(ways, on="string", how="left", maintain_order="left")
        .join(
            swapped.rename(
                {"ends_apart_m": "other_ends_apart_m", "loop_area_m2": "other_loop_area_m2"}
            ),
            on="string",
            how="left",
            maintain_order="left",
        )
        .select(
            "string",
            "route",
            "step_m",
            "ends_apart_m",
            "loop_area_m2",
            "other_step_m",
            "other_ends_apart_m",
            "other_loop_area_m2",
        )
    )
    return StringRoutes(routes=routes, other=other, other_turned=other_turned)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """Way from module to module of each string, and its longest step: (strings,) each."""

    length_m: FloatArray
    step_m: FloatArray


def _with_leaps(at: IntArray, of: IntArray) -> IntArray:
    """Give the place by a leapfrog of each place along the way, from 0."""
    return np.where(at % 2 == 0, at // 2, of - 1 - at // 2)


def _without_leaps(at: IntArray, of: IntArray) -> IntArray:
    """Give the place along the way of each place in a leapfrog, from 0."""
    return np.where(at < (of + 1) // 2, 2 * at, 2 * (of - 1 - at) + 1)


def _way(name: IntArray, x: FloatArray, y: FloatArray, *, place: IntArray, of: IntArray) -> _Way:
    """Walk every string with its modules at these places; strings lie one after the other."""
    count = int(name[-1]) + 1 if len(name) else 0
    first = np.flatnonzero(np.diff(name, prepend=-1)) if len(name) else name
    where = np.empty(len(name), dtype=np.int64)
    # Module k of the frame stands at its string's first row plus its place.
    where[np.repeat(first, of[first]) + place] = np.arange(len(name))
    step = np.hypot(np.diff(x[where]), np.diff(y[where]))
    step[name[1:] != name[:-1]] = 0.0
    length = np.zeros(count)
    np.add.at(length, name[1:], step)
    longest = np.zeros(count)
    np.maximum.at(longest, name[1:], step)
    return _Way(length_m=length, step_m=longest)
