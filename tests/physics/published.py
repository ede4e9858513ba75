"""Published check values beside their sources."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

__all__ = ["DATA", "published"]

DATA = Path(__file__).parents[1] / "data"


def published(name: str) -> dict[str, Any]:
    """Give the content of one file of published values."""
    path = Path(__file__).parents[1] / "published" / f"{name}.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))
