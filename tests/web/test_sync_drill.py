"""Requests cut, doubled and reordered, and the server killed: nothing lost, nothing doubled."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest

from tests.postgres import new_database
from tests.web.drill import run_drill


@pytest.mark.parametrize("store", ["sqlite", "postgresql"])
def test_nothing_acknowledged_is_lost_and_nothing_doubled(
    site_folder: Path, tmp_path: Path, store: str, request: pytest.FixtureRequest
) -> None:
    """A small drill; the benchmark sync_drill runs 200 devices with 20 kills."""
    with contextlib.ExitStack() as stack:
        url = None
        if store == "postgresql":
            url = stack.enter_context(new_database(request.getfixturevalue("postgres_url")))
        result = run_drill(site_folder, tmp_path, record_url=url, devices=12, entries=20, kills=2)
    assert result.sound, result
    assert result.kills == 2
    assert result.spoilt > result.requests / 10
