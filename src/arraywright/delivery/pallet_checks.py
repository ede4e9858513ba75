"""The checks of whole pallets against order, note, label and flash list."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import polars as pl

from arraywright.delivery.evidence import evidence_rows
from arraywright.delivery.labels import normal_text, show_class
from arraywright.delivery.sscc import sscc_fits

__all__ = ["Given", "check_pallets", "class_conflict", "match_order", "number_kinds"]

_STEPS: Final = (
    ("module_type", "power_class_w", "current_class"),
    ("module_type", "power_class_w"),
    ("module_type", "current_class"),
    ("module_type",),
)
"""How an order line may name a class: fully, by power, by current, or by type alone."""


_OWN_NUMBERS_FROM: Final = 10
"""Bare numbers of eighteen digits from which they can be told to be a maker's own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """Which of the four tables were given with at least one row."""

    order: bool
    notes: bool
    scans: bool
    flash: bool


def match_order(pallets: pl.DataFrame, order: pl.DataFrame) -> pl.DataFrame:
    """Add ``line``, the number of the order line each pallet falls under; null when none.

    ``order`` has one row per type and class with its number ``line``. An order line without a
    power or current class takes any; the line that names most counts.
    """
    matched = pallets.with_columns(pl.lit(None, dtype=pl.UInt32).alias("line"))
    for keys in _STEPS:
        unnamed = [name for name in _STEPS[0] if name not in keys]
        lines = order.filter(
            *(pl.col(name).is_not_null() for name in keys),
            *(pl.col(name).is_null() for name in unnamed),
        ).select(*keys, pl.col("line").alias("_line"))
        matched = (
            matched.join(lines, on=list(keys), how="left", maintain_order="left")
            .with_columns(pl.coalesce("line", "_line").alias("line"))
            .drop("_line")
        )
    return matched


def class_conflict() -> pl.Expr:
    """Tell whether note, label and flash list state different types or classes of a pallet."""
    conflicts = []
    for name in _STEPS[0]:
        stated = [
            pl.col(f"{name}_note"),
            pl.col(f"{name}_scan"),
            pl.when(pl.col(f"kinds_{name}") == 1).then(pl.col(f"{name}_flash")),
        ]
        conflicts += [
            (one != other).fill_null(value=False)
            for place, one in enumerate(stated)
            for other in stated[place + 1 :]
        ]
    return pl.any_horizontal(conflicts)


def _count_differs() -> pl.Expr:
    counts = [pl.col(f"modules_{paper}") for paper in ("note", "scan", "flash")]
    return pl.any_horizontal(
        (one != other).fill_null(value=False)
        for place, one in enumerate(counts)
        for other in counts[place + 1 :]
    )


def _shown(paper: str) -> pl.Expr:
    return show_class(*(pl.col(f"{name}_{paper}") for name in _STEPS[0]))


def _counts_text() -> pl.Expr:
    return pl.format(
        "note {}, label {}, flash list {}",
        *(
            pl.col(f"modules_{paper}").cast(pl.String).fill_null("none")
            for paper in ("note", "scan", "flash")
        ),
    )


def _order_numbers(order: pl.DataFrame) -> list[str]:
    numbers = order.select(normal_text(pl.col("order_number")).str.to_uppercase())
    return numbers.to_series().drop_nulls().unique().sort().to_list()


def _conditions(given: Given, order: pl.DataFrame) -> dict[str, pl.Expr]:
    """When each reason applies, as an expression over the pallets side by side."""
    on_note, seen, flashed = pl.col("on_note"), pl.col("seen"), pl.col("flashed")
    every = pl.col("pallet").is_not_null()
    foreign = pl.col("module_type").is_not_null() & ~pl.col("type_known").fill_null(value=False)
    stated = pl.col("module_type").is_not_null() & pl.col("power_class_w").is_not_null()
    # A class nobody stated is not a wrong class: then the pallet is held until it is read.
    unstated = (pl.col("power_class_w").is_null() & pl.col("type_ordered")) | (
        pl.col("current_class").is_null() & pl.col("power_ordered")
    )
    off_order = pl.lit(given.order) & pl.col("module_type").is_not_null() & pl.col("line").is_null()
    not_ordered = off_order & ~foreign & ~unstated
    refused = foreign | not_ordered
    numbers = _order_numbers(order)
    number = normal_text(pl.col("order_number_note")).str.to_uppercase()
    other_order = pl.lit(bool(numbers)) & number.is_not_null() & ~number.is_in(numbers)
    return {
        "pallet-foreign-type": foreign,
        "pallet-not-ordered": not_ordered,
        "pallet-damaged": pl.col("damaged"),
        "pallet-missing": on_note & ~seen & pl.col("note_started"),
        "pallet-surplus": pl.lit(given.notes) & seen & ~on_note & ~refused,
        "pallet-count": _count_differs(),
        "pallet-class-conflict": class_conflict(),
        "pallet-mixed": pl.col("mixed"),
        "pallet-doubled": pl.col("lines_note").fill_null(0) > 1,
        "pallet-scans-disagree": pl.col("scans_disagree"),
        "pallet-sscc": pl.col("meant_as_sscc") & ~pl.col("fits"),
        "pallet-order-unknown": other_order.fill_null(value=False),
        "pallet-not-seen": on_note & ~seen & ~pl.col("note_started"),
        "pallet-announced": pl.lit(given.notes) & flashed & ~on_note & ~seen & ~refused,
        "pallet-no-flash": ~flashed,
        "pallet-no-note": every & pl.lit(not given.notes),
        "pallet-no-order": every & pl.lit(not given.order),
        "pallet-type-unstated": (~stated | (off_order & unstated)) & ~pl.col("mixed") & ~foreign,
    }


def number_kinds(pallets: pl.DataFrame) -> pl.DataFrame:
    """Add ``meant_as_sscc`` and ``fits``: which pallet numbers are held to a check digit.

    Numbers written with ``(00)`` are. Bare numbers of eighteen digits are too, unless there are
    so many without a right check digit that they must be a maker's own numbers: of ten and more,
    fewer than a third fit (a tenth would by chance).
    """
    bare = pl.col("pallet").str.contains(r"^[0-9]{18}$")
    judged = pallets.with_columns(sscc_fits(pl.col("pallet")).alias("fits"))
    eighteen = judged.filter(bare)
    own = eighteen.height >= _OWN_NUMBERS_FROM and 3 * int(eighteen["fits"].sum()) < eighteen.height
    marked = pl.col("marked_note") | pl.col("marked_scan")
    meant = marked if own else marked | bare
    return judged.with_columns(meant.alias("meant_as_sscc"), (pl.lit(own) & bare).alias("own"))


def _own_numbers(pallets: pl.DataFrame) -> pl.DataFrame:
    """Say once that bare numbers of eighteen digits were taken as the maker's own."""
    own = pallets.filter(pl.col("own") & ~pl.col("meant_as_sscc"))
    once = own.select(
        pl.lit("numbers of eighteen digits").alias("subject"), pl.len().alias("count")
    ).filter(pl.col("count") > 0)
    return evidence_rows(
        once,
        "pallet-numbers-own",
        subject="subject",
        found=pl.format("{} numbers, too few with a right check digit", pl.col("count")),
        required=pl.lit("an SSCC, or numbers of the maker's own"),
        value=pl.col("count"),
    )


_TEXTS: Final[Mapping[str, tuple[pl.Expr, pl.Expr]]] = {
    "pallet-foreign-type": (pl.col("shown"), pl.lit("a module type of the site")),
    "pallet-not-ordered": (pl.col("shown"), pl.lit("a type and class on the order")),
    "pallet-damaged": (pl.col("condition"), pl.lit("sound")),
    "pallet-missing": (
        pl.lit("not scanned"),
        pl.format(
            "scanned with delivery note {}",
            pl.coalesce("delivery_note_note", "source_file_note").fill_null("without a number"),
        ),
    ),
    "pallet-surplus": (pl.col("shown"), pl.lit("a line on a delivery note")),
    "pallet-count": (_counts_text(), pl.lit("the same number on all")),
    "pallet-class-conflict": (
        pl.format(
            "note {}, label {}, flash list {}", _shown("note"), _shown("scan"), _shown("flash")
        ),
        pl.lit("the same on all"),
    ),
    "pallet-mixed": (
        pl.format(
            "{} types, {} power classes, {} current classes",
            *(pl.col(f"kinds_{name}") for name in _STEPS[0]),
        ),
        pl.lit("one type and one class"),
    ),
    "pallet-doubled": (pl.format("{} lines", pl.col("lines_note")), pl.lit("one line")),
    "pallet-scans-disagree": (
        pl.format("{} scans that differ", pl.col("lines_scan")),
        pl.lit("the same label"),
    ),
    "pallet-sscc": (pl.col("pallet"), pl.lit("eighteen digits with the right check digit")),
    "pallet-order-unknown": (pl.col("order_number_note"), pl.lit("an order of this site")),
    "pallet-not-seen": (pl.lit("no scan"), pl.lit("a scan of its label on site")),
    "pallet-announced": (pl.lit("flash list only"), pl.lit("delivery note and scan")),
    "pallet-no-flash": (pl.lit("no flash values"), pl.lit("flash values of every module")),
    "pallet-no-note": (pl.lit("no delivery note"), pl.lit("delivery note")),
    "pallet-no-order": (pl.lit("no order"), pl.lit("order")),
    "pallet-type-unstated": (pl.col("shown"), pl.lit("type and power class")),
}


def check_pallets(
    pallets: pl.DataFrame, *, order: pl.DataFrame, given: Given
) -> list[pl.DataFrame]:
    """Give the evidence of all checks of whole pallets.

    ``pallets`` comes from ``pallets.side_by_side`` with the order matched, ``order`` is prepared.
    """
    # A note without a number is told by its file.
    note = pl.coalesce("delivery_note_note", "source_file_note")
    started = pallets.filter(pl.col("on_note") & pl.col("seen")).select(note).to_series().unique()
    ordered_types = order["module_type"].drop_nulls().unique()
    ordered_powers = order.select("module_type", "power_class_w").unique()
    any_power = ordered_powers.filter(pl.col("power_class_w").is_null())["module_type"]
    one_power = ordered_powers.drop_nulls().with_columns(pl.lit(value=True).alias("_power"))
    pallets = pallets.join(
        one_power, on=["module_type", "power_class_w"], how="left", maintain_order="left"
    ).with_columns(
        (
            pl.col("_power").fill_null(value=False)
            | pl.col("module_type").is_in(any_power.drop_nulls().implode())
        )
        .fill_null(value=False)
        .alias("power_ordered")
    )
    beside = pallets.with_columns(
        (pl.col("on_note") & note.is_in(started.implode(), nulls_equal=True)).alias(
            "note_started"
        ),
        pl.col("module_type").is_in(ordered_types.implode()).fill_null(value=False)
        .alias("type_ordered"),
        show_class(*(pl.col(name) for name in _STEPS[0])).alias("shown"),
    )  # fmt: skip
    parts = [_own_numbers(beside)]
    for check, condition in _conditions(given, order).items():
        found, required = _TEXTS[check]
        flagged = beside.filter(condition.fill_null(value=False))
        parts.append(
            evidence_rows(flagged, check, subject="pallet", found=found, required=required)
        )
    return parts
