"""Who may use the server: first start, invitations, passwords, sessions, tokens."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from argon2 import extract_parameters
from fastapi.testclient import TestClient

from arraywright.records.people import PEOPLE_FILE, People, Person, Role
from arraywright.records.people_access import make_token
from arraywright.web.app import create_app
from arraywright.web.passwords import hash_password
from arraywright.web.serving import first_link
from arraywright.web.settings import WebSettings, utc_now
from tests.web.serving import Office

PASSWORD = "correct horse battery"  # noqa: S105


def _fresh(client: TestClient) -> TestClient:
    return TestClient(client.app, base_url="http://127.0.0.1:8440")


def _mark(page: str) -> str:
    found = re.search(r'name="csrf" content="([^"]+)"', page)
    assert found
    return found[1]


def _join(client: TestClient, link: str, name: str = "") -> Any:
    path = link.removeprefix("http://127.0.0.1:8440")
    return client.post(path, data={"name": name, "password": PASSWORD, "password_again": PASSWORD})


def test_the_first_link_makes_the_owner_once(site_folder: Path) -> None:
    """There is no default password; the link of the terminal works once and then never again."""
    settings = WebSettings(folder=site_folder)
    with TestClient(create_app(settings), base_url=settings.address) as client:
        site = client.app.state.site  # type: ignore[attr-defined]
        worthless, link = first_link(site), first_link(site)
        assert _fresh(client).get(worthless).status_code == 404
        assert "owner of this site" in client.get(link).text
        start = _join(client, link, "Robin  Example")
        assert start.status_code == 200
        assert start.url.path in {"/me", "/map"}
        assert client.get("/people").status_code == 200
        assert [one.name for one in site.people.everyone()] == ["Robin Example"]
        assert _join(_fresh(client), link, "Thief").status_code == 404
        assert first_link(site) == ""
        stored = site.people.password_hash(site.people.everyone()[0].id)
        assert stored.startswith("$argon2id$")
        assert extract_parameters(stored).memory_cost >= 65_536
    assert (site_folder / PEOPLE_FILE).stat().st_mode & 0o077 == 0


def test_the_record_holds_no_secret(office: Office) -> None:
    """Whoever is handed record.sqlite is handed no password, session or token."""
    with office.site.store.read() as connection:
        names = {row[0] for row in connection.exec_driver_sql("SELECT name FROM sqlite_master")}
    assert not {name for name in names if "people" in name}


def test_an_invitation_carries_role_and_name(office: Office) -> None:
    """A lead invites somebody of the crew, who chooses a password and is signed in."""
    lead = office.signed_in(Role.LEAD)
    page = lead.post("/people/invite", data={"name": "Kim Crew", "role": "crew"})
    assert page.status_code == 200
    assert "<svg" in page.text
    found = re.search(r"http://127\.0\.0\.1:8440/join/[\w-]+", page.text)
    assert found
    kim = _fresh(office.client)
    assert _join(kim, found[0]).status_code == 200
    assert "Kim Crew" in kim.get("/me").text
    assert kim.get("/people").status_code == 403


@pytest.mark.parametrize("role", ["owner", "lead"])
def test_a_lead_names_no_lead_and_no_owner(office: Office, role: str) -> None:
    """Nobody lifts others, or themselves, above what they are."""
    lead = office.signed_in(Role.LEAD)
    assert lead.post("/people/invite", data={"name": "Kim Crew", "role": role}).status_code == 403
    for person in office.people.values():
        answer = lead.post(f"/people/{person.id}/role", data={"role": role})
        assert answer.status_code == 403, person


def test_passwords_are_checked_and_the_sign_in_is_slow_to_guess(site_folder: Path) -> None:
    """A wrong password is refused, many wrong ones are slowed down, the right one signs in."""
    settings = WebSettings(folder=site_folder)
    with TestClient(create_app(settings), base_url=settings.address) as client:
        people: People = client.app.state.site.people  # type: ignore[attr-defined]
        person = people.add("Robin Example", Role.OWNER)
        people.set_password_hash(person.id, hash_password(PASSWORD))

        def attempt(name: str, password: str) -> int:
            answer = client.post(
                "/sign-in",
                data={"name": name, "password": password},
                follow_redirects=False,
            )
            return answer.status_code

        assert attempt("robin example", "wrong") == 403
        assert attempt("nobody", PASSWORD) == 403
        assert attempt("robin EXAMPLE", PASSWORD) == 303
        client.post("/sign-out", headers={"X-CSRF-Token": _mark(client.get("/me").text)})
        told = [attempt("Robin Example", f"guess {number}") for number in range(15)]
        assert told[0] == 403
        assert 429 in told[8:]


@pytest.mark.parametrize("password", ["short", "lead one", "Lead One  ", "x" * 1001])
def test_weak_passwords_are_not_taken(office: Office, password: str) -> None:
    """Too short, too long for the machine, or the person's own name."""
    secret = office.site.people.invite(
        role=Role.LEAD, person_id=office.people[Role.LEAD].id, made_by="x", hours=1
    )
    answer = office.client.post(
        f"/join/{secret}", data={"password": password, "password_again": password}
    )
    assert answer.status_code == 422


def test_a_form_without_the_mark_of_its_page_is_refused(office: Office) -> None:
    """A foreign page can make a browser send a form, but not the session's mark."""
    lead = office.signed_in(Role.LEAD)
    mark = lead.headers.pop("X-CSRF-Token")
    data = {"name": "Kim", "role": "crew"}
    assert lead.post("/people/invite", data=data).status_code == 403
    assert lead.post("/people/invite", data=data | {"csrf": "x" + mark}).status_code == 403
    foreign = {"Origin": "https://elsewhere.example", "Sec-Fetch-Site": "cross-site"}
    answer = lead.post("/people/invite", data=data | {"csrf": mark}, headers=foreign)
    assert (answer.status_code, answer.json()["error"]["code"]) == (403, "foreign-page")
    assert lead.post("/people/invite", data=data | {"csrf": mark}).status_code == 200


def test_shutting_somebody_out_ends_what_they_hold(office: Office) -> None:
    """Session, token and device of a person who left are worthless at once."""
    crew = office.people[Role.CREW]
    theirs = office.signed_in(Role.CREW)
    token = make_token(office.site.people, crew.id, name="x", scopes=["read"], days=1)
    bearer = {"Authorization": f"Bearer {token}"}
    assert theirs.get("/me").status_code == 200
    assert office.client.get("/sync/v1/hello", headers=bearer).status_code == 403
    office.signed_in(Role.LEAD).post(f"/people/{crew.id}/active", data={"active": "no"})
    assert theirs.get("/me").status_code == 401
    assert office.client.get("/sync/v1/hello", headers=bearer).status_code == 401


def test_the_last_owner_stays(office: Office) -> None:
    """A site is never left without an owner."""
    owner = office.people[Role.OWNER]
    answer = office.signed_in(Role.OWNER).post(f"/people/{owner.id}/role", data={"role": "lead"})
    assert (answer.status_code, answer.json()["error"]["code"]) == (409, "owner-needed")
    held = office.site.people.person(owner.id)
    assert held is not None
    assert held.role is Role.OWNER


def test_signing_out_ends_the_session_on_the_server(office: Office) -> None:
    """A cookie that was copied is worthless after signing out."""
    lead = office.signed_in(Role.LEAD)
    copied = _fresh(office.client)
    copied.cookies.set("arraywright", lead.cookies["arraywright"])
    assert copied.get("/me").status_code == 200
    lead.post("/sign-out")
    assert copied.get("/me").status_code == 401


def test_cookies_are_guarded(site_folder: Path) -> None:
    """Scripts cannot read the session, and over HTTPS it never leaves encryption."""
    settings = WebSettings(folder=site_folder, address="https://office.example")
    with TestClient(create_app(settings), base_url=settings.address) as client:
        link = first_link(client.app.state.site)  # type: ignore[attr-defined]
        answer = client.post(
            link.removeprefix(settings.address),
            data={"name": "R E", "password": PASSWORD, "password_again": PASSWORD},
            follow_redirects=False,
        )
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-arraywright=")
    assert {"HttpOnly", "Secure", "SameSite=lax", "Path=/"} <= {
        part.strip() for part in cookie.split(";")
    }
    assert "max-age" in answer.headers["strict-transport-security"]


def test_signing_in_leads_only_to_own_pages(office: Office) -> None:
    """A link that was sent around cannot lead from the sign-in to another server."""
    lead = office.signed_in(Role.LEAD)
    for target in ("//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example"):
        answer = lead.get("/sign-in", params={"next": target}, follow_redirects=False)
        assert answer.headers["location"] == "/"


@pytest.mark.parametrize("language", ["en", "de", "es"])
def test_pages_speak_the_language_chosen(office: Office, language: str) -> None:
    """The choice holds for a person on every page."""
    lead = office.signed_in(Role.LEAD)
    lead.post("/me", data={"language": language, "units": "us"})
    page = lead.get("/people").text
    assert f'<html lang="{language}">' in page
    assert {"en": "Sign out", "de": "Abmelden", "es": "Salir"}[language] in page
    assert office.site.people.person_named("lead one") == Person(
        id=office.people[Role.LEAD].id,
        name="Lead One",
        role=Role.LEAD,
        language=language,
        units="us",
        active=True,
        has_password=True,
    )


def test_names_cannot_be_taken_twice_or_hold_control_characters(tmp_path: Path) -> None:
    """The name in an entry tells who it was."""
    people = People.open(tmp_path / PEOPLE_FILE, now=utc_now)
    try:
        people.add("Alex Example", Role.CREW)
        for name in ("alex  EXAMPLE", "", "a\x00b", "x" * 101):
            with pytest.raises(ValueError, match="name"):
                people.add(name, Role.CREW)
    finally:
        people.close()
