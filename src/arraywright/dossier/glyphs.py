"""Which characters the fonts of documents have; others are written by their number, never lost."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Final

import matplotlib as mpl
from matplotlib.ft2font import FT2Font

__all__ = ["printable", "shortened"]

_OUT_OF_REACH: Final = frozenset(
    (*range(0x64B, 0x656), 0x2607, 0x2608, 0x26B0, 0x26B1, 0x2715, 0x2716, 0x2727, 0x2729, 0xF6C5)
)
"""In the font's table, but not found when a document falls back to it in running text."""
_SPACES: Final = re.compile(r"[\t\n\v\f\r\x85\u2028\u2029]+")


@cache
def _known() -> frozenset[int]:
    """Characters of the font that documents and plots fall back to."""
    fonts = Path(mpl.get_data_path()) / "fonts" / "ttf"
    held: set[int] | None = None
    for name in ("DejaVuSans.ttf", "DejaVuSansMono.ttf"):
        charmap = set(FT2Font(str(fonts / name)).get_charmap())
        held = charmap if held is None else held & charmap
    visible = {code for code in held or () if code >= 0x20 and not 0x7F <= code < 0xA0}
    return frozenset(visible - _OUT_OF_REACH)


@cache
def _unknown_pattern() -> re.Pattern[str]:
    codes = sorted(_known())
    spans: list[list[int]] = []
    for code in codes:
        if spans and code == spans[-1][1] + 1:
            spans[-1][1] = code
        else:
            spans.append([code, code])
    kept = "".join(f"{re.escape(chr(low))}-{re.escape(chr(high))}" for low, high in spans)
    return re.compile(f"[^{kept}]")


def printable(text: str, *, latin_only: bool = False) -> str:
    """Give a text with every character no font here has written as its number, ``[U+1F600]``.

    Line breaks and tabulators become one space, other control characters their number.

    Args:
        text: any text.
        latin_only: whether to keep nothing but Latin letters and signs (up to U+00FF).
    """
    if text.isascii() and text.isprintable():
        return text
    flat = _SPACES.sub(" ", text)
    if latin_only:
        return re.sub(r"[^\x20-\x7e\xa0-\xff]", _number, flat)
    return _unknown_pattern().sub(_number, flat)


def _number(found: re.Match[str]) -> str:
    return f"[U+{ord(found[0]):04X}]"


def shortened(text: str, *, length: int) -> str:
    """Give a text for a label: printable, and cut in its middle when longer than ``length``."""
    plain = printable(text)
    if len(plain) <= length:
        return plain
    tail = (length - 1) // 2
    return f"{plain[: length - 1 - tail]}…{plain[len(plain) - tail :]}"
