"""Which modules each string is made of, with the values they were flashed with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import FloatArray, IntArray, offsets_from_lengths
from arraywright.errors import CallError
from arraywright.plant import ModuleType, PowerClass, Site

__all__ = ["SOURCE_CLASS", "SOURCE_FLASH", "StringModules", "aligned_modules", "string_modules"]

SOURCE_FLASH: Final = "flash"
SOURCE_CLASS: Final = "class"

_VALUES: Final = ("isc_a", "voc_v", "imp_a", "vmp_v", "pmax_w")


@dataclass(frozen=True, slots=True, kw_only=True)
class StringModules:
    """The modules of every string, string after string in flat arrays.

    Attributes:
        strings: names of the strings, (strings,).
        module_type: key of the module type of each string, (strings,).
        source: ``flash`` where the serials in the string are known with their flash values,
            ``class`` where the nominal values of a power class stand in, (strings,).
        power_class_w: power class of each string [W], NaN where unknown or mixed, (strings,).
        offsets: modules of string ``i`` are ``flat[offsets[i]:offsets[i + 1]]``, (strings + 1,).
        serial: serial numbers, empty where unknown, (modules,).
        isc_a: short-circuit current at STC [A], (modules,).
        voc_v: open-circuit voltage at STC [V], (modules,).
        imp_a: current at maximum power at STC [A], (modules,).
        vmp_v: voltage at maximum power at STC [V], (modules,).
        pmax_w: maximum power at STC [W], (modules,).
    """

    strings: pl.Series
    module_type: pl.Series
    source: pl.Series
    power_class_w: FloatArray
    offsets: IntArray
    serial: pl.Series
    isc_a: FloatArray
    voc_v: FloatArray
    imp_a: FloatArray
    vmp_v: FloatArray
    pmax_w: FloatArray

    @property
    def lengths(self) -> IntArray:
        """Modules in each string, (strings,)."""
        return np.diff(self.offsets)

    def voc_sum_v(self) -> FloatArray:
        """Sum of the modules' Voc at STC [V] of each string, (strings,)."""
        return _sums(self.voc_v, self.offsets)

    def isc_mean_a(self) -> FloatArray:
        """Mean of the modules' Isc at STC [A] of each string, NaN without modules, (strings,)."""
        lengths = self.lengths
        sums = _sums(self.isc_a, self.offsets)
        out = np.full(len(lengths), np.nan)
        np.divide(sums, lengths, out=out, where=lengths > 0)
        return out

    def pmax_sum_w(self) -> FloatArray:
        """Sum of the modules' Pmax at STC [W] of each string, (strings,)."""
        return _sums(self.pmax_w, self.offsets)

    def take(self, index: IntArray) -> StringModules:
        """Give the strings at these places, in this order."""
        lengths = self.lengths[index]
        offsets = offsets_from_lengths(lengths)
        flat = (
            np.arange(int(offsets[-1]), dtype=np.int64)
            - np.repeat(offsets[:-1], lengths)
            + np.repeat(self.offsets[:-1][index], lengths)
        )
        return StringModules(
            strings=self.strings.gather(index),
            module_type=self.module_type.gather(index),
            source=self.source.gather(index),
            power_class_w=self.power_class_w[index],
            offsets=offsets,
            serial=self.serial.gather(flat),
            isc_a=self.isc_a[flat],
            voc_v=self.voc_v[flat],
            imp_a=self.imp_a[flat],
            vmp_v=self.vmp_v[flat],
            pmax_w=self.pmax_w[flat],
        )


def _sums(values: FloatArray, offsets: IntArray) -> FloatArray:
    """Sum a flat array over the modules of each string, (strings,)."""
    if len(offsets) == 1:
        return np.zeros(0)
    sums: FloatArray = np.add.reduceat(np.append(values, 0.0), offsets[:-1])
    return np.where(np.diff(offsets) > 0, sums, 0.0)


def string_modules(
    site: Site,
    *,
    placed: pl.DataFrame | None = None,
    classes: Mapping[str, float] | None = None,
) -> StringModules:
    """Say which modules make up each string of a site, one entry per string in its order.

    A string counts as known (``flash``) when exactly as many modules are placed in it as it has
    places, each with five positive flash values. For every other string the nominal values of
    its power class stand in; where not even the class is known, those of the middle class of the
    module type, with the power class left open (NaN), which widens the uncertainty later on.

    Args:
        site: the site.
        placed: one row per placed module with columns ``string``, ``isc_a``, ``voc_v``,
            ``imp_a``, ``vmp_v``, ``pmax_w`` and, where known, ``serial``, ``place_in_string`` and
            ``power_class_w``; rows of strings the site does not have are left out.
        classes: power class [W] of strings by name, for strings whose serials are not known.

    Raises:
        CallError: a column is missing.
    """
    strings = site.strings.select(
        pl.col("string"),
        pl.col("module_type"),
        pl.col("modules").cast(pl.Int64),
        string_index=pl.int_range(pl.len(), dtype=pl.Int64),
    )
    flash_rows = _flash_rows(placed, strings)
    known = flash_rows.group_by("string_index").agg(
        flash_class_w=pl.when(pl.col("power_class_w").n_unique() == 1)
        .then(pl.col("power_class_w").first())
        .otherwise(None)
    )
    asked = pl.DataFrame(
        {"string": list((classes or {}).keys()), "asked_class_w": list((classes or {}).values())},
        schema={"string": pl.String, "asked_class_w": pl.Float64},
    )
    strings = (
        strings.join(asked, on="string", how="left")
        .join(known.with_columns(is_flash=pl.lit(value=True)), on="string_index", how="left")
        .with_columns(pl.col("is_flash").fill_null(value=False))
        .sort("string_index")
    )
    class_rows, class_power = _class_rows(strings.filter(~pl.col("is_flash")), site)
    rows = pl.concat([flash_rows.drop("power_class_w"), class_rows]).sort(
        "string_index", "place_in_string", "serial"
    )
    power = strings["flash_class_w"].to_numpy().astype(np.float64, copy=True)
    for index, power_w in class_power.items():
        power[index] = power_w
    columns = {name: rows[name].to_numpy().astype(np.float64) for name in _VALUES}
    return StringModules(
        strings=strings["string"],
        module_type=strings["module_type"],
        source=strings.select(
            source=pl.when(pl.col("is_flash"))
            .then(pl.lit(SOURCE_FLASH))
            .otherwise(pl.lit(SOURCE_CLASS))
        )["source"],
        power_class_w=power,
        offsets=offsets_from_lengths(strings["modules"].to_numpy().astype(np.int64)),
        serial=rows["serial"],
        **columns,
    )


def _flash_rows(placed: pl.DataFrame | None, strings: pl.DataFrame) -> pl.DataFrame:
    """Rows of the modules of completely known strings."""
    schema = {
        "string_index": pl.Int64,
        "place_in_string": pl.Int64,
        "serial": pl.String,
        "power_class_w": pl.Float64,
    } | dict.fromkeys(_VALUES, pl.Float64)
    if placed is None:
        return pl.DataFrame(schema=schema)
    missing = [name for name in ("string", *_VALUES) if name not in placed.columns]
    if missing:
        raise CallError(
            "placed-columns-missing",
            f"The table of placed modules lacks {', '.join(missing)}.",
            "Give string, isc_a, voc_v, imp_a, vmp_v and pmax_w for each placed module.",
        )
    absent = [
        pl.lit(None, dtype=schema[name]).alias(name)
        for name in ("place_in_string", "serial", "power_class_w")
        if name not in placed.columns
    ]
    rows = (
        placed.with_columns(absent)
        .join(strings.select("string", "string_index", "modules"), on="string", how="inner")
        .with_columns(
            sound=pl.all_horizontal(
                [
                    (pl.col(name).is_finite() & (pl.col(name) > 0)).fill_null(value=False)
                    for name in _VALUES
                ]
            ),
            serial=pl.col("serial").fill_null(""),
        )
    )
    complete = (pl.len().over("string_index") == pl.col("modules")) & pl.col("sound").all().over(
        "string_index"
    )
    return rows.filter(complete).select(
        [pl.col(name).cast(dtype) for name, dtype in schema.items()]
    )


def nominal_class(module_type: ModuleType, power_class_w: float | None) -> tuple[PowerClass, bool]:
    """Give the power class of that power and True, or the middle class and False."""
    if power_class_w is not None:
        found = module_type.power_class(power_class_w)
        if found is not None:
            return found, True
    return module_type.power_classes[len(module_type.power_classes) // 2], False


def _class_rows(strings: pl.DataFrame, site: Site) -> tuple[pl.DataFrame, dict[int, float]]:
    """Rows of nominal modules for strings whose modules are not known."""
    power: dict[int, float] = {}
    parts: list[pl.DataFrame] = []
    for (type_key, asked), group in strings.group_by(
        ["module_type", "asked_class_w"], maintain_order=True
    ):
        module_type = site.module_types.get(str(type_key))
        if module_type is None:
            raise CallError(
                "module-type-unknown",
                f"The strings name the module type {type_key}, which the site does not describe.",
                "Describe the module type in the site description.",
            )
        nominal, known = nominal_class(module_type, None if asked is None else float(str(asked)))
        for index in group["string_index"]:
            power[int(index)] = nominal.power_w if known else float("nan")
        counts = group["modules"].to_numpy().astype(np.int64)
        index_flat = np.repeat(group["string_index"].to_numpy(), counts)
        starts = np.repeat(offsets_from_lengths(counts)[:-1], counts)
        parts.append(
            pl.DataFrame(
                {
                    "string_index": index_flat,
                    "place_in_string": np.arange(len(index_flat), dtype=np.int64) - starts + 1,
                }
            ).with_columns(
                serial=pl.lit(""),
                isc_a=pl.lit(nominal.isc_a, dtype=pl.Float64),
                voc_v=pl.lit(nominal.voc_v, dtype=pl.Float64),
                imp_a=pl.lit(nominal.imp_a, dtype=pl.Float64),
                vmp_v=pl.lit(nominal.vmp_v, dtype=pl.Float64),
                pmax_w=pl.lit(nominal.power_w, dtype=pl.Float64),
            )
        )
    schema = {"string_index": pl.Int64, "place_in_string": pl.Int64, "serial": pl.String}
    empty = pl.DataFrame(schema=schema | dict.fromkeys(_VALUES, pl.Float64))
    return pl.concat([empty, *parts]), power


def aligned_modules(site: Site, modules: StringModules) -> StringModules:
    """Give the modules in the order of the site's strings.

    Raises:
        CallError: a string of the site has no modules given.
    """
    if modules.strings.equals(site.strings["string"]):
        return modules
    places = (
        site.strings.select("string")
        .join(
            pl.DataFrame({"string": modules.strings}).with_row_index("place"),
            on="string",
            how="left",
            maintain_order="left",
        )["place"]
        .cast(pl.Int64)
    )
    if places.null_count():
        names = site.strings["string"].filter(places.is_null()).to_list()
        raise CallError(
            "string-modules-missing",
            f"The modules of {len(names)} strings are not given, the first is {names[0]}.",
            "Give modules, known or nominal, for every string of the site.",
        )
    return modules.take(places.to_numpy().astype(np.int64))
