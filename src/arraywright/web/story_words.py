"""The story of a serial, a pallet or a string in the reader's language.

A story is made of data that ``trace`` gives beside each English sentence. What people wrote, and
what the signed record says as a sentence, stays as it is and is given apart, to be marked as such.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from arraywright.dossier.words import class_text, number, percent
from arraywright.web.finding_words import finding_line, title_key
from arraywright.web.quantities import shown_quantity
from arraywright.web.words import DEFAULT_LANGUAGE, catalogue, languages

__all__ = ["StoryLine", "story_lines"]

_DIGITS: Final = {
    "modules": 0,
    "pmax_w": 2,
    "voc_v": 1,
    "isc_a": 2,
    "vmp_v": 2,
    "imp_a": 3,
    "irradiance_w_m2": 0,
    "riso_pos_megohm": 2,
    "riso_neg_megohm": 2,
    "earth_continuity_ohm": 2,
    "first_v": 1,
    "rest_v": 1,
    "whole_v": 1,
}
_DIGITS_OF_FLASHES: Final = {"voc_v": 3, "isc_a": 3, "vmp_v": 3}
_OF_PHONES: Final = {
    "result": "result",
    "condition": "option",
    "bonding": "option",
    "severity": "option",
}
_PALLET_VERDICTS: Final = frozenset({"decided", "pallet_judged"})


@dataclass(frozen=True, slots=True, kw_only=True)
class StoryLine:
    """One event as a page shows it.

    Attributes:
        moment: when, as ISO text; None when nobody knows.
        what: what happened, in the reader's language.
        recorded: sentences as recorded, in English, that belong to it.
        who: who did or said it.
        source: where it stands.
    """

    moment: str | None
    what: str
    recorded: tuple[str, ...]
    who: str
    source: str


def story_lines(
    events: Sequence[Mapping[str, Any]], *, language: str = DEFAULT_LANGUAGE, us: bool = False
) -> list[StoryLine]:
    """Put the events of a story into words of a language.

    Args:
        events: the ``events`` that ``story_of`` gives in its result.
        language: language of the reader; one without a catalogue gives English.
        us: whether units of the United States are wanted.
    """
    own = language if language in languages(area="story") else DEFAULT_LANGUAGE
    teller = _Teller(language=own, us=us)
    return [teller.line(event) for event in events]


class _Teller:
    def __init__(self, *, language: str, us: bool) -> None:
        self.language, self.us = language, us
        self.words = catalogue(language, area="story")
        self.office = catalogue(language, area="office")
        self.field = catalogue(language, area="field")

    def line(self, event: Mapping[str, Any]) -> StoryLine:
        recorded: list[str] = []
        what = "; ".join(self._part(part, recorded) for part in event["parts"])
        return StoryLine(
            moment=event["moment"],
            what=what,
            recorded=tuple(recorded),
            who=str(event["who"]),
            source=self._source(event),
        )

    def _source(self, event: Mapping[str, Any]) -> str:
        place = event["place"]
        if not place:
            return self.words["story_entry"].format(entry=event["entry"])
        if not place["row"]:
            return str(place["file"])
        return self.words["story_row"].format(**place)

    def _part(self, part: Mapping[str, Any], recorded: list[str]) -> str:
        said = str(part["said"])
        digits = _DIGITS | (_DIGITS_OF_FLASHES if said == "flashed" else {})
        fields: dict[str, Any] = {
            name: number(value, digits[name]) if name in digits else value
            for name, value in part.items()
        }
        self._names(part, fields)
        self._names_of_phones(part, fields)
        reasons = self._reasons(part)
        if said == "string_judged":
            recorded.extend(part["reasons"])
        if said == "contradicted":
            line = finding_line(part["finding"], language=self.language, us=self.us)
            fields["title"] = f"{line.title}, {line.subject}"
            recorded.append(line.recorded)
        fields["reasons"] = reasons
        told = self.words[f"said_{said}"].format(**fields)
        own = reasons if said == "pallet_judged" else part.get("note", "")
        return f"{told} ({own})" if own else told

    def _names(self, part: Mapping[str, Any], fields: dict[str, Any]) -> None:
        """Put words in for what is a key, a list or missing."""
        if "verdict" in part:
            known = self.office.get(f"verdict_{part['verdict']}")
            fields["verdict"] = known or str(part["verdict"])
        if "power_class_w" in part:
            power = part["power_class_w"]
            fields["klass"] = (
                self.words["no_power"]
                if power is None
                else class_text(power, part["current_class"])
            )
        if "condition" in part:
            held = str(part["condition"] or "")
            fields["condition"] = self.words.get(
                f"condition_{held.casefold()}", held or self.words["unknown"]
            )
        if "delivery_note" in part:
            fields["delivery_note"] = part["delivery_note"] or self.words["no_number"]
            fields["module_type"] = part["module_type"] or ""
        if part["said"] == "flashed":
            fields["pallet"] = part["pallet"] or self.words["unknown"]
        if "pallets" in part:
            fields["pallets"] = ", ".join(part["pallets"])
        if "deviation_ratio" in part:
            fields["deviation"] = percent(part["deviation_ratio"])
        if "module_temp_c" in part:
            held_c = part["module_temp_c"]
            fields["temperature"] = (
                "–" if held_c is None else shown_quantity(held_c, "degC", us=self.us)
            )
        if part["said"] == "design_checked":
            fields["practice"] = str(part["practice"]).upper()
            fields["passed"], fields["failed"] = part["pass"], part["fail"]

    def _names_of_phones(self, part: Mapping[str, Any], fields: dict[str, Any]) -> None:
        """Put words in for the answers that phones keep as keys."""
        if part["said"] == "incident":
            fields["what"] = self.office.get(f"incident_{part['what']}", str(part["what"]))
        if str(part["said"]).startswith("phone_"):
            for name in _OF_PHONES.keys() & part.keys():
                held = str(part[name] or "")
                told = self.field.get(f"{_OF_PHONES[name]}_{held}")
                fields[name] = told or held or self.words["unknown"]

    def _reasons(self, part: Mapping[str, Any]) -> str:
        """Give the reasons of a pallet's or a module's verdict, which are keys of checks."""
        titles = catalogue(self.language, area="findings")
        if part["said"] == "pallet_judged":
            keys = [str(key) for key in part["reasons"]]
            known = {
                f"title_{name[7:]}": told
                for name, told in self.office.items()
                if name.startswith("reason_")
            }
            words: Mapping[str, str] = {**titles, **known}
        elif part["said"] == "set_aside":
            keys = [key.strip() for key in str(part["reason"] or "").split(",") if key.strip()]
            words = titles
        else:
            return ""
        return ", ".join(words.get(title_key(key), key) for key in keys)
