"""Readings of phones are judged by the server itself: once, seldom, and in its own name."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.records.people import Role
from arraywright.web.jobs import Job, Jobs
from arraywright.web.phone_intake import unjudged_readings
from arraywright.web.phone_judging import SERVER
from tests.web.carport import wait
from tests.web.phones import Phone, enrolled
from tests.web.serving import Office, open_office


def _read(phone: Phone, string: str, voc_v: float) -> None:
    reading = {"voc_v": voc_v, "isc_a": 10.02, "irradiance_w_m2": 710.0, "module_temp_c": 41.0}
    phone.make("string_tested", "string", string, {"reading": reading})


def _push(office: Office, phone: Phone) -> None:
    answer = office.client.post("/sync/v1/push", json=phone.batch(), headers=phone.headers)
    assert answer.status_code == 200, answer.text


def _jobs(office: Office) -> list[Job]:
    jobs: Jobs = office.client.app.state.jobs  # type: ignore[attr-defined]
    return jobs.newest()


def _soon(wanted: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 60.0
    while not wanted():
        assert time.monotonic() < deadline
        time.sleep(0.02)


def test_readings_of_phones_are_judged_in_the_name_of_the_server(site_folder: Path) -> None:
    """Nobody presses a button; the verdict names the server, and nothing is left waiting."""
    with open_office(site_folder, judge_phones=True) as office:
        phone = enrolled(office, office.people[Role.TESTER], "phone")
        _read(phone, "C-S01", 760.5)
        _push(office, phone)
        _soon(lambda: len(_jobs(office)) == 1)
        (job,) = _jobs(office)
        assert job.person == SERVER
        done = wait(office.signed_in(Role.LEAD), job.id)
        assert done["state"] == "done", done
        (entry,) = office.site.journal("x").live(kind=STRINGS_JUDGED)
        assert entry.person == SERVER
        assert unjudged_readings(office.site) == ""
        page = office.signed_in(Role.TESTER).get("/test", headers={"Accept": "text/html"})
        assert "The server takes in readings of phones by itself" in page.text


def test_further_readings_wait_and_then_come_together(site_folder: Path) -> None:
    """Within the time between two works nothing is begun, however often phones hand in."""
    with open_office(site_folder, judge_phones=True) as office:
        phone = enrolled(office, office.people[Role.TESTER], "phone")
        _read(phone, "C-S01", 760.5)
        _push(office, phone)
        _soon(lambda: len(_jobs(office)) == 1)
        wait(office.signed_in(Role.LEAD), _jobs(office)[0].id)
        for voc_v in (761.0, 762.0):
            _read(phone, "C-S02", voc_v)
            _push(office, phone)
            time.sleep(0.3)
        assert len(_jobs(office)) == 1
        assert unjudged_readings(office.site) != ""


def test_what_is_no_reading_starts_nothing(site_folder: Path) -> None:
    """Placements and repeated entries alone are no reason to judge."""
    with open_office(site_folder, judge_phones=True) as office:
        phone = enrolled(office, office.people[Role.TESTER], "phone")
        phone.place("MY4402600001", "C-R01-T01-1-01")
        for _ in range(2):
            _push(office, phone)
        time.sleep(0.5)
        assert _jobs(office) == []


def test_readings_of_a_time_without_server_are_judged_at_its_start(site_folder: Path) -> None:
    """Judging was switched off; the next start with it on catches up, the one after does not."""
    with open_office(site_folder) as office:
        phone = enrolled(office, office.people[Role.TESTER], "phone")
        _read(phone, "C-S01", 760.5)
        _push(office, phone)
        time.sleep(0.3)
        assert _jobs(office) == []
        page = office.signed_in(Role.TESTER).get("/test", headers={"Accept": "text/html"})
        assert "does not judge by itself" in page.text
    (site_folder / "people.sqlite").unlink()
    with open_office(site_folder, judge_phones=True) as office:
        _soon(lambda: bool(_jobs(office)))
        wait(office.signed_in(Role.LEAD), _jobs(office)[0].id)
        known = {job.id for job in _jobs(office)}
    (site_folder / "people.sqlite").unlink()
    with open_office(site_folder, judge_phones=True) as office:
        time.sleep(0.5)
        assert {job.id for job in _jobs(office)} <= known


def test_a_broken_description_stops_nothing_for_good(site_folder: Path) -> None:
    """While site.toml has a mistake nothing is judged; after it is mended the next entry does."""
    described = site_folder / "site.toml"
    sound = described.read_text("utf-8")
    with open_office(site_folder, judge_phones=True) as office:
        phone = enrolled(office, office.people[Role.TESTER], "phone")
        described.write_text(sound + "\n[nonsense]\nx = 1\n", "utf-8")
        _read(phone, "C-S01", 760.5)
        _push(office, phone)
        time.sleep(0.5)
        assert _jobs(office) == []
        described.write_text(sound, "utf-8")
        phone.place("MY4402600001", "C-R01-T01-1-01")
        _push(office, phone)
        _soon(lambda: len(_jobs(office)) == 1)
