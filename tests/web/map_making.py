"""A generated site of any size, with a record of what was planned, built and judged."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from arraywright.plant import PLACEMENTS
from arraywright.procedures.allocate import ALLOCATION_PLANNED
from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.site_record import FILE_RECEIVED, SiteRecord, open_site
from arraywright.records.entry import NewEntry, json_body

__all__ = ["BLOCK_MODULES", "NOW", "make_map_site", "place_modules"]

EXAMPLE = Path(__file__).parents[2] / "docs" / "examples" / "small-site" / "site.toml"
BLOCK_MODULES = 28_000
NOW = datetime(2031, 5, 20, 12, tzinfo=UTC)
_STRING = 28
_ROWS, _TABLES = 50, 10


def _block(number: int, side: int) -> str:
    return f"""
[[layout.block]]
name = "B{number + 1:03d}"
module_type = "mill440"
inverter_type = "two_inputs"
rows_of_tables = {_ROWS}
tables_per_row = {_TABLES}
columns = 28
rows = 2
pitch_m = 9.5
table_gap_m = 0.5
tilt_deg = 25
azimuth_deg = 180
x_m = {number % side * 350}
y_m = {number // side * 500}
modules_per_string = {_STRING}
string_pattern = "leapfrog"
strings_per_input = 1
inputs_per_inverter = 2
drop_point = "per_row"
"""


def make_map_site(folder: Path, modules: int) -> int:
    """Make a site of blocks of 28,000 modules with its record; give how many modules it has.

    All is planned, the first 70 % of the strings are built, of these the first 80 % are judged.
    """
    blocks = -(-modules // BLOCK_MODULES)
    side = max(1, round(blocks**0.5))
    folder.mkdir(parents=True, exist_ok=True)
    head = EXAMPLE.read_text("utf-8").partition("[[layout.block]]")[0]
    text = head + "".join(_block(number, side) for number in range(blocks))
    (folder / "site.toml").write_text(text, "utf-8")
    with open_site(folder, person="Maker", now=lambda: NOW) as record:
        _fill(record, np.random.default_rng(20310520))
    return blocks * BLOCK_MODULES


def _result(record: SiteRecord, kind: str, frames: dict[str, pl.DataFrame]) -> None:
    entry = record.new_result(
        kind, inputs=[kind], frames=frames, findings=(), summary={}, previous=None
    )
    record.append_result([entry], kind=kind, previous=None)


def _fill(record: SiteRecord, rng: np.random.Generator) -> None:
    positions, strings = record.site.positions, record.site.strings
    count = positions.height
    number = np.arange(count)
    high = number // (36 * 40) % 2 == 0
    modules = pl.select(
        serial=pl.format("MY{}", pl.Series(number).cast(pl.String).str.zfill(10)),
        pallet=pl.format("39999990{}", pl.Series(number // 36).cast(pl.String).str.zfill(10)),
        module_type=pl.lit("mill440"),
        power_class_w=pl.lit(440.0),
        current_class=pl.Series(np.where(high, "H", "L")),
        pmax_w=pl.Series(441.0 + rng.normal(0.0, 1.0, count)),
        voc_v=pl.lit(39.6),
        isc_a=pl.lit(14.02),
        vmp_v=pl.lit(33.2),
        imp_a=pl.lit(13.26),
        usable=pl.lit(value=True),
        reason=pl.lit(None, dtype=pl.String),
    )
    pallets = modules.select("pallet").unique(maintain_order=True)
    _result(record, DELIVERY_RECONCILED, {"modules": modules, "pallets": pallets})
    places = positions.select("string", "place_in_string", "position").with_columns(
        modules["serial"], modules["pallet"]
    )
    names = strings["string"]
    day = date(2031, 4, 1)
    crew_days = np.arange(len(names)) // max(1, len(names) // 40)
    _result(
        record,
        ALLOCATION_PLANNED,
        {
            "assignments": places,
            "mismatch_strings": pl.DataFrame(
                {"string": names, "loss_ratio": rng.gamma(2.0, 0.0004, len(names))}
            ),
            "build_days": pl.DataFrame(
                {"string": names, "day": [day + timedelta(days=int(step)) for step in crew_days]}
            ),
        },
    )
    built = int(0.7 * len(names))
    place_modules(record, places.head(built * _STRING), day=datetime(2031, 4, 1, 9, tzinfo=UTC))
    read = int(0.8 * built)
    verdict = rng.choice(
        ["pass", "review", "fail", "not_assessable"], read, p=[0.96, 0.02, 0.015, 0.005]
    )
    off = rng.normal(-0.002, 0.006, (2, read))
    off[:, verdict == "fail"] -= 0.06
    _result(
        record,
        STRINGS_JUDGED,
        {
            "strings": pl.DataFrame(
                {
                    "string": names.head(read),
                    "verdict": verdict,
                    "readings": np.ones(read, dtype=np.int64),
                    "measured_at": pl.Series([NOW] * read, dtype=pl.Datetime("us", "UTC")),
                    "voc_deviation_ratio": off[0],
                    "isc_deviation_ratio": off[1],
                    "reasons": pl.Series([[]] * read, dtype=pl.List(pl.String)),
                }
            ),
            "placed": places.head(built * _STRING),
            "curves": pl.DataFrame(schema={"string": pl.String}),
        },
    )


def place_modules(record: SiteRecord, places: pl.DataFrame, *, day: datetime) -> None:
    """Record rows of string, place and serial as built, the first half a week before the rest."""
    late = pl.int_range(pl.len()) > pl.len() // 2
    rows = places.select(
        "serial",
        "string",
        "place_in_string",
        placed_at=pl.lit(day) + pl.when(late).then(timedelta(days=7)).otherwise(timedelta()),
        person=pl.lit("Crew One"),
        source_file=pl.lit("as-built.csv"),
        source_row=pl.int_range(1, pl.len() + 1, dtype=pl.UInt32),
    )
    rows = rows.select(list(PLACEMENTS.schema)).cast(pl.Schema(PLACEMENTS.schema))
    body = {"table": PLACEMENTS.kind, "files": [record.store_frame("rows", rows)]}
    record.journal.append(
        [
            NewEntry(
                kind=FILE_RECEIVED,
                subject_kind="file",
                subject=f"as-built {places.height}",
                body=json_body(body),
            )
        ]
    )
