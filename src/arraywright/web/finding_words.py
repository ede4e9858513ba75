"""A finding in the reader's language: what was checked, on what, the numbers, and what to do.

The sentence of a finding is part of the signed record and stays as it was recorded. Beside it
stands what its fields say in the language of whoever reads.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from string import Formatter
from typing import Any, Final

from arraywright.design.mounting_questions import QUESTIONS
from arraywright.findings import Finding
from arraywright.web.quantities import shown_quantity
from arraywright.web.words import DEFAULT_LANGUAGE, catalogue, languages

__all__ = ["Fact", "FindingLine", "finding_line", "title_key"]

_QUESTIONS: Final = frozenset(one.key for one in QUESTIONS)
_SEVERAL: Final = re.compile(r"(\d+) x (.+):")
_DESIGN: Final = re.compile(
    r"(?P<modules>\d+) x (?P<type>.+) on (?P<inverter>.+), class (?P<power>.+) W"
)
_ABOUT_MANY: Final = frozenset({"site", "file"})
_COUNTED: Final = frozenset({"modules", "strings", "pallets", "positions"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A number or a few words of a finding.

    Attributes:
        label: what it is, in the reader's language.
        text: the number with its unit, or the words.
        recorded: whether the words are as recorded, in English or as an input has them.
    """

    label: str
    text: str
    recorded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingLine:
    """What a page shows of a finding.

    Attributes:
        verdict: key of the verdict.
        title: what was checked.
        subject: kind and name of what it was checked on.
        sentence: what came of it in the reader's language; empty where the fields say it.
        recorded: the sentence as recorded, in English.
        facts: the numbers, what was found and required, the place, and the basis.
        remedy: what to do, in the reader's language; empty where only the recorded one is known.
        remedy_recorded: what to do as recorded, in English.
        leads: whether the recorded sentence is in the reader's language and stands first.
    """

    verdict: str
    title: str
    subject: str
    sentence: str
    recorded: str
    facts: tuple[Fact, ...]
    remedy: str
    remedy_recorded: str
    leads: bool


def title_key(check: str) -> str:
    """Give the key of a check's title in the catalogue ``findings``."""
    return f"title_{check.replace('-', '_')}"


def finding_line(
    finding: Finding | Mapping[str, Any], *, language: str = DEFAULT_LANGUAGE, us: bool = False
) -> FindingLine:
    """Put a finding into words of a language.

    Args:
        finding: the finding, or what its ``as_dict`` gave.
        language: language of the reader; one without a catalogue gives English.
        us: whether units of the United States are wanted.
    """
    held = finding.as_dict() if isinstance(finding, Finding) else dict(finding)
    own = language if language in languages(area="findings") else DEFAULT_LANGUAGE
    words = catalogue(own, area="findings")
    name = str(held["check"]).replace("-", "_")
    verdict = str(held["verdict"])
    leads = own == DEFAULT_LANGUAGE
    return FindingLine(
        verdict=verdict,
        title=words.get(f"title_{name}", f"{words['check_untitled']}: {held['check']}"),
        subject=_subject(held, words),
        sentence="" if leads else _sentence(held, words, us=us),
        recorded=str(held["message"]),
        facts=_facts(held, words, us=us),
        remedy="" if leads else _remedy(held, words),
        remedy_recorded=str(held.get("remedy", "")),
        leads=leads,
    )


def _kind(kind: str, words: Mapping[str, str]) -> str:
    several = _SEVERAL.fullmatch(kind)
    if several:
        return words["label_several"].format(
            count=several.group(1), kind=_kind(several.group(2), words)
        )
    return words.get(f"kind_{kind.replace(' ', '_')}", kind or words["kind_other"])


def _subject(held: Mapping[str, Any], words: Mapping[str, str]) -> str:
    named = str(held.get("subject", ""))
    told = words.get(f"subject_{re.sub(r'[^a-z]+', '_', named)}", named)
    if (design := _DESIGN.fullmatch(named)) is not None:
        told = words["subject_of_design"].format(**design.groupdict())
    kind = _kind(str(held.get("subject_kind", "")), words)
    if held.get("subject_kind") == "site" and told != named:
        return told
    return f"{kind} {told}".strip()


def _quantity(
    held: Mapping[str, Any],
    name: str,
    words: Mapping[str, str],
    *,
    us: bool,
    difference: bool = False,
) -> str:
    unit = str(held.get("unit", ""))
    in_cell = unit.endswith(" cell")
    told = shown_quantity(
        float(held[name]), unit.removesuffix(" cell"), us=us, difference=difference
    )
    if in_cell:
        return words["unit_cell"].format(unit=told)
    worded = words.get(f"unit_{unit}")
    return told.removesuffix(unit) + worded if worded else told


def _sentence(held: Mapping[str, Any], words: Mapping[str, str], *, us: bool) -> str:
    """Give the sentence of a check and verdict, where all that it tells is in the fields."""
    if held.get("subject_kind") in _ABOUT_MANY:
        return ""
    name = str(held["check"]).replace("-", "_")
    told = words.get(f"say_{name}_{held['verdict']}") or words.get(f"say_{name}", "")
    needed = {part for _, part, _, _ in Formatter().parse(told) if part}
    if any(held.get(part) is None for part in needed):
        return ""
    return told.format(**{part: _quantity(held, part, words, us=us) for part in needed})


def _remedy(held: Mapping[str, Any], words: Mapping[str, str]) -> str:
    """Give what to do in the language, where the catalogue has the very remedy that is recorded."""
    name = f"do_{str(held['check']).replace('-', '_')}"
    known = catalogue(DEFAULT_LANGUAGE, area="findings").get(name)
    return words[name] if known is not None and known == held.get("remedy") else ""


def _facts(held: Mapping[str, Any], words: Mapping[str, str], *, us: bool) -> tuple[Fact, ...]:
    facts: list[Fact] = []
    if held.get("value") is not None and held["check"] not in _QUESTIONS:
        value = _quantity(held, "value", words, us=us)
        if held.get("uncertainty") is not None:
            spread = _quantity(held, "uncertainty", words, us=us, difference=True)
            value = f"{value} ± {spread} (k = 1)"
        counted = not held.get("unit") or held["unit"] in _COUNTED
        facts.append(Fact(label=words["label_count" if counted else "label_value"], text=value))
        if held.get("limit") is not None:
            limit = _quantity(held, "limit", words, us=us)
            facts.append(Fact(label=words["label_limit"], text=limit))
        if held.get("margin") is not None:
            margin = _quantity(held, "margin", words, us=us, difference=True)
            facts.append(Fact(label=words["label_margin"], text=margin))
    facts.extend(
        Fact(label=words[f"label_{part}"], text=str(held[part]), recorded=True)
        for part in ("found", "required")
        if held.get(part)
    )
    if place := held.get("place"):
        facts.append(Fact(label=words["label_place"], text=_place(place, words)))
    if held.get("basis"):
        facts.append(Fact(label=words["label_basis"], text=str(held["basis"])))
    return tuple(facts)


def _place(place: Mapping[str, Any], words: Mapping[str, str]) -> str:
    parts = [str(place.get("file", ""))]
    parts += [
        f"{words[f'label_{name}']} {place[name]}"
        for name in ("sheet", "row", "column", "key")
        if place.get(name)
    ]
    return ", ".join(part for part in parts if part)
