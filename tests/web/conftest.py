"""A site folder of the smallest kind, and servers that serve it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.postgres import postgres_server
from tests.web.serving import Office, open_office

EXAMPLE = Path(__file__).parents[2] / "docs" / "examples" / "small-site"


@pytest.fixture(autouse=True)
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep device keys of tests out of the user's own folder."""
    home = tmp_path / "home"
    monkeypatch.setenv("ARRAYWRIGHT_HOME", str(home))
    return home


@pytest.fixture
def site_folder(tmp_path: Path) -> Path:
    """Give a fresh copy of the small site."""
    folder = tmp_path / "site"
    shutil.copytree(EXAMPLE, folder)
    return folder


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """Give the URL of a PostgreSQL server."""
    with postgres_server() as url:
        yield url


@pytest.fixture
def office(site_folder: Path) -> Iterator[Office]:
    """Give an application that serves the small site."""
    with open_office(site_folder) as opened:
        yield opened
