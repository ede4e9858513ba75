"""Stories in the reader's language: every kind of sentence, and what is left as recorded."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Any

import pytest

import arraywright.procedures
from arraywright.web.story_words import story_lines
from arraywright.web.words import catalogue, languages

LANGUAGES = languages(area="story")


def _kinds() -> set[str]:
    folder = Path(arraywright.procedures.__file__).parent
    return {
        node.args[0].value
        for path in folder.glob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id == "story_part"
        and isinstance(node.args[0], ast.Constant)
        and isinstance(node.args[0].value, str)
    }


def test_every_kind_of_sentence_is_in_the_catalogue() -> None:
    """What a story can tell has a sentence, and no sentence is left of what it cannot."""
    told = {key.removeprefix("said_") for key in catalogue("en", area="story") if "said_" in key}
    assert len(_kinds()) > 10
    assert told == _kinds()


def _event(said: str, **fields: Any) -> dict[str, Any]:
    return {
        "moment": "2026-06-18T10:08:50+00:00",
        "what": "in English",
        "who": "crew 2",
        "source": "a.csv, row 3",
        "parts": [{"said": said, **fields}],
        "place": {"file": "a.csv", "row": 3},
        "entry": "",
    }


READ = _event(
    "read",
    voc_v=1256.4,
    isc_a=None,
    irradiance_w_m2=970.0,
    module_temp_c=50.0,
    riso_pos_megohm=200.0,
    riso_neg_megohm=72.0,
    earth_continuity_ohm=0.11,
)


@pytest.mark.parametrize(
    ("language", "us", "expected"),
    [
        ("en", True, "Read: Voc 1 256.4 V, Isc – A at 970 W/m², module 122\N{NO-BREAK SPACE}°F"),
        (
            "de",
            False,
            "Gemessen: Voc 1 256.4 V, Isc – A bei 970 W/m², Modul 50\N{NO-BREAK SPACE}°C",
        ),
        ("es", False, "Medido: Voc 1 256.4 V, Isc – A a 970 W/m², módulo 50\N{NO-BREAK SPACE}°C"),
        ("fr", False, "Read: Voc 1 256.4 V, Isc – A at 970 W/m², module 50\N{NO-BREAK SPACE}°C"),
    ],
)
def test_a_reading_is_told_in_language_and_units(language: str, us: bool, expected: str) -> None:  # noqa: FBT001
    """Numbers, missing numbers and the temperature follow the reader."""
    (line,) = story_lines([READ], language=language, us=us)
    assert line.what.startswith(expected)
    assert line.who == "crew 2"


def test_verdicts_and_reasons_are_words() -> None:
    """Keys of verdicts and of checks become words, and several parts become one line."""
    judged = _event("pallet_judged", verdict="hold", reasons=["pallet-count", "not-yet-made"])
    judged["parts"].append({"said": "set_aside", "reason": "flash-voc-tolerance"})
    (line,) = story_lines([judged], language="de")
    assert line.what == (
        "Urteil über die Palette: zurückgestellt "
        "(Papiere nennen verschiedene Modulzahlen, not-yet-made); "
        "Modul ausgesondert, nicht erfüllt: Geblitzte Voc in der Toleranz"
    )


@pytest.mark.parametrize(
    ("event", "expected"),
    [
        (
            _event("phone_inspected", result="apart", defects=2, note="cracked"),
            "Inspected by phone: Set apart, do not mount; defects: 2 (cracked)",
        ),
        (
            _event("phone_received", modules=31.0, condition="leaning", note=""),
            "Received by phone: 31 modules counted, condition: Leaning",
        ),
        (
            _event("phone_connected", bonding="never heard of", note=""),
            "Connectors checked by phone; bonding: never heard of",
        ),
        (_event("incident", what="storm", note="hail"), "Incident: storm or hail (hail)"),
        (_event("recalled", note="junction box"), "Recalled by the maker (junction box)"),
    ],
)
def test_what_phones_incidents_and_recalls_say(event: dict[str, Any], expected: str) -> None:
    """Keys become words, and what a person wrote stands behind the sentence as written."""
    (line,) = story_lines([event])
    assert line.what == expected
    (german,) = story_lines([event], language="de")
    assert german.what != expected


def test_recorded_sentences_are_given_apart() -> None:
    """The reasons of a string's verdict are sentences of the record, and are not translated."""
    judged = _event("string_judged", string="A-1", verdict="fail", reasons=["it is low"])
    judged |= {"place": None, "entry": "0d"}
    (line,) = story_lines([judged], language="es")
    assert line.what == "Cadena A-1: veredicto no conforme"
    assert line.recorded == ("it is low",)
    assert line.source == "entrada 0d"


def test_what_nobody_wrote_down_is_said_so() -> None:
    """A missing class, pallet, note or condition is named as missing."""
    noted = _event(
        "noted",
        delivery_note=None,
        modules=36,
        module_type="T",
        power_class_w=None,
        current_class=None,
    )
    scanned = _event("scanned", modules=None, condition=None)
    first, second = story_lines([noted, scanned], language="de")
    assert first.what == "Lieferschein ohne Nummer: 36 Module T keine Leistungsklasse"
    assert second.what == "Etikett gescannt: – Module, Zustand: nicht genannt"


def test_an_opening_is_told_with_what_both_parts_read() -> None:
    """What was not read just before is a dash, in every language."""
    opened = _event("string_opened", after_module=12, first_v=553.84, rest_v=664.6, whole_v=None)
    (line,) = story_lines([opened], language="de")
    assert line.what == (
        "Geöffnet nach Modul 12 vom Pluspol aus: + Seite 553.8 V, − Seite 664.6 V, "
        "ganzer String – V"
    )
