"""Pallet numbers and their check digit."""

from __future__ import annotations

import polars as pl
import pytest
from biip import ParseError
from biip.sscc import Sscc
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.delivery import check_sscc, is_sscc, normal_pallet, sscc_check_digit
from arraywright.errors import CallError
from tests.published_values import published

VALUES = published("gs1_sscc")


def _valid_elsewhere(number: str) -> bool:
    try:
        Sscc.parse(number)
    except ParseError:
        return False
    return True


def test_published_numbers_are_judged_as_published() -> None:
    """Every published number is valid or invalid as its document says."""
    valid = [row["number"] for row in VALUES["valid"]]
    invalid = [row["number"] for row in VALUES["invalid"]]
    assert check_sscc(pl.Series(valid)).tolist() == [True] * len(valid)
    assert check_sscc(pl.Series(invalid)).tolist() == [False] * len(invalid)


def test_the_digit_a_wrong_number_should_have_is_the_published_one() -> None:
    """A number published as wrong gets the check digit its document demands."""
    told = [row for row in VALUES["invalid"] if "required_digit" in row]
    assert told
    for row in told:
        assert sscc_check_digit(row["number"][:17]) == row["required_digit"]


@settings(deadline=None, max_examples=60)
@given(st.lists(st.text("0123456789", min_size=18, max_size=18), min_size=1, max_size=30))
def test_any_eighteen_digits_are_judged_as_by_another_library(numbers: list[str]) -> None:
    """Random numbers, and the same with the digit that makes them valid, agree with biip."""
    both = numbers + [number[:17] + str(sscc_check_digit(number[:17])) for number in numbers]
    assert check_sscc(pl.Series(both)).tolist() == [_valid_elsewhere(number) for number in both]


@settings(deadline=None, max_examples=60)
@given(
    st.text("0123456789", min_size=17, max_size=17),
    st.integers(0, 16),
    st.integers(1, 9),
)
def test_one_wrong_digit_is_always_noticed(body: str, place: int, step: int) -> None:
    """Weights 3 and 1 are prime to ten, so no single mistyped digit may pass."""
    number = body + str(sscc_check_digit(body))
    wrong = number[:place] + str((int(number[place]) + step) % 10) + number[place + 1 :]
    assert check_sscc(pl.Series([number, wrong])).tolist() == [True, False]


@pytest.mark.parametrize(
    "written",
    [
        "(00)376104250021234569",
        "(00) 3 7610425 002123456 9",
        "00376104250021234569",
        "]C100376104250021234569",
        "  376104250021234569\t",
        "3 7610425\u00a0002123456 9",
    ],
)
def test_spellings_of_one_sscc_are_one_pallet(written: str) -> None:
    """Application identifier, scanner prefix and spaces do not make another pallet."""
    frame = pl.DataFrame({"pallet": [written]})
    assert frame.select(normal_pallet(pl.col("pallet"))).item() == "376104250021234569"
    assert check_sscc(frame["pallet"]).tolist() == [True]
    assert frame.select(is_sscc(pl.col("pallet"))).item() is True


def test_a_makers_own_number_is_no_sscc() -> None:
    """Numbers that do not present themselves as an SSCC are compared but not checked."""
    frame = pl.DataFrame({"pallet": ["pal 0017", "12345678901234567", None, "", "00 12"]})
    judged = frame.select(
        normal_pallet(pl.col("pallet")).alias("normal"), is_sscc(pl.col("pallet")).alias("is")
    )
    assert judged["normal"].to_list() == ["PAL0017", "12345678901234567", None, None, "0012"]
    assert not judged["is"].fill_null(value=False).any()
    assert not check_sscc(frame["pallet"]).any()


def test_an_sscc_with_a_digit_lost_still_presents_itself() -> None:
    """Marked with (00) but short by a digit: it is meant as an SSCC, and it is wrong."""
    frame = pl.DataFrame({"pallet": ["(00)37610425002123456"]})
    assert frame.select(is_sscc(pl.col("pallet"))).item() is True
    assert check_sscc(frame["pallet"]).tolist() == [False]


@pytest.mark.parametrize("digits", ["", "1", "3761042500212345x", "376104250021234569"])
def test_a_check_digit_needs_seventeen_digits(digits: str) -> None:
    """Anything but seventeen digits is a mistake of the caller."""
    with pytest.raises(CallError, match="seventeen"):
        sscc_check_digit(digits)
