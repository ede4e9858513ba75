"""What the record knows of every string and module, in the order of the map."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import polars as pl

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.dossier.words import class_text
from arraywright.plant import PLACEMENTS
from arraywright.procedures.allocate import ALLOCATION_PLANNED
from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.field_rows import MODULE_PLACED, STRING_TESTED
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.site_record import FILE_RECEIVED, FILE_WITHDRAWN, SiteRecord
from arraywright.records.entry import Entry, named_files, parse_body
from arraywright.web.map_geometry import MapGeometry
from arraywright.web.map_phones import PhoneRows, phone_rows

__all__ = ["STATE_KINDS", "MapState", "map_state"]

STATE_KINDS: Final = (
    DELIVERY_RECONCILED,
    ALLOCATION_PLANNED,
    STRINGS_JUDGED,
    FILE_RECEIVED,
    FILE_WITHDRAWN,
    MODULE_PLACED,
    STRING_TESTED,
)
"""Entries of these kinds change what the map shows."""

_CLASS: Final = ("module_type", "power_class_w", "current_class")


@dataclass(frozen=True, slots=True, kw_only=True)
class MapState:
    """What is known, strings in building order and modules string after string.

    Attributes:
        string_modules: modules that belong into each string, (strings,).
        module_string: row of its string, (modules,).
        planned: whether a module is planned for the place, (modules,).
        built: whether a module is recorded as built there, (modules,).
        module_class: row of ``classes``, -1 where not known, (modules,).
        classes: names of the classes.
        tested: whether a string has a reading, (strings,).
        passed: whether its verdict is pass, (strings,).
        verdicts: verdict word, empty where there is none, (strings,).
        deviations: deviation of ``voc`` and ``isc`` from what is expected [1], (strings,) each.
        mismatch_ratio: mismatch loss that the plan predicts [1], (strings,).
        days: ``planned_on``, ``built_on``, ``tested_on`` in days since 1970-01-01, (strings,)
            each, nan where not known or not yet.
        module_days: the same of single modules where they differ, (modules,) each.
        tolerance_ratio: deviation that the site tolerates [1].
        held: ``module``, ``serial``, ``pallet``, ``built`` and ``class_row`` of every filled place.
        delivered: serial and pallet of all modules that came.
        phone_readings: frame of ``commissioning.STRING_READINGS`` of what phones entered.
    """

    string_modules: IntArray
    module_string: IntArray
    planned: BoolArray
    built: BoolArray
    module_class: npt.NDArray[np.int32]
    classes: tuple[str, ...]
    tested: BoolArray
    passed: BoolArray
    verdicts: npt.NDArray[np.str_]
    deviations: Mapping[str, FloatArray]
    mismatch_ratio: FloatArray
    days: Mapping[str, FloatArray]
    module_days: Mapping[str, FloatArray]
    tolerance_ratio: float
    held: pl.DataFrame
    delivered: pl.DataFrame
    phone_readings: pl.DataFrame

    def count_of_strings(self, chosen: BoolArray) -> IntArray:
        """Count chosen modules in each string, (strings,)."""
        counts: IntArray = np.bincount(
            self.module_string[chosen], minlength=len(self.string_modules)
        ).astype(np.int64)
        return counts


def _frame(record: SiteRecord, entry: Entry | None, name: str) -> pl.DataFrame | None:
    """Read a table that results of old may not have."""
    if entry is None:
        return None
    names = {held.name for held in named_files(parse_body(entry.body))}
    return record.load_frame(entry, name) if f"{name}.parquet" in names else None


class _Rows:
    """Finds rows of strings and of modules."""

    def __init__(self, record: SiteRecord, geometry: MapGeometry) -> None:
        self._strings = pl.DataFrame(
            {"string": geometry.strings, "row": np.arange(len(geometry.strings))}
        )
        self._modules = record.site.positions.select(
            "string", "place_in_string", module=pl.int_range(pl.len())
        )

    def modules(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Add ``module`` to rows with ``string`` and ``place_in_string``; others are left out."""
        return rows.join(
            self._modules, on=["string", "place_in_string"], how="inner", maintain_order="left"
        )

    def numbers(self, rows: pl.DataFrame | None, value: str) -> FloatArray:
        """Give a number for each string, nan where it has none."""
        out = np.full(self._strings.height, np.nan)
        if rows is not None:
            joined = rows.select("string", pl.col(value).cast(pl.Float64)).join(
                self._strings, on="string"
            )
            out[joined["row"].to_numpy()] = joined[value].fill_null(np.nan).to_numpy()
        return out

    def words(self, rows: pl.DataFrame | None, value: str) -> npt.NDArray[np.str_]:
        """Give a word for each string, empty where it has none."""
        if rows is None:
            return np.full(self._strings.height, "", dtype="U16")
        joined = self._strings.join(
            rows.select("string", value), on="string", how="left", maintain_order="left"
        )
        return joined[value].fill_null("").to_numpy().astype("U16")


def _built(record: SiteRecord, phones: PhoneRows) -> pl.DataFrame:
    """Give what is recorded as built, the last module of every place."""
    columns = ["string", "place_in_string", "serial", "placed_at"]
    placements = pl.concat(
        [record.rows(PLACEMENTS).select(columns), phones.placements.select(columns)],
        how="vertical_relaxed",
    )
    zone = record.site.time_zone
    return (
        placements.sort("placed_at", nulls_last=False, maintain_order=True)
        .unique(["string", "place_in_string"], keep="last", maintain_order=True)
        .with_columns(day=pl.col("placed_at").dt.convert_time_zone(zone).dt.date().cast(pl.Int32))
    )


def _held(planned: pl.DataFrame, built: pl.DataFrame, modules: pl.DataFrame | None) -> pl.DataFrame:
    """Give the module of every filled place: the one built there, else the one planned."""
    places = pl.concat(
        [
            planned.select("module", "serial", built=pl.lit(value=False)),
            built.select("module", "serial", built=pl.lit(value=True)),
        ]
    ).unique("module", keep="last", maintain_order=True)
    empty = {
        "serial": pl.String,
        "pallet": pl.String,
        "module_type": pl.String,
        "power_class_w": pl.Float64,
        "current_class": pl.String,
    }
    known = (
        pl.DataFrame(schema=empty)
        if modules is None
        else modules.select(list(empty)).unique("serial", keep="first")
    )
    return places.join(known, on="serial", how="left").sort("module")


def _classes(held: pl.DataFrame) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Give ``class_row`` of every row of ``held``, null where not known, and the classes' names."""
    kinds = (
        held.select(_CLASS)
        .unique()
        .filter(pl.col("power_class_w").is_not_null())
        .sort("module_type", "power_class_w", "current_class", descending=[False, True, False])
        .with_row_index("class_row")
    )
    several = kinds["module_type"].n_unique() > 1
    names = tuple(
        (f"{kind} " if several else "") + class_text(power, current)
        for kind, power, current in kinds.select(_CLASS).iter_rows()
    )
    found = held.join(kinds, on=list(_CLASS), how="left", nulls_equal=True, maintain_order="left")
    return found, names


def map_state(
    record: SiteRecord, geometry: MapGeometry, phones: PhoneRows | None = None
) -> MapState:
    """Read what the map shows from the record.

    Args:
        record: the open site.
        geometry: its layout.
        phones: what phones entered, when it has been read already.
    """
    phones = phone_rows(record) if phones is None else phones
    read = phones.readings
    rows = _Rows(record, geometry)
    count = geometry.modules
    plan, judged = record.latest(ALLOCATION_PLANNED), record.latest(STRINGS_JUDGED)
    assigned = _frame(record, plan, "assignments")
    empty = pl.DataFrame(
        schema={"string": pl.String, "place_in_string": pl.Int64, "serial": pl.String}
    )
    planned = rows.modules(
        empty if assigned is None else assigned.select("string", "place_in_string", "serial")
    )
    built = rows.modules(_built(record, phones))
    reconciled = _frame(record, record.latest(DELIVERY_RECONCILED), "modules")
    held, classes = _classes(_held(planned, built, reconciled))
    verdicts = _frame(record, judged, "strings")
    module_class = np.full(count, -1, dtype=np.int32)
    module_class[held["module"].to_numpy()] = (
        held["class_row"].cast(pl.Int32).fill_null(-1).to_numpy()
    )
    in_place = _marked(count, built)
    module_days = np.full(count, np.nan)
    module_days[built["module"].to_numpy()] = (
        built["day"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    )
    sizes = np.diff(geometry.first_module)
    words = rows.words(verdicts, "verdict")
    tested = rows.numbers(verdicts, "readings") > 0
    tested |= np.isin(geometry.strings.to_numpy(), read["string"].unique().to_list())
    return MapState(
        string_modules=sizes,
        module_string=geometry.module_string.astype(np.int64),
        planned=_marked(count, planned),
        built=in_place,
        module_class=module_class,
        classes=classes,
        tested=tested,
        passed=words == "pass",
        verdicts=words,
        deviations={
            name: rows.numbers(verdicts, f"{name}_deviation_ratio") for name in ("voc", "isc")
        },
        mismatch_ratio=rows.numbers(_frame(record, plan, "mismatch_strings"), "loss_ratio"),
        days={
            "planned_on": rows.numbers(_plan_days(_frame(record, plan, "build_days")), "day"),
            "built_on": _whole(module_days, geometry.first_module),
            "tested_on": rows.numbers(_test_days(verdicts, read, record.site.time_zone), "day"),
        },
        module_days={"built_on": module_days},
        tolerance_ratio=record.site.commissioning.tolerance_ratio,
        held=held.select("module", "serial", "pallet", "built", "class_row"),
        delivered=pl.DataFrame(schema={"serial": pl.String, "pallet": pl.String})
        if reconciled is None
        else reconciled.select("serial", "pallet"),
        phone_readings=phones.readings,
    )


def _marked(count: int, rows: pl.DataFrame) -> BoolArray:
    marked = np.zeros(count, dtype=np.bool_)
    marked[rows["module"].to_numpy()] = True
    return marked


def _whole(module_days: FloatArray, first: IntArray) -> FloatArray:
    """Give the last day of each string, nan while one of its modules has none."""
    out = np.full(len(first) - 1, np.nan)
    filled = np.flatnonzero(np.diff(first) > 0)
    if len(filled):
        # the greatest of days with a nan among them is nan
        out[filled] = np.maximum.reduceat(module_days, first[filled])
    return out


def _plan_days(days: pl.DataFrame | None) -> pl.DataFrame | None:
    return None if days is None else days.select("string", pl.col("day").cast(pl.Int32))


def _test_days(verdicts: pl.DataFrame | None, read: pl.DataFrame, zone: str) -> pl.DataFrame:
    columns: dict[str, Any] = {"string": pl.String, "measured_at": pl.Datetime("us", "UTC")}
    parts = [pl.DataFrame(schema=columns), read.select(list(columns))]
    if verdicts is not None:
        parts.append(verdicts.select(list(columns)))
    return (
        pl.concat(parts, how="vertical_relaxed")
        .drop_nulls()
        .group_by("string")
        .agg(pl.col("measured_at").max())
        .select(
            "string", day=pl.col("measured_at").dt.convert_time_zone(zone).dt.date().cast(pl.Int32)
        )
    )
