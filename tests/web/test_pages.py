"""What people do on office pages, and what comes of it in the record."""

from __future__ import annotations

import re
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from arraywright.records import parse_body
from arraywright.records.people import Role
from arraywright.web.office_actions import mapping_text
from arraywright.web.office_progress import forecast
from tests.web.carport import FLASH, ORDER, PALLETS, SCANS, hand_in, readings, serial, wait
from tests.web.phones import enrolled
from tests.web.serving import Office

STATIONS = ("/design", "/yard", "/build", "/test", "/keep", "/documents", "/people", "/me")


def _page(client: TestClient, path: str) -> str:
    answer = client.get(path, headers={"Accept": "text/html"})
    assert answer.status_code == 200, answer.text
    return answer.text


def _delivered(office: Office) -> TestClient:
    lead = office.signed_in(Role.LEAD)
    job = hand_in(lead, "yard", order=ORDER, scans=SCANS, flash_list=FLASH)
    assert job["state"] == "done", job
    return lead


def _run(client: TestClient, command: str, **form: str) -> dict[str, Any]:
    answer = client.post(f"/run/{command}", data=form, headers={"Accept": "application/json"})
    assert answer.status_code == 202, answer.text
    return wait(client, answer.json()["job"])


@pytest.mark.parametrize("language", ["en", "de", "es"])
@pytest.mark.parametrize("role", [Role.OWNER, Role.TESTER, Role.GUEST])
def test_every_station_opens_before_anything_was_entered(
    office: Office, language: str, role: Role
) -> None:
    """On the first day the pages say that there is nothing yet, in every language and role."""
    client = office.signed_in(role)
    client.post("/me", data={"language": language, "units": "us"})
    for path in STATIONS:
        if path == "/people" and role is not Role.OWNER:
            continue
        assert f'<html lang="{language}">' in _page(client, path)


def test_a_tester_sees_no_button_that_would_be_refused(office: Office) -> None:
    """Forms stand only on pages of those who may send them."""
    tester, guest = office.signed_in(Role.TESTER), office.signed_in(Role.GUEST)
    assert "/run/check" not in _page(tester, "/design")
    assert "/uploads/test" in _page(tester, "/test")
    for path in ("/design", "/yard", "/build", "/test", "/keep"):
        forms = re.findall(r'<form[^>]*method="post"[^>]*action="([^"]+)"', _page(guest, path))
        assert forms == ["/sign-out"]


def test_a_lead_decides_about_a_pallet_and_stock_follows(office: Office) -> None:
    """Against the checks a pallet is accepted with a reason; it counts, and the finding stays."""
    lead = _delivered(office)
    damaged = PALLETS[1]
    found = {row["pallet"]: row for row in lead.get("/api/v1/pallets").json()["rows"]}
    assert found[damaged]["verdict"] != "accept"
    before = lead.get("/api/v1/stock").json()["classes"][0]["accepted"]
    answer = lead.post(
        "/yard/decide",
        data={"pallet": damaged, "verdict": "accept", "reason": "Only the foil is torn."},
        headers={"Accept": "application/json"},
    )
    assert wait(lead, answer.json()["job"])["state"] == "done"
    found = {row["pallet"]: row for row in lead.get("/api/v1/pallets").json()["rows"]}
    assert found[damaged]["verdict"] == "accept"
    assert lead.get("/api/v1/stock").json()["classes"][0]["accepted"] == before + 22
    told = lead.get("/api/v1/open-points").json()["points"]
    assert any(
        one["check"] == "pallet-decided" and "Only the foil is torn." in one["message"]
        for one in told
    )
    assert "Lead One decided: accepted" in _page(lead, "/yard")
    entry = next(iter(office.site.journal("x").entries(kind="office_pallet_decided")))
    assert entry.person == "Lead One"
    assert entry.device == office.site.device.device
    again = lead.post(
        "/yard/decide",
        data={"pallet": damaged, "verdict": "as_checked", "reason": "Opened it after all."},
        headers={"Accept": "application/json"},
    )
    assert wait(lead, again.json()["job"])["state"] == "done"
    assert lead.get("/api/v1/stock").json()["classes"][0]["accepted"] == before
    assert "Decided: accepted (Only the foil is torn.)" in _page(lead, f"/story/{damaged}")
    lead.post("/me", data={"language": "de", "units": "metric"})
    told = _page(lead, f"/story/{damaged}")
    assert "Entschieden: angenommen (Only the foil is torn.)" in told
    assert "Urteil über die Palette: zurückgestellt" in told
    assert "Zustand der Palette" in _page(lead, "/test")


def test_a_decision_needs_a_reason_and_a_pallet(office: Office) -> None:
    """Nothing is decided by an empty word or about a pallet nobody knows."""
    lead = _delivered(office)
    for pallet, verdict, reason in (
        (PALLETS[0], "refuse", "  "),
        (PALLETS[0], "burn", "x"),
        ("1", "refuse", "x"),
    ):
        answer = lead.post(
            "/yard/decide", data={"pallet": pallet, "verdict": verdict, "reason": reason}
        )
        assert answer.status_code == 422


def test_a_file_that_is_not_recognised_is_mapped_by_hand(office: Office) -> None:
    """Somebody says which column is which, and the file is read."""
    lead = office.signed_in(Role.LEAD)
    strange = FLASH.replace(b"Serial,Pallet", b"Ding,Haufen").replace(
        b"Pmax [W],Voc [V],Isc [A],Vmp [V],Imp [A]", b"q1,q2,q3,q4,q5"
    )
    job = hand_in(lead, "yard", things=strange)
    assert job["report"]["exit_code"] == 2
    page = _page(lead, f"/jobs/{job['id']}")
    assert "/mapping/yard?file=things.csv" in page
    page = _page(lead, "/mapping/yard?file=things.csv&kind=flash_list")
    assert '<option value="Haufen">' in page
    columns = {
        "serial": "Ding",
        "pallet": "Haufen",
        "pmax_w": "q1",
        "voc_v": "q2",
        "isc_a": "q3",
        "vmp_v": "q4",
        "imp_a": "q5",
    }
    answer = lead.post(
        "/mapping/yard",
        data={"file": "things.csv", "kind": "flash_list", "decimal_mark": "."}
        | {f"column.{name}": heading for name, heading in columns.items()},
        headers={"Accept": "application/json"},
    )
    done = wait(lead, answer.json()["job"])
    assert done["state"] == "done", done
    assert lead.get("/api/v1/deliveries").json()["files"][0]["used"] == 44


def test_headings_cannot_break_out_of_a_mapping_file() -> None:
    """Whatever stands in a heading, the mapping says it and nothing else."""
    heading = 'a"\nkind = "order"\\ \x01'
    text = mapping_text(
        kind="flash_list", columns={"serial": heading}, decimal_mark=",", date_order="x"
    )
    assert tomllib.loads(text) == {
        "kind": "flash_list",
        "decimal_mark": ",",
        "columns": {"serial": heading},
    }


def test_a_signed_session_shows_what_changed_later(office: Office) -> None:
    """A tester signs verdicts; when a later reading changes one, the page says so."""
    _delivered(office)
    tester = office.signed_in(Role.TESTER)
    job = hand_in(tester, "test", string_readings=readings(761.0))
    assert job["state"] == "done", job
    (session,) = tester.get("/api/v1/sessions").json()["sessions"]
    assert (session["day"], session["person"]) == ("2026-06-01", "Sam Tester")
    form = {"session": session["key"], "digest": session["digest"]}
    assert tester.post("/test/sign", data=form | {"digest": "0" * 64}).status_code == 422
    assert tester.post("/test/sign", data=form).status_code == 200
    (session,) = tester.get("/api/v1/sessions").json()["sessions"]
    assert (session["signed_by"], session["changed"]) == ("Tester One", [])
    answer = tester.post(
        "/uploads/test",
        files=[("files", ("string_readings.csv", readings(722.0)))],
        data={"replaced": "string_readings.csv"},
        headers={"Accept": "application/json"},
    )
    assert wait(tester, answer.json()["job"])["state"] == "done"
    (session,) = tester.get("/api/v1/sessions").json()["sessions"]
    assert session["changed"] == ["C-S02"]
    assert "Changed since it was signed: C-S02" in _page(tester, "/test")


def test_an_open_point_is_settled_with_a_reason_and_opened_again(office: Office) -> None:
    """Who settled it and why stands beside it; settled is not forgotten."""
    lead = _delivered(office)
    points = lead.get("/api/v1/open-points").json()
    key = points["points"][0]["key"]
    lead.post("/test/settle", data={"point": key, "reason": "Looked at on site."})
    after = lead.get("/api/v1/open-points").json()
    assert after["open"] == points["open"] - 1
    settled = next(one for one in after["points"] if one["key"] == key)
    assert (settled["settled_by"], settled["reason"]) == ("Lead One", "Looked at on site.")
    lead.post("/test/settle", data={"point": key})
    assert lead.get("/api/v1/open-points").json()["open"] == points["open"]
    assert lead.post("/test/settle", data={"point": "x", "reason": "y"}).status_code == 422


def test_an_incident_names_its_modules_and_where_they_are(office: Office) -> None:
    """A dropped pallet: the page lists its serials, those in place with string and place."""
    lead = _delivered(office)
    phone = enrolled(office, office.people[Role.CREW], "phone")
    phone.place(serial(3), "C-R01-T01-1-01")
    office.client.post("/sync/v1/push", json=phone.batch(), headers=phone.headers)
    form = {
        "what": "dropped",
        "day": "2026-05-05",
        "told": "It slid off the fork.",
        "names": f"{PALLETS[0]}\n",
    }
    assert lead.post("/yard/incidents", data=form | {"names": "nobody"}).status_code == 422
    page = lead.post("/yard/incidents", data=form, headers={"Accept": "text/html"})
    assert page.status_code == 200
    assert "It slid off the fork." in page.text
    assert "electroluminescence" in page.text
    (incident,) = lead.get("/api/v1/incidents").json()["incidents"]
    assert len(incident["modules"]) == 22
    placed = {one["serial"]: one["string"] for one in incident["modules"] if one["string"]}
    assert placed == {serial(3): "C-S01"}


def test_contradicting_placements_are_shown_and_settled(office: Office) -> None:
    """Two people set two modules in one position: both stories are told, one is withdrawn."""
    lead = office.signed_in(Role.LEAD)
    first = enrolled(office, office.people[Role.CREW], "one")
    second = enrolled(office, office.people[Role.TESTER], "two")
    kept = first.place(serial(1), "C-R01-T01-1-01")
    wrong = second.place(serial(2), "C-R01-T01-1-01")
    for phone in (first, second):
        office.client.post("/sync/v1/push", json=phone.batch(), headers=phone.headers)
    page = _page(lead, "/build")
    assert "Position C-R01-T01-1-01 holds more than one module" in page
    assert kept.uuid in page
    assert wrong.uuid in page
    lead.post("/build/withdraw", data={"uuid": wrong.uuid, "reason": "Read the label again."})
    page = _page(lead, "/build")
    assert wrong.uuid not in page
    entry = next(iter(office.site.journal("x").entries(kind="placement_undone")))
    assert entry.supersedes == wrong.uuid
    assert parse_body(entry.body)["reason"] == "Read the label again."


def test_defects_are_shown_with_their_photographs_only(office: Office) -> None:
    """A picture is shown as one; any other stored file is not given as a picture."""
    lead = office.signed_in(Role.LEAD)
    phone = enrolled(office, office.people[Role.CREW], "phone")
    picture = office.site.files.put_bytes(b"\x89PNG\r\n\x1a\n" + bytes(40))
    page = office.site.files.put_bytes(b"<html><script>alert(1)</script>")
    phone.make(
        "defect_reported",
        "module",
        serial(1),
        {"severity": "danger", "what": "glass <b>", "files": [picture.named("a"), page.named("b")]},
    )
    phone.make("module_placed", "module", serial(2), {"position": "x", "open_point": True})
    phone.place(serial(3), "C-R01-T01-1-01")
    office.client.post("/sync/v1/push", json=phone.batch(), headers=phone.headers)
    shown = _page(lead, "/build")
    assert "glass &lt;b&gt;" in shown
    points = lead.get("/api/v1/open-points").json()["points"]
    assert {one["check"] for one in points} >= {"defect-reported", "module-placed"}
    assert f"/photos/{picture.sha256}" in shown
    reports = shown.partition('id="reports"')[2]
    assert serial(2) in reports
    assert serial(3) not in reports
    answer = lead.get(f"/photos/{picture.sha256}")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "image/png")
    assert lead.get(f"/photos/{page.sha256}").status_code == 404


def test_phone_entries_are_judged_with_everything_else(office: Office) -> None:
    """Placements of phones become an as-built list; taken in twice nothing doubles."""
    lead = _delivered(office)
    phone = enrolled(office, office.people[Role.CREW], "phone")
    for number in range(20):
        positions = office.site.record("x").site.positions
        row = positions.filter(positions["string"] == "C-S01").row(number, named=True)
        phone.place(serial(number), row["position"])
    office.client.post("/sync/v1/push", json=phone.batch(), headers=phone.headers)
    for _ in range(2):
        job = _run(lead, "commission")
        assert job["state"] == "done", job
    files = [one["file"] for one in lead.get("/api/v1/deliveries").json()["files"]]
    assert files.count("as-built-from-phones.csv") == 1
    state = lead.get("/api/v1/site").json()
    assert (state["modules_placed"], state["strings_built"]) == (20, 1)


def test_work_can_be_stopped_and_leaves_the_record_whole(office: Office) -> None:
    """A plan that takes too long is stopped; what was recorded stays sound."""
    lead = _delivered(office)
    answer = lead.post("/run/check", headers={"Accept": "application/json"})
    job_id = answer.json()["job"]
    lead.post(f"/jobs/{job_id}/cancel")
    assert wait(lead, job_id)["state"] == "cancelled"
    job = _run(lead, "verify")
    assert job["report"]["exit_code"] == 0


def test_the_interface_runs_a_site_from_delivery_to_dossier(office: Office) -> None:
    """Another program hands in, plans, and downloads, and reads every change by cursor."""
    lead = office.signed_in(Role.LEAD)
    names = lead.post(
        "/api/v1/files",
        files=[("files", ("flash.csv", FLASH)), ("files", ("scans.csv", SCANS))],
    ).json()["files"]
    for command, files in (("receive", names), ("dossier", [])):
        answer = lead.post("/api/v1/jobs", json={"command": command, "files": files})
        assert answer.status_code == 202, answer.text
        assert wait(lead, answer.json()["id"])["state"] == "done"
    listed = {one["name"] for one in lead.get("/api/v1/documents").json()["documents"]}
    assert "handover-dossier.pdf" in listed
    document = lead.get("/api/v1/documents/handover-dossier.pdf")
    assert document.content.startswith(b"%PDF")
    kinds: list[str] = []
    cursor, more = "", True
    while more:
        answer = lead.get("/api/v1/changes", params={"after": cursor, "limit": 2})
        kinds += [one["kind"] for one in answer.json()["changes"]]
        cursor, more = answer.json()["cursor"], answer.json()["more"]
    assert kinds.count("file_received") == 2
    assert kinds[-1] == "dossier_written"
    assert lead.get("/api/v1/changes", params={"after": cursor}).json()["changes"] == []


def test_a_description_with_mistakes_is_told_and_people_still_get_in(
    office: Office, site_folder: Path
) -> None:
    """Somebody breaks site.toml while the server runs: pages say so, and it can be mended."""
    lead = office.signed_in(Role.LEAD)
    path = site_folder / "site.toml"
    sound = path.read_text("utf-8")
    path.write_text(sound + "\n[nonsense]\nx = 1\n", "utf-8")
    answer = lead.get("/yard", headers={"Accept": "text/html"})
    assert answer.status_code == 422
    assert "mistake" in answer.text
    assert lead.get("/people", headers={"Accept": "text/html"}).status_code == 200
    path.write_text(sound, "utf-8")
    assert lead.get("/yard", headers={"Accept": "text/html"}).status_code == 200


def test_the_forecast_keeps_the_share_of_days_with_work() -> None:
    """100 a day on every second day of ten: 500 more take ten days."""
    days = {date(2026, 6, 1 + 2 * number): 100 for number in range(5)}
    told = forecast(days, remaining=500, today=date(2026, 6, 10))
    assert told.per_day == 100
    assert told.finish == told.earliest == told.latest == date(2026, 6, 19)
    assert forecast({}, remaining=5, today=date(2026, 6, 10)).finish is None
    uneven = forecast(
        {date(2026, 6, 1): 10, date(2026, 6, 2): 190}, remaining=500, today=date(2026, 6, 10)
    )
    assert uneven.earliest is not None
    assert uneven.finish is not None
    assert uneven.earliest < uneven.finish
    assert uneven.latest is None or uneven.latest > uneven.finish
