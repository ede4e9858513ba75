"""A sheet on its way to rows: what all steps share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, IntArray
from arraywright.readers.headings import MatchedColumn
from arraywright.readers.log import FindingLog
from arraywright.readers.recognise import Recognition
from arraywright.readers.results import ColumnMapping, DateOrder, DecimalMark, UsedColumn
from arraywright.readers.sheets import Body, column_name

__all__ = ["Assembly"]


@dataclass(slots=True, kw_only=True)
class Assembly:
    """A sheet on its way to rows.

    Attributes:
        seen: the sheet and its headings.
        body: the rows below the headings.
        log: where findings go.
        file_name: name of the file.
        sha256: SHA-256 of its bytes.
        time_zone: zone of local times.
        mapping: mapping file, if any.
    """

    seen: Recognition
    body: Body
    log: FindingLog
    file_name: str
    sha256: str
    time_zone: str
    mapping: ColumnMapping | None = None
    left_out: BoolArray = field(init=False)
    values: dict[str, pl.Series] = field(default_factory=dict)
    used: dict[str, UsedColumn] = field(default_factory=dict)
    order: DateOrder | None = None
    mark: DecimalMark = "."
    unusable: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.left_out = np.zeros(len(self.body.rows), dtype=np.bool_)

    @property
    def columns(self) -> Mapping[str, MatchedColumn]:
        """The columns found under headings."""
        return self.seen.match.columns if self.seen.match is not None else {}

    def raw(self, matched: MatchedColumn) -> pl.Series:
        """Give the fields of a column as they stand."""
        return self.body.frame[column_name(matched.index)]

    def rows_at(self, at: IntArray) -> list[int]:
        """Give the rows of positions."""
        return [int(row) for row in self.body.rows[at]]
