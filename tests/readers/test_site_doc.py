"""The page about the site folder says what the program takes."""

from __future__ import annotations

import inspect
import re
from dataclasses import MISSING, fields
from pathlib import Path

from arraywright.plant import Commissioning, InverterType, LayoutBlock, ModuleType, SpareWish
from arraywright.readers.site_doc import with_generated_parts
from arraywright.readers.site_keys import SECTIONS
from arraywright.sources import SOURCES
from arraywright.units import SUFFIXES

PAGE = Path(__file__).parents[2] / "docs" / "site-folder.md"


def test_the_page_is_what_the_program_would_write() -> None:
    """Tables of keys on the page are those of the program; with_generated_parts renews them."""
    text = PAGE.read_text(encoding="utf-8")
    assert text == with_generated_parts(text)
    assert text.count("<!-- generated from the program: begin") == 2


def test_page_and_program_name_the_same_keys() -> None:
    """Every key stands in the table of its section, and no table names another."""
    text = PAGE.read_text(encoding="utf-8")
    page: dict[str, list[str]] = {}
    for part in re.split(r"^### ", text, flags=re.MULTILINE)[1:]:
        heading = re.match(r"`(\[+)([^\]]+)\]+`", part)
        if heading is None:
            continue
        name = heading.group(2) + ("[]" if heading.group(1) == "[[" else "")
        page[name.replace("NAME.", "NAME.")] = re.findall(r"^\| `(\w+)` \|", part, re.MULTILINE)
    program = {path: [key.name for key in entry.keys] for path, entry in SECTIONS.items() if path}
    assert page == program


def test_every_attribute_of_a_type_can_be_described() -> None:
    """What the rooms compute with has a key, under the very name."""
    for path, kind, apart in (
        ("module_types.NAME", ModuleType, {"key", "power_classes", "current_classes"}),
        ("inverter_types.NAME", InverterType, {"key"}),
        ("layout.block[]", LayoutBlock, {"source_file", "source_row", "source_key"}),
        ("spares[]", SpareWish, set[str]()),
        ("commissioning", Commissioning, set[str]()),
    ):
        names = {entry.name for entry in fields(kind)} - apart
        assert names <= {key.name for key in SECTIONS[path].keys}, path
        assert inspect.getdoc(kind)


def test_defaults_of_keys_and_of_the_program_agree() -> None:
    """A block or a test plan built in a program has the defaults the page names."""
    for path, kind in (("layout.block[]", LayoutBlock), ("commissioning", Commissioning)):
        for entry in fields(kind):
            if entry.default is MISSING or entry.name.startswith("source_"):
                continue
            assert SECTIONS[path].key(entry.name).default == entry.default, entry.name


def test_keys_carry_their_unit() -> None:
    """The suffix of a key's name stands for the unit the page prints."""
    for entry in SECTIONS.values():
        for key in entry.keys:
            if key.kind in {"text", "texts"}:
                continue
            matching = [suffix for suffix in SUFFIXES if key.name.endswith(suffix)]
            expected = SUFFIXES[max(matching, key=len)] if matching else ""
            assert key.unit == expected, key.name
            assert not key.basis or key.basis in SOURCES
