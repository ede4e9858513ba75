"""Headings as people write them, and the columns of the trade's tables they mean."""

from __future__ import annotations

import functools
import re
import tomllib
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Final, cast

from arraywright.readers.quantities import Conversion, conversion, is_unit, unit_key
from arraywright.readers.results import ColumnMapping
from arraywright.tables import Column, TableSpec

__all__ = [
    "HeadingMatch",
    "MatchedColumn",
    "Vocabulary",
    "heading_key",
    "kind_words",
    "match_headings",
    "preamble_columns",
    "spellings",
    "total_words",
    "vocabulary",
]

_NUMBER_WORDS: Final = frozenset({"nr", "no", "num", "number", "nummer", "numero", "n", "nro"})
_SMALL_WORDS: Final = frozenset(
    {"stc", "of", "the", "de", "del", "la", "el", "der", "des", "las", "los"}
)
_REMARKS: Final = frozenset(
    {"stc", "measured", "gemessen", "medido", "medida", "dc", "nominal", "flash", "optional"}
)
_CAMEL: Final = re.compile(r"(?<=[a-zäöüß])(?=[A-ZÄÖÜ][a-zäöüß])")
_GROUP: Final = re.compile(r"[\[({]([^\[\](){}]*)[\])}]")
_LONE_MINUS: Final = re.compile(r"(?:(?<=[\s(\[])|^)-(?=[\s)\]/]|$)|-(?=\s*$)")
_SYMBOL_LENGTH: Final = 4
_NOT_ALONE: Final = frozenset({"", "-", "1", "#"})
_FITS_KEPT: Final = 20_000
_LONGEST_HEADING: Final = 200
_SPLIT: Final = re.compile(r"\s+in\s+|[/,;:_\s]")


@functools.lru_cache(maxsize=20_000)
def heading_key(text: str) -> str:
    """Give the form in which two spellings of one heading are equal."""
    text = text.replace("−", "-").replace("–", "-").replace("#", " no ").replace("ß", "ss")
    text = _CAMEL.sub(" ", text.replace("º", "o").replace("N°", "No ").replace("n°", "no "))
    text = _LONE_MINUS.sub(" minus ", text).replace("+", " plus ")
    plain = unicodedata.normalize("NFKD", text)
    plain = "".join(c for c in plain if not unicodedata.combining(c)).casefold()
    plain = "".join(c if c.isalnum() else " " for c in plain)
    plain = plain.replace("ae", "a").replace("oe", "o").replace("ue", "u")
    words = plain.split()
    if len(words) > 1:
        words = ["no" if w in _NUMBER_WORDS else w for w in words if w not in _SMALL_WORDS]
    return "".join(words)


@functools.cache
def _data() -> Mapping[str, object]:
    text = files("arraywright.readers").joinpath("headings.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _section(name: str) -> Mapping[str, object]:
    return cast("Mapping[str, object]", _data()[name])


@functools.cache
def preamble_columns(kind: str) -> tuple[str, ...]:
    """Give the columns that a line above a table of this kind may fill."""
    return tuple(cast("list[str]", _section("preamble").get(kind, [])))


@functools.cache
def kind_words(kind: str) -> tuple[str, ...]:
    """Give the keys of the words that name this kind of table."""
    return tuple(heading_key(word) for word in cast("list[str]", _section("kinds").get(kind, [])))


@functools.cache
def total_words() -> frozenset[str]:
    """Give the keys of words that open a line which sums up."""
    return frozenset(heading_key(word) for word in cast("list[str]", _section("totals")["words"]))


@functools.cache
def _keys(section: str) -> frozenset[str]:
    by_language = cast("Mapping[str, list[str]]", _section(section))
    return frozenset(heading_key(word) for words in by_language.values() for word in words)


@functools.cache
def spellings(kind: str, column: str) -> tuple[tuple[str, str], ...]:
    """Give (language, spelling) of a column in a table of this kind, best first."""
    found: list[tuple[str, str]] = [("", column)]
    shared = _section("columns").get(column, {})
    own = cast("Mapping[str, Mapping[str, object]]", _section("tables")).get(kind, {})
    for source in (shared, own.get(column, {})):
        for language, words in cast("Mapping[str, list[str]]", source).items():
            found.extend((language, word) for word in words)
    return tuple(found)


@functools.lru_cache(maxsize=20_000)
def _readings_of(heading: str) -> tuple[tuple[str, str, bool], ...]:
    """Give (key, unit, surely a unit) for each way a heading may be read, best first."""
    text = " ".join(heading.split())
    ways: list[tuple[str, str, bool]] = []
    groups = list(_GROUP.finditer(text))
    doubtful: list[tuple[str, str, bool]] = []
    for group in reversed(groups):
        inner = group.group(1).strip()
        outer = f"{text[: group.start()]} {text[group.end() :]}"
        if is_unit(inner):
            ways.append((heading_key(outer), inner, True))
            ways.append((heading_key(_GROUP.sub(" ", outer)), inner, True))
        elif heading_key(inner) in _REMARKS or not inner:
            ways.append((heading_key(outer), "", True))
        else:
            doubtful.append((heading_key(outer), inner, False))
    for cut in _SPLIT.finditer(text):
        tail = text[cut.end() :].strip()
        if cut.start() and unit_key(tail) not in _NOT_ALONE and is_unit(tail):
            head = text[: cut.start()]
            ways.append((heading_key(head), tail, True))
            ways.append((heading_key(_GROUP.sub(" ", head)), tail, True))
    whole = (heading_key(text), "", True)
    return tuple(way for way in (*ways, whole, *doubtful) if way[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchedColumn:
    """A column of the table found under a heading.

    Attributes:
        index: field in the row, from 0.
        heading: heading as written.
        unit: unit as written, empty where none was.
        convert: how values become the column's unit; None when the unit is unknown or wrong.
        clock_index: field with the time of day when ``index`` holds only the date, else -1.
        language: language of the spelling, empty for the canonical name.
    """

    index: int
    heading: str
    unit: str = ""
    convert: Conversion | None = field(default_factory=Conversion)
    clock_index: int = -1
    language: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadingMatch:
    """How the headings of one row fit one table.

    Attributes:
        spec: the table.
        columns: canonical name to where it stands.
        doubled: headings that mean a column already taken, with that column's name.
        unused: indices of headings that mean nothing in this table.
        unmapped: mapped headings that the row does not hold.
    """

    spec: TableSpec
    columns: Mapping[str, MatchedColumn]
    doubled: tuple[tuple[int, str], ...]
    unused: tuple[int, ...]
    unmapped: tuple[tuple[str, str], ...] = ()

    @property
    def language(self) -> str:
        """The language most headings are written in, empty when none says."""
        counts: dict[str, int] = {}
        for column in self.columns.values():
            if column.language:
                counts[column.language] = counts.get(column.language, 0) + 1
        return max(counts, key=lambda key: counts[key]) if counts else ""


class Vocabulary:
    """The spellings of one table, with what each heading met so far means in it."""

    __slots__ = ("_fits", "_index", "spec")

    def __init__(self, spec: TableSpec) -> None:
        self.spec = spec
        self._index: dict[str, tuple[Column, int, str]] = {}
        self._fits: dict[str, tuple[Column, int, MatchedColumn] | None] = {}
        for column in spec.columns:
            for rank, (language, word) in enumerate(spellings(spec.kind, column.name)):
                key = heading_key(word)
                spoken = language if len(key) > _SYMBOL_LENGTH else ""
                self._index.setdefault(key, (column, rank, spoken))

    def fit(self, heading: str) -> tuple[Column, int, MatchedColumn] | None:
        """Find the column a heading means, how good the spelling is, and its unit."""
        if heading not in self._fits:
            if len(self._fits) > _FITS_KEPT:
                self._fits.clear()
            self._fits[heading] = self._find(heading, None)
        return self._fits[heading]

    def unit_of(self, heading: str, column: Column) -> MatchedColumn:
        """Find only the unit in a heading that is known to mean ``column``."""
        found = self._find(heading, column)
        return found[2] if found else MatchedColumn(index=-1, heading=heading)

    def _find(
        self, heading: str, column: Column | None
    ) -> tuple[Column, int, MatchedColumn] | None:
        refused: tuple[Column, int, MatchedColumn] | None = None
        refused_key = ""
        for key, unit, sure in _readings_of(heading[:_LONGEST_HEADING]):
            entry = (column, 0, "") if column is not None else self._index.get(key)
            if entry is None or (column is not None and unit == ""):
                continue
            target, rank, language = entry
            if target.kind in ("text", "time", "date"):
                plain = MatchedColumn(index=-1, heading=heading, language=language)
                return target, rank, plain
            how = conversion(unit, target.unit) if sure or unit_key(unit) else None
            found = MatchedColumn(
                index=-1, heading=heading, unit=unit, convert=how, language=language
            )
            if how is not None and not (refused is not None and key == refused_key):
                return target, rank, found
            if refused is None:
                refused, refused_key = (target, rank, found), key
        return refused


@functools.lru_cache(maxsize=64)
def vocabulary(spec: TableSpec) -> Vocabulary:
    """Give the vocabulary of a table, made once."""
    return Vocabulary(spec)


def _mapped(
    words: Vocabulary, headings: Sequence[str], mapping: ColumnMapping
) -> tuple[dict[str, MatchedColumn], list[tuple[str, str]]]:
    chosen: dict[str, MatchedColumn] = {}
    missing: list[tuple[str, str]] = []
    keys = [heading_key(heading) for heading in headings]
    stripped = [{key for key, _, _ in _readings_of(heading)} for heading in headings]
    for name, wanted in mapping.columns.items():
        column = next((c for c in words.spec.columns if c.name == name), None)
        key = heading_key(wanted)
        at = keys.index(key) if key in keys else -1
        if at < 0:
            at = next((i for i, held in enumerate(stripped) if key in held), -1)
        if column is None or at < 0:
            missing.append((name, wanted))
            continue
        how = words.unit_of(headings[at], column)
        chosen[name] = MatchedColumn(
            index=at, heading=headings[at], unit=how.unit, convert=how.convert
        )
    return chosen, missing


def _join_clock(
    spec: TableSpec, headings: Sequence[str], columns: dict[str, MatchedColumn], taken: set[int]
) -> set[int]:
    """Join a date and a time of day under two headings; give the indices used up."""
    moments = [column.name for column in spec.columns if column.kind == "time"]
    if len(moments) != 1:
        return set()
    name = moments[0]
    keys = [heading_key(_GROUP.sub(" ", heading)) for heading in headings]
    direct = columns.get(name)
    if direct is not None:
        key = keys[direct.index]
        if key not in _keys("dates") and key not in _keys("clocks"):
            return set()
    others = taken - ({direct.index} if direct is not None else set())
    free = [i for i in range(len(keys)) if i not in others]
    dates = [i for i in free if keys[i] in _keys("dates")]
    clocks = [i for i in free if keys[i] in _keys("clocks") and i not in dates[:1]]
    if not dates or not clocks:
        if direct is None and dates:
            columns[name] = MatchedColumn(index=dates[0], heading=headings[dates[0]])
            return {dates[0]}
        return set()
    columns[name] = MatchedColumn(
        index=dates[0],
        heading=f"{headings[dates[0]]} + {headings[clocks[0]]}",
        clock_index=clocks[0],
        language=direct.language if direct is not None else "",
    )
    return {dates[0], clocks[0]}


def match_headings(
    words: Vocabulary, headings: Sequence[str], *, mapping: ColumnMapping | None = None
) -> HeadingMatch:
    """Find which column of the table each heading means."""
    spec = words.spec
    columns: dict[str, MatchedColumn] = {}
    missing: list[tuple[str, str]] = []
    if mapping is not None:
        columns, missing = _mapped(words, headings, mapping)
    taken = {column.index for column in columns.values()}
    fixed = set(columns)
    ranks: dict[str, int] = {}
    rivals: list[tuple[int, str]] = []
    for at, heading in enumerate(headings):
        if at in taken or not heading:
            continue
        fit = words.fit(heading)
        if fit is None or fit[0].name in fixed:
            continue
        name, rank, how = fit[0].name, fit[1], fit[2]
        here = MatchedColumn(
            index=at,
            heading=heading,
            unit=how.unit,
            convert=how.convert,
            language=how.language,
        )
        held = columns.get(name)
        if held is None or rank < ranks[name]:
            if held is not None:
                rivals.append((held.index, name))
            columns[name], ranks[name] = here, rank
        else:
            rivals.append((at, name))
    taken = {column.index for column in columns.values()}
    moments = {column.name for column in spec.columns if column.kind == "time"}
    if not moments & fixed:
        taken |= _join_clock(spec, headings, columns, taken)
        joined = {c.clock_index for c in columns.values()} | {c.index for c in columns.values()}
        rivals = [(at, name) for at, name in rivals if at not in joined]
        taken = {at for at in joined if at >= 0}
    used = taken | {at for at, _ in rivals}
    return HeadingMatch(
        spec=spec,
        columns=columns,
        doubled=tuple(rivals),
        unused=tuple(i for i, text in enumerate(headings) if text and i not in used),
        unmapped=tuple(missing),
    )
