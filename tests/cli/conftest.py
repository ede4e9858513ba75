"""Every test has a device key of its own, outside the site folder."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def device_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep the key of this device in the test's own folder."""
    home = tmp_path / "home"
    monkeypatch.setenv("ARRAYWRIGHT_HOME", str(home))
    return home
