"""Bonding points of every table and what the crew orders for them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, cast

import polars as pl

from arraywright.design import FrameBonding, Practice, size_name, table_bonding, table_links
from arraywright.plant import Site
from arraywright.procedures.check_cable_sizes import other_size_name

__all__ = ["Bonding", "BondingLine", "OrderLine", "bonding_of"]

_WAY: Final = "earthing.frame_bonding"
_CAUTION: Final = (
    "Bond only at the marked or unused holes and with what the makers of module and structure "
    "allow; local codes and a licensed electrician decide, and continuity is measured before the "
    "array is taken over."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class BondingLine:
    """Bonding of tables that are alike.

    Attributes:
        table_type: rows x columns and module type.
        tables: how many there are.
        modules: modules on one.
        module_bonds: bonding points on the frames of one.
        table_connections: earthing connections of one.
        bonding_points: both together.
        jumpers: bonding jumpers of one; None when the description leaves it open.
        conductor_m: conductor of one, the most of any [m]; None likewise.
    """

    table_type: str
    tables: int
    modules: int
    module_bonds: int
    table_connections: int
    bonding_points: int
    jumpers: int | None
    conductor_m: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderLine:
    """One line of what is ordered.

    Attributes:
        item: what, in words.
        count: pieces; None when the description leaves it open, or it is no thing of pieces.
        length_m: length together [m]; None likewise.
        note: size, or what would fill what is open.
    """

    item: str
    count: int | None
    length_m: float | None
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bonding:
    """Bonding of a site.

    Attributes:
        lines: per type of table.
        order: what the site takes.
        tables: frame of every table, as written to ``bonding-points.csv``; None without any.
        sentences: what they rest on and what is open.
    """

    lines: tuple[BondingLine, ...]
    order: tuple[OrderLine, ...]
    tables: pl.DataFrame | None
    sentences: tuple[str, ...]


def bonding_of(site: Site, *, practice: Practice) -> Bonding:
    """Count bonding points, jumpers and conductor of every table and of the site.

    Args:
        site: the site.
        practice: whose sizes count.
    """
    number = site.design.number
    bonds, connections = (
        number("earthing.bonds_per_module"),
        number("earthing.connections_per_table"),
    )
    if bonds is None or connections is None or site.positions.is_empty():
        return Bonding(
            lines=(),
            order=(),
            tables=None,
            sentences=("Bonding points are counted where a section [earthing] is described.",),
        )
    types = _types(site)
    told: list[str] = []
    keys = site.strings["module_type"].unique().sort().to_list()
    few = [
        key
        for key in keys
        if (holes := number(f"module_types.{key}.earthing_holes")) is not None and holes < bonds
    ]
    if few:
        told.append(
            f"{bonds:.0f} bonding points on each frame are more than the holes of "
            f"{', '.join(few)}; the counts hold only with bonding clamps its maker allows. Never "
            "drill a frame."
        )
    open_ = [key for key in keys if number(f"module_types.{key}.earthing_holes") is None]
    if open_:
        names = ", ".join(f"module_types.{key}.earthing_holes" for key in open_)
        told.append(f"Whether the frames have the holes for it is not said ({names}).")
    way = site.design.word(_WAY)
    tables = _tables(site, way=way, bonds=int(bonds), connections=int(connections))
    tables = types.join(tables, on="structure", how="inner", maintain_order="left").with_columns(
        pl.format("{} x {} {}", "rows", "columns", "module_type").alias("table_type")
    )
    links = table_links(site.positions, site.structures)
    if way is None:
        told.append(
            "Jumpers and conductor are open until it is said how frames are bonded "
            f"({_WAY}: conductor, jumpers or clamps)."
        )
    told += _open_lengths(site, way)
    return Bonding(
        lines=_lines(tables),
        order=_order(site, tables, links, way=way, practice=practice),
        tables=tables.select(
            "structure",
            "table_type",
            "rows",
            "columns",
            "modules",
            "module_bonds",
            "table_connections",
            "bonding_points",
            "jumpers",
            "conductor_m",
        ),
        sentences=(
            *told,
            _CAUTION,
        ),
    )


def _types(site: Site) -> pl.DataFrame:
    """Give the module type of each table; of mixed ones all types."""
    return (
        site.positions.select("structure", "string")
        .unique()
        .join(site.strings.select("string", "module_type"), on="string")
        .group_by("structure")
        .agg(pl.col("module_type").unique().sort().str.join(" and "))
        .join(site.structures.select("structure").with_row_index("at"), on="structure", how="inner")
        .sort("at")
        .drop("at")
    )


def _tables(site: Site, *, way: str | None, bonds: int, connections: int) -> pl.DataFrame:
    number = site.design.number
    slack, end = number("cables.slack_ratio"), number("cables.end_allowance_m")
    found = table_bonding(
        site.positions,
        site.structures,
        way=cast("FrameBonding", way or "conductor"),
        bonds_per_module=bonds,
        # Frames with too few holes are told by a check and a sentence; the count stays.
        holes_per_module=bonds,
        connections_per_table=connections,
        slack_ratio=0.0 if slack is None else slack,
        end_allowance_m=0.0 if end is None else end,
        jumper_m=number("earthing.jumper_m"),
        rails_per_row=int(number("earthing.rails_per_row") or 1),
        rail_length_m=number("mounting.rail_length_m"),
    )
    if way is None:
        return found.with_columns(
            pl.lit(None, dtype=pl.Int64).alias("jumpers"),
            pl.lit(None, dtype=pl.Float64).alias("conductor_m"),
        )
    return found


def _open_lengths(site: Site, way: str | None) -> list[str]:
    number = site.design.number
    told = []
    if way == "clamps" and number("mounting.rail_length_m") is None:
        told.append(
            "Jumpers across the joints of rails are open (mounting.rail_length_m); the clamps and "
            "the rails' own joints are counted on as the makers tested them."
        )
    if way in ("jumpers", "clamps") and number("earthing.jumper_m") is None:
        told.append("The length of jumpers is open (earthing.jumper_m).")
    if number("earthing.main_conductor_m") is None:
        told.append(
            "The main earthing conductor to the earth terminal and electrodes is not in the list "
            "(earthing.main_conductor_m)."
        )
    return told


def _lines(tables: pl.DataFrame) -> tuple[BondingLine, ...]:
    keys = ["table_type", "modules", "module_bonds", "table_connections", "bonding_points"]
    alike = tables.group_by(*keys, "jumpers", maintain_order=True).agg(
        pl.len().alias("tables"), pl.col("conductor_m").max()
    )
    return tuple(BondingLine(**row) for row in alike.to_dicts())


def _order(
    site: Site, tables: pl.DataFrame, links: pl.DataFrame, *, way: str | None, practice: Practice
) -> tuple[OrderLine, ...]:
    number = site.design.number
    area = number("earthing.conductor_mm2")
    size = "size open (earthing.conductor_mm2)"
    if area is not None:
        metal = "aluminium" if number("earthing.conductor_aluminium") else "copper"
        other = other_size_name(area, practice=practice)
        size = f"{size_name(area, practice=practice)} {metal} (at least {other})"
    slack = number("cables.slack_ratio") or 0.0
    jumper_m, main_m = number("earthing.jumper_m"), number("earthing.main_conductor_m")
    points, on_tables = int(tables["module_bonds"].sum()), int(tables["table_connections"].sum())
    named = {
        "conductor": "lugs on the frames",
        "jumpers": "bonding points on the frames",
        "clamps": "bonding clamps on the frames",
    }
    within = None if tables["jumpers"].null_count() else int(tables["jumpers"].sum())
    order = [
        OrderLine(
            item=named.get(way or "", "bonding points on the frames"),
            count=points,
            length_m=None,
            note="",
        ),
        OrderLine(
            item="earthing connections of the tables", count=on_tables, length_m=None, note=""
        ),
    ]
    linked_m = float(links["plan_m"].sum()) * (1.0 + slack)
    if way == "conductor":
        along_m = float(tables["conductor_m"].sum())
        order += [
            OrderLine(item="conductor along the tables", count=None, length_m=along_m, note=size),
            OrderLine(
                item="links from table to table in a row",
                count=links.height,
                length_m=linked_m,
                note=size,
            ),
        ]
        known: float | None = along_m + linked_m
    else:
        jumpers = None if within is None else within + links.height
        known = None if jumpers is None or jumper_m is None else jumpers * jumper_m
        order += [
            OrderLine(
                item="bonding jumpers, those from table to table included",
                count=jumpers,
                length_m=known,
                note=f"of these {links.height} from table to table in a row",
            ),
        ]
    order.append(OrderLine(item="main earthing conductor", count=None, length_m=main_m, note=size))
    if way == "conductor":
        whole = None if known is None or main_m is None else known + main_m
        order.append(
            OrderLine(item="earthing conductor together", count=None, length_m=whole, note=size)
        )
    return tuple(order)
