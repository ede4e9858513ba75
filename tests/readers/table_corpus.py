"""Good files as people send them, written by other libraries than the readers use."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import polars as pl
import xlsxwriter
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P

from arraywright.commissioning.tables import (
    INSTRUMENTS,
    IV_POINTS,
    SITE_TESTS,
    STRING_READINGS,
)
from arraywright.delivery.tables import DELIVERY_NOTE, FLASH_LIST, ORDER, PALLET_SCANS
from arraywright.findings import Finding
from arraywright.plant.tables import POSITIONS, STRINGS, STRUCTURES
from arraywright.readers import TableReading, read_table
from arraywright.tables import TableSpec

DELIVERY = (ORDER, DELIVERY_NOTE, PALLET_SCANS, FLASH_LIST)
TESTING = (STRING_READINGS, IV_POINTS, INSTRUMENTS, SITE_TESTS)
PLANT = (STRUCTURES, POSITIONS, STRINGS)
ALL_SPECS = (*DELIVERY, *TESTING, *PLANT)
ZONE = "Europe/Madrid"

FLASH_HEADINGS = (
    "Serial number",
    "Pallet no.",
    "Module type",
    "Power class [W]",
    "Current class",
    "Pmax [W]",
    "Voc [V]",
    "Isc [A]",
    "Vmp [V]",
    "Imp [A]",
    "FF [%]",
    "Flash time",
)
FLASH_HEADINGS_DE = (
    "Seriennr.",
    "Palette",
    "Modultyp",
    "Leistungsklasse [W]",
    "Stromklasse",
    "Leistung/kW",
    "Uoc [V]",
    "Isc (mA)",
    "Umpp [V]",
    "Impp [A]",
    "Füllfaktor in %",
    "Messzeit",
)
FLASH_HEADINGS_ES = (
    "Número de serie",
    "Nº de palé",
    "Tipo de módulo",
    "Clase de potencia (W)",
    "Clase de corriente",
    "Potencia máxima (W)",
    "Tensión de circuito abierto (V)",
    "Corriente de cortocircuito (A)",
    "Tensión en MPP (V)",
    "Corriente en MPP (A)",
    "Factor de forma (%)",
    "Fecha y hora",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Flash:
    """One invented module as flashed."""

    serial: str
    pallet: str
    pmax_w: float
    voc_v: float
    isc_a: float
    vmp_v: float
    imp_a: float
    fill_factor_percent: float
    flashed_at: datetime


def flashes(count: int) -> list[Flash]:
    """Give invented modules, all different, with values of a few digits."""
    return [
        Flash(
            serial=f"AW26X{i:07d}",
            pallet=f"PX-{i // 10:04d}",
            pmax_w=405.25 + (i * 7 % 40) / 8,
            voc_v=round(37.2 + (i * 3 % 11) / 100, 3),
            isc_a=round(13.65 + (i * 5 % 17) / 100, 3),
            vmp_v=round(31.1 + (i * 2 % 13) / 100, 3),
            imp_a=round(13.0 + (i * 9 % 19) / 100, 3),
            fill_factor_percent=round(79.25 + (i % 5) / 10, 3),
            flashed_at=datetime(2026, 2, 13 + i % 5, 8 + i % 9, i % 60, 15),  # noqa: DTZ001
        )
        for i in range(count)
    ]


def number(value: float, mark: str, digits: int = 3) -> str:
    """Write a number with a decimal mark."""
    return f"{value:.{digits}f}".replace(".", mark)


def flash_rows(
    modules: Sequence[Flash], *, mark: str = ".", german: bool = False
) -> list[list[str]]:
    """Write modules as fields; in the German dialect power in kW and current in mA."""
    form = "%d.%m.%Y %H:%M:%S" if german else "%Y-%m-%d %H:%M:%S"
    return [
        [
            one.serial,
            one.pallet,
            "AW-405",
            "405",
            "H",
            number(one.pmax_w / 1000, mark, 6) if german else number(one.pmax_w, mark),
            number(one.voc_v, mark),
            number(one.isc_a * 1000, mark, 1) if german else number(one.isc_a, mark),
            number(one.vmp_v, mark),
            number(one.imp_a, mark),
            number(one.fill_factor_percent, mark, 2),
            one.flashed_at.strftime(form),
        ]
        for one in modules
    ]


def csv_text(rows: Sequence[Sequence[str]], *, separator: str = ",", end: str = "\n") -> str:
    """Write rows with the standard library's own writer."""
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator=end).writerows(rows)
    return out.getvalue()


def xlsx_bytes(
    sheets: dict[str, Sequence[Sequence[object]]], *, top: int = 0, left: int = 0
) -> bytes:
    """Write sheets of texts, numbers and moments as a workbook."""
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    moment = book.add_format({"num_format": "dd.mm.yyyy hh:mm:ss"})
    for title, rows in sheets.items():
        sheet = book.add_worksheet(title)
        for y, row in enumerate(rows):
            for x, cell in enumerate(row):
                if cell is None or cell == "":
                    continue
                if isinstance(cell, datetime):
                    sheet.write_datetime(top + y, left + x, cell, moment)
                elif isinstance(cell, str):
                    sheet.write_string(top + y, left + x, cell)
                else:
                    sheet.write(top + y, left + x, cell)
    book.close()
    return out.getvalue()


def ods_bytes(sheets: dict[str, Sequence[Sequence[object]]]) -> bytes:
    """Write sheets of texts and numbers as an open document."""
    document = OpenDocumentSpreadsheet()
    for title, rows in sheets.items():
        table = Table(name=title)
        for row in rows:
            line = TableRow()
            for held in row:
                if isinstance(held, str) or held is None:
                    cell = TableCell(valuetype="string")
                    cell.addElement(P(text=held or ""))
                else:
                    cell = TableCell(valuetype="float", value=repr(held))
                    cell.addElement(P(text=repr(held)))
                line.addElement(cell)
            table.addElement(line)
        document.spreadsheet.addElement(table)
    out = io.BytesIO()
    document.write(out)
    return out.getvalue()


def parquet_bytes(frame: pl.DataFrame) -> bytes:
    """Write a frame as Parquet."""
    out = io.BytesIO()
    frame.write_parquet(out)
    return out.getvalue()


def flash_cells(modules: Sequence[Flash]) -> list[list[object]]:
    """Give modules as cells: numbers as numbers, moments as moments."""
    return [
        [
            one.serial,
            one.pallet,
            "AW-405",
            405,
            "H",
            one.pmax_w,
            one.voc_v,
            one.isc_a,
            one.vmp_v,
            one.imp_a,
            one.fill_factor_percent,
            one.flashed_at,
        ]
        for one in modules
    ]


def read_text(
    folder: Path,
    text: str | bytes,
    *,
    specs: Sequence[TableSpec] = DELIVERY,
    name: str = "table.csv",
    zone: str = ZONE,
) -> TableReading:
    """Write a file and read it."""
    path = folder / name
    path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
    reading = read_table(path, specs, time_zone=zone)
    assert reading.rows_in == reading.rows_accepted + reading.rows_reported
    assert reading.rows_accepted == reading.frame.height
    return reading


def checks(reading: TableReading) -> list[str]:
    """Give the keys of the checks that say anything."""
    return [finding.check for finding in reading.findings]


def of_check(reading: TableReading, check: str) -> list[Finding]:
    """Give the findings of one check."""
    return [finding for finding in reading.findings if finding.check == check]
