"""Values of standards' tables that lie beside the program, each with edition, clause and grade."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

__all__ = ["standard_values"]


@cache
def standard_values(name: str) -> dict[str, Any]:
    """Give the content of ``design/data/NAME.toml``; treat it as read-only."""
    text = files("arraywright.design").joinpath("data", f"{name}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)
