"""What is held against the limits of yard and lift."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import polars as pl

from arraywright.arrays import IntArray
from arraywright.findings import Finding, Verdict
from arraywright.plant import ModuleType, Site, Yard

__all__ = ["yard_findings"]


def _masses_kg(uses: pl.DataFrame, types: Mapping[str, ModuleType], yard: Yard) -> pl.DataFrame:
    heaviest = uses.group_by("module_type", maintain_order=True).agg(pl.col("modules").max())
    return heaviest.with_columns(
        mass_kg=pl.Series(
            [
                types[row["module_type"]].mass_kg * row["modules"] + yard.pallet_tare_kg
                for row in heaviest.iter_rows(named=True)
            ],
            dtype=pl.Float64,
        )
    )


def yard_findings(
    site: Site,
    uses: pl.DataFrame,
    *,
    limit: IntArray,
    homeless: int,
    area_most_m2: float,
    day_most: date | None,
) -> tuple[Finding, ...]:
    """Hold a yard plan against what is described; nothing is said where no yard is described.

    Args:
        site: the site.
        uses: frame of ``module_type`` and ``modules`` of each pallet.
        limit: pallets in a stack of each module type, in the order they appear in ``uses``.
        homeless: pallets that find no room.
        area_most_m2: most ground needed at a time [m2].
        day_most: day on which that is, None when not known.

    Source: common-practice
    """
    if site.yard is None or uses.is_empty():
        return ()
    return (
        _area_finding(site.yard, homeless, area_most_m2, day_most),
        *_stack_findings(site, uses, limit),
        *_lift_findings(site.yard, _masses_kg(uses, site.module_types, site.yard)),
    )


def _area_finding(yard: Yard, homeless: int, area_most_m2: float, day_most: date | None) -> Finding:
    when = "" if day_most is None else f" on {day_most}"
    if not yard.areas:
        return Finding(
            check="allocation-yard-area",
            subject_kind="site",
            subject="yard",
            verdict=Verdict.NOT_ASSESSABLE,
            message=f"{area_most_m2:,.0f} m2 of laydown area are needed{when}, ways for the lift "
            "included; no area is described to hold that against.",
            remedy="Describe the laydown areas as [[yard.areas]].",
            value=area_most_m2,
            unit="m2",
            basis="common-practice",
        )
    described = sum(area.area_m2 for area in yard.areas)
    over = homeless > 0
    return Finding(
        check="allocation-yard-area",
        subject_kind="site",
        subject="yard",
        verdict=Verdict.REVIEW if over else Verdict.PASS,
        message=(
            f"{area_most_m2:,.0f} m2 of laydown area are needed{when}, ways for the lift "
            f"included; {described:,.0f} m2 are described"
            + (f", and {homeless:,} pallets find no room when they come." if over else ".")
        ),
        remedy="Get more ground, or agree on later deliveries; never stack higher than allowed."
        if over
        else "",
        value=area_most_m2,
        limit=described,
        margin=described - area_most_m2,
        unit="m2",
        basis="common-practice",
    )


def _stack_findings(site: Site, uses: pl.DataFrame, limit: IntArray) -> list[Finding]:
    findings: list[Finding] = []
    wanted = 0 if site.yard is None else site.yard.stack_max
    for name, most in zip(
        uses["module_type"].unique(maintain_order=True).to_list(), limit.tolist(), strict=True
    ):
        lower = most < wanted
        findings.append(
            Finding(
                check="allocation-yard-stack",
                subject_kind="site",
                subject=name,
                verdict=Verdict.REVIEW if lower else Verdict.PASS,
                message=(
                    f"[yard] allows {wanted} pallets in a stack, {name} only {most}: {most} are "
                    "planned."
                    if lower
                    else f"No stack of {name} is planned higher than {most}."
                ),
                remedy="Tell the yard's crew the lower limit of this type." if lower else "",
                value=float(most),
                limit=float(most),
                margin=0.0,
                unit="pallets",
                basis="common-practice",
            )
        )
    return findings


def _lift_findings(yard: Yard, masses: pl.DataFrame) -> list[Finding]:
    findings: list[Finding] = []
    most = yard.lift_mass_max_kg
    for row in masses.iter_rows(named=True):
        mass_kg, name = float(row["mass_kg"]), str(row["module_type"])
        text = f"The heaviest pallet of {name} ({row['modules']} modules) has {mass_kg:,.0f} kg"
        if most is None:
            findings.append(
                Finding(
                    check="allocation-yard-lift",
                    subject_kind="site",
                    subject=name,
                    verdict=Verdict.NOT_ASSESSABLE,
                    message=f"{text}; the greatest mass the lift may carry is not described.",
                    remedy="Write yard.lift_mass_max_kg from the load chart at the reach needed.",
                    value=mass_kg,
                    unit="kg",
                    basis="common-practice",
                )
            )
            continue
        over = mass_kg > most
        findings.append(
            Finding(
                check="allocation-yard-lift",
                subject_kind="site",
                subject=name,
                verdict=Verdict.FAIL if over else Verdict.PASS,
                message=f"{text}; the lift may carry {most:,.0f} kg.",
                remedy="Do not lift these pallets with it: get a lift that may carry them, or take "
                "modules off by hand, two people a module."
                if over
                else "",
                value=mass_kg,
                limit=most,
                margin=most - mass_kg,
                unit="kg",
                basis="common-practice",
            )
        )
    return findings
