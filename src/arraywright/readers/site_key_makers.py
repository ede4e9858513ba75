"""Keys of a site description made in one line each."""

from __future__ import annotations

from arraywright.readers.site_key import SiteKey

__all__ = [
    "choice_key",
    "coefficient_key",
    "count_key",
    "number_key",
    "option_key",
    "optional_key",
    "text_key",
    "usual_choice_key",
    "usual_key",
    "yes_no_key",
]


def text_key(name: str, meaning: str, default: str | None = None) -> SiteKey:
    """Give a key of a text, required unless it has a default."""
    return SiteKey(name=name, kind="text", default=default, meaning=meaning)


def choice_key(name: str, choices: tuple[str, ...], default: str, meaning: str) -> SiteKey:
    """Give a key of a word out of some."""
    return SiteKey(name=name, kind="text", default=default, choices=choices, meaning=meaning)


def count_key(
    name: str, meaning: str, *, default: int | None = None, minimum: int = 1, maximum: int = 10**6
) -> SiteKey:
    """Give a key of a whole number."""
    return SiteKey(
        name=name,
        kind="integer",
        default=default,
        minimum=minimum,
        maximum=maximum,
        meaning=meaning,
    )


def number_key(
    name: str,
    unit: str,
    minimum: float,
    maximum: float,
    meaning: str,
    default: float | None = None,
) -> SiteKey:
    """Give a key of a number with its unit and range."""
    return SiteKey(
        name=name,
        unit=unit,
        minimum=minimum,
        maximum=maximum,
        meaning=meaning,
        default=default,
    )


def usual_key(
    name: str,
    unit: str,
    minimum: float,
    maximum: float,
    meaning: str,
    default: float,
    basis: str = "common-practice",
) -> SiteKey:
    """Give a key whose default is noted when it is applied."""
    return SiteKey(
        name=name,
        kind="integer" if isinstance(default, int) else "number",
        unit=unit,
        minimum=minimum,
        maximum=maximum,
        meaning=meaning,
        default=default,
        noted=True,
        basis=basis,
    )


def coefficient_key(name: str, minimum: float, maximum: float, meaning: str) -> SiteKey:
    """Give a key of a temperature coefficient."""
    return SiteKey(
        name=name,
        kind="coefficient",
        unit="1/K",
        minimum=minimum,
        maximum=maximum,
        meaning=meaning,
    )


def optional_key(name: str, unit: str, minimum: float, maximum: float, meaning: str) -> SiteKey:
    """Give a key of a number that may be missing and has no default."""
    return SiteKey(
        name=name, unit=unit, minimum=minimum, maximum=maximum, meaning=meaning, optional=True
    )


def option_key(name: str, choices: tuple[str, ...], meaning: str) -> SiteKey:
    """Give a key of a word out of some that may be missing and has no default."""
    return SiteKey(name=name, kind="text", choices=choices, meaning=meaning, optional=True)


def usual_choice_key(name: str, choices: tuple[str, ...], default: str, meaning: str) -> SiteKey:
    """Give a key of a word out of some whose default is noted when it is applied."""
    return SiteKey(
        name=name,
        kind="text",
        choices=choices,
        default=default,
        meaning=meaning,
        noted=True,
        basis="common-practice",
    )


def yes_no_key(name: str, meaning: str, *, default: bool | None = None) -> SiteKey:
    """Give a key that is answered with true or false; it may be missing."""
    return SiteKey(
        name=name,
        kind="yes_no",
        default=None if default is None else float(default),
        optional=True,
        meaning=meaning,
    )
