"""One pass over the bytes of a delimited text: records, fields, and the lines that do not fit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numba
import numpy as np
import numpy.typing as npt

__all__ = ["FIELD_MARK", "RECORD_MARK", "Scan", "scan_records"]

FIELD_MARK: Final = 0x1F
RECORD_MARK: Final = 0x1E
_QUOTE: Final = 0x22
_LF: Final = 0x0A
_CR: Final = 0x0D
_SPACE: Final = 0x20
_MAX_LINES_IN_QUOTES: Final = 20

Bytes = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """The records of a text.

    Attributes:
        content: fitting records, fields parted by 0x1F, records ended by 0x1E, quotes removed.
        rows: line in the text on which each fitting record begins, counted from 1.
        ends: offset in the text behind each fitting record.
        ragged_rows: line of each record with another number of fields.
        ragged_fields: how many fields each of them has.
        ragged_starts: offset in the text where each of them begins.
        ragged_ends: offset behind each of them.
    """

    content: Bytes
    rows: npt.NDArray[np.uint32]
    ends: npt.NDArray[np.int64]
    ragged_rows: npt.NDArray[np.uint32]
    ragged_fields: npt.NDArray[np.int32]
    ragged_starts: npt.NDArray[np.int64]
    ragged_ends: npt.NDArray[np.int64]


@numba.njit(cache=True)  # type: ignore[untyped-decorator,unused-ignore]
def _scan(  # noqa: C901 - one loop over bytes, compiled as a whole
    buf: Bytes,
    start: int,
    first_line: int,
    separator: int,
    least: int,
    most: int,
    pad: bool,  # noqa: FBT001
    limit: int,
    out: Bytes,
    rows: npt.NDArray[np.uint32],
    ends: npt.NDArray[np.int64],
    ragged_rows: npt.NDArray[np.uint32],
    ragged_fields: npt.NDArray[np.int32],
    ragged_starts: npt.NDArray[np.int64],
    ragged_ends: npt.NDArray[np.int64],
) -> tuple[int, int, int]:  # pragma: no cover - compiled
    size = buf.size
    at = start
    line = first_line
    written = 0
    good = 0
    ragged = 0
    literal_until = start
    while at < size and good < limit:
        record_start = at
        record_line = line
        record_written = written
        fields = 0
        filled = 0
        crossed = False
        done = False
        while not done:
            # one field begins at `at`
            begin = written
            any_text = False
            field_start = at
            line_at_field = line
            if at < size and buf[at] == _QUOTE and at >= literal_until:
                at += 1
                closed = False
                lines_inside = 0
                while at < size:
                    byte = buf[at]
                    if byte == _QUOTE:
                        if at + 1 < size and buf[at + 1] == _QUOTE:
                            out[written] = _QUOTE
                            written += 1
                            any_text = True
                            at += 2
                            continue
                        closed = True
                        at += 1
                        break
                    if byte == _LF or (byte == _CR and not (at + 1 < size and buf[at + 1] == _LF)):
                        lines_inside += 1
                        line += 1
                        if lines_inside > _MAX_LINES_IN_QUOTES:
                            break
                    if byte > _SPACE:
                        any_text = True
                        out[written] = byte
                    elif byte in (FIELD_MARK, RECORD_MARK, 0):
                        out[written] = _SPACE
                    else:
                        out[written] = byte
                    written += 1
                    at += 1
                tail = at
                while tail < size and buf[tail] == _SPACE and separator != _SPACE:
                    tail += 1
                follows = tail >= size or buf[tail] == separator
                follows = follows or buf[tail] == _LF or buf[tail] == _CR
                if closed and follows:
                    at = tail
                    if lines_inside:
                        crossed = True
                elif closed and lines_inside == 0:
                    pass  # text goes on behind the closing quote: taken as it stands
                else:
                    # a stray quote: the field is read again with the quote as a character
                    at = field_start
                    line = line_at_field
                    written = begin
                    any_text = False
                    literal_until = field_start + 1
            while at < size:
                byte = buf[at]
                if byte in (separator, _LF, _CR):
                    break
                if byte > _SPACE:
                    any_text = True
                    out[written] = byte
                elif byte in (FIELD_MARK, RECORD_MARK, 0):
                    out[written] = _SPACE
                else:
                    out[written] = byte
                written += 1
                at += 1
            fields += 1
            if any_text:
                filled = fields
            if at < size and buf[at] == separator:
                out[written] = FIELD_MARK
                written += 1
                at += 1
            else:
                done = True
        # `at` stands on a line end or behind the text
        end = at
        if at < size:
            if buf[at] == _CR and at + 1 < size and buf[at + 1] == _LF:
                at += 2
            else:
                at += 1
            line += 1
        if filled == 0:
            written = record_written
            continue
        if fields < least or filled > most:
            written = record_written
            if crossed:
                # quotes that join lines into a record that does not fit are stray: read the
                # first line again with its quotes as characters
                at = record_start
                line = record_line
                stop = record_start
                while stop < size and buf[stop] != _LF and buf[stop] != _CR:
                    stop += 1
                literal_until = stop
                continue
            ragged_rows[ragged] = record_line
            ragged_fields[ragged] = fields
            ragged_starts[ragged] = record_start
            ragged_ends[ragged] = end
            ragged += 1
            continue
        if pad:
            if fields > most:
                seen = 0
                cut = record_written
                while cut < written:
                    if out[cut] == FIELD_MARK:
                        seen += 1
                        if seen == most:
                            break
                    cut += 1
                written = cut
            for _ in range(fields, most):
                out[written] = FIELD_MARK
                written += 1
        out[written] = RECORD_MARK
        written += 1
        rows[good] = record_line
        ends[good] = at
        good += 1
    return written, good, ragged


def scan_records(
    text: Bytes,
    *,
    separator: str,
    start: int = 0,
    first_line: int = 1,
    least: int = 0,
    most: int = 0,
    limit: int = 0,
) -> Scan:
    """Split UTF-8 bytes into records.

    A quote counts only where a field begins, so a stray quote inside a text does no harm; quotes
    that are never closed, or that would join more than 20 lines, are characters. Blank lines and
    lines of nothing but separators are passed over. With ``most`` 0 every record is given as it
    stands; otherwise a record fits when it has at least ``least`` fields and nothing beyond the
    field ``most``; it is brought to ``most`` fields. With ``limit`` only that many are read.
    """
    view = text[start:]
    lines = int(np.count_nonzero(view == _LF)) + int(np.count_nonzero(view == _CR)) + 1
    pad = most > 0
    spare = lines * max(most - least, 0) if pad else 0
    room = min(lines, limit) if limit else lines
    out = np.empty(view.size + spare + lines + 16, dtype=np.uint8)
    rows = np.empty(room + 1, dtype=np.uint32)
    ends = np.empty(room + 1, dtype=np.int64)
    ragged_rows = np.empty(lines, dtype=np.uint32)
    ragged_fields = np.empty(lines, dtype=np.int32)
    ragged_starts = np.empty(lines, dtype=np.int64)
    ragged_ends = np.empty(lines, dtype=np.int64)
    written, good, ragged = _scan(
        text,
        start,
        first_line,
        ord(separator),
        least,
        most if pad else np.iinfo(np.int32).max,
        pad,
        limit or room + 1,
        out,
        rows,
        ends,
        ragged_rows,
        ragged_fields,
        ragged_starts,
        ragged_ends,
    )
    return Scan(
        content=out[:written],
        rows=rows[:good],
        ends=ends[:good],
        ragged_rows=ragged_rows[:ragged].copy(),
        ragged_fields=ragged_fields[:ragged].copy(),
        ragged_starts=ragged_starts[:ragged].copy(),
        ragged_ends=ragged_ends[:ragged].copy(),
    )
