"""Every dialect of one flash list reads as the same modules."""

from __future__ import annotations

import zoneinfo
from datetime import UTC
from pathlib import Path

import polars as pl
import pytest

from arraywright.delivery.tables import FLASH_LIST
from arraywright.readers import TableReading
from tests.readers.table_corpus import (
    FLASH_HEADINGS,
    FLASH_HEADINGS_DE,
    FLASH_HEADINGS_ES,
    ZONE,
    Flash,
    checks,
    csv_text,
    flash_cells,
    flash_rows,
    flashes,
    ods_bytes,
    of_check,
    parquet_bytes,
    read_text,
    xlsx_bytes,
)

MODULES = flashes(25)


def assert_modules(reading: TableReading, modules: list[Flash] = MODULES) -> None:
    """Compare with the invented modules; the times by the standard library's zones."""
    assert reading.spec is FLASH_LIST
    assert dict(reading.frame.schema) == FLASH_LIST.schema
    frame = reading.frame
    assert frame["serial"].to_list() == [one.serial for one in modules]
    assert frame["pallet"].to_list() == [one.pallet for one in modules]
    assert frame["module_type"].unique().to_list() == ["AW-405"]
    assert frame["power_class_w"].unique().to_list() == [405.0]
    assert frame["pmax_w"].to_list() == pytest.approx([one.pmax_w for one in modules], abs=1e-9)
    assert frame["voc_v"].to_list() == [one.voc_v for one in modules]
    assert frame["isc_a"].to_list() == pytest.approx([one.isc_a for one in modules], abs=1e-9)
    assert frame["vmp_v"].to_list() == [one.vmp_v for one in modules]
    assert frame["imp_a"].to_list() == [one.imp_a for one in modules]
    factors = [one.fill_factor_percent / 100 for one in modules]
    assert frame["fill_factor_ratio"].to_list() == pytest.approx(factors, abs=1e-12)
    zone = zoneinfo.ZoneInfo(ZONE)
    moments = [one.flashed_at.replace(tzinfo=zone).astimezone(UTC) for one in modules]
    assert frame["flashed_at"].to_list() == moments
    assert not [f for f in reading.findings if f.verdict == "fail"]
    assert (reading.rows_in, reading.rows_reported) == (len(modules), 0)


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("mark", [".", ","])
@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]
)
def test_separators_marks_and_encodings(
    tmp_path: Path, separator: str, mark: str, encoding: str
) -> None:
    """Separator, decimal mark and encoding are found out and change no value."""
    rows = [list(FLASH_HEADINGS_ES), *flash_rows(MODULES, mark=mark)]
    text = csv_text(rows, separator=separator, end="\r\n")
    reading = read_text(tmp_path, text.encode(encoding))
    assert_modules(reading)
    assert reading.dialect.separator == separator
    assert reading.dialect.decimal_mark == mark
    assert reading.dialect.language == "es"
    assert [reading.frame["source_row"][0], reading.frame["source_row"][-1]] == [2, 26]


def test_german_units_and_preamble(tmp_path: Path) -> None:
    """Kilowatts, milliamperes, day-first dates and a preamble in Windows-1252 are understood."""
    rows = csv_text(
        [list(FLASH_HEADINGS_DE), *flash_rows(MODULES, mark=",", german=True)], separator=";"
    )
    text = f"Messprotokoll für Wünsche\nErstellt: 01.03.2026\n\n{rows}"
    reading = read_text(tmp_path, text.encode("cp1252"))
    assert_modules(reading)
    assert reading.dialect.language == "de"
    assert reading.dialect.heading_row == 4
    assert reading.dialect.date_order == "day_first"
    assert reading.columns["isc_a"].unit == "mA"
    assert reading.columns["isc_a"].factor == pytest.approx(0.001)


def test_units_row_and_quotes_and_embedded_newlines(tmp_path: Path) -> None:
    """A row of units below the headings counts as units; quoted fields may hold anything."""
    headings = [h.split(" [")[0] for h in FLASH_HEADINGS] + ["Remark; any\nthing"]
    units = ["", "", "", "[W]", "", "kW", "V", "mA", "mV", "A", "%", "", ""]
    rows = []
    for row, one in zip(flash_rows(MODULES), MODULES, strict=True):
        row[5] = f"{one.pmax_w / 1000:.6f}"
        row[7] = f"{one.isc_a * 1000:.1f}"
        row[8] = f"{one.vmp_v * 1000:.0f}"
        rows.append([*row, 'said "fine", twice;\nand left'])
    text = csv_text([headings, units, *rows])
    reading = read_text(tmp_path, text)
    assert_modules(reading)
    assert reading.dialect.units_row == 3
    assert reading.frame["source_row"].to_list()[:3] == [4, 6, 8]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends_blank_lines_and_trailing_separators(tmp_path: Path, end: str) -> None:
    """Blank lines, lines of separators and a separator too many at the end harm nothing."""
    lines = csv_text([list(FLASH_HEADINGS), *flash_rows(MODULES)]).splitlines()
    messy = [lines[0] + ","] + [line + ",," for line in lines[1:]]
    messy.insert(5, "")
    messy.insert(9, ",,,,,,,,,,,,")
    messy += ["", "   ", ",,,"]
    reading = read_text(tmp_path, end.join(messy) + end)
    assert_modules(reading)
    assert reading.frame["source_row"].to_list()[3:8] == [5, 7, 8, 9, 11]


@pytest.mark.parametrize("numbers_as_text", [False, True])
@pytest.mark.parametrize("place", [(0, 0), (4, 3)])
def test_workbook(tmp_path: Path, *, numbers_as_text: bool, place: tuple[int, int]) -> None:
    """Empty leading rows and columns, and numbers stored as text with a comma, read the same."""
    cells: list[list[object]] = flash_cells(MODULES)
    if numbers_as_text:
        for at, row in enumerate(cells):
            for x in range(5, 11):
                if (at + x) % 2:
                    row[x] = f"{row[x]:.4f}".replace(".", ",")
    data = xlsx_bytes({"Data": [list(FLASH_HEADINGS), *cells]}, top=place[0], left=place[1])
    reading = read_text(tmp_path, data, name="list.xlsx")
    assert_modules(reading)
    assert reading.dialect.sheet == "Data"
    assert reading.frame["source_row"][0] == 2 + place[0]


def test_workbook_with_day_numbers_and_merged_headings(tmp_path: Path) -> None:
    """Headings merged over two rows and days as serial numbers of a spreadsheet are understood."""
    origin = MODULES[0].flashed_at.replace(year=1899, month=12, day=30, hour=0, minute=0, second=0)
    cells = flash_cells(MODULES)
    for row, one in zip(cells, MODULES, strict=True):
        row[11] = (one.flashed_at - origin).total_seconds() / 86400
    upper = [*FLASH_HEADINGS[:5], "Flash values", "", "", "", "", "", FLASH_HEADINGS[11]]
    lower = [*[""] * 5, *FLASH_HEADINGS[5:11], ""]
    reading = read_text(tmp_path, xlsx_bytes({"L": [upper, lower, *cells]}), name="list.xlsx")
    assert_modules(reading)


def test_open_document(tmp_path: Path) -> None:
    """An open document spreadsheet reads as the same modules."""
    cells = [
        [*row[:11], one.flashed_at.isoformat()]
        for row, one in zip(flash_cells(MODULES), MODULES, strict=True)
    ]
    reading = read_text(tmp_path, ods_bytes({"D": [list(FLASH_HEADINGS), *cells]}), name="l.ods")
    assert_modules(reading)
    assert reading.dialect.file_format == "ods"


@pytest.mark.parametrize("canonical", [False, True])
def test_parquet(tmp_path: Path, *, canonical: bool) -> None:
    """Parquet with canonical or with usual names reads as the same modules."""
    frame = pl.DataFrame(flash_cells(MODULES), schema=list(FLASH_HEADINGS), orient="row")
    if canonical:
        names = [
            "serial", "pallet", "module_type", "power_class_w", "current_class", "pmax_w",
            "voc_v", "isc_a", "vmp_v", "imp_a", "fill_factor_ratio", "flashed_at",
        ]  # fmt: skip
        frame.columns = names
        zone = pl.col("flashed_at").dt.replace_time_zone(ZONE)
        frame = frame.with_columns(pl.col("fill_factor_ratio") / 100, zone)
    reading = read_text(tmp_path, parquet_bytes(frame), name="list.parquet")
    assert_modules(reading)


def test_headings_once_more_totals_and_doubled_rows(tmp_path: Path) -> None:
    """Repeated headings, sums and doubled rows are reported and never taken for modules."""
    rows = flash_rows(MODULES)
    body = [
        list(FLASH_HEADINGS),
        *rows[:10],
        list(FLASH_HEADINGS),
        *rows[10:],
        rows[3],
        ["Total", "", "", "", "", "10256.5", "", "", "", "", "", ""],
    ]
    reading = read_text(tmp_path, csv_text(body) + "Sum of all,25\nPrinted by the flasher\n")
    assert reading.frame["serial"].to_list() == [one.serial for one in MODULES]
    assert (reading.rows_in, reading.rows_accepted, reading.rows_reported) == (30, 25, 5)
    assert sorted(checks(reading)) == [
        "headings-repeated",
        "row-doubled",
        "row-is-note",
        "row-is-total",
        "row-is-total",
    ]
    place = of_check(reading, "row-doubled")[0].place
    assert place is not None
    assert place.row == 28


def test_lines_with_a_wrong_number_of_fields_are_named(tmp_path: Path) -> None:
    """A line cut short and a line too long are reported with their numbers, the others kept."""
    lines = csv_text([list(FLASH_HEADINGS), *flash_rows(MODULES)], separator=";").splitlines()
    lines[4] = lines[4].rsplit(";", 3)[0]
    lines[9] += ";one more"
    reading = read_text(tmp_path, "\n".join(lines))
    found = of_check(reading, "row-fields")
    assert [f.place.row for f in found if f.place] == [5, 10]
    assert "9 fields" in found[0].message
    assert "13 fields" in found[1].message
    assert reading.rows_accepted == 23


def test_a_stray_quote_swallows_no_line(tmp_path: Path) -> None:
    """A quote that is never closed is a character, and every line stays its own row."""
    rows = flash_rows(MODULES)
    lines = [",".join(row) for row in [list(FLASH_HEADINGS), *rows]]
    lines[3] = '"' + lines[3]
    lines[12] = lines[12].replace(",H,", ',"H,')
    reading = read_text(tmp_path, "\n".join(lines))
    assert reading.rows_in == len(MODULES)
    assert reading.rows_accepted == len(MODULES)
    assert reading.frame["serial"][2] == '"' + MODULES[2].serial
