"""What every answer of the server carries."""

from __future__ import annotations

import logging
import string
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from arraywright.records.people import Role
from arraywright.web.site_handle import SiteHandle
from arraywright.web.words import FOLDER, catalogue, languages, preferred_language
from tests.web.serving import Office, free_port, run_server

AREAS = sorted({path.name.split(".")[0] for path in FOLDER.glob("*.toml")})


def _fields(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


def test_health_tells_that_the_record_can_be_read(office: Office) -> None:
    """Whoever watches the server needs no sign-in and learns nothing of the site."""
    answer = office.client.get("/health")
    assert answer.status_code == 200
    assert answer.json()["status"] == "works"
    assert set(answer.json()) == {"status", "software", "entries"}


def test_every_answer_forbids_inline_scripts_and_frames(office: Office) -> None:
    """The content security policy stands on pages, errors and static files alike."""
    for path in ("/health", "/static/office/office.css", "/nothing-here", "/field/none"):
        answer = office.client.get(path)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'self'" in policy
        assert "unsafe-inline" not in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert ("wasm-unsafe-eval" in policy) == path.startswith("/field")


def test_metrics_are_for_leads_and_count_requests(office: Office) -> None:
    """Counts tell how much a site is used, so they are not public."""
    assert office.client.get("/metrics").status_code == 401
    assert office.signed_in(Role.CREW).get("/metrics").status_code == 403
    text = office.signed_in(Role.LEAD).get("/metrics").text
    assert 'route="/metrics",status="401"} 1' in text
    assert 'route="/metrics",status="403"} 1' in text


def test_a_request_too_large_is_refused_whether_it_says_so_or_not(office: Office) -> None:
    """A declared length and a streamed body meet the same limit."""
    page = b"x" * (3 << 20)
    assert office.client.post("/sign-in", content=page).status_code == 413


def test_a_fault_of_the_program_has_the_one_error_shape(
    office: Office, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """People get a number to tell; the log holds the places of the fault and no content."""

    def fail(_site: SiteHandle, _kinds: object = ()) -> int:
        raise ZeroDivisionError("serial MY4402600001")

    monkeypatch.setattr(SiteHandle, "last_order", fail)
    monkeypatch.setattr(logging.getLogger("arraywright.web"), "propagate", True)
    answer = office.client.get("/health")
    assert answer.status_code == 500
    assert answer.json()["error"]["code"] == "fault"
    assert answer.headers["x-request-id"] in answer.json()["error"]["remedy"]
    told = next(one.message for one in caplog.records if "fault" in one.message)
    assert "ZeroDivisionError" in told
    assert "MY4402600001" not in told


@pytest.mark.parametrize("area", AREAS)
def test_languages_have_the_same_messages(area: str) -> None:
    """English, German and Spanish have every message with the same placeholders."""
    assert {"en", "de", "es"} <= set(languages(area=area))
    english = catalogue("en", area=area)
    for language in languages(area=area):
        held = tomllib.loads((FOLDER / f"{area}.{language}.toml").read_text("utf-8"))
        assert set(held) == set(english), language
        for key, text in english.items():
            assert _fields(held[key]) == _fields(text), (language, key)


def test_the_language_of_the_browser_is_understood() -> None:
    """Weights decide, regions do not matter, and nonsense gives English."""
    assert preferred_language("fr-CH, de-AT;q=0.8, en;q=0.3") == "de"
    assert preferred_language("en;q=0.2, es-MX;q=0.9") == "es"
    assert preferred_language("de;q=x, zz") == "en"
    assert preferred_language("") == "en"


def test_the_command_serves_prints_one_link_and_stops_in_order(
    site_folder: Path, tmp_path: Path
) -> None:
    """A person starts the server, finds the owner's link on the terminal, and stops it."""
    server = run_server(site_folder, port=free_port(), log=tmp_path / "log")
    try:
        assert server.first_link.startswith(f"{server.address}/join/")
    finally:
        code = server.stop()
    assert code == 0


@pytest.mark.parametrize("there", ["nothing", "an empty folder", "other files", "a file"])
def test_the_command_refuses_what_is_no_site_and_leaves_it_as_it_is(
    tmp_path: Path, there: str
) -> None:
    """Without site.toml: exit code 2, what is missing and what to do, and nothing is written."""
    folder = tmp_path / "site"
    if there == "a file":
        folder.write_text("x")
    elif there != "nothing":
        folder.mkdir()
    if there == "other files":
        (folder / "notes.txt").write_text("x")
    before = sorted(path.name for path in tmp_path.rglob("*"))
    done = subprocess.run(  # noqa: S603
        [
            sys.executable,
            "-c",
            "from arraywright.cli.main import main; main()",
            "serve",
            str(folder),
            "--port",
            str(free_port()),
        ],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2, done.stderr
    assert str(folder) in done.stderr
    assert "site.toml" in done.stderr
    assert "To do: " in done.stderr
    assert sorted(path.name for path in tmp_path.rglob("*")) == before
