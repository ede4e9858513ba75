"""A table before its headings are understood: the top of it, and a way to get the rest."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from arraywright.readers.results import FileFormat

__all__ = ["HEAD_ROWS", "Body", "HeadRow", "Sheet", "column_name"]

HEAD_ROWS: Final = 120
"""How many rows from the top are searched for headings."""


def column_name(index: int) -> str:
    """Give the name of a field in the frame of a body."""
    return f"c{index}"


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadRow:
    """A row near the top.

    Attributes:
        row: line or row, counted from 1.
        cells: its fields as texts, trimmed, empty where nothing stands.
    """

    row: int
    cells: tuple[str, ...]


def _none(_: int) -> list[str]:
    return []


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """The rows below the headings.

    Attributes:
        frame: fields ``c0``, ``c1`` ... of the rows with the right number of fields.
        rows: line or row of each of them.
        ragged_rows: line of each row with a wrong number of fields.
        ragged_fields: number of fields of each of those.
        ragged_texts: gives the texts of the first so many of those.
    """

    frame: pl.DataFrame
    rows: npt.NDArray[np.uint32]
    ragged_rows: npt.NDArray[np.uint32] = field(
        default_factory=lambda: np.zeros(0, dtype=np.uint32)
    )
    ragged_fields: npt.NDArray[np.int32] = field(
        default_factory=lambda: np.zeros(0, dtype=np.int32)
    )
    ragged_texts: Callable[[int], list[str]] = _none


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One table that may be in a file.

    Attributes:
        name: sheet of a workbook, empty elsewhere.
        file_format: text, xlsx, ods or parquet.
        head: the first rows that are not blank.
        body: gives the rows below ``head[i]``, for ``i``, least and most number of fields.
        count: gives how many rows are not blank.
        encoding: encoding of a text.
        separator: separator of a text.
        damaged: lines in which bytes could not be decoded.
    """

    name: str
    file_format: FileFormat
    head: Sequence[HeadRow]
    body: Callable[[int, int, int], Body]
    count: Callable[[], int]
    encoding: str = ""
    separator: str = ""
    damaged: tuple[int, ...] = ()
