"""Hourly weather of a place from EPW, TMY3 or a table with stated columns, of one or more years."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from arraywright.design.tables import WEATHER
from arraywright.design.weather import Weather
from arraywright.errors import CallError, InputFileError
from arraywright.findings import Finding, Verdict
from arraywright.readers.delimited import decode_text
from arraywright.readers.log import FindingLog
from arraywright.readers.results import ColumnMapping
from arraywright.readers.tables import _check_call, _last_resort, _read_bytes, read_table
from arraywright.readers.weather_checks import (
    FAR_KM,
    check_span,
    complete_light,
    complete_wind,
    distance_km,
    is_patchwork,
    keep_usable,
    refuse_impossible,
    report_distance,
)
from arraywright.readers.weather_text import (
    VALUES,
    HourlyText,
    StatedExtremes,
    looks_like,
    parse_epw,
    parse_tmy3,
)

__all__ = ["Stamp", "WeatherReading", "read_weather"]

Stamp = Literal["start", "middle", "end"]
"""What a time marks of its interval."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherReading:
    """Hourly weather as read: every line of the files is in ``frame`` or in ``findings``.

    Attributes:
        weather: the columns for calculation.
        frame: ``measured_at`` (middle of the interval, UTC), the columns of ``WEATHER`` with
            missing values null, ``source_file``, ``source_row``; in the order of time, of a
            typical year in the order of its calendar.
        findings: what is wrong, was assumed or completed.
        file_format: ``epw``, ``tmy3`` or ``table``.
        place: name of the place as the file gives it, empty for a table.
        latitude_deg: of the weather, north positive [deg].
        longitude_deg: of the weather, east positive [deg].
        elevation_m: of the weather, above sea level [m].
        time_zone: standard time of the calendar as ``UTC+01:00``.
        typical: whether the months come from several years to make one typical year.
        stated: yearly extremes stated in the head of a file.
        rows_in: rows in the files.
        rows_accepted: rows in ``frame``.
        rows_reported: rows left out, each with a finding.
        file_names: names of the files in the order given.
        sha256: SHA-256 of each file's bytes, hexadecimal.
    """

    weather: Weather
    frame: pl.DataFrame
    findings: tuple[Finding, ...]
    file_format: str
    place: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    time_zone: str
    typical: bool
    stated: StatedExtremes | None
    rows_in: int
    rows_accepted: int
    rows_reported: int
    file_names: tuple[str, ...]
    sha256: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _File:
    name: str
    sha256: str
    kind: str
    text: HourlyText
    findings: tuple[Finding, ...]


def _standard_offset_min(time_zone: str) -> float:
    """Standard time less UTC [min] of an IANA zone: the lesser of January's and July's."""
    zone = ZoneInfo(time_zone)
    offsets = [datetime(2025, month, 1, tzinfo=UTC).astimezone(zone) for month in (1, 7)]
    return min((one.utcoffset() or one - one).total_seconds() for one in offsets) / 60.0


def _interval_min(time: pl.Series, *, name: str) -> float:
    micros = np.unique(time.drop_nulls().to_physical().to_numpy())
    steps = np.diff(micros)
    if not len(steps):
        raise InputFileError(
            "weather-too-short",
            f"{name} holds {len(micros)} usable times; required: at least a day of them.",
            "Take weather of at least a year.",
        )
    values, counts = np.unique(steps, return_counts=True)
    return float(values[int(np.argmax(counts))]) / 60e6


def _table_file(
    path: Path,
    data: bytes,
    *,
    time_zone: str,
    stamp: Stamp | None,
    place: tuple[float, float, float],
    mapping: ColumnMapping | None,
) -> _File:
    reading = read_table(path, (WEATHER,), mapping=mapping, time_zone=time_zone)
    log = FindingLog(file=path.name)
    if not reading.recognised:
        raise InputFileError(
            "weather-not-recognised",
            f"{path.name} is no weather file: {reading.findings[-1].message} Headings found: "
            f"{', '.join(reading.unused_headings) or 'none'}.",
            "Give an EPW or TMY3 file, or a table with columns for time and air temperature.",
        )
    frame = reading.frame.drop("source_file")
    interval = _interval_min(frame["measured_at"], name=path.name)
    if stamp is None:
        log.table(
            "weather-stamp-assumed",
            Verdict.REVIEW,
            message="The table does not say whether its times mark the start or the end of an "
            "interval; the end is taken.",
            remedy="Say which it is; half an hour moves mornings and evenings.",
            required="start, middle or end",
        )
    moved_min = {"start": 0.5, "middle": 0.0, "end": -0.5}[stamp or "end"] * interval
    frame = frame.with_columns(
        pl.col("measured_at") + pl.duration(microseconds=round(moved_min * 60e6))
    )
    latitude, longitude, elevation = place
    text = HourlyText(
        frame=frame.select("measured_at", *VALUES, "source_row"),
        rows_in=reading.rows_in,
        rows_reported=reading.rows_reported,
        interval_min=interval,
        typical=False,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=elevation,
        utc_offset_min=_standard_offset_min(time_zone),
        place="",
    )
    return _File(
        name=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        kind="table",
        text=text,
        findings=(*reading.findings, *log.close()),
    )


def _one_file(
    path: Path,
    *,
    time_zone: str,
    stamp: Stamp | None,
    place: tuple[float, float, float],
    mapping: ColumnMapping | None,
) -> _File:
    data = _read_bytes(path)
    kind = ""
    if not data.startswith((b"PK", b"PAR1", b"%PDF", b"\x89PNG", b"\x1f\x8b")):
        head = data[:20_000].decode("latin-1").lstrip("ï»¿ÿþ")
        kind = looks_like(head) or looks_like(head.replace("\x00", ""))
    if not kind:
        return _table_file(
            path, data, time_zone=time_zone, stamp=stamp, place=place, mapping=mapping
        )
    content = decode_text(data, name=path.name).content.decode("utf-8", errors="replace")
    log = FindingLog(file=path.name)
    parse = parse_epw if kind == "epw" else parse_tmy3
    text = parse(content, name=path.name, log=log)
    if not text.frame.height:
        raise InputFileError(
            "weather-too-short",
            f"{path.name} holds no usable hour below its head.",
            "Take the file again from its source.",
        )
    return _File(
        name=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        kind=kind,
        text=text,
        findings=log.close(),
    )


def _merge(files: Sequence[_File], *, place: tuple[float, float, float] | None) -> WeatherReading:
    first = files[0].text
    whole: list[pl.DataFrame] = []
    findings: list[Finding] = []
    for file in files:
        log = FindingLog(file=file.name)
        if (
            abs(file.text.utc_offset_min - first.utc_offset_min) > 0.5
            or abs(file.text.interval_min - first.interval_min) > 0.01
            or distance_km(
                (file.text.latitude_deg, file.text.longitude_deg),
                (first.latitude_deg, first.longitude_deg),
            )
            > FAR_KM
        ):
            raise InputFileError(
                "weather-files-differ",
                f"{file.name} and {files[0].name} are not of one place, zone and interval.",
                "Give files of one place together, others one at a time.",
            )
        frame = refuse_impossible(file.text.frame, file.name, log)
        whole.append(
            frame.with_columns(pl.lit(file.name).cast(pl.Categorical).alias("source_file"))
        )
        findings += [*file.findings, *log.close()]
    log = FindingLog(file=", ".join(file.name for file in files))
    joined = pl.concat(whole)
    frame = keep_usable(joined, log.file, log)
    if frame.is_empty():
        raise InputFileError(
            "weather-too-short", f"{log.file} holds no usable interval.", "Give another file."
        )
    shift = pl.duration(microseconds=round(first.utc_offset_min * 60e6))
    local = frame.select((pl.col("measured_at") + shift).alias("t"))["t"]
    patchwork = is_patchwork(
        local.dt.year().cast(pl.Int64).to_numpy(), local.dt.month().cast(pl.Int64).to_numpy()
    )
    typical = patchwork or (len(files) == 1 and first.typical)
    if not typical:
        frame = frame.sort("measured_at")
    frame = frame.select("measured_at", *VALUES, "source_file", "source_row")
    weather = Weather(
        time=frame["measured_at"].to_physical().to_numpy().astype("datetime64[us]"),
        **{name: frame[name].fill_null(math.nan).to_numpy() for name in VALUES},
        interval_min=first.interval_min,
        typical=typical,
        latitude_deg=first.latitude_deg,
        longitude_deg=first.longitude_deg,
        elevation_m=first.elevation_m,
        utc_offset_min=first.utc_offset_min,
    )
    if place is not None:
        report_distance(first, place, log)
    weather = complete_wind(complete_light(weather, log), log)
    check_span(weather, log)
    frame = frame.with_columns(
        pl.Series(name, getattr(weather, name)).fill_nan(None) for name in VALUES
    )
    rows_in = sum(file.text.rows_in for file in files)
    hours, minutes = divmod(abs(round(first.utc_offset_min)), 60)
    return WeatherReading(
        weather=weather,
        frame=frame,
        findings=(*findings, *log.close()),
        file_format=files[0].kind,
        place=first.place,
        latitude_deg=first.latitude_deg,
        longitude_deg=first.longitude_deg,
        elevation_m=first.elevation_m,
        time_zone=f"UTC{'-' if first.utc_offset_min < 0 else '+'}{hours:02d}:{minutes:02d}",
        typical=typical,
        stated=first.stated,
        rows_in=rows_in,
        rows_accepted=frame.height,
        rows_reported=rows_in - frame.height,
        file_names=tuple(file.name for file in files),
        sha256=tuple(file.sha256 for file in files),
    )


def read_weather(
    paths: Path | Sequence[Path],
    *,
    time_zone: str,
    latitude_deg: float,
    longitude_deg: float,
    elevation_m: float,
    stamp: Stamp | None = None,
    mapping: ColumnMapping | None = None,
) -> WeatherReading:
    """Read hourly weather from EPW, TMY3 or a table, one file or several years of one place.

    EPW and TMY3 state their place and zone and that a value belongs to the interval that ends at
    its time. A table (CSV, XLSX, ODS, Parquet) needs columns for time and air temperature, for a
    yield also global horizontal irradiance; beam, diffuse and wind are used where they are there.
    What is missing of the light is worked out and said.

    Args:
        paths: the file, or the files of several years.
        time_zone: IANA zone of the site, of a table's local times too.
        latitude_deg: of the site, north positive; of a table's weather too.
        longitude_deg: of the site, east positive.
        elevation_m: of the site, above sea level.
        stamp: whether a table's times mark the start, middle or end of an interval; the end with
            a finding when left out.
        mapping: which heading of a table holds which column.

    Raises:
        InputFileError: a file cannot be read, is no weather, or the files do not belong together.
        CallError: no file, or a time zone that is not known.
    """
    listed = [paths] if isinstance(paths, Path) else list(paths)
    if not listed:
        raise CallError("no-weather", "No weather file was given.", "Name at least one.")
    _check_call((WEATHER,), None, time_zone)
    place = (latitude_deg, longitude_deg, elevation_m)

    def work() -> WeatherReading:
        files = [
            _one_file(path, time_zone=time_zone, stamp=stamp, place=place, mapping=mapping)
            for path in listed
        ]
        return _merge(files, place=place)

    return _last_resort(work, name=", ".join(path.name for path in listed))
