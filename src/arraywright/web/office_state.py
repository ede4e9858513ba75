"""What the office pages and programs are told of the record: counts, stock, progress, tests."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl

from arraywright.dossier.words import class_text
from arraywright.procedures.allocate import ALLOCATION_PLANNED
from arraywright.procedures.check_record import DESIGN_CHECKED
from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.decisions import PALLET_DECIDED
from arraywright.procedures.field_rows import MODULE_PLACED, PLACEMENT_UNDONE
from arraywright.procedures.hand_over import DOSSIER_WRITTEN
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.site_record import FILE_RECEIVED, FILE_WITHDRAWN, SiteRecord
from arraywright.procedures.where_now import placements
from arraywright.records.entry import Entry, parse_body

__all__ = [
    "PLACED_KINDS",
    "STOCK_KINDS",
    "Overview",
    "StockLine",
    "files_received",
    "overview",
    "pallets",
    "stock",
]

STOCK_KINDS: Final = (DELIVERY_RECONCILED, PALLET_DECIDED)
PLACED_KINDS: Final = (FILE_RECEIVED, FILE_WITHDRAWN, MODULE_PLACED, PLACEMENT_UNDONE)
_LABEL: Final = ("module_type", "power_class_w", "current_class")
_VERDICTS: Final = ("pass", "fail", "review", "not_assessable")


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """The site at a glance.

    Attributes:
        site: its name.
        modules: positions for modules.
        strings: strings.
        power_kw: power of the positions by the middle class of their type [kW].
        pallets: pallets by verdict.
        modules_delivered: modules on flash lists and labels.
        modules_accepted: usable modules on accepted pallets.
        strings_planned: strings that have a plan.
        modules_placed: modules known to be in place.
        strings_built: strings of which every module is in place.
        tests: strings by verdict.
        design: findings of the design check by verdict.
        steps: when each procedure last ran and in whose name, by kind of entry.
    """

    site: str
    modules: int
    strings: int
    power_kw: float
    pallets: dict[str, int]
    modules_delivered: int
    modules_accepted: int
    strings_planned: int
    modules_placed: int
    strings_built: int
    tests: dict[str, int]
    design: dict[str, int]
    steps: dict[str, dict[str, Any]]

    def as_dict(self) -> dict[str, Any]:
        """Give it as plain data."""
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class StockLine:
    """Modules of one class.

    Attributes:
        module_type: key of the type.
        label: class in words.
        ordered: modules ordered.
        delivered: modules on site by paper or label.
        accepted: usable modules on accepted pallets.
        held: modules on held pallets.
        refused: modules on refused pallets.
        set_aside: modules set aside singly.
        placed: accepted modules that are in place.
        in_yard: accepted modules that are not in place yet.
    """

    module_type: str
    label: str
    ordered: int
    delivered: int
    accepted: int
    held: int
    refused: int
    set_aside: int
    placed: int
    in_yard: int


def _summary(entry: Entry | None) -> dict[str, Any]:
    held: dict[str, Any] = {} if entry is None else parse_body(entry.body).get("summary", {})
    return held


def _power_kw(record: SiteRecord) -> float:
    total_w = 0.0
    for key, count in (
        record.site.strings.group_by("module_type").agg(pl.col("modules").sum()).iter_rows()
    ):
        classes = record.site.module_types[key].power_classes
        total_w += count * classes[len(classes) // 2].power_w
    return total_w / 1000


def overview(record: SiteRecord) -> Overview:
    """Give the site at a glance."""
    site = record.site
    entries = {
        kind: record.latest(kind)
        for kind in (
            DESIGN_CHECKED,
            DELIVERY_RECONCILED,
            ALLOCATION_PLANNED,
            STRINGS_JUDGED,
            DOSSIER_WRITTEN,
        )
    }
    reconciled, plan = entries[DELIVERY_RECONCILED], entries[ALLOCATION_PLANNED]
    accepted = 0
    if reconciled is not None:
        accepted = (
            record.scan_frame(reconciled, "modules")
            .filter(pl.col("usable") & (pl.col("pallet_verdict") == "accept"))
            .select(pl.len())
            .collect()
            .item()
        )
    planned = 0
    if plan is not None:
        planned = (
            (record.scan_frame(plan, "assignments").select(pl.col("string").n_unique()))
            .collect()
            .item()
        )
    placed = placements(record)
    per_string = placed.group_by("string").agg(pl.col("place_in_string").n_unique().alias("there"))
    built = (
        site.strings.select("string", "modules")
        .join(per_string, on="string", how="inner")
        .filter(pl.col("there") >= pl.col("modules"))
        .height
    )
    summary, tests = _summary(reconciled), _summary(entries[STRINGS_JUDGED])
    design = _summary(entries[DESIGN_CHECKED])
    return Overview(
        site=site.name,
        modules=site.positions.height,
        strings=site.strings.height,
        power_kw=_power_kw(record),
        pallets={key: int(summary.get(key, 0)) for key in ("accept", "hold", "refuse")},
        modules_delivered=int(summary.get("modules", 0)),
        modules_accepted=accepted,
        strings_planned=planned,
        modules_placed=placed.height,
        strings_built=built,
        tests={key: int(tests.get(key, 0)) for key in _VERDICTS},
        design={key: int(design.get(key, 0)) for key in _VERDICTS},
        steps={
            kind: {"at": entry.device_time.isoformat(), "person": entry.person}
            for kind, entry in entries.items()
            if entry is not None
        },
    )


def pallets(record: SiteRecord) -> pl.DataFrame:
    """Give every pallet with verdict and reasons, those that are not accepted first."""
    entry = record.latest(DELIVERY_RECONCILED)
    if entry is None:
        return pl.DataFrame(
            schema={
                "pallet": pl.String,
                "module_type": pl.String,
                "class": pl.String,
                "modules_flash": pl.Int64,
                "modules_usable": pl.Int64,
                "seen": pl.Boolean,
                "verdict": pl.String,
                "reasons": pl.List(pl.String),
                "delivery_note": pl.String,
            }
        )
    frame = record.load_frame(entry, "pallets")
    rank = {"refuse": 0, "hold": 1, "accept": 2}
    return (
        frame.with_columns(_class(frame), _rank=pl.col("verdict").replace_strict(rank))
        .sort("_rank", "pallet")
        .select(
            "pallet",
            "module_type",
            "class",
            "modules_flash",
            "modules_usable",
            "seen",
            "verdict",
            "reasons",
            "delivery_note",
        )
    )


def _class(frame: pl.DataFrame) -> pl.Series:
    return pl.Series(
        "class",
        [
            class_text(power, current)
            for power, current in frame.select("power_class_w", "current_class").iter_rows()
        ],
        dtype=pl.String,
    )


def stock(record: SiteRecord) -> list[StockLine]:
    """Count modules by class: ordered, delivered, accepted, held, placed and still in the yard."""
    entry = record.latest(DELIVERY_RECONCILED)
    if entry is None:
        return []
    placed = placements(record).select("serial").unique().with_columns(_placed=pl.lit(value=True))
    modules = (
        record.load_frame(entry, "modules")
        .join(placed, on="serial", how="left")
        .with_columns(pl.col("_placed").fill_null(value=False))
    )
    good = pl.col("usable") & (pl.col("pallet_verdict") == "accept")
    counted = modules.group_by(_LABEL).agg(
        good.sum().alias("accepted"),
        (pl.col("usable") & (pl.col("pallet_verdict") == "hold")).sum().alias("held"),
        (pl.col("pallet_verdict") == "refuse").sum().alias("refused"),
        (~pl.col("usable") & (pl.col("pallet_verdict") != "refuse")).sum().alias("set_aside"),
        (good & pl.col("_placed")).sum().alias("placed"),
    )
    ordered = (
        record.load_frame(entry, "order_balance")
        .group_by(_LABEL)
        .agg(pl.col("ordered").sum(), pl.col("delivered").sum())
    )
    both = ordered.join(counted, on=_LABEL, how="full", coalesce=True, nulls_equal=True).sort(
        _LABEL, nulls_last=True
    )
    return [
        StockLine(
            module_type=row["module_type"] or "",
            label=class_text(row["power_class_w"], row["current_class"]),
            ordered=row["ordered"] or 0,
            delivered=row["delivered"] or 0,
            accepted=row["accepted"] or 0,
            held=row["held"] or 0,
            refused=row["refused"] or 0,
            set_aside=row["set_aside"] or 0,
            placed=row["placed"] or 0,
            in_yard=(row["accepted"] or 0) - (row["placed"] or 0),
        )
        for row in both.iter_rows(named=True)
    ]


def files_received(record: SiteRecord) -> list[dict[str, Any]]:
    """List the tables handed in that stand, the newest first."""
    return [
        {
            "file": body["file"],
            "sheet": body["sheet"],
            "table": body["table"],
            "sha256": body["sha256"],
            "rows": body["rows_in"],
            "used": body["rows_accepted"],
            "reported": body["rows_reported"],
            "at": entry.device_time.isoformat(),
            "person": entry.person,
        }
        for entry, body in _bodies(record)
    ][::-1]


def _bodies(record: SiteRecord) -> Iterator[tuple[Entry, dict[str, Any]]]:
    for entry in record.received():
        yield entry, parse_body(entry.body)


def local_day(moment: datetime, zone: str) -> date:
    """Give the day on which something happened by the site's own calendar."""
    return moment.astimezone(ZoneInfo(zone)).date()
