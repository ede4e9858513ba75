"""What stands in a story: a sentence, and the data other languages make theirs from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from arraywright.findings import Place

__all__ = ["StoryEvent", "StoryPart", "kept_fields", "story_part"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoryPart:
    """One thing that happened.

    Attributes:
        said: key of the kind of sentence.
        sentence: the sentence in English.
        fields: what it tells, as plain data.
    """

    said: str
    sentence: str
    fields: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoryEvent:
    """What happened at one moment.

    Attributes:
        moment: when; None when nobody knows.
        parts: what.
        who: who did or said it; empty when nobody is named.
        place: where in a file that was handed in it stands.
        entry: the entry it stands in, where no file is named.
    """

    moment: datetime | None
    parts: tuple[StoryPart, ...]
    who: str
    place: Place | None = None
    entry: str = ""

    @property
    def what(self) -> str:
        """All sentences in one line."""
        return "; ".join(part.sentence for part in self.parts)

    @property
    def source(self) -> str:
        """Where it stands, in words."""
        return str(self.place) if self.place else f"entry {self.entry}"

    def as_dict(self) -> dict[str, object]:
        """Give the event as plain data, for JSON and pages."""
        return {
            "moment": self.moment.isoformat() if self.moment else None,
            "what": self.what,
            "who": self.who,
            "source": self.source,
            "parts": [{"said": part.said, **part.fields} for part in self.parts],
            "place": None
            if self.place is None
            else {"file": self.place.file, "row": self.place.row},
            "entry": self.entry,
        }


def story_part(said: str, sentence: str, **fields: Any) -> StoryPart:
    """Make a part of an event of its sentence and what it tells."""
    return StoryPart(said=said, sentence=sentence, fields=fields)


def kept_fields(row: Mapping[str, Any], *names: str) -> dict[str, Any]:
    """Give some of the fields of a row."""
    return {name: row[name] for name in names}
