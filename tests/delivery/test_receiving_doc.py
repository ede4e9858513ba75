"""The page on receiving says what the program does."""

from __future__ import annotations

from pathlib import Path

from arraywright.delivery import CAUTIONS, DEFERENCE, INSPECTION_ITEMS, rules_as_markdown

PAGE = (Path(__file__).parents[2] / "docs" / "receiving.md").read_text(encoding="utf-8")


def test_the_page_lists_every_rule_as_the_program_has_it() -> None:
    """A rule changed in the program but not on the page is noticed."""
    assert rules_as_markdown() in PAGE


def test_the_page_lists_what_to_look_for_and_the_cautions() -> None:
    """Every inspection item and caution stands on the page in the program's words."""
    for item in INSPECTION_ITEMS:
        assert f"| {item.part} | {item.look_for} | {item.defect_class} | {item.then} |" in PAGE
    for caution in CAUTIONS:
        assert caution.text in PAGE
    assert DEFERENCE in PAGE
