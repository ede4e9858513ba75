"""What comes of turning one column of texts into values, and the texts themselves."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, IntArray
from arraywright.findings import Verdict

__all__ = ["Converted", "Note", "Problem", "as_texts", "convert_text", "indices"]

_UNCLEAN: Final = (
    r"^[\s'=\"]|\s$|[\x00-\x1f\x7f\u00a0\u00ad\u200b-\u200f\u202a-\u202f\u2060\u2066-\u2069\ufeff]"
)
_INVISIBLE: Final = r"[\u00ad\u200b-\u200f\u202a-\u202e\u2060\u2066-\u2069\ufeff]"
_MISSING: Final = (
    r"(?i)^(?:-{1,3}|–|—|n/?a|n\.a\.|n\.v\.|#n/a|#nv|null|none|nan|<na>|k\.?a\.?|s/?d|\?+)$"
)
_BROKEN_CELL: Final = r"(?i)^#(?:ref|value|wert|name|div/0|num|zahl|null|valor|bezug|nombre)[!?]?$"
_SCIENTIFIC: Final = r"^\d(?:[.,]\d+)?[eE]\+?\d{2}$"
_LONG_DIGITS: Final = r"^[1-9]\d{15,19}$"
_FEW: Final = 3
_USUAL_SHARE: Final = 0.3
_SSCC_LENGTH: Final = 18
_LOST_DIGITS: Final = r"^[1-9]\d{14}0+$"


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """Values of a column that cannot be used as they stand.

    Attributes:
        check: key of the check.
        at: positions in the column, ascending.
        message: sentence with ``{row}`` and ``{found}``.
        required: what is required there.
        remedy: what to do.
        lost: the value is not used (null); False when it is used and only to be looked at.
        verdict: verdict of an optional value; a lost required value always fails.
    """

    check: str
    at: IntArray
    message: str
    required: str
    remedy: str
    lost: bool = True
    verdict: Verdict = Verdict.REVIEW


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something about the column as a whole that the person should know."""

    check: str
    message: str
    remedy: str
    found: str = ""
    verdict: Verdict = Verdict.REVIEW


@dataclass(frozen=True, slots=True, kw_only=True)
class Converted:
    """A column as values, with what could not be converted.

    Attributes:
        values: values, null where missing or lost.
        problems: values that cannot be used, or are to be looked at.
        notes: what was assumed about the column.
    """

    values: pl.Series
    problems: tuple[Problem, ...] = ()
    notes: tuple[Note, ...] = field(default=())


def indices(mask: pl.Series) -> IntArray:
    """Give the positions at which a mask is true."""
    found: BoolArray = mask.fill_null(value=False).to_numpy()
    return np.flatnonzero(found).astype(np.int64)


def as_texts(series: pl.Series) -> pl.Series:
    """Give a column of any kind as clean texts: trimmed, invisible characters gone, empty null."""
    if series.dtype != pl.String:
        if series.dtype == pl.Binary:
            series = series.cast(pl.String, strict=False)
        elif series.dtype.is_float():
            whole = series.cast(pl.Int64, strict=False)
            same = (whole.cast(pl.Float64) == series.cast(pl.Float64)).fill_null(value=False)
            as_whole = whole.cast(pl.String)
            series = as_whole.zip_with(same, series.cast(pl.String))
        elif series.dtype.is_nested() or series.dtype == pl.Object:
            series = pl.Series(series.name, [None] * len(series), dtype=pl.String)
        else:
            series = series.cast(pl.String, strict=False)
    if series.str.contains(_UNCLEAN).any():
        series = (
            series.str.replace_all(_INVISIBLE, "")
            .str.replace_all(r"[\x00-\x1f\x7f\u00a0\u202f]+", " ")
            .str.strip_chars()
            .str.replace(r'^="(.*)"$', "$1")
            .str.replace(r"^'([^']*)$", "$1")
            .str.strip_chars()
        )
    missing = series.str.contains(_MISSING) | (series.str.len_bytes() == 0)
    if missing.any():
        series = series.set(missing.fill_null(value=False), None)
    return series


def _check_digit_holds(text: str) -> bool:
    digits = [int(c) for c in text]
    weighted = sum(d * (3 if i % 2 == 0 else 1) for i, d in enumerate(reversed(digits[:-1])))
    return (10 - weighted % 10) % 10 == digits[-1]


def _lost_digits(texts: pl.Series, *, from_cells: bool, sscc: bool) -> IntArray:
    """Find long numbers whose last digits a spreadsheet has replaced.

    A spreadsheet keeps 15 digits: the rest are zeros in its exports, and in its own cells the
    number is exactly a double, which one long number in 64 is by chance. So values that look
    like that are destroyed when more than three in ten of the column's long numbers do, or
    singly when the check digit of a pallet's SSCC does not hold either.
    """
    long = indices(texts.str.contains(_LONG_DIGITS))
    if not len(long):
        return long
    held = texts.gather(long)
    suspect: BoolArray = held.str.contains(_LOST_DIGITS).to_numpy().astype(np.bool_)
    if from_cells:
        whole = held.cast(pl.Int64, strict=False)
        back = held.cast(pl.Float64, strict=False).cast(pl.Int64, strict=False)
        suspect |= (whole == back).fill_null(value=False).to_numpy()
    if not suspect.any():
        return long[:0]
    if len(long) >= _FEW and suspect.mean() > _USUAL_SHARE:
        return long[suspect]
    if not sscc:
        return long[:0]
    some = held.filter(pl.Series(suspect)).to_list()
    fails = [len(text) == _SSCC_LENGTH and not _check_digit_holds(text) for text in some]
    return long[suspect][np.array(fails, dtype=np.bool_)]


def convert_text(
    series: pl.Series, *, thorough: bool, from_cells: bool = False, sscc: bool = False
) -> Converted:
    """Clean a text column and find identities that a spreadsheet has destroyed.

    Args:
        series: the column as read.
        thorough: also look for long numbers whose last digits were lost.
        from_cells: the texts were cells of a workbook.
        sscc: long numbers are serial shipping container codes with a GS1 check digit.
    """
    texts = as_texts(series)
    problems: list[Problem] = []
    broken = indices(texts.str.contains(_BROKEN_CELL))
    if len(broken):
        problems.append(
            Problem(
                check="value-broken",
                at=broken,
                message="Row {row} holds the error {found} of a spreadsheet instead of a value.",
                required="the value itself",
                remedy="Mend the formula in the spreadsheet and export the file again.",
            )
        )
    destroyed = indices(texts.str.contains(_SCIENTIFIC))
    if thorough and not len(destroyed):
        destroyed = _lost_digits(texts, from_cells=from_cells, sscc=sscc)
    if len(destroyed):
        problems.append(
            Problem(
                check="digits-destroyed",
                at=destroyed,
                message=(
                    "Row {row} holds {found}: a spreadsheet has turned a long number into a "
                    "rounded one, its last digits are lost."
                ),
                required="all digits, written as text",
                remedy=(
                    "Ask for the file as it came from its maker, or import it with this column "
                    "set to text."
                ),
                verdict=Verdict.FAIL,
            )
        )
    for problem in problems:
        texts = texts.scatter(problem.at, None)
    return Converted(values=texts, problems=tuple(problems))
