"""Moments and days as people write them, whole columns at a time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray
from arraywright.findings import Verdict
from arraywright.readers.results import DateOrder
from arraywright.readers.values import Converted, Note, Problem, as_texts
from arraywright.tables import Column

__all__ = ["TimeHabits", "convert_time", "join_date_and_clock"]

_PARTS: Final = (
    r"^(?:\p{L}{2,12}\.?,?\s+)?"
    r"(?P<a>\d{1,4})(?P<mark>[./-])\s?(?P<b>\d{1,2})[./-]\s?(?P<c>\d{1,4})"
    r"(?:(?:T|[ ,;]\s*)\s*(?P<h>\d{1,2})[:.hH](?P<m>\d{2})(?:[:.](?P<s>\d{2})"
    r"(?:[.,](?P<f>\d{1,9}))?)?\s*(?P<half>[AaPp]\.?\s?[Mm]\.?)?)?"
    r"\s*(?:Uhr|h|hrs?)?\s*(?P<zone>Z|z|UTC|GMT|[+-]\d{2}(?::?\d{2})?)?$"
)
_COMPACT: Final = r"^((?:19|20)\d{2})(\d{2})(\d{2})(?:[T _-]?(\d{2})(\d{2})(\d{2})?)?(Z)?$"
_SERIAL: Final = r"^[3-7]\d{4}(?:[.,]\d+)?$"
_MONTHS: Final = {
    "january|januar|jänner|enero|jan|ene": 1,
    "february|februar|febrero|feb": 2,
    "march|märz|maerz|marzo|mar|mrz|mär": 3,
    "april|abril|apr|abr": 4,
    "may|mai|mayo": 5,
    "june|juni|junio|jun": 6,
    "july|juli|julio|jul": 7,
    "august|agosto|aug|ago": 8,
    "september|septiembre|setiembre|sept|sep|set": 9,
    "october|oktober|octubre|oct|okt": 10,
    "november|noviembre|nov": 11,
    "december|dezember|diciembre|dec|dez|dic": 12,
}
_FIRST_YEAR: Final = 1990
_LAST_YEAR: Final = 2100
_COMMON_FORMS: Final[tuple[tuple[str, str, DateOrder | None], ...]] = (
    (r"^\d{4}-\d\d-\d\d \d\d:\d\d:\d\d$", "%Y-%m-%d %H:%M:%S", None),
    (r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d$", "%Y-%m-%dT%H:%M:%S", None),
    (r"^\d\d\.\d\d\.\d{4} \d\d:\d\d:\d\d$", "%d.%m.%Y %H:%M:%S", "day_first"),
)
_EPOCH_1900: Final = pl.date(1899, 12, 30)


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeHabits:
    """What is known about how a file writes times.

    Attributes:
        time_zone: IANA zone of local times.
        order: order named by a mapping file, None to find out.
        language: language of the headings.
        decimal_comma: whether numbers carry a decimal comma.
    """

    time_zone: str
    order: DateOrder | None = None
    language: str = ""
    decimal_comma: bool = False


def _month_names(texts: pl.Series) -> pl.Series:
    """Write months given by name as numbers: ``12 Mar 2026`` becomes ``2026-03-12``."""
    named = texts.str.contains(r"\p{L}{3,}").fill_null(value=False)
    if not named.any():
        return texts
    plain = texts
    for names, number in _MONTHS.items():
        word = rf"(?:{names})"
        rest = r"(?:(?:,|\s)\s*(.*))?$"
        plain = plain.str.replace(
            rf"(?i)^(?:\p{{L}}+\.?,?\s+)?(\d{{1,2}})(?:st|nd|rd|th)?[.\s-]*(?:de\s+)?"
            rf"{word}[.\s-]*(?:de\s+|del\s+)?((?:19|20)\d{{2}}){rest}",
            f"${{2}}-{number:02d}-${{1}} $3",
        )
        plain = plain.str.replace(
            rf"(?i)^(?:\p{{L}}+\.?,?\s+)?{word}[.\s-]*(\d{{1,2}})(?:st|nd|rd|th)?,?"
            rf"\s*((?:19|20)\d{{2}}){rest}",
            f"${{2}}-{number:02d}-${{1}} $3",
        )
    return plain.str.strip_chars()


def _serial_texts(texts: pl.Series) -> pl.Series:
    """Write the day numbers of a spreadsheet as ISO texts."""
    serial = texts.str.contains(_SERIAL).fill_null(value=False)
    if not serial.any():
        return texts
    days = texts.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    frame = pl.DataFrame({"days": days})
    micros = (pl.col("days") * 86_400.0e3).round().cast(pl.Int64) * 1_000
    iso = frame.select(
        (_EPOCH_1900.cast(pl.Datetime("us")) + pl.duration(microseconds=micros)).dt.strftime(
            "%Y-%m-%d %H:%M:%S%.3f"
        )
    ).to_series()
    iso = iso.str.replace(r"\.000$", "")
    whole = (days == days.floor()).fill_null(value=False)
    iso = iso.str.slice(0, 10).zip_with(whole, iso)
    return iso.zip_with(serial, texts)


def join_date_and_clock(dates: pl.Series, clocks: pl.Series) -> pl.Series:
    """Join a column of dates and a column of times of day into texts of moments."""
    if dates.dtype.is_temporal():
        dates = dates.cast(pl.Date).cast(pl.String)
    if clocks.dtype.is_temporal():
        clocks = clocks.cast(pl.Time).cast(pl.String).str.replace(r"\.0+$", "")
    days = _serial_texts(as_texts(dates))
    days = days.str.replace(r"[T ]00:00(?::00(?:\.0+)?)?$", "")
    hours = as_texts(clocks).str.replace(r"^(?:1899-12-3[01]|1900-01-0[01])[T ]", "")
    fraction = hours.str.contains(r"^(?:0?[.,]\d+|0|1)$").fill_null(value=False)
    if fraction.any():
        part = hours.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
        seconds = (part * 86_400.0).round().cast(pl.Int64)
        frame = pl.DataFrame({"s": seconds})
        clock = frame.select(
            pl.format(
                "{}:{}:{}",
                (pl.col("s") // 3600).cast(pl.String).str.zfill(2),
                (pl.col("s") // 60 % 60).cast(pl.String).str.zfill(2),
                (pl.col("s") % 60).cast(pl.String).str.zfill(2),
            )
        ).to_series()
        hours = clock.zip_with(fraction, hours)
    return days + " " + hours


@dataclass(frozen=True, slots=True, kw_only=True)
class _Order:
    order: DateOrder | None
    assumed: bool = False
    mixed: bool = False


def _find_order(parts: pl.DataFrame, habits: TimeHabits) -> _Order:
    """Find the order of day and month from every date of the column."""
    dated = parts.filter(pl.col("a").is_not_null() & (pl.col("a").str.len_bytes() < 3))
    if dated.is_empty():
        return _Order(order=None)
    if habits.order is not None:
        return _Order(order=habits.order)
    first = dated["a"].cast(pl.Int64)
    second = dated["b"].cast(pl.Int64)
    day_first = int((first > 12).sum())
    month_first = int((second > 12).sum())
    if day_first or month_first:
        order: DateOrder = "day_first" if day_first >= month_first else "month_first"
        return _Order(order=order, mixed=bool(day_first and month_first))
    if (dated["mark"] == ".").all():
        return _Order(order="day_first")
    assumed = bool((first != second).any())
    american = habits.time_zone.startswith(("America/", "US/"))
    if habits.language in ("de", "es") or habits.decimal_comma or not american:
        return _Order(order="day_first", assumed=assumed)
    return _Order(order="month_first", assumed=assumed)


def _naive(parts: pl.DataFrame, order: DateOrder | None) -> pl.Series:
    """Put the parts together to local moments, null where they are no date."""
    year_first = pl.col("a").str.len_bytes() >= 3
    if order == "year_first":
        year_first = pl.lit(value=True)
    day, month = ("a", "b") if order != "month_first" else ("b", "a")
    year_text = pl.when(year_first).then(pl.col("a")).otherwise(pl.col("c"))
    month_text = pl.when(year_first).then(pl.col("b")).otherwise(pl.col(month))
    day_text = pl.when(year_first).then(pl.col("c")).otherwise(pl.col(day))
    year = pl.when(year_text.str.len_bytes() == 2).then("20" + year_text).otherwise(year_text)
    hour = pl.col("h").cast(pl.Int64, strict=False).fill_null(0)
    half = pl.col("half").str.to_lowercase().str.slice(0, 1)
    hour = (
        pl.when(half.is_null())
        .then(hour)
        .when((hour < 1) | (hour > 12))
        .then(99)
        .otherwise(hour % 12 + pl.when(half == "p").then(12).otherwise(0))
    )
    text = pl.format(
        "{}-{}-{} {}:{}:{}.{}",
        year.str.zfill(4),
        month_text.str.zfill(2),
        day_text.str.zfill(2),
        hour.cast(pl.String).str.zfill(2),
        pl.col("m").fill_null("00"),
        pl.col("s").fill_null("00"),
        pl.col("f").fill_null("0").str.pad_end(6, "0").str.slice(0, 6),
    )
    moments = parts.select(
        text.str.to_datetime("%Y-%m-%d %H:%M:%S%.f", time_unit="us", strict=False).alias("t")
    )
    fit = pl.col("t").dt.year().is_between(_FIRST_YEAR, _LAST_YEAR)
    return moments.select(pl.when(fit).then(pl.col("t"))).to_series()


def _offset_minutes(zone: pl.Series) -> pl.Series:
    """Give minutes east of UTC for offsets as written, null where there is none."""
    digits = zone.str.replace(":", "", literal=True)
    named = zone.str.contains(r"^(?:Z|z|UTC|GMT)$")
    hours = digits.str.slice(1, 2).cast(pl.Int64, strict=False)
    minutes = digits.str.slice(3, 2).cast(pl.Int64, strict=False).fill_null(0)
    sign = pl.select(pl.when(digits.str.starts_with("-")).then(-1).otherwise(1)).to_series()
    total = sign * (hours * 60 + minutes)
    east = total.set((total.abs() > 14 * 60).fill_null(value=False), 99_999)
    return east.set(named.fill_null(value=False), 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Zoned:
    utc: pl.Series
    missing_hour: BoolArray
    doubled_hour: BoolArray


def _to_utc(local: pl.Series, east_min: pl.Series | None, time_zone: str) -> _Zoned:
    """Bring local moments to UTC; moments that a clock change skips are null."""
    frame = pl.DataFrame({"t": local})
    if east_min is None:
        frame = frame.with_columns(pl.lit(None, dtype=pl.Int64).alias("e"))
    else:
        frame = frame.with_columns(east_min.alias("e"))
    zoned = frame.select(
        "t",
        "e",
        pl.col("t")
        .dt.replace_time_zone(time_zone, non_existent="null", ambiguous="earliest")
        .dt.convert_time_zone("UTC")
        .alias("early"),
        pl.col("t")
        .dt.replace_time_zone(time_zone, non_existent="null", ambiguous="latest")
        .dt.convert_time_zone("UTC")
        .alias("late"),
        (pl.col("t") - pl.duration(minutes=pl.col("e"))).dt.replace_time_zone("UTC").alias("given"),
    )
    local_only = pl.col("e").is_null() & pl.col("t").is_not_null()
    out = zoned.select(
        pl.when(local_only).then(pl.col("early")).otherwise(pl.col("given")).alias("utc"),
        (local_only & pl.col("early").is_null()).alias("skipped"),
        (local_only & (pl.col("early") != pl.col("late"))).fill_null(value=False).alias("twice"),
        (pl.col("e") == 99_999).fill_null(value=False).alias("bad"),
    )
    utc = out["utc"].set(out["bad"], None)
    return _Zoned(
        utc=utc.cast(pl.Datetime("us", "UTC")),
        missing_hour=out["skipped"].to_numpy(),
        doubled_hour=out["twice"].to_numpy(),
    )


def _split(texts: pl.Series) -> pl.DataFrame:
    prepared = _serial_texts(_month_names(texts))
    compact = prepared.str.contains(_COMPACT).fill_null(value=False)
    if compact.any():
        spread = prepared.str.replace(_COMPACT, "$1-$2-$3 $4:$5:$6$7")
        spread = spread.str.replace(r" ::$", "").str.replace(r" ::Z$", "").str.replace(r":$", "")
        prepared = spread.zip_with(compact, prepared)
    return prepared.str.extract_groups(_PARTS).struct.unnest()


def _at(mask: BoolArray) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.flatnonzero(mask).astype(np.int64)


def _time_problems(
    unreadable: BoolArray, zoned: _Zoned | None, column: Column, time_zone: str
) -> list[Problem]:
    kind = "a day" if column.kind == "date" else "a moment (date and time of day)"
    problems = [
        Problem(
            check="time-unreadable",
            at=_at(unreadable),
            message="Row {row} holds {found}, which is not " + kind + ".",
            required=f"{kind}, for example 2026-03-12 10:15:00",
            remedy="Correct the value in the file.",
        )
    ]
    if zoned is not None:
        problems += [
            Problem(
                check="time-does-not-exist",
                at=_at(zoned.missing_hour),
                message=(
                    "Row {row} holds {found}, which the clocks of "
                    f"{time_zone} skip at their change."
                ),
                required="a local time that exists, or one with its offset from UTC",
                remedy="Find out how the instrument's clock was set and correct the time.",
            ),
            Problem(
                check="time-doubled",
                at=_at(zoned.doubled_hour),
                message=(
                    "Row {row} holds {found}, which the clocks of "
                    f"{time_zone} show twice at their change: the earlier is taken."
                ),
                required="a local time that is clear, or one with its offset from UTC",
                remedy="Write the time with its offset from UTC.",
                lost=False,
            ),
        ]
    return [problem for problem in problems if len(problem.at)]


def _order_notes(found: _Order, heading: str, example: str) -> list[Note]:
    if found.order is None or not (found.assumed or found.mixed):
        return []
    words = {"day_first": "day first", "month_first": "month first", "year_first": "year first"}
    why = (
        "some dates are day first and some month first; most are taken, the others reported"
        if found.mixed
        else "no date says which number is the day"
    )
    return [
        Note(
            check="date-order",
            message=(
                f"The dates under {heading} are taken {words[found.order]} "
                f"(for example {example}): {why}."
            ),
            remedy="Write dates as 2026-03-12, or name date_order in a mapping file.",
            found=example,
        )
    ]


def _typed(series: pl.Series, column: Column, habits: TimeHabits) -> Converted | None:
    """Read a column that already holds days or moments."""
    if column.kind == "date":
        if series.dtype == pl.Date or isinstance(series.dtype, pl.Datetime):
            return Converted(values=series.cast(pl.Date))
        return None
    if series.dtype == pl.Date:
        series = series.cast(pl.Datetime("us"))
    if not isinstance(series.dtype, pl.Datetime):
        return None
    if series.dtype.time_zone is not None:
        return Converted(values=series.dt.convert_time_zone("UTC").cast(pl.Datetime("us", "UTC")))
    zoned = _to_utc(series.cast(pl.Datetime("us")), None, habits.time_zone)
    empty = np.zeros(len(series), dtype=np.bool_)
    problems = _time_problems(empty, zoned, column, habits.time_zone)
    return Converted(values=zoned.utc, problems=tuple(problems))


def _fast(texts: pl.Series, order: DateOrder | None) -> tuple[pl.Series, DateOrder | None] | None:
    """Read a whole column of one common form at full speed, None if it is not one.

    Dates with dots that are all possible day first are day first, as the trade writes them.
    """
    head = texts.drop_nulls().head(1)
    if head.is_empty():
        return None
    for pattern, form, found in _COMMON_FORMS:
        if not head.str.contains(pattern).all() or (found and order not in (None, found)):
            continue
        read = texts.str.to_datetime(form, time_unit="us", strict=False)
        fit = read.dt.year().is_between(_FIRST_YEAR, _LAST_YEAR).all(ignore_nulls=True)
        if read.null_count() == texts.null_count() and fit:
            return read, found
    return None


def convert_time(
    series: pl.Series, *, column: Column, habits: TimeHabits, heading: str = ""
) -> tuple[Converted, DateOrder | None]:
    """Read a column of moments (UTC) or days; give the order of day and month it was read in.

    ISO texts with an offset or Z are as they say; all other moments are local times of
    ``habits.time_zone``. The order of day and month is found over the whole column. Two-digit
    years are of this century; years outside 1990 to 2100 are not dates. A day without time of
    day is no moment where the moment is required; elsewhere it is taken as its midnight.
    """
    typed = _typed(series, column, habits)
    if typed is not None:
        return typed, None
    texts = as_texts(series)
    fast = _fast(texts, habits.order) if column.kind == "time" else None
    if fast is not None:
        zoned = _to_utc(fast[0], None, habits.time_zone)
        none = np.zeros(len(texts), dtype=np.bool_)
        problems = _time_problems(none, zoned, column, habits.time_zone)
        return Converted(values=zoned.utc, problems=tuple(problems)), fast[1]
    parts = _split(texts)
    found = _find_order(parts, habits)
    local = _naive(parts, found.order)
    present = texts.is_not_null().to_numpy()
    example = str(texts.drop_nulls().head(1).item()) if present.any() else ""
    notes = _order_notes(found, heading, example)
    if column.kind == "date":
        days = local.cast(pl.Date)
        unreadable = present & days.is_null().to_numpy()
        problems = _time_problems(unreadable, None, column, habits.time_zone)
        return Converted(values=days, problems=tuple(problems), notes=tuple(notes)), found.order
    bare = parts["h"].is_null().to_numpy() & local.is_not_null().to_numpy()
    if bare.any() and column.required:
        local = local.set(pl.Series(bare), None)
    elif bare.any():
        notes.append(
            Note(
                check="time-of-day-missing",
                message=(
                    f"{int(bare.sum()):,} values under {heading} give a day without time of day: "
                    "taken as its midnight."
                ),
                remedy="Nothing to do unless the time of day matters.",
                found=example,
                verdict=Verdict.REVIEW,
            )
        )
    zoned = _to_utc(local, _offset_minutes(parts["zone"]), habits.time_zone)
    unreadable = present & zoned.utc.is_null().to_numpy() & ~zoned.missing_hour
    problems = _time_problems(unreadable, zoned, column, habits.time_zone)
    return Converted(values=zoned.utc, problems=tuple(problems), notes=tuple(notes)), found.order
