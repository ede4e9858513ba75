"""What is hashed and signed, and which entries are acceptable."""

from __future__ import annotations

import dataclasses
import hashlib
import uuid
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.errors import CallError, RecordError
from arraywright.records import DeviceIdentity, NewEntry, json_body, named_files, parse_body
from arraywright.records.entry import (
    content_weakness,
    entry_uuid,
    format_time,
    netstrings,
    parse_time,
)
from arraywright.records.identity import signature_holds
from tests.published_values import published
from tests.records.making import placed

_PARTS = st.lists(st.binary(max_size=12), max_size=5)


def test_uuid_is_cut_from_a_hash_as_published() -> None:
    """The published name-based example of version 8 comes out digit by digit."""
    values = published("rfc-9562")
    named = uuid.UUID(values["inputs"]["namespace"]).bytes + values["inputs"]["name"].encode()
    assert entry_uuid(hashlib.sha256(named).digest()) == values["expected"]["uuid"]


@given(st.binary(min_size=32, max_size=32))
@settings(deadline=None)
def test_every_hash_gives_a_proper_uuid(digest: bytes) -> None:
    """The standard library reads each UUID as version 8 of the standard variant."""
    read = uuid.UUID(entry_uuid(digest))
    assert (read.version, read.variant) == (8, uuid.RFC_4122)


def test_keys_and_signatures_are_as_published() -> None:
    """Seeds give the published public keys as device ids, and the published signatures."""
    values = published("rfc-8032")
    inputs, expected = values["inputs"], values["expected"]
    for seed, message, key, signature in zip(
        inputs["seed"],
        inputs["message"],
        expected["public_key"],
        expected["signature"],
        strict=True,
    ):
        identity = DeviceIdentity.from_seed(bytes.fromhex(seed))
        assert identity.device == key
        assert identity.sign(bytes.fromhex(message)).hex() == signature
        assert signature_holds(
            key, entry_hash=bytes.fromhex(message), signature=bytes.fromhex(signature)
        )
        assert not signature_holds(key, entry_hash=b"other", signature=bytes.fromhex(signature))


def test_a_seed_of_another_length_is_refused() -> None:
    """A key is never made from too few bytes."""
    with pytest.raises(CallError, match="31 bytes"):
        DeviceIdentity.from_seed(bytes(31))


def test_netstring_is_as_published() -> None:
    """The published example comes out byte by byte."""
    values = published("netstrings")
    joined = netstrings(values["inputs"]["text"].encode())
    assert joined.hex() == values["expected"]["hexadecimal"]


@given(_PARTS, _PARTS)
@settings(deadline=None)
def test_different_parts_never_join_alike(one: list[bytes], other: list[bytes]) -> None:
    """Moving a byte from one field to the next changes what is hashed."""
    assert (netstrings(*one) == netstrings(*other)) == (one == other)


@given(
    st.datetimes(min_value=datetime(2000, 1, 2), max_value=datetime(2100, 1, 1)),  # noqa: DTZ001
    st.integers(-14 * 60, 14 * 60),
)
@settings(deadline=None)
def test_times_come_back_and_sort_as_text(moment: datetime, offset_minutes: int) -> None:
    """Any zone is written in UTC with microseconds, and read back as the same moment."""
    zoned = moment.replace(tzinfo=timezone(timedelta(minutes=offset_minutes)))
    text = format_time(zoned)
    assert parse_time(text) == zoned
    later = format_time(zoned + timedelta(microseconds=1))
    assert text < later


def test_a_time_without_zone_is_refused() -> None:
    """Nobody can say later which noon was meant."""
    with pytest.raises(RecordError, match="without a zone"):
        format_time(datetime(2026, 3, 2, 12))  # noqa: DTZ001
    assert format_time(datetime(2026, 3, 2, 12, tzinfo=UTC)) == "2026-03-02T12:00:00.000000Z"


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("kind", "", "0 characters"),
        ("subject", "S" * 501, "501 characters"),
        ("subject", "S1\n", "U+000A"),
        ("subject", "S\x00", "U+0000"),
        ("subject", "S\ud800", "U+D800"),
        ("subject", " S1", "space"),
        ("subject_kind", 7, "no text"),
        ("supersedes", "5C146B14-3C52-8AFD-938A-375D0DF1FBF6", "no UUID"),
        ("supersedes", "919108f7-52d1-4320-9bac-f847db4148a8", "no UUID"),
        ("body", "{}", "no bytes"),
        ("body", b"", "not JSON"),
        ("body", b"{} {}", "not JSON"),
        ("body", b"\xff", "not JSON"),
        ("body", b"\xef\xbb\xbf{}", "not JSON"),
        ("body", b'{"voc_v": NaN}', "not JSON"),
        ("body", b'{"voc_v": 1, "voc_v": 2}', "twice"),
        ("body", b"[" * 200_000 + b"]" * 200_000, "deep"),
        ("body", b'"' + b"x" * 1_048_576 + b'"', "1048578 bytes"),
        ("body", b'{"files": {}}', "no list"),
        ("body", b'{"files": ["a"]}', "no object"),
        ("body", b'{"files": [{"sha256": "AB", "size": 1}]}', "64 lower-case"),
        ("body", json_body({"files": [{"sha256": "0" * 64, "size": True}]}), "count of bytes"),
        ("body", json_body({"files": [{"sha256": "0" * 64, "size": -1}]}), "count of bytes"),
        ("body", json_body({"files": [{"sha256": "0" * 64, "size": 1, "name": 1}]}), "name"),
    ],
)
def test_what_cannot_be_kept_is_named(field: str, value: object, words: str) -> None:
    """Each kind of wrong entry is refused with words that say what is wrong."""
    wrong = dataclasses.replace(placed("S1", "P1"), **{field: value})  # type: ignore[arg-type]
    assert words in content_weakness(wrong)


@given(st.binary(max_size=64))
@settings(deadline=None)
def test_no_body_stops_the_check(body: bytes) -> None:
    """Whatever bytes come, the check answers; what it accepts can be read as JSON."""
    new = NewEntry(kind="note", subject_kind="site", subject="north", body=body)
    if not content_weakness(new):
        named_files(parse_body(body))
