"""Every check value says where it comes from, and one page lists them all."""

from __future__ import annotations

import re

from arraywright.sources import SOURCES
from tests.house.sources_page import KINDS, PAGE, ROOT, check_values, page_text


def test_page_of_sources_is_up_to_date() -> None:
    """The page is what the generator makes now."""
    assert PAGE.read_text("utf-8") == page_text(), "run: python -m tests.house.sources_page"


def test_every_check_value_names_its_document() -> None:
    """A number without document, place, day and kind is no check value."""
    for name, held in check_values().items():
        for key in ("kind", "source", "document", "place", "read"):
            assert held.get(key), f"{name} lacks {key}"
        assert held["kind"] in KINDS, f"{name}: unknown kind {held['kind']}"


def test_every_basis_in_the_code_is_a_source() -> None:
    """A finding's basis begins with a key that sources.py knows."""
    for path in (ROOT / "src").rglob("*.py"):
        for basis in re.findall(r'basis="([a-z0-9-]+)', path.read_text("utf-8")):
            assert basis in SOURCES, f"{path.name} cites {basis}"
