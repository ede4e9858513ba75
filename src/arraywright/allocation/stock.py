"""What there is to allocate: usable modules, coded by class and pallet, in one fixed order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import FloatArray, IntArray, offsets_from_lengths
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site

__all__ = ["STOCK_COLUMNS", "ModuleClass", "Supply", "prepare_supply"]

STOCK_COLUMNS: Final[dict[str, pl.DataType]] = {
    "serial": pl.String(),
    "pallet": pl.String(),
    "arrival": pl.Int64(),
    "stack_position": pl.Int64(),
    "module_type": pl.String(),
    "power_class_w": pl.Float64(),
    "current_class": pl.String(),
    "pmax_w": pl.Float64(),
    "voc_v": pl.Float64(),
    "isc_a": pl.Float64(),
    "vmp_v": pl.Float64(),
    "imp_a": pl.Float64(),
}
"""Columns a stock frame must have; ``usable`` and ``verdict`` are honoured when present."""

_FLASH: Final = ("pmax_w", "voc_v", "isc_a", "vmp_v", "imp_a")
_CLASS: Final = ("module_type", "power_class_w", "current_class")


@dataclass(frozen=True, slots=True, kw_only=True)
class ModuleClass:
    """One kind of module as a string may hold it.

    Attributes:
        module_type: key of the module type.
        power_class_w: power on the label [W].
        current_class: current class, empty when the maker sorts by power alone.
    """

    module_type: str
    power_class_w: float
    current_class: str

    def __str__(self) -> str:
        text = f"{self.module_type} {self.power_class_w:g} W"
        return f"{text} {self.current_class}" if self.current_class else text


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """The modules that may be allocated.

    A unit is what one pallet holds of one class; modules of a unit stand together in ``modules``
    in the order they come off the pallet, units of a class stand together in order of arrival.

    Attributes:
        modules: frame of the usable modules in canonical order.
        classes: classes by the arrival of their first pallet.
        class_offsets: modules of class ``c`` are ``class_offsets[c]:class_offsets[c + 1]``.
        unit_offsets: modules of unit ``u`` are ``unit_offsets[u]:unit_offsets[u + 1]``.
        unit_class: class of each unit.
        unit_pallet: number of the pallet of each unit.
        unit_mean_imp_a: mean flashed Imp of each unit [A].
        imp_a: flashed Imp of each module [A].
        findings: what was set aside and why.
    """

    modules: pl.DataFrame
    classes: tuple[ModuleClass, ...]
    class_offsets: IntArray
    unit_offsets: IntArray
    unit_class: IntArray
    unit_pallet: IntArray
    unit_mean_imp_a: FloatArray
    imp_a: FloatArray
    findings: tuple[Finding, ...]

    @property
    def class_sizes(self) -> IntArray:
        """Modules of each class, shape (classes,)."""
        return np.diff(self.class_offsets)

    @property
    def unit_sizes(self) -> IntArray:
        """Modules of each unit, shape (units,)."""
        return np.diff(self.unit_offsets)

    def units_of(self, class_index: int) -> IntArray:
        """Units of a class in order of arrival."""
        first, last = np.searchsorted(self.unit_class, [class_index, class_index + 1])
        return np.arange(first, last, dtype=np.int64)


def _set_aside(rows: pl.DataFrame, check: str, what: str, remedy: str) -> Finding:
    serials = rows["serial"].drop_nulls().unique().sort()
    shown = ", ".join(serials.head(3).to_list())
    more = f" and {len(serials) - 3} more" if len(serials) > 3 else ""
    pallets = rows["pallet"].n_unique()
    return Finding(
        check=check,
        subject_kind="site",
        subject="stock",
        verdict=Verdict.NOT_ASSESSABLE if check != "allocation-doubled-serial" else Verdict.FAIL,
        message=(
            f"{rows.height} modules on {pallets} pallets {what} and were left out: {shown}{more}."
        ),
        remedy=remedy,
        value=float(rows.height),
        unit="modules",
    )


def _checked_columns(stock: pl.DataFrame) -> pl.DataFrame:
    missing = [name for name in STOCK_COLUMNS if name not in stock.columns]
    if missing:
        raise CallError(
            "stock-columns-missing",
            f"The stock frame lacks {', '.join(missing)}; found {', '.join(stock.columns)}.",
            f"Give a frame with the columns {', '.join(STOCK_COLUMNS)}.",
        )
    if "usable" in stock.columns:
        stock = stock.filter(pl.col("usable").fill_null(value=False))
    if "verdict" in stock.columns:
        stock = stock.filter(pl.col("verdict").eq("accept").fill_null(value=False))
    return stock.select(pl.col(name).cast(dtype) for name, dtype in STOCK_COLUMNS.items())


def _typed(site: Site, stock: pl.DataFrame) -> pl.DataFrame:
    spellings = stock["module_type"].drop_nulls().unique().to_list()
    keys = {name: site.module_type_key(name) for name in spellings}
    sorted_by_current = [key for key, kind in site.module_types.items() if kind.current_classes]
    return stock.with_columns(
        module_type=pl.col("module_type").replace_strict(
            keys, default=None, return_dtype=pl.String
        ),
        power_class_w=pl.col("power_class_w").round(1),
        current_class=pl.col("current_class").fill_null("").str.strip_chars(),
    ).with_columns(needs_current=pl.col("module_type").is_in(sorted_by_current))


def _sound(site: Site, stock: pl.DataFrame) -> tuple[pl.DataFrame, tuple[Finding, ...]]:
    """Keep the rows that may be built in, and say what was set aside."""
    findings: list[Finding] = []
    frame = _typed(site, stock)
    flash_known = pl.all_horizontal(
        (pl.col(name).is_finite() & (pl.col(name) > 0)).fill_null(value=False) for name in _FLASH
    ) & ((pl.col("imp_a") < pl.col("isc_a")) & (pl.col("vmp_v") < pl.col("voc_v"))).fill_null(
        value=False
    )
    rules = (
        (
            "allocation-doubled-serial",
            pl.col("serial").is_null() | pl.col("serial").is_duplicated(),
            "have a serial that is empty or stands twice in the stock",
            "Read the labels on the modules again; a serial belongs to one module.",
        ),
        (
            "allocation-unknown-type",
            pl.col("module_type").is_null(),
            "are of a type the site does not describe",
            "Describe the type in the site, or send the modules back.",
        ),
        (
            "allocation-no-class",
            pl.col("power_class_w").is_null()
            | (pl.col("needs_current") & (pl.col("current_class") == "")),
            "have no power class or no current class",
            "Take the class from the label; classes are never mixed in a string.",
        ),
        (
            "allocation-no-flash",
            ~flash_known,
            "have no complete flash values that can be true",
            "Ask the supplier for the flash list of these pallets.",
        ),
    )
    for check, wrong, what, remedy in rules:
        aside = frame.filter(wrong)
        if aside.height:
            findings.append(_set_aside(aside, check, what, remedy))
            frame = frame.filter(~wrong)
    return frame.drop("needs_current"), tuple(findings)


def prepare_supply(site: Site, stock: pl.DataFrame) -> Supply:
    """Bring a stock frame into one fixed order, whatever the order of its rows.

    Modules are ordered by class (the class whose first pallet arrived first comes first), pallet
    (by ``arrival``, then number), and ``stack_position`` from the top. Rows that may not be built
    in (no class, no flash values, unknown type, doubled serial) are set aside with a finding.

    Raises:
        CallError: the frame lacks a column of ``STOCK_COLUMNS``.
    """
    frame, findings = _sound(site, _checked_columns(stock))
    last = np.iinfo(np.int64).max
    frame = frame.with_columns(
        pl.col("pallet").fill_null(""), pl.col("stack_position").fill_null(last)
    ).with_columns(arrival=pl.col("arrival").fill_null(last).min().over("pallet"))
    kinds = (
        frame.group_by(_CLASS)
        .agg(pl.col("arrival").min().alias("first"))
        .sort("first", *_CLASS)
        .with_row_index("class_index")
        .drop("first")
    )
    frame = frame.join(kinds, on=_CLASS, how="left").sort(
        "class_index", "arrival", "pallet", "stack_position", "serial"
    )
    units = frame.group_by("class_index", "pallet", maintain_order=True).len("size")
    unit_pallet = units["pallet"].rank("dense").to_numpy().astype(np.int64) - 1
    unit_sizes = units["size"].to_numpy().astype(np.int64)
    unit_offsets = offsets_from_lengths(unit_sizes)
    imp_a = frame["imp_a"].to_numpy().astype(np.float64)
    imp_sums = np.add.reduceat(imp_a, unit_offsets[:-1]) if units.height else np.zeros(0)
    counts = np.bincount(frame["class_index"].to_numpy(), minlength=kinds.height)
    return Supply(
        modules=frame,
        classes=tuple(
            ModuleClass(module_type=row[1], power_class_w=row[2], current_class=row[3])
            for row in kinds.iter_rows()
        ),
        class_offsets=offsets_from_lengths(counts.astype(np.int64)),
        unit_offsets=unit_offsets,
        unit_class=units["class_index"].to_numpy().astype(np.int64),
        unit_pallet=unit_pallet,
        unit_mean_imp_a=imp_sums / unit_sizes,
        imp_a=imp_a,
        findings=findings,
    )
