"""Incidents, recalls and work cut off, as a person meets them by clicks at all widths."""

from __future__ import annotations

import re
from pathlib import Path

from playwright.sync_api import Page, expect

from arraywright.records.people import Role
from tests.web.browser import open_browser
from tests.web.carport import FLASH, ORDER, PALLETS, SCANS, hand_in, serial
from tests.web.clicking import join_as, look
from tests.web.phones import enrolled
from tests.web.serving import free_port, open_office, run_server

# A picture of one point, as a phone might send it.
PICTURE = bytes.fromhex(
    "89504e470d0a1a0a0000000d494844520000000100000001080200000090775"
    "3de0000000c4944415408d763f8cfc000000301010018dd8db00000000049454e44ae426082"
)


def _told(folder: Path) -> str:
    """Receive, place a module, report an incident by phone, leave work; give an invitation."""
    with open_office(folder) as office:
        lead = office.signed_in(Role.LEAD)
        hand_in(lead, "yard", order=ORDER, scans=SCANS, flash_list=FLASH)
        phone = enrolled(office, office.people[Role.CREW], "phone")
        phone.place(serial(3), "C-R01-T01-1-01")
        picture = office.site.files.put_bytes(PICTURE)
        phone.make(
            "incident_reported",
            "module",
            serial(3),
            {
                "incident_kind": "dropped",
                "what": "Slid off the rail while two people carried it",
                "serials": [serial(3), serial(4), "NOBODY1"],
                "files": [picture.named("a.png")],
            },
        )
        seen = {"result": "apart", "defects": ["glass"]}
        phone.make("module_inspected", "module", serial(4), seen)
        office.client.post("/sync/v1/push", json=phone.batch(), headers=phone.headers)
        lead.post("/run/dossier", headers={"Accept": "application/json"})
        return office.site.people.invite(role=Role.LEAD, made_by="Owner One", hours=1)


def _incident(page: Page, address: str) -> None:
    page.goto(f"{address}/yard")
    page.get_by_role("link", name=re.compile("pallet dropped or tipped")).click()
    expect(page.get_by_role("img")).to_have_count(1)
    expect(page.get_by_text("not known here").first).to_be_visible()
    look(page, "incident-open")
    page.locator("summary", has_text="Settle the incident").click()
    page.get_by_label("What was inspected, and how").fill("Glass and frames of both, by eye")
    page.get_by_label("What was decided, and why").fill("One is set apart, the other stays.")
    page.get_by_role("button", name="Settle the incident").click()
    expect(page.get_by_text("One is set apart, the other stays.")).to_be_visible()
    look(page, "incident-settled")
    page.goto(f"{address}/yard")
    look(page, "yard-incidents")


def _recall(page: Page, address: str) -> None:
    page.goto(f"{address}/keep")
    page.locator("summary", has_text="Enter a recall").click()
    page.get_by_label("What the maker says").fill("Letter 7 of 3 June: boxes may come loose")
    page.get_by_label("Pallets, one a line").fill(PALLETS[0])
    look(page, "keep-recall")
    page.get_by_role("button", name="Recall these modules").click()
    expect(page.get_by_role("heading", name="Recall: 22 modules")).to_be_visible()
    expect(page.get_by_role("row", name=re.compile(f"{serial(3)}.*C-S01"))).to_be_visible()
    look(page, "recall-open")
    page.locator("summary", has_text="Say that all is done").click()
    page.get_by_label("What was done with the modules").fill("All exchanged and sent back")
    page.get_by_label("Why nothing more is to be done").fill("The maker has confirmed receipt.")
    page.get_by_role("button", name="Say that all is done").click()
    expect(page.get_by_text("All exchanged and sent back")).to_be_visible()
    page.locator("summary", has_text="Take the recall back").click()
    page.get_by_label("Why it is taken back").fill("The letter was for another site.")
    page.get_by_role("button", name="Take the recall back").click()
    expect(page.get_by_text("The letter was for another site.")).to_be_visible()
    look(page, "recall-withdrawn")
    page.goto(f"{address}/keep")
    expect(page.get_by_text("taken back")).to_be_visible()


def test_incidents_recalls_and_work_cut_off_by_clicks(site_folder: Path, tmp_path: Path) -> None:
    """Everything can be read and done with a keyboard's names on a phone and a desk."""
    secret = _told(site_folder)
    server = run_server(site_folder, port=free_port(), log=tmp_path / "log")
    try:
        with open_browser() as browser:
            page = browser.new_page(locale="en")
            join_as(page, f"{server.address}/join/{secret}", name="Robin Example")
            _incident(page, server.address)
            _recall(page, server.address)
            page.get_by_role("link", name="Work of the server").click()
            look(page, "jobs")
            page.get_by_role("link", name="Writing the dossier").click()
            expect(page.get_by_text("cut off")).to_be_visible()
            look(page, "job-interrupted")
            page.get_by_role("button", name="Run it again").click()
            expect(page.locator("p[role=status] .mark.done")).to_be_visible(timeout=120_000)
            page.get_by_role("link", name="Back to the station").click()
            expect(page.get_by_text("Written by Robin Example")).to_be_visible()
    finally:
        server.stop()
