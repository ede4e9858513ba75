"""Check values with their source, read from ``tests/published``."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

_FOLDER = Path(__file__).parent.parent / "published"


def published(name: str) -> dict[str, Any]:
    """Give the content of one file of published values."""
    with (_FOLDER / f"{name}.toml").open("rb") as file:
        return tomllib.load(file)
