"""Delimited text: its encoding, its records, and the frame of its fields."""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.errors import InputFileError
from arraywright.readers.scan import FIELD_MARK, RECORD_MARK, Bytes, Scan, scan_records
from arraywright.readers.sheets import HEAD_ROWS, Body, HeadRow, Sheet, column_name

__all__ = ["SEPARATORS", "DecodedText", "decode_text", "text_sheets"]

SEPARATORS: Final = (";", ",", "\t", "|")
_HEAD_BYTES: Final = 256 * 1024
_MOST_FIELDS: Final = 2_000
_DAMAGED_KEPT: Final = 1_000


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodedText:
    """A text as UTF-8 bytes.

    Attributes:
        content: the bytes, without a byte order mark.
        encoding: encoding of the file.
        damaged: lines with bytes that are no text in that encoding.
    """

    content: bytes
    encoding: str
    damaged: tuple[int, ...] = ()


def _not_text(name: str) -> InputFileError:
    return InputFileError(
        "file-not-a-table",
        f"{name} is neither a text table nor a workbook: it holds bytes that are no text.",
        "Export the table as CSV, XLSX, ODS or Parquet and give that file.",
    )


def _utf16_without_mark(data: bytes) -> str:
    sample = np.frombuffer(data[:4096], dtype=np.uint8)
    even = sample[0::2]
    odd = sample[1::2]
    if not len(odd):
        return ""
    zero_even = float((even == 0).mean())
    zero_odd = float((odd == 0).mean())
    if zero_odd > 0.6 and zero_even < 0.1:
        return "utf-16-le"
    if zero_even > 0.6 and zero_odd < 0.1:
        return "utf-16-be"
    return ""


def _lines_with(text: str, mark: str) -> tuple[int, ...]:
    lines: list[int] = []
    line, at = 1, 0
    while len(lines) < _DAMAGED_KEPT:
        found = text.find(mark, at)
        if found < 0:
            break
        line += text.count("\n", at, found)
        if not lines or lines[-1] != line:
            lines.append(line)
        at = found + 1
    return tuple(lines)


def _transcode(data: bytes, encoding: str) -> DecodedText:
    name = {"cp1252": "windows-1252"}.get(encoding, encoding)
    text = data.decode(encoding, errors="replace").lstrip("﻿")
    damaged = _lines_with(text, "�")
    return DecodedText(content=text.encode("utf-8"), encoding=name, damaged=damaged)


def _windows_1252(data: bytes) -> DecodedText:
    try:
        return DecodedText(content=data.decode("cp1252").encode("utf-8"), encoding="windows-1252")
    except UnicodeDecodeError:
        return _transcode(data, "cp1252")


def _looks_binary(data: bytes) -> bool:
    sample = np.frombuffer(data[: 1 << 16], dtype=np.uint8)
    control = (sample < 0x20) & ~np.isin(
        sample, np.array([0x09, 0x0A, 0x0B, 0x0C, 0x0D, 0x1A], dtype=np.uint8)
    )
    return bool(control.mean() > 0.02)


def decode_text(data: bytes, *, name: str) -> DecodedText:
    """Bring the bytes of a text file to UTF-8.

    A byte order mark decides; without one UTF-16 is known by its zero bytes, valid UTF-8 is
    UTF-8, and anything else is Windows-1252, unless nearly all of its characters beyond ASCII
    are valid UTF-8: then single bytes are damaged.

    Raises:
        InputFileError: the bytes are no text.
    """
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return _transcode(data, "utf-16")
    if data.startswith(codecs.BOM_UTF8):
        data = data[3:]
    guessed = _utf16_without_mark(data)
    if guessed:
        return _transcode(data, guessed)
    if _looks_binary(data):
        raise _not_text(name)
    if data.isascii():
        return DecodedText(content=data, encoding="utf-8")
    try:
        codecs.utf_8_decode(data, "strict", True)  # noqa: FBT003
    except UnicodeDecodeError:
        text = data.decode("utf-8", errors="replace")
        bad = text.count("�")
        beyond = sum(1 for c in text[:1_000_000] if c > "\x7f") - bad
        if beyond > 2 * bad:
            return _transcode(data, "utf-8")
        return _windows_1252(data)
    return DecodedText(content=data, encoding="utf-8")


def _head_records(content: Bytes, separator: str) -> tuple[list[HeadRow], Scan]:
    cut = content[:_HEAD_BYTES]
    if cut.size < content.size:
        ends = np.flatnonzero((cut == 0x0A) | (cut == 0x0D))
        cut = cut[: int(ends[-1]) + 1] if len(ends) else cut
    scan = scan_records(cut, separator=separator, limit=HEAD_ROWS)
    text = scan.content.tobytes().decode("utf-8", errors="replace")
    records = text.split(chr(RECORD_MARK))[:-1]
    head = [
        HeadRow(
            row=int(row),
            cells=tuple(
                " ".join(cell.split()) for cell in record.split(chr(FIELD_MARK))[:_MOST_FIELDS]
            ),
        )
        for row, record in zip(scan.rows, records, strict=True)
    ]
    return head, scan


def _line_at(content: Bytes, offset: int) -> int:
    head = content[:offset]
    feeds = int(np.count_nonzero(head == 0x0A))
    returns = np.flatnonzero(head == 0x0D)
    lone = returns[
        (returns + 1 >= content.size) | (content[np.minimum(returns + 1, content.size - 1)] != 0x0A)
    ]
    return 1 + feeds + len(lone)


def _frame(scan: Scan, fields: int, *, name: str) -> pl.DataFrame:
    names = [column_name(i) for i in range(fields)]
    if not len(scan.rows):
        return pl.DataFrame(schema=dict.fromkeys(names, pl.String))
    frame = pl.read_csv(
        scan.content.tobytes(),
        has_header=False,
        separator=chr(FIELD_MARK),
        eol_char=chr(RECORD_MARK),
        quote_char=None,
        schema=dict.fromkeys(names, pl.String),
    )
    if frame.height != len(scan.rows):
        raise InputFileError(
            "file-not-readable",
            f"{name}: {len(scan.rows)} rows were counted but {frame.height} were read.",
            "Open the file in a spreadsheet, save it as CSV again, and give that file.",
        )
    return frame


def text_sheets(text: DecodedText, *, name: str) -> list[Sheet]:
    """Give the table a text would be with each separator that its top holds."""
    content = np.frombuffer(text.content, dtype=np.uint8)
    top = text.content[:_HEAD_BYTES]
    held = [separator for separator in SEPARATORS if separator.encode() in top]
    return [
        _text_sheet(content, text, separator, name=name) for separator in held or SEPARATORS[:1]
    ]


def _text_sheet(content: Bytes, text: DecodedText, separator: str, *, name: str) -> Sheet:
    head, head_scan = _head_records(content, separator)

    def body(at: int, least: int, most: int) -> Body:
        start = int(head_scan.ends[at])
        scan = scan_records(
            content,
            separator=separator,
            start=start,
            first_line=_line_at(content, start),
            least=least,
            most=most,
        )

        def ragged_texts(count: int) -> list[str]:
            return [
                content[int(s) : min(int(e), int(s) + 400)].tobytes().decode("utf-8", "replace")
                for s, e in zip(scan.ragged_starts[:count], scan.ragged_ends[:count], strict=True)
            ]

        return Body(
            frame=_frame(scan, most, name=name),
            rows=scan.rows,
            ragged_rows=scan.ragged_rows,
            ragged_fields=scan.ragged_fields,
            ragged_texts=ragged_texts,
        )

    def count() -> int:
        return len(scan_records(content, separator=separator).rows)

    return Sheet(
        name="",
        file_format="text",
        head=head,
        body=body,
        count=count,
        encoding=text.encoding,
        separator=separator,
        damaged=text.damaged,
    )
