"""What a table of the trade must hold: columns with kind, unit and meaning."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import polars as pl

__all__ = ["PROVENANCE", "Column", "ColumnKind", "TableSpec"]

ColumnKind: TypeAlias = Literal["text", "integer", "number", "time", "date"]

_DTYPES: Final[dict[ColumnKind, pl.DataType]] = {
    "text": pl.String(),
    "integer": pl.Int64(),
    "number": pl.Float64(),
    "time": pl.Datetime("us", "UTC"),
    "date": pl.Date(),
}

PROVENANCE: Final[dict[str, pl.DataType]] = {
    "source_file": pl.Categorical(),
    "source_row": pl.UInt32(),
}
"""Columns every table carries at its end: the file's name and the row in it, counted from 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table.

    Attributes:
        name: name with its unit suffix.
        kind: text, integer, number, time (UTC) or date.
        unit: unit of the numbers, empty for text; a ratio has unit ``1``.
        required: a row without it cannot be used and is reported.
        meaning: what stands in it, one line.
    """

    name: str
    kind: ColumnKind
    unit: str = ""
    required: bool = False
    meaning: str

    @property
    def dtype(self) -> pl.DataType:
        """The Polars type of the column."""
        return _DTYPES[self.kind]


@dataclass(frozen=True, slots=True, kw_only=True)
class TableSpec:
    """A kind of table: its key, its columns, and the columns that together tell rows apart.

    Attributes:
        kind: key such as ``flash_list``.
        title: words for people.
        columns: columns in canonical order.
        identity: names of the columns that should not repeat together.
    """

    kind: str
    title: str
    columns: tuple[Column, ...]
    identity: tuple[str, ...] = ()

    @property
    def schema(self) -> dict[str, pl.DataType]:
        """The Polars schema, provenance included."""
        return {column.name: column.dtype for column in self.columns} | PROVENANCE

    @property
    def required(self) -> tuple[str, ...]:
        """Names of the columns without which a row cannot be used."""
        return tuple(column.name for column in self.columns if column.required)

    def empty(self) -> pl.DataFrame:
        """Give a frame of this table without rows."""
        return pl.DataFrame(schema=self.schema)

    def completed(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Give a frame under this table's schema; columns it lacks stand empty.

        A table stored before a column was thought of stays readable.
        """
        return frame.select(
            pl.col(name).cast(dtype)
            if name in frame.columns
            else pl.lit(None, dtype=dtype).alias(name)
            for name, dtype in self.schema.items()
        )
