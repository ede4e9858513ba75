"""What comes of reading a table: the rows, the findings, and how the file was understood."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

import polars as pl

from arraywright.findings import Finding
from arraywright.tables import TableSpec

__all__ = [
    "UNKNOWN_TABLE",
    "ColumnMapping",
    "DateOrder",
    "DecimalMark",
    "Dialect",
    "FileFormat",
    "TableReading",
    "UsedColumn",
]

DateOrder: TypeAlias = Literal["day_first", "month_first", "year_first"]
DecimalMark: TypeAlias = Literal[".", ","]
FileFormat: TypeAlias = Literal["text", "xlsx", "ods", "parquet"]

UNKNOWN_TABLE: Final = TableSpec(kind="unknown", title="table that was not recognised", columns=())
"""The specification of a reading whose table was not recognised."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How a file was understood.

    Attributes:
        file_format: text, xlsx, ods or parquet.
        encoding: encoding of a text file, for example ``utf-8``; empty elsewhere.
        separator: field separator of a text file; empty elsewhere.
        decimal_mark: the mark most numbers of the table carry.
        date_order: order of day, month and year, empty where no date needed one.
        heading_row: line or row of the headings, counted from 1; 0 where there is none.
        units_row: line or row of units below the headings; 0 where there is none.
        sheet: sheet of a workbook, empty elsewhere.
        language: language most headings are written in: en, de, es, or empty.
    """

    file_format: FileFormat
    encoding: str = ""
    separator: str = ""
    decimal_mark: DecimalMark = "."
    date_order: DateOrder | Literal[""] = ""
    heading_row: int = 0
    units_row: int = 0
    sheet: str = ""
    language: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class UsedColumn:
    """Where the values of a column came from.

    Attributes:
        heading: the heading as written; two headings joined by `` + `` for date and time of day.
        unit: the unit as written in the heading or the units row, empty where none was.
        factor: value in the table's unit = value as written x ``factor`` + ``offset``.
        offset: see ``factor``.
        place: ``table``, ``preamble`` (a line above the table).
    """

    heading: str
    unit: str = ""
    factor: float = 1.0
    offset: float = 0.0
    place: Literal["table", "preamble"] = "table"


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMapping:
    """What a person wrote down about a file that is not recognised by itself.

    Attributes:
        kind: kind of table the file is, for example ``flash_list``.
        columns: canonical column name to heading as written in the file.
        decimal_mark: decimal mark of every number, None to find out.
        time_zone: IANA time zone of local times, None for the site's.
        date_order: order of day, month and year, None to find out.
        file: name of the mapping file, for messages.
    """

    kind: str
    columns: Mapping[str, str] = field(default_factory=dict)
    decimal_mark: DecimalMark | None = None
    time_zone: str | None = None
    date_order: DateOrder | None = None
    file: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableReading:
    """A table as read: every row of the file is either in ``frame`` or in ``findings``.

    ``rows_in == rows_accepted + rows_reported`` always holds. A row is every line below the
    headings (and the units below them) that is not blank; where no table was recognised, every
    line that is not blank. A row is accepted when all required values are there and readable;
    an optional value that is empty is null, one that cannot be read is null with a finding.
    Rows not accepted: a required value missing or unreadable, a wrong number of fields, headings
    repeated, sums, and rows identical to an earlier one.

    Attributes:
        spec: the table that was recognised, ``UNKNOWN_TABLE`` when none was.
        frame: the accepted rows, columns of ``spec.schema`` with ``source_file``, ``source_row``.
        findings: what is wrong or was assumed; at most 1,000 rows of one check one by one, the
            rest counted in one more finding.
        rows_in: rows in the file.
        rows_accepted: rows in ``frame``.
        rows_reported: rows left out, each with a finding.
        file_name: name of the file.
        sha256: SHA-256 of its bytes, hexadecimal.
        dialect: how the file was understood.
        columns: canonical column name to where its values came from.
        unused_headings: headings that no column of the table uses.
    """

    spec: TableSpec
    frame: pl.DataFrame
    findings: tuple[Finding, ...]
    rows_in: int
    rows_accepted: int
    rows_reported: int
    file_name: str
    sha256: str
    dialect: Dialect
    columns: Mapping[str, UsedColumn]
    unused_headings: tuple[str, ...]

    @property
    def recognised(self) -> bool:
        """Whether the file was recognised as one of the tables asked for."""
        return self.spec is not UNKNOWN_TABLE
