"""Published check values beside their sources."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

__all__ = ["DATA", "published"]

DATA = Path(__file__).parent / "data"
_FOLDER = Path(__file__).parent / "published"


def published(name: str) -> dict[str, Any]:
    """Give the content of one file of published values."""
    return tomllib.loads((_FOLDER / f"{name}.toml").read_text(encoding="utf-8"))
