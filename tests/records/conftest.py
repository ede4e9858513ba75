"""Places for records: a file and a PostgreSQL server."""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest

from arraywright.records.conformance import PlaceFactory
from tests.postgres import new_database, postgres_server


@pytest.fixture(autouse=True)
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep device keys of tests out of the user's own folder."""
    home = tmp_path / "home"
    monkeypatch.setenv("ARRAYWRIGHT_HOME", str(home))
    return home


@pytest.fixture(scope="session")
def server_url() -> Iterator[str]:
    """Give the URL of a PostgreSQL server."""
    with postgres_server() as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def new_place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[PlaceFactory]:
    """Give a factory of empty places of each kind of database."""
    if request.param == "sqlite":
        numbers = itertools.count()
        yield lambda: tmp_path / f"record-{next(numbers)}.sqlite"
        return
    url: str = request.getfixturevalue("server_url")
    with contextlib.ExitStack() as made:
        yield lambda: made.enter_context(new_database(url))
