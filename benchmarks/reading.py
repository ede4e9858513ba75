"""How long a maker's flash list of a large park takes to be read and checked, row by row."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
import polars as pl

from arraywright.delivery.tables import DELIVERY_NOTE, FLASH_LIST, ORDER, PALLET_SCANS
from arraywright.readers import TableReading, read_table
from benchmarks.common import BenchRow, peak_rss_mb, timed

__all__ = ["run"]

_SPECS = (ORDER, DELIVERY_NOTE, PALLET_SCANS, FLASH_LIST)
_ZONE = "Europe/Madrid"
_CHUNK = 100_000
_TARGET_S = 40.0
_TARGET_MB = 3072.0
_ENGLISH = (
    "Serial number,Pallet,Stack position,Type,Power class [W],Current class,Pmax [W],Voc [V],"
    "Isc [A],Vmp [V],Imp [A],FF [%],Flash time\n"
)
_GERMAN = (
    "Seriennr.;Palette;Stapelposition;Typ;Leistungsklasse [W];Stromklasse;Leistung [W];Uoc [V];"
    "Isc [mA];Umpp [V];Impp [A];FF [%];Messzeit\n"
)


def _chunk(first: int, count: int, rng: np.random.Generator) -> pl.DataFrame:
    at = pl.int_range(first, first + count, eager=True)
    isc = 13.9 + rng.normal(0.0, 0.05, count)
    return pl.DataFrame(
        {
            "serial": "AW26" + at.cast(pl.String).str.zfill(12),
            "pallet": "37610425" + (at // 36).cast(pl.String).str.zfill(10),
            "position": at % 36 + 1,
            "type": pl.repeat("AW-550", count, eager=True),
            "class_w": pl.repeat(550, count, eager=True),
            "current": pl.repeat("H", count, eager=True),
            "pmax": (552.0 + rng.normal(0.0, 2.0, count)).round(3),
            "voc": (49.8 + rng.normal(0.0, 0.1, count)).round(3),
            "isc": isc.round(4),
            "vmp": (41.9 + rng.normal(0.0, 0.1, count)).round(3),
            "imp": (isc * 0.945).round(4),
            "ff": (79.0 + rng.normal(0.0, 0.2, count)).round(2),
            "time": pl.select(
                pl.datetime(2026, 1, 1) + pl.duration(seconds=pl.lit(at) // 2)
            ).to_series(),
        }
    )


def _write(path: Path, rows: int, dialect: Literal["english", "german"]) -> None:
    """Write a list; the German one in Windows-1252 with a preamble and lines cut short."""
    rng = np.random.default_rng(7)
    german = dialect == "german"
    with path.open("wb") as out:
        if german:
            out.write("Meßprotokoll für Flashliste\nGerät: F-1\n\n".encode("cp1252"))
        out.write((_GERMAN if german else _ENGLISH).encode("cp1252"))
        for first in range(0, rows, _CHUNK):
            chunk = _chunk(first, min(_CHUNK, rows - first), rng)
            if german:
                chunk = chunk.with_columns((pl.col("isc") * 1000).round(1)).with_columns(
                    pl.col(pl.Float64).cast(pl.String).str.replace(".", ",", literal=True),
                    pl.col("time").dt.strftime("%d.%m.%Y %H:%M:%S"),
                )
            else:
                chunk = chunk.with_columns(pl.col("time").dt.strftime("%Y-%m-%d %H:%M:%S"))
            text = chunk.write_csv(include_header=False, separator=";" if german else ",")
            if german:
                lines = text.split("\n")
                lines[1] = lines[1].rsplit(";", 4)[0]
                text = "\n".join(lines)
            out.write(text.encode("cp1252"))


def _polars(path: Path) -> Callable[[], object]:
    return lambda: pl.read_csv(path, try_parse_dates=True, schema_overrides={"Pallet": pl.String})


def _pandas(path: Path) -> Callable[[], object]:
    return lambda: pd.read_csv(path, parse_dates=["Flash time"], dtype={"Pallet": str})


def _ours(path: Path, rows: int, faults: int) -> tuple[float, float, float]:
    def work() -> TableReading:
        return read_table(path, _SPECS, time_zone=_ZONE)

    processor_s = time.process_time()
    seconds, reading = timed(work)
    processor_s = time.process_time() - processor_s
    assert reading.spec is FLASH_LIST
    assert (reading.rows_in, reading.rows_reported) == (rows, faults)
    assert reading.frame.height == rows - faults
    assert reading.frame["flashed_at"].null_count() == 0
    return seconds, peak_rss_mb(), processor_s


def _row(
    name: str,
    *,
    ours: tuple[float, float, float],
    reference_name: str,
    reference_s: float,
) -> BenchRow:
    seconds, peak, processor_s = ours
    return BenchRow(
        name=f"{name} (processor {processor_s:.1f} s)",
        figure=seconds,
        unit="s",
        seconds=seconds,
        reference_name=reference_name,
        reference_seconds=reference_s,
        ratio=reference_s / seconds,
        peak_rss_mb=peak,
        target="under 40 s and 3 GB",
        met=seconds < _TARGET_S and peak < _TARGET_MB,
    )


def run(*, quick: bool) -> list[BenchRow]:
    """Read flash lists of 2,000,000 modules (100,000 when quick) in three ways.

    The references are told the dialect and check nothing: they are the floor.
    """
    rows = 100_000 if quick else 2_000_000
    size = f"flash list of {rows:,} rows"
    with tempfile.TemporaryDirectory() as folder:
        warm, english = Path(folder, "warm.csv"), Path(folder, "flash.csv")
        german, parquet = Path(folder, "flash_de.csv"), Path(folder, "flash.parquet")
        _write(warm, 1_000, "english")
        read_table(warm, _SPECS, time_zone=_ZONE)
        _write(english, rows, "english")
        _write(german, rows, "german")
        faults = -(-rows // _CHUNK)
        of_english = _ours(english, rows, 0)
        of_german = _ours(german, rows, faults)
        by_polars, frame = timed(_polars(english))
        del frame
        by_pandas, other = timed(_pandas(english))
        del other
        pl.scan_csv(english, schema_overrides={"Pallet": pl.String}).sink_parquet(parquet)
        of_parquet = _ours(parquet, rows, 0)
        raw_parquet, _ = timed(lambda: pl.read_parquet(parquet))
    known = "with the dialect known and nothing checked"
    return [
        _row(
            f"{size}, CSV ({rows * 115 // 1_000_000} MB), read and checked",
            ours=of_english,
            reference_name=f"polars.read_csv {known}",
            reference_s=by_polars,
        ),
        _row(
            f"{size}, CSV, read and checked",
            ours=of_english,
            reference_name=f"pandas.read_csv {known}",
            reference_s=by_pandas,
        ),
        _row(
            f"{size}, German CSV in Windows-1252 with preamble, mA and {faults} lines cut short",
            ours=of_german,
            reference_name="pandas.read_csv of the plain list",
            reference_s=by_pandas,
        ),
        _row(
            f"{size}, Parquet, read and checked (peak after pandas)",
            ours=of_parquet,
            reference_name="polars.read_parquet, nothing checked",
            reference_s=raw_parquet,
        ),
    ]
