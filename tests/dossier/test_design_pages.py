"""Plots and tables of the checks before building, whatever they hold."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.design import (
    HoursOutsideWindow,
    air_temperature_extremes,
    air_temperature_years,
    string_length_range,
)
from arraywright.dossier import Document, render_pdf
from arraywright.dossier.design_extremes import SiteExtremes, extreme_rows, extremes_blocks
from arraywright.dossier.design_lengths import (
    StringLengths,
    length_rows,
    string_length_blocks,
    string_length_plot,
)
from arraywright.dossier.design_report import subject_words
from arraywright.dossier.design_ticks import apart
from arraywright.dossier.words import significant
from tests.design.weather_cases import invented_years, typical_year
from tests.dossier.making import text_of

MADE = datetime(2026, 6, 17, 11, 0, tzinfo=UTC)


def _lengths(
    *,
    built: tuple[int, ...] = (26,),
    max_voltage_v: float = 1500.0,
    module_type: str = "ridge",
    hours: bool = True,
) -> StringLengths:
    voltages = {"voc_cold_v": 56.0, "vmp_cold_v": 48.0, "voc_hot_v": 44.0, "vmp_hot_v": 36.0}
    limits = {
        "max_system_voltage_v": 1500.0,
        "max_voltage_v": max_voltage_v,
        "mppt_min_v": 600.0,
        "mppt_max_v": 1400.0,
        "start_voltage_v": 650.0,
    }
    numbers = np.arange(max(1, min(built) - 4), max(built) + 5)
    zeros = np.zeros(len(numbers))
    found = HoursOutsideWindow(
        modules=numbers,
        below=zeros,
        above=zeros + 2.34,
        over=zeros + 1234.0,
        light=4000.0,
        highest_voc_v=zeros,
        lowest_vmp_v=zeros,
        assessed_ratio=1.0,
    )
    return StringLengths(
        module_type=module_type,
        inverter_type="dune",
        built=built,
        lengths=numbers,
        **voltages,
        **limits,
        system_voltage_limit_v=math.nan,
        bounds=string_length_range(**voltages, **limits),
        hours=found if hours else None,
        why_no_hours="" if hours else "No hours are known.",
        unknown=(),
    )


def _text(blocks: object) -> str:
    document = Document(
        title="T",
        site="S",
        made_at="then",
        made_by="it",
        blocks=tuple(blocks),  # type: ignore[arg-type]
    )
    return re.sub(r"\s+", " ", text_of(render_pdf(document, made_at=MADE)))


def test_built_lengths_and_their_neighbours_are_listed_once() -> None:
    """Two built lengths next to each other give four rows, with hours as people read them."""
    rows = length_rows(_lengths(built=(25, 26)))
    assert [row[1] for row in rows] == ["24", "25, built", "26, built", "27"]
    assert {row[4:] for row in rows} == {("2.3", "0", "1 234")}
    assert [row[1] for row in length_rows(_lengths(built=(1,)))] == ["1, built", "2"]


@pytest.mark.parametrize(
    ("held", "said"),
    [
        (_lengths(), "Allowed are 17 to 26 modules per string; built: 26."),
        (_lengths(max_voltage_v=1000.0), "Allowed are 17 modules per string; built: 26."),
        (
            _lengths(max_voltage_v=900.0),
            "No length fits: at least 17 modules are needed and at most 16 are allowed; built: 26.",
        ),
    ],
)
def test_the_range_is_said_in_words(held: StringLengths, said: str) -> None:
    """A range, one length and none at all are told apart."""
    assert said in _text(string_length_blocks([held]))


def test_hours_are_drawn_only_where_they_are_known() -> None:
    """Without weather the lower panel is absent and the reason stands there."""
    known, unknown = _lengths(), _lengths(hours=False)
    assert len(string_length_plot(known)) > len(string_length_plot(unknown))
    assert "No hours are known." in _text(string_length_blocks([unknown]))
    assert "Hours of a mean year" not in _text(string_length_blocks([unknown]))


@pytest.mark.parametrize("name", ["cost $5 and $6", "a_b^c", "<b>&</b>", "\\frac{1}{2}"])
def test_names_of_types_never_break_the_page(name: str) -> None:
    """A type may be called what people call it."""
    assert " on dune" in _text(string_length_blocks([_lengths(module_type=name)]))


def _extremes(*, typical: bool, **changed: object) -> SiteExtremes:
    weather = typical_year() if typical else invented_years(2001, 2012, mean_c=(10.0, 8.0))
    held = SiteExtremes(
        design_min_air_temp_c=-20.0,
        design_max_air_temp_c=36.0,
        basis="the weather service's 30 years",
        max_cell_temp_c=(("ridge", 66.0),),
        cell_basis="described",
        weather_files=("a.csv",),
        extremes=air_temperature_extremes(weather),
        years=air_temperature_years(weather),
        stated_mean_min_c=None,
        cells=None,
    )
    return replace(held, **changed)  # type: ignore[arg-type]


def test_a_typical_year_shows_no_yearly_minimum() -> None:
    """Only real years have a mean of yearly minima; one stated in a file's head is told as such."""
    typical = {row[0]: row[1:] for row in extreme_rows(_extremes(typical=True))}
    assert "Extreme annual mean minimum" not in typical
    assert typical["Lowest hour of all"] == ("-16.7", "weather files, a typical year")
    stated = extreme_rows(_extremes(typical=True, stated_mean_min_c=-14.2))
    assert ("Extreme annual mean minimum", "-14.2", "head of the weather file") in stated
    real = {row[0]: row[1] for row in extreme_rows(_extremes(typical=False))}
    # Minima of -5 and -7 degC in turn: mean -6, deviation of twelve values 1.0445 K; ASHRAE's
    # factor for once in 20 years is 1.8658, from its formula.
    assert real["Extreme annual mean minimum"] == "-6.0"
    assert real["Minimum once in 20 years"] == "-7.9"


def test_part_of_a_year_knows_no_hottest_month() -> None:
    """Weather of a winter tells its own extremes and no design value."""
    weather = invented_years(2001, 2001)
    winter = np.where(weather.time < np.datetime64("2001-03-01"), weather.air_temp_c, np.nan)
    weather = replace(weather, air_temp_c=winter)
    held = _extremes(
        typical=False,
        extremes=air_temperature_extremes(weather),
        years=air_temperature_years(weather),
    )
    rows = [row for row in extreme_rows(held) if row[2].startswith("weather files")]
    assert [row[0] for row in rows] == [
        *("Lowest hour of all", "Lowest hour in daylight", "Highest hour of all")
    ]
    assert {row[2] for row in rows} == {"weather files, no whole year"}
    assert "month by month" in _text(extremes_blocks(held))


def test_each_whole_year_stands_in_the_document() -> None:
    """Twelve years give twelve rows and their mean, a typical year none."""
    real = _text(extremes_blocks(_extremes(typical=False)))
    assert all(f" {year} -" in real for year in range(2001, 2013))
    assert "mean -6.0" in real
    typical = _text(extremes_blocks(_extremes(typical=True)))
    assert "Air temperature month by month" in typical
    assert "every whole year" not in typical


@pytest.mark.parametrize(
    ("subject", "said"),
    [
        ("block A", "block A"),
        ("block A; block B", "block A / B"),
        (
            "25 x a on b, class 545 W; 25 x a on c, class 545 W",
            "25 x a on b / c, class 545 W",
        ),
        (
            "25 x a on b, class 545 W; 27 x a on b, class 545 W",
            "25 / 27 x a on b, class 545 W",
        ),
        ("one; two", "one; two"),
        ("a b; a b c", "a b; a b c"),
        ("25 x a on b; 26 x a on b; and 7 more", "25 x a on b; 26 x a on b; and 7 more"),
    ],
)
def test_shared_words_of_subjects_are_said_once(subject: str, said: str) -> None:
    """What differs stands side by side; what cannot be folded stays as it is."""
    assert subject_words(subject) == said


@given(
    values=st.lists(st.floats(-1e3, 1e3), max_size=12).map(sorted),
    least=st.floats(0.1, 50.0),
)
@settings(max_examples=200)
def test_labels_are_moved_apart_and_keep_their_order(values: list[float], least: float) -> None:
    """No two labels overlap, and those that do not need to move stay."""
    places = apart(values, least=least)
    assert len(places) == len(values)
    assert all(np.diff(places) >= least * (1.0 - 1e-9) - 1e-9)
    if all(np.diff(values) >= least):
        assert places == pytest.approx(values)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (20000.0, "20 000"),
        (-15234.0, "-15 230"),
        (9999.0, "9999"),
        (0.00012346, "0.0001235"),
        (2.5e12, "2.5e+12"),
        (math.nan, "–"),
    ],
)
def test_large_numbers_are_written_out(value: float, said: str) -> None:
    """Four digits count, and a current of 20 000 A is no power of ten."""
    assert significant(value) == said
