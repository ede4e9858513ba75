"""What design checks are asked of: string designs with the longest cables of each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from arraywright.design import MATERIALS, CableRuns, cable_runs
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site
from arraywright.procedures.design_weather import string_planes

__all__ = ["StringDesign", "runs_of", "string_designs"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StringDesign:
    """Strings that are alike for the checks.

    Attributes:
        name: words for people.
        module_type: key of the module type.
        modules: modules in series.
        inverter_type: key of the inverter type.
        strings: strings in parallel on one input, the most of any input.
        strings_in_box: strings in one combiner box, the most of any; 0 without boxes.
        block: place of the first such string's block among the blocks; None for tables.
        blocks: places of all their blocks among the blocks.
        in_tables: whether some of them come from tables.
        planes: tilt and azimuth of all such strings, sorted.
        lengths: worked-out inputs of cables by name, from the string with the greatest drop;
            empty when cable runs are not known.
    """

    name: str
    module_type: str
    modules: int
    inverter_type: str
    strings: int
    strings_in_box: int
    block: int | None
    blocks: tuple[int, ...]
    in_tables: bool
    planes: tuple[tuple[float, float], ...]
    lengths: Mapping[str, float]


def runs_of(site: Site) -> tuple[CableRuns | None, tuple[Finding, ...]]:
    """Work out the cable runs of a site that says where its cables end."""
    if not site.design.destinations:
        return None, ()
    lead_m = site.design.number("cables.module_lead_m")
    if lead_m is None:
        finding = Finding(
            check="cable-lengths",
            subject_kind="description",
            subject=site.name,
            verdict=Verdict.NOT_ASSESSABLE,
            message="Cables have no length; the description does not say the length of one lead "
            "of a module (cables.module_lead_m).",
            remedy="Describe cables.module_lead_m from the module's data sheet.",
            basis="common-practice",
        )
        return None, (finding,)
    destinations = pl.DataFrame(
        [(one.name, one.x_m, one.y_m) for one in site.design.destinations],
        schema={"name": pl.String, "x_m": pl.Float64, "y_m": pl.Float64},
        orient="row",
    )
    found = cable_runs(
        site.positions,
        site.strings,
        site.structures,
        destinations=destinations,
        module_lead_m=lead_m,
        slack_ratio=site.design.number("cables.slack_ratio") or 0.0,
        end_allowance_m=site.design.number("cables.end_allowance_m") or 0.0,
    )
    return found, found.findings


def string_designs(site: Site, runs: CableRuns | None) -> tuple[StringDesign, ...]:
    """Give the distinct string designs of a site, in building order.

    Strings that differ only in how many share an input or a box stand for one design with the
    most of both: fewer in parallel are never worse.
    """
    boxed = pl.col("combiner_box").str.len_chars().fill_null(0) > 0
    whole = (
        site.strings.with_columns(boxed.alias("boxed"))
        .with_columns(
            pl.len().over("inverter", "mppt_input").alias("on_input"),
            pl.when("boxed").then(pl.len().over("combiner_box")).otherwise(0).alias("in_box"),
        )
        .join(string_planes(site), on="string", how="left", maintain_order="left")
    )
    whole = whole.join(_lengths(site, whole, runs), on="string", how="left", maintain_order="left")
    keys = ["module_type", "modules", "inverter_type", "boxed"]
    designs = whole.group_by(keys, maintain_order=True).agg(
        pl.col("on_input").max(),
        pl.col("in_box").max(),
        pl.col("source_file").first(),
        pl.col("source_row").first(),
        pl.struct("source_file", "source_row").unique().alias("sources"),
        pl.struct("tilt_deg", "azimuth_deg").unique().sort().alias("planes"),
        pl.col("string_m").sort_by("drop").last(),
        pl.col("array_m").sort_by("drop").last(),
        pl.col("route_m").max(),
        pl.col("drop").is_null().any().alias("some_unknown"),
    )
    # The longest is not known while that of any string is not.
    designs = designs.with_columns(
        pl.when("some_unknown").then(None).otherwise(pl.col(name)).alias(name)
        for name in ("string_m", "array_m", "route_m")
    )
    rows = designs.to_dicts()
    alike = Counter(_kind_words(row) for row in rows)
    return tuple(_design(site, row, say_box=alike[_kind_words(row)] > 1) for row in rows)


def _kind_words(row: Mapping[str, object]) -> str:
    return f"{row['modules']} x {row['module_type']} on {row['inverter_type']}"


def _design(site: Site, row: Mapping[str, object], *, say_box: bool) -> StringDesign:
    name = _kind_words(row)
    if say_box:
        name += " with combiner box" if row["boxed"] else " without combiner box"
    at = (row["source_file"], row["source_row"])
    blocks = [(block.source_file, block.source_row) for block in site.design.blocks]
    listed = row["sources"]
    sources = [
        (one["source_file"], one["source_row"])
        for one in (listed if isinstance(listed, list) else [])
    ]
    planes = row["planes"]
    lengths = {
        name: row[column]
        for name, column in (
            ("string_length_m", "string_m"),
            ("array_length_m", "array_m"),
            ("dc_route_length_m", "route_m"),
        )
    }
    return StringDesign(
        name=name,
        module_type=str(row["module_type"]),
        modules=_whole(row["modules"]),
        inverter_type=str(row["inverter_type"]),
        strings=_whole(row["on_input"]),
        strings_in_box=_whole(row["in_box"]),
        block=blocks.index(at) if at in blocks else None,
        blocks=tuple(number for number, one in enumerate(blocks) if one in sources),
        in_tables=any(one not in blocks for one in sources),
        planes=tuple(
            (float(one["tilt_deg"]), float(one["azimuth_deg"]))
            for one in (planes if isinstance(planes, list) else [])
            if one["tilt_deg"] is not None
        ),
        lengths={name: held for name, held in lengths.items() if isinstance(held, float)},
    )


def _whole(value: object) -> int:
    if not isinstance(value, int):
        raise TypeError(value)
    return value


def _ohm_ratio(site: Site, role: str) -> float:
    """Give what a metre of a cable counts beside another; 1 when the cable is not described."""
    area = site.design.number(f"cables.{role}.area_mm2")
    aluminium = site.design.word(f"cables.{role}.material") == MATERIALS[-1]
    return 1.0 if area is None else (1.6 if aluminium else 1.0) / area


def _lengths(site: Site, strings: pl.DataFrame, runs: CableRuns | None) -> pl.DataFrame:
    """Give conductor of each string's own cables and of its box's, both poles, and its route."""
    if runs is None:
        return strings.select("string").with_columns(
            pl.lit(None, dtype=pl.Float64).alias(name)
            for name in ("string_m", "array_m", "route_m", "drop")
        )
    ends = runs.runs.filter(pl.col("role") == "string")
    own = (
        runs.runs.filter(pl.col("role").is_in(["string", "extension"]))
        .group_by("string")
        .agg(pl.col("length_m").sum().alias("string_m"))
        .join(
            ends.group_by("string").agg(pl.col("length_m").max().alias("pole_m")),
            on="string",
        )
    )
    boxes = (
        runs.runs.filter(pl.col("role") == "array")
        .group_by("from")
        .agg(pl.col("length_m").sum().alias("array_m"), pl.col("length_m").max().alias("box_m"))
        .rename({"from": "combiner_box"})
    )
    whole = (
        strings.select("string", "combiner_box", "boxed", "in_box")
        .join(own, on="string", how="left", maintain_order="left")
        .join(boxes, on="combiner_box", how="left", maintain_order="left")
        .with_columns(
            pl.when("boxed").then("array_m").otherwise(0.0).alias("array_m"),
            pl.when("boxed").then("box_m").otherwise(0.0).alias("box_m"),
        )
    )
    drop = pl.col("string_m") * _ohm_ratio(site, "string") + pl.col("in_box") * pl.col(
        "array_m"
    ) * _ohm_ratio(site, "array")
    return whole.select(
        "string",
        "string_m",
        "array_m",
        (pl.col("pole_m") + pl.col("box_m")).alias("route_m"),
        drop.alias("drop"),
    )
