"""What an allocation is worth and how the yard is used: tables, plots and their words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from arraywright.dossier.allocation_plots import TradePoint, trade_off_plot, yard_plot
from arraywright.dossier.blocks import Align, Block, Caution, Figure, Heading, Paragraph, Table
from arraywright.dossier.words import number

__all__ = [
    "PLAN_NAMES",
    "Worth",
    "YardRows",
    "class_rows",
    "plan_rows",
    "stack_blocks",
    "trade_rows",
    "worth_blocks",
    "yard_blocks",
    "yard_rows",
]

PLAN_NAMES: Final = {
    "arrival": "order of arrival",
    "arrival_same_classes": "order of arrival, classes of the plan",
    "plan": "this plan",
    "sorted": "full sort of single modules",
}
"""What the plans that are compared are called."""
_WEEKS: Final = 7
_DAYS_SINGLY: Final = 31
_STACKS_SHOWN: Final = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """Figures of an allocation.

    Attributes:
        summary: figures and sentences as recorded.
        classes: what became of each class.
        trade_off: handling and mismatch of all ways to build.
        yard_days: the yard day by day.
        yard_stacks: where each pallet stands.
        yard_cautions: cautions for whoever works in the yard.
    """

    summary: Mapping[str, Any]
    classes: pl.DataFrame
    trade_off: pl.DataFrame
    yard_days: pl.DataFrame
    yard_stacks: pl.DataFrame
    yard_cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class YardRows:
    """A table of the yard.

    Attributes:
        headings: one a column.
        rows: printed text.
    """

    headings: tuple[str, ...]
    rows: list[tuple[str, ...]]


def plan_rows(worth: Worth) -> list[tuple[str, ...]]:
    """Give the plans compared, with their money where they are priced."""
    return [
        (
            PLAN_NAMES[plan["kind"]],
            number(plan["strings_planned"], 0),
            number(plan["inputs_in_part"], 0),
            number(plan["pallet_openings"], 0),
            number(plan["loss_w"], 0),
            f"{100.0 * plan['loss_ratio']:.4f}",
            number(plan.get("mismatch"), 0),
            number(plan.get("handling"), 0),
            number(plan.get("total"), 0),
        )
        for plan in worth.summary["plans"]
    ]


def class_rows(worth: Worth) -> list[tuple[str, ...]]:
    """Give what became of each class."""
    return [
        (
            str(row["class"]),
            number(row["strings"], 0),
            number(row["pallets"], 0),
            str(row["way"]),
            number(row["arrival_w"], 1),
            number(row["plan_w"], 1),
            number(row["whole_w"], 1),
            number(row["bound_w"], 1),
            _percent(row["gap_ratio"]),
        )
        for row in worth.classes.iter_rows(named=True)
    ]


def _percent(ratio: float | None) -> str:
    return "–" if ratio is None else f"{100.0 * ratio:.1f}"


def _marks(row: Mapping[str, Any]) -> str:
    words = [
        text
        for key, text in (
            ("plan", "the plan"),
            ("knee", "knee"),
            ("cheapest", "cheapest"),
            ("needs_all_stock", "needs all stock here first"),
        )
        if row[key]
    ]
    return ", ".join(words)


def trade_rows(worth: Worth) -> list[tuple[str, ...]]:
    """Give the ways to build from least to most handling; mixtures only where they stand out."""
    shown = worth.trade_off.filter(
        pl.col("price_ratio").is_null() | pl.col("knee") | pl.col("cheapest")
    )
    return [
        (
            str(row["way"]),
            number(row["loss_w"], 1),
            number(row["mismatch"], 0),
            number(row["handling"], 0),
            number(row["total"], 0),
            _marks(row),
        )
        for row in shown.sort("handling", "total").iter_rows(named=True)
    ]


def yard_rows(worth: Worth) -> YardRows:
    """Give the yard day by day, or week by week when there are many days; at once without dates."""
    days = worth.yard_days
    if days.is_empty():
        return YardRows(headings=("Yard",), rows=[])
    if not worth.summary["dated"]:
        row = days.row(0, named=True)
        return YardRows(
            headings=("When", "Pallets", "Places", "Area [m2]", "Digs", "Trips"),
            rows=[
                (
                    "before building",
                    number(row["pallets"], 0),
                    number(row["places"], 0),
                    number(row["area_needed_m2"], 0),
                    number(worth.summary["yard"]["digs"], 0),
                    number(worth.summary["yard"]["trips"], 0),
                )
            ],
        )
    single = days.height <= _DAYS_SINGLY
    step = "1d" if single else "1w"
    told = (
        days.sort("day")
        .group_by_dynamic("day", every=step)
        .agg(
            pl.col("pallets").max(),
            pl.col("places").max(),
            pl.col("area_needed_m2").max(),
            pl.col("unloaded").sum(),
            pl.col("taken_out").sum(),
            pl.col("digs").sum(),
            pl.col("trips").sum(),
            most=pl.col("trips").max(),
        )
    )
    moving = told.filter((pl.col("unloaded") > 0) | (pl.col("taken_out") > 0))
    headings = ("Day" if single else "Week of", "Pallets", "Places", "Area [m2]", "Unloaded")
    return YardRows(
        headings=(
            *headings,
            "Taken out",
            "Digs",
            "Trips",
            *(() if single else ("Trips a day at most",)),
        ),
        rows=[
            (
                str(row["day"]),
                number(row["pallets"], 0),
                number(row["places"], 0),
                number(row["area_needed_m2"], 0),
                number(row["unloaded"], 0),
                number(row["taken_out"], 0),
                number(row["digs"], 0),
                number(row["trips"], 0),
                *(() if single else (number(row["most"], 0),)),
            )
            for row in moving.iter_rows(named=True)
        ],
    )


def _left_then_right(columns: int) -> tuple[Align, ...]:
    others: list[Align] = ["right"] * (columns - 1)
    return ("left", *others)


def worth_blocks(worth: Worth) -> list[Block]:
    """Give the chapter on what the plan is worth."""
    summary = worth.summary
    money = str(summary["currency"])
    if not summary["plans"] or worth.classes.is_empty():
        return []
    return [
        Heading(text="What the plan is worth"),
        *(Paragraph(text=str(sentence)) for sentence in summary["sentences"]),
        Table(
            headings=(
                "Plan",
                "Strings",
                "In part",
                "Openings",
                "Loss [W]",
                "Loss [%]",
                f"Mismatch [{money}]",
                f"Handling [{money}]",
                f"Together [{money}]",
            ),
            rows=plan_rows(worth),
            align=("left", *("right",) * 8),
            widths=(2.6, 0.9, 0.8, 1.05, 0.9, 0.95, 1.2, 1.2, 1.2),
            caption=f"Exact mismatch at 1000 W/m2 and 25 °C, in money over "
            f"{summary['life_years']:g} years. A dash stands where nothing was priced.",
        ),
        *_trade_off_blocks(worth, money),
        Table(
            headings=(
                "Class",
                "Strings",
                "Pallets",
                "Built",
                "Arrival [W]",
                "Plan [W]",
                "Whole [W]",
                "Least [W]",
                "Gap [%]",
            ),
            rows=class_rows(worth),
            align=("left", "right", "right", "left", "right", "right", "right", "right", "right"),
            widths=(2.1, 0.85, 0.85, 2.1, 0.9, 0.8, 0.85, 0.8, 0.7),
            caption="Second-order mismatch of each class. Whole: whole pallets in the best order "
            "found. Least: no order of whole pallets emptied in turn loses less (proven). Gap: "
            "whole above least, over arrival above least.",
        ),
    ]


def _trade_off_blocks(worth: Worth, money: str) -> list[Block]:
    frame = worth.trade_off
    if frame.is_empty():
        return []
    named = {str(row[0]): str(row[0]) for row in frame.select("way").iter_rows()}
    points = [
        TradePoint(
            name=_short(named[str(row["way"])]) if _is_named(row) else "",
            handling=row["handling"],
            mismatch=row["mismatch"],
            on_curve=row["on_curve"],
            knee=row["knee"],
            chosen=row["plan"],
        )
        for row in frame.iter_rows(named=True)
    ]
    return [
        Figure(
            svg=trade_off_plot(
                points,
                currency=money,
                bound=worth.summary["bound_w"] * worth.summary["value_per_w"],
            ),
            caption="Ways to build: what their handling costs and what their mismatch costs. "
            "The knee is the point of the curve farthest below the straight line between its ends.",
        ),
        Table(
            headings=(
                "Way to build",
                "Loss [W]",
                f"Mismatch [{money}]",
                f"Handling [{money}]",
                f"Together [{money}]",
                "",
            ),
            rows=trade_rows(worth),
            align=("left", "right", "right", "right", "right", "left"),
            widths=(3.4, 0.9, 1.2, 1.2, 1.2, 1.3),
        ),
    ]


def _is_named(row: Mapping[str, Any]) -> bool:
    return bool(row["price_ratio"] is None or row["knee"] or row["plan"])


_SHORT: Final = (
    ("order of arrival", "arrival"),
    ("whole pallets in the planned order", "whole pallets"),
    ("single modules sorted at every drop point", "single at drop points"),
    ("single modules sorted over the whole site and packed anew", "single over the site"),
)


def _short(name: str) -> str:
    for long, short in _SHORT:
        if name == long:
            return short
    return (
        name.replace("up to ", "")
        .replace(" per pallet at every drop point", "")
        .replace("what pays at ", "")
        .replace(" the price of sorting", "")
    )


def yard_blocks(worth: Worth) -> list[Block]:
    """Give the chapter on the yard: ground needed, trips, and who stands under whom."""
    if worth.yard_days.is_empty():
        return []
    yard = worth.summary["yard"]
    rows = yard_rows(worth)
    blocks: list[Block] = [
        Heading(text="The yard"),
        Paragraph(text=str(yard["sentence"])),
        Caution(lines=worth.yard_cautions),
    ]
    if worth.summary["dated"]:
        blocks.append(
            Figure(
                svg=yard_plot(worth.yard_days, described_m2=yard["area_described_m2"]),
                caption="Laydown area needed, ways for the lift included, and moves of the lift.",
            )
        )
    blocks += [
        Table(
            headings=rows.headings,
            rows=rows.rows,
            align=_left_then_right(len(rows.headings)),
            caption="Pallets and area: the most of the time. Places: footprints on the ground.",
        ),
    ]
    return blocks


def stack_blocks(worth: Worth) -> list[Block]:
    """Give the chapter on who stands under whom."""
    stacked = worth.yard_stacks.filter(pl.col("level").is_not_null())
    if stacked.is_empty():
        return []
    dated = bool(worth.summary["dated"])
    shown = stacked.head(_STACKS_SHOWN)
    blocks: list[Block] = [
        Heading(text="The yard: who stands under whom"),
        Paragraph(
            text="Pallets are put down in this order; the one needed first is on top unless a dig "
            "is counted. Pallets that stand otherwise already: every one above a pallet that is "
            "needed earlier is lifted off once more."
        ),
        Table(
            headings=(
                *(("Comes", "Goes") if dated else ()),
                "Out as no.",
                "Pallet",
                "Area",
                "Stack",
                "Level",
                "On pallet",
                "Digs",
            ),
            rows=[
                (
                    *(
                        (
                            str(row["arrives"]),
                            "stays" if row["leaves"] is None else str(row["leaves"]),
                        )
                        if dated
                        else ()
                    ),
                    "–" if row["out_order"] is None else str(row["out_order"]),
                    str(row["pallet"]),
                    str(row["area"]),
                    str(row["stack"]),
                    str(row["level"]),
                    str(row["on_pallet"] or "ground"),
                    str(row["digs"] or ""),
                )
                for row in shown.iter_rows(named=True)
            ],
            align=(
                *(("left", "left") if dated else ()),
                "right",
                "left",
                "left",
                "right",
                "right",
                "left",
                "right",
            ),
        ),
    ]
    if shown.height < stacked.height:
        blocks.append(
            Paragraph(
                text=f"{stacked.height - shown.height} more pallets stand in yard-plan.csv beside "
                "this document."
            )
        )
    return blocks
