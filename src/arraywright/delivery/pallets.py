"""One row per pallet: what note, label and flash list say of it, side by side."""

from __future__ import annotations

from typing import Final

import polars as pl

from arraywright.delivery.labels import (
    damage_seen,
    normal_class,
    normal_power,
    normal_text,
    type_names,
)
from arraywright.delivery.sscc import marked_as_sscc, normal_pallet
from arraywright.plant import Site

__all__ = ["prepare_labels", "side_by_side"]

_LABEL: Final = ("module_type", "power_class_w", "current_class")


def prepare_labels(table: pl.DataFrame, site: Site) -> pl.DataFrame:
    """Give an order, delivery notes or scans in one spelling.

    ``module_type`` becomes the site's key, with ``type_known``; ``pallet`` its normal form, with
    ``marked`` where it is written as an SSCC.
    """
    prepared = table.with_columns(
        normal_power(pl.col("power_class_w")).alias("power_class_w"),
        normal_class(pl.col("current_class")).alias("current_class"),
        pl.col("source_file").cast(pl.String),
    )
    if "pallet" in prepared.columns:
        prepared = prepared.with_columns(
            normal_pallet(pl.col("pallet")).alias("pallet"),
            marked_as_sscc(pl.col("pallet")).fill_null(value=False).alias("marked"),
        )
    names = type_names(prepared["module_type"].unique().to_list(), site)
    return (
        prepared.rename({"module_type": "written"})
        .join(names, on="written", how="left", maintain_order="left")
        .rename({"known": "type_known"})
        .drop("written")
    )


def _of_notes(notes: pl.DataFrame) -> pl.DataFrame:
    """One row per pallet on the notes; a line sent twice word for word counts once."""
    content = ["delivery_note", "pallet", *_LABEL, "modules"]
    lines = (
        notes.filter(pl.col("pallet").is_not_null())
        .with_columns(normal_text(pl.col("delivery_note")).alias("delivery_note"))
        .sort("source_file", "source_row", *content, nulls_last=True)
        .unique(content, keep="first", maintain_order=True)
    )
    first = ["delivery_note", "order_number", *_LABEL, "type_known", "source_file", "source_row"]
    one_note = pl.col("delivery_note").eq_missing(pl.col("delivery_note").first())
    return lines.group_by("pallet", maintain_order=True).agg(
        *(pl.col(name).first().alias(f"{name}_note") for name in first),
        pl.col("modules").filter(one_note).sum().alias("modules_note"),
        pl.len().alias("lines_note"),
        pl.col("marked").any().alias("marked_note"),
    )


def _of_scans(scans: pl.DataFrame) -> pl.DataFrame:
    """One row per scanned pallet; of several scans the latest value stated counts."""
    content = (*_LABEL, "modules", "condition")
    lines = scans.filter(pl.col("pallet").is_not_null()).sort(
        "scanned_at", "source_file", "source_row", *content
    )
    damaged = damage_seen(pl.col("condition"))
    stated = [*_LABEL, "type_known", "modules"]
    return lines.group_by("pallet", maintain_order=True).agg(
        *(pl.col(name).drop_nulls().last().alias(f"{name}_scan") for name in stated),
        pl.any_horizontal(
            (pl.col(name).drop_nulls().n_unique() > 1) for name in (*_LABEL, "modules")
        ).alias("scans_disagree"),
        damaged.any().alias("damaged"),
        normal_text(pl.col("condition")).filter(damaged).unique().sort().str.join("; ")
        .alias("condition"),
        pl.col("source_file").first().alias("source_file_scan"),
        pl.col("source_row").first().alias("source_row_scan"),
        pl.len().alias("lines_scan"),
        pl.col("marked").any().alias("marked_scan"),
    )  # fmt: skip


def _of_flash(flash: pl.DataFrame) -> pl.DataFrame:
    """One row per pallet in the flash lists, which are prepared and without repeats."""
    only = [pl.col(name).drop_nulls().n_unique().alias(f"kinds_{name}") for name in _LABEL]
    lines = flash.filter(pl.col("pallet").is_not_null())
    # The first place by file and row, without sorting two million rows.
    places = lines.group_by("pallet", "source_file").agg(pl.col("source_row").min())
    places = places.sort("pallet", "source_file", nulls_last=True).unique(
        "pallet", keep="first", maintain_order=True
    )
    return (
        lines.group_by("pallet")
        .agg(
            *only,
            *(pl.col(name).min().alias(f"{name}_flash") for name in _LABEL),
            pl.col("type_known").min().alias("type_known_flash"),
            pl.len().cast(pl.Int64).alias("modules_flash"),
        )
        .with_columns(
            pl.any_horizontal(pl.col(f"kinds_{name}") > 1 for name in _LABEL).alias("mixed")
        )
        .join(places, on="pallet", how="left")
        .rename({"source_file": "source_file_flash", "source_row": "source_row_flash"})
    )


def _keys(*frames: pl.DataFrame) -> pl.DataFrame:
    keys = pl.concat([frame.select(pl.col("pallet").cast(pl.String)) for frame in frames])
    return keys.unique().sort("pallet")


def side_by_side(notes: pl.DataFrame, scans: pl.DataFrame, *, flash: pl.DataFrame) -> pl.DataFrame:
    """Give every pallet that appears anywhere once, with what each paper says of it.

    All three are prepared. ``module_type``, ``power_class_w`` and ``current_class`` are what the
    goods themselves say first: label, then flash list (when it is of one kind), then note.
    """
    of_notes, of_scans, of_flash = _of_notes(notes), _of_scans(scans), _of_flash(flash)
    pallets = _keys(of_notes, of_scans, of_flash)
    for part in (of_notes, of_scans, of_flash):
        pallets = pallets.join(part, on="pallet", how="left", maintain_order="left")

    def flash_when_one(name: str) -> pl.Expr:
        return pl.when(pl.col(f"kinds_{name}") == 1).then(pl.col(f"{name}_flash"))

    known = (
        pl.when(pl.col("module_type_scan").is_not_null())
        .then(pl.col("type_known_scan"))
        .when(flash_when_one("module_type").is_not_null())
        .then(pl.col("type_known_flash"))
        .otherwise(pl.col("type_known_note"))
    )
    return pallets.with_columns(
        *(
            pl.coalesce(f"{name}_scan", flash_when_one(name), f"{name}_note").alias(name)
            for name in _LABEL
        ),
        known.alias("type_known"),
        pl.col("lines_note").is_not_null().alias("on_note"),
        pl.col("lines_scan").is_not_null().alias("seen"),
        pl.col("modules_flash").is_not_null().alias("flashed"),
        *(
            pl.col(name).fill_null(value=False)
            for name in ("scans_disagree", "damaged", "mixed", "marked_note", "marked_scan")
        ),
        pl.coalesce("source_file_note", "source_file_scan", "source_file_flash").alias(
            "source_file"
        ),
        pl.when(pl.col("source_file_note").is_not_null())
        .then(pl.col("source_row_note"))
        .when(pl.col("source_file_scan").is_not_null())
        .then(pl.col("source_row_scan"))
        .otherwise(pl.col("source_row_flash"))
        .alias("source_row"),
    )
