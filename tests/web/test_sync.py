"""Devices and the server come to hold the same entries, as docs/sync.md says."""

from __future__ import annotations

import contextlib
import hashlib
import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from arraywright.findings import worst_verdict
from arraywright.records import DeviceIdentity, JournalSeal, entry_as_json, json_body
from arraywright.records.people import Role
from arraywright.records.people_access import make_device_code, revoke_device
from arraywright.web.sync_routes import make_cursor
from tests.postgres import new_database
from tests.web.phones import Phone, enrolled
from tests.web.serving import Office, open_office


@pytest.fixture(params=["sqlite", "postgresql"])
def office(request: pytest.FixtureRequest, site_folder: Path) -> Iterator[Office]:
    """Give an application on each kind of database."""
    with contextlib.ExitStack() as stack:
        url = None
        if request.param == "postgresql":
            url = stack.enter_context(new_database(request.getfixturevalue("postgres_url")))
        yield stack.enter_context(open_office(site_folder, record_url=url))


@pytest.fixture
def phone(office: Office) -> Phone:
    """Give a device of somebody of the crew."""
    return enrolled(office, office.people[Role.CREW], "blue phone")


def _push(office: Office, phone: Phone, batch: dict[str, Any] | None = None) -> list[Any]:
    answer = office.client.post(
        "/sync/v1/push", json=phone.batch() if batch is None else batch, headers=phone.headers
    )
    assert answer.status_code == 200, answer.text
    results: list[Any] = answer.json()["results"]
    return results


def _outcomes(results: list[Any]) -> list[str]:
    return [result["outcome"] for result in results]


def _pull_all(office: Office, phone: Phone, **given: Any) -> list[Any]:
    entries: list[Any] = []
    cursor = ""
    while True:
        answer = office.client.get(
            "/sync/v1/pull", params={"after": cursor, **given}, headers=phone.headers
        ).json()
        entries += answer["entries"]
        cursor = answer["cursor"]
        if not answer["more"]:
            return entries


def test_pushing_twice_and_backwards_holds_each_entry_once(office: Office, phone: Phone) -> None:
    """An entry may come late and again; the record has it once and verifies."""
    for number in range(20):
        phone.place(f"S{number:03d}", f"P{number:03d}")
    late = phone.batch(phone.entries[10:][::-1])
    assert _outcomes(_push(office, phone, late)) == ["added"] * 11
    outcomes = _outcomes(_push(office, phone))
    assert outcomes == ["already_there"] + ["added"] * 9 + ["already_there"] * 11
    assert office.site.seal().entries == 21
    assert worst_verdict(office.site.journal("x").verify()) == "pass"


def test_a_cursor_misses_nothing_and_repeats_nothing(office: Office, phone: Phone) -> None:
    """Pulled in small pages while others write, every entry comes once and in one order."""
    other = enrolled(office, office.people[Role.TESTER], "other phone")
    seen: list[str] = []
    cursor = ""
    for number in range(30):
        writer = (phone, other)[number % 2]
        writer.place(f"S{number:03d}", f"P{number:03d}")
        _push(office, writer)
        answer = office.client.get(
            "/sync/v1/pull", params={"after": cursor, "limit": 2}, headers=phone.headers
        ).json()
        seen += [entry["uuid"] for entry in answer["entries"]]
        cursor = answer["cursor"]
    while answer["more"]:
        answer = office.client.get(
            "/sync/v1/pull", params={"after": cursor}, headers=phone.headers
        ).json()
        seen += [entry["uuid"] for entry in answer["entries"]]
        cursor = answer["cursor"]
    assert seen == [entry.uuid for entry in office.site.journal("x").entries()]
    assert len(seen) == 32


def test_what_is_pulled_is_what_was_signed(office: Office, phone: Phone) -> None:
    """Bodies come back byte for byte, and own entries can be left out."""
    entry = phone.make("note_written", "site", "small", {"n": 1})
    _push(office, phone)
    pulled = _pull_all(office, phone)
    assert [{k: v for k, v in one.items() if k != "received_time"} for one in pulled] == [
        entry_as_json(phone.entries[0]),
        entry_as_json(entry),
    ]
    assert _pull_all(office, phone, own="false") == []
    assert [one["kind"] for one in _pull_all(office, phone, kinds="note_written")] == [
        "note_written"
    ]


def test_a_cursor_of_another_record_is_refused(office: Office, phone: Phone) -> None:
    """After a restore from an older copy a device learns that it must begin anew."""
    foreign = make_cursor(office.site, 900, JournalSeal(entries=900, receipt="ab" * 32))
    for cursor in (foreign, "nonsense", "W10", "e30"):
        answer = office.client.get("/sync/v1/pull", params={"after": cursor}, headers=phone.headers)
        assert (answer.status_code, answer.json()["error"]["code"]) == (409, "cursor-foreign")


def test_each_refusal_has_its_code_and_holds_no_other_back(office: Office, phone: Phone) -> None:
    """One bad entry in a batch is told by itself."""
    good = phone.place("S1", "P1")
    reserved = phone.make("allocation_planned", "site", "small", {})
    tested = phone.make("string_tested", "string", "A-S1", {"voc_v": 1})
    forged = replace(phone.place("S2", "P2"), body=json_body({"position": "P3"}))
    stranger = Phone(identity=DeviceIdentity.from_seed(bytes(32)), person=phone.person)
    unknown = stranger.introduce()
    somebody = Phone(identity=phone.identity, person="Somebody Else", entries=phone.entries[:4])
    named = somebody.place("S4", "P4")
    wrong_signature = replace(good, signature=bytes(64), uuid=good.uuid)
    batch = phone.batch([good, reserved, tested, forged, unknown, named])
    batch["entries"] += [{"uuid": 5}, 7, entry_as_json(wrong_signature)]
    results = _push(office, phone, batch)
    assert [result["code"] for result in results] == [
        "",
        "kind-reserved",
        "kind-not-allowed",
        "entry-refused",
        "device-unknown",
        "person-not-bound",
        "entry-malformed",
        "entry-malformed",
        "entry-refused",
    ]
    assert results[0]["outcome"] == "added"
    assert office.site.seal().entries == 2


def test_comparing_tells_gaps_and_missing_files(office: Office, phone: Phone) -> None:
    """At the end of a synchronisation both sides know whether they hold the same."""
    picture = b"not really a picture" * 1000
    sha256 = hashlib.sha256(picture).hexdigest()
    for number in range(6):
        phone.place(f"S{number}", f"P{number}")
    phone.make(
        "defect_found",
        "module",
        "S1",
        {"files": [{"sha256": sha256, "size": len(picture), "name": "crack.jpg"}]},
    )
    _push(office, phone, phone.batch([*phone.entries[:3], *phone.entries[5:]]))
    held = {
        "device": phone.identity.device,
        "entries": 8,
        "last_sequence": 8,
        "last_hash": phone.entries[-1].entry_hash.hex(),
    }
    answer = office.client.post(
        "/sync/v1/compare", json={"devices": [held]}, headers=phone.headers
    ).json()
    assert answer["results"][0]["gaps"] == [[4, 5]]
    assert answer["results"][0]["same"] is False
    assert answer["missing_files"] == [
        {"sha256": sha256, "size": len(picture), "name": "crack.jpg", "offset": 0}
    ]
    _push(office, phone)
    at = f"/sync/v1/files/{sha256}"
    office.client.put(
        at,
        content=picture,
        headers=phone.headers | {"Upload-Offset": "0", "Upload-Length": str(len(picture))},
    )
    answer = office.client.post(
        "/sync/v1/compare", json={"devices": [held]}, headers=phone.headers
    ).json()
    assert answer["results"][0]["same"] is True
    assert answer["missing_files"] == []
    assert worst_verdict(office.site.journal("x").verify()) == "pass"


def test_a_file_goes_on_where_it_was_cut(office: Office, phone: Phone) -> None:
    """Pieces may be lost, doubled or begin wrong; only the whole file appears under its name."""
    data = random.Random(7).randbytes(300_000)  # noqa: S311
    sha256 = hashlib.sha256(data).hexdigest()
    at = f"/sync/v1/files/{sha256}"

    def put(piece: bytes, offset: int) -> Any:
        return office.client.put(
            at,
            content=piece,
            headers=phone.headers | {"Upload-Offset": str(offset), "Upload-Length": str(len(data))},
        )

    def state() -> tuple[str, str]:
        held = office.client.head(at, headers=phone.headers).headers
        return held["upload-offset"], held["upload-complete"]

    assert state() == ("0", "?0")
    assert put(data[:100_000], 0).json() == {
        "sha256": sha256,
        "offset": 100_000,
        "complete": False,
    }
    doubled = put(data[:100_000], 0)
    assert (doubled.status_code, doubled.json()["offset"]) == (409, 100_000)
    assert doubled.json()["error"]["code"] == "offset-differs"
    assert state() == ("100000", "?0")
    assert office.client.get(at, headers=phone.headers).status_code == 404
    assert put(data[100_000:], 100_000).json()["complete"] is True
    assert state() == ("300000", "?1")
    assert put(b"other", 0).json()["complete"] is True
    assert office.client.get(at, headers=phone.headers).content == data
    part = office.client.get(at, headers=phone.headers | {"Range": "bytes=10-19"})
    assert (part.status_code, part.content) == (206, data[10:20])


def test_a_file_with_other_bytes_is_not_taken(office: Office, phone: Phone) -> None:
    """What does not have the SHA-256 named is thrown away and begins again."""
    sha256 = hashlib.sha256(b"right").hexdigest()
    at = f"/sync/v1/files/{sha256}"
    headers = phone.headers | {"Upload-Offset": "0", "Upload-Length": "5"}
    answer = office.client.put(at, content=b"wrong", headers=headers)
    assert (answer.status_code, answer.json()["error"]["code"]) == (422, "file-differs")
    assert office.client.head(at, headers=phone.headers).headers["upload-offset"] == "0"
    assert office.client.put(at, content=b"right", headers=headers).json()["complete"] is True


def test_enrolment_may_be_repeated_by_the_same_device_only(office: Office) -> None:
    """A lost answer costs a new token, a stolen code makes no second device."""
    person = office.people[Role.CREW]
    code = make_device_code(office.site.people, person.id, hours=1)
    mine = Phone(identity=DeviceIdentity.from_seed(bytes([1]) * 32), person=person.name)
    theirs = Phone(identity=DeviceIdentity.from_seed(bytes([2]) * 32), person=person.name)
    first, second = (
        {"code": code, "label": "x", "entry": entry_as_json(one.introduce())}
        for one in (mine, theirs)
    )
    told = office.client.post("/sync/v1/enrol/look", json={"code": code}).json()
    assert (told["person"], told["role"]) == (person.name, "crew")
    one = office.client.post("/sync/v1/enrol", json=first).json()
    again = office.client.post("/sync/v1/enrol", json=first).json()
    assert (one["outcome"], again["outcome"]) == ("added", "already_there")
    mine.token = one["token"]
    assert office.client.get("/sync/v1/hello", headers=mine.headers).status_code == 401
    mine.token = again["token"]
    hello = office.client.get("/sync/v1/hello", headers=mine.headers).json()
    assert hello["device"] == mine.identity.device
    assert hello["limits"]["batch_entries"] == 1000
    stolen = office.client.post("/sync/v1/enrol", json=second)
    assert (stolen.status_code, stolen.json()["error"]["code"]) == (422, "code-over")


def test_a_first_entry_that_is_forged_enrols_nothing(office: Office) -> None:
    """The device proves that it holds its key before the server learns it."""
    person = office.people[Role.CREW]
    phone = Phone(identity=DeviceIdentity.from_seed(bytes([3]) * 32), person=person.name)
    sound = phone.introduce()
    for wrong in (
        replace(sound, signature=bytes(64)),
        replace(sound, person="Somebody Else"),
        replace(sound, body=b"{}"),
    ):
        code = make_device_code(office.site.people, person.id, hours=1)
        answer = office.client.post(
            "/sync/v1/enrol", json={"code": code, "label": "", "entry": entry_as_json(wrong)}
        )
        assert answer.json()["error"]["code"] == "introduction-refused"
    assert office.site.seal().entries == 0


def test_a_device_that_was_given_up_is_refused(office: Office, phone: Phone) -> None:
    """A lost phone reads nothing more, and its later entries are not taken from others either."""
    phone.place("S1", "P1")
    other = enrolled(office, office.people[Role.LEAD], "lead's phone")
    revoke_device(office.site.people, phone.identity.device)
    assert office.client.get("/sync/v1/pull", headers=phone.headers).status_code == 401
    results = _push(office, other, phone.batch())
    assert {result["code"] for result in results} == {"device-revoked"}


def test_a_wrong_clock_is_told_and_refuses_nothing(office: Office, phone: Phone) -> None:
    """A phone whose battery died thinks it is years ago; its entries count all the same."""
    phone.clock = phone.clock.replace(year=2003)
    phone.place("S1", "P1")
    answer = office.client.post("/sync/v1/push", json=phone.batch(), headers=phone.headers).json()
    assert _outcomes(answer["results"]) == ["already_there", "added"]
    assert answer["clock_ahead_s"] < -86_400 * 365 * 20


def test_guests_read_and_make_nothing(office: Office) -> None:
    """A guest's device may pull; pushing is refused as a whole."""
    guest = enrolled(office, office.people[Role.GUEST], "guest's tablet")
    assert office.client.get("/sync/v1/pull", headers=guest.headers).status_code == 200
    assert (
        office.client.post("/sync/v1/push", json=guest.batch(), headers=guest.headers).status_code
        == 403
    )
