"""The top of a file as it stands, for a person who says which column is which."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from arraywright.readers.tables import sheets_of

__all__ = ["TableHead", "table_heads"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TableHead:
    """The first rows of one sheet that are not blank.

    Attributes:
        sheet: sheet of a workbook, empty elsewhere.
        rows: their fields as texts, trimmed.
        numbers: line or row of each, counted from 1.
    """

    sheet: str
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]


def table_heads(path: Path, *, rows: int = 30) -> list[TableHead]:
    """Read the top of every sheet of a file, in the way that finds most columns.

    Args:
        path: CSV, XLSX, ODS or Parquet.
        rows: at most so many rows a sheet.

    Raises:
        InputFileError: the file cannot be read as a table at all.
    """
    heads = []
    for ways in sheets_of(path):
        fullest = max(ways, key=lambda one: max((len(row.cells) for row in one.head), default=0))
        shown = fullest.head[:rows]
        heads.append(
            TableHead(
                sheet=fullest.name,
                rows=tuple(row.cells for row in shown),
                numbers=tuple(row.row for row in shown),
            )
        )
    return heads
