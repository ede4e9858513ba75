"""Loop areas of strings, as they run and the other way, and what lightning makes of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import polars as pl

from arraywright.design import (
    DAISY_CHAIN,
    LEAPFROG,
    CableRuns,
    StringRoutes,
    loop_voltage_v,
    string_routes,
)
from arraywright.plant import Site
from arraywright.procedures.design_cases import DesignCases
from arraywright.procedures.design_subjects import StringDesign, runs_of

__all__ = ["LOOP_BASIS", "LoopLine", "Loops", "loops_of"]

LOOP_BASIS: Final = "iec-60364-7-712 wiring loops as small as possible against lightning"
_OTHER: Final = {DAISY_CHAIN: LEAPFROG, LEAPFROG: DAISY_CHAIN}


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopLine:
    """Loops of the strings of one design on one route.

    Attributes:
        of: the string design.
        route: ``daisy-chain`` or ``leapfrog``.
        described: whether the strings run this way in the description.
        strings: how many there are.
        total_m2: loop areas together [m2].
        greatest_m2: the greatest of one string [m2].
        greatest_voltage_v: voltage the stroke described would induce in it; None when no stroke is.
        step_m: furthest that two modules joined by their leads are apart [m].
        leads_reach: whether two leads of a module reach that far; None when their length is not
            described.
        string_cable_m: string cable and extensions this way [m], for a route that is not described
            from the end of each string that is nearer; None when it is not said where cables end.
    """

    of: str
    route: str
    described: bool
    strings: int
    total_m2: float
    greatest_m2: float
    greatest_voltage_v: float | None
    step_m: float
    leads_reach: bool | None
    string_cable_m: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Loops:
    """Loops of a site.

    Attributes:
        lines: per string design and route, the described route first.
        routes: frame of ``design.StringRoutes.routes``.
        sentences: what they mean.
    """

    lines: tuple[LoopLine, ...]
    routes: pl.DataFrame
    sentences: tuple[str, ...]


def loops_of(site: Site, found: DesignCases) -> Loops:
    """Give loop areas per string design for the route described and for the other.

    Args:
        site: the site.
        found: its checks with cable runs.
    """
    separation = site.design.number("cables.return_separation_m")
    if separation is None:
        return Loops(
            lines=(),
            routes=pl.DataFrame(),
            sentences=(
                "Loop areas of strings need cables.return_separation_m, or a section [cables].",
            ),
        )
    routes = string_routes(
        site.positions, site.strings, site.structures, return_separation_m=separation
    )
    cable = _string_cable(site, routes, found.runs)
    boxed = pl.col("combiner_box").str.len_chars().fill_null(0) > 0
    whole = (
        site.strings.select(
            "string", "module_type", "modules", "inverter_type", boxed.alias("boxed")
        )
        .join(routes.routes, on="string", how="inner", maintain_order="left")
        .join(cable, on="string", how="left", maintain_order="left")
    )
    lines: list[LoopLine] = []
    for design in found.strings:
        lines += _lines(site, design, whole)
    return Loops(lines=tuple(lines), routes=routes.routes, sentences=_sentences(site, lines))


def _string_cable(site: Site, routes: StringRoutes, runs: CableRuns | None) -> pl.DataFrame:
    """Give string cable with extensions of each string on both routes."""
    found = pl.DataFrame(
        schema={"string": pl.String, "cable_m": pl.Float64, "other_cable_m": pl.Float64}
    )
    if runs is None:
        return found
    lengths = [_cable_m(runs)]
    for positions in (routes.other, routes.other_turned):
        other, _ = runs_of(replace(site, positions=positions))
        if other is None:
            return found
        lengths.append(_cable_m(other))
    first, second, turned = lengths
    # The other way may begin at whichever end of the string is nearer.
    return (
        first.rename({"length_m": "cable_m"})
        .join(second, on="string")
        .join(turned, on="string", suffix="_turned")
        .select(
            "string",
            "cable_m",
            pl.min_horizontal("length_m", "length_m_turned").alias("other_cable_m"),
        )
    )


def _cable_m(runs: CableRuns) -> pl.DataFrame:
    own = runs.runs.filter(pl.col("role") != "array")
    return own.group_by("string").agg(pl.col("length_m").sum())


def _lines(site: Site, design: StringDesign, whole: pl.DataFrame) -> list[LoopLine]:
    held = whole.filter(
        (pl.col("module_type") == design.module_type)
        & (pl.col("modules") == design.modules)
        & (pl.col("inverter_type") == design.inverter_type)
        & (pl.col("boxed") == (design.strings_in_box > 0))
    )
    lines = []
    for route, frame in sorted(
        held.partition_by("route", as_dict=True).items(), key=lambda one: -one[1].height
    ):
        name = str(route[0])
        lines += [
            _line(site, design, frame, route=name, prefix=""),
            _line(site, design, frame, route=_OTHER[name], prefix="other_"),
        ]
    return lines


def _line(
    site: Site, design: StringDesign, frame: pl.DataFrame, *, route: str, prefix: str
) -> LoopLine:
    areas = frame[f"{prefix}loop_area_m2"].to_numpy()
    step = float(frame[f"{prefix}step_m"].to_numpy().max())
    lead = site.design.number("cables.module_lead_m")
    cable = frame[f"{prefix}cable_m"]
    return LoopLine(
        of=design.name,
        route=route,
        described=not prefix,
        strings=frame.height,
        total_m2=float(areas.sum()),
        greatest_m2=float(areas.max()),
        greatest_voltage_v=_voltage(site, float(areas.max())),
        step_m=step,
        leads_reach=None if lead is None else step <= 2.0 * lead + 1e-6,
        string_cable_m=None if cable.null_count() else float(cable.sum()),
    )


def _stroke(site: Site) -> tuple[float, float, float] | None:
    current, rise, distance = (
        site.design.number(f"design.stroke_{name}")
        for name in ("current_a", "rise_s", "distance_m")
    )
    if current is None or rise is None or distance is None:
        return None
    return current, rise, distance


def _voltage(site: Site, area_m2: float) -> float | None:
    stroke = _stroke(site)
    if stroke is None:
        return None
    current, rise, distance = stroke
    return float(loop_voltage_v(area_m2, current_a=current, rise_s=rise, distance_m=distance))


def _sentences(site: Site, lines: Sequence[LoopLine]) -> tuple[str, ...]:
    described = [line for line in lines if line.described]
    if not described:
        return ()
    total = sum(line.total_m2 for line in described)
    other = sum(line.total_m2 for line in lines if not line.described)
    greatest = max(described, key=lambda line: line.greatest_m2)
    words = (
        "The codes ask for wiring loops as small as possible (IEC 60364-7-712, IEC 62548-1): a "
        "stroke nearby induces a voltage in proportion to the area between a string's way out and "
        "its way back."
    )
    told = (
        f"The loops of all strings have {total:.1f} m2 as described and would have {other:.1f} m2 "
        f"the other way; the greatest of one string has {greatest.greatest_m2:.2f} m2."
    )
    stroke = _stroke(site)
    if stroke is None or greatest.greatest_voltage_v is None:
        return (told, words)
    current, rise, distance = stroke
    estimate = (
        f"A stroke {distance:g} m away that rises by {current / 1000.0:g} kA in {rise * 1e6:g} us "
        f"induces at most about {greatest.greatest_voltage_v:.0f} V in the greatest, mu0 A I / "
        "(2 pi d T) with the loop turned to it; a classical estimate, rather high, for comparing "
        "loops. It replaces no surge protection."
    )
    return (told, words, estimate)
