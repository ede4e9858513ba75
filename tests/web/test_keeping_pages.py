"""Incidents of office and phones, and recalls: nothing said is lost, and somebody settles it."""

from __future__ import annotations

import re

from fastapi.testclient import TestClient

from arraywright.records.people import Role
from tests.web.carport import FLASH, ORDER, PALLETS, SCANS, hand_in, serial
from tests.web.phones import Phone, enrolled
from tests.web.serving import Office

HTML = {"Accept": "text/html"}


def _dated() -> bytes:
    """Give the flash list with the day of the flash, odd modules on the second day of April."""
    head, *rows = FLASH.decode().splitlines()
    dated = [
        f"{row},2026-04-0{1 + number % 2}T00:30:00+01:00" if number < 40 else f"{row},"
        for number, row in enumerate(rows)
    ]
    return "\n".join([f"{head},Flashed at", *dated, ""]).encode()


def _delivered(office: Office, flash: bytes = FLASH) -> TestClient:
    lead = office.signed_in(Role.LEAD)
    job = hand_in(lead, "yard", order=ORDER, scans=SCANS, flash_list=flash)
    assert job["state"] == "done", job
    return lead


def _page(client: TestClient, path: str) -> str:
    answer = client.get(path, headers=HTML)
    assert answer.status_code == 200, answer.text
    return answer.text


def _push(office: Office, phone: Phone) -> None:
    answer = office.client.post("/sync/v1/push", json=phone.batch(), headers=phone.headers)
    assert {one["outcome"] for one in answer.json()["results"]} <= {"added", "already_there"}


def test_an_incident_of_a_phone_stands_in_the_list_and_is_settled_there(office: Office) -> None:
    """Photographs, serials and where they are now are shown; the settlement says what was seen."""
    lead = _delivered(office)
    phone = enrolled(office, office.people[Role.CREW], "phone")
    phone.place(serial(3), "C-R01-T01-1-01")
    picture = office.site.files.put_bytes(b"\x89PNG\r\n\x1a\n" + bytes(40))
    told = phone.make(
        "incident_reported",
        "module",
        serial(3),
        {
            "incident_kind": "dropped",
            "what": "Slid off <the> rail",
            "serials": [serial(3), serial(4), "NOBODY1"],
            "files": [picture.named("a")],
        },
    )
    phone.make("module_inspected", "module", serial(4), {"result": "apart", "defects": ["glass"]})
    _push(office, phone)
    for path in ("/yard", "/build"):
        assert f"/incidents/{told.uuid}" in _page(lead, path)
    page = _page(lead, f"/incidents/{told.uuid}")
    assert "Slid off &lt;the&gt; rail" in page
    assert f"/photos/{picture.sha256}" in page
    (incident,) = lead.get("/api/v1/incidents").json()["incidents"]
    assert (incident["origin"], incident["what"], incident["day"]) == (
        "phone",
        "dropped",
        "2026-03-02",
    )
    held = {one["serial"]: one for one in incident["modules"]}
    assert {name: one["state"] for name, one in held.items()} == {
        serial(3): "placed",
        serial(4): "yard",
        "NOBODY1": "unknown",
    }
    assert (held[serial(3)]["string"], held[serial(3)]["position"]) == ("C-S01", "C-R01-T01-1-01")
    assert held[serial(4)]["inspected"] == "apart"
    assert held[serial(3)]["inspected"] is None
    half = lead.post(f"/incidents/{told.uuid}/settle", data={"reason": "Only a scratch."})
    assert half.status_code == 422
    lead.post(
        f"/incidents/{told.uuid}/settle",
        data={"reason": "Only a scratch.", "inspected": "Frame and glass of both"},
    )
    page = _page(lead, f"/incidents/{told.uuid}")
    assert "Only a scratch." in page
    assert "Frame and glass of both" in page
    points = {one["key"]: one for one in lead.get("/api/v1/open-points").json()["points"]}
    assert points[told.uuid]["settled_by"] == "Lead One"
    assert points[told.uuid]["inspected"] == "Frame and glass of both"
    lead.post(f"/incidents/{told.uuid}/settle")
    points = {one["key"]: one for one in lead.get("/api/v1/open-points").json()["points"]}
    assert points[told.uuid]["settled_by"] == ""


def test_two_incidents_told_alike_are_settled_each_by_itself(office: Office) -> None:
    """The same words of the same person on another day are another incident."""
    lead = _delivered(office)
    phone = enrolled(office, office.people[Role.CREW], "phone")
    said = {"incident_kind": "storm", "what": "Hail"}
    first = phone.make("incident_reported", "string", "C-S01", said)
    _push(office, phone)
    assert lead.get("/api/v1/open-points").json()["open"] > 0
    second = phone.make("incident_reported", "string", "C-S01", said)
    _push(office, phone)
    lead.post(f"/incidents/{first.uuid}/settle", data={"reason": "Looked.", "inspected": "All"})
    points = {one["key"]: one for one in lead.get("/api/v1/open-points").json()["points"]}
    assert points[first.uuid]["settled_by"] == "Lead One"
    assert points[second.uuid]["settled_by"] == ""
    listed = lead.get("/api/v1/incidents").json()["incidents"]
    assert [one["key"] for one in listed] == [second.uuid, first.uuid]


def test_an_incident_of_a_phone_that_says_amiss_is_still_listed(office: Office) -> None:
    """What a phone says in a wrong form is left out; the incident itself is not."""
    lead = _delivered(office)
    phone = enrolled(office, office.people[Role.CREW], "phone")
    phone.make("incident_reported", "module", "x", {"incident_kind": 7, "serials": {"a": 1}})
    phone.make("incident_reported", "module", "y", {"what": ["a"], "note": 4})
    _push(office, phone)
    listed = lead.get("/api/v1/incidents").json()["incidents"]
    assert [(one["what"], one["told"]) for one in listed] == [("other", ""), ("other", "")]
    for one in listed:
        _page(lead, f"/incidents/{one['key']}")


def test_an_incident_of_the_office_is_an_open_point_until_it_is_settled(office: Office) -> None:
    """A storm over a table names the modules on it, and stays open."""
    lead = _delivered(office)
    phone = enrolled(office, office.people[Role.CREW], "phone")
    phone.place(serial(3), "C-R01-T01-1-01")
    _push(office, phone)
    structure = office.site.record("x").site.positions["structure"][0]
    form = {"what": "fire", "day": "2026-05-05", "told": "A grass fire.", "names": structure}
    page = lead.post("/yard/incidents", data=form, headers=HTML)
    assert serial(3) in page.text
    (incident,) = lead.get("/api/v1/incidents").json()["incidents"]
    points = {one["key"]: one for one in lead.get("/api/v1/open-points").json()["points"]}
    point = points[incident["key"]]
    assert (point["check"], point["verdict"]) == ("incident-reported", "fail")
    assert "A grass fire." in point["message"]
    guest = office.signed_in(Role.GUEST)
    assert "/settle" not in _page(guest, f"/incidents/{incident['key']}")


def test_a_lead_recalls_modules_sees_where_they_are_and_takes_it_back(office: Office) -> None:
    """Recalled by pallet; phones are told by the pack; taken back, the pack says so too."""
    lead = _delivered(office)
    phone = enrolled(office, office.people[Role.CREW], "phone")
    phone.place(serial(3), "C-R01-T01-1-01")
    _push(office, phone)
    block = lead.get("/field/api/blocks").json()["blocks"][0]["block"]

    def told() -> str:
        answer = office.client.get(
            "/field/api/pack", params={"block": block}, headers=phone.headers
        )
        return "".join(answer.json()["parts"].values())

    answer = lead.post(
        "/keep/recalls",
        data={"reason": "Letter 12 of the maker", "pallets": PALLETS[0]},
        headers=HTML,
    )
    assert answer.status_code == 200
    assert "Letter 12 of the maker" in answer.text
    (recall,) = lead.get("/api/v1/recalls").json()["recalls"]
    assert recall["serials"] == [serial(number) for number in range(22)]
    states = {one["serial"]: one["state"] for one in recall["modules"]}
    assert [name for name, state in states.items() if state == "placed"] == [serial(3)]
    assert "Letter 12 of the maker" in told()
    assert "Letter 12 of the maker" in _page(lead, "/keep")
    key = recall["key"]
    points = {one["key"]: one for one in lead.get("/api/v1/open-points").json()["points"]}
    assert points[key]["verdict"] == "fail"
    lead.post(
        f"/keep/recalls/{key}/settle", data={"reason": "All exchanged.", "inspected": "Sent back"}
    )
    (recall,) = lead.get("/api/v1/recalls").json()["recalls"]
    assert (recall["settled_by"], recall["done"]) == ("Lead One", "Sent back")
    assert lead.post(f"/keep/recalls/{key}/withdraw", data={"reason": " "}).status_code == 422
    lead.post(f"/keep/recalls/{key}/withdraw", data={"reason": "The maker erred."})
    assert "Letter 12 of the maker" not in told()
    page = _page(lead, f"/keep/recalls/{key}")
    assert "The maker erred." in page
    again = lead.post(f"/keep/recalls/{key}/withdraw", data={"reason": "twice"})
    assert again.status_code == 422
    keys = [one["key"] for one in lead.get("/api/v1/open-points").json()["points"]]
    assert key not in keys


def test_a_recall_is_about_what_fits_everything_given(office: Office) -> None:
    """Type and days of the flash by the site's calendar; modules without a day are counted."""
    lead = _delivered(office, _dated())
    form = {
        "reason": "Letter 13",
        "module_type": "MILL 440",
        "flashed_from": "2026-04-02",
        "flashed_to": "2026-04-02",
    }
    kinds = sorted(office.site.record("x").site.module_types)
    answer = lead.post("/keep/recalls", data=form | {"module_type": kinds[0]}, headers=HTML)
    assert answer.status_code == 200, answer.text
    (recall,) = lead.get("/api/v1/recalls").json()["recalls"]
    assert recall["serials"] == [serial(number) for number in range(1, 40, 2)]
    assert re.search(r"\b4 modules that fit otherwise were left out", answer.text)
    narrowed = form | {"module_type": "", "pallets": PALLETS[1], "serials": serial(23).lower()}
    lead.post("/keep/recalls", data=narrowed)
    recall = lead.get("/api/v1/recalls").json()["recalls"][0]
    assert recall["serials"] == [serial(23)]


def test_modules_that_come_later_and_fit_a_recall_are_pointed_out(office: Office) -> None:
    """Half of the flash list came after the recall: Keep says so, and a press recalls them."""
    head, *rows = FLASH.decode().splitlines()
    first = "\n".join([head, *rows[:22], ""]).encode()
    lead = _delivered(office, first)
    kind = min(office.site.record("x").site.module_types)
    lead.post("/keep/recalls", data={"reason": "Letter 14", "module_type": kind})
    (recall,) = lead.get("/api/v1/recalls").json()["recalls"]
    assert len(recall["serials"]) == 22
    key = recall["key"]
    assert "came since" not in _page(lead, "/keep")
    assert lead.post(f"/keep/recalls/{key}/later").status_code == 422
    rest = "\n".join([head, *rows[22:], ""]).encode()
    assert hand_in(lead, "yard", later=rest)["state"] == "done"
    assert "22 modules that came since fit this recall" in _page(lead, "/keep")
    assert f"/keep/recalls/{key}/later" in _page(lead, f"/keep/recalls/{key}")
    lead.post(f"/keep/recalls/{key}/later")
    added = lead.get("/api/v1/recalls").json()["recalls"][0]
    assert added["serials"] == [serial(number) for number in range(22, 44)]
    assert added["reason"] == "Letter 14"
    assert "came since" not in _page(lead, "/keep")


def test_a_recall_says_which_modules_and_why(office: Office) -> None:
    """Nothing is recalled without a reason, without modules, or by a type nobody has."""
    lead = _delivered(office)
    for form in (
        {"reason": " ", "pallets": PALLETS[0]},
        {"reason": "x"},
        {"reason": "x", "module_type": "nobody's"},
        {"reason": "x", "flashed_from": "soon"},
        {"reason": "x", "delivery_note": "DN-9"},
    ):
        assert lead.post("/keep/recalls", data=form).status_code == 422, form
    assert lead.get("/api/v1/recalls").json()["recalls"] == []
    lead.post("/keep/recalls", data={"reason": "x", "serials": "ab 1, AB2"})
    (recall,) = lead.get("/api/v1/recalls").json()["recalls"]
    assert recall["serials"] == ["AB1", "AB2"]
    assert {one["state"] for one in recall["modules"]} == {"unknown"}
