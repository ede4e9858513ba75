"""Work of the server outlives it: what ended is kept, what was cut off is told and begun once."""

from __future__ import annotations

import json
import time
from collections import Counter
from pathlib import Path
from typing import Any

import httpx2 as httpx
import pytest

from arraywright.errors import CallError
from arraywright.procedures.report import NO_PROGRESS
from arraywright.records.people import Role
from arraywright.web.backup import backup
from arraywright.web.job_store import WORK_FOLDER, JobStore
from arraywright.web.jobs import Jobs
from arraywright.web.settings import WebSettings, utc_now
from arraywright.web.site_handle import SiteHandle
from tests.web.carport import FLASH, ORDER, SCANS, hand_in
from tests.web.serving import Office, free_port, open_office, run_server


def _client(folder: Path, address: str) -> httpx.Client:
    """Give a client of somebody who leads, known to the server before it starts."""
    site = SiteHandle.open(WebSettings(folder=folder))
    person = site.people.add("Lead One", Role.OWNER)
    site.people.set_password_hash(person.id, "$argon2id$none")
    secret, session = site.people.start_session(person.id, days=1)
    site.close()
    headers = {"X-CSRF-Token": session.csrf, "Accept": "application/json"}
    return httpx.Client(
        base_url=address, headers=headers, cookies={"arraywright": secret}, timeout=60
    )


def _until_over(client: httpx.Client, job_id: str) -> dict[str, Any]:
    deadline = time.monotonic() + 120
    while True:
        job: dict[str, Any] = client.get(f"/api/v1/jobs/{job_id}").json()
        if job["state"] not in {"waiting", "running"}:
            return job
        assert time.monotonic() < deadline, job
        time.sleep(0.1)


def _kinds(client: httpx.Client) -> Counter[str]:
    changes = client.get("/api/v1/changes", params={"limit": 2000}).json()["changes"]
    return Counter(one["kind"] for one in changes)


def test_work_cut_off_by_a_kill_is_told_and_begun_again_only_when_asked(
    site_folder: Path, tmp_path: Path
) -> None:
    """Of three that a kill cuts off none is lost, none begins by itself, a press begins one."""
    port = free_port()
    client = _client(site_folder, f"http://127.0.0.1:{port}")
    server = run_server(site_folder, port=port, log=tmp_path / "log")
    finished = client.post("/run/verify").json()["job"]
    before = _until_over(client, finished)
    asked = [client.post("/run/dossier").json()["job"] for _ in range(3)]
    server.kill()
    time.sleep(3.0)  # a process that was left alone ends at its next word
    server = run_server(site_folder, port=port, log=tmp_path / "log")
    try:
        jobs = {one["id"]: one for one in client.get("/api/v1/jobs").json()["jobs"]}
        assert set(jobs) == {finished, *asked}
        assert client.get(f"/api/v1/jobs/{finished}").json() == before
        assert {jobs[one]["state"] for one in asked} == {"interrupted"}
        page = client.get(f"/jobs/{asked[0]}", headers={"Accept": "text/html"}).text
        assert f"/jobs/{asked[0]}/again" in page
        assert "The server was stopped or killed" in page
        assert "cut off" in client.get("/jobs", headers={"Accept": "text/html"}).text
        time.sleep(1.0)
        entries = client.get("/api/v1/site").json()["seal"]["entries"]
        assert len(client.get("/api/v1/jobs").json()["jobs"]) == 4
        places = [client.post(f"/jobs/{asked[0]}/again").headers["location"] for _ in range(2)]
        assert places[0] == places[1]
        begun = _until_over(client, places[0].removeprefix("/jobs/"))
        assert begun["state"] == "done", begun
        assert begun["person"] == "Lead One"
        assert client.get("/api/v1/site").json()["seal"]["entries"] > entries
        assert _kinds(client)["dossier_written"] == 1
        assert client.post(f"/jobs/{finished}/again").status_code == 422
        page = client.get(f"/jobs/{asked[0]}", headers={"Accept": "text/html"}).text
        assert f'href="{places[0]}"' in page
        assert f"/jobs/{asked[0]}/again" not in page
    finally:
        client.close()
        server.stop()


def test_a_report_is_the_same_after_another_start(site_folder: Path) -> None:
    """Report, error, stages, who and when stand as they were; what was asked for too."""
    with open_office(site_folder) as office:
        lead = office.signed_in(Role.LEAD)
        done = hand_in(lead, "yard", order=ORDER, scans=SCANS, flash_list=FLASH)
        wrong = lead.post("/api/v1/jobs", json={"command": "allocate", "mode": "single"}).json()
        (site_folder / "site.toml").rename(site_folder / "away")
        failed = lead.post("/run/check", headers={"Accept": "application/json"}).json()["job"]
        failed_job = _office_wait(office, failed)
        (site_folder / "away").rename(site_folder / "site.toml")
        planned = _office_wait(office, wrong["id"])
    assert failed_job["error"]["code"]
    jobs = Jobs(WebSettings(folder=site_folder))
    for held in (done, planned, failed_job):
        job = jobs.get(held["id"])
        assert job is not None
        assert job.as_dict() == held
    again = jobs.get(wrong["id"])
    assert again is not None
    assert again.options["mode"] == "single"
    jobs.close()


def _office_wait(office: Office, job_id: str) -> dict[str, Any]:
    lead = office.signed_in(Role.LEAD)
    deadline = time.monotonic() + 120
    while True:
        job: dict[str, Any] = lead.get(f"/api/v1/jobs/{job_id}").json()
        if job["state"] not in {"waiting", "running"}:
            return job
        assert time.monotonic() < deadline, job
        time.sleep(0.1)


def _held(number: int, state: str) -> dict[str, Any]:
    return {
        "id": f"job{number:04d}",
        "command": "verify",
        "person": "Lead One",
        "state": state,
        "made": f"2026-03-02T{number // 60:02d}:{number % 60:02d}:00+00:00",
        "ended": "2026-03-03T00:00:00+00:00",
        "stages": ["a"],
        "error": None,
        "again": "",
        "options": {},
    }


def test_a_backup_is_of_the_site_and_not_of_the_server(site_folder: Path, tmp_path: Path) -> None:
    """Work is no part of a copy: a site restored elsewhere has cut nothing off."""
    with open_office(site_folder):
        JobStore(site_folder).save("job0001", _held(1, "running"))
    target = tmp_path / "copy"
    backup(site_folder, target, now=utc_now, progress=NO_PROGRESS)
    assert (target / "site.toml").is_file()
    assert not (target / WORK_FOLDER).exists()


def test_no_more_is_kept_than_two_hundred(tmp_path: Path) -> None:
    """The oldest go from memory and disk, with their reports."""
    store = JobStore(tmp_path)
    for number in range(230):
        store.save(f"job{number:04d}", _held(number, "done"))
        store.save_report(f"job{number:04d}", {"summary": [str(number)]})
    jobs = Jobs(WebSettings(folder=tmp_path))
    listed = [job.id for job in jobs.newest(1000)]
    assert listed == [f"job{number:04d}" for number in range(229, 29, -1)]
    assert len(list((tmp_path / WORK_FOLDER).iterdir())) == 400
    job = jobs.get("job0229")
    assert job is not None
    assert job.report == {"summary": ["229"]}
    jobs.close()


def test_what_cannot_be_read_is_left_and_does_no_harm(tmp_path: Path) -> None:
    """A file that is cut, or that says something else, is not taken for work."""
    store = JobStore(tmp_path)
    store.save("job0001", _held(1, "waiting"))
    folder = tmp_path / WORK_FOLDER
    (folder / "cut.json").write_bytes(b'{"id": "cut", "comm')
    (folder / "list.json").write_text("[]")
    (folder / "odd.json").write_text(json.dumps(_held(2, "done") | {"made": 5}))
    jobs = Jobs(WebSettings(folder=tmp_path))
    (job,) = jobs.newest()
    assert (job.id, job.state) == ("job0001", "interrupted")
    assert json.loads((folder / "job0001.json").read_text())["state"] == "interrupted"
    jobs.close()


def test_work_goes_on_where_it_cannot_be_kept(tmp_path: Path) -> None:
    """A folder that cannot be made is no reason not to work, and the report is given."""
    (tmp_path / WORK_FOLDER).write_text("in the way")
    jobs = Jobs(WebSettings(folder=tmp_path))
    job = jobs.start("verify", person="Lead One", options={})
    deadline = time.monotonic() + 60
    while not job.over and time.monotonic() < deadline:
        time.sleep(0.1)
    given = jobs.get(job.id)
    assert given is not None
    assert (given.state, (given.error or {}).get("code")) != ("waiting", None)
    jobs.close()


def test_work_that_is_done_is_not_begun_again(tmp_path: Path) -> None:
    """It is started from its station, as new work."""
    JobStore(tmp_path).save("job0001", _held(1, "done"))
    jobs = Jobs(WebSettings(folder=tmp_path))
    job = jobs.get("job0001")
    assert job is not None
    with pytest.raises(CallError, match="under way or done"):
        jobs.again(job, person="Lead One", options={})
    jobs.close()
