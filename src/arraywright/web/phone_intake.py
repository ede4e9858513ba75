"""What phones entered, written as tables so that the procedures judge it with everything else."""

from __future__ import annotations

import hashlib
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

__all__ = ["PHONE_PLACEMENTS", "PHONE_READINGS", "phone_files", "unjudged_readings"]

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


def unjudged_readings(site: SiteHandle) -> str:
    """Give the SHA-256 of the readings of phones when others were judged; empty when none wait.

    Raises:
        ArraywrightError: the description has mistakes, or the record cannot be read.
    """
    record = site.record("server")
    readings = field_rows(record.journal, record.site).readings
    judged = {
        str(body["sha256"])
        for body in (parse_body(entry.body) for entry in record.received(STRING_READINGS))
        if body["file"] == PHONE_READINGS
    }
    if readings.is_empty() and not judged:
        return ""
    digest = hashlib.sha256(csv_bytes(_plain(readings, STRING_READINGS))).hexdigest()
    return "" if digest in judged else digest


def _plain(frame: pl.DataFrame, spec: TableSpec) -> pl.DataFrame:
    return frame.select(column.name for column in spec.columns)
