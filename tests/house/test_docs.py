"""Documents point at things that are there."""

from __future__ import annotations

import re
from pathlib import Path

from tests.house.sources_page import ROOT


def _broken(page: Path) -> list[str]:
    links = re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text("utf-8"))
    return [
        f"{page.relative_to(ROOT)}: {link}"
        for link in links
        if "://" not in link and not (page.parent / link).exists()
    ]


def test_links_of_documents_lead_somewhere() -> None:
    """Every relative link of the README and the docs names a file or folder of the project."""
    pages = [ROOT / "README.md", ROOT / "CHANGELOG.md", *(ROOT / "docs").rglob("*.md")]
    assert [link for page in pages for link in _broken(page)] == []
