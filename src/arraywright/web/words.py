"""Words on pages: one catalogue of messages per language and area."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Final

from arraywright.errors import CallError

__all__ = ["DEFAULT_LANGUAGE", "FOLDER", "catalogue", "languages", "preferred_language"]

FOLDER: Final = Path(__file__).parent / "messages"
DEFAULT_LANGUAGE: Final = "en"


@cache
def languages(*, area: str = "office") -> tuple[str, ...]:
    """Give the languages that have a catalogue for an area, English first.

    A file ``<area>.<language>.toml`` in the folder of messages is all a further language needs.
    """
    found = sorted(path.name.split(".")[1] for path in FOLDER.glob(f"{area}.*.toml"))
    return (DEFAULT_LANGUAGE, *(one for one in found if one != DEFAULT_LANGUAGE))


@cache
def catalogue(language: str, *, area: str) -> Mapping[str, str]:
    """Give the messages of an area by key; what a language lacks is given in English.

    Raises:
        CallError: there is no catalogue of that area in that language.
    """
    if language not in languages(area=area):
        raise CallError(
            "language-unknown",
            f"Found the language {language!r} for {area}.",
            f"Choose one of {', '.join(languages(area=area))}.",
        )
    held = _read(DEFAULT_LANGUAGE, area)
    if language != DEFAULT_LANGUAGE:
        held |= _read(language, area)
    return MappingProxyType(held)


def preferred_language(accepted: str, *, area: str = "office") -> str:
    """Choose a language from the text of an ``Accept-Language`` header."""
    ranked: list[tuple[float, int, str]] = []
    for place, part in enumerate(accepted.split(",")[:20]):
        name, _, weight = part.partition(";")
        try:
            quality = float(weight.strip().removeprefix("q=")) if weight.strip() else 1.0
        except ValueError:
            quality = 0.0
        ranked.append((-quality, place, name.strip().lower().split("-")[0]))
    known = languages(area=area)
    for quality, _, name in sorted(ranked):
        if quality < 0 and name in known:
            return name
    return DEFAULT_LANGUAGE


def _read(language: str, area: str) -> dict[str, str]:
    text = (FOLDER / f"{area}.{language}.toml").read_text(encoding="utf-8")
    return {key: str(words) for key, words in tomllib.loads(text).items()}
