"""Office pages on a small screen: a word that is short in one language may be long in another."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

import arraywright.web
from arraywright.web.rendering import environment
from arraywright.web.words import catalogue, languages
from tests.web.browser import open_browser

STYLE = Path(arraywright.web.__file__).parent / "static" / "office" / "office.css"
VERDICTS = ("pass", "fail", "review", "not_assessable", "accept", "hold", "refuse")
CARDS = """
{% from "macros.html" import verdict_mark %}
<main><ul class="figures">{% for one in verdicts %}
<li><b>8</b>{{ verdict_mark(one, t) }}</li>{% endfor %}</ul></main>
"""
LEAVING = """() => [...document.querySelectorAll(".figures li")]
  .filter((card) => [...card.querySelectorAll(".mark")].some(
    (mark) => mark.getBoundingClientRect().right > card.getBoundingClientRect().right
      || mark.scrollWidth > mark.clientWidth))
  .map((card) => card.textContent.trim())"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Give one browser for all languages."""
    with open_browser() as opened:
        yield opened


def _page(browser: Browser, language: str, *, style: str) -> Page:
    body = (
        environment()
        .from_string(CARDS)
        .render(verdicts=VERDICTS, t=catalogue(language, area="office"))
    )
    page = browser.new_page(viewport={"width": 360, "height": 800})
    page.set_content(f'<!doctype html><html lang="{language}"><style>{style}</style>{body}</html>')
    return page


@pytest.mark.parametrize("language", languages())
def test_no_verdict_leaves_its_card_on_a_small_screen(browser: Browser, language: str) -> None:
    """At 360 px every verdict stays inside its card, in every language."""
    page = _page(browser, language, style=STYLE.read_text(encoding="utf-8"))
    assert page.evaluate(LEAVING) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    page.close()


def test_the_test_of_cards_can_fail(browser: Browser) -> None:
    """A mark that may not wrap does leave its card, and that is seen."""
    style = STYLE.read_text(encoding="utf-8") + ".figures .mark { white-space: nowrap; }"
    page = _page(browser, "de", style=style)
    assert any("nicht beurteilbar" in one for one in page.evaluate(LEAVING))
    page.close()
