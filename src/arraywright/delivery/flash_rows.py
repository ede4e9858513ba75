"""Flash lists brought to one spelling, with what the data sheet says beside every row."""

from __future__ import annotations

from typing import Final

import polars as pl

from arraywright.delivery.labels import (
    normal_class,
    normal_power,
    normal_serial,
    type_names,
)
from arraywright.delivery.sscc import normal_pallet
from arraywright.plant import Site

__all__ = ["VALUES", "data_sheet_columns", "doubled_serials", "prepare_flash"]

VALUES: Final = ("pmax_w", "voc_v", "isc_a", "vmp_v", "imp_a")
"""The five flash values of a module."""

_CONTENT: Final = ("pallet", "module_type", "power_class_w", "current_class", *VALUES)


def _replaced(flash: pl.DataFrame, column: str, spelling: pl.Expr) -> pl.DataFrame:
    """Rewrite one text column through its distinct values, which are few."""
    distinct = flash.select(pl.col(column).unique()).with_columns(spelling.alias("_new"))
    return (
        flash.join(distinct, on=column, how="left", nulls_equal=True, maintain_order="left")
        .with_columns(pl.col("_new").alias(column))
        .drop("_new")
    )


def prepare_flash(flash: pl.DataFrame, site: Site) -> pl.DataFrame:
    """Give the rows of a flash list in one spelling, each with its number ``row`` from 0.

    ``module_type`` is the site's key (or the name as written with ``type_known`` False),
    ``power_class_w`` is to a tenth of a watt, serials, pallets and classes are normalised.
    """
    prepared = flash.with_columns(
        normal_serial(pl.col("serial")).alias("serial"),
        normal_power(pl.col("power_class_w")).alias("power_class_w"),
        pl.col("source_file").cast(pl.String),
    )
    prepared = _replaced(prepared, "pallet", normal_pallet(pl.col("pallet")))
    prepared = _replaced(prepared, "current_class", normal_class(pl.col("current_class")))
    names = type_names(prepared["module_type"].unique().to_list(), site)
    return (
        prepared.rename({"module_type": "written"})
        .join(names, on="written", how="left", maintain_order="left")
        .rename({"known": "type_known"})
        .drop("written")
        .with_row_index("row")
    )


def _power_classes(site: Site) -> pl.DataFrame:
    rows = [
        {
            "module_type": key,
            "power_class_w": round(power_class.power_w, 1),
            "class_min_w": power_class.pmax_min_w,
            "class_max_w": power_class.pmax_max_w,
            "sheet_voc_v": power_class.voc_v,
            "sheet_isc_a": power_class.isc_a,
            "voc_tolerance_ratio": module_type.voc_tolerance_ratio,
            "isc_tolerance_ratio": module_type.isc_tolerance_ratio,
        }
        for key, module_type in site.module_types.items()
        for power_class in module_type.power_classes
    ]
    schema = {"module_type": pl.String} | dict.fromkeys(
        (
            "power_class_w", "class_min_w", "class_max_w", "sheet_voc_v", "sheet_isc_a",
            "voc_tolerance_ratio", "isc_tolerance_ratio",
        ),
        pl.Float64,
    )  # fmt: skip
    return pl.DataFrame(rows, schema=schema).unique(
        ["module_type", "power_class_w"], keep="first", maintain_order=True
    )


def _current_classes(site: Site) -> pl.DataFrame:
    rows = [
        {
            "module_type": key,
            "current_class": current_class.name.strip().upper(),
            "class_min_a": current_class.imp_min_a,
            "class_max_a": current_class.imp_max_a,
        }
        for key, module_type in site.module_types.items()
        for current_class in module_type.current_classes
    ]
    schema = {
        "module_type": pl.String,
        "current_class": pl.String,
        "class_min_a": pl.Float64,
        "class_max_a": pl.Float64,
    }
    return pl.DataFrame(rows, schema=schema).unique(
        ["module_type", "current_class"], keep="first", maintain_order=True
    )


def _class_of_current(site: Site) -> pl.Expr:
    """Give the current class that Imp falls in; null where the type has none."""
    found: pl.Expr = pl.lit(None, dtype=pl.String)
    for key, module_type in site.module_types.items():
        for current_class in module_type.current_classes:
            inside = (
                (pl.col("module_type") == key)
                & (pl.col("imp_a") >= current_class.imp_min_a)
                & (pl.col("imp_a") < current_class.imp_max_a)
            )
            name = current_class.name.strip().upper()
            found = pl.when(inside).then(pl.lit(name)).otherwise(found)
    return found


def data_sheet_columns(rows: pl.DataFrame, site: Site) -> pl.DataFrame:
    """Put beside each prepared row what its type's data sheet says of its classes.

    Where the list states no current class and the type has some, the class that Imp falls in is
    taken and ``class_derived`` is True. ``sorted_by_current`` tells whether the type has classes.
    """
    with_classes = [key for key, held in site.module_types.items() if held.current_classes]
    derived = pl.col("current_class").is_null() & pl.col("_of_current").is_not_null()
    return (
        rows.with_columns(_class_of_current(site).alias("_of_current"))
        .with_columns(
            derived.alias("class_derived"),
            pl.coalesce("current_class", "_of_current").alias("current_class"),
            pl.col("module_type").is_in(with_classes).alias("sorted_by_current"),
        )
        .drop("_of_current")
        .join(
            _power_classes(site),
            on=["module_type", "power_class_w"],
            how="left",
            maintain_order="left",
        )
        .join(
            _current_classes(site),
            on=["module_type", "current_class"],
            how="left",
            maintain_order="left",
        )
    )


def doubled_serials(rows: pl.DataFrame) -> pl.DataFrame:
    """Give the rows whose serial stands more than once.

    Columns: ``row``; ``repeated``, an earlier row has the same content word for word;
    ``in_list`` and ``across_lists``, another row of the same or of another file has the serial
    with other content; ``places``, where the others stand. "Earlier" goes by file name and row.
    """
    doubled = (
        rows.select("row", "serial", *_CONTENT, "source_file", "source_row")
        .filter(pl.col("serial").is_not_null() & pl.col("serial").is_duplicated())
        .sort("serial", "source_file", "source_row", "row")
        .with_columns((~pl.struct("serial", *_CONTENT).is_first_distinct()).alias("repeated"))
    )
    place = pl.format(
        "pallet {} in {}, row {}",
        pl.col("pallet").fill_null("not stated"),
        pl.col("source_file").fill_null("the list"),
        pl.col("source_row").cast(pl.String).fill_null("not stated"),
    )
    kept = doubled.filter(~pl.col("repeated"))
    per_serial = kept.group_by("serial").agg(
        pl.len().alias("_rows"),
        pl.col("source_file").n_unique().alias("_files"),
        place.head(4).str.join("; ").alias("places"),
    )
    per_list = kept.group_by("serial", "source_file").agg(pl.len().alias("_in_list"))
    return (
        doubled.join(per_serial, on="serial", how="left", maintain_order="left")
        .join(
            per_list,
            on=["serial", "source_file"],
            how="left",
            nulls_equal=True,
            maintain_order="left",
        )
        .select(
            "row",
            "repeated",
            (~pl.col("repeated") & (pl.col("_in_list") > 1)).alias("in_list"),
            (~pl.col("repeated") & (pl.col("_files") > 1)).alias("across_lists"),
            "places",
        )
    )
