"""Pallet numbers: one spelling for all of them, and the check digit of an SSCC."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray
from arraywright.errors import CallError

__all__ = [
    "check_sscc",
    "is_sscc",
    "marked_as_sscc",
    "normal_pallet",
    "sscc_check_digit",
    "sscc_fits",
]

SSCC_DIGITS: Final = 18
_SYMBOLOGY_PREFIX: Final = "]C1"


def normal_pallet(number: pl.Expr) -> pl.Expr:
    """Give pallet numbers in one spelling, so that note, label and flash list can be compared.

    Spaces are taken out and letters raised; a scanner's symbology prefix ``]C1``, the application
    identifier ``(00)`` and a bare ``00`` before eighteen digits are taken off. An empty number
    becomes null.

    Source: gs1-gen-specs 3.3.1
    """
    text = (
        number.cast(pl.String)
        .str.replace_all(r"\s+", "")
        .str.to_uppercase()
        .str.strip_prefix(_SYMBOLOGY_PREFIX)
        .str.strip_prefix("(00)")
    )
    bare = text.str.contains(r"^00[0-9]{18}$")
    text = pl.when(bare).then(text.str.slice(2)).otherwise(text)
    return pl.when(text != "").then(text)


def marked_as_sscc(number: pl.Expr) -> pl.Expr:
    """Tell whether numbers are written with the application identifier of an SSCC.

    That is ``(00)`` before anything, or ``00`` before eighteen digits.

    Source: gs1-gen-specs 3.3.1
    """
    raw = number.cast(pl.String).str.replace_all(r"\s+", "")
    return raw.str.contains(r"^(?i:\]c1)?(?:\(00\)|00[0-9]{18}$)")


def is_sscc(number: pl.Expr) -> pl.Expr:
    """Tell whether numbers, in any spelling, present themselves as an SSCC.

    That is when eighteen digits are left after ``normal_pallet``, or when the number is written
    with the application identifier ``(00)``, whatever follows it.

    Source: gs1-gen-specs 3.3.1
    """
    return marked_as_sscc(number) | normal_pallet(number).str.contains(r"^[0-9]{18}$")


def _weighted_sum(number: pl.Expr) -> pl.Expr:
    """Add the first 17 digits with weights 3, 1, 3 ... from the right."""
    total = pl.lit(0, dtype=pl.Int64)
    for place in range(SSCC_DIGITS - 1):
        weight = 3 if place % 2 == 0 else 1
        total = total + weight * number.str.slice(place, 1).cast(pl.Int64, strict=False)
    return total


def sscc_fits(number: pl.Expr) -> pl.Expr:
    """Tell whether numbers, in any spelling, are an SSCC whose check digit is right.

    Equation: check digit = (10 - sum(w_i d_i) mod 10) mod 10 over the seventeen digits before it,
    w = 3, 1, 3 ... counted from the right. Null and anything but eighteen digits is False.

    Source: gs1-gen-specs 7.9.1
    """
    text = normal_pallet(number)
    shaped = text.str.contains(r"^[0-9]{18}$")
    digits = pl.when(shaped).then(text)
    expected = (10 - _weighted_sum(digits) % 10) % 10
    found = digits.str.slice(SSCC_DIGITS - 1, 1).cast(pl.Int64, strict=False)
    return (expected == found).fill_null(value=False)


def check_sscc(numbers: pl.Series) -> BoolArray:
    """Tell for each number (n,) whether it is an SSCC with the right check digit.

    The application identifier, written ``(00)`` or ``00``, and spaces are tolerated; null is False.

    Source: gs1-gen-specs 7.9.1
    """
    frame = pl.DataFrame({"number": numbers.cast(pl.String)})
    fits = frame.select(sscc_fits(pl.col("number"))).to_series()
    return np.asarray(fits.to_numpy(), dtype=np.bool_)


def sscc_check_digit(digits: str) -> int:
    """Give the check digit of the first seventeen digits of an SSCC.

    Source: gs1-gen-specs 7.9.1

    Raises:
        CallError: not exactly seventeen digits.
    """
    if len(digits) != SSCC_DIGITS - 1 or not (digits.isascii() and digits.isdigit()):
        raise CallError(
            "bad-sscc-digits",
            f"Found {digits!r}, required seventeen digits.",
            "Give the number without its check digit and without the application identifier.",
        )
    frame = pl.DataFrame({"number": [digits]})
    total = frame.select(_weighted_sum(pl.col("number"))).to_series()[0]
    return int((10 - total % 10) % 10)
