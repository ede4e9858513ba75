"""Two million flash rows received from their files: read, checked, reconciled, recorded, printed.

The site, its deliveries and every figure are invented. Files are written to a temporary folder
that is removed afterwards; each measured step is a process of its own, as a person would start it.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import polars as pl

from benchmarks.common import BenchRow

__all__ = ["Delivery", "run", "write_delivery"]

_MODULES: Final = 31
_PALLETS_A_NOTE: Final = 20
_SEED: Final = 20_310_402
_SHORT_EVERY: Final = 997
_UNSEEN_EVERY: Final = 1_499
_SPOILED_RATIO: Final = 0.001

_SITE: Final = """\
# An invented solar park; every figure is invented.
[site]
name = "Long heath"
latitude_deg = 52.1
longitude_deg = 12.4
elevation_m = 60
time_zone = "Europe/Berlin"
design_min_air_temp_c = -16
design_max_air_temp_c = 36
design_temp_basis = "invented for a benchmark"

[module_types.heron]
description = "144 half cells"
names = ["Heron 72"]
cells_in_series = 72
bypass_substrings = 3
alpha_isc_per_k = "0.045 %/K"
beta_voc_per_k = "-0.25 %/K"
gamma_pmax_per_k = "-0.30 %/K"
nmot_c = 43
max_system_voltage_v = 1500
series_fuse_a = 30
length_mm = 2278
width_mm = 1134
thickness_mm = 30
mass_kg = 31.6
pallet_modules = 31
serial_pattern = "HR[0-9]{8}"

[[module_types.heron.power_classes]]
power_w = 600
pmax_min_w = 600
pmax_max_w = 605
voc_v = 52.0
isc_a = 14.40
vmp_v = 43.9
imp_a = 13.67

[[module_types.heron.power_classes]]
power_w = 605
pmax_min_w = 605
pmax_max_w = 610
voc_v = 52.1
isc_a = 14.45
vmp_v = 44.1
imp_a = 13.72

[[module_types.heron.current_classes]]
name = "L"
imp_min_a = 13.50
imp_max_a = 13.80

[[module_types.heron.current_classes]]
name = "H"
imp_min_a = 13.80
imp_max_a = 14.10

[inverter_types.dune]
description = "350 kW string inverter"
max_voltage_v = 1500
start_voltage_v = 650
mppt_min_v = 600
mppt_max_v = 1450
mppt_inputs = 12
input_max_current_a = 40
input_max_isc_a = 60
strings_per_input = 2
ac_power_w = 350000

[[layout.block]]
name = "F"
module_type = "heron"
inverter_type = "dune"
rows_of_tables = ROWS
tables_per_row = 10
columns = 28
rows = 2
pitch_m = 9.5
table_gap_m = 0.6
tilt_deg = 20
azimuth_deg = 180
modules_per_string = 28
string_pattern = "leapfrog"
strings_per_input = 2
inputs_per_inverter = 12
drop_point = "per_row"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """A delivery written to disk.

    Attributes:
        site: the site folder.
        files: order, notes, scans and flash list.
        flash_list: the flash list alone.
        rows: rows of the flash list.
        pallets: pallets on the notes.
        unseen: pallets on the notes that nobody scanned.
        short: pallets of which one module fewer was counted.
    """

    site: Path
    files: tuple[Path, ...]
    flash_list: Path
    rows: int
    pallets: int
    unseen: int
    short: int


def _sscc(count: int) -> pl.Series:
    """Give valid SSCC of the GS1 prefix 952, which is kept for examples."""
    digits = np.zeros((count, 17), dtype=np.int64)
    digits[:, :8] = [3, 9, 5, 2, 1, 2, 3, 4]
    for place in range(9):
        digits[:, 16 - place] = np.arange(count) // 10**place % 10
    weights = np.where(np.arange(17) % 2 == 0, 3, 1)
    check = -(digits @ weights) % 10
    body = pl.Series(np.arange(count)).cast(pl.String).str.zfill(9)
    return (
        pl.DataFrame({"body": body, "check": check})
        .select(pl.format("39521234{}{}", "body", "check").alias("pallet"))
        .to_series()
    )


def _pallets(count: int) -> pl.DataFrame:
    number = np.arange(count)
    note = number // _PALLETS_A_NOTE
    return pl.DataFrame(
        {
            "number": number,
            "note": note,
            "pallet": _sscc(count),
            "power": np.where(note % 2 == 0, 600, 605),
            "current": np.where(note % 4 < 2, "H", "L"),
            "short": number % _SHORT_EVERY == _SHORT_EVERY - 1,
            "unseen": number % _UNSEEN_EVERY == _UNSEEN_EVERY - 1,
        }
    )


def _flash(pallets: pl.DataFrame) -> pl.DataFrame:
    rng = np.random.default_rng(_SEED)
    each = np.repeat(np.arange(pallets.height), _MODULES)
    count = len(each)
    high = (pallets["current"] == "H").to_numpy()[each]
    power = pallets["power"].to_numpy()[each]
    imp = np.where(high, 13.80, 13.50) + rng.uniform(0.01, 0.28, count)
    pmax = power + rng.uniform(0.02, 4.9, count)
    isc = np.where(
        rng.random(count) < _SPOILED_RATIO, imp * 0.9, imp + 0.75 + rng.normal(0, 0.01, count)
    )
    voc = rng.normal(52.0, 0.1, count)
    start = np.datetime64("2025-04-01T06:00:00", "ms")
    return pl.DataFrame(
        {
            "Serial No.": pl.Series(np.arange(count)).cast(pl.String).str.zfill(8),
            "Pallet ID": pallets["pallet"].gather(each),
            "Position in stack": np.tile(np.arange(1, _MODULES + 1), pallets.height),
            "Type": "Heron 72",
            "Power class (W)": power,
            "Current class": pallets["current"].gather(each),
            "Pmax (W)": pmax.round(2),
            "Voc (V)": voc.round(3),
            "Isc (A)": isc.round(3),
            "Vmp (V)": (pmax / imp).round(3),
            "Imp (A)": imp.round(3),
            "FF (%)": (100.0 * pmax / (voc * isc)).round(2),
            "Test time": pl.Series(
                start + 3_000 * np.arange(count).astype("timedelta64[ms]")
            ).dt.strftime("%Y-%m-%d %H:%M:%S"),
        }
    ).with_columns(pl.format("HR{}", "Serial No.").alias("Serial No."))


def write_delivery(folder: Path, *, pallets: int) -> Delivery:
    """Write a site of as many modules as are delivered, and the files of its delivery."""
    held = _pallets(pallets)
    site = folder / "site"
    site.mkdir()
    strings_a_row = 20
    rows = max(1, pallets * _MODULES // 28 // strings_a_row)
    (site / "site.toml").write_text(_SITE.replace("ROWS", str(rows)), encoding="utf-8")
    label = [
        pl.col("pallet").alias("Pallet"),
        pl.lit("Heron 72").alias("Module type"),
        pl.col("power").alias("Power class [W]"),
        pl.col("current").alias("Current class"),
    ]
    inputs = folder / "inputs"
    inputs.mkdir()
    order, notes, scans, flash = (
        inputs / f"{name}.csv" for name in ("order", "delivery-notes", "pallet-scans", "flash-list")
    )
    held.group_by("power", "current", maintain_order=True).agg(
        (pl.len() * _MODULES).alias("modules")
    ).select(
        pl.lit("O-1").alias("Order number"),
        pl.lit("Heron 72").alias("Module type"),
        pl.col("power").alias("Power class [W]"),
        pl.col("current").alias("Current class"),
        pl.col("modules").alias("Modules"),
    ).write_csv(order)
    held.select(
        pl.format("DN-{}", pl.col("note") + 1).alias("Delivery note"),
        pl.lit("O-1").alias("Order number"),
        *label,
        pl.lit(_MODULES).alias("Quantity"),
    ).write_csv(notes)
    scanned = held.filter(~pl.col("unseen"))
    moments = (
        np.datetime64("2025-07-02T07:00:00", "ms")
        + np.arange(scanned.height).astype("timedelta64[ms]") * 40_000
    )
    scanned.select(
        *label,
        (_MODULES - pl.col("short").cast(pl.Int64)).alias("Modules counted"),
        pl.lit("ok").alias("Condition"),
        pl.Series("Scanned at", moments).dt.strftime("%Y-%m-%dT%H:%M:%SZ"),
    ).write_csv(scans)
    listed = _flash(held)
    listed.write_csv(flash)
    return Delivery(
        site=site,
        files=(order, notes, scans, flash),
        flash_list=flash,
        rows=listed.height,
        pallets=held.height,
        unseen=int(held["unseen"].sum()),
        short=int(held.filter(~pl.col("unseen"))["short"].sum()),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    seconds: float
    peak_mb: float
    document: dict[str, Any]


_MEASURE: Final = """
import resource, subprocess, sys, time
with open(sys.argv[1], "wb") as out:
    start = time.perf_counter()
    code = subprocess.run(sys.argv[2:], stdout=out).returncode
    seconds = time.perf_counter() - start
used = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
print(code, seconds, used / (2**20 if sys.platform == "darwin" else 2**10))
"""


def _measured(
    folder: Path, words: list[str], *, codes: tuple[int, ...]
) -> tuple[float, float, Path]:
    """Run a command in a process of its own; give its seconds, its peak memory, its output."""
    out = folder / "output"
    done = subprocess.run(  # noqa: S603 - our own interpreter and our own words
        [sys.executable, "-c", _MEASURE, str(out), *words],
        check=True,
        capture_output=True,
        text=True,
        env=os.environ | {"ARRAYWRIGHT_HOME": str(folder / "home")},
    )
    code, seconds, peak_mb = done.stdout.split()
    assert int(code) in codes, f"exit code {code}: {done.stderr}"
    return float(seconds), float(peak_mb), out


def _receive(folder: Path, delivery: Delivery) -> _Step:
    program = "from arraywright.cli.main import main; main()"
    words = [sys.executable, "-c", program, "receive", str(delivery.site)]
    words += [*map(str, delivery.files), "--person", "benchmark", "--json"]
    seconds, peak_mb, out = _measured(folder, words, codes=(0, 1))
    return _Step(
        seconds=seconds, peak_mb=peak_mb, document=json.loads(out.read_text(encoding="utf-8"))
    )


_REFERENCE: Final = """
import sys, time
import polars as pl
start = time.perf_counter()
frame = pl.read_csv(sys.argv[1], schema_overrides={"Pallet ID": pl.String}, try_parse_dates=True)
print(frame.height, time.perf_counter() - start)
"""


def _reference(folder: Path, delivery: Delivery) -> float:
    """Seconds that a reader takes which is told separator, decimal mark and columns beforehand."""
    words = [sys.executable, "-c", _REFERENCE, str(delivery.flash_list)]
    _, _, out = _measured(folder, words, codes=(0,))
    height, seconds = out.read_text(encoding="utf-8").split()
    assert int(height) == delivery.rows
    return float(seconds)


def _check(delivery: Delivery, step: _Step) -> None:
    """See that every row came through and that what was put in was found."""
    result = step.document["result"]
    for table in result["files"]:
        assert table["rows_in"] == table["rows_accepted"] + table["rows_reported"]
    (flash,) = (table for table in result["files"] if table["table"] == "flash list")
    assert flash["rows_accepted"] == delivery.rows
    assert sum(result["counts"].values()) == delivery.pallets
    reasons = [reason for pallet in result["pallets"] for reason in pallet["reasons"]]
    assert reasons.count("pallet-missing") == delivery.unseen
    assert reasons.count("pallet-count") == delivery.short


def run(*, quick: bool) -> list[BenchRow]:
    """Receive 2,015,000 flash rows (31,000 when quick) from files, twice."""
    with tempfile.TemporaryDirectory(prefix="arraywright-receiving-") as name:
        folder = Path(name)
        delivery = write_delivery(folder, pallets=1_000 if quick else 65_000)
        size_mb = delivery.flash_list.stat().st_size / 1e6
        reference = _reference(folder, delivery)
        first = _receive(folder, delivery)
        _check(delivery, first)
        second = _receive(folder, delivery)
    assert second.document["unchanged"]
    assert second.document["result"]["pallets"] == first.document["result"]["pallets"]
    label = "quick: " if quick else ""
    name_of_reference = (
        f"polars.read_csv of the flash list alone ({size_mb:,.0f} MB), dialect and columns known"
    )
    return [
        BenchRow(
            name=f"{label}{delivery.rows:,} flash rows on {delivery.pallets:,} pallets received "
            "in a fresh process: read, checked, reconciled, recorded, documents written",
            figure=first.seconds,
            unit="s",
            seconds=first.seconds,
            reference_name=name_of_reference,
            reference_seconds=reference,
            ratio=reference / first.seconds,
            peak_rss_mb=first.peak_mb,
            target="" if quick else "under 90 s and 4 GB",
            met=quick or (first.seconds < 90.0 and first.peak_mb < 4_096.0),
        ),
        BenchRow(
            name=f"{label}the same files received again: nothing changes",
            figure=second.seconds,
            unit="s",
            seconds=second.seconds,
            peak_rss_mb=second.peak_mb,
            target="" if quick else "under 15 s",
            met=quick or second.seconds < 15.0,
        ),
    ]
