"""Tables in a window: words are folded, numbers and verdicts never."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from arraywright.cli.output import _draw_table
from arraywright.procedures.report import ReportTable

ROWS = [
    (
        "String open-circuit voltage in the cold against the module's greatest system voltage",
        "25 x quarry540 on string_inverter / central, class 545 W",
        "1386.123",
        "1500",
        "113.877",
        "kWh/kW",
        "not assessable",
    ),
    ("Clear width between rows", "block A / B", "8.853", "1", "7.853", "m", "pass"),
]


def _drawn(width: int) -> list[str]:
    out = io.StringIO()
    table = ReportTable(
        title="Checks",
        headings=("Check", "Of", "Value of it", "Limit", "Margin", "Unit", "Verdict"),
        rows=ROWS,
        align=("left", "left", "right", "right", "right", "left", "left"),
        verdict_column=6,
    )
    _draw_table(Console(file=out, width=width, color_system=None), table)
    return [line.rstrip() for line in out.getvalue().splitlines()]


@pytest.mark.parametrize("width", [90, 100, 120, 300])
def test_numbers_and_verdicts_stay_whole(width: int) -> None:
    """In a window of usual width every number and verdict stands on the first line of its row."""
    lines = _drawn(width)
    assert max(map(len, lines)) <= width
    first = next(line for line in lines if "1386.123" in line)
    assert first.split("1386.123")[1].split() == [
        *("1500", "113.877", "kWh/kW", "○", "not", "assessable"),
    ]
    assert any(
        line.split()[-7:] == ["B", "8.853", "1", "7.853", "m", "●", "pass"] for line in lines
    )


@pytest.mark.parametrize("width", [90, 120])
def test_folded_words_are_all_there(width: int) -> None:
    """Folding loses no word of what is checked."""
    left = " ".join(line[: line.find("1386") if "1386" in line else None] for line in _drawn(width))
    for word in f"{ROWS[0][0]} {ROWS[0][1]}".split():
        assert word in left


@pytest.mark.parametrize("width", [20, 40, 60])
def test_a_narrow_window_still_shows_every_column(width: int) -> None:
    """Where there is no room beside the numbers the table is drawn all the same."""
    assert max(map(len, _drawn(width))) <= width


def test_a_table_that_fits_is_not_folded() -> None:
    """Each row of a wide window is one line."""
    lines = _drawn(300)
    assert ROWS[0][0] in next(line for line in lines if "1386.123" in line)
