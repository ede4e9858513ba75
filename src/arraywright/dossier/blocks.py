"""The parts a document is made of, as data; the template gives them their look."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from arraywright.findings import Finding

__all__ = [
    "Align",
    "Attachment",
    "Block",
    "Caution",
    "Document",
    "Facts",
    "Figure",
    "FindingList",
    "Heading",
    "Paragraph",
    "Sideways",
    "Table",
]

Align: TypeAlias = Literal["left", "right", "center"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading; level 1 begins a chapter and stands in the contents."""

    text: str
    level: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """Running text."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """A caution where work can hurt someone; every line is one sentence."""

    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Pairs of a name and a value; ``together`` keeps a few on one page."""

    pairs: tuple[tuple[str, str], ...]
    together: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table that may run over pages; a verdict column shows a sign beside the word.

    Attributes:
        headings: one heading a column.
        rows: rows of printed text, as many cells as headings.
        align: alignment per column; all left when empty.
        widths: relative widths; 0 lets the column take what it needs. All 0 when empty.
        verdict_column: index of the column that holds verdict words, or None.
        caption: words under the heading, may be empty.
        row_height_mm: least height of a row [mm], for rows that people write in; 0 for as needed.
    """

    headings: tuple[str, ...]
    rows: Sequence[Sequence[str]]
    align: tuple[Align, ...] = ()
    widths: tuple[float, ...] = ()
    verdict_column: int | None = None
    caption: str = ""
    row_height_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A plot as SVG, with the sentence that says what it shows (also its spoken text)."""

    svg: bytes
    caption: str
    width_ratio: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingList:
    """Findings, gravest first; ``none`` is said when there are none."""

    findings: tuple[Finding, ...]
    none: str = "Nothing to report."


@dataclass(frozen=True, slots=True, kw_only=True)
class Sideways:
    """Parts that need width: they stand on pages of their own, turned sideways."""

    blocks: tuple[Block, ...]


Block: TypeAlias = "Heading | Paragraph | Caution | Facts | Table | Figure | FindingList | Sideways"


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """A file carried inside the PDF."""

    name: str
    data: bytes
    mime: str
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A whole document.

    Attributes:
        title: title on the first page.
        site: name of the site.
        made_at: moment of making, as printed (with zone).
        made_by: software name and version, as printed.
        blocks: parts in order.
        attachments: files carried inside.
        contents: whether a table of contents is wanted.
    """

    title: str
    site: str
    made_at: str
    made_by: str
    blocks: tuple[Block, ...]
    attachments: tuple[Attachment, ...] = field(default=())
    contents: bool = False
