"""What phones entered, written as tables so that the procedures judge it with everything else."""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from arraywright.commissioning import STRING_READINGS
from arraywright.plant import PLACEMENTS
from arraywright.procedures.exports import csv_bytes, write_whole
from arraywright.procedures.field_rows import field_rows
from arraywright.records.entry import parse_body
from arraywright.tables import TableSpec
from arraywright.web.site_handle import SiteHandle
from arraywright.web.uploads import INPUTS

__all__ = ["PHONE_PLACEMENTS", "PHONE_READINGS", "phone_files"]

PHONE_PLACEMENTS: Final = "as-built-from-phones.csv"
PHONE_READINGS: Final = "string-readings-from-phones.csv"


def phone_files(site: SiteHandle, person: str) -> dict[str, Any]:
    """Write what phones entered into the folder of inputs, and give the options of the work.

    Args:
        site: the site.
        person: in whose name.
    """
    record = site.record(person)
    rows = field_rows(record.journal, record.site)
    steps = []
    standing = {str(parse_body(entry.body)["file"]) for entry in record.received()}
    for name, spec, frame in (
        (PHONE_PLACEMENTS, PLACEMENTS, rows.placements),
        (PHONE_READINGS, STRING_READINGS, rows.readings),
    ):
        if frame.is_empty() and name not in standing:
            continue
        folder = site.folder / INPUTS
        folder.mkdir(exist_ok=True)
        path = write_whole(folder / name, csv_bytes(_plain(frame, spec)))
        steps.append({"file": str(path), "replaced": name if name in standing else None})
    return {"steps": steps}


def _plain(frame: pl.DataFrame, spec: TableSpec) -> pl.DataFrame:
    return frame.select(column.name for column in spec.columns)
