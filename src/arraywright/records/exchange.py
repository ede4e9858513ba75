"""Entries in a file, to carry them from one record to another without a network."""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Final

from arraywright.errors import InputFileError, MachineError
from arraywright.records.entry import BodyError, Entry, format_time, parse_time

__all__ = ["entry_as_json", "entry_from_json", "read_entries", "write_entries"]

_TEXTS: Final = ("uuid", "device", "person", "kind", "subject_kind", "subject")
_BYTES: Final = ("previous_hash", "entry_hash", "signature")
_MAX_LINE_BYTES: Final = 4_194_304


def entry_as_json(entry: Entry) -> dict[str, Any]:
    """Give an entry as plain data: times as text, hashes in hexadecimal, the body in base64.

    The body stays what its device sent, byte for byte, because it is not taken apart. Received
    time and server order belong to one journal and are left out.
    """
    fields: dict[str, Any] = {name: getattr(entry, name) for name in _TEXTS}
    fields |= {name: getattr(entry, name).hex() for name in _BYTES}
    fields["sequence"] = entry.sequence
    fields["device_time"] = format_time(entry.device_time)
    fields["supersedes"] = entry.supersedes
    fields["body"] = base64.b64encode(entry.body).decode("ascii")
    return fields


def entry_from_json(fields: object) -> Entry:
    """Read what ``entry_as_json`` gave; raise ValueError when a field is missing or no such.

    Nothing is verified here: ``Journal.merge`` does that.
    """
    if not isinstance(fields, dict):
        raise BodyError("an entry is an object")
    texts: dict[str, str] = {name: _text(fields, name) for name in (*_TEXTS, "device_time")}
    sequence, supersedes = fields.get("sequence"), fields.get("supersedes")
    if type(sequence) is not int:
        raise ValueError("sequence is no whole number")
    if supersedes is not None and not isinstance(supersedes, str):
        raise ValueError("supersedes is no text")
    try:
        body = base64.b64decode(_text(fields, "body"), validate=True)
    except binascii.Error:
        raise ValueError("body is no base64") from None
    return Entry(
        uuid=texts["uuid"],
        device=texts["device"],
        sequence=sequence,
        person=texts["person"],
        device_time=parse_time(texts["device_time"]),
        kind=texts["kind"],
        subject_kind=texts["subject_kind"],
        subject=texts["subject"],
        body=body,
        previous_hash=bytes.fromhex(_text(fields, "previous_hash")),
        entry_hash=bytes.fromhex(_text(fields, "entry_hash")),
        signature=bytes.fromhex(_text(fields, "signature")),
        supersedes=supersedes,
    )


def write_entries(path: Path, entries: Iterable[Entry]) -> int:
    """Write entries to a file, one JSON object per line in UTF-8, and give their number.

    Raises:
        MachineError: the file cannot be written.
    """
    count = 0
    try:
        with path.open("w", encoding="utf-8", newline="\n") as file:
            for entry in entries:
                file.write(json.dumps(entry_as_json(entry), ensure_ascii=False) + "\n")
                count += 1
    except OSError as error:
        if isinstance(error, MachineError):
            raise
        raise MachineError(
            "file-not-writable",
            f"The file {path} cannot be written: {error.strerror or error}.",
            "Check the folder, your permission and the room on the disk.",
        ) from error
    return count


def read_entries(path: Path) -> Iterator[Entry]:
    """Read entries from a file that ``write_entries`` wrote.

    Raises:
        InputFileError: the file cannot be read, or a line is no entry; the line is named.
    """
    try:
        with path.open("rb") as file:
            number = 0
            while line := file.readline(_MAX_LINE_BYTES):
                number += 1
                yield _entry_of_line(line, path, number)
    except OSError as error:
        raise InputFileError(
            "file-not-readable",
            f"The file {path} cannot be read: {error.strerror or error}.",
            "Check its name and that you may read it.",
        ) from error


def _entry_of_line(line: bytes, path: Path, number: int) -> Entry:
    try:
        return entry_from_json(json.loads(line.decode("utf-8")))
    except (ValueError, RecursionError) as error:
        raise InputFileError(
            "exchange-line",
            f"Line {number} of {path} holds no entry: {error}.",
            "Write the file again from the record it came from; merging what was read so far "
            "again does no harm.",
        ) from error


def _text(fields: dict[str, Any], name: str) -> str:
    held = fields.get(name)
    if not isinstance(held, str):
        raise BodyError(f"{name} is missing or no text")
    return held
