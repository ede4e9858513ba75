"""Cable runs from the layout: lengths, loop areas of strings, and the cable schedule."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import FloatArray, IntArray
from arraywright.design.check import Practice
from arraywright.design.conductors import MATERIALS, run_resistance_ohm, size_name
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.plant.tables import POSITIONS, STRINGS, STRUCTURES
from arraywright.tables import Column, TableSpec

__all__ = [
    "DESTINATIONS",
    "CableChoice",
    "CableRuns",
    "cable_quantities",
    "cable_runs",
    "cable_schedule",
    "string_loops",
]

DESTINATIONS: Final = TableSpec(
    kind="destinations",
    title="inverters and combiner boxes (where cables end)",
    columns=(
        Column(name="name", kind="text", required=True, meaning="inverter or combiner box"),
        Column(name="x_m", kind="number", unit="m", required=True, meaning="east of the origin"),
        Column(name="y_m", kind="number", unit="m", required=True, meaning="north of the origin"),
    ),
    identity=("name",),
)

_RUN_SCHEMA: Final = {
    "run": pl.String,
    "role": pl.String,
    "string": pl.String,
    "from": pl.String,
    "to": pl.String,
    "plan_m": pl.Float64,
    "length_m": pl.Float64,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CableRuns:
    """Cable runs of a layout.

    Attributes:
        runs: frame of ``run`` (name, each once), ``role`` (``string``: from an end of a string to
            its box or inverter; ``array``: from a combiner box to its inverter; ``extension``:
            between two modules that their own leads do not reach), ``string``, ``from``, ``to``,
            ``plan_m`` (along the rows and across them, on the plan) and ``length_m``
            (with slack and ends, rounded up). One run is one conductor.
        findings: destinations that are not there, and strings without positions.
    """

    runs: pl.DataFrame
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CableChoice:
    """What cable a role gets.

    Attributes:
        area_mm2: cross-section [mm2].
        material: name in ``MATERIALS``.
    """

    area_mm2: float
    material: str = "copper"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Walk:
    """Modules in the order strings run, strings one after the other in the order of their frame.

    ``starts`` and ``ends`` point at the first and last module of the strings that have positions.
    """

    string: IntArray
    x_m: FloatArray
    y_m: FloatArray
    position: pl.Series
    azimuth_deg: FloatArray
    tilt_deg: FloatArray
    starts: IntArray
    ends: IntArray


def _walk(positions: pl.DataFrame, strings: pl.DataFrame, structures: pl.DataFrame) -> _Walk:
    for frame, spec in ((positions, POSITIONS), (strings, STRINGS), (structures, STRUCTURES)):
        missing = [name for name in spec.required if name not in frame.columns]
        if missing:
            raise CallError(
                "layout-columns",
                f"The frame of {spec.title} lacks {', '.join(missing)}.",
                "Give the frame of the site's layout.",
            )
    order = strings.select("string").with_row_index("string_at")
    frame = (
        positions.select("position", "string", "place_in_string", "x_m", "y_m", "structure")
        .join(order, on="string", how="inner")
        .join(structures.select("structure", "azimuth_deg", "tilt_deg"), on="structure", how="left")
        .sort("string_at", "place_in_string")
    )
    string = frame["string_at"].cast(pl.Int64).to_numpy()
    change = np.flatnonzero(np.diff(string)) + 1
    return _Walk(
        string=string,
        x_m=frame["x_m"].to_numpy(),
        y_m=frame["y_m"].to_numpy(),
        position=frame["position"],
        azimuth_deg=frame["azimuth_deg"].fill_null(180.0).to_numpy(),
        tilt_deg=frame["tilt_deg"].fill_null(0.0).to_numpy(),
        starts=np.concatenate([[0], change]).astype(np.int64) if len(string) else change,
        ends=np.concatenate([change - 1, [len(string) - 1]]).astype(np.int64)
        if len(string)
        else change,
    )


def _along_and_across_m(dx_m: FloatArray, dy_m: FloatArray, azimuth_deg: FloatArray) -> FloatArray:
    """Way along the row and then across it, on the plan."""
    turn = np.deg2rad(azimuth_deg)
    facing = dx_m * np.sin(turn) + dy_m * np.cos(turn)
    along = dx_m * np.cos(turn) - dy_m * np.sin(turn)
    return np.asarray(np.abs(facing) + np.abs(along))


def cable_runs(
    positions: pl.DataFrame,
    strings: pl.DataFrame,
    structures: pl.DataFrame,
    *,
    destinations: pl.DataFrame,
    module_lead_m: float,
    slack_ratio: float = 0.05,
    end_allowance_m: float = 1.0,
    step_m: float = 0.1,
) -> CableRuns:
    """Work out every cable run of a layout, both poles of each string.

    The way on the plan runs along the row of the string's module and then across the rows; the
    length is plan (1 + slack) + 2 end allowance, rounded up to the step. The modules' own leads at
    the ends of a string are not taken off. Between two modules an extension is needed where their
    centres are further apart than two leads reach; it has the rest, with slack, without ends.

    Args:
        positions: frame of ``plant.tables.POSITIONS``.
        strings: frame of ``plant.tables.STRINGS``.
        structures: frame of ``plant.tables.STRUCTURES``.
        destinations: frame of ``DESTINATIONS``; the combiner box of a string counts, without one
            its inverter.
        module_lead_m: length of one lead of a module [m].
        slack_ratio: slack over the plan's length.
        end_allowance_m: for height and connection at each end [m].
        step_m: lengths are rounded up to this [m].

    Raises:
        CallError: a frame lacks a column, a name of a destination stands twice, or an allowance is
            negative.

    Source: common-practice.
    """
    if min(module_lead_m, slack_ratio, end_allowance_m) < 0.0 or step_m <= 0.0:
        raise CallError(
            "cable-allowance", "An allowance is negative or the step not above 0.", "Correct it."
        )
    if destinations["name"].n_unique() != destinations.height:
        raise CallError(
            "destination-twice",
            "The name of an inverter or combiner box stands twice.",
            "Give each one coordinate.",
        )
    walk = _walk(positions, strings, structures)
    target = strings.with_row_index("at").select(
        pl.col("at").cast(pl.Int64),
        "string",
        "inverter",
        "combiner_box",
        pl.coalesce(
            pl.when(pl.col("combiner_box").str.len_chars() > 0).then(pl.col("combiner_box")),
            pl.col("inverter"),
        ).alias("name"),
    )
    target = target.join(destinations.select("name", "x_m", "y_m"), on="name", how="left").sort(
        "at"
    )
    findings = _findings(target, walk, destinations)
    ends = _string_ends(walk, target)
    parts = [
        _lengths(ends, slack_ratio=slack_ratio, end_m=end_allowance_m, step_m=step_m),
        _lengths(
            _array_ways(walk, target, destinations),
            slack_ratio=slack_ratio,
            end_m=end_allowance_m,
            step_m=step_m,
        ),
        _lengths(
            _extensions(walk, target, 2.0 * module_lead_m),
            slack_ratio=slack_ratio,
            end_m=0.0,
            step_m=step_m,
        ),
    ]
    return CableRuns(runs=pl.concat(parts), findings=findings)


def _lengths(
    frame: pl.DataFrame, *, slack_ratio: float, end_m: float, step_m: float
) -> pl.DataFrame:
    whole = pl.col("plan_m") * (1.0 + slack_ratio) + 2.0 * end_m
    return frame.with_columns(
        ((whole / step_m - 1e-6).ceil() * step_m).round(6).alias("length_m")
    ).select(pl.col(name).cast(kind) for name, kind in _RUN_SCHEMA.items())


def _string_ends(walk: _Walk, target: pl.DataFrame) -> pl.DataFrame:
    of = walk.string[walk.starts]
    here = target[of.tolist()] if len(of) < target.height else target
    name, to_x, to_y = here["string"], here["x_m"].to_numpy(), here["y_m"].to_numpy()
    parts = []
    for sign, at in (("+", walk.starts), ("-", walk.ends)):
        plan = _along_and_across_m(to_x - walk.x_m[at], to_y - walk.y_m[at], walk.azimuth_deg[at])
        parts.append(
            pl.DataFrame(
                {
                    "run": name + sign,
                    "role": pl.Series("role", ["string"]).new_from_index(0, len(at)),
                    "string": name,
                    "from": walk.position.gather(at),
                    "to": here["name"],
                    "plan_m": plan,
                    "order": np.arange(len(at)),
                }
            )
        )
    both = pl.concat(parts).sort("order", "run")
    return both.filter(pl.col("plan_m").is_not_nan() & pl.col("plan_m").is_not_null())


def _array_ways(walk: _Walk, target: pl.DataFrame, destinations: pl.DataFrame) -> pl.DataFrame:
    """Both poles from each combiner box to its inverter."""
    azimuth = np.full(target.height, 180.0)
    azimuth[walk.string[walk.starts]] = walk.azimuth_deg[walk.starts]
    boxes = (
        target.with_columns(pl.Series("azimuth_deg", azimuth))
        .filter(pl.col("combiner_box").str.len_chars() > 0)
        .unique("combiner_box", keep="first", maintain_order=True)
        .join(
            destinations.select("name", "x_m", "y_m"),
            left_on="inverter",
            right_on="name",
            how="inner",
            suffix="_inverter",
            maintain_order="left",
        )
        .drop_nulls(["x_m", "y_m"])
    )
    plan = _along_and_across_m(
        boxes["x_m_inverter"].to_numpy() - boxes["x_m"].to_numpy(),
        boxes["y_m_inverter"].to_numpy() - boxes["y_m"].to_numpy(),
        boxes["azimuth_deg"].to_numpy(),
    )
    poles = [
        boxes.select(
            (pl.col("combiner_box") + sign).alias("run"),
            pl.lit("array").alias("role"),
            pl.lit(None, dtype=pl.String).alias("string"),
            pl.col("combiner_box").alias("from"),
            pl.col("inverter").alias("to"),
        ).with_columns(pl.Series("plan_m", plan), pl.Series("order", np.arange(len(plan))))
        for sign in ("+", "-")
    ]
    return pl.concat(poles).sort("order", "run")


def _extensions(walk: _Walk, target: pl.DataFrame, reach_m: float) -> pl.DataFrame:
    same = walk.string[1:] == walk.string[:-1]
    apart = np.hypot(np.diff(walk.x_m), np.diff(walk.y_m))
    at = np.flatnonzero(same & (apart > reach_m + 1e-6))
    name = target["string"].gather(walk.string[at])
    start, end = walk.position.gather(at), walk.position.gather(at + 1)
    return pl.DataFrame(
        {
            "run": start + ">" + end,
            "role": pl.Series("role", ["extension"]).new_from_index(0, len(at)),
            "string": name,
            "from": start,
            "to": end,
            "plan_m": apart[at] - reach_m,
        }
    )


def _findings(target: pl.DataFrame, walk: _Walk, destinations: pl.DataFrame) -> tuple[Finding, ...]:
    known = set(destinations["name"].to_list())
    wanted = target["name"].unique(maintain_order=True).to_list()
    with_box = target.filter(pl.col("combiner_box").str.len_chars() > 0)
    wanted += with_box["inverter"].unique(maintain_order=True).to_list()
    absent = [name for name in dict.fromkeys(wanted) if name not in known]
    out = [
        Finding(
            check="cable-destination",
            subject_kind="description",
            subject=name,
            verdict=Verdict.NOT_ASSESSABLE,
            message=f"Where {name} stands is not said; cables to it have no length.",
            remedy=f"Give the coordinates of {name} in the table of destinations.",
            basis="common-practice",
        )
        for name in absent
    ]
    placed = np.zeros(target.height, dtype=bool)
    placed[walk.string[walk.starts]] = True
    out += [
        Finding(
            check="cable-string-positions",
            subject_kind="string",
            subject=name,
            verdict=Verdict.NOT_ASSESSABLE,
            message=f"String {name} has no positions; its cables have no length.",
            remedy="Add its positions to the layout.",
            basis="common-practice",
        )
        for name in target["string"].filter(pl.Series(~placed)).to_list()
    ]
    return tuple(out)


def string_loops(
    positions: pl.DataFrame,
    strings: pl.DataFrame,
    structures: pl.DataFrame,
    *,
    return_separation_m: float = 0.3,
) -> pl.DataFrame:
    """Loop area of every string's route on its tables, in which lightning nearby induces a surge.

    The loop goes through the modules from the positive to the negative end and back beside them,
    straight and at the separation of the return conductor: A = |sum(x_i y_i+1 - x_i+1 y_i)| / 2 /
    cos(tilt) + separation x distance of the ends. A string along a row has only the second part;
    one that runs out and back over two rows has the rows' distance times its length; a leapfrogged
    string, both ends together, has next to nothing.

    Gives a frame of ``string``, ``ends_apart_m`` and ``loop_area_m2``, strings with positions only.

    Args:
        positions: frame of ``plant.tables.POSITIONS``.
        strings: frame of ``plant.tables.STRINGS``.
        structures: frame of ``plant.tables.STRUCTURES``.
        return_separation_m: return conductor beside the modules' leads [m].

    Source: common-practice (area of a polygon by its corners).
    """
    walk = _walk(positions, strings, structures)
    if not len(walk.starts):
        return pl.DataFrame(
            schema={"string": pl.String, "ends_apart_m": pl.Float64, "loop_area_m2": pl.Float64}
        )
    first = np.repeat(walk.starts, walk.ends - walk.starts + 1)
    # Corners are told from the string's first module, so that large coordinates lose no digits.
    x, y = walk.x_m - walk.x_m[first], walk.y_m - walk.y_m[first]
    cross = np.zeros(len(x))
    cross[:-1] = x[:-1] * y[1:] - x[1:] * y[:-1]
    cross[walk.ends] = 0.0
    level = np.abs(np.add.reduceat(cross, walk.starts)) / 2.0
    apart = np.hypot(x[walk.ends], y[walk.ends])
    slope = np.cos(np.deg2rad(walk.tilt_deg[walk.starts]))
    area = level / np.maximum(slope, 1e-6) + return_separation_m * apart
    return pl.DataFrame(
        {
            "string": strings["string"].gather(walk.string[walk.starts]),
            "ends_apart_m": apart,
            "loop_area_m2": area,
        }
    )


def cable_schedule(
    runs: pl.DataFrame,
    *,
    cables: Mapping[str, CableChoice],
    practice: Practice,
    conductor_temp_c: float = 20.0,
) -> pl.DataFrame:
    """Give the cable schedule: every run with its number, size, material, length and resistance.

    Adds ``number`` (from 1), ``size``, ``area_mm2``, ``material`` and ``resistance_ohm`` at the
    conductor temperature to the frame of runs.

    Args:
        runs: frame of ``CableRuns.runs``.
        cables: cable of each role that occurs.
        practice: whose tables count.
        conductor_temp_c: temperature the resistance is told at.

    Raises:
        CallError: a role has no cable, or a material is unknown.
    """
    roles = runs["role"].unique().to_list()
    unknown = [one.material for one in cables.values() if one.material not in MATERIALS]
    lacking = sorted(role for role in roles if role not in cables)
    if lacking or unknown:
        raise CallError(
            "cable-choice",
            f"No cable for {', '.join(lacking)}."
            if lacking
            else f"{unknown[0]!r} is no conductor material.",
            f"Choose a cable for each role, of {', '.join(MATERIALS)}.",
        )
    choice = pl.DataFrame(
        {
            "role": list(cables),
            "size": [size_name(one.area_mm2, practice=practice) for one in cables.values()],
            "area_mm2": [float(one.area_mm2) for one in cables.values()],
            "material": [one.material for one in cables.values()],
            "ohm": [
                float(
                    run_resistance_ohm(
                        one.area_mm2,
                        conductor_length_m=1.0,
                        conductor_temp_c=conductor_temp_c,
                        practice=practice,
                        material=MATERIALS.index(one.material),
                    )
                )
                for one in cables.values()
            ],
        }
    )
    return (
        runs.join(choice, on="role", how="left", maintain_order="left")
        .with_columns((pl.col("ohm") * pl.col("length_m")).alias("resistance_ohm"))
        .drop("ohm")
        .with_row_index("number", offset=1)
    )


def cable_quantities(schedule: pl.DataFrame) -> pl.DataFrame:
    """Sum a cable schedule by role and size.

    Gives a frame of ``role``, ``size``, ``material``, ``runs``, ``length_m`` and ``longest_m``.
    """
    return schedule.group_by("role", "size", "material", maintain_order=True).agg(
        pl.len().cast(pl.Int64).alias("runs"),
        pl.col("length_m").sum(),
        pl.col("length_m").max().alias("longest_m"),
    )
