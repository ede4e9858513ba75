"""Makes ``docs/sources.md`` from sources.py and the published check values: run it as a module."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from arraywright.sources import SOURCES

__all__ = ["KINDS", "PAGE", "check_values", "page_text"]

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "sources.md"
PUBLISHED = ROOT / "tests" / "published"
KINDS = {
    "published": "published",
    "independent": "independent method or library",
    "common_practice": "common practice, no source",
    "memory": "from memory, to be confirmed",
    "regression": "regression only",
}


def check_values() -> dict[str, dict[str, Any]]:
    """Give every file of check values by its name."""
    return {
        path.name: tomllib.loads(path.read_text("utf-8"))
        for path in sorted(PUBLISHED.glob("*.toml"))
    }


def _cell(text: object) -> str:
    return " ".join(str(text).split()).replace("|", "\\|")


def page_text() -> str:
    """Give the text of the page."""
    lines = [
        "# Sources",
        "",
        (
            "Made from `src/arraywright/sources.py` and `tests/published/` by "
            "`python -m tests.house.sources_page`; do not edit it by hand."
        ),
        "",
        "## What formulas, limits and findings cite",
        "",
        "| key | title | edition | where | grade |",
        "|---|---|---|---|---|",
    ]
    lines += [
        f"| {key} | {_cell(source.title)} | {_cell(source.edition)} | {_cell(source.locator)} "
        f"| {KINDS[source.grade]} |"
        for key, source in sorted(SOURCES.items())
    ]
    lines += [
        "",
        "## What the tests are checked against",
        "",
        "Each file holds inputs, expected values and tolerance with its document.",
        "`memory` values wait to be confirmed against their document; `common practice` has none;",
        "`regression` never counts as verification.",
        "",
        "| file | document | place | read | kind |",
        "|---|---|---|---|---|",
    ]
    lines += [
        f"| {name} | {_cell(held['document'])} | {_cell(held.get('place', ''))} "
        f"| {_cell(held['read'])} | {KINDS[held['kind']]} |"
        for name, held in check_values().items()
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page_text(), "utf-8")
