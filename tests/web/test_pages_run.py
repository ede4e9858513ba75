"""From the first start to a finished dossier by clicks only, in a real browser."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
from playwright.sync_api import Page, expect

from arraywright.demo.commissioning_files import write_test_files
from arraywright.demo.delivery_files import write_delivery_files
from arraywright.demo.modules import make_modules
from arraywright.demo.prepare import prepare
from arraywright.demo.scenario import SCENARIO
from arraywright.readers import read_site
from tests.web.browser import open_browser
from tests.web.clicking import join_as, look, wait_for_job
from tests.web.serving import free_port, run_server


def _station(page: Page, name: str) -> None:
    page.get_by_role("navigation").get_by_role("link", name=name, exact=True).click()


def _test_files(folder: Path, inputs: Path, modules: pl.DataFrame) -> list[Path]:
    site = read_site(folder).site
    assert site is not None
    plan = pl.read_csv(folder / "out" / "allocation.csv", schema_overrides={"pallet": pl.String})
    inputs.mkdir()
    day = write_test_files(
        inputs,
        SCENARIO,
        modules=modules,
        plan=plan,
        strings=site.strings["string"].to_list(),
        module_type=site.module_types[SCENARIO.module_type],
    )
    return list(day.paths)


def test_first_start_to_dossier_by_clicks(tmp_path: Path) -> None:
    """Somebody who has never seen a terminal checks, receives, plans, tests and hands over."""
    folder, theirs = tmp_path / "site", tmp_path / "desk"
    theirs.mkdir()
    prepare(folder, SCENARIO)
    modules = make_modules(SCENARIO)
    deliveries = write_delivery_files(theirs, SCENARIO, modules)
    server = run_server(folder, port=free_port(), log=tmp_path / "log")
    try:
        with open_browser() as browser:
            page = browser.new_page()
            faults: list[str] = []
            page.on("pageerror", lambda error: faults.append(str(error)))
            page.on(
                "console",
                lambda said: faults.append(said.text) if said.type == "error" else None,
            )
            join_as(page, server.first_link, name="Robin Example")

            _station(page, "Design")
            page.get_by_role("button", name="Check the design").click()
            wait_for_job(page)
            page.get_by_role("link", name="Back to the station").click()
            expect(page.get_by_text("Checked by Robin Example")).to_be_visible()
            look(page, "design")

            _station(page, "Yard")
            page.locator("input[type=file]").set_input_files(deliveries)
            page.get_by_role("button", name="Hand in").click()
            wait_for_job(page)
            expect(page.get_by_role("link", name="receiving-report.pdf")).to_be_visible()
            look(page, "job")
            page.get_by_role("link", name="Back to the station").click()
            page.locator("select[name=verdict]").first.select_option("hold")
            page.get_by_role("button", name="Show").click()
            look(page, "yard")
            held = page.locator("table", has_text="Delivery note").locator("tbody tr").first
            held.get_by_text("Decide").first.click()
            held.locator("select[name=verdict]").select_option("accept")
            held.locator("input[name=reason]").fill("Opened and counted: nothing is broken.")
            held.get_by_role("button", name="Decide").click()
            wait_for_job(page)

            _station(page, "Build")
            page.get_by_role("button", name="Plan", exact=True).click()
            wait_for_job(page)
            page.get_by_role("link", name="Back to the station").click()
            expect(page.get_by_text("strings with 4,992 modules planned").first).to_be_visible()

            _station(page, "Test")
            files = _test_files(folder, tmp_path / "tester", modules)
            page.locator("input[type=file]").set_input_files(files)
            page.get_by_role("button", name="Hand in").click()
            wait_for_job(page)
            page.get_by_role("link", name="Back to the station").click()
            page.get_by_role("button", name=re.compile("Sign as it stands")).first.click()
            expect(page.get_by_text("Signed by Robin Example")).to_be_visible()
            look(page, "test")
            _station(page, "Build")
            look(page, "build")

            _station(page, "Keep")
            page.get_by_role("button", name="Write the dossier").click()
            wait_for_job(page)
            look(page, "dossier")
            _station(page, "Keep")
            look(page, "keep")
            page.get_by_role("button", name="Verify the record").click()
            wait_for_job(page)
            expect(page.get_by_text("The record verifies")).to_be_visible()
            _station(page, "Documents")
            look(page, "documents")
            with page.expect_download() as given:
                page.get_by_role("link", name="allocation.csv").click()
            assert given.value.suggested_filename == "allocation.csv"
            assert faults == []
    finally:
        assert server.stop() == 0
    assert (folder / "out" / "handover-dossier.pdf").read_bytes().startswith(b"%PDF")
