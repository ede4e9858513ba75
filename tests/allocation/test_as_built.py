"""As-built lists against what was received: every contradiction found, nothing else."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.allocation.as_built import AsBuilt, check_as_built
from arraywright.findings import Verdict
from arraywright.plant import PLACEMENTS, Site
from tests.allocation.invented import Pallet, StringRow, make_site, make_stock, strings_frame

LENGTH = 4
STRINGS = ("A1", "A2", "B1")
SITE: Site = make_site(
    strings_frame(
        [
            StringRow(name="A1", modules=LENGTH, mppt_input="A"),
            StringRow(name="A2", modules=LENGTH, mppt_input="A"),
            StringRow(name="B1", modules=LENGTH, mppt_input="B"),
        ]
    )
)
STOCK = make_stock(
    [
        Pallet(name="P1", size=14, arrival=1),
        Pallet(name="P2", size=4, arrival=2, current_class="M"),
    ],
    seed=3,
).with_columns(usable=pl.lit(value=True), reason=pl.lit(""), pallet_verdict=pl.lit("accept"))
SERIALS = STOCK.filter(pl.col("pallet") == "P1")["serial"].to_list()
OTHERS = STOCK.filter(pl.col("pallet") == "P2")["serial"].to_list()


def _placements(rows: list[tuple[str, str, int]]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "serial": [serial for serial, _, _ in rows],
            "string": [string for _, string, _ in rows],
            "place_in_string": [place for _, _, place in rows],
            "placed_at": None,
            "person": "crew 1",
            "source_file": "as-built.csv",
            "source_row": np.arange(2, 2 + len(rows)),
        }
    ).cast(PLACEMENTS.schema)  # type: ignore[arg-type]


def _sound() -> list[tuple[str, str, int]]:
    places = [(string, place) for string in STRINGS for place in range(1, LENGTH + 1)]
    return [(serial, *place) for serial, place in zip(SERIALS, places, strict=False)]


def _check(rows: list[tuple[str, str, int]], modules: pl.DataFrame = STOCK) -> AsBuilt:
    return check_as_built(SITE, placements=_placements(rows), modules=modules)


def _keys(built: AsBuilt) -> set[str]:
    return {one.check for one in built.findings if one.verdict is Verdict.FAIL}


def test_sound_list_passes() -> None:
    """A list that agrees with everything gives one pass and no other finding."""
    built = _check(_sound())
    assert [one.verdict for one in built.findings] == [Verdict.PASS]
    assert built.placed.height == 3 * LENGTH


@pytest.mark.parametrize(
    ("row", "key"),
    [
        ((SERIALS[12], "Z9", 1), "as-built-string"),
        ((SERIALS[12], "B1", LENGTH + 1), "as-built-place"),
        ((SERIALS[12], "B1", 0), "as-built-place"),
        ((SERIALS[0], "B1", LENGTH), "as-built-serial-twice"),
        (("NOBODY-KNOWS-1", "B1", LENGTH), "as-built-serial-unknown"),
        ((OTHERS[0], "B1", LENGTH), "as-built-wrong-class"),
    ],
)
def test_each_contradiction_is_found_alone(row: tuple[str, str, int], key: str) -> None:
    """One wrong row gives its own finding and no other, with the row it stands in."""
    rows = [held for held in _sound() if held[1:] != row[1:]]
    built = _check([*rows, row])
    assert _keys(built) == {key}
    finding = next(one for one in built.findings if one.check == key)
    assert finding.place is not None
    assert finding.place.file == "as-built.csv"
    assert finding.remedy


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"pallet_verdict": "hold"}, "as-built-not-accepted"),
        ({"pallet_verdict": "refuse"}, "as-built-not-accepted"),
        ({"usable": False, "reason": "isc-above-imp"}, "as-built-set-aside"),
    ],
)
def test_module_that_was_not_accepted_is_told(change: dict[str, object], key: str) -> None:
    """A module built in from a held pallet, or one set aside, is told."""
    here = pl.col("serial") == SERIALS[5]
    modules = STOCK.with_columns(
        pl.when(here).then(pl.lit(value)).otherwise(pl.col(name)).alias(name)
        for name, value in change.items()
    )
    assert _keys(_check(_sound(), modules)) == {key}


def test_strings_of_two_classes_on_one_input_are_told() -> None:
    """An input whose strings are each of one class, but not the same, is told once."""
    rows = [
        (OTHERS[place - 1], string, place) if string == "A2" else (serial, string, place)
        for serial, string, place in _sound()
    ]
    built = _check(rows)
    assert _keys(built) == {"as-built-input-mixed"}
    assert [one.subject for one in built.findings] == ["A1, A2"]


def test_newest_list_counts_where_a_place_stands_twice() -> None:
    """A module exchanged later takes the place of the one before, without a contradiction."""
    built = _check([*_sound(), (SERIALS[12], "A1", 1)])
    held = built.placed.filter((pl.col("string") == "A1") & (pl.col("place_in_string") == 1))
    assert held["serial"].to_list() == [SERIALS[12]]
    assert _keys(built) == set()


@settings(max_examples=40, deadline=None)
@given(order=st.permutations(range(3 * LENGTH)))
def test_order_of_rows_changes_nothing(order: list[int]) -> None:
    """Which row stands first in a list without contradictions does not matter."""
    rows = _sound()
    built = _check([rows[index] for index in order])
    assert (
        built.placed.select("string", "place_in_string", "serial")
        .sort(pl.all())
        .equals(_check(rows).placed.select("string", "place_in_string", "serial").sort(pl.all()))
    )
