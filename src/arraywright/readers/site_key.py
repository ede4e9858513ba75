"""What is known about one key of a site description."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

__all__ = ["KeyKind", "SiteKey", "SiteSection"]

KeyKind: TypeAlias = Literal[
    "text", "texts", "integer", "number", "coefficient", "yes_no", "date", "dates"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteKey:
    """One key of a section.

    Attributes:
        name: name with its unit suffix.
        kind: text, list of texts, integer, number, coefficient (a number or a text with unit),
            yes_no (true or false, held as 1 and 0), date, or list of dates.
        unit: unit of a number, empty for text.
        default: value taken when the key is missing; None when there is none.
        optional: the key may be missing although it has no default.
        noted: a default of this key is listed among the findings when it is applied.
        basis: source key of the default.
        minimum: least value allowed.
        maximum: greatest value allowed.
        choices: values allowed, empty when free.
        meaning: what it says, one line.
        with_design: the default is applied only where the description asks for design checks.
    """

    name: str
    kind: KeyKind = "number"
    unit: str = ""
    default: float | int | str | None = None
    optional: bool = False
    noted: bool = False
    basis: str = ""
    minimum: float | None = None
    maximum: float | None = None
    choices: tuple[str, ...] = ()
    meaning: str
    with_design: bool = False

    @property
    def required(self) -> bool:
        """True when the description is not usable without the key."""
        return self.default is None and not self.optional


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteSection:
    """A section of the description.

    Attributes:
        path: path as written in the documentation; ``NAME`` stands for a key of the person's own,
            ``[]`` for an array of tables.
        title: words for people.
        keys: keys in canonical order.
        sections: names of the sections inside it.
    """

    path: str
    title: str
    keys: tuple[SiteKey, ...] = ()
    sections: tuple[str, ...] = ()

    def key(self, name: str) -> SiteKey:
        """Give the key of this name."""
        return next(key for key in self.keys if key.name == name)
