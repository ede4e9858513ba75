"""A phone without signal: start, work, loss of the tab, a new version, and sending it all."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import httpx2 as httpx
import pytest
from playwright.sync_api import Browser

from arraywright.procedures.recalls import RecallScope, recalls, record_recall, withdraw_recall
from arraywright.records import parse_body
from arraywright.records.people import Role
from arraywright.web import field_routes
from tests.web.browser import open_browser
from tests.web.clicking import accessible
from tests.web.field_day import Day, check_all_there, failures
from tests.web.field_making import site_folder
from tests.web.field_phone import Phone, ServedSite, served

SLOWDOWN = 6.0


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Give a browser."""
    with open_browser() as opened:
        yield opened


@pytest.fixture
def office_site(tmp_path: Path) -> Iterator[ServedSite]:
    """Give a served site of 416 positions."""
    with served(site_folder(tmp_path / "own" / "site", table_rows=1)) as site:
        yield site


def _new_version(monkeypatch: pytest.MonkeyPatch) -> str:
    """Let the server serve another version of the page."""
    held = field_routes.assets()
    other = field_routes.Assets(version="f" * 16, files=held.files, words=held.words)
    monkeypatch.setattr(field_routes, "assets", lambda: other)
    return other.version


def test_days_without_signal_lose_nothing(
    browser: Browser, office_site: ServedSite, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Work made offline on a slow phone, its tab lost and the page updated, is all there once."""
    site = office_site
    phone = Phone.new(browser, site.address)
    phone.enrol(site.code(site.person("Noor Haddad")))
    phone.take_along()
    phone.slow_down(SLOWDOWN)
    phone.offline()
    day = Day(phone=phone, draw=random.Random(11))  # noqa: S311
    day.start("/place")
    for turn in range(7):
        day.place(kill=turn % 3 == 1)
    phone.offline(off=False)
    version = _new_version(monkeypatch)
    phone.fetch_new_version()
    phone.offline()
    day.start("/place")
    phone.page.wait_for_function(
        "(version) => globalThis.arraywright && arraywright.turn"
        " && document.documentElement.dataset.version === version",
        arg=version,
    )
    for _ in range(3):
        day.place()
    day.test("F-S01")
    unsent = phone.page.evaluate("() => arraywright.session.unsent.entries")
    assert unsent >= 4
    shown = phone.page.inner_text("#unsent strong")
    assert int(shown) == unsent
    phone.offline(off=False)
    phone.page.evaluate("() => arraywright.sync.run()")
    told = phone.page.evaluate("() => arraywright.sync.status.compared")
    assert told["same"] is True
    counts = check_all_there(day, site.site.journal("office"))
    assert counts["tested"] == 1
    assert len(day.said) + day.kills >= counts["placed"] >= len(day.said)
    assert phone.missing_words() == []


def test_a_wrong_module_is_placed_only_with_a_reason(
    browser: Browser, office_site: ServedSite
) -> None:
    """A held or wrong module needs a reason, becomes an open point, and undo takes it back."""
    site = office_site
    phone = Phone.new(browser, site.address)
    phone.enrol(site.code(site.person("Noor Haddad", Role.CREW)))
    phone.take_along()
    phone.offline()
    phone.open("/place")
    page = phone.page
    page.wait_for_selector("#read")
    phone.read_cautions()
    page.wait_for_selector("#position")
    low = page.evaluate(
        "() => { const { pack } = arraywright.session; "
        "return pack.serials.find((one, n) => pack.classShort(pack.classOf[n]) === '575 L'); }"
    )
    page.fill("#code", low)
    page.press("#code", "Enter")
    page.wait_for_selector(".verdict.bad")
    before = page.evaluate("() => arraywright.session.state.ofKind('module_placed').length")
    assert before == 0
    page.click("#anyway")
    assert page.is_disabled("#place-open")
    page.click(".told .choice >> nth=1")
    page.click("#place-open")
    page.wait_for_selector(".verdict.ask")
    page.click("#undo")
    page.click(".sheet .first")
    page.wait_for_selector(".verdict.note")
    phone.offline(off=False)
    page.evaluate("() => arraywright.sync.run()")
    journal = site.site.journal("office")
    (placed,) = journal.entries(kind="module_placed")
    body = parse_body(placed.body)
    assert (body["open_point"], body["reason"]) == (True, "none_other")
    assert body["judgement"] == "wrong_class"
    (undone,) = journal.entries(kind="placement_undone")
    assert undone.supersedes == placed.uuid
    assert list(journal.live(kind="module_placed")) == []


def test_two_people_on_one_task_are_told_and_settle_it(
    browser: Browser, office_site: ServedSite
) -> None:
    """One serial placed by two phones in two positions is a conflict, settled by a new entry."""
    site = office_site
    phones = []
    for name in ("Noor Haddad", "Ines Okafor"):
        phone = Phone.new(browser, site.address)
        phone.enrol(site.code(site.person(name)))
        phone.take_along()
        phone.offline()
        phones.append(phone)
    serial = "TN2610000000"
    for number, phone in enumerate(phones):
        target = phone.page.evaluate("(n) => arraywright.session.pack.positions[n]", number)
        phone.open(f"/place/{target}")
        phone.page.wait_for_selector("#read")
        phone.read_cautions()
        phone.page.wait_for_selector("#code")
        phone.page.fill("#code", serial)
        phone.page.press("#code", "Enter")
        phone.page.wait_for_selector(".verdict.good")
    for phone in (*phones, phones[0]):
        phone.offline(off=False)
        phone.page.evaluate("() => arraywright.sync.run()")
    page = phones[0].page
    phones[0].go("/conflicts")
    page.wait_for_selector(".story")
    stories = page.inner_text(".conflict")
    assert "Noor Haddad" in stories
    assert "Ines Okafor" in stories
    page.click(".story button >> nth=0")
    page.wait_for_selector(".verdict.good")
    page.evaluate("() => arraywright.sync.run()")
    assert len(list(site.site.journal("office").live(kind="module_placed"))) == 1
    assert len(list(site.site.journal("office").entries(kind="module_placed"))) == 2


def test_unsent_entries_travel_by_another_phone(
    browser: Browser, office_site: ServedSite, tmp_path: Path
) -> None:
    """A file of unsent entries with a photograph reaches the record through another phone."""
    site = office_site
    first, second = Phone.new(browser, site.address), Phone.new(browser, site.address)
    for phone, name in ((first, "Noor Haddad"), (second, "Ines Okafor")):
        phone.enrol(site.code(site.person(name)))
        phone.take_along()
    first.offline()
    first.open("/talk")
    page = first.page
    page.click(".choice >> nth=0")
    page.fill("textarea >> nth=0", "Noor, Ines")
    page.click("#keep")
    page.wait_for_selector("#next-one")
    first.go("/sync")
    with page.expect_download() as download:
        page.click("#export")
    path = tmp_path / "carried.jsonl"
    download.value.save_as(path)
    second.open("/sync")
    for _ in range(2):
        second.page.set_input_files("input[type=file]", path)
        second.page.click(".sheet button")
    second.page.evaluate("() => arraywright.sync.run()")
    held = list(site.site.journal("office").entries(kind="talk_held"))
    assert [entry.person for entry in held] == ["Noor Haddad"]
    assert failures(site.site.journal("office")) == []
    first.offline(off=False)
    page.evaluate("() => arraywright.sync.run()")
    assert page.evaluate("() => arraywright.session.unsent.entries") == 0
    assert len(list(site.site.journal("office").entries(kind="talk_held"))) == 1


def test_a_wrong_clock_and_a_full_phone_are_said(browser: Browser, office_site: ServedSite) -> None:
    """A clock far off is said and put right in entries; a full store refuses and says so."""
    site = office_site
    phone = Phone.new(browser, site.address)
    phone.context.add_init_script(
        "const real = Date.now; Date.now = () => real() + (globalThis.ahead ?? 5 * 3600 * 1000);"
        "const D = Date; globalThis.Date = class extends D { constructor(...given) "
        "{ if (given.length) super(...given); else super(D.now()); } static now() "
        "{ return D.now(); } };"
    )
    phone.enrol(site.code(site.person("Noor Haddad")))
    phone.take_along()
    page = phone.page
    page.evaluate("() => arraywright.sync.run()")
    assert "clock is wrong" in page.inner_text("#bar")
    phone.offline()
    phone.open("/talk")
    page.click(".choice >> nth=0")
    page.fill("textarea >> nth=0", "Noor")
    page.evaluate(
        "() => { const { store } = arraywright.session; store.keepWrite = store.write; "
        "store.write = async () => { const { FieldError } = await import("
        "document.documentElement.dataset.base + '/entry.js'); "
        "throw new FieldError('storage_full', 'full'); }; }"
    )
    page.click("#keep")
    page.wait_for_selector("[role=alertdialog]")
    assert "NOT kept" in page.inner_text("[role=alertdialog]")
    assert "full" in page.inner_text("#bar")
    page.click("[role=alertdialog] button")
    page.evaluate("() => { const { store } = arraywright.session; store.write = store.keepWrite; }")
    page.click("#keep")
    page.wait_for_selector("#next-one")
    phone.offline(off=False)
    page.evaluate("() => arraywright.sync.run()")
    (held,) = site.site.journal("office").entries(kind="talk_held")
    assert abs(parse_body(held.body)["clock_offset_s"] + 5 * 3600) < 30


def test_a_recall_of_the_office_reaches_the_phone(
    browser: Browser, office_site: ServedSite
) -> None:
    """A lead recalls serials; the phone judges them recalled, until the recall is taken back.

    A further recall that stands keeps the serial it shares with the one that was taken back.
    """
    site = office_site
    phone = Phone.new(browser, site.address)
    phone.enrol(site.code(site.person("Noor Haddad")))
    phone.take_along()
    lead = site.person("Mara Lindqvist", Role.LEAD)
    secret, session = site.site.people.start_session(lead.id, days=1)
    asked = {"serials": ["TN2610000000"], "reason": "junction box"}
    for role_cookie, status in ((None, 401), (secret, 200)):
        cookies = {} if role_cookie is None else {"arraywright": role_cookie}
        answer = httpx.post(
            f"{site.address}/field/api/recalls",
            json=asked,
            cookies=cookies,
            headers={"X-CSRF-Token": session.csrf},
        )
        assert answer.status_code == status
    phone.page.evaluate("() => arraywright.sync.run()")
    phone.offline()
    phone.open("/place")
    phone.page.wait_for_selector("#read")
    phone.read_cautions()
    phone.page.wait_for_selector("#code")
    phone.page.fill("#code", "TN2610000000")
    phone.page.press("#code", "Enter")
    phone.page.wait_for_selector(".verdict.bad")
    assert "Recalled" in phone.page.inner_text(".verdict.bad")
    record = site.site.record("Mara Lindqvist")
    stands = record_recall(record, reason="frame", scope=RecallScope(serials=("TN2610000001",)))
    shared = RecallScope(serials=("TN2610000000", "TN2610000001"))
    record_recall(record, reason="glass", scope=shared)
    for one in recalls(record):
        if one.key != str(stands.uuid):
            withdraw_recall(record, one.key, reason="the maker was wrong")
    phone.offline(off=False)
    phone.page.evaluate("() => arraywright.sync.run()")
    held = "() => [...arraywright.session.state.recalled]"
    assert phone.page.evaluate(held) == [["TN2610000001", "frame"]]
    phone.open("/place")
    phone.page.wait_for_selector("#code")
    assert phone.page.evaluate(held) == [["TN2610000001", "frame"]]


@pytest.mark.parametrize("locale", ["en-GB", "de-DE", "es-ES"])
def test_every_target_is_large_enough_and_leads_back(
    browser: Browser, office_site: ServedSite, locale: str
) -> None:
    """On every screen each button is at least 48 px each way and whole, and leads back."""
    site = office_site
    phone = Phone.new(browser, site.address, color_scheme="dark", locale=locale)
    phone.enrol(site.code(site.person("Noor Haddad")))
    phone.take_along()
    names: list[str] = phone.page.evaluate(
        "async () => Object.keys((await import(document.documentElement.dataset.base "
        "+ '/screens.js')).SCREENS)"
    )
    assert len(names) > 15
    for name in names:
        path = "/" if name == "home" else f"/{name}/F-S01" if name == "test" else f"/{name}"
        for _ in range(2):
            phone.go(path)
            phone.page.wait_for_timeout(120)
            small = phone.page.evaluate(
                "() => [...document.querySelectorAll('button, a, select, summary, label.big')]"
                ".filter((one) => one.offsetParent !== null || one.closest('.foot, #bar'))"
                ".map((one) => [one.textContent.trim() || one.className, "
                "one.getBoundingClientRect()])"
                ".filter(([, box]) => box.width && (box.width < 47.5 || box.height < 47.5"
                " || box.left < 0 || box.right > document.documentElement.clientWidth))"
                ".map(([text, box]) => `${text} ${box.width} ${box.height}`)"
            )
            assert small == [], (name, small)
            accessible(phone.page)
            if name != "home":
                assert phone.page.query_selector("button#back"), name
            phone.read_cautions()
    assert phone.missing_words() == []
