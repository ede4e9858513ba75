"""Weather files of two fixed forms, EPW and TMY3, brought to columns with their line numbers."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

import numpy as np
import polars as pl

from arraywright.errors import InputFileError
from arraywright.findings import Verdict
from arraywright.readers.log import FindingLog

__all__ = ["HourlyText", "StatedExtremes", "looks_like", "parse_epw", "parse_tmy3"]

VALUES: Final = ("ghi_w_m2", "dni_w_m2", "dhi_w_m2", "air_temp_c", "wind_m_s")
"""The columns of numbers, in the order of the table."""

_EPW_FIELDS: Final = {
    "ghi_w_m2": 13,
    "dni_w_m2": 14,
    "dhi_w_m2": 15,
    "air_temp_c": 6,
    "wind_m_s": 21,
}
_EPW_MISSING: Final = {
    "ghi_w_m2": 9999.0,
    "dni_w_m2": 9999.0,
    "dhi_w_m2": 9999.0,
    "air_temp_c": 99.9,
    "wind_m_s": 999.0,
}
_EPW_LEAST: Final = 22
_TMY3_HEADINGS: Final = {
    "ghi_w_m2": "ghi (w/m^2)",
    "dni_w_m2": "dni (w/m^2)",
    "dhi_w_m2": "dhi (w/m^2)",
    "air_temp_c": "dry-bulb (c)",
    "wind_m_s": "wspd (m/s)",
}
_TMY3_MISSING_BELOW: Final = -900.0
_TYPICAL: Final = re.compile(r"TMY|TRY|IWEC|WYEC|CWEC|CSWD|CTZ|typical", re.IGNORECASE)
_EXTREMES_FIELDS: Final = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedExtremes:
    """Yearly extremes of the air temperature that the head of a file states.

    Attributes:
        document: the collection they come from, as the file names it.
        mean_min_c: mean of the yearly minima [degC].
        mean_max_c: mean of the yearly maxima [degC].
        sd_min_k: standard deviation of the yearly minima [K].
        sd_max_k: standard deviation of the yearly maxima [K].
    """

    document: str
    mean_min_c: float
    mean_max_c: float
    sd_min_k: float
    sd_max_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HourlyText:
    """What a file of fixed form holds.

    Attributes:
        frame: columns ``measured_at`` (middle of the interval, UTC), the numbers, ``source_row``.
        rows_in: lines with data.
        rows_reported: lines left out, each with a finding.
        interval_min: length of an interval [min].
        typical: whether the file says it is a typical year.
        latitude_deg: north positive [deg].
        longitude_deg: east positive [deg].
        elevation_m: above sea level [m].
        utc_offset_min: standard time less UTC [min].
        place: name of the place as written.
        stated: yearly extremes stated in the head, None where there are none.
    """

    frame: pl.DataFrame
    rows_in: int
    rows_reported: int
    interval_min: float
    typical: bool
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    utc_offset_min: float
    place: str
    stated: StatedExtremes | None = None


@dataclass(slots=True)
class _Rows:
    times: list[datetime] = field(default_factory=list)
    values: list[list[float]] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)
    ragged: list[tuple[int, str]] = field(default_factory=list)
    untimed: list[tuple[int, str]] = field(default_factory=list)
    unread: dict[str, list[tuple[int, str]]] = field(default_factory=dict)
    rows_in: int = 0


def looks_like(text: str) -> str:
    """Tell whether a text begins as ``epw`` or ``tmy3`` does, else give an empty text."""
    head = text[:20_000].splitlines()[:2]
    if head and head[0].lstrip().upper().startswith("LOCATION,"):
        return "epw"
    if len(head) == 2 and head[1].lstrip().lower().startswith("date (mm/dd/yyyy),"):
        return "tmy3"
    return ""


def _number(text: str) -> float | None:
    """Give the number in a field, nan for an empty one, None for what is no number."""
    plain = text.strip()
    if not plain:
        return math.nan
    try:
        value = float(plain)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _add(kept: _Rows, row: int, moment: datetime, numbers: dict[str, str]) -> None:
    values: list[float] = []
    for name in VALUES:
        text = numbers.get(name, "")
        value = _number(text)
        if value is None:
            kept.unread.setdefault(name, []).append((row, text))
            value = math.nan
        values.append(value)
    kept.times.append(moment)
    kept.values.append(values)
    kept.rows.append(row)


def _report(kept: _Rows, log: FindingLog) -> None:
    log.rows(
        "row-fields",
        Verdict.FAIL,
        rows=[row for row, _ in kept.ragged],
        found=[text for _, text in kept.ragged],
        message="Line {row} holds too few fields for this kind of file: {found}",
        required="a whole line",
        remedy="Take the file again from its source.",
    )
    log.rows(
        "time-unreadable",
        Verdict.FAIL,
        rows=[row for row, _ in kept.untimed],
        found=[text for _, text in kept.untimed],
        message="Line {row} has a date or hour that does not exist: {found}",
        required="year, month, day and hour 1 to 24",
        remedy="Take the file again from its source.",
    )
    for name, listed in kept.unread.items():
        log.rows(
            "number-unreadable",
            Verdict.FAIL,
            rows=[row for row, _ in listed],
            found=[text for _, text in listed],
            message=f"Line {{row}} has no number for {name}: {{found}}",
            required="a number",
            remedy="Correct the value or leave it empty.",
            column=name,
        )


def _frame(kept: _Rows, log: FindingLog) -> pl.DataFrame:
    _report(kept, log)
    table = np.array(kept.values, dtype=np.float64).reshape(len(kept.values), len(VALUES))
    return pl.DataFrame(
        {"measured_at": pl.Series(kept.times, dtype=pl.Datetime("us"))}
        | {name: table[:, at] for at, name in enumerate(VALUES)}
        | {"source_row": pl.Series(kept.rows, dtype=pl.UInt32)}
    ).with_columns(pl.col("measured_at").dt.replace_time_zone("UTC"))


def _head_numbers(fields: Sequence[str], *, name: str, what: str) -> list[float]:
    """Latitude, longitude, hours from UTC, elevation, in this order as the caller puts them."""
    numbers = [_number(text) for text in fields]
    limits = ((-90.0, 90.0), (-180.0, 180.0), (-14.0, 14.0), (-500.0, 9000.0))
    good = [value for value in numbers if value is not None and math.isfinite(value)]
    if len(good) != len(limits) or any(
        not low <= value <= high for value, (low, high) in zip(good, limits, strict=True)
    ):
        raise InputFileError(
            "weather-place-unreadable",
            f"{name}, line 1: found {', '.join(fields) or 'nothing'}; required: latitude, "
            f"longitude, hours from UTC and elevation of the place, as {what} files hold them.",
            "Take the file again from its source.",
        )
    return good


def _epw_stated(line: str) -> StatedExtremes | None:
    fields = next(csv.reader([line]))
    marks = [at for at, text in enumerate(fields) if text.strip().casefold() == "extremes"]
    if not marks or len(fields) < marks[0] + 1 + _EXTREMES_FIELDS:
        return None
    numbers = [_number(text) for text in fields[marks[0] + 5 : marks[0] + 9]]
    low, high, low_sd, high_sd = (math.nan if one is None else one for one in numbers)
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        return None
    return StatedExtremes(
        document=fields[2].strip() if len(fields) > 2 else "",
        mean_min_c=low,
        mean_max_c=high,
        sd_min_k=low_sd,
        sd_max_k=high_sd,
    )


def _epw_moment(fields: Sequence[str], *, interval_min: float, offset: timedelta) -> datetime:
    year, month, day, hour, minute = (int(float(text)) for text in fields[:5])
    if not 1 <= hour <= 24:
        raise ValueError(f"hour {hour}")
    day_start = datetime(year, month, day)  # noqa: DTZ001
    if interval_min >= 60.0:
        end = day_start + timedelta(hours=hour)
    else:
        end = day_start + timedelta(hours=hour - 1, minutes=minute or 60)
    return end - timedelta(minutes=interval_min / 2.0) - offset


def parse_epw(text: str, *, name: str, log: FindingLog) -> HourlyText:
    """Give the hours of an EPW file; each value is the mean of the interval that ends then.

    Raises:
        InputFileError: the place is not stated or no line holds data.
    """
    lines = text.splitlines()
    place = next(csv.reader([lines[0]]))
    if len(place) < 10:
        _head_numbers([], name=name, what="EPW")
    latitude, longitude, zone_h, elevation = _head_numbers(place[6:10], name=name, what="EPW")
    heads = [line.split(",", 1)[0].strip().upper() for line in lines[:40]]
    if "DATA PERIODS" not in heads:
        raise InputFileError(
            "weather-head-incomplete",
            f"{name} has no line DATA PERIODS, behind which the hours begin.",
            "Take the file again from its source.",
        )
    start = heads.index("DATA PERIODS") + 1
    period = next(csv.reader([lines[start - 1]]))
    per_hour = _number(period[2]) if len(period) > 2 else None
    steps = int(per_hour) if per_hour is not None and per_hour >= 1.0 else 1
    interval = 60.0 / steps
    stated = next(
        (_epw_stated(li) for li, h in zip(lines, heads, strict=False) if h == "DESIGN CONDITIONS"),
        None,
    )
    kept = _Rows()
    offset = timedelta(hours=zone_h)
    for row, fields in enumerate(csv.reader(lines[start:]), start=start + 1):
        if not any(cell.strip() for cell in fields):
            continue
        kept.rows_in += 1
        if len(fields) < _EPW_LEAST:
            kept.ragged.append((row, ",".join(fields)))
            continue
        try:
            moment = _epw_moment(fields, interval_min=interval, offset=offset)
        except (ValueError, OverflowError):
            kept.untimed.append((row, ",".join(fields[:5])))
            continue
        numbers = {}
        for key, at in _EPW_FIELDS.items():
            value = _number(fields[at])
            missing = value is not None and value >= _EPW_MISSING[key]
            numbers[key] = "" if missing else fields[at]
        _add(kept, row, moment, numbers)
    return HourlyText(
        frame=_frame(kept, log),
        rows_in=kept.rows_in,
        rows_reported=len(kept.ragged) + len(kept.untimed),
        interval_min=interval,
        typical=bool(_TYPICAL.search(",".join(place[4:5]))),
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=elevation,
        utc_offset_min=60.0 * zone_h,
        place=", ".join(part.strip() for part in place[1:4] if part.strip(" -")),
        stated=stated,
    )


def _tmy3_moment(date: str, clock: str, offset: timedelta) -> datetime:
    month, day, year = (int(part) for part in date.split("/"))
    hour, minute = (int(part) for part in clock.split(":")[:2])
    if not (0 <= hour <= 24 and 0 <= minute < 60):
        raise ValueError(clock)
    end = datetime(year, month, day) + timedelta(hours=hour, minutes=minute)  # noqa: DTZ001
    return end - timedelta(minutes=30) - offset


def parse_tmy3(text: str, *, name: str, log: FindingLog) -> HourlyText:
    """Give the hours of a TMY3 file; each value is the mean of the hour that ends then.

    Raises:
        InputFileError: the place is not stated or a column is missing.
    """
    lines = text.splitlines()
    place = next(csv.reader([lines[0]]))
    if len(place) < 7:
        _head_numbers([], name=name, what="TMY3")
    latitude, longitude, zone_h, elevation = _head_numbers(
        [place[4], place[5], place[3], place[6]], name=name, what="TMY3"
    )
    headings = [cell.strip().casefold() for cell in next(csv.reader([lines[1]]))]
    lacking = [word for word in _TMY3_HEADINGS.values() if word not in headings]
    if lacking:
        raise InputFileError(
            "weather-head-incomplete",
            f"{name}, line 2 lacks the columns {', '.join(lacking)}.",
            "Take the file again from its source.",
        )
    where = {key: headings.index(word) for key, word in _TMY3_HEADINGS.items()}
    least = max(where.values()) + 1
    kept = _Rows()
    offset = timedelta(hours=zone_h)
    for row, fields in enumerate(csv.reader(lines[2:]), start=3):
        if not any(cell.strip() for cell in fields):
            continue
        kept.rows_in += 1
        if len(fields) < least:
            kept.ragged.append((row, ",".join(fields)))
            continue
        try:
            moment = _tmy3_moment(fields[0], fields[1], offset)
        except (ValueError, OverflowError):
            kept.untimed.append((row, ",".join(fields[:2])))
            continue
        numbers = {}
        for key, at in where.items():
            value = _number(fields[at])
            missing = value is not None and value <= _TMY3_MISSING_BELOW
            numbers[key] = "" if missing else fields[at]
        _add(kept, row, moment, numbers)
    return HourlyText(
        frame=_frame(kept, log),
        rows_in=kept.rows_in,
        rows_reported=len(kept.ragged) + len(kept.untimed),
        interval_min=60.0,
        typical=True,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=elevation,
        utc_offset_min=60.0 * zone_h,
        place=", ".join(part.strip() for part in place[1:3] if part.strip()),
    )
