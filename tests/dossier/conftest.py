"""Every test has a device key of its own, outside the site folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.dossier.making import TestedSite, make_tested_site


@pytest.fixture(autouse=True)
def device_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep the key of this device in the test's own folder."""
    home = tmp_path / "home"
    monkeypatch.setenv("ARRAYWRIGHT_HOME", str(home))
    return home


@pytest.fixture(scope="session")
def tested_site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestedSite]:
    """Give a site received, planned and tested once; tests that change it copy its folder."""
    folder = tmp_path_factory.mktemp("tested")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ARRAYWRIGHT_HOME", str(folder / "home"))
        yield make_tested_site(folder)
