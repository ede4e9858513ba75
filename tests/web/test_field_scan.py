"""The decoder on pictures of labels, and that no wrong serial is ever taken."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pytest

from tests.web.browser import open_browser
from tests.web.field_codes import (
    READ,
    Picture,
    as_text,
    code_128,
    data_matrix,
    drawn_difficulty,
    photographed,
    qr_code,
)
from tests.web.field_making import call, site_folder
from tests.web.field_phone import Phone, served

SAMPLES = 24
LEAST_READ = 0.95
KINDS: dict[str, Callable[[str], Picture]] = {
    "Code 128": code_128,
    "Data Matrix": data_matrix,
    "QR": qr_code,
}


@pytest.fixture(scope="module")
def phone(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Phone]:
    """Give a phone with a work pack."""
    folder = site_folder(tmp_path_factory.mktemp("scan") / "site", table_rows=1)
    with served(folder) as site, open_browser() as browser:
        held = Phone.new(browser, site.address)
        held.enrol(site.code(site.person("Noor Haddad")))
        held.take_along()
        yield held


def _base(phone: Phone) -> str:
    base: str = phone.page.evaluate("() => document.documentElement.dataset.base")
    return base


@pytest.mark.parametrize("kind", KINDS)
def test_labels_are_read_as_a_phone_sees_them(phone: Phone, kind: str) -> None:
    """Of blurred, tilted, noisy pictures at least 95 % are read, and no wrong serial is taken."""
    draw = np.random.default_rng(17)
    serials = [f"TN26{number:08d}" for number in draw.integers(0, 10**8, SAMPLES)]
    pictures = [
        photographed(KINDS[kind](serial), drawn_difficulty(draw, flat=kind == "Code 128"), draw)
        for serial in serials
    ]
    asked = {"base": _base(phone), "pictures": [as_text(one) for one in pictures]}
    told = call(phone.page, READ, asked)
    right = [serial in one["codes"] for serial, one in zip(serials, told, strict=True)]
    wrong = [
        code
        for serial, one in zip(serials, told, strict=True)
        for code in one["codes"]
        if code != serial
    ]
    # a wrong text may come out of a picture; it is no serial of the list and never comes twice
    assert not set(wrong) & set(serials)
    assert len(set(wrong)) == len(wrong) <= 1
    assert np.mean(right) >= LEAST_READ


def test_a_wrong_reading_is_not_taken(phone: Phone) -> None:
    """What the pack does not know is taken only when it was read twice running."""
    told = call(
        phone.page,
        """async ({ base }) => {
          const { ReadGate } = await import(`${base}/code.js`);
          const { pack } = arraywright.session;
          const knows = (text) => pack.moduleIndex(text) >= 0;
          const gate = new ReadGate();
          const seen = ["TN2699999990", "TN2699999991", pack.serials[3], "TN2699999991",
                        "TN2699999992", "TN2699999992", "TN2699999992"];
          return seen.map((text) => gate.take(text, knows) !== "");
        }""",
        {"base": _base(phone)},
    )
    assert told == [False, False, True, False, False, True, False]


def test_scanners_that_type_and_last_digits(phone: Phone) -> None:
    """A scanner that types needs no focus; last digits offer the serial when it is the only one."""
    page = phone.page
    phone.go("/find")
    page.wait_for_selector("#code")
    page.evaluate("() => document.activeElement.blur()")
    serial = page.evaluate("() => arraywright.session.pack.serials[9]")
    page.keyboard.type(serial)
    page.keyboard.press("Enter")
    page.wait_for_selector(".facts")
    assert serial in page.inner_text(".facts")
    page.fill("#code", serial[-6:])
    page.click(".hint .choice")
    assert serial in page.inner_text(".facts")
    page.fill("#code", serial[-3:])
    offered = page.query_selector_all(".hint .choice")
    ends = page.evaluate(
        "(end) => arraywright.session.pack.serials.filter((one) => one.endsWith(end)).length",
        serial[-3:],
    )
    assert len(offered) == (ends if ends <= 3 else 0)
