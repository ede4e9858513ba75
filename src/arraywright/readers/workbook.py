"""Workbooks (XLSX, ODS) and Parquet files as sheets."""

from __future__ import annotations

import io
import logging
import re
import zipfile
from collections.abc import Callable
from typing import Final, Literal, TypeVar
from xml.parsers import expat

import fastexcel
import numpy as np
import polars as pl

from arraywright.errors import InputFileError
from arraywright.readers.sheets import HEAD_ROWS, Body, HeadRow, Sheet, column_name

__all__ = [
    "MAX_CELLS",
    "MAX_PARQUET_CELLS",
    "MAX_UNPACKED_BYTES",
    "guarded",
    "parquet_sheet",
    "workbook_kind",
    "workbook_sheets",
]

MAX_UNPACKED_BYTES: Final = 2 * 1024**3
"""A workbook that unpacks to more than this is refused."""
MAX_CELLS: Final = 40_000_000
"""A sheet whose outline holds more cells than this is refused."""
MAX_PARQUET_CELLS: Final = 400_000_000
"""A Parquet file with more values than this is refused."""
_MAX_RATIO: Final = 400
_LONGEST_COUNT: Final = 10
_CHUNK: Final = 4 * 1024 * 1024
_FAR_CELL: Final = re.compile(rb"\br=[\"']([A-Z]{2,3})[0-9]{1,9}[\"']")
_FAR_ROW: Final = re.compile(rb"\br=[\"'][A-Z]{0,3}([0-9]{5,9})[\"']")

T = TypeVar("T")


def _unreadable(name: str, kind: str) -> InputFileError:
    return InputFileError(
        "file-not-readable",
        f"{name} cannot be read as {kind}: it is damaged or incomplete.",
        "Open it in a spreadsheet, save it again, and give that file; or ask for it again.",
    )


def _too_large(name: str, what: str, limit: str) -> InputFileError:
    return InputFileError(
        "file-too-large",
        f"{name} {what}; at most {limit} are read.",
        "Save the table alone, as CSV or Parquet, and give that file.",
    )


def guarded(work: Callable[[], T], *, name: str, kind: str) -> T:
    """Run a library's reader; whatever it raises on a bad file becomes one clear error."""
    try:
        return work()
    except (KeyboardInterrupt, SystemExit, InputFileError):
        raise
    except BaseException as error:
        raise _unreadable(name, kind) from error


def workbook_kind(data: bytes, *, name: str) -> Literal["xlsx", "ods"]:
    """Tell which kind of workbook zipped bytes are, and refuse what would burst the machine.

    Raises:
        InputFileError: no workbook, damaged, or larger than the limits.
    """

    def entries() -> list[zipfile.ZipInfo]:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            return packed.infolist()

    held = guarded(entries, name=name, kind="a workbook")
    total = sum(entry.file_size for entry in held)
    if total > MAX_UNPACKED_BYTES or any(
        entry.file_size > 50_000_000 and entry.file_size > _MAX_RATIO * max(entry.compress_size, 1)
        for entry in held
    ):
        raise _too_large(
            name, f"unpacks to {total:,} bytes", f"{MAX_UNPACKED_BYTES:,} bytes at a usual density"
        )
    names = {entry.filename for entry in held}
    if "xl/workbook.xml" in names:
        return "xlsx"
    if "content.xml" in names:
        return "ods"
    raise InputFileError(
        "file-not-a-table",
        f"{name} is a packed file but neither an XLSX nor an ODS workbook.",
        "Unpack it and give the table inside.",
    )


def _letters_to_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def _outline(packed: zipfile.ZipFile, entry: zipfile.ZipInfo) -> tuple[int, int]:
    """Give the last row and the last column that a worksheet mentions."""
    rows, columns, tail, seen = 9_999, 26, b"", 0
    with packed.open(entry) as stream:
        while chunk := stream.read(_CHUNK):
            seen += len(chunk)
            if seen > MAX_UNPACKED_BYTES:
                break
            text = tail + chunk
            far = set(_FAR_CELL.findall(text))
            columns = max([columns, *(_letters_to_number(letters) for letters in far)])
            rows = max([rows, *(int(number) for number in set(_FAR_ROW.findall(text)))])
            tail = text[-40:]
    return rows, columns


class _OdsOutline:
    """Adds up how far the cells of an open document reach, repeats multiplied out."""

    def __init__(self) -> None:
        self.rows = self.columns = self.most = 0
        self._repeat = self._column = self._filled = 0

    def start(self, tag: str, held: dict[str, str]) -> None:
        """Note a table, a row or a cell that begins."""
        if tag == "table:table":
            self.rows = self.columns = 0
        elif tag == "table:table-row":
            self._repeat = _count(held.get("table:number-rows-repeated", "1"))
            self._column = self._filled = 0
        elif tag in ("table:table-cell", "table:covered-table-cell"):
            self._column += _count(held.get("table:number-columns-repeated", "1"))
            if "office:value-type" in held or "calcext:value-type" in held:
                self._filled = self._column

    def end(self, tag: str) -> None:
        """Note a row that ends: only rows with a value reach anywhere."""
        if tag == "table:table-row" and self._filled:
            self.rows += self._repeat
            self.columns = max(self.columns, self._filled)
            self.most = max(self.most, self.rows * self.columns)


def _count(text: str) -> int:
    return int(text) if text.isdigit() and len(text) < _LONGEST_COUNT else 1


def _check_ods(data: bytes, *, name: str) -> None:
    """Refuse an open document whose repeated cells would fill the memory."""

    def cells() -> int:
        seen = _OdsOutline()
        parser = expat.ParserCreate()
        parser.StartElementHandler = seen.start
        parser.EndElementHandler = seen.end
        with zipfile.ZipFile(io.BytesIO(data)) as packed, packed.open("content.xml") as stream:
            while (chunk := stream.read(_CHUNK)) and seen.most <= MAX_CELLS:
                parser.Parse(chunk)
        return seen.most

    reached = guarded(cells, name=name, kind="an ODS workbook")
    if reached > MAX_CELLS:
        raise _too_large(
            name, f"has a sheet of {reached:,} cells", f"{MAX_CELLS:,} cells of a sheet"
        )


def _check_outline(data: bytes, *, name: str) -> None:
    def outlines() -> list[tuple[int, int]]:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            return [
                _outline(packed, entry)
                for entry in packed.infolist()
                if re.match(r"(?i)^/?xl/worksheets/.*\.xml$", entry.filename)
            ]

    for rows, columns in guarded(outlines, name=name, kind="an XLSX workbook"):
        if rows * columns > MAX_CELLS:
            raise _too_large(
                name,
                f"has a sheet whose outline reaches row {rows:,} and column {columns:,}",
                f"{MAX_CELLS:,} cells of a sheet",
            )


def workbook_sheets(data: bytes, *, name: str, kind: Literal["xlsx", "ods"]) -> list[Sheet]:
    """Give the sheets of a workbook as texts, numbers with a point, dates as ISO texts.

    Raises:
        InputFileError: damaged, or a sheet larger than the limit.
    """
    label = "an XLSX workbook" if kind == "xlsx" else "an ODS workbook"
    if kind == "xlsx":
        _check_outline(data, name=name)
    else:
        _check_ods(data, name=name)
    logging.getLogger("fastexcel").setLevel(logging.CRITICAL)
    logging.getLogger("calamine").setLevel(logging.CRITICAL)
    reader = guarded(lambda: fastexcel.read_excel(data), name=name, kind=label)
    return [
        _sheet(reader, index, title, name=name, kind=kind)
        for index, title in enumerate(guarded(lambda: reader.sheet_names, name=name, kind=label))
    ]


def _load(reader: fastexcel.ExcelReader, index: int) -> tuple[pl.DataFrame, int]:
    sheet = reader.load_sheet(index, header_row=None, skip_rows=0, dtypes="string")
    if sheet.width == 0 or sheet.total_height == 0:
        return pl.DataFrame(), 0
    first = min((c.absolute_index for c in sheet.selected_columns), default=0)
    frame = sheet.to_polars()
    frame.columns = [column_name(i) for i in range(frame.width)]
    return frame.cast(pl.String), first


def _blank_rows(frame: pl.DataFrame) -> pl.Series:
    empty = [
        (frame[name].is_null() | (frame[name].str.strip_chars().str.len_bytes() == 0))
        for name in frame.columns
    ]
    blank = empty[0]
    for other in empty[1:]:
        blank &= other
    return blank


def _sheet(
    reader: fastexcel.ExcelReader,
    index: int,
    title: str,
    *,
    name: str,
    kind: Literal["xlsx", "ods"],
) -> Sheet:
    frame, _ = guarded(lambda: _load(reader, index), name=name, kind=f"sheet {title}")
    if frame.width:
        numbers = np.arange(1, frame.height + 1, dtype=np.uint32)
        filled = ~_blank_rows(frame)
        frame, rows = frame.filter(filled), numbers[filled.to_numpy()]
    else:
        rows = np.zeros(0, dtype=np.uint32)
    return _frame_sheet(frame, rows, title=title, file_format=kind)


def _frame_sheet(
    frame: pl.DataFrame,
    rows: np.ndarray[tuple[int], np.dtype[np.uint32]],
    *,
    title: str,
    file_format: Literal["xlsx", "ods"],
) -> Sheet:
    head = [
        HeadRow(row=int(row), cells=tuple(" ".join((cell or "").split()) for cell in cells))
        for row, cells in zip(rows[:HEAD_ROWS], frame.head(HEAD_ROWS).iter_rows(), strict=True)
    ]

    def body(at: int, least: int, most: int) -> Body:  # noqa: ARG001 - rows of a sheet all fit
        return Body(frame=frame.slice(at + 1), rows=rows[at + 1 :])

    return Sheet(
        name=title, file_format=file_format, head=head, body=body, count=lambda: frame.height
    )


def parquet_sheet(data: bytes, *, name: str) -> Sheet:
    """Give a Parquet file as one sheet whose headings are the names of its columns.

    Raises:
        InputFileError: damaged, or larger than the limit.
    """

    def size() -> int:
        scan = pl.scan_parquet(io.BytesIO(data))
        return int(scan.select(pl.len()).collect().item()) * len(scan.collect_schema())

    def load() -> pl.DataFrame:
        return pl.read_parquet(io.BytesIO(data))

    cells = guarded(size, name=name, kind="a Parquet file")
    if cells > MAX_PARQUET_CELLS:
        raise _too_large(name, f"holds {cells:,} values", f"{MAX_PARQUET_CELLS:,}")
    frame = guarded(load, name=name, kind="a Parquet file")
    headings = tuple(frame.columns)
    frame.columns = [column_name(i) for i in range(frame.width)]
    rows = np.arange(1, frame.height + 1, dtype=np.uint32)

    def body(at: int, least: int, most: int) -> Body:  # noqa: ARG001 - rows of a frame all fit
        return Body(frame=frame, rows=rows)

    return Sheet(
        name="",
        file_format="parquet",
        head=[HeadRow(row=0, cells=headings)],
        body=body,
        count=lambda: frame.height,
    )
