"""What somebody might try, one test each."""

from __future__ import annotations

import io
import json
import re
import time
import zipfile
import zlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx2 as httpx
import polars as pl
import pytest
from fastapi.testclient import TestClient

from arraywright.errors import CallError
from arraywright.procedures.exports import csv_bytes
from arraywright.records import entry_as_json, json_body
from arraywright.records.people import Role
from arraywright.records.people_access import make_device_code, make_token, revoke_token
from arraywright.web.uploads import plain_name
from tests.web.phones import Phone, enrolled
from tests.web.serving import Office

SQL = ["' OR '1'='1", "x'; DROP TABLE people; --", '" UNION SELECT password FROM people --']
HTML = '<script>alert(1)</script><img src=x onerror="alert(2)">'


def _job(client: TestClient, answer: httpx.Response) -> dict[str, Any]:
    job_id = answer.json()["job"]
    deadline = time.monotonic() + 120
    while True:
        job: dict[str, Any] = client.get(f"/api/v1/jobs/{job_id}").json()
        if job["state"] in {"done", "failed"}:
            return job
        assert time.monotonic() < deadline
        time.sleep(0.2)


@pytest.mark.parametrize("text", SQL)
def test_sql_in_any_field_is_only_text(office: Office, text: str) -> None:
    """Words that mean something to a database change nothing and find nothing."""
    lead = office.signed_in(Role.LEAD)
    before = len(office.site.people.everyone())
    assert office.client.post("/sign-in", data={"name": text, "password": text}).status_code == 403
    for path in (f"/story/{text}", f"/documents/{text}", f"/jobs/{text}", f"/incidents/{text}"):
        assert lead.get(path).status_code in {404, 422}
    for query in (f"/yard?q={text}", f"/find?q={text}", f"/api/v1/modules?pallet={text}"):
        assert lead.get(query).status_code in {200, 422}
    assert lead.get("/sync/v1/pull", params={"kinds": text}).json()["entries"] == []
    assert lead.post("/people/invite", data={"name": text, "role": "crew"}).status_code == 200
    people = office.site.people.everyone()
    assert len(people) == before + 1
    assert text in {person.name for person in people}


def test_markup_is_shown_as_text(office: Office) -> None:
    """A name, a label and a note with markup are written out on every page, never run."""
    lead = office.signed_in(Role.LEAD)
    answer = lead.post("/people/invite", data={"name": HTML, "role": "crew"})
    assert "<script>alert" not in answer.text
    phone = enrolled(office, office.people[Role.CREW], HTML)
    assert phone.token
    found = lead.get("/people").text
    assert "<script>alert" not in found
    assert 'onerror="alert' not in found
    assert "&lt;script&gt;alert" in found
    lead.headers["Accept"] = "text/html"
    told = lead.get("/find", params={"q": HTML}).text
    assert "&lt;script&gt;alert" in told
    assert "<script>alert" not in told


@pytest.mark.parametrize(
    "name",
    [
        "../site.toml",
        "..%2Fsite.toml",
        "%2e%2e/site.toml",
        "....//site.toml",
        "/etc/passwd",
        "..\\site.toml",
        ".hidden.csv",
        "site.toml\x00.pdf",
    ],
)
def test_no_path_leads_out_of_the_folder(office: Office, name: str) -> None:
    """Documents come from one folder, whatever the name says."""
    (office.site.folder / "out").mkdir(exist_ok=True)
    (office.site.folder / "out" / ".hidden.csv").write_text("x")
    lead = office.signed_in(Role.LEAD)
    for path in (f"/documents/{name}", f"/api/v1/documents/{name}", f"/static/{name}"):
        try:
            answer = lead.get(path)
        except httpx.InvalidURL:
            continue
        assert answer.status_code in {400, 404}, path
        assert "[site]" not in answer.text
    link = office.site.folder / "out" / "link.csv"
    link.symlink_to(office.site.folder / "site.toml")
    assert lead.get("/documents/link.csv").status_code == 404


def test_uploads_land_in_their_folder_only(office: Office) -> None:
    """Names of files cannot climb, hide, or be something else than a table."""
    lead = office.signed_in(Role.LEAD)
    for name, wanted in (
        ("../../evil.csv", "evil.csv"),
        ("C:\\temp\\list.csv", "list.csv"),
        ("a:b?.csv", "a_b_.csv"),
    ):
        answer = lead.post("/api/v1/files", files={"files": (name, b"serial\n1\n")})
        assert answer.json()["files"] == [wanted]
        assert (office.site.folder / "inputs" / wanted).is_file()
    assert plain_name("a\x01b\u202egnp.csv") == "a_b_gnp.csv"
    for name in ("x.toml", "x.py", "record.sqlite", ".csv", "-rf.csv", "x" * 200 + ".csv"):
        with pytest.raises(CallError):
            plain_name(name)
    assert not list(office.site.folder.parent.glob("evil*"))


@pytest.mark.parametrize("mark", ["=", "+", "-", "@", "\t", "\r"])
def test_no_export_holds_a_formula(mark: str) -> None:
    """A serial that a spreadsheet would run is written as text."""
    text = csv_bytes(pl.DataFrame({"serial": [f"{mark}cmd|' /C calc'!A0"]})).decode()
    assert text.splitlines()[1].lstrip('"').startswith("'")


def _bomb() -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as packed:
        packed.writestr("xl/workbook.xml", "<workbook/>")
        with packed.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as sheet:
            for _ in range(300):
                sheet.write(bytes(1 << 20))
    return buffer.getvalue()


def test_a_packed_bomb_is_refused_and_the_server_goes_on(office: Office) -> None:
    """A small file that unpacks to hundreds of megabytes is told as a finding."""
    lead = office.signed_in(Role.LEAD)
    lead.headers["Accept"] = "application/json"
    bomb = _bomb()
    assert len(bomb) < 1_000_000
    answer = lead.post("/uploads/yard", files={"files": ("list.xlsx", bomb)})
    job = _job(lead, answer)
    assert job["state"] == "done"
    assert job["report"]["exit_code"] == 2
    assert any("unpacks to" in one["message"] for one in job["report"]["findings"])
    assert lead.get("/mapping/yard?file=list.xlsx").status_code == 422
    assert lead.get("/health").status_code == 200


def test_a_file_larger_than_allowed_is_refused(office: Office) -> None:
    """An oversized picture is refused before it is kept."""
    phone = enrolled(office, office.people[Role.CREW], "phone")
    most = office.site.settings.max_file_bytes
    at = f"/sync/v1/files/{'ab' * 32}"
    headers = phone.headers | {"Upload-Offset": "0", "Upload-Length": str(most + 1)}
    answer = office.client.put(at, content=b"x", headers=headers)
    assert (answer.status_code, answer.json()["error"]["code"]) == (413, "file-too-large")
    headers = phone.headers | {"Upload-Offset": "0", "Upload-Length": str(most)}
    assert office.client.put(at, content=bytes(5 << 20), headers=headers).status_code == 413
    assert not list((office.site.folder / "record-files").rglob("*.part"))


def test_forged_signatures_are_refused(office: Office) -> None:
    """Whoever holds a token but not the key makes no entry, not even a changed one."""
    phone = enrolled(office, office.people[Role.CREW], "phone")
    thief = enrolled(office, office.people[Role.CREW], "thief")
    entry = phone.place("S1", "P1")
    forged = [
        replace(entry, signature=thief.identity.sign(entry.entry_hash)),
        replace(entry, signature=bytes(64)),
        replace(entry, body=json_body({"position": "P2"})),
        replace(entry, device=thief.identity.device),
    ]
    answer = office.client.post(
        "/sync/v1/push", json=thief.batch(forged), headers=thief.headers
    ).json()
    assert {one["code"] for one in answer["results"]} == {"entry-refused"}


def test_replayed_entries_change_nothing(office: Office) -> None:
    """A copy of a request, sent again by anyone, adds nothing and moves nothing."""
    phone = enrolled(office, office.people[Role.CREW], "phone")
    other = enrolled(office, office.people[Role.CREW], "other")
    phone.place("S1", "P1")
    batch = phone.batch()
    office.client.post("/sync/v1/push", json=batch, headers=phone.headers)
    seal = office.site.seal()
    answer = office.client.post("/sync/v1/push", json=batch, headers=other.headers).json()
    assert {one["outcome"] for one in answer["results"]} == {"already_there"}
    assert office.site.seal() == seal


def test_a_replayed_introduction_takes_over_nothing(office: Office) -> None:
    """Another person's code does not make an enrolled device theirs."""
    phone = enrolled(office, office.people[Role.CREW], "phone")
    code = make_device_code(office.site.people, office.people[Role.TESTER].id, hours=1)
    moved = Phone(identity=phone.identity, person=office.people[Role.TESTER].name)
    answer = office.client.post(
        "/sync/v1/enrol",
        json={"code": code, "label": "x", "entry": entry_as_json(moved.introduce())},
    )
    assert answer.json()["error"]["code"] == "device-not-yours"
    assert office.client.get("/sync/v1/hello", headers=phone.headers).status_code == 200


def test_a_stolen_token_ends_when_it_is_revoked(office: Office) -> None:
    """Tokens are kept as hashes, and a revoked one opens nothing."""
    people = office.site.people
    owner = office.people[Role.OWNER]
    secret = make_token(people, owner.id, name="x", scopes=["read"], days=1)
    headers = {"Authorization": f"Bearer {secret}"}
    assert office.client.get("/api/v1/site", headers=headers).status_code == 200
    stored = (office.site.folder / "people.sqlite").read_bytes()
    wal = office.site.folder / "people.sqlite-wal"
    stored += wal.read_bytes() if wal.exists() else b""
    assert secret.encode() not in stored
    with people.read() as connection:
        token_id = connection.exec_driver_sql("SELECT id FROM people_tokens").scalar()
    revoke_token(people, str(token_id))
    assert office.client.get("/api/v1/site", headers=headers).status_code == 401
    for wrong in ("Bearer ", "Bearer x", f"Basic {secret}", f"Bearer {secret}x"):
        answer = office.client.get("/api/v1/site", headers={"Authorization": wrong})
        assert answer.status_code == 401


def test_a_cookie_alone_changes_nothing(office: Office) -> None:
    """A foreign page that makes the browser send its cookie is refused on every changing route."""
    lead = office.signed_in(Role.LEAD)
    del lead.headers["X-CSRF-Token"]
    for path in ("/run/check", "/yard/decide", "/people/tokens", "/me", "/api/v1/jobs"):
        assert lead.post(path, data={}).status_code == 403, path
    assert lead.delete("/api/v1/jobs/x").status_code == 403
    assert office.site.people.person(office.people[Role.LEAD].id)


def test_deeply_nested_and_broken_json_is_refused(office: Office) -> None:
    """Nothing that can be sent as a body stops the server."""
    phone = enrolled(office, office.people[Role.CREW], "phone")
    headers = phone.headers | {"Content-Type": "application/json"}
    for content in (b"[" * 200_000, b"\xff\xfe", b'{"entries": NaN}', b"{", b"null"):
        answer = office.client.post("/sync/v1/push", content=content, headers=headers)
        assert answer.status_code in {400, 422}, content[:10]
    deep = json_body({"x": 1}).replace(b"1", b"[" * 5000 + b"]" * 5000)
    entry = phone.make("note_written", "site", "x", {})
    fields = entry_as_json(replace(entry, body=deep))
    answer = office.client.post(
        "/sync/v1/push",
        content=json.dumps({"entries": [fields]}).encode(),
        headers=headers,
    )
    assert answer.json()["results"][0]["outcome"] == "refused"


def test_odd_bodies_of_phones_stop_no_page(office: Office) -> None:
    """Whatever a device of the crew writes into an entry, everybody's pages still open."""
    phone = enrolled(office, office.people[Role.TESTER], "phone")
    kinds = ("module_placed", "defect_reported", "incident_reported", "string_tested", "x_made")
    phone.make("test_session_signed", "test session", "2026-06-01", {"x": 1})
    bodies: list[Any] = [[], {"position": 5}, {"open_point": True, "what": [], "files": []}]
    for kind in kinds:
        for fields in bodies:
            phone.make(kind, "module", "MY1", fields)
    answer = office.client.post("/sync/v1/push", json=phone.batch(), headers=phone.headers)
    codes = [one["code"] for one in answer.json()["results"]]
    assert codes[:2] == ["", "kind-reserved"]
    assert set(codes[2:]) == {""}
    lead = office.signed_in(Role.LEAD)
    lead.headers["Accept"] = "text/html"
    for path in ("/map", "/design", "/yard", "/build", "/test", "/keep", "/documents"):
        assert lead.get(path).status_code == 200, path
    for path in ("/api/v1/changes", "/api/v1/progress", "/api/v1/stock", "/field/api/blocks"):
        assert lead.get(path).status_code == 200, path


def test_packed_requests_are_not_unpacked(office: Office) -> None:
    """A packed body is read as it is: no request can unpack to more than its limit."""
    phone = enrolled(office, office.people[Role.CREW], "phone")
    headers = phone.headers | {"Content-Encoding": "deflate", "Content-Type": "application/json"}
    packed = zlib.compress(b'{"entries": []}')
    answer = office.client.post("/sync/v1/push", content=packed, headers=headers)
    assert answer.status_code in {400, 422}


def test_errors_tell_nothing_of_the_machine(office: Office, tmp_path: Path) -> None:
    """No answer holds a path of the server, a stack or a version of a library."""
    lead = office.signed_in(Role.LEAD)
    told = "".join(
        lead.get(path).text
        for path in ("/nothing", "/jobs/x", "/story/x", "/documents/x", "/mapping/yard?file=x.csv")
    )
    assert str(tmp_path) not in told
    assert not re.search(r"Traceback|site-packages|starlette|uvicorn", told, re.IGNORECASE)
