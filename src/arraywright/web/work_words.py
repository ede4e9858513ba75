"""What procedures say of their work, in the reader's language: stages, summaries and tables.

The catalogue ``work`` is keyed by the English text. What changes from case to case stands in a key
as a name in braces, and is carried over; a name that begins with ``list_`` or ``rows_``
stands for several pieces, each of which is a key. ``column: `` stands before the meaning of a
column of an input. ``cell: `` stands before what is translated in cells only.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from arraywright.procedures.design_cases import ALL_CHECKS
from arraywright.procedures.report import ReportTable
from arraywright.web.finding_words import title_key
from arraywright.web.quantities import in_cells, shown_unit, unit_of_heading
from arraywright.web.words import DEFAULT_LANGUAGE, catalogue, languages

__all__ = ["TableShown", "Told", "WorkWords"]

_CELL: Final = "cell: "
_COLUMN: Final = "column: "
_SUBJECTS: Final = "Of"
_NAME: Final = re.compile(r"\\\{(\w+)\\\}")
_WITHIN_A_SENTENCE: Final = r"(?P<\1>(?:(?![.!?] [A-Z]).)+?)"
_SENTENCES: Final = re.compile(r"(?<=[.!?]) (?=[A-Z0-9])")
_LIST: Final = "list_"
_ROWS: Final = "rows_"
_PIECES: Final = re.compile(r", | and ")
_THOUSANDS: Final = re.compile(r"(?<=\d),(?=\d{3}(?!\d))")
_NARROW: Final = "\N{NARROW NO-BREAK SPACE}"
_OF_CHECKS: Final = frozenset({"Check", "Reasons"})
_REASONS: Final = "Reasons"
_KEY_OF_TITLE: Final = {check.title.casefold(): check.key for check in ALL_CHECKS}
_IN_UNIT: Final = {"Value": True, "Limit": True, "Margin": False}
"""Columns whose unit stands in a column ``Unit``, and whether they have a zero of their own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A sentence of a summary.

    Attributes:
        text: the sentence.
        translated: whether it is in the reader's language.
    """

    text: str
    translated: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TableShown:
    """A table of a report as a page shows it; attributes as of ``ReportTable``."""

    title: str
    headings: tuple[str, ...]
    rows: list[list[str]]
    align: tuple[str, ...]
    more: int


@cache
def _patterns() -> tuple[tuple[re.Pattern[str], str], ...]:
    """Give a pattern for every English text with something in braces, the longest text first."""
    keys = [key for key in catalogue(DEFAULT_LANGUAGE, area="work") if "{" in key]
    return tuple(
        (re.compile(_NAME.sub(_WITHIN_A_SENTENCE, re.escape(key))), key)
        for key in sorted(keys, key=len, reverse=True)
    )


class WorkWords:
    """Puts what procedures say into words of a language and units of a reader."""

    def __init__(self, *, language: str = DEFAULT_LANGUAGE, us: bool = False) -> None:
        """Take language and units; a language without a catalogue gives English."""
        own = language if language in languages(area="work") else DEFAULT_LANGUAGE
        self.language, self.us = own, us
        self.words = catalogue(own, area="work")
        self.titles = catalogue(own, area="findings")
        self.office = catalogue(own, area="office")

    def find(self, text: str) -> str | None:
        """Give a text in the language; None where the catalogue does not know it."""
        if text in self.words:
            return self.words[text]
        for pattern, key in _patterns():
            if held := pattern.fullmatch(text):
                parts = {name: self._carried(name, part) for name, part in held.groupdict().items()}
                return self.words[key].format(**parts)
        return None

    def _carried(self, name: str, part: str) -> str:
        """Give what is carried over: a list piece by piece, known words, or figures."""
        if name.startswith(_LIST):
            return ", ".join(self.line(piece) for piece in _PIECES.split(part))
        if name.startswith(_ROWS):
            return "; ".join(self.line(piece) for piece in part.split("; "))
        found = self.find(part)
        if found is not None:
            return found
        return part if self.language == DEFAULT_LANGUAGE else _THOUSANDS.sub(_NARROW, part)

    def line(self, text: str) -> str:
        """Give a title, a heading or a stage in the language, in English where it is not known."""
        return self.find(text) or text

    def column(self, meaning: str) -> str:
        """Give the meaning of a column of an input, in English where it is not known."""
        return self.words.get(_COLUMN + meaning, meaning)

    def input(self, title: str) -> str:
        """Give the name of a table that is read, in English where it is not known."""
        return self.words.get(_CELL + title, title)

    def told(self, text: str) -> tuple[Told, ...]:
        """Give a paragraph of a summary, whole or sentence by sentence."""
        whole = self.find(text)
        if whole is not None:
            return (Told(text=whole, translated=True),)
        found = [(part, self.find(part)) for part in _SENTENCES.split(text)]
        return tuple(
            Told(text=part if own is None else own, translated=own is not None)
            for part, own in found
        )

    def table(self, table: ReportTable | Mapping[str, Any]) -> TableShown:
        """Give a table, or what a job kept of one, with headings, words of cells and units."""
        held: Mapping[str, Any]
        if isinstance(table, ReportTable):
            names = ("title", "headings", "rows", "align", "more")
            held = {name: getattr(table, name) for name in names}
        else:
            held = table
        headings = [str(one) for one in held["headings"]]
        return TableShown(
            title=self.line(str(held["title"])),
            headings=tuple(self._heading(one) for one in headings),
            rows=[self._row([str(cell) for cell in row], headings) for row in held["rows"]],
            align=tuple(held["align"]),
            more=int(held["more"]),
        )

    def _heading(self, heading: str) -> str:
        own = self.line(heading)
        unit = unit_of_heading(heading)
        if not unit:
            return own
        return f"{own[: own.rindex('[')]}[{shown_unit(unit, us=self.us).written}]"

    def _row(self, row: Sequence[str], headings: Sequence[str]) -> list[str]:
        unit_at = headings.index("Unit") if "Unit" in headings else None
        own_unit = "" if unit_at is None else row[unit_at]
        cells = []
        for at, (heading, cell) in enumerate(zip(headings, row, strict=True)):
            unit = unit_of_heading(heading) or (own_unit if heading in _IN_UNIT else "")
            if at == unit_at:
                cells.append(shown_unit(cell, us=self.us).written)
            elif unit and self.us:
                shown = shown_unit(unit, us=True)
                zero = _IN_UNIT.get(heading, True)
                changed = shown.factor != 1.0 or shown.offset != 0.0
                cells.append(in_cells(cell, shown, difference=not zero) if changed else cell)
            else:
                cells.append(self._cell(heading, cell))
        return cells

    def _cell(self, heading: str, cell: str) -> str:
        if (own := self.words.get(_CELL + cell)) is not None:
            return own
        if heading == _SUBJECTS:
            return self.line(cell)
        if heading in _OF_CHECKS:
            if (key := _KEY_OF_TITLE.get(cell.casefold())) is not None:
                return self.titles.get(title_key(key), cell)
            titles = [self._of_check(key, heading) for key in cell.split(", ")]
            if all(titles):
                return ", ".join(str(title) for title in titles)
        return cell

    def _of_check(self, key: str, heading: str) -> str | None:
        """Give the title of a check, or as a reason what was wrong."""
        reason = self.office.get(f"reason_{key.replace('-', '_')}") if heading == _REASONS else None
        return reason or self.titles.get(title_key(key))
