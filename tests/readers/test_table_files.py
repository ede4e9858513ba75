"""Files as a whole: what is no table is said in one clear error, and nothing else ever leaves."""

from __future__ import annotations

import io
import os
import zipfile
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from arraywright.delivery.tables import DELIVERY_NOTE, FLASH_LIST
from arraywright.errors import CallError, InputFileError
from arraywright.readers import read_mapping, read_table, read_tables
from arraywright.readers import workbook as workbook_module
from arraywright.tables import TableSpec
from tests.readers.table_corpus import (
    ALL_SPECS,
    DELIVERY,
    FLASH_HEADINGS,
    ZONE,
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


def zipped(entries: dict[str, bytes]) -> bytes:
    """Pack entries."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in entries.items():
            packed.writestr(name, content)
    return out.getvalue()


def far_cell() -> bytes:
    """Give a workbook with one forgotten cell at the far end."""
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    sheet = book.add_worksheet()
    sheet.write_string(0, 0, "Serial number")
    sheet.write_string(1_048_575, 16_383, "x")
    book.close()
    return out.getvalue()


def far_ods() -> bytes:
    """Give an open document whose one cell repeats over the whole sheet."""
    plain = ods_bytes({"S": [["Serial number"], ["x"]]})
    with zipfile.ZipFile(io.BytesIO(plain)) as packed:
        entries = {name: packed.read(name) for name in packed.namelist()}
    entries["content.xml"] = entries["content.xml"].replace(
        b"<table:table-row>", b'<table:table-row table:number-rows-repeated="1048576">'
    )
    entries["content.xml"] = entries["content.xml"].replace(
        b"<table:table-cell ", b'<table:table-cell table:number-columns-repeated="16384" '
    )
    return zipped(entries)


@pytest.mark.parametrize(
    ("name", "make", "code"),
    [
        ("empty.csv", lambda: b"", "file-empty"),
        ("blank.csv", lambda: b"\xef\xbb\xbf \r\n\r\n", "file-empty"),
        ("zeros.bin", lambda: bytes(5000), "file-empty"),
        ("note.csv", lambda: b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\nrubbish", "file-not-a-table"),
        ("old.xls", lambda: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(512), "file-not-a-table"),
        ("photo.csv", lambda: b"\xff\xd8\xff\xe0" + bytes(range(256)), "file-not-a-table"),
        ("noise.csv", lambda: bytes(range(256)) * 40, "file-not-a-table"),
        ("text.docx", lambda: zipped({"word/document.xml": b"<w/>"}), "file-not-a-table"),
        ("cut.xlsx", lambda: xlsx_bytes({"A": [["Serial"]]})[:900], "file-not-readable"),
        ("hollow.xlsx", lambda: zipped({"xl/workbook.xml": b"<x/>"}), "file-not-readable"),
        ("hollow.ods", lambda: zipped({"content.xml": b"<x"}), "file-not-readable"),
        ("cut.parquet", lambda: b"PAR1" + bytes(40), "file-not-readable"),
        ("far.xlsx", far_cell, "file-too-large"),
        ("far.ods", far_ods, "file-too-large"),
        (
            "bomb.xlsx",
            lambda: zipped({"xl/workbook.xml": b"<x/>", "xl/worksheets/a.xml": bytes(60_000_000)}),
            "file-too-large",
        ),
    ],
)
def test_what_is_no_table(tmp_path: Path, name: str, make: Callable[[], bytes], code: str) -> None:
    """Each kind of rubbish is refused with its own code, a message and a remedy."""
    (tmp_path / name).write_bytes(make())
    with pytest.raises(InputFileError) as caught:
        read_table(tmp_path / name, ALL_SPECS, time_zone=ZONE)
    assert caught.value.code == code
    assert name in caught.value.message
    assert caught.value.remedy


def test_folder_missing_file_and_no_permission(tmp_path: Path) -> None:
    """A folder, a name that does not exist and a forbidden file are told apart."""
    with pytest.raises(InputFileError) as caught:
        read_table(tmp_path, ALL_SPECS, time_zone=ZONE)
    assert caught.value.code == "file-is-folder"
    with pytest.raises(InputFileError) as caught:
        read_table(tmp_path / "nothing.csv", ALL_SPECS, time_zone=ZONE)
    assert caught.value.code == "file-not-found"
    with pytest.raises(InputFileError) as caught:
        read_table(tmp_path / ("x" * 4000), ALL_SPECS, time_zone=ZONE)
    assert caught.value.code == "file-not-readable"


def test_forbidden_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that may not be read is said to be so."""
    path = tmp_path / "secret.csv"
    path.write_text("Serial\n")
    path.chmod(0)
    if os.access(path, os.R_OK):  # the superuser may read everything

        def refuse(_: Path) -> bytes:
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(InputFileError) as caught:
        read_table(path, ALL_SPECS, time_zone=ZONE)
    assert caught.value.code == "file-not-permitted"


def test_wrong_calls(tmp_path: Path) -> None:
    """No table asked for and an unknown time zone are errors of the call, not of the file."""
    with pytest.raises(CallError):
        read_table(tmp_path / "a.csv", [], time_zone=ZONE)
    with pytest.raises(CallError):
        read_table(tmp_path / "a.csv", ALL_SPECS, time_zone="Mars/North")


def test_all_kinds_of_limits_are_numbers_a_site_reaches_never(tmp_path: Path) -> None:
    """The limit on cells admits a workbook of a full sheet with the columns of a flash list."""
    assert 1_048_576 * len(FLASH_LIST.columns) < workbook_module.MAX_CELLS


def test_several_sheets(tmp_path: Path) -> None:
    """Every sheet with a table gives a reading, and what is not read is named."""
    path = tmp_path / "book.xlsx"
    note: list[list[object]] = [
        ["Pallet", "Module type", "Modules", "Delivery note"],
        ["P1", "AW-405", 31, "LN-1"],
    ]
    path.write_bytes(
        xlsx_bytes(
            {
                "Cover": [["Dear all"]],
                "Note": note,
                "Flash": [list(FLASH_HEADINGS), *flash_cells(flashes(5))],
            }
        )
    )
    readings = read_tables(path, DELIVERY, time_zone=ZONE)
    assert [(one.spec, one.dialect.sheet, one.rows_accepted) for one in readings] == [
        (DELIVERY_NOTE, "Note", 1),
        (FLASH_LIST, "Flash", 5),
    ]
    assert of_check(readings[0], "sheet-not-read")[0].found == "Cover"
    one = read_table(path, DELIVERY, time_zone=ZONE, sheet="Flash")
    assert one.spec is FLASH_LIST
    first = read_table(path, DELIVERY, time_zone=ZONE)
    assert first.spec is DELIVERY_NOTE
    assert [f.found for f in of_check(first, "sheet-not-read")] == ["Flash", "Cover"]
    assert of_check(first, "sheet-not-read")[0].verdict == "fail"
    with pytest.raises(InputFileError) as caught:
        read_table(path, DELIVERY, time_zone=ZONE, sheet="Nope")
    assert caught.value.code == "sheet-not-found"


def test_a_heading_line_of_separators_costs_no_memory(tmp_path: Path) -> None:
    """A hundred thousand empty headings behind the last one are passed over."""
    lines = csv_text([list(FLASH_HEADINGS), *flash_rows(flashes(500))]).splitlines()
    reading = read_text(tmp_path, "\n".join([lines[0] + "," * 100_000, *lines[1:]]))
    assert reading.rows_accepted == 500


def test_parquet_of_endless_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A small Parquet file that unpacks to more values than the limit is refused unread."""
    monkeypatch.setattr(workbook_module, "MAX_PARQUET_CELLS", 1_000)
    path = tmp_path / "long.parquet"
    path.write_bytes(parquet_bytes(pl.DataFrame({"serial": ["A"] * 1_001})))
    with pytest.raises(InputFileError) as caught:
        read_table(path, DELIVERY, time_zone=ZONE)
    assert caught.value.code == "file-too-large"


MAPPING = """
kind = "flash_list"
decimal_mark = ","
date_order = "month_first"
time_zone = "America/Denver"
[columns]
serial = "Kennung"
pmax_w = "Wert 1 [kW]"
voc_v = "Wert 2"
isc_a = "Wert 3"
vmp_v = "Wert 4"
imp_a = "Wert 5"
flashed_at = "Wann"
"""


def test_mapping_file(tmp_path: Path) -> None:
    """A mapping file makes a foreign list readable: headings, units, decimal mark, dates, zone."""
    (tmp_path / "map.toml").write_text(MAPPING)
    mapping = read_mapping(tmp_path / "map.toml")
    path = tmp_path / "a.csv"
    path.write_text(
        "Kennung;Wert 1 [kW];Wert 2;Wert 3;Wert 4;Wert 5;Wann\n"
        "A1;0,405;37,212;13,9;31,2;13,0;03/04/2026 10:00\n"
    )
    reading = read_table(path, DELIVERY, mapping=mapping, time_zone=ZONE)
    row = reading.frame.row(0, named=True)
    assert (row["serial"], row["pmax_w"], row["voc_v"]) == ("A1", 405.0, 37.212)
    assert row["flashed_at"].isoformat() == "2026-03-04T17:00:00+00:00"
    assert not read_table(path, DELIVERY, time_zone=ZONE).recognised


def test_mapping_to_a_heading_that_is_not_there(tmp_path: Path) -> None:
    """A mapped heading that the table lacks fails with the headings found."""
    (tmp_path / "map.toml").write_text('kind = "flash_list"\n[columns]\npallet = "Kiste"\n')
    path = tmp_path / "a.csv"
    path.write_text(csv_text([list(FLASH_HEADINGS), *flash_rows(flashes(3))]))
    mapping = read_mapping(tmp_path / "map.toml")
    reading = read_table(path, DELIVERY, mapping=mapping, time_zone=ZONE)
    (finding,) = of_check(reading, "mapping-heading-missing")
    assert finding.required == "Kiste"


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("kind = 3", "kind"),
        ('kind = "flash_list"\ncolums = 1', "nearest is columns"),
        ('kind = "flash_list"\ndecimal_mark = ";"', "decimal_mark"),
        ('kind = "flash_list"\ntime_zone = "Mars"', "time_zone"),
        ('kind = "flash_list"\ndate_order = "dmy"', "date_order"),
        ('kind = "flash_list"\n[columns]\nserial = 1', "columns"),
        ("kind = ", "no valid TOML"),
    ],
)
def test_mapping_mistakes_are_named(tmp_path: Path, text: str, part: str) -> None:
    """Each mistake in a mapping file is said with the key, what was found and what is required."""
    (tmp_path / "map.toml").write_text(text)
    with pytest.raises(InputFileError) as caught:
        read_mapping(tmp_path / "map.toml")
    assert part in caught.value.message


@pytest.mark.parametrize(
    "text", ['kind = "flesh_list"', 'kind = "flash_list"\n[columns]\nserail = "A"']
)
def test_mapping_of_unknown_kind_or_column(tmp_path: Path, text: str) -> None:
    """A mapping for a table or a column that does not exist is refused before reading."""
    (tmp_path / "map.toml").write_text(text)
    (tmp_path / "a.csv").write_text("Serial\n1\n")
    mapping = read_mapping(tmp_path / "map.toml")
    with pytest.raises(InputFileError) as caught:
        read_table(tmp_path / "a.csv", DELIVERY, mapping=mapping, time_zone=ZONE)
    assert caught.value.code == "mapping-not-valid"


def never_more_than_an_input_error(path: Path, specs: tuple[TableSpec, ...]) -> None:
    """Read; let nothing pass but an input error that some reader foresaw."""
    refused: InputFileError | None = None
    try:
        reading = read_table(path, specs, time_zone=ZONE)
    except InputFileError as error:
        refused = error
    if refused is not None:
        assert refused.code != "reader-failed", refused.__cause__
        return
    assert reading.rows_in == reading.rows_accepted + reading.rows_reported
    assert reading.rows_accepted == reading.frame.height


_LINES = st.lists(
    st.lists(
        st.one_of(
            st.sampled_from([*FLASH_HEADINGS, "String", "Time", "Pallet", "Modules", "W", "1,5"]),
            st.text(max_size=12),
            st.floats(allow_nan=True).map(str),
            st.datetimes().map(str),
        ),
        max_size=14,
    ),
    max_size=12,
)


@given(st.binary(max_size=3000))
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_bytes_never_raise_anything_else(tmp_path: Path, data: bytes) -> None:
    """Any bytes give a reading or an input error."""
    path = tmp_path / "bytes.csv"
    path.write_bytes(data)
    never_more_than_an_input_error(path, ALL_SPECS)


@given(_LINES, st.sampled_from([",", ";", "\t", "|"]), st.sampled_from(["utf-8", "utf-16"]))
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_tables_of_anything_never_raise_anything_else(
    tmp_path: Path, lines: list[list[str]], separator: str, encoding: str
) -> None:
    """Any table of headings, texts, numbers and moments gives a reading or an input error."""
    path = tmp_path / "lines.csv"
    text = "\n".join(separator.join(line) for line in lines)
    path.write_bytes(text.encode(encoding, errors="replace"))
    never_more_than_an_input_error(path, ALL_SPECS)


def test_parquet_of_odd_types(tmp_path: Path) -> None:
    """Nested and binary columns of a Parquet file are reported, never raised."""
    frame = pl.DataFrame(
        {
            "serial": [["a"], ["b"]],
            "pmax_w": [405, 406],
            "voc_v": ["37.2", "x"],
            "isc_a": [13.9, float("inf")],
            "vmp_v": [31.0, float("nan")],
            "imp_a": [True, False],
        }
    )
    reading = read_text(tmp_path, parquet_bytes(frame), name="odd.parquet")
    assert (reading.rows_in, reading.rows_reported) == (2, 2)
