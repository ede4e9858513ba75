"""Two million flash rows on sixty-five thousand pallets, checked and reconciled."""

from __future__ import annotations

import re

import numpy as np
import polars as pl

from arraywright.delivery import DELIVERY_NOTE, FLASH_LIST, ORDER, PALLET_SCANS
from arraywright.plant import Site
from benchmarks.common import BenchRow, best_seconds, peak_rss_mb, timed
from tests.delivery.making import MODULES, reconcile_frames, site

__all__ = ["run"]


def _check_digits(numbers: np.ndarray) -> list[str]:
    bodies = [f"39999990{number:09d}" for number in numbers]
    digits = np.array([[int(digit) for digit in body] for body in bodies])
    weights = np.where(np.arange(17) % 2 == 0, 3, 1)
    ends = -(digits @ weights) % 10
    return [body + str(end) for body, end in zip(bodies, ends, strict=True)]


def _canonical(frame: pl.DataFrame, schema: dict[str, pl.DataType]) -> pl.DataFrame:
    return frame.select(
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(kind).alias(name)
        for name, kind in schema.items()
    )


def deliver(pallets: int) -> dict[str, pl.DataFrame]:
    """Make the four tables of a delivery of sound pallets with one bad row in a thousand."""
    rng = np.random.default_rng(20310402)
    names = np.array(_check_digits(np.arange(pallets)))
    power = np.where(np.arange(pallets) % 2 == 0, 600.0, 605.0)
    high = np.arange(pallets) % 4 < 2
    label = pl.DataFrame(
        {
            "pallet": names,
            "module_type": "heron",
            "power_class_w": power,
            "current_class": np.where(high, "H", "L"),
            "modules": MODULES,
            "source_row": np.arange(pallets) + 2,
        }
    )
    number = np.arange(pallets) // 20
    notes = label.with_columns(
        pl.format("N-{}", pl.Series(number)).alias("delivery_note"),
        pl.lit("O-1").alias("order_number"),
        pl.lit("notes.csv").alias("source_file"),
    )
    scans = label.with_columns(pl.lit("scans.csv").alias("source_file"))
    count = pallets * MODULES
    each = np.repeat(np.arange(pallets), MODULES)
    imp = np.where(high[each], 13.80, 13.50) + rng.uniform(0.01, 0.28, count)
    pmax = power[each] + rng.uniform(0.0, 4.9, count)
    isc = imp + 0.75 + rng.normal(0.0, 0.01, count)
    bad = rng.random(count) < 0.001
    flash = pl.DataFrame(
        {
            "serial": pl.Series(np.arange(count)).cast(pl.String).str.zfill(8),
            "pallet": names[each],
            "stack_position": np.tile(np.arange(MODULES) + 1, pallets),
            "module_type": "Heron 72",
            "power_class_w": power[each],
            "current_class": np.where(high[each], "H", "L"),
            "pmax_w": pmax,
            "voc_v": rng.normal(52.0, 0.1, count),
            "isc_a": np.where(bad, imp * 0.9, isc),
            "vmp_v": pmax / imp,
            "imp_a": imp,
            "source_row": np.arange(count) % 100_000 + 2,
            "source_file": [f"flash-{part}.csv" for part in np.arange(count) // 100_000],
        }
    ).with_columns((pl.lit("HR") + pl.col("serial")).alias("serial"))
    order = pl.DataFrame(
        {
            "order_number": "O-1",
            "module_type": "heron",
            "power_class_w": [600.0, 600.0, 605.0, 605.0],
            "current_class": ["L", "H", "L", "H"],
            "modules": count // 4,
            "source_file": "order.csv",
            "source_row": [2, 3, 4, 5],
        }
    )
    return {
        "order": _canonical(order, ORDER.schema),
        "delivery_notes": _canonical(notes, DELIVERY_NOTE.schema),
        "pallet_scans": _canonical(scans, PALLET_SCANS.schema),
        "flash_list": _canonical(flash, FLASH_LIST.schema),
    }


def _row_by_row(flash: pl.DataFrame, at: Site) -> int:
    """Check the physics, the class and the doubled serials of each row in plain Python."""
    held = at.module_types["heron"]
    pattern = re.compile(held.serial_pattern)
    seen: set[str] = set()
    bad = 0
    for row in flash.iter_rows(named=True):
        power = held.power_class(row["power_class_w"])
        current = held.current_class_of(row["imp_a"])
        fine = (
            power is not None
            and current is not None
            and current.name == row["current_class"]
            and power.pmax_min_w <= row["pmax_w"] < power.pmax_max_w
            and row["imp_a"] < row["isc_a"]
            and row["vmp_v"] < row["voc_v"]
            and abs(row["pmax_w"] / (row["imp_a"] * row["vmp_v"]) - 1.0) <= 0.005
            and pattern.fullmatch(row["serial"]) is not None
            and row["serial"] not in seen
        )
        seen.add(row["serial"])
        bad += not fine
    return bad


def run(*, quick: bool) -> list[BenchRow]:
    """Reconcile 2,015,000 flash rows (31,000 when quick) and compare with a plain loop."""
    pallets = 1_000 if quick else 65_000
    at = site()
    tables = deliver(pallets)
    rows = tables["flash_list"].height
    seconds, result = timed(lambda: reconcile_frames(at, tables))
    assert result.modules.height == rows
    set_aside = rows - int(result.modules["usable"].sum())
    part = tables["flash_list"].head(31_000)
    loop_seconds = best_seconds(lambda: _row_by_row(part, at), repeats=1) * rows / part.height
    peak = peak_rss_mb()
    size = "quick: " if quick else ""
    return [
        BenchRow(
            name=f"{size}{rows:,} flash rows on {pallets:,} pallets checked and reconciled",
            figure=seconds,
            unit="s",
            seconds=seconds,
            reference_name="plain Python loop over the rows (a part of the checks, scaled up)",
            reference_seconds=loop_seconds,
            ratio=loop_seconds / seconds,
            peak_rss_mb=peak,
            target="" if quick else "below 20 s and 3,000 MB",
            met=quick or (seconds < 20.0 and peak < 3000.0),
        ),
        BenchRow(
            name=f"{size}modules set aside, one row in a thousand spoiled",
            figure=float(set_aside),
            unit="modules",
        ),
    ]
