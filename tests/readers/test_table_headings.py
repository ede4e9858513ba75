"""Headings and units: the trade's spellings find their column, and no unit is guessed."""

from __future__ import annotations

from pathlib import Path

import pytest
from scipy import constants

from arraywright.commissioning.tables import INSTRUMENTS, STRING_READINGS
from arraywright.delivery.tables import DELIVERY_NOTE, FLASH_LIST, ORDER
from arraywright.findings import Verdict
from arraywright.readers.headings import heading_key, match_headings, spellings, vocabulary
from arraywright.readers.quantities import conversion
from arraywright.tables import TableSpec
from tests.readers.table_corpus import (
    ALL_SPECS,
    DELIVERY,
    FLASH_HEADINGS,
    csv_text,
    flash_rows,
    flashes,
    of_check,
    read_text,
)


@pytest.mark.parametrize("spec", ALL_SPECS, ids=lambda spec: spec.kind)
def test_every_column_is_known_in_three_languages(spec: TableSpec) -> None:
    """Each column of each table has spellings in English, German and Spanish."""
    for column in spec.columns:
        languages = {language for language, _ in spellings(spec.kind, column.name)}
        assert {"en", "de", "es"} <= languages, column.name


@pytest.mark.parametrize("spec", ALL_SPECS, ids=lambda spec: spec.kind)
def test_no_spelling_means_two_columns_of_one_table(spec: TableSpec) -> None:
    """A spelling that meant two columns of one table would be a guess."""
    owner: dict[str, str] = {}
    for column in spec.columns:
        for _, word in spellings(spec.kind, column.name):
            assert owner.setdefault(heading_key(word), column.name) == column.name, word


@pytest.mark.parametrize(
    ("heading", "spec", "column"),
    [
        ("SERIAL-NO.", FLASH_LIST, "serial"),
        ("Serial #", FLASH_LIST, "serial"),
        ("serialNumber", FLASH_LIST, "serial"),
        ("Nº DE SERIE", FLASH_LIST, "serial"),
        ("Modul-Seriennummer", FLASH_LIST, "serial"),
        ("P max\n(W)", FLASH_LIST, "pmax_w"),
        ("Pmax @STC [W]", FLASH_LIST, "pmax_w"),
        ("Leistung in Watt", FLASH_LIST, "pmax_w"),
        ("Leistung", ORDER, "power_class_w"),
        ("Fuellfaktor", FLASH_LIST, "fill_factor_ratio"),
        ("Kurzschlußstrom Isc (A)", FLASH_LIST, "isc_a"),
        ("TENSION DE CIRCUITO ABIERTO", FLASH_LIST, "voc_v"),
        ("Riso +", STRING_READINGS, "riso_pos_megohm"),
        ("Riso (-) [MOhm]", STRING_READINGS, "riso_neg_megohm"),
        ("R iso − [GΩ]", STRING_READINGS, "riso_neg_megohm"),
        ("Isolation minus gegen Erde", STRING_READINGS, ""),
        ("Albarán nº", DELIVERY_NOTE, "delivery_note"),
        ("Kalibrierung gültig bis", INSTRUMENTS, "calibration_due_on"),
    ],
)
def test_spellings_as_met_on_site(heading: str, spec: TableSpec, column: str) -> None:
    """Case, accents, umlauts, line breaks, signs and units do not hide a column."""
    match = match_headings(vocabulary(spec), [heading])
    assert list(match.columns) == ([column] if column else [])


@pytest.mark.parametrize(
    ("written", "unit", "value", "expected"),
    [
        ("mA", "A", 9812.0, 9.812),
        ("kV", "V", 1.5, 1500.0),
        ("kWp", "W", 0.4055, 405.5),
        ("%", "1", 78.5, 0.785),
        ("km/h", "m/s", 36.0, 36.0 * constants.kmh),
        ("mph", "m/s", 10.0, 10.0 * constants.mph),
        ("kn", "m/s", 10.0, 10.0 * constants.knot),
        ("ft", "m", 3.0, 3.0 * constants.foot),
        ("mW/cm²", "W/m2", 100.0, 100.0 * constants.milli / constants.centi**2),
        ("kW/m^2", "W/m2", 0.85, 850.0),
        ("W·m⁻²", "W/m2", 850.0, 850.0),
        ("GΩ", "Mohm", 1.2, 1200.0),
        ("kOhm", "Mohm", 250.0, 0.25),
        ("mΩ", "ohm", 120.0, 0.12),
        ("mm", "m", 1134.0, 1.134),
        ("°F", "degC", 77.0, float(constants.convert_temperature(77.0, "Fahrenheit", "Celsius"))),
        ("K", "degC", 300.0, float(constants.convert_temperature(300.0, "Kelvin", "Celsius"))),
        ("°C", "K", 0.5, 0.5),
        ("°F", "K", 0.9, 0.5),
    ],
)
def test_units_against_scipy_constants(
    written: str, unit: str, value: float, expected: float
) -> None:
    """Conversions agree with scipy.constants (CODATA, an independent library)."""
    how = conversion(written, unit)
    assert how is not None
    assert value * how.multiply / how.divide + how.offset == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("written", "unit"),
    [("A", "V"), ("foo", "W"), ("MA", "A"), ("MV", "V"), ("mOhm", "Mohm"), ("µA", "A"), ("V", "1")],
)
def test_a_unit_that_is_not_sure_is_none(written: str, unit: str) -> None:
    """Units of another quantity, unknown ones and lost capitals are never guessed."""
    assert conversion(written, unit) is None


def test_unknown_unit_of_a_required_column_reports_every_row(tmp_path: Path) -> None:
    """No row is accepted and every row is counted when a required column has an unknown unit."""
    headings = [h.replace("Isc [A]", "Isc [foo]") for h in FLASH_HEADINGS]
    reading = read_text(tmp_path, csv_text([headings, *flash_rows(flashes(8))]))
    assert reading.spec is FLASH_LIST
    assert (reading.rows_in, reading.rows_accepted, reading.rows_reported) == (8, 0, 8)
    (finding,) = of_check(reading, "unit-unknown")
    assert finding.verdict is Verdict.FAIL
    assert finding.found == "foo"


def test_unknown_unit_of_an_optional_column_costs_only_that_column(tmp_path: Path) -> None:
    """The rows stay, the column is empty, and a finding says why."""
    headings = [h.replace("FF [%]", "FF [ratio of all]") for h in FLASH_HEADINGS]
    reading = read_text(tmp_path, csv_text([headings, *flash_rows(flashes(8))]))
    assert reading.rows_accepted == 8
    assert reading.frame["fill_factor_ratio"].null_count() == 8
    assert of_check(reading, "unit-unknown")[0].verdict is Verdict.REVIEW


def test_a_missing_required_column_is_said_with_what_was_found(tmp_path: Path) -> None:
    """A flash list without Voc is no other table: it fails, and every row is counted."""
    rows = [row[:6] + row[7:] for row in [list(FLASH_HEADINGS), *flash_rows(flashes(6))]]
    reading = read_text(tmp_path, csv_text(rows))
    assert not reading.recognised
    assert reading.rows_reported == reading.rows_in == 7
    (finding,) = of_check(reading, "table-not-recognised")
    assert "voc_v" in finding.message
    assert "Serial number" in finding.found
    assert "mapping file" in finding.remedy


AMBIGUOUS = "Pallet,Type,Power class [W],Modules\nP1,AW-405,405,31\nP2,AW-405,405,31\n"


def test_two_tables_that_fit_alike_are_not_guessed_at(tmp_path: Path) -> None:
    """Pallets with type, class and count may be a note or scans: the reading fails and says so."""
    reading = read_text(tmp_path, AMBIGUOUS, name="list.csv")
    (finding,) = of_check(reading, "table-ambiguous")
    assert "delivery_note" in finding.message
    assert "pallet_scans" in finding.message
    assert reading.rows_accepted == 0


@pytest.mark.parametrize(
    ("title", "name", "kind"),
    [
        ("Lieferschein\n", "list.csv", "delivery_note"),
        ("", "packing list 3.csv", "delivery_note"),
        ("", "label_scans_monday.csv", "pallet_scans"),
    ],
)
def test_title_or_file_name_settles_it(tmp_path: Path, title: str, name: str, kind: str) -> None:
    """What a title or the file's name says decides between tables that fit alike."""
    reading = read_text(tmp_path, title + AMBIGUOUS, name=name)
    assert reading.spec.kind == kind
    assert reading.rows_accepted == 2


def test_lines_above_the_table_fill_columns(tmp_path: Path) -> None:
    """Number, order and date of a delivery note above its table reach every row."""
    text = (
        "Lieferschein: LN-0815;;\nBestellung;4711;\nLieferdatum: 12.03.2026;;\n\n"
        "Palette;Modultyp;Leistungsklasse [W];Anzahl\nP1;AW-405;405;31\nP2;AW-405;405;31\n"
    )
    reading = read_text(tmp_path, text, specs=DELIVERY)
    assert reading.spec is DELIVERY_NOTE
    assert reading.frame["delivery_note"].to_list() == ["LN-0815", "LN-0815"]
    assert reading.frame["order_number"].to_list() == ["4711", "4711"]
    assert [str(day) for day in reading.frame["delivered_on"]] == ["2026-03-12", "2026-03-12"]
    assert reading.columns["delivery_note"].place == "preamble"
    assert reading.frame["modules"].to_list() == [31, 31]
