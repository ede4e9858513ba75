"""A story tells what phones entered, and the incidents and recalls that touch its subject."""

from __future__ import annotations

from arraywright.procedures.field_rows import field_rows
from arraywright.procedures.trace import story_of
from arraywright.records.people import Role
from tests.web.carport import FLASH, ORDER, PALLETS, SCANS, hand_in, serial
from tests.web.phones import enrolled
from tests.web.serving import Office


def _told(office: Office, subject: str) -> list[str]:
    events = story_of(office.site.record("Tester"), subject).result["events"]
    assert isinstance(events, list)
    return [event["what"] for event in events]


def test_stories_of_module_pallet_and_string_tell_what_touches_them(office: Office) -> None:
    """An incident of a string touches its modules and their pallet, and no other module."""
    lead = office.signed_in(Role.LEAD)
    job = hand_in(lead, "yard", order=ORDER, scans=SCANS, flash_list=FLASH)
    assert job["state"] == "done", job
    phone = enrolled(office, office.people[Role.TESTER], "phone")
    phone.place(serial(3), "C-R01-T01-1-01")
    phone.make("module_inspected", "module", serial(3), {"result": "ask", "defects": ["label"]})
    phone.make("module_inspected", "module", serial(4), {"result": 7, "defects": "x"})
    phone.make("pallet_received", "pallet", PALLETS[0], {"modules_counted": 22, "condition": "wet"})
    phone.make("pallet_received", "pallet", PALLETS[1], {"modules_counted": 10**400})
    phone.make("string_tested", "string", "C-S02", {"reading": {"voc_v": 10**400, "isc_a": 9.5}})
    phone.make("string_connected", "string", "C-S01", {"bonding": "bonded_all", "note": "east"})
    phone.make("string_tested", "string", "C-S01", {"reading": {"voc_v": 401.25, "isc_a": True}})
    happened = phone.make(
        "incident_reported", "string", "C-S01", {"incident_kind": "storm", "what": "hail"}
    )
    answer = office.client.post("/sync/v1/push", json=phone.batch(), headers=phone.headers)
    assert {one["outcome"] for one in answer.json()["results"]} <= {"added", "already_there"}
    lead.post("/keep/recalls", data={"reason": "Letter 12", "serials": serial(3)})
    (recall,) = lead.get("/api/v1/recalls").json()["recalls"]
    lead.post(
        f"/incidents/{happened.uuid}/settle", data={"reason": "no harm", "inspected": "all glass"}
    )
    lead.post(f"/keep/recalls/{recall['key']}/withdraw", data={"reason": "erred"})
    module = _told(office, serial(3))
    for sentence in (
        "placed at position C-R01-T01-1-01",
        "inspected: ask, 1 defects",
        "received: 22 modules counted, condition wet",
        "incident: storm (hail)",
        "incident settled (no harm)",
        "recalled by the maker (Letter 12)",
        "recall taken back (erred)",
    ):
        assert module.count(sentence) == 1, (sentence, module)
    string = _told(office, "C-S01")
    assert "connectors and bonding checked: bonded_all (east)" in string
    assert "tested by phone: Voc 401.2 V, Isc – A" in string
    assert "incident: storm (hail)" in string
    assert "incident: storm (hail)" in _told(office, PALLETS[0])
    assert "received: – modules counted, condition " in _told(office, PALLETS[1])
    assert "tested by phone: Voc – V, Isc 9.50 A" in _told(office, "C-S02")
    record = office.site.record("Tester")
    readings = field_rows(record.journal, record.site).readings
    assert readings.filter(string="C-S02")["voc_v"].to_list() == [None]
    other = _told(office, serial(4))
    assert "inspected: no result, 0 defects" in other
    assert not any("storm" in one or "recall" in one for one in other)
    page = lead.get(f"/story/{serial(3)}", headers={"Accept": "text/html"})
    assert "Inspected by phone: Ask the supplier before mounting; defects: 1" in page.text
    assert "Recalled by the maker (Letter 12)" in page.text
