"""Which module sits where: as-built lists where there are some, else the plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import polars as pl

from arraywright.allocation.as_built import AsBuilt, check_as_built
from arraywright.commissioning import StringModules, string_modules
from arraywright.plant import Site
from arraywright.procedures.allocate import ALLOCATION_PLANNED
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.site_record import SiteRecord

__all__ = ["WhatIsWhere", "only_strings", "what_is_where"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatIsWhere:
    """Which module sits where, as far as lists or plan say.

    Attributes:
        as_built: comparison of the as-built lists; None when there are none.
        placed: string, place_in_string, serial, pallet, class and flashed values, and ``known_by``:
            ``as-built list`` or ``plan``.
        modules: the same, string after string, for computing.
        known_by: what most of it rests on, in words.
    """

    as_built: AsBuilt | None
    placed: pl.DataFrame
    modules: StringModules
    known_by: str


_COLUMNS = (
    "string",
    "place_in_string",
    "serial",
    "pallet",
    "module_type",
    "power_class_w",
    "current_class",
    "pmax_w",
    "voc_v",
    "isc_a",
    "vmp_v",
    "imp_a",
)


_NO_MODULES = pl.DataFrame(
    schema={
        "serial": pl.String,
        "pallet": pl.String,
        "module_type": pl.String,
        "power_class_w": pl.Float64,
        "current_class": pl.String,
        "pmax_w": pl.Float64,
        "voc_v": pl.Float64,
        "isc_a": pl.Float64,
        "vmp_v": pl.Float64,
        "imp_a": pl.Float64,
        "usable": pl.Boolean,
        "reason": pl.String,
        "pallet_verdict": pl.String,
    }
)


def what_is_where(record: SiteRecord, placements: pl.DataFrame) -> WhatIsWhere:
    """Find out which module sits where.

    A string that an as-built list names is taken from the lists; every other string from the plan.
    """
    reconciled = record.latest(DELIVERY_RECONCILED)
    plan = record.latest(ALLOCATION_PLANNED)
    modules = None if reconciled is None else record.load_frame(reconciled, "modules")
    planned = None if plan is None else record.load_frame(plan, "assignments")
    as_built = None
    parts = []
    if placements.height:
        as_built = check_as_built(
            record.site,
            placements=placements,
            modules=_NO_MODULES if modules is None else modules,
            planned=planned,
        )
        parts.append(
            as_built.placed.select(_COLUMNS).with_columns(known_by=pl.lit("as-built list"))
        )
    if planned is not None and modules is not None:
        built = set() if as_built is None else set(as_built.placed["string"].unique().to_list())
        first = modules.unique("serial", keep="first", maintain_order=True)
        parts.append(
            planned.filter(~pl.col("string").is_in(list(built)))
            .select("string", "place_in_string", "serial")
            .join(first, on="serial", how="left", maintain_order="left")
            .select(_COLUMNS)
            .with_columns(known_by=pl.lit("plan"))
        )
    placed = pl.concat(parts) if parts else None
    if placed is None:
        return WhatIsWhere(
            as_built=None,
            placed=pl.DataFrame(schema=dict.fromkeys((*_COLUMNS, "known_by"), pl.String)),
            modules=string_modules(record.site),
            known_by="nothing: neither an as-built list nor a plan is in the record",
        )
    return WhatIsWhere(
        as_built=as_built,
        placed=placed,
        modules=string_modules(record.site, placed=placed),
        known_by=", ".join(placed["known_by"].unique(maintain_order=True).to_list()),
    )


def only_strings(site: Site, strings: Sequence[str]) -> Site:
    """Give the site as if it had only these strings, to reckon with few of many."""
    wanted = pl.col("string").is_in(list(strings))
    return replace(
        site, strings=site.strings.filter(wanted), positions=site.positions.filter(wanted)
    )
