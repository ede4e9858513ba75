"""The chapter of the design report about cable sizes, loops of strings and bonding points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from arraywright.dossier.blocks import Block, Heading, Paragraph, Table

__all__ = ["CablePart", "cable_blocks"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CablePart:
    """A table with what must be known to read it.

    Attributes:
        title: words over it.
        table: the table.
        sentences: what it says and what it rests on, one paragraph each.
    """

    title: str
    table: Table
    sentences: tuple[str, ...] = ()


def cable_blocks(parts: Sequence[CablePart]) -> tuple[Block, ...]:
    """Give the chapter about cables, loops and bonding; nothing where there is nothing to say."""
    if not parts:
        return ()
    blocks: list[Block] = [Heading(text="Cable sizes, loops of strings, bonding points")]
    for part in parts:
        blocks += [
            Heading(text=part.title, level=2),
            *(Paragraph(text=sentence) for sentence in part.sentences),
            part.table,
        ]
    return tuple(blocks)
