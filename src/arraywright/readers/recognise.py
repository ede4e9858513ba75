"""Which table a sheet is, and under which row its columns stand."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from arraywright.readers.headings import (
    HeadingMatch,
    MatchedColumn,
    heading_key,
    kind_words,
    match_headings,
    preamble_columns,
    vocabulary,
)
from arraywright.readers.quantities import conversion, is_unit, unit_key
from arraywright.readers.results import ColumnMapping
from arraywright.readers.sheets import HeadRow, Sheet
from arraywright.tables import TableSpec

__all__ = ["PreambleValue", "Recognition", "recognise"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PreambleValue:
    """A value from a line above the table.

    Attributes:
        text: the value as written.
        row: its line or row.
        matched: the key as a heading, with its unit.
    """

    text: str
    row: int
    matched: MatchedColumn


@dataclass(frozen=True, slots=True, kw_only=True)
class Recognition:
    """How a sheet fits the tables asked for.

    Attributes:
        sheet: the sheet.
        match: the headings; None when not one column was found.
        heading_at: index in the head of the heading row.
        headings: the headings as read, merged cells joined.
        preamble: canonical name to value from above the table.
        missing: required columns that are not there.
        rivals: kinds that fit equally well.
        units_at: index in the head of the units row, -1 when there is none.
    """

    sheet: Sheet
    match: HeadingMatch | None = None
    heading_at: int = -1
    headings: tuple[str, ...] = ()
    preamble: Mapping[str, PreambleValue] = field(default_factory=dict)
    missing: tuple[str, ...] = ()
    rivals: tuple[str, ...] = ()
    units_at: int = -1

    @property
    def found(self) -> int:
        """How many columns were found."""
        return (len(self.match.columns) if self.match else 0) + len(self.preamble)

    @property
    def complete(self) -> bool:
        """Whether all required columns were found, under one table's headings only."""
        return self.match is not None and not self.missing and not self.rivals

    @property
    def score(self) -> tuple[int, bool, int]:
        """What the better of two recognitions has more of."""
        required = len(self.match.spec.required) if self.match else 0
        unmapped = len(self.match.unmapped) if self.match else 0
        return (self.found - 2 * unmapped, not self.missing, required)


def _pairs(row: HeadRow) -> list[tuple[str, str]]:
    """Find keys and values in a line above a table."""
    cells = [cell for cell in row.cells if cell]
    pairs: list[tuple[str, str]] = []
    skip = False
    for at, cell in enumerate(cells):
        if skip:
            skip = False
            continue
        split = re.match(r"^([^:=]{1,60})[:=]\s*(.+)$", cell)
        if split:
            pairs.append((split.group(1), split.group(2)))
        elif at + 1 < len(cells):
            pairs.append((cell.rstrip(":= "), cells[at + 1]))
            skip = cell.rstrip().endswith((":", "=")) or len(cells) == 2
    return pairs


def _preamble(
    spec: TableSpec, above: Sequence[HeadRow], taken: Mapping[str, MatchedColumn]
) -> dict[str, PreambleValue]:
    allowed = preamble_columns(spec.kind)
    found: dict[str, PreambleValue] = {}
    if not allowed:
        return found
    words = vocabulary(spec)
    for row in above:
        for key, value in _pairs(row):
            fit = words.fit(key)
            if fit is None or fit[0].name not in allowed:
                continue
            name = fit[0].name
            if name not in taken and name not in found:
                found[name] = PreambleValue(text=value, row=row.row, matched=fit[2])
    return found


def _with_cells_above(row: HeadRow, above: HeadRow) -> tuple[str, ...] | None:
    """Fill empty headings from the row above, as a cell merged over two rows leaves them."""
    if row.row != above.row + 1:
        return None
    width = max(len(row.cells), len(above.cells))
    lower = row.cells + ("",) * (width - len(row.cells))
    upper = above.cells + ("",) * (width - len(above.cells))
    joined = tuple(low or up for low, up in zip(lower, upper, strict=True))
    return joined if joined != lower else None


def _units_below(match: HeadingMatch, row: HeadRow) -> bool:
    """Tell whether a row below the headings holds their units."""
    by_name = {column.name: column for column in match.spec.columns}
    numeric = [
        row.cells[column.index]
        for name, column in match.columns.items()
        if by_name[name].kind in ("number", "integer") and column.index < len(row.cells)
    ]
    written = [cell for cell in numeric if cell]
    units = [cell for cell in written if is_unit(cell) and unit_key(cell) not in ("1", "-")]
    digits = [cell for cell in row.cells if re.match(r"^[-+]?\d", cell)]
    return bool(units) and not digits and 2 * len(units) >= len(written)


def _candidates(head: Sequence[HeadRow], at: int) -> list[tuple[str, ...]]:
    ways = [head[at].cells]
    if at > 0:
        joined = _with_cells_above(head[at], head[at - 1])
        if joined is not None:
            ways.append(joined)
    return ways


def _best_for(spec: TableSpec, sheet: Sheet, mapping: ColumnMapping | None) -> Recognition | None:
    best: Recognition | None = None
    words = vocabulary(spec)
    for at, row in enumerate(sheet.head):
        known = mapping is not None or any(words.fit(cell) for cell in row.cells[:200] if cell)
        if not known:
            continue
        for headings in _candidates(sheet.head, at):
            match = match_headings(words, headings, mapping=mapping)
            if not match.columns:
                continue
            above = _preamble(spec, sheet.head[:at], match.columns)
            missing = tuple(
                name for name in spec.required if name not in match.columns and name not in above
            )
            here = Recognition(
                sheet=sheet,
                match=match,
                heading_at=at,
                headings=headings,
                preamble=above,
                missing=missing,
            )
            if best is None or here.score > best.score:
                best = here
    return best


def _hinted(tied: Sequence[Recognition], hints: Sequence[str]) -> list[Recognition]:
    """Keep the tables that a title, the file name or the sheet names, by the longest word."""
    for hint in hints:
        key = heading_key(hint)
        lengths = [
            max(
                (
                    len(word)
                    for word in kind_words(one.match.spec.kind if one.match else "")
                    if word in key
                ),
                default=0,
            )
            for one in tied
        ]
        longest = max(lengths)
        if longest:
            return [one for one, length in zip(tied, lengths, strict=True) if length == longest]
    return list(tied)


def recognise(
    sheets: Sequence[Sheet],
    specs: Sequence[TableSpec],
    *,
    mapping: ColumnMapping | None,
    file_name: str,
) -> Recognition:
    """Find the table that explains most headings of a sheet, over all ways to split it.

    Among tables that fit equally well the one counts that a line above the table, the sheet or
    the file name mentions; else the sheet is ambiguous.
    """
    found = [
        best
        for sheet in sheets
        for spec in specs
        if (best := _best_for(spec, sheet, mapping)) is not None
    ]
    if not found:
        fullest = max(sheets, key=lambda s: max((len(r.cells) for r in s.head), default=0))
        return Recognition(sheet=fullest)
    top = max(one.score[:2] for one in found)
    tied = [one for one in found if one.score[:2] == top]
    by_kind: dict[str, Recognition] = {}
    for one in tied:
        if one.match is not None:
            by_kind.setdefault(one.match.spec.kind, one)
    tied = list(by_kind.values())
    if len(tied) > 1:
        above = " ".join(
            cell for row in tied[0].sheet.head[: tied[0].heading_at] for cell in row.cells
        )
        tied = _hinted(tied, (above, tied[0].sheet.name, file_name))
    best = tied[0]
    if len(tied) > 1 and not best.missing:
        rivals = tuple(one.match.spec.kind for one in tied if one.match is not None)
        return Recognition(
            sheet=best.sheet,
            match=best.match,
            heading_at=best.heading_at,
            headings=best.headings,
            rivals=rivals,
        )
    return _with_units_row(best)


def _with_units(match: HeadingMatch, row: HeadRow) -> HeadingMatch:
    """Give the match with the units of a row below the headings; a contradiction is no unit."""
    by_name = {column.name: column for column in match.spec.columns}
    columns = dict(match.columns)
    for name, held in match.columns.items():
        cell = row.cells[held.index] if held.index < len(row.cells) else ""
        column = by_name[name]
        if column.kind not in ("number", "integer") or not unit_key(cell):
            continue
        below = conversion(cell, column.unit)
        if held.unit and below == held.convert:
            continue
        columns[name] = dataclasses.replace(
            held,
            unit=f"{held.unit} and {cell}" if held.unit else cell.strip("[](){} "),
            convert=None if held.unit else below,
        )
    return dataclasses.replace(match, columns=columns)


def _with_units_row(one: Recognition) -> Recognition:
    below = one.heading_at + 1
    head = one.sheet.head
    if one.match is None or below >= len(head) or not _units_below(one.match, head[below]):
        return one
    return dataclasses.replace(one, match=_with_units(one.match, head[below]), units_at=below)
