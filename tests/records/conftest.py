"""Places for records: a file always, a PostgreSQL server when one is given."""

from __future__ import annotations

import importlib.util
import itertools
import os
import secrets
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from arraywright.records.conformance import Place, PlaceFactory

POSTGRES_VARIABLE = "ARRAYWRIGHT_TEST_POSTGRES"


@pytest.fixture(autouse=True)
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep device keys of tests out of the user's own folder."""
    home = tmp_path / "home"
    monkeypatch.setenv("ARRAYWRIGHT_HOME", str(home))
    return home


@pytest.fixture(params=["sqlite", "postgresql"])
def new_place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[PlaceFactory]:
    """Give a factory of empty places of each kind of database."""
    if request.param == "sqlite":
        numbers = itertools.count()
        yield lambda: tmp_path / f"record-{next(numbers)}.sqlite"
        return
    url = os.environ.get(POSTGRES_VARIABLE, "")
    if not url:
        pytest.skip(f"{POSTGRES_VARIABLE} names no server")
    if importlib.util.find_spec("psycopg") is None:
        pytest.skip("the package psycopg is not installed")
    yield from _server_places(url)


def _server_places(url: str) -> Iterator[PlaceFactory]:
    server = sa.make_url(url).set(drivername="postgresql+psycopg")
    engine = sa.create_engine(server, isolation_level="AUTOCOMMIT")
    made: list[str] = []

    def make() -> Place:
        name = f"arraywright_test_{secrets.token_hex(6)}"
        with engine.connect() as connection:
            connection.exec_driver_sql(f"CREATE DATABASE {name}")
        made.append(name)
        address = server.set(drivername="postgresql", database=name)
        return address.render_as_string(hide_password=False)

    yield make
    with engine.connect() as connection:
        for name in made:
            connection.exec_driver_sql(f"DROP DATABASE {name} WITH (FORCE)")
    engine.dispose()
