"""One entry of the journal: its fields, the bytes that are hashed, and what makes it acceptable."""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, Final

from arraywright.errors import RecordError

__all__ = [
    "DEVICE_INTRODUCED",
    "DEVICE_SUBJECT",
    "FIRST_PREVIOUS_HASH",
    "MAX_BODY_BYTES",
    "MAX_TEXT_CHARS",
    "BodyError",
    "Entry",
    "NamedFile",
    "NewEntry",
    "content_weakness",
    "entry_hash",
    "entry_uuid",
    "entry_weakness",
    "format_time",
    "json_body",
    "named_files",
    "netstrings",
    "parse_body",
    "parse_time",
    "receipt_hash",
]

DEVICE_INTRODUCED: Final = "device_introduced"
"""Kind of the first entry of every device; its body holds the public key."""

DEVICE_SUBJECT: Final = "device"
"""Subject kind of a device's first entry; the subject is the device id."""

FIRST_PREVIOUS_HASH: Final = bytes(32)
"""What stands as the previous hash in the first entry of a device."""

MAX_BODY_BYTES: Final = 1_048_576
"""Longest body; what is longer belongs into a file that the entry names."""

MAX_TEXT_CHARS: Final = 500
"""Longest person, kind, subject kind or subject."""

_ENTRY_TAG: Final = b"arraywright-entry-1"
_RECEIPT_TAG: Final = b"arraywright-receipt-1"
_HEX64: Final = re.compile(r"[0-9a-f]{64}")
_UUID: Final = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-8[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}")
_TIME: Final = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}\.\d{6}Z", re.ASCII)
_MAX_SEQUENCE: Final = 2**53 - 1


class BodyError(ValueError):
    """A body is not written as bodies of entries are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NewEntry:
    """What a person wants to add to the journal.

    Attributes:
        kind: what happened, a key in plain text, for example ``pallet_received``.
        subject_kind: kind of thing it happened to: ``module``, ``pallet``, ``string``, ``site``.
        subject: identity of that thing, for example a serial.
        body: JSON text in UTF-8, kept byte for byte; see ``json_body``.
        supersedes: UUID of the entry this one corrects.
    """

    kind: str
    subject_kind: str
    subject: str
    body: bytes
    supersedes: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One immutable entry as it stands in a journal.

    Attributes:
        uuid: UUID of version 8, cut from the entry hash.
        device: device id, the raw Ed25519 public key as 64 lower-case hexadecimal digits.
        sequence: number given by the device, 1 for its first entry.
        person: who made the entry.
        device_time: time by the device's clock, UTC, microseconds.
        kind: what happened.
        subject_kind: kind of thing it happened to.
        subject: identity of that thing.
        body: JSON text in UTF-8, exactly as sent.
        previous_hash: entry hash of the device's entry before, 32 zero bytes for the first.
        entry_hash: SHA-256 over all fields above except the UUID, see ``entry_hash``.
        signature: Ed25519 signature of the device over the 32 bytes of the entry hash.
        supersedes: UUID of the entry this one corrects.
        received_time: when this journal received it; None while it is on its way.
        server_order: place in this journal, counted from 1; 0 while it is on its way.
    """

    uuid: str
    device: str
    sequence: int
    person: str
    device_time: datetime
    kind: str
    subject_kind: str
    subject: str
    body: bytes
    previous_hash: bytes
    entry_hash: bytes
    signature: bytes
    supersedes: str | None = None
    received_time: datetime | None = None
    server_order: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedFile:
    """A content-addressed file that an entry names.

    Attributes:
        sha256: SHA-256 of its bytes, 64 lower-case hexadecimal digits.
        size: its length in bytes.
        name: its name as the person gave it, for people only.
    """

    sha256: str
    size: int
    name: str = ""


def netstrings(*parts: bytes) -> bytes:
    """Join parts so that no two lists of parts give the same bytes.

    Each part is written as its length in decimal digits, a colon, its bytes and a comma (the
    open netstring format), one after the other.

    Source: netstrings 2
    """
    measured: list[int | bytes] = []
    for part in parts:
        measured += (len(part), part)
    return b"%d:%b," * len(parts) % tuple(measured)


def _raw(text: str) -> bytes:
    return text.encode("utf-8", "surrogateescape")


def entry_hash(
    *,
    device: str,
    sequence: int,
    person: str,
    device_time: str,
    kind: str,
    subject_kind: str,
    subject: str,
    supersedes: str | None,
    previous_hash: bytes,
    body: bytes,
) -> bytes:
    """Compute the hash of an entry, 32 bytes.

    SHA-256 over the netstrings, in this order, of: the tag ``arraywright-entry-1``, device,
    sequence in decimal digits, person, device time as ``YYYY-MM-DDTHH:MM:SS.ffffffZ``, kind,
    subject kind, subject, superseded UUID (empty when there is none), previous hash (32 raw
    bytes), body. Text is UTF-8. What the receiving journal adds (received time, server order)
    is not covered here but by ``receipt_hash``; the UUID is cut from this hash.

    Source: fips-180-4 6.2
    """
    return hashlib.sha256(
        netstrings(
            _ENTRY_TAG,
            _raw(device),
            b"%d" % sequence,
            _raw(person),
            _raw(device_time),
            _raw(kind),
            _raw(subject_kind),
            _raw(subject),
            _raw(supersedes or ""),
            previous_hash,
            body,
        )
    ).digest()


def receipt_hash(
    *,
    server_order: int,
    received_time: str,
    entry: bytes,
    signature: bytes,
    previous_receipt: bytes,
) -> bytes:
    """Compute what a journal chains over its own arrivals, 32 bytes.

    SHA-256 over the netstrings of: the tag ``arraywright-receipt-1``, server order in decimal
    digits, received time, entry hash, signature, and the receipt of the entry with the server
    order before (32 zero bytes for the first). The last receipt pins every byte of a journal.

    Source: fips-180-4 6.2
    """
    return hashlib.sha256(
        netstrings(
            _RECEIPT_TAG,
            b"%d" % server_order,
            _raw(received_time),
            entry,
            signature,
            previous_receipt,
        )
    ).digest()


def entry_uuid(hash_bytes: bytes) -> str:
    """Cut a UUID of version 8 from a SHA-256: its first 16 bytes, version and variant set.

    Because the UUID follows from the content, two different entries cannot carry the same one,
    and an entry can only supersede what existed before it.

    Source: rfc-9562 B.2
    """
    digits = hash_bytes[:16].hex()
    variant = "89ab"[int(digits[16], 16) & 3]
    return f"{digits[:8]}-{digits[8:12]}-8{digits[13:16]}-{variant}{digits[17:20]}-{digits[20:]}"


def format_time(moment: datetime) -> str:
    """Write a moment as ``YYYY-MM-DDTHH:MM:SS.ffffffZ``; a moment without zone is refused."""
    if moment.tzinfo is None:
        raise RecordError(
            "time-without-zone",
            f"Found the time {moment.isoformat()} without a zone.",
            "Give a time with its zone.",
        )
    return moment.astimezone(UTC).isoformat(timespec="microseconds")[:26] + "Z"


@lru_cache(maxsize=1024)  # all entries of one call have the same time
def parse_time(text: str) -> datetime:
    """Read what ``format_time`` wrote; raise ValueError on anything else."""
    if not _TIME.fullmatch(text):
        raise ValueError(f"not a time of the record: {text!r}")
    return datetime.fromisoformat(text)


def json_body(fields: Mapping[str, object]) -> bytes:
    """Write fields as compact JSON in UTF-8 with sorted keys, the usual way to make a body."""
    return json.dumps(
        fields, ensure_ascii=False, allow_nan=False, separators=(",", ":"), sort_keys=True
    ).encode()


def _no_constant(name: str) -> object:
    raise ValueError(f"{name} is no JSON number")


def _no_double_keys(pairs: list[tuple[str, object]]) -> dict[str, object]:
    held = dict(pairs)
    if len(held) != len(pairs):
        raise ValueError("one key stands twice in the same object")
    return held


_decode: Final[Callable[[str], Any]] = json.JSONDecoder(
    parse_constant=_no_constant, object_pairs_hook=_no_double_keys
).decode


def parse_body(body: bytes) -> Any:
    """Read a body as JSON; raise ValueError when it is not JSON in UTF-8 or has double keys.

    Source: rfc-8259 4, 8.1
    """
    try:
        return _decode(body.decode("utf-8"))
    except RecursionError:
        raise ValueError("nested too deep") from None


def named_files(fields: object) -> tuple[NamedFile, ...]:
    """List the files a parsed body names; raise BodyError when the list is not in order.

    A body names files under the key ``files`` of its outermost object: a list of objects with
    ``sha256`` (64 lower-case hexadecimal digits), ``size`` (bytes) and, for people, ``name``.
    """
    if not isinstance(fields, dict) or "files" not in fields:
        return ()
    listed = fields["files"]
    if not isinstance(listed, list):
        raise BodyError("files is no list")
    found = []
    for item in listed:
        if not isinstance(item, dict):
            raise BodyError("a file is no object")
        sha256, size, name = item.get("sha256"), item.get("size"), item.get("name", "")
        if not isinstance(sha256, str) or not _HEX64.fullmatch(sha256):
            raise BodyError("sha256 of a file is not 64 lower-case hexadecimal digits")
        if type(size) is not int or size < 0:
            raise BodyError("size of a file is no count of bytes")
        if not isinstance(name, str):
            raise BodyError("name of a file is no text")
        found.append(NamedFile(sha256=sha256, size=size, name=name))
    return tuple(found)


def _text_weakness(name: str, text: object) -> str:
    if not isinstance(text, str):
        return f"{name} is no text"
    if not text or len(text) > MAX_TEXT_CHARS:
        return f"{name} has {len(text)} characters, 1 to {MAX_TEXT_CHARS} are allowed"
    if not (text.isascii() and text.isprintable()):
        for character in text:
            if unicodedata.category(character) in {"Cc", "Cs"}:
                return f"{name} holds the control character U+{ord(character):04X}"
    if text != text.strip():
        return f"{name} begins or ends with a space"
    return ""


def _uuid_weakness(name: str, text: object) -> str:
    if isinstance(text, str) and _UUID.fullmatch(text):
        return ""
    return f"{name} is no UUID of version 8 in lower case"


def content_weakness(entry: NewEntry | Entry) -> str:
    """Say what is wrong with kind, subject, body or supersedes; empty when nothing is."""
    for name in ("kind", "subject_kind", "subject"):
        if weakness := _text_weakness(name, getattr(entry, name)):
            return weakness
    if entry.supersedes is not None and (
        weakness := _uuid_weakness("supersedes", entry.supersedes)
    ):
        return weakness
    body: object = entry.body
    if not isinstance(body, bytes):
        return "the body is no bytes"
    if len(body) > MAX_BODY_BYTES:
        return (
            f"the body has {len(body)} bytes, at most {MAX_BODY_BYTES} are allowed; "
            "put the data into a file and name it in the body"
        )
    try:
        named_files(parse_body(body))
    except ValueError as error:
        return f"the body is not JSON in UTF-8 as required: {error}"
    return ""


def _bytes_weakness(entry: Entry) -> str:
    for name, length in (("previous_hash", 32), ("entry_hash", 32), ("signature", 64)):
        held = getattr(entry, name)
        if not isinstance(held, bytes) or len(held) != length:
            return f"{name} is not {length} bytes"
    return ""


def _origin_weakness(entry: Entry) -> str:
    if not isinstance(entry.device, str) or not _HEX64.fullmatch(entry.device):
        return "the device id is not 64 lower-case hexadecimal digits"
    if type(entry.sequence) is not int or not 1 <= entry.sequence <= _MAX_SEQUENCE:
        return "the device's sequence number is no count from 1"
    if weakness := _text_weakness("person", entry.person):
        return weakness
    if not isinstance(entry.device_time, datetime) or entry.device_time.tzinfo is None:
        return "the device time is no time with a zone"
    if not 2000 <= entry.device_time.year <= 9000:
        return f"the device time lies in the year {entry.device_time.year}"
    is_first = entry.sequence == 1
    if is_first != (entry.kind == DEVICE_INTRODUCED):
        return f"the first entry of a device, and only that, must be of kind {DEVICE_INTRODUCED}"
    if is_first != (entry.previous_hash == FIRST_PREVIOUS_HASH):
        return "32 zero bytes as previous hash belong to the first entry of a device only"
    if is_first:
        fields = parse_body(entry.body)
        key = fields.get("public_key") if isinstance(fields, dict) else None
        if key != entry.device or entry.subject != entry.device:
            return "the first entry of a device must hold its own public key"
    return ""


def entry_weakness(entry: Entry) -> str:
    """Say why an entry cannot stand in a journal, its signature aside; empty when it can.

    Looks at form, hash and UUID. Whether the device's entry before is there does not matter:
    entries may arrive in any order.
    """
    for look in (content_weakness, _bytes_weakness, _origin_weakness):
        if weakness := look(entry):
            return weakness
    expected = entry_hash(
        device=entry.device,
        sequence=entry.sequence,
        person=entry.person,
        device_time=format_time(entry.device_time),
        kind=entry.kind,
        subject_kind=entry.subject_kind,
        subject=entry.subject,
        supersedes=entry.supersedes,
        previous_hash=entry.previous_hash,
        body=entry.body,
    )
    if expected != entry.entry_hash:
        return "the fields do not give the entry hash: something was changed after signing"
    if entry.uuid != entry_uuid(expected):
        return "the UUID does not follow from the entry hash"
    return ""
