"""Documents point at things that are there."""

from __future__ import annotations

import re

from tests.house.sources_page import ROOT


def test_links_of_documents_lead_somewhere() -> None:
    """Every relative link of the README and the docs names a file or folder of the project."""
    broken = []
    for page in [ROOT / "README.md", ROOT / "CHANGELOG.md", *(ROOT / "docs").rglob("*.md")]:
        for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text("utf-8")):
            if "://" not in target and not (page.parent / target).exists():
                broken.append(f"{page.relative_to(ROOT)}: {target}")
    assert broken == []
